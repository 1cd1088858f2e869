"""A model written down in one cohort and judged in another, without looking at the other's fit first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.response import Response
from discovery.markers.frozen import LARGEST, LARGEST_HAZARD, FrozenModel

GRID = 25
MODELLED = ("survival", "binary", "continuous")


@dataclass(frozen=True, kw_only=True)
class Judged:
    """How a linear predictor does in a cohort.

    slope: 1 where predictions are neither too extreme nor too timid, with its interval. level: observed
    over expected events (survival, binary), or mean observed - expected (continuous), with its
    interval. value, gain: discrimination and what it is above the base model's, with normal intervals
    from the influence of each patient, the scores being given.
    """

    slope: float
    slope_low: float
    slope_high: float
    level: float
    level_low: float
    level_high: float
    value: float
    value_low: float
    value_high: float
    gain: float
    gain_low: float
    gain_high: float
    n: int
    events: float


def freeze_model(
    design: Design, coefficients: np.ndarray, score: np.ndarray, rows, horizon
) -> FrozenModel | None:
    """The model with the baseline of the whole cohort: one level for all sites.

    score : (n,) linear predictor without intercept or site; rows : (n,) bool, patients to take it from.
    None for a kind of outcome whose models are not frozen, and for one so far from all that can be fitted
    that it would not be read back.
    """
    if design.kind not in MODELLED or np.abs(coefficients).max(initial=0.0) > LARGEST:
        return None
    if design.kind == "survival":
        times = np.linspace(0.0, float(horizon), GRID)
        hazard = breslow(design, score, rows, times)
        if not (hazard <= LARGEST_HAZARD).all():
            return None
        return FrozenModel(
            coefficients=tuple(coefficients.tolist()),
            times=tuple(times.tolist()),
            hazard=tuple(hazard.tolist()),
        )
    assert design.y is not None
    level = intercept(design.kind, design.y[rows], score[rows])
    if abs(level) > LARGEST:
        return None
    return FrozenModel(coefficients=tuple(coefficients.tolist()), intercept=level)


def averaged(models: Sequence[FrozenModel | None]) -> FrozenModel | None:
    """The model with the mean of the baselines that the completed copies gave; None if one gave none."""
    known = [model for model in models if model is not None]
    if len(known) < len(models):
        return None
    hazard = np.mean([model.hazard for model in known], axis=0)
    levels = [model.intercept for model in known if model.intercept is not None]
    return known[0].model_copy(
        update={"hazard": tuple(hazard.tolist()), "intercept": float(np.mean(levels)) if levels else None}
    )


def intercept(kind: str, y: np.ndarray, score: np.ndarray) -> float:
    """The intercept at which expected and observed agree over the cohort, the score being given."""
    from scipy.optimize import brentq
    from scipy.special import expit

    if kind == "continuous":
        return float((y - score).mean())
    reach = float(np.abs(score).max(initial=0.0)) + 40.0
    return float(brentq(lambda a: float((y - expit(a + score)).sum()), -reach, reach))


def breslow(design: Design, score: np.ndarray, rows: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Cumulative baseline hazard at `times`, all patients in one stratum, the score being given.

    Breslow, discussion of Cox, J R Stat Soc B 1972;34:216-217.
    """
    assert design.time is not None
    assert design.event is not None
    time, event, risk = design.time[rows], design.event[rows], np.exp(score[rows])
    entry = np.full(time.size, -np.inf) if design.entry is None else design.entry[rows]
    at = np.unique(time[event == 1])
    began, left = np.argsort(entry), np.argsort(time)
    come = np.concatenate([[0.0], np.cumsum(risk[began])])[np.searchsorted(entry[began], at, side="left")]
    gone = np.concatenate([[0.0], np.cumsum(risk[left])])[np.searchsorted(time[left], at, side="left")]
    deaths = np.bincount(np.searchsorted(at, time[event == 1]), minlength=at.size)
    steps = np.concatenate([[0.0], np.cumsum(deaths / (come - gone))])
    return steps[np.searchsorted(at, times, side="right")]


def expected_events(model: FrozenModel, response: Response, score: np.ndarray, horizon: float) -> np.ndarray:
    """Expected events (n,) of each patient between entry and the end of follow-up or the horizon.

    The cumulative hazard over the time actually watched: right under censoring, delayed entry and
    competing events. Crowson, Atkinson & Therneau, Stat Methods Med Res 2016;25:1692-1706.
    """
    assert response.time is not None
    until = np.interp(np.minimum(response.time, horizon), model.times, model.hazard)
    since = 0.0
    if response.entry is not None:
        since = np.interp(np.minimum(response.entry, horizon), model.times, model.hazard)
    return np.maximum(until - since, 0.0) * np.exp(score)


