"""Risk-set sums of a Cox model at given coefficients, and the residuals made of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np


class CoxRows(NamedTuple):
    """Checked rows of a Cox model: all arrays (n,) but `x` (n, k), which is centred and scaled.

    A row is at risk while entry < t <= time, within its stratum.
    """

    time: np.ndarray
    event: np.ndarray  # bool
    x: np.ndarray
    weights: np.ndarray
    entry: np.ndarray
    stratum: np.ndarray  # int codes from 0 up


class EventTerms(NamedTuple):
    """One entry a term (T,) of the partial likelihood: one a death with Efron ties, one a time with Breslow.

    Terms are sorted by stratum and time. A term has the weight `weight`, the fraction `fraction` of
    the tied deaths already taken out, the risk-set sum `s0` and the risk-set mean `mean` (T, k) of x.
    `group` numbers the distinct event times of each stratum, `first` (G,) is the first term of each, and
    `group_time`, `group_stratum` (G,) say what they are. `death_group` (n,) is the group of a row's own
    event, -1 for none. `r` (n,) is exp(eta) of a row, eta less the largest of its stratum, `top` (n,).
    """

    group: np.ndarray
    fraction: np.ndarray
    weight: np.ndarray
    s0: np.ndarray
    mean: np.ndarray
    first: np.ndarray
    group_time: np.ndarray
    group_stratum: np.ndarray
    death_group: np.ndarray
    r: np.ndarray
    top: np.ndarray


def event_terms(rows: CoxRows, beta: np.ndarray, *, ties: str) -> EventTerms:
    """Risk-set sums at every event time in O(n log n)."""
    n, k = rows.x.shape
    eta = rows.x @ beta
    r, top = np.empty(n), np.empty(n)
    pieces: list[tuple] = []
    death_group = np.full(n, -1)
    groups = 0
    for stratum in np.unique(rows.stratum):
        mine = np.flatnonzero(rows.stratum == stratum)
        top[mine] = eta[mine].max()
        r[mine] = np.exp(eta[mine] - top[mine])
        dead = mine[rows.event[mine]]
        if not dead.size:
            continue
        times, own = np.unique(rows.time[dead], return_inverse=True)
        death_group[dead] = groups + own
        values = np.column_stack([np.ones(mine.size), rows.x[mine]]) * (rows.weights[mine] * r[mine])[:, None]
        at_risk = risk_set_sums(rows.time[mine], rows.entry[mine], values, times)
        count = np.bincount(own)
        total_weight = np.bincount(own, rows.weights[dead])
        if ties == "efron":
            dying = np.zeros((times.size, k + 1))
            weighted = (rows.weights[dead] * r[dead])[:, None] * np.column_stack(
                [np.ones(dead.size), rows.x[dead]]
            )
            np.add.at(dying, own, weighted)
            group = np.repeat(np.arange(times.size), count)
            rank = np.arange(group.size) - np.repeat(np.cumsum(count) - count, count)
            fraction = rank / count[group].astype(float)
            sums = at_risk[group] - fraction[:, None] * dying[group]
            weight = (total_weight / count)[group]
        else:
            group, fraction = np.arange(times.size), np.zeros(times.size, dtype=np.float64)
            sums, weight = at_risk, total_weight.astype(float)
        pieces.append((groups + group, fraction, weight, sums, times, np.full(times.size, stratum)))
        groups += times.size
    if not pieces:
        empty, none = np.empty(0), np.empty(0, dtype=np.int64)
        return EventTerms(none, empty, empty, empty, np.empty((0, k)), none, empty, none, death_group, r, top)
    joined = [np.concatenate(part) for part in zip(*pieces)]
    group, fraction, weight, sums, group_time, group_stratum = joined
    # Linear predictors more than 700 apart leave a risk set without weight: NaN, not a guess.
    sums = np.where(sums[:, :1] > 0, sums, np.nan)
    return EventTerms(
        group=group, fraction=fraction, weight=weight, s0=sums[:, 0], mean=sums[:, 1:] / sums[:, :1],
        first=np.searchsorted(group, np.arange(groups)), group_time=group_time, group_stratum=group_stratum,
        death_group=death_group, r=r, top=top,
    )  # fmt: skip


def risk_set_sums(time, entry, values, at) -> np.ndarray:
    """Sum of values (n, …) over rows with entry < t <= time, at each of the times `at` (m,), sorted."""
    if np.isfinite(entry).any():
        low, high = np.searchsorted(at, entry, side="right"), np.searchsorted(at, time, side="right")
        return _sums_over_stretches(low, high, values, len(at))
    return _sum_from(time, values, at)


def _sums_over_stretches(low, high, values, size) -> np.ndarray:
    """(size, …) at each place the sum of the rows of `values` whose stretch low <= place < high holds it.

    A binary tree, in which a stretch is a few nodes and a place the nodes above it: nothing is subtracted, so
    that a row of large weight leaves no rounding error where it is not.
    """
    tree = np.zeros((2 * size, *values.shape[1:]))
    left, right = low + size, high + size
    while (left < right).any():
        for end, step in ((left, 0), (right, -1)):
            odd = (left < right) & (end % 2 == 1)
            np.add.at(tree, end[odd] + step, values[odd])
            end += np.where(odd, 1 + 2 * step, 0)
        left, right = left // 2, right // 2
    first = 2
    while first < 2 * size:
        node = np.arange(first, min(2 * first, 2 * size))
        tree[node] += tree[node // 2]
        first *= 2
    return tree[size:]


def _sum_from(when, values, at) -> np.ndarray:
    order = np.argsort(when, kind="stable")
    tail = np.cumsum(values[order][::-1], axis=0)[::-1]
    tail = np.concatenate([tail, np.zeros((1, *values.shape[1:]))])
    return tail[np.searchsorted(when[order], at, side="left")]


def per_group(terms: EventTerms, values: np.ndarray) -> np.ndarray:
    """Sums of term values (T, …) by distinct event time (G, …)."""
    return np.add.reduceat(values, terms.first, axis=0) if len(terms.first) else values[:0]


def hazard_steps(terms: EventTerms) -> np.ndarray:
    """Baseline hazard step (G,) at every distinct event time, for x = 0: Efron's or Breslow's by the terms.

    Relative to the largest linear predictor of the stratum: divide by exp(top) for the hazard itself.
    """
    return per_group(terms, terms.weight / terms.s0)


def schoenfeld_residuals(rows: CoxRows, terms: EventTerms) -> tuple[np.ndarray, np.ndarray]:
    """Row numbers of the events and x less the risk-set mean at their time, (d, k)."""
    dead = np.flatnonzero(terms.death_group >= 0)
    size = np.bincount(terms.group, minlength=len(terms.first))
    average = per_group(terms, terms.mean) / size[:, None]
    return dead, rows.x[dead] - average[terms.death_group[dead]]


def term_covariances(rows: CoxRows, terms: EventTerms) -> np.ndarray:
    """Weighted risk-set covariance of x by event time (G, k, k), adding up to the information."""
    k = rows.x.shape[1]
    upper = np.triu_indices(k)
    result = np.empty((len(terms.first), k, k))
    second = np.empty((len(terms.group), len(upper[0])))
    for stratum in np.unique(terms.group_stratum):
        mine = np.flatnonzero(rows.stratum == stratum)
        start, stop = np.searchsorted(terms.group_stratum, [stratum, stratum + 1])
        mass = rows.weights[mine] * terms.r[mine]
        products = rows.x[mine][:, upper[0]] * rows.x[mine][:, upper[1]]
        at_risk = risk_set_sums(
            rows.time[mine], rows.entry[mine], products * mass[:, None], terms.group_time[start:stop]
        )
        here = (terms.group >= start) & (terms.group < stop)
        second[here] = at_risk[terms.group[here] - start]
    dying = np.zeros((len(terms.first), len(upper[0])))
    died = terms.death_group >= 0
    mass = (rows.weights * terms.r)[died]
    np.add.at(
        dying, terms.death_group[died], rows.x[died][:, upper[0]] * rows.x[died][:, upper[1]] * mass[:, None]
    )
    second -= terms.fraction[:, None] * dying[terms.group]
    second /= terms.s0[:, None]
    second -= terms.mean[:, upper[0]] * terms.mean[:, upper[1]]
    packed = per_group(terms, terms.weight[:, None] * second)
    result[:, upper[0], upper[1]] = packed
    result[:, upper[1], upper[0]] = packed
    return result
