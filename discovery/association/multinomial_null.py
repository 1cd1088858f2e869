"""The multinomial base model without any feature, and a feature's statistic against all its residuals."""

from __future__ import annotations

import numpy as np

from discovery.association.design import Design
from discovery.association.null_model import NullModel, projected, require_fit


def null_multinomial(design: Design) -> NullModel:
    """Residuals (n, K - 1): indicator of each class but the first minus its probability.

    Features are made free of the covariates with the trace of the residuals' covariance, sum p (1 - p), as
    weight, which treats all classes alike. `predictor` is the first principal component of the log odds of
    the classes, along which patients are most unlike in what the covariates say of them.
    """
    assert design.y is not None
    classes = int(design.y.max()) + 1
    scores = base_log_odds(design, classes)
    require_fit(design, scores is not None)
    assert scores is not None
    whole = np.column_stack([np.zeros(design.n), scores])
    chance = np.exp(whole - whole.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    residual = (design.y[:, None] == np.arange(1, classes)) - chance[:, 1:]
    z = np.column_stack([np.ones(design.n), design.base])
    clean = projected(design, z, (chance * (1 - chance)).sum(axis=1))
    return NullModel(residual=residual, clean=clean, coef=np.empty(0), predictor=_main_direction(whole))


def base_log_odds(design: Design, classes: int) -> np.ndarray | None:
    """Log odds (n, K - 1) against class 0 by the base model; None where it has no fit."""
    from discovery.kernels.multinomial import screen_multinomial

    y, q = design.y, design.base.shape[1]
    assert y is not None
    if not q:
        counts = np.bincount(y.astype(int), minlength=classes)
        if (counts == 0).any():
            return None
        return np.tile(np.log(counts[1:] / counts[0]), (design.n, 1))
    # the base model is a screen of one of its columns given the others; one that runs away may not be it
    for last in sorted(range(q), key=lambda k: -np.unique(design.base[:, k]).size):
        others = np.delete(design.base, last, axis=1)
        fit = screen_multinomial(y, others, design.base[:, [last]])
        if fit.code[0] == 0 and np.isfinite(fit.contrasts[0]).all():
            coef = fit.contrasts[0]
            return coef[:, 0] + others @ coef[:, 1:-1].T + design.base[:, [last]] @ coef[:, -1:].T
    return None


def _main_direction(log_odds: np.ndarray) -> np.ndarray:
    centred = log_odds - log_odds.mean(axis=1, keepdims=True)
    centred = centred - centred.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    direction = axes[0] * (np.sign(axes[0][np.argmax(np.abs(axes[0]))]) or 1.0)
    return np.round(centred @ direction, 12)


def quadratic_score(clean: np.ndarray, observed: np.ndarray, residual: np.ndarray, groups: np.ndarray):
    """Square root of each feature's quadratic form s' V^-1 s, s (c,) its scores against the c residuals.

    V is the exact covariance of s when rows of the residuals (n, c) are permuted within groups; it does
    not change from draw to draw. Returns a function of blocks (n, b, c) of permuted residuals: (p, b).
    """
    p, c = clean.shape[1], residual.shape[1]
    centred, covariance = np.zeros_like(clean), np.zeros((p, c, c))
    for g in np.unique(groups):
        rows = groups == g
        seen, m = observed[rows], residual[rows] - residual[rows].mean(axis=0)
        x = clean[rows] - clean[rows].sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        centred[rows] = np.where(seen, x, 0.0)
        if len(m) > 1:
            covariance += (centred[rows] ** 2).sum(axis=0)[:, None, None] * (m.T @ m) / (len(m) - 1)
    flat = (centred**2).sum(axis=0) <= 1e-10 * len(centred)
    whiten = np.full((p, c, c), np.nan)
    for j in np.flatnonzero(~flat):
        value, axes = np.linalg.eigh(covariance[j])
        kept = value > 1e-10 * value.max()
        whiten[j] = np.where(kept, 1 / np.sqrt(np.where(kept, value, 1.0)), 0.0)[:, None] * axes.T
    turned = np.ascontiguousarray(centred.T)

    def score(block: np.ndarray) -> np.ndarray:
        each = np.stack([turned @ block[:, :, k] for k in range(c)])  # (c, p, b)
        return np.sqrt((np.einsum("pkc,cpb->kpb", whiten, each) ** 2).sum(axis=0))

    return score