def judge(
    design: Design,
    model: FrozenModel,
    score: np.ndarray,
    base_score: np.ndarray,
    rows: np.ndarray,
    *,
    horizon: float | None,
    level: bool = True,
    conf_level: float = 0.95,
) -> Judged:
    """How `model` with linear predictor `score` (n,) does among the patients `rows` (n,) bool.

    score : with the intercept, where the model has one; base_score : the same of the base model alone;
    level : whether observed are compared with expected. Continuous outcomes in `design` are already in
    the SDs of the discovery cohort.
    """
    slope = _slope(design, score, rows, conf_level)
    found = _level(design, model, score, rows, horizon, conf_level) if level else (np.nan,) * 3
    value, gain = _discrimination(design, score, base_score, rows, horizon, conf_level)
    events = np.nan
    if design.kind == "survival":
        assert design.event is not None
        events = float(design.event[rows].sum())
    elif design.kind == "binary":
        assert design.y is not None
        events = float(design.y[rows].sum())
    return Judged(
        slope=slope[0],
        slope_low=slope[1],
        slope_high=slope[2],
        level=found[0],
        level_low=found[1],
        level_high=found[2],
        value=value[0],
        value_low=value[1],
        value_high=value[2],
        gain=gain[0],
        gain_low=gain[1],
        gain_high=gain[2],
        n=int(rows.sum()),
        events=events,
    )


def _slope(design: Design, score, rows, conf_level) -> tuple[float, float, float]:
    from discovery.association.outcome_models import fit_columns

    column = (score - score[rows].mean())[:, None]
    found = fit_columns(
        design.response, np.empty((design.n, 0)), column, observed=rows[:, None], conf_level=conf_level
    )
    if found.fit.code[0] != 0:
        return np.nan, np.nan, np.nan
    return float(found.fit.coef[0, -1]), float(found.ci_low[0]), float(found.ci_high[0])


def _level(design, model, score, rows, horizon, conf_level) -> tuple[float, float, float]:
    from scipy.special import expit
    from scipy.stats import chi2, norm, t

    tail = 0.5 + conf_level / 2
    if design.kind == "survival":
        expected = expected_events(model, design.response, score, horizon)[rows].sum()
        observed = float((design.event * (design.time <= horizon))[rows].sum())
        low = chi2.ppf(1 - tail, 2 * observed) / 2 if observed else 0.0
        high = chi2.ppf(tail, 2 * observed + 2) / 2
        return observed / expected, low / expected, high / expected
    if design.kind == "binary":
        risk = expit(score[rows])
        observed, expected = float(design.y[rows].sum()), float(risk.sum())
        half = norm.ppf(tail) * np.sqrt((risk * (1 - risk)).sum()) / expected
        ratio = observed / expected
        return ratio, max(ratio - half, 0.0), ratio + half
    gap = design.y[rows] - score[rows]
    half = t.ppf(tail, gap.size - 1) * gap.std(ddof=1) / np.sqrt(gap.size)
    return float(gap.mean()), float(gap.mean() - half), float(gap.mean() + half)


def _discrimination(design, score, base_score, rows, horizon, conf_level):
    """(value, low, high) of the model, and of its gain over the base model, the scores being given."""
    from scipy.stats import norm

    from discovery.kernels.concordance import (
        class_pairs,
        explained_variance,
        pair_discrimination,
        survival_pairs,
    )

    both = np.where(rows[:, None], np.column_stack([base_score, score]), np.nan)
    if design.kind == "survival":
        code = np.where(design.event == 1, 1, np.where(design.status > 0, 2, 0))
        pairs = survival_pairs(design.time, code, entry=design.entry, stratum=design.stratum, horizon=horizon)
        found = pair_discrimination(pairs, both, influence=True)
    elif design.kind == "binary":
        found = pair_discrimination(class_pairs(design.y), both, influence=True)
    else:
        found = explained_variance(design.y, both, influence=True)
    assert found.influence is not None
    influence = np.nan_to_num(found.influence)
    z = norm.ppf(0.5 + conf_level / 2)

    def with_interval(value, psi):
        half = z * np.sqrt((psi**2).sum())
        return float(value), float(value - half), float(value + half)

    return (
        with_interval(found.value[1], influence[1]),
        with_interval(found.value[1] - found.value[0], influence[1] - influence[0]),
    )
