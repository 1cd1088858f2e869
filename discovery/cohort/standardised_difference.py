"""How far two groups are apart in a variable, in units of its spread, whatever the sample size."""

from __future__ import annotations

import numpy as np


def smd_continuous(a, b) -> float:
    """(mean a - mean b) / sqrt((s_a^2 + s_b^2)/2), missing values left out.

    NaN with fewer than two values in a group, or when neither varies and the means differ.

    References
    ----------
    Austin, Commun Stat Simul Comput 2009;38:1228-1234. Oracle: TB01.
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    if min(len(a), len(b)) < 2:
        return float("nan")
    return _over(float(a.mean() - b.mean()), float((a.var(ddof=1) + b.var(ddof=1)) / 2))


def smd_binary(a, b) -> float:
    """Difference of shares over sqrt of the mean of p(1 - p), for 0/1 values, missing left out.

    References
    ----------
    Austin 2009, as above. Oracle: TB01.
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    if min(len(a), len(b)) < 1:
        return float("nan")
    p, q = float(a.mean()), float(b.mean())
    return _over(p - q, (p * (1 - p) + q * (1 - q)) / 2)


def smd_categorical(counts_a, counts_b) -> float:
    """Mahalanobis distance of two distributions over levels, from their counts (n_levels,); never negative.

    Independent of the order of the levels. For two levels it is the size of `smd_binary`. NaN where a
    group is empty or the groups share no level (the distance has no limit).

    References
    ----------
    Yang & Dalton, SAS Global Forum 2012, paper 335. Oracle: TB02.
    """
    a, b = np.asarray(counts_a, dtype=float), np.asarray(counts_b, dtype=float)
    used = (a + b) > 0
    a, b = a[used], b[used]
    if a.sum() == 0 or b.sum() == 0:
        return float("nan")
    p, q = a / a.sum(), b / b.sum()
    if len(p) == 1:
        return 0.0
    gap = (p - q)[1:]
    spread = (np.diag(p) - np.outer(p, p) + np.diag(q) - np.outer(q, q))[1:, 1:] / 2
    values, vectors = np.linalg.eigh(spread)
    along = vectors.T @ gap
    flat = values <= 1e-12 * max(values.max(), 1e-300)
    if (np.abs(along[flat]) > 1e-9).any():
        return float("nan")
    return float(np.sqrt((along[~flat] ** 2 / values[~flat]).sum()))


def _over(difference: float, variance: float) -> float:
    if variance > 0:
        return difference / float(np.sqrt(variance))
    return 0.0 if difference == 0 else float("nan")
