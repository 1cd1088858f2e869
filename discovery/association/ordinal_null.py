"""The proportional-odds base model without any feature."""

from __future__ import annotations

import numpy as np

from discovery.association.design import Design
from discovery.association.null_model import NullModel, missing_patterns, projected, require_fit


def null_ordinal(design: Design) -> NullModel:
    """Residual P(Y < own class) - P(Y > own class), the derivative of the log likelihood by the predictor.

    Its expectation is 0 at the true probabilities. Li & Shepherd, Biometrika 2012;99:473-480, use it as a
    residual for ordered outcomes. Features are made free of the covariates with its variance as weight.
    """
    from discovery.kernels.ordinal import fit_ordinal

    assert design.y is not None
    own = np.unique(design.y, return_inverse=True)[1]  # a class without patients has no cut of its own
    fit = fit_ordinal(own, design.base)
    require_fit(design, fit.converged)
    predictor = design.base @ fit.coef
    reached = _cumulative(fit.cuts, predictor)
    rows = np.arange(design.n)
    residual = reached[rows, own] - (1 - reached[rows, own + 1])
    chance = np.diff(reached, axis=1)
    each = reached[:, :-1] - (1 - reached[:, 1:])
    weight = (chance * each**2).sum(axis=1)
    z = np.column_stack([np.ones(design.n), design.base])
    return NullModel(
        residual=residual, clean=projected(design, z, weight), coef=fit.coef, predictor=predictor
    )


def null_errors(design: Design, features: np.ndarray) -> np.ndarray:
    """1 / sqrt(information on each feature's coefficient at 0, given cut points and covariates) (p,)."""
    from discovery.kernels.ordinal import fit_ordinal

    assert design.y is not None
    found = np.full(features.shape[1], np.nan)
    for columns, rows in missing_patterns(design.observed):
        if not rows.size:
            continue
        y = np.unique(design.y[rows], return_inverse=True)[1]
        fit = fit_ordinal(y, design.base[rows])
        if not fit.converged or y.max() < 1:
            continue
        z = design.base[rows][:, np.isfinite(np.diag(fit.covariance))]
        reached = _cumulative(fit.cuts, design.base[rows] @ fit.coef)
        at = np.arange(rows.size)
        above = reached[at, y + 1] * (1 - reached[at, y + 1])
        below = reached[at, y] * (1 - reached[at, y])
        share = np.zeros((rows.size, fit.cuts.size))  # derivative of the information by the cut points
        share[at[y < fit.cuts.size], y[y < fit.cuts.size]] = above[y < fit.cuts.size]
        share[at[y > 0], y[y > 0] - 1] += below[y > 0]
        cuts = np.diag(share.sum(axis=0))
        for c in range(1, fit.cuts.size):
            both = y == c
            ratio = 1 / np.expm1(fit.cuts[c] - fit.cuts[c - 1])
            steep = both.sum() * ratio * (1 + ratio)
            cuts[c, c] += steep
            cuts[c - 1, c - 1] += steep
            cuts[c, c - 1] -= steep
            cuts[c - 1, c] -= steep
        whole = above + below
        x = features[np.ix_(rows, columns)]
        x = x - x.mean(axis=0)
        side = np.vstack([-share.T @ x, (whole[:, None] * z).T @ x])
        corner = -share.T @ z
        middle = np.block([[cuts, corner], [corner.T, (whole[:, None] * z).T @ z]])
        left = whole @ x**2 - (side * np.linalg.lstsq(middle, side, rcond=None)[0]).sum(axis=0)
        found[columns] = 1 / np.sqrt(np.where(left > 1e-10 * rows.size, left, np.nan))
    return found


def _cumulative(cuts: np.ndarray, predictor: np.ndarray) -> np.ndarray:
    """P(Y < c) for c = 0 .. K: (n, K + 1), first column 0 and last 1."""
    from scipy.special import expit

    n = predictor.size
    return np.column_stack([np.zeros(n), expit(cuts - predictor[:, None]), np.ones(n)])
