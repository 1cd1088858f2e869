"""Which regression answers for which kind of outcome, and when it is penalised."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from discovery.association.multiplicity import never_zero
from discovery.association.response import Response
from discovery.kernels.screen_fit import SEPARATED, ScreenFit
from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.association.design import Design

LEAST_EVENTS = 10  # below, no regression at all
SCREENED_KINDS = ("survival", "binary", "continuous")

EFFECT = {"survival": "log hazard ratio", "binary": "log odds ratio", "continuous": "standardised slope"}
COUNTED = {
    "survival": "events",
    "binary": "patients in the rarer class",
    "continuous": "patients",
}


@dataclass(frozen=True, kw_only=True)
class Fits:
    """One model per column tested: the fit, its p-value and interval, and whether it was penalised."""

    fit: ScreenFit
    firth: np.ndarray  # (p,) bool
    p_value: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray


def wants_firth(kind: str, size: np.ndarray, parameters: int) -> np.ndarray:
    """Whether Firth's penalty is used from the start, given events (or rarer class) `size` (p,).

    Cox below 5 events per coefficient, logistic below 20; linear never.
    """
    least = {"survival": 5.0, "binary": 20.0}.get(kind, 0.0)
    return np.asarray(size) / parameters < least


def standardised_outcome(design: Design) -> Design:
    """A continuous outcome in SDs of the patients analysed; other kinds unchanged."""
    if design.kind != "continuous" or design.y is None:
        return design
    spread = design.y.std(ddof=1) if design.n > 1 else 0.0
    return replace(design, y=(design.y - design.y.mean()) / (spread if spread > 0 else 1.0))


def fit_columns(
    response: Response,
    base: np.ndarray,
    columns: np.ndarray,
    *,
    observed: np.ndarray | None = None,
    firth: bool | None = None,
    conf_level: float = 0.95,
    intervals: bool = True,
) -> Fits:
    """response ~ base (n, q) + one column at a time, for columns (n, p) seen where `observed`.

    With `firth` None the penalty is chosen per column by `wants_firth`, and a plain fit that separates
    is done again with the penalty. p is from the likelihood ratio (penalised when the fit is), or
    the exact t test for a continuous outcome; intervals are of the same likelihood, by profile, or exact t.
    """
    if response.kind not in SCREENED_KINDS:
        wanted = f"one of {', '.join(SCREENED_KINDS)} for a screen"
        raise InputError([Problem(file="outcome", column="kind", found=response.kind, wanted=wanted)])
    p = columns.shape[1]
    seen = np.isfinite(columns) if observed is None else observed & np.isfinite(columns)
    if firth is None or response.kind == "continuous":
        penalised = wants_firth(response.kind, response.effective_sizes(seen), base.shape[1] + 1)
    else:
        penalised = np.full(p, firth)
    whole = _empty_fit(p, base.shape[1] + (1 if response.kind == "survival" else 2))
    low, high = np.full(p, np.nan), np.full(p, np.nan)

    def run(which: np.ndarray, with_penalty: bool) -> None:
        if not len(which):
            return
        x, own = np.ascontiguousarray(columns[:, which]), np.ascontiguousarray(seen[:, which])
        fit = _screen(response, base, x, own, with_penalty)
        for target, part in zip(whole, fit):
            target[which] = part
        if intervals:
            low[which], high[which] = _profile(response, base, x, own, with_penalty, fit, conf_level)

    run(np.flatnonzero(~penalised), False)
    run(np.flatnonzero(penalised), True)
    again = np.flatnonzero((whole.code == SEPARATED) & ~penalised)
    if firth is None and response.kind != "continuous" and len(again):
        penalised[again] = True
        run(again, True)
    return Fits(
        fit=whole, firth=penalised, p_value=_p_values(response, whole, base, seen), ci_low=low, ci_high=high
    )


def method_text(design: Design, *, penalised: bool) -> str:
    """How the estimate, the p-value and the interval of a row were made."""
    if design.kind == "continuous":
        text = "linear regression, t test, exact t interval"
    else:
        name = "Cox regression (Efron ties)" if design.kind == "survival" else "logistic regression"
        if penalised:
            text = f"{name}, Firth penalty, penalised likelihood-ratio test and profile interval"
        else:
            text = f"{name}, likelihood-ratio test, profile-likelihood interval"
    if design.kind == "survival" and len(design.causes) > 1:
        text += ", competing events censored (cause-specific hazard)"
    if design.entry is not None:
        text += ", delayed entry"
    if design.stratum is not None:
        text += ", stratified by site"
    elif any(term.covariate == "site" for term in design.terms):
        text += ", site as fixed effect"
    elif not design.base.shape[1]:
        text += ", not adjusted"
    return text


def effect_text(kind: str, contrast: str) -> str:
    """The effect measure of a row, e.g. "log hazard ratio per 1 SD"."""
    if kind == "continuous":
        per = "outcome SD per 1 SD" if contrast == "per 1 SD" else f"outcome SD, {contrast}"
        return f"{EFFECT[kind]} ({per})"
    return f"{EFFECT[kind]} {contrast}" if contrast == "per 1 SD" else f"{EFFECT[kind]}, {contrast}"


def _screen(response: Response, base, columns, observed, firth: bool) -> ScreenFit:
    if response.kind == "survival":
        from discovery.kernels.cox import screen_cox

        return screen_cox(
            response.time,
            response.event,
            base,
            columns,
            entry=response.entry,
            stratum=response.stratum,
            observed=observed,
            firth=firth,
        )
    if response.kind == "binary":
        from discovery.kernels.logistic import screen_logistic

        return screen_logistic(response.y, base, columns, observed=observed, firth=firth)
    from discovery.kernels.linear import screen_linear

    return screen_linear(response.y, base, columns, observed=observed)


def _profile(response: Response, base, columns, observed, firth: bool, fit: ScreenFit, conf_level: float):
    if response.kind == "survival":
        from discovery.kernels.cox import profile_interval_cox

        return profile_interval_cox(
            response.time,
            response.event,
            base,
            columns,
            entry=response.entry,
            stratum=response.stratum,
            observed=observed,
            firth=firth,
            fit=fit,
            conf_level=conf_level,
        )
    if response.kind == "binary":
        from discovery.kernels.logistic import profile_interval_logistic

        return profile_interval_logistic(
            response.y, base, columns, observed=observed, firth=firth, fit=fit, conf_level=conf_level
        )
    from discovery.kernels.linear import profile_interval_linear

    return profile_interval_linear(
        response.y, base, columns, observed=observed, fit=fit, conf_level=conf_level
    )


def _p_values(response: Response, fit: ScreenFit, base: np.ndarray, observed: np.ndarray) -> np.ndarray:
    if response.kind != "continuous":
        return never_zero(stats.chi2.sf(fit.z**2, 1))
    from discovery.association.null_model import missing_patterns

    freedom = np.full(len(fit.z), np.nan)
    for columns, rows in missing_patterns(observed):
        own = np.column_stack([np.ones(len(rows)), base[rows]])
        freedom[columns] = len(rows) - (np.linalg.matrix_rank(own) if len(rows) else 0) - 1
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.abs(fit.coef[:, -1] / fit.se)
    usable = (fit.code == 0) & (freedom > 0)
    return np.where(usable, never_zero(2 * stats.t.sf(t, np.where(usable, freedom, 1.0))), np.nan)


def _empty_fit(p: int, k: int) -> ScreenFit:
    def blank() -> np.ndarray:
        return np.full(p, np.nan)

    return ScreenFit(
        coef=np.full((p, k), np.nan),
        se=blank(),
        loglik=blank(),
        loglik_base=blank(),
        z=blank(),
        code=np.full(p, 5, dtype=np.int8),
        n=np.zeros(p, dtype=np.int64),
        events=np.zeros(p, dtype=np.int64),
    )
