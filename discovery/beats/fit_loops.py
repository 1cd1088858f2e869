"""Compiled least-squares fits of relaxation and of isovolumic pressure.

Models that are linear once one number is known are fitted by a search over that number alone, the
rest being solved exactly; so no starting value can lead them astray.
"""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled

GOLDEN = 0.6180339887498949


@compiled
def line_fit(x, y):
    """Least-squares line: intercept, slope, residual sum of squares."""
    n = x.size
    mx = 0.0
    my = 0.0
    for i in range(n):
        mx += x[i]
        my += y[i]
    mx /= n
    my /= n
    sxx = 0.0
    sxy = 0.0
    for i in range(n):
        sxx += (x[i] - mx) ** 2
        sxy += (x[i] - mx) * (y[i] - my)
    slope = sxy / sxx if sxx > 0.0 else 0.0
    intercept = my - slope * mx
    rss = 0.0
    for i in range(n):
        rss += (y[i] - intercept - slope * x[i]) ** 2
    return intercept, slope, rss


@compiled
def decay_rss(t, y, scale, logistic, basis):
    """Residual sum of squares at one time constant, with the best amplitude and asymptote."""
    for i in range(t.size):
        if logistic:
            basis[i] = 1.0 / (1.0 + np.exp(t[i] / scale))
        else:
            basis[i] = np.exp(-t[i] / scale)
    return line_fit(basis, y)


@compiled
def fit_decay(t, y, low, high, logistic):
    """Fit a decay with free asymptote; t in s. Returns time constant (s), amplitude, asymptote, R2.

    y = amplitude * exp(-t / tau) + asymptote, or y = amplitude / (1 + exp(t / tau)) + asymptote.
    A grid over log tau finds the valley, golden section its floor. NaN when the floor is at an end.
    """
    nothing = (np.nan, np.nan, np.nan, np.nan)
    n = t.size
    if n < 4:
        return nothing
    total = 0.0
    mean = np.mean(y)
    for i in range(n):
        total += (y[i] - mean) ** 2
    if not (total > 0.0):
        return nothing
    basis = np.empty(n)
    steps = 48
    a = np.log(low)
    b = np.log(high)
    best = -1
    least = np.inf
    for j in range(steps + 1):
        _, _, rss = decay_rss(t, y, np.exp(a + (b - a) * j / steps), logistic, basis)
        if rss < least:
            least = rss
            best = j
    if best <= 0 or best >= steps:
        return nothing
    left = a + (b - a) * (best - 1) / steps
    right = a + (b - a) * (best + 1) / steps
    x1 = right - GOLDEN * (right - left)
    x2 = left + GOLDEN * (right - left)
    _, _, f1 = decay_rss(t, y, np.exp(x1), logistic, basis)
    _, _, f2 = decay_rss(t, y, np.exp(x2), logistic, basis)
    for _ in range(28):
        if f1 <= f2:
            right, x2, f2 = x2, x1, f1
            x1 = right - GOLDEN * (right - left)
            _, _, f1 = decay_rss(t, y, np.exp(x1), logistic, basis)
        else:
            left, x1, f1 = x1, x2, f2
            x2 = left + GOLDEN * (right - left)
            _, _, f2 = decay_rss(t, y, np.exp(x2), logistic, basis)
    scale = np.exp(0.5 * (left + right))
    asymptote, amplitude, rss = decay_rss(t, y, scale, logistic, basis)
    return scale, amplitude, asymptote, 1.0 - rss / total


