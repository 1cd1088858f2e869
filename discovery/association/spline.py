"""Restricted cubic splines: a smooth curve, straight beyond the outer knots."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from discovery.problems import InputError, Problem

FEW_EVENTS = 60  # below, three knots instead of four


def default_knots(values: ArrayLike, *, events: int) -> np.ndarray:
    """Knots at the 5, 35, 65 and 95 % quantiles, or 10, 50 and 90 % below 60 events (Harrell, Regression
    Modeling Strategies, 2015). Equal quantiles are merged, so fewer than 3 may be left."""
    seen = np.asarray(values, dtype=float)
    seen = seen[~np.isnan(seen)]
    at = (0.05, 0.35, 0.65, 0.95) if events >= FEW_EVENTS else (0.10, 0.50, 0.90)
    return np.unique(np.quantile(seen, at)) if len(seen) else np.empty(0)


def restricted_cubic_spline(values: ArrayLike, knots: ArrayLike) -> np.ndarray:
    """Basis (n, k - 1) for k knots: the value itself, then k - 2 columns that bend.

    Column j is ((x - t_j)+^3 - (x - t_{k-1})+^3 (t_k - t_j) / (t_k - t_{k-1})
    + (x - t_k)+^3 (t_{k-1} - t_j) / (t_k - t_{k-1})) / (t_k - t_1)^2, which is straight beyond t_k
    (Stone & Koo 1985, scaled as by Harrell). NaN in, NaN out. Raises `InputError` for fewer than 3
    knots, or knots that do not rise.
    """
    x, t = np.asarray(values, dtype=float), np.asarray(knots, dtype=float)
    if t.ndim != 1 or len(t) < 3 or not (np.diff(t) > 0).all():
        raise InputError(
            [Problem(file="spline", found=f"knots {list(t)}", wanted="three or more rising knots")]
        )
    span = (t[-1] - t[0]) ** 2
    last = t[-1] - t[-2]

    def cube(knot: float) -> np.ndarray:
        return np.maximum(x - knot, 0.0) ** 3

    bends = [
        (cube(knot) - cube(t[-2]) * (t[-1] - knot) / last + cube(t[-1]) * (t[-2] - knot) / last) / span
        for knot in t[:-2]
    ]
    return np.column_stack([x, *bends])
