"""One model per column, of whatever kind the outcome is, and when it is penalised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from discovery.association.kinds import kind_of
from discovery.association.response import Response
from discovery.kernels.screen_fit import SEPARATED, ScreenFit

__all__ = [
    "Fits",
    "effect_text",
    "fit_columns",
    "method_text",
    "standardised_outcome",
    "wants_firth",
]

if TYPE_CHECKING:
    from discovery.association.design import Design


@dataclass(frozen=True, kw_only=True)
class Fits:
    """One model per column tested: the fit, its p-value and interval, and whether it was penalised.

    error_at_estimate : (p,) standard errors at the estimates, where these were asked for and those of the
    tests do not serve.
    """

    fit: ScreenFit
    firth: np.ndarray  # (p,) bool
    p_value: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    error_at_estimate: np.ndarray | None = None


def wants_firth(kind: str, size: np.ndarray, parameters: int) -> np.ndarray:
    """Whether Firth's penalty is used from the start, given events (or rarer class) `size` (p,).

    Cox below 5 events per coefficient, logistic below 20; kinds without a penalised fit never.
    """
    return np.asarray(size) / parameters < kind_of(kind).penalty_below


def standardised_outcome(design: Design) -> Design:
    """A continuous outcome in SDs of the patients analysed, or of `design.unit`; other kinds unchanged."""
    return kind_of(design.kind).prepared(design)


def fit_columns(
    response: Response,
    base: np.ndarray,
    columns: np.ndarray,
    *,
    observed: np.ndarray | None = None,
    firth: bool | None = None,
    conf_level: float = 0.95,
    intervals: bool = True,
    errors: bool = False,
) -> Fits:
    """response ~ base (n, q) + one column at a time, for columns (n, p) seen where `observed`.

    With `firth` None the penalty is chosen per column by `wants_firth`, and a plain fit that separates
    is done again with the penalty. p is from the likelihood ratio (penalised when the fit is), or
    the exact t test for a continuous outcome; intervals are of the same likelihood, by profile, or exact t.
    `errors` asks for those at the estimates, which pooling over completed copies takes.
    """
    kind = kind_of(response.kind)
    p = columns.shape[1]
    seen = np.isfinite(columns) if observed is None else observed & np.isfinite(columns)
    if firth is None or not kind.penalised:
        penalised = wants_firth(response.kind, response.effective_sizes(seen), base.shape[1] + 1)
    else:
        penalised = np.full(p, firth)
    whole = kind.empty_fit(response, p, base.shape[1])
    low, high = np.full(p, np.nan), np.full(p, np.nan)
    at_estimate = np.full(p, np.nan) if errors and kind.by_patient else None

    def run(which: np.ndarray, with_penalty: bool) -> None:
        if not len(which):
            return
        every = len(which) == p
        x, own = (np.ascontiguousarray(a if every else a[:, which]) for a in (columns, seen))
        plan = kind.plan(response, base, x, own)
        fit = kind.screen(plan, firth=with_penalty)
        for target, part in zip(whole, fit):
            target[which] = part
        if intervals:
            low[which], high[which] = kind.interval(plan, fit, firth=with_penalty, conf_level=conf_level)
        if at_estimate is not None:
            at_estimate[which] = kind.errors_at_estimate(plan, fit)

    run(np.flatnonzero(~penalised), False)
    run(np.flatnonzero(penalised), True)
    again = np.flatnonzero((whole.code == SEPARATED) & ~penalised)
    if firth is None and kind.penalised and len(again):
        penalised[again] = True
        run(again, True)
    return Fits(
        fit=whole, firth=penalised, p_value=kind.p_values(whole, base, seen), ci_low=low, ci_high=high,
        error_at_estimate=at_estimate,
    )  # fmt: skip


def method_text(design: Design, *, penalised: bool) -> str:
    """How the estimate, the p-value and the interval of a row were made."""
    text = kind_of(design.kind).method_text(penalised)
    if len(design.causes) > 1:
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
    return kind_of(kind).effect_text(contrast)
