"""The product-limit estimate, and the infinitesimal jackknife of an incidence built on it and of its area."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.survival.follow_up import FollowUp, risk_sets, steps


def product_limit(n_at_risk: np.ndarray, n_event: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Survival and Greenwood's sum (variance of log survival) from totals (n_times,)."""
    left = n_at_risk - n_event
    survival = np.cumprod(np.divide(left, n_at_risk, out=np.ones_like(left), where=n_at_risk > 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(n_event > 0, n_event / (n_at_risk * left), 0.0)
    return survival, np.cumsum(terms)


class Influence(NamedTuple):
    """Influence of each row on an incidence F: 0 up to its entry, then g(t) + c - b F(t) while it is
    followed, and `const` - `q` F(t) from its end on.

    `times`, `incidence` and `g` are (n_times,); the others (n,). `end` is the place of a row's end among the
    times, `entered` that of the first time at which it is at risk.
    """

    times: np.ndarray
    incidence: np.ndarray
    g: np.ndarray
    b: np.ndarray
    c: np.ndarray
    const: np.ndarray
    q: np.ndarray
    entered: np.ndarray
    end: np.ndarray


def influence_on_incidence(follow_up: FollowUp, *, cause: int) -> Influence:
    """What the weight of each row changes in the Aalen-Johansen estimate of `cause`, in O(n log n)."""
    every = risk_sets(follow_up, event=follow_up.status > 0)
    mine = risk_sets(follow_up, event=follow_up.status == cause).n_event
    times, n, d = every.time, every.n_at_risk, every.n_event
    free, _ = product_limit(n, d)
    before = np.concatenate([[1.0], free[:-1]])
    incidence = np.cumsum(before * mine / n)
    left = n - d
    # Once everybody at risk had an event the curve is fixed and later terms are empty.
    per_left = np.divide(1.0, left, out=np.zeros_like(left), where=left > 0)
    hazard_sum = np.cumsum(d / n * per_left)
    hazard_before = np.concatenate([[0.0], hazard_sum[:-1]])
    direct = np.cumsum(before * mine / n**2)
    crossed = np.cumsum(before * mine / n * hazard_before)

    def at(values, when):
        return steps(times, values, when, before=0.0)

    end = np.searchsorted(times, follow_up.time)
    came = {
        "direct": at(direct, follow_up.entry),
        "crossed": at(crossed, follow_up.entry),
        "hazard": at(hazard_sum, follow_up.entry),
        "incidence": at(incidence, follow_up.entry),
    }
    any_event = follow_up.status > 0
    q = np.where(any_event, per_left[end], 0.0) - (hazard_sum[end] - came["hazard"])
    own = np.where(follow_up.status == cause, before[end] / n[end], 0.0)
    const = (
        own - (direct[end] - came["direct"]) + (crossed[end] - came["crossed"])
        - came["hazard"] * (incidence[end] - came["incidence"]) + q * incidence[end]
    )  # fmt: skip
    constant_here = came["direct"] - came["crossed"] + came["hazard"] * came["incidence"]
    return Influence(
        times, incidence, crossed - direct, came["hazard"], constant_here, const, q,
        entered=np.searchsorted(times, follow_up.entry, side="right"), end=end,
    )  # fmt: skip


def jackknife_variance(follow_up: FollowUp, *, cause: int) -> tuple[np.ndarray, np.ndarray]:
    """Distinct times and the sum over rows of (weight x influence on the incidence)^2 at each.

    Sums of squares are differences of cumulative sums: O(n log n) in time and memory, where the matrix of
    influences is O(n^2).
    """
    times, incidence, g, b, c, const, q, entered, end = influence_on_incidence(follow_up, cause=cause)

    # Rows whose follow-up has ended by t (time <= t).
    size = len(times)
    square = follow_up.weights**2
    ended = [
        np.cumsum(np.bincount(end, square * term, minlength=size)) for term in (const**2, const * q, q**2)
    ]
    total = ended[0] - 2 * incidence * ended[1] + incidence**2 * ended[2]
    # Rows still followed at t (entry < t < time; an entry at t has no influence yet).

    def followed(term):
        came_in = np.cumsum(np.bincount(entered, square * term, minlength=size + 1))[:size]
        return came_in - np.cumsum(np.bincount(end, square * term, minlength=size))

    one = np.ones_like(b)
    if np.isfinite(follow_up.entry).any():
        total = total + (
            g**2 * followed(one) + 2 * g * followed(c) - 2 * g * incidence * followed(b)
            + followed(c**2) - 2 * incidence * followed(c * b) + incidence**2 * followed(b**2)
        )  # fmt: skip
    else:
        total = total + g**2 * followed(one)
    return times, np.maximum(total, 0.0)


def area_under_incidence(
    follow_up: FollowUp, *, cause: int, start: float, horizon: float
) -> tuple[float, np.ndarray]:
    """Area under the incidence of `cause` from `start` to `horizon`, and each row's influence on it (n,)."""
    found = influence_on_incidence(follow_up, cause=cause)
    width = np.diff(np.clip(np.append(found.times, np.inf), start, horizon))

    def area_to(values):
        """Area under the steps `values` from the start up to the k-th time, k = 0 … n_times."""
        return np.concatenate([[0.0], np.cumsum(values * width)])

    length, incidence, g = (area_to(values) for values in (np.ones_like(width), found.incidence, found.g))
    here, gone = np.minimum(found.entered, found.end), found.end

    def followed(area):
        return area[gone] - area[here]

    influence = (
        followed(g) + found.c * followed(length) - found.b * followed(incidence)
        + found.const * (length[-1] - length[gone]) - found.q * (incidence[-1] - incidence[gone])
    )  # fmt: skip
    return float(incidence[-1]), influence
