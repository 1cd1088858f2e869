"""Relaxation time constants and the single-beat isovolumic maximum, from samples of one beat.

Each function takes plain arrays of time (s) and pressure (mmHg) and returns what it found with how
well it fits; time constants are ms. Nothing is clipped: a fit that meets a bound is missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEAST_SAMPLES = 6
LEAST_R2 = 0.97
LEAST_R2_PMAX = 0.95
MARGIN_MMHG = 2.0
TAU_LIMITS_S = (0.005, 0.2)
LOGISTIC_LIMITS_S = (0.002, 0.15)
ASYMPTOTE_LIMITS_MMHG = (-40.0, 30.0)
START_LIMITS_MMHG = (0.0, 300.0)
PERIOD_LIMITS_S = (0.2, 1.5)
SHIFT_LIMIT_S = 0.1


@dataclass(frozen=True, kw_only=True)
class Decay:
    """A fitted fall of pressure. Missing numbers are NaN; `note` says why."""

    tau_ms: float = np.nan
    amplitude_mmhg: float = np.nan
    asymptote_mmhg: float = np.nan
    r2: float = np.nan
    samples: int = 0
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class IsovolumicMaximum:
    """The peak that the ventricle would reach if it could not eject, extrapolated from one beat."""

    pmax_mmhg: float = np.nan
    period_s: float = np.nan
    shift_s: float = np.nan
    r2: float = np.nan
    samples: int = 0
    note: str = ""


def fit_samples(pressure: np.ndarray, end_diastolic_pressure: float, *, margin: float = MARGIN_MMHG) -> int:
    """Samples usable for a relaxation fit: from the first one until pressure <= EDP + margin."""
    below = np.flatnonzero(~(np.asarray(pressure, dtype=float) > end_diastolic_pressure + margin))
    return int(below[0]) if below.size else len(pressure)


def exponential_tau(
    time_s: np.ndarray,
    pressure: np.ndarray,
    *,
    least_samples: int = LEAST_SAMPLES,
    least_r2: float = LEAST_R2,
) -> Decay:
    """P = (P0 - Pinf) exp(-t/tau) + Pinf with all three free, by least squares.

    Missing with fewer than `least_samples`, R2 below `least_r2`, or a bound met: tau 5 to 200 ms,
    P0 0 to 300 mmHg, Pinf -40 to 30 mmHg. Three-parameter model: Pasipoularides 2002,
    J Thorac Cardiovasc Surg 124:964; Thompson 1983, Br Heart J 49:250.
    """
    from discovery.beats.fit_loops import fit_decay

    t, p = _since_first(time_s, pressure)
    if t.size < least_samples:
        return Decay(samples=t.size, note="too few samples")
    tau, size, asymptote, r2 = fit_decay(t, p, *TAU_LIMITS_S, False)
    if not np.isfinite(tau):
        return Decay(samples=t.size, note="time constant at its bound")
    inside = (
        ASYMPTOTE_LIMITS_MMHG[0] < asymptote < ASYMPTOTE_LIMITS_MMHG[1]
        and START_LIMITS_MMHG[0] < size + asymptote < START_LIMITS_MMHG[1]
        and size > 0
    )
    if not inside:
        return Decay(samples=t.size, r2=r2, note="a pressure at its bound")
    if r2 < least_r2:
        return Decay(samples=t.size, r2=r2, note="poor fit")
    return Decay(tau_ms=1e3 * tau, amplitude_mmhg=size, asymptote_mmhg=asymptote, r2=r2, samples=t.size)


def logistic_tau(
    time_s: np.ndarray,
    pressure: np.ndarray,
    *,
    least_samples: int = LEAST_SAMPLES,
    least_r2: float = LEAST_R2,
) -> Decay:
    """P = PA / (1 + exp(t/TL)) + PB by least squares, t from the first sample.

    Matsubara 1995, Circulation 92:2318. About half of the exponential constant: never pool the two.
    """
    from discovery.beats.fit_loops import fit_decay

    t, p = _since_first(time_s, pressure)
    if t.size < least_samples:
        return Decay(samples=t.size, note="too few samples")
    tau, size, asymptote, r2 = fit_decay(t, p, *LOGISTIC_LIMITS_S, True)
    if not np.isfinite(tau) or size <= 0:
        return Decay(samples=t.size, note="time constant at its bound")
    if r2 < least_r2:
        return Decay(samples=t.size, r2=r2, note="poor fit")
    return Decay(tau_ms=1e3 * tau, amplitude_mmhg=size, asymptote_mmhg=asymptote, r2=r2, samples=t.size)


def logistic_least_slope(amplitude_mmhg: float, tau_s: float) -> float:
    """dP/dt of the logistic fall at t = 0, its steepest point, mmHg/s: -PA / (4 TL)."""
    return -amplitude_mmhg / (4.0 * tau_s)


def weiss_tau(
    time_s: np.ndarray,
    pressure: np.ndarray,
    *,
    least_samples: int = LEAST_SAMPLES,
    least_r2: float = LEAST_R2,
) -> Decay:
    """-1 / slope of ln P against t, on samples above 1 mmHg (zero asymptote).

    Weiss 1976, J Clin Invest 58:751. An offset of the pressure biases it: +3 mmHg turns 30 into 40 ms.
    """
    from discovery.beats.fit_loops import line_fit

    t, p = _since_first(time_s, pressure)
    t, p = t[p > 1.0], p[p > 1.0]
    if t.size < least_samples:
        return Decay(samples=t.size, note="too few samples")
    y = np.log(p)
    start, slope, rss = line_fit(t, y)
    r2 = 1.0 - rss / ((y - y.mean()) ** 2).sum()
    if not slope < 0 or not TAU_LIMITS_S[0] < -1.0 / slope < TAU_LIMITS_S[1]:
        return Decay(samples=t.size, note="time constant at its bound")
    if r2 < least_r2:
        return Decay(samples=t.size, r2=r2, note="poor fit")
    return Decay(tau_ms=-1e3 / slope, amplitude_mmhg=np.exp(start), asymptote_mmhg=0.0, r2=r2, samples=t.size)


def regression_tau(
    pressure: np.ndarray,
    slope_mmhg_s: np.ndarray,
    *,
    least_samples: int = LEAST_SAMPLES,
    least_r2: float = 0.0,
) -> Decay:
    """-1 / slope of dP/dt regressed on P; the asymptote is where the line meets dP/dt = 0.

    Raff and Glantz 1981, Circ Res 48:813. Offset-free; noise of the derivative biases it.
    """
    from discovery.beats.fit_loops import line_fit

    p, d = np.asarray(pressure, dtype=float), np.asarray(slope_mmhg_s, dtype=float)
    if p.size < least_samples:
        return Decay(samples=p.size, note="too few samples")
    start, slope, rss = line_fit(p, d)
    total = ((d - d.mean()) ** 2).sum()
    r2 = 1.0 - rss / total if total > 0 else np.nan
    if not slope < 0 or not TAU_LIMITS_S[0] < -1.0 / slope < TAU_LIMITS_S[1]:
        return Decay(samples=p.size, note="time constant at its bound")
    if not r2 >= least_r2:
        return Decay(samples=p.size, r2=r2, note="poor fit")
    return Decay(tau_ms=-1e3 / slope, asymptote_mmhg=-start / slope, r2=r2, samples=p.size)


def half_time(time_s: np.ndarray, pressure: np.ndarray) -> float:
    """Time from the first sample until pressure is half of it, ms; NaN if it never is."""
    from discovery.beats.measure_loops import first_crossing_down

    t, p = _since_first(time_s, pressure)
    if p.size < 2 or not p[0] > 0:
        return np.nan
    place = first_crossing_down(p, 0.0, float(p.size - 1), 0.5 * p[0])
    return float(1e3 * np.interp(place, np.arange(p.size), t)) if np.isfinite(place) else np.nan


def single_beat_pmax(
    time_s: np.ndarray,
    pressure: np.ndarray,
    end_diastolic_pressure: float,
    *,
    systolic_pressure: float = -np.inf,
    least_r2: float = LEAST_R2_PMAX,
) -> IsovolumicMaximum:
    """Peak of a raised cosine through the two isovolumic pieces of one beat.

    time_s is counted from end-diastole; the cosine starts within 100 ms of it and lasts 0.2 to 1.5 s, one
    hump over both pieces: a shorter period could lay the falling piece on the next hump.
    Missing when a bound is met, R2 is below `least_r2`, or the peak is below the systolic pressure.
    Sunagawa 1980; Takeuchi 1991; Brimioulle 2003. The value ranks patients inside one protocol; it is
    30 to 60 % above the true isovolumic pressure in simulation.
    """
    from discovery.beats.fit_loops import fit_raised_cosine

    t, p = np.asarray(time_s, dtype=float), np.asarray(pressure, dtype=float)
    if t.size < LEAST_SAMPLES:
        return IsovolumicMaximum(samples=t.size, note="too few samples")
    shortest, longest = max(PERIOD_LIMITS_S[0], float(t[-1]) - SHIFT_LIMIT_S), PERIOD_LIMITS_S[1]
    if not shortest < longest:
        return IsovolumicMaximum(samples=t.size, note="the beat is longer than the longest period")
    peak, period, shift, r2 = fit_raised_cosine(
        t, p, float(end_diastolic_pressure), shortest, longest, SHIFT_LIMIT_S
    )
    note = ""
    if not np.isfinite(peak) or t[-1] > shift + period:
        note = "a bound of the fit was met"
    elif r2 < least_r2:
        note = "poor fit"
    elif peak < systolic_pressure:
        note = "below the systolic pressure"
    elif peak > 6.0 * systolic_pressure > 0:
        note = "more than six times the systolic pressure"
    if note:
        return IsovolumicMaximum(period_s=period, shift_s=shift, r2=r2, samples=t.size, note=note)
    return IsovolumicMaximum(pmax_mmhg=peak, period_s=period, shift_s=shift, r2=r2, samples=t.size)


def sinusoid_pmax(
    time_s: np.ndarray, pressure: np.ndarray, *, systolic_pressure: float = -np.inf
) -> IsovolumicMaximum:
    """Peak of a + b sin(c t + d) through the two isovolumic pieces: the four-parameter form."""
    from discovery.beats.fit_loops import fit_sinusoid

    t, p = np.asarray(time_s, dtype=float), np.asarray(pressure, dtype=float)
    if t.size < LEAST_SAMPLES:
        return IsovolumicMaximum(samples=t.size, note="too few samples")
    peak, period, r2 = fit_sinusoid(t, p, *PERIOD_LIMITS_S)
    if not np.isfinite(peak) or r2 < LEAST_R2_PMAX or peak < systolic_pressure:
        return IsovolumicMaximum(period_s=period, r2=r2, samples=t.size, note="no usable fit")
    return IsovolumicMaximum(pmax_mmhg=peak, period_s=period, r2=r2, samples=t.size)


def _since_first(time_s: np.ndarray, pressure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    t, p = np.asarray(time_s, dtype=float), np.asarray(pressure, dtype=float)
    return (t - t[0] if t.size else t), p
