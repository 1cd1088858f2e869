"""Discrimination by pair counting (Harrell C, AUC) and explained variance, for many score columns at once.

One idea carries all of them. Patients are laid out in *runs*: nobody is compared within a run, and
a pair is comparable when its leading member stands in an earlier run than its following one. For
survival there is one run per distinct event time, for an AUC a run of cases and a run of controls,
for ordered classes one run per class. The layout is made once; each score column then costs one
merge sort, O(n log n), in which every merge of two neighbouring blocks counts its pairs. Several
weight vectors (a bootstrap resample and the original data, say) share that sort.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.kernels.compiled import compiled
from discovery.kernels.pair_counts import discordant, discordant_by_row
from discovery.kernels.pair_table import PairTable, against_by_table, pair_table


class PairLayout(NamedTuple):
    """Who is compared with whom. Items are ordered by (stratum, run).

    row (items,) is the patient of an item; leads, follows (items,) say which side of a pair it can
    be; run (runs + 1,) are the first items of the runs, block (strata + 1,) the first runs of the strata.
    """

    row: np.ndarray
    leads: np.ndarray
    follows: np.ndarray
    run: np.ndarray
    block: np.ndarray


class ComparablePairs(NamedTuple):
    """Pairs of `counted`, without those of `excluded` (not yet under observation: delayed entry).

    `table`, if there, holds the same pairs one by one (`listed`).
    """

    counted: PairLayout
    excluded: PairLayout | None
    n: int
    table: PairTable | None = None


class Discrimination(NamedTuple):
    """value (m,) or (m, v) by score column and weight vector; influence (m, n) is d value / d weight."""

    value: np.ndarray
    influence: np.ndarray | None


def survival_pairs(time, event, *, entry=None, stratum=None, horizon=None, patient=None) -> ComparablePairs:
    """Comparable pairs of Harrell's C: i has the event, and j is still event-free and under observation.

    Parameters
    ----------
    time : array (n,)
        Time of the event or of censoring.
    event : array (n,)
        0 censored, 1 event, 2 or more a competing event. j is comparable with an event i when
        T_j > T_i, or T_j = T_i and j is censored; two events at one time are not comparable. After
        a competing event a patient can no longer have the event, and stays comparable to the horizon.
    entry : array (n,), optional
        Delayed entry: j is comparable with i only when entry_j < T_i.
    stratum : array (n,) of int, optional
        Pairs are formed within strata.
    horizon : float, optional
        Only events up to and including the horizon lead a pair.
    patient : array (n,) of int, optional
        Whose row it is, of patients numbered from 0: scores and weights are then those of patients.

    References
    ----------
    Harrell, Lee & Mark, Stat Med 1996;15:361-387; competing events as in Wolbers et al., Epidemiology
    2009;20:555-561.
    """
    time, event = np.asarray(time, dtype=np.float64), np.asarray(event)
    n = time.size
    group = np.zeros(n, dtype=np.int64) if stratum is None else np.unique(stratum, return_inverse=True)[1]
    leads = (event == 1) & (time <= (np.inf if horizon is None else horizon))
    until = np.where(event > 1, np.inf, time)
    place = np.zeros(n, dtype=np.int64)
    before_entry = np.zeros(n, dtype=np.int64)
    for g in range(int(group.max(initial=-1)) + 1):
        rows = np.flatnonzero(group == g)
        event_times = np.unique(time[rows][leads[rows]])
        place[rows] = np.searchsorted(event_times, until[rows], side="right")
        place[rows[leads[rows]]] = np.searchsorted(event_times, time[rows][leads[rows]], side="left")
        if entry is not None:
            before_entry[rows] = np.searchsorted(event_times, np.asarray(entry)[rows], side="right")
    whose = np.arange(n) if patient is None else np.asarray(patient)
    counted = _layout(whose, leads, np.ones(n, dtype=bool), place, group)
    excluded = None
    late, led = np.flatnonzero(before_entry > 0), np.flatnonzero(leads)
    if late.size:
        excluded = _layout(
            whose[np.concatenate([led, late])],
            np.repeat([True, False], [led.size, late.size]),
            np.repeat([False, True], [led.size, late.size]),
            np.concatenate([place[led], before_entry[late]]),
            np.concatenate([group[led], group[late]]),
        )
    return ComparablePairs(counted, excluded, int(whose.max(initial=-1)) + 1)


def class_pairs(level, *, stratum=None) -> ComparablePairs:
    """Pairs of different classes, the higher leading: AUC for 0/1, generalised C for ordered codes."""
    level = np.asarray(level, dtype=np.float64)
    n = level.size
    group = np.zeros(n, dtype=np.int64) if stratum is None else np.unique(stratum, return_inverse=True)[1]
    place = np.unique(-level, return_inverse=True)[1]
    everyone = np.ones(n, dtype=bool)
    return ComparablePairs(_layout(np.arange(n), everyone, everyone, place, group), None, n)


def listed(pairs: ComparablePairs) -> ComparablePairs:
    """`pairs` for many score columns, judged again and again: with a table of them where that is faster."""
    return pairs._replace(table=pair_table(pairs.counted, pairs.excluded, pairs.n))


def pair_discrimination(pairs: ComparablePairs, scores, weights=None, *, influence=False) -> Discrimination:
    """Share of comparable pair weight in which the leading member has the higher score; ties count half.

    Parameters
    ----------
    pairs : ComparablePairs
    scores : array (n,) or (n, m)
        Higher is meant to come first (a risk score). A row with a NaN score is left out of that column.
    weights : array (n,) or (n, v), optional
        Case weights; the weight of a pair is the product of its two.
    influence : bool
        Also the derivative of each value by each patient's weight (one weight vector only); 0 for a row
        left out.

    Returns
    -------
    Discrimination
        NaN where no pair is comparable.
    """
    columns = _columns(scores, pairs.n)
    w = np.ones((pairs.n, 1)) if weights is None else _columns(weights, pairs.n)
    several = weights is not None and np.ndim(weights) == 2
    if influence:
        if several:
            raise ValueError("influence values need a single weight vector")
        value, psi = _with_influence(pairs, columns, w[:, 0])
        return Discrimination(value, psi)
    constant = np.zeros((pairs.n, 1))
    whole = 2.0 * _against(pairs, constant, w)[0]
    against = _against(pairs, columns, w)
    incomplete = np.flatnonzero(np.isnan(columns).any(axis=0))
    comparable = np.tile(whole, (columns.shape[1], 1))
    if incomplete.size:
        flat = np.where(np.isnan(columns[:, incomplete]), np.nan, 0.0)
        comparable[incomplete] = 2.0 * _against(pairs, flat, w)
    value = _share(against, comparable)
    return Discrimination(value if several else value[:, 0], None)


def concordance(
    time, event, scores, *, weights=None, entry=None, stratum=None, horizon=None, influence=False
) -> Discrimination:
    """Harrell's C of each score column; see `survival_pairs` for who is compared with whom.

    A higher score is meant to mean an earlier event. Shapes as in `pair_discrimination`.
    """
    pairs = survival_pairs(time, event, entry=entry, stratum=stratum, horizon=horizon)
    return pair_discrimination(pairs, scores, weights, influence=influence)


def auc(y, scores, *, weights=None, stratum=None, influence=False) -> Discrimination:
    """Area under the ROC curve of each score column, for y of 0 and 1; ties count half.

    The influence values give DeLong's variance: sum of psi^2 n1/(n1 - 1) over cases and psi^2 n0/(n0 - 1)
    over controls (DeLong, DeLong & Clarke-Pearson, Biometrics 1988;44:837-845).
    """
    return pair_discrimination(class_pairs(y, stratum=stratum), scores, weights, influence=influence)


def ordinal_concordance(level, scores, *, weights=None, stratum=None, influence=False) -> Discrimination:
    """Generalised C for ordered classes: pairs of different classes whose scores are in the same order."""
    return pair_discrimination(class_pairs(level, stratum=stratum), scores, weights, influence=influence)


def explained_variance(y, predictions, *, weights=None, influence=False) -> Discrimination:
    """Weighted R2 of each column of predictions: 1 - sum w (y - f)^2 / sum w (y - mean)^2.

    On data that the predictions were not fitted to it may be negative. NaN where y does not vary.
    """
    y = np.asarray(y, dtype=np.float64)
    f = _columns(predictions, y.size)
    w = np.ones((y.size, 1)) if weights is None else _columns(weights, y.size)
    several = weights is not None and np.ndim(weights) == 2
    if influence and several:
        raise ValueError("influence values need a single weight vector")
    value, psi = _r2(y, np.ascontiguousarray(f.T), np.ascontiguousarray(w.T), influence)
    return Discrimination(value if several else value[:, 0], psi if influence else None)


def linear_scores(base, features, coef) -> np.ndarray:
    """Linear predictors (n, p): base (n, q) times coef[:, :q] plus each feature times its last coefficient.

    coef (p, q + 1), one row a feature. A missing feature value gives a NaN score.
    """
    return _linear_scores(
        np.ascontiguousarray(base, dtype=np.float64),
        np.ascontiguousarray(features, dtype=np.float64),
        np.ascontiguousarray(coef, dtype=np.float64),
    )


def _columns(values, n):
    table = np.asarray(values, dtype=np.float64)
    table = table[:, None] if table.ndim == 1 else table
    if table.ndim != 2 or table.shape[0] != n:
        raise ValueError(f"expected {n} rows, found an array of shape {np.shape(values)}")
    return table


def _layout(row, leads, follows, place, group) -> PairLayout:
    order = np.lexsort((row, place, group))
    row, leads, follows, place, group = (a[order] for a in (row, leads, follows, place, group))
    new_run = np.ones(row.size, dtype=bool)
    new_run[1:] = (place[1:] != place[:-1]) | (group[1:] != group[:-1])
    first = np.flatnonzero(new_run)
    run = np.append(first, row.size)
    of_run = group[first]
    block = np.append(np.flatnonzero(np.append(True, of_run[1:] != of_run[:-1])[: first.size]), first.size)
    return PairLayout(row.astype(np.int64), leads, follows, run.astype(np.int64), block.astype(np.int64))


def _against(pairs, columns, w):
    if pairs.table is not None:
        return against_by_table(pairs.table, columns, w)
    by_column = np.ascontiguousarray(columns.T)
    total = discordant(*pairs.counted, by_column, w)
    if pairs.excluded is not None:
        total -= discordant(*pairs.excluded, by_column, w)
    return total


def _with_influence(pairs, columns, w):
    by_column = np.ascontiguousarray(columns.T)
    # all complete columns have the same comparable pairs: those of the row before the incomplete ones
    gaps = np.isnan(by_column)
    incomplete = gaps.any(axis=1)
    flat = np.vstack([np.zeros(pairs.n), np.where(gaps[incomplete], np.nan, 0.0)])
    own = np.where(incomplete, np.cumsum(incomplete), 0)
    against, mine = discordant_by_row(*pairs.counted, by_column, w)
    comparable, share = discordant_by_row(*pairs.counted, flat, w)
    if pairs.excluded is not None:
        less, less_mine = discordant_by_row(*pairs.excluded, by_column, w)
        fewer, less_share = discordant_by_row(*pairs.excluded, flat, w)
        against, mine, comparable, share = (
            against - less,
            mine - less_mine,
            comparable - fewer,
            share - less_share,
        )
    comparable, share = 2.0 * comparable[own], 2.0 * share[own]
    value = _share(against, comparable)
    with np.errstate(divide="ignore", invalid="ignore"):
        psi = ((against / comparable)[:, None] * share - mine) / comparable[:, None]
    return value, psi


def _share(against, comparable):
    some = comparable > 0
    return np.where(some, 1.0 - against / np.where(some, comparable, 1.0), np.nan)


@compiled
def _r2(y, predictions, weights, influence):
    m, n = predictions.shape
    v = weights.shape[0]
    value = np.empty((m, v))
    psi = np.zeros((m, n)) if influence else np.zeros((1, 1))
    for c in range(m):
        for u in range(v):
            total, sum_y = 0.0, 0.0
            for i in range(n):
                if not np.isnan(predictions[c, i]):
                    total += weights[u, i]
                    sum_y += weights[u, i] * y[i]
            mean = sum_y / total if total > 0 else np.nan
            left, spread = 0.0, 0.0
            for i in range(n):
                if not np.isnan(predictions[c, i]):
                    left += weights[u, i] * (y[i] - predictions[c, i]) ** 2
                    spread += weights[u, i] * (y[i] - mean) ** 2
            value[c, u] = 1.0 - left / spread if spread > 0 else np.nan
            if influence and spread > 0:
                for i in range(n):
                    if not np.isnan(predictions[c, i]):
                        residual = (y[i] - predictions[c, i]) ** 2
                        psi[c, i] = (left / spread * (y[i] - mean) ** 2 - residual) / spread
    return value, psi


@compiled
def _linear_scores(base, features, coef):
    n, p = features.shape
    q = base.shape[1]
    out = np.empty((n, p))
    for i in range(n):
        for j in range(p):
            s = coef[j, q] * features[i, j]
            for k in range(q):
                s += coef[j, k] * base[i, k]
            out[i, j] = s
    return out
