"""Features that separate the two classes of an outcome: what to say of them."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from discovery.association.design import Design
from discovery.association.outcome_models import Fits
from discovery.study.leaks import SUSPECT_ABOVE, areas
from discovery.terms import BASE_TELLS, SEPARATES

PENALISED = "a finite estimate comes from Firth's penalty alone"
ROUNDING = 1e-9
LEAST_SHARE = 0.25


def separation_words(design: Design, fits: Fits, assessed: np.ndarray) -> list[list[str]]:
    """For each feature of a binary outcome (y 0 or 1) what it separates, alone or with the base model.

    Alone a feature separates completely when no value of one class reaches the other's, up to ties when they
    share one value, nearly when its area under the ROC curve is above 0.98. With the covariates it does when
    the linear predictor of its model puts every patient of one class above every one of the other, which
    that of the base model alone does not. Only features are looked at that are fitted with Firth's penalty or
    take a quarter or more of the deviance that the base model leaves.
    """
    words: list[list[str]] = [[] for _ in assessed]
    fit = fits.fit
    strong = np.flatnonzero(assessed & (fits.firth | (fit.z**2 >= LEAST_SHARE * -2 * fit.loglik_base)))
    if not strong.size:
        return words
    seen = design.observed[:, strong] & np.isfinite(design.features[:, strong])
    values = np.where(seen, design.features[:, strong], np.nan)
    positive = np.asarray(design.y) == 1
    alone, coef = areas(values, positive), fit.coef[strong]
    predictors = coef[:, 0] + design.base @ coef[:, 1:-1].T + values * coef[:, -1]
    together = _gap(predictors, positive)
    above, below = _gap(values, positive), _gap(-values, positive)
    for k, j in enumerate(strong):
        gap, side = max((above[k], "higher"), (below[k], "lower"))
        if gap > 0:
            words[j] = [
                f"{SEPARATES}: completely, every patient with it has a {side} value than every patient "
                f"without it ({PENALISED})"
            ]
        elif gap == 0:
            other = "lower" if side == "higher" else "higher"
            words[j] = [
                f"{SEPARATES}: completely but for ties at one value, no patient with it has a {other} value "
                f"than a patient without it ({PENALISED})"
            ]
        elif alone[k] > SUSPECT_ABOVE:
            words[j] = [f"{SEPARATES}: nearly, with an AUC above {SUSPECT_ABOVE:g} by itself"]
        elif together[k] > ROUNDING and not _base_separates(design, seen[:, k], positive):
            words[j] = [f"{SEPARATES}: completely together with the covariates, not alone ({PENALISED})"]
    return words


def _gap(values: np.ndarray, positive: np.ndarray) -> np.ndarray:
    """Lowest value (p,) among the `positive` (n,) minus the highest among the others; NaN is left out."""
    low = np.where(np.isnan(values), np.inf, values)[positive].min(axis=0, initial=np.inf)
    high = np.where(np.isnan(values), -np.inf, values)[~positive].max(axis=0, initial=-np.inf)
    return np.where(np.isfinite(low) & np.isfinite(high), low - high, -np.inf)


def _base_separates(design: Design, rows: np.ndarray, positive: np.ndarray) -> bool:
    from discovery.kernels.logistic import fit_logistic

    base = design.base[rows]
    if not base.shape[1]:
        return False
    fit = fit_logistic(positive[rows].astype(float), base, firth=True)
    return bool(_gap((base @ fit.coef[1:])[:, None], positive[rows])[0] > ROUNDING)


def told_by_base(design: Design, *, ordered: bool) -> str:
    """`BASE_TELLS` where the base columns separate each two classes of y completely, of `ordered` ones all
    below each cut from all above; else "". No coefficient of such a model is finite."""
    y = np.asarray(design.y)
    classes = np.unique(y)
    if ordered:
        splits = [(np.ones(design.n, dtype=bool), y > c) for c in classes[:-1]]
    else:
        splits = [((y == a) | (y == b), y == b) for a, b in combinations(classes, 2)]
    told = bool(splits) and all(_base_separates(design, rows, positive) for rows, positive in splits)
    return BASE_TELLS if told else ""
