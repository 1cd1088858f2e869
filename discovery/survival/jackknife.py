"""The product-limit estimate, and the infinitesimal-jackknife variance of an incidence built on it."""

from __future__ import annotations

import numpy as np

from discovery.survival.follow_up import FollowUp, risk_sets, steps


def product_limit(n_at_risk: np.ndarray, n_event: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Survival and Greenwood's sum (variance of log survival) from totals (n_times,)."""
    left = n_at_risk - n_event
    survival = np.cumprod(np.divide(left, n_at_risk, out=np.ones_like(left), where=n_at_risk > 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(n_event > 0, n_event / (n_at_risk * left), 0.0)
    return survival, np.cumsum(terms)


def jackknife_variance(follow_up: FollowUp, *, cause: int) -> tuple[np.ndarray, np.ndarray]:
    """Distinct times and the sum over rows of (weight x influence on the incidence)^2 at each.

    The influence of a row on F(t) is written as const - q F(t) once its follow-up has ended and as
    g(t) + c - b F(t) while it lasts, so that sums of squares are differences of cumulative sums:
    O(n log n) in time and memory, where the matrix of influences is O(n^2).
    """
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
    weight = follow_up.weights
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

    # Rows whose follow-up has ended by t (time <= t).
    size = len(times)
    square = weight**2
    ended = [
        np.cumsum(np.bincount(end, square * term, minlength=size)) for term in (const**2, const * q, q**2)
    ]
    total = ended[0] - 2 * incidence * ended[1] + incidence**2 * ended[2]
    # Rows still followed at t (entry < t < time; an entry at t has no influence yet).
    entered = np.searchsorted(times, follow_up.entry, side="right")

    def followed(term):
        came_in = np.cumsum(np.bincount(entered, square * term, minlength=size + 1))[:size]
        return came_in - np.cumsum(np.bincount(end, square * term, minlength=size))

    g = crossed - direct
    b, c = came["hazard"], constant_here
    one = np.ones_like(b)
    if np.isfinite(follow_up.entry).any():
        total = total + (
            g**2 * followed(one) + 2 * g * followed(c) - 2 * g * incidence * followed(b)
            + followed(c**2) - 2 * incidence * followed(c * b) + incidence**2 * followed(b**2)
        )  # fmt: skip
    else:
        total = total + g**2 * followed(one)
    return times, np.maximum(total, 0.0)