@compiled
def fit_raised_cosine(t, y, base, low, high, reach):
    """Fit y = base + a (1 - cos(2 pi (t - t0) / D)); t in s from end-diastole.

    Free: a, D in [low, high], t0 within +-reach. Levenberg-Marquardt from six starts, best cost.
    Returns peak (base + 2 a), D, t0, R2; NaN when a bound is met or nothing fits.
    """
    n = t.size
    mean = np.mean(y)
    total = 0.0
    for i in range(n):
        total += (y[i] - mean) ** 2
    found = (np.nan, np.nan, np.nan, np.nan)
    if n < 6 or not (total > 0.0):
        return found
    best = np.inf
    for start in range(6):
        period = low + (high - low) * (start + 1.0) / 8.0
        shift = 0.0
        top = 0.0
        bottom = 0.0
        for i in range(n):
            f = 1.0 - np.cos(2.0 * np.pi * (t[i] - shift) / period)
            top += f * (y[i] - base)
            bottom += f * f
        size = top / bottom if bottom > 0.0 else 1.0
        cost = np.inf
        damp = 1e-2
        for _ in range(60):
            # normal equations for (size, period, shift)
            a00 = a01 = a02 = a11 = a12 = a22 = 0.0
            g0 = g1 = g2 = 0.0
            here = 0.0
            for i in range(n):
                phase = 2.0 * np.pi * (t[i] - shift) / period
                f = 1.0 - np.cos(phase)
                d = size * np.sin(phase) * 2.0 * np.pi / period
                j0 = f
                j1 = -d * (t[i] - shift) / period
                j2 = -d
                r = y[i] - base - size * f
                here += r * r
                a00 += j0 * j0
                a01 += j0 * j1
                a02 += j0 * j2
                a11 += j1 * j1
                a12 += j1 * j2
                a22 += j2 * j2
                g0 += j0 * r
                g1 += j1 * r
                g2 += j2 * r
            cost = here
            moved = False
            for _ in range(12):
                b00 = a00 * (1.0 + damp)
                b11 = a11 * (1.0 + damp)
                b22 = a22 * (1.0 + damp)
                det = (
                    b00 * (b11 * b22 - a12 * a12)
                    - a01 * (a01 * b22 - a12 * a02)
                    + a02 * (a01 * a12 - b11 * a02)
                )
                if not (abs(det) > 0.0):
                    damp *= 10.0
                    continue
                s0 = g0 * (b11 * b22 - a12 * a12) - a01 * (g1 * b22 - a12 * g2) + a02 * (g1 * a12 - b11 * g2)
                s1 = b00 * (g1 * b22 - g2 * a12) - g0 * (a01 * b22 - a12 * a02) + a02 * (a01 * g2 - g1 * a02)
                s2 = b00 * (b11 * g2 - a12 * g1) - a01 * (a01 * g2 - g1 * a02) + g0 * (a01 * a12 - b11 * a02)
                trial_size = size + s0 / det
                trial_period = min(max(period + s1 / det, low), high)
                trial_shift = min(max(shift + s2 / det, -reach), reach)
                there = 0.0
                for i in range(n):
                    f = 1.0 - np.cos(2.0 * np.pi * (t[i] - trial_shift) / trial_period)
                    there += (y[i] - base - trial_size * f) ** 2
                if there < here:
                    moved = here - there > 1e-12 * total
                    size, period, shift, cost = trial_size, trial_period, trial_shift, there
                    damp = max(damp * 0.2, 1e-9)
                    break
                damp *= 5.0
            if not moved:
                break
        if cost < best * (1.0 - 1e-9):
            best = cost
            at_bound = (
                period <= low * 1.0001
                or period >= high * 0.9999
                or abs(shift) >= 0.9999 * reach
                or size <= 0.0
            )
            if at_bound:
                found = (np.nan, period, shift, 1.0 - cost / total)
            else:
                found = (base + 2.0 * size, period, shift, 1.0 - cost / total)
    return found


@compiled
def sinusoid_rss(t, y, omega):
    """Best a + b sin(wt) + c cos(wt): a, amplitude, residual sum of squares."""
    n = t.size
    m = np.zeros((3, 4))
    row = np.empty(4)
    for i in range(n):
        row[0] = 1.0
        row[1] = np.sin(omega * t[i])
        row[2] = np.cos(omega * t[i])
        row[3] = y[i]
        for p in range(3):
            for q in range(4):
                m[p, q] += row[p] * row[q]
    for p in range(3):
        pivot = m[p, p]
        if not (abs(pivot) > 1e-12):
            return np.nan, np.nan, np.inf
        for q in range(p, 4):
            m[p, q] /= pivot
        for other in range(3):
            if other != p:
                factor = m[other, p]
                for q in range(p, 4):
                    m[other, q] -= factor * m[p, q]
    a, b, c = m[0, 3], m[1, 3], m[2, 3]
    rss = 0.0
    for i in range(n):
        rss += (y[i] - a - b * np.sin(omega * t[i]) - c * np.cos(omega * t[i])) ** 2
    return a, np.sqrt(b * b + c * c), rss


@compiled
def fit_sinusoid(t, y, low, high):
    """Fit y = a + b sin(c t + d), period in [low, high] s. Returns peak (a + b), period, R2."""
    n = t.size
    total = 0.0
    mean = np.mean(y)
    for i in range(n):
        total += (y[i] - mean) ** 2
    if n < 6 or not (total > 0.0):
        return np.nan, np.nan, np.nan
    best = -1
    least = np.inf
    steps = 40
    for j in range(steps + 1):
        period = low + (high - low) * j / steps
        _, _, rss = sinusoid_rss(t, y, 2.0 * np.pi / period)
        if rss < least:
            least = rss
            best = j
    if best <= 0 or best >= steps:
        return np.nan, np.nan, np.nan
    left = low + (high - low) * (best - 1) / steps
    right = low + (high - low) * (best + 1) / steps
    x1 = right - GOLDEN * (right - left)
    x2 = left + GOLDEN * (right - left)
    _, _, f1 = sinusoid_rss(t, y, 2.0 * np.pi / x1)
    _, _, f2 = sinusoid_rss(t, y, 2.0 * np.pi / x2)
    for _ in range(28):
        if f1 <= f2:
            right, x2, f2 = x2, x1, f1
            x1 = right - GOLDEN * (right - left)
            _, _, f1 = sinusoid_rss(t, y, 2.0 * np.pi / x1)
        else:
            left, x1, f1 = x1, x2, f2
            x2 = left + GOLDEN * (right - left)
            _, _, f2 = sinusoid_rss(t, y, 2.0 * np.pi / x2)
    period = 0.5 * (left + right)
    a, amplitude, rss = sinusoid_rss(t, y, 2.0 * np.pi / period)
    return a + amplitude, period, 1.0 - rss / total
