"""Hartigan's dip: how far a sample is from the nearest distribution with one mode."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def dips(samples):
    """The dip of each row of `samples`, float64 (m, n), every row sorted; float64 (m,)."""
    out = np.empty(samples.shape[0])
    for row in range(samples.shape[0]):
        out[row] = dip(samples[row])
    return out


@compiled
def dip(x):
    """The dip statistic of the sorted sample x, float64 (n,).

    The largest distance between the empirical distribution and the closest unimodal one. The modal
    interval [low, high] is narrowed: inside it the greatest convex minorant and the least concave
    majorant of the empirical distribution are compared, and the place where they differ most gives the
    next interval; outside it the sample is compared with the convex part on the left and the concave
    part on the right.

    References
    ----------
    Hartigan & Hartigan, Ann Stat 1985;13:70-84.
    """
    n = x.shape[0]
    if n < 2 or x[0] == x[n - 1]:
        return 0.5 / n if n > 0 else np.nan
    below = _hull_links(x, True)
    above = _hull_links(x, False)
    low, high = 0, n - 1
    largest = 1.0  # distances here are in units of 1/n and doubled: the dip is largest / 2n
    convex = np.empty(n, dtype=np.int64)
    concave = np.empty(n, dtype=np.int64)
    while True:
        # knots of the minorant from high down to low, and of the majorant from low up to high
        a = 0
        convex[0] = high
        while convex[a] > low:
            convex[a + 1] = below[convex[a]]
            a += 1
        b = 0
        concave[0] = low
        while concave[b] < high:
            concave[b + 1] = above[concave[b]]
            b += 1
        distance, new_low, new_high = _widest(x, convex, a, concave, b, largest)
        if distance < largest:
            break
        left = _gap_to_convex(x, convex, a, new_low)
        right = _gap_to_concave(x, concave, b, new_high)
        largest = max(largest, max(left, right))
        if new_low == low and new_high == high:
            break
        low, high = new_low, new_high
    return largest / (2.0 * n)


@compiled
def _hull_links(x, convex):
    """For each point, the neighbouring knot of the hull of all points up to it (or, for the concave
    one, from it): following the links from any end point walks that hull."""
    n = x.shape[0]
    link = np.empty(n, dtype=np.int64)
    if convex:
        link[0] = 0
        for j in range(1, n):
            link[j] = j - 1
            while link[j] > 0:
                near = link[j]
                far = link[near]
                if (x[j] - x[near]) * (near - far) < (x[near] - x[far]) * (j - near):
                    break
                link[j] = far
    else:
        link[n - 1] = n - 1
        for j in range(n - 2, -1, -1):
            link[j] = j + 1
            while link[j] < n - 1:
                near = link[j]
                far = link[near]
                if (x[near] - x[j]) * (far - near) < (x[far] - x[near]) * (near - j):
                    break
                link[j] = far
    return link


@compiled
def _widest(x, convex, a, concave, b, least):
    """The largest distance of majorant over minorant at a knot of either, and the knots around it."""
    if a == 1 and b == 1:
        return 1.0 if least <= 1.0 else 0.0, convex[1], concave[1]
    widest, low, high = 0.0, convex[a], concave[b]
    i, j = a - 1, 1  # both walk from low to high: convex[i], concave[j] are the next knots
    while True:
        at_convex, at_concave = convex[i], concave[j]
        if at_convex > at_concave:  # the next knot is one of the majorant
            start = convex[i + 1]
            run = x[at_convex] - x[start]
            line = (x[at_concave] - x[start]) * (at_convex - start) / run if run > 0 else 0.0
            gap = (at_concave - start + 1) - line
            j += 1
            if gap >= widest:
                widest, low, high = gap, start, at_concave
        else:
            end, start = at_concave, concave[j - 1]
            run = x[end] - x[start]
            line = (x[at_convex] - x[start]) * (end - start) / run if run > 0 else 0.0
            gap = line - (at_convex - start - 1)
            i -= 1
            if gap >= widest:
                widest, low, high = gap, at_convex, end
        i = max(i, 0)
        j = min(j, b)
        if convex[i] == concave[j]:
            return widest, low, high


@compiled
def _gap_to_convex(x, convex, a, new_low):
    """How far the sample rises above the minorant, on its pieces up to `new_low`."""
    most = 0.0
    for piece in range(a - 1, -1, -1):
        start, end = convex[piece + 1], convex[piece]
        if end > new_low:
            break
        if end - start > 1 and x[end] != x[start]:
            slope = (end - start) / (x[end] - x[start])
            for at in range(start, end + 1):
                most = max(most, (at - start + 1) - (x[at] - x[start]) * slope)
        else:
            most = max(most, 1.0)
    return most


@compiled
def _gap_to_concave(x, concave, b, new_high):
    """How far the majorant lies above the sample, on its pieces from `new_high`."""
    most = 0.0
    for piece in range(b - 1, -1, -1):
        start, end = concave[piece], concave[piece + 1]
        if start < new_high:
            break
        if end - start > 1 and x[end] != x[start]:
            slope = (end - start) / (x[end] - x[start])
            for at in range(start, end + 1):
                most = max(most, (x[at] - x[start]) * slope - (at - start - 1))
        else:
            most = max(most, 1.0)
    return most
