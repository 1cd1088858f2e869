"""Cox regression: coefficients, robust errors, baseline hazards and predictions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.stats import norm

from discovery.survival.covariates import Design, design_matrix, require_full_rank
from discovery.survival.cox_terms import CoxRows, event_terms, hazard_steps
from discovery.survival.follow_up import one_event, steps
from discovery.survival.logrank import group_codes
from discovery.survival.refusals import refuse, require_choice, require_level
from discovery.survival.regression_table import RegressionFit

SOURCE = "Cox model"
TIES = ("efron", "breslow")


class BaselineHazard(NamedTuple):
    """Cumulative hazard of one stratum at the mean covariates, a step function of time (m,)."""

    stratum: object
    time: np.ndarray
    hazard: np.ndarray
    last: float  # end of follow-up in the stratum


@dataclass(frozen=True, kw_only=True)
class CoxModel(RegressionFit):
    """A fitted Cox model. `design` remembers the columns, without rows, for predictions."""

    ties: str
    score_chi2: float
    centre: np.ndarray
    baseline: tuple[BaselineHazard, ...]
    design: Design

    def linear_predictor(self, covariates) -> np.ndarray:
        """log hazard ratio (n,) against a patient with the mean covariates; NaN for missing covariates."""
        design = design_matrix(covariates, like=self.design)
        eta = np.full(len(design.complete), np.nan)
        rows = design.complete
        used = ~np.isnan(self.coef)
        eta[rows] = (design.matrix[rows] - self.centre)[:, used] @ self.coef[used]
        return eta

    def survival(self, covariates, times, *, stratum=None) -> np.ndarray:
        """Predicted survival (n, n_times), exp(-cumulative hazard), a step function of time.

        `stratum` (n,) names the stratum of each row when there are several. NaN beyond the last
        follow-up of the stratum, and for a row with a missing covariate.
        """
        risk = np.exp(self.linear_predictor(covariates))
        times = np.asarray(times, dtype=float)
        if stratum is None:
            if len(self.baseline) > 1:
                refuse(SOURCE, "wanted the stratum of every row: baseline hazards differ", column="stratum")
            which = np.full(len(risk), self.baseline[0].stratum, dtype=object)
        else:
            which = np.asarray(stratum, dtype=object)
        hazard = np.full((len(risk), times.size), np.nan)
        known = {line.stratum: line for line in self.baseline}
        for label in dict.fromkeys(which):
            if label not in known:
                refuse(SOURCE, "wanted a stratum of the fit: " + ", ".join(map(str, known)), found=str(label))
            line = known[label]
            at = np.where(times > line.last, np.nan, steps(line.time, line.hazard, times, before=0.0))
            hazard[which == label] = at
        return np.exp(-hazard * risk[:, None])


class PreparedCox(NamedTuple):
    """Rows ready for the fit, and what has to be remembered about them."""

    rows: CoxRows
    design: Design
    centre: np.ndarray
    spread: np.ndarray
    kept: np.ndarray  # (n,) bool, rows of the caller that are used
    strata: tuple[object, ...]


def prepare_cox(time, event, covariates, *, entry=None, weights=None, stratum=None) -> PreparedCox:
    """Check and scale the rows of a Cox model; rows with a missing covariate or weight 0 are left out."""
    design = design_matrix(covariates)
    n = len(np.asarray(time))
    if len(design.complete) != n:
        refuse(SOURCE, f"wanted as many rows of covariates as times, {n}", found=str(len(design.complete)))
    kept = design.complete.copy()
    if weights is not None:
        kept &= np.asarray(weights, dtype=float) != 0

    def part(values):
        return None if values is None else np.asarray(values)[kept]

    one_event(time, event, entry=entry, weights=weights)
    if not kept.any():
        refuse(
            SOURCE, "wanted at least one row without a missing covariate", column="covariates", found="none"
        )
    follow_up = one_event(part(time), part(event), entry=part(entry), weights=part(weights))
    if not (follow_up.status == 1).any():
        refuse(
            SOURCE,
            "wanted at least one event among rows without a missing covariate",
            column="event",
            found="none",
        )
    if stratum is None:
        strata: tuple[object, ...] = ("all",)
        codes = np.zeros(int(kept.sum()), dtype=np.int64)
    else:
        import pandas as pd

        strata, codes = group_codes(pd.Series(np.asarray(stratum))[kept], int(kept.sum()), name="stratum")
    x = design.matrix[kept]
    require_full_rank(SOURCE, x, design.names)
    centre = np.average(x, axis=0, weights=follow_up.weights)
    spread = x.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    rows = CoxRows(
        follow_up.time,
        follow_up.status == 1,
        (x - centre) / spread,
        follow_up.weights,
        follow_up.entry,
        codes,
    )
    return PreparedCox(rows, design._replace(matrix=np.empty((0, x.shape[1]))), centre, spread, kept, strata)


def cox_model(
    time, event, covariates, *, entry=None, weights=None, stratum=None, cluster=None,
    robust=False, ties="efron", firth=False, interval=None, conf_level=0.95,
) -> CoxModel:  # fmt: skip
    """Fit a Cox model.

    Parameters
    ----------
    time, event, entry, weights : array (n,), as in `kaplan_meier`
        Start-stop rows are rows with an `entry`: at risk while entry < t <= time.
    covariates : DataFrame or array (n, k)
        Text and categories become indicators against their first level. Rows with a missing value are
        left out and counted in `n_left_out`.
    stratum : array (n,), optional
        A baseline hazard for each; the coefficients are shared.
    cluster : array (n,), optional
        Rows of one patient: the sandwich adds their score residuals before squaring. No small-sample
        factor. Right with delayed entry and start-stop rows.
    robust : bool
        The sandwich with every row its own cluster.
    ties : "efron" or "breslow"
    firth : bool
        Firth's penalty, for few events or a monotone likelihood. Efron ties only.
    interval : "wald" or "profile"
        Profile: limits and p of each term from the (penalised) likelihood ratio, which the
        likelihood's shape with few events asks for; the default with `firth`. Wald otherwise, and
        always with robust errors.

    Raises
    ------
    InputError
        See `as_follow_up`; no events; columns that are constant or combinations of others.

    References
    ----------
    Cox, J R Stat Soc B 1972;34:187-220; Efron, J Am Stat Assoc 1977;72:557-565; Lin & Wei, J Am Stat Assoc
    1989;84:1074-1078. Oracle: SV13-SV21, SV24-SV26, SV28-SV30, CR09.
    """
    require_choice(SOURCE, "ties", ties, TIES)
    require_level(SOURCE, conf_level)
    robust = robust or cluster is not None
    if interval is None:
        interval = "profile" if firth and not robust else "wald"
    require_choice(SOURCE, "interval", interval, ("wald", "profile"))
    if (firth or interval == "profile") and (robust or ties != "efron"):
        refuse(SOURCE, "wanted model errors and Efron ties with Firth's penalty or a profile interval")
    ready = prepare_cox(time, event, covariates, entry=entry, weights=weights, stratum=stratum)
    rows = ready.rows
    from discovery.kernels.cox import fit_cox

    delayed = np.isfinite(rows.entry).any()
    fit = fit_cox(
        rows.time, rows.event.astype(float), rows.x, weights=rows.weights,
        entry=rows.entry if delayed else None, stratum=rows.stratum, ties=ties, firth=firth,
    )  # fmt: skip
    empty = np.isnan(np.diag(fit.covariance)) if fit.converged else np.zeros(rows.x.shape[1], dtype=bool)
    if empty.any():
        names = ", ".join(name for name, gone in zip(ready.design.names, empty) if gone)
        refuse(SOURCE, "wanted columns that vary within the strata", column="covariates", found=names)
    limits = p_values = None
    if interval == "profile" and fit.converged:
        limits, p_values = _profile(ready, firth, conf_level)
    note, beta, covariance = "", fit.coef, fit.covariance
    if not fit.converged:
        from discovery.kernels.screen_fit import REASONS

        note = REASONS[int(fit.code)].replace("feature", "model")
        beta, covariance = np.full(len(ready.centre), np.nan), np.full_like(fit.covariance, np.nan)
    scale = np.outer(ready.spread, ready.spread)
    model_covariance = covariance / scale
    used = model_covariance
    if robust and fit.converged:
        used = _robust(ready, beta, covariance, cluster, ties) / scale
    baseline = _baseline_hazards(ready, beta, ties) if fit.converged else ()
    kind = "robust by cluster" if cluster is not None else "robust" if robust else "model"
    errors = "profile likelihood" if interval == "profile" else f"{kind} errors"
    method = f"Cox, {ties.capitalize()} ties, {errors}" + (", Firth" if firth else "")
    method += ", stratified" if stratum is not None else ""
    return CoxModel(
        method=method, effect_measure="log hazard ratio", names=ready.design.names,
        variable=ready.design.variable, coef=beta / ready.spread, covariance=used,
        model_covariance=model_covariance, loglik=fit.loglik, loglik_null=fit.loglik_null,
        score_chi2=fit.score_chi2, n=len(rows.time), events=int(rows.event.sum()),
        n_left_out=int((~ready.kept).sum()), conf_level=conf_level, note=note, ties=ties,
        centre=ready.centre, baseline=baseline, design=ready.design, limits=limits, p_values=p_values,
    )  # fmt: skip


def _profile(ready: PreparedCox, firth: bool, conf_level: float) -> tuple[np.ndarray, np.ndarray]:
    """Limits (k, 2) and p (k,) of every term by the likelihood ratio, in the caller's units."""
    from discovery.kernels.cox import CoxPlan

    rows, k = ready.rows, len(ready.centre)
    entry = rows.entry if np.isfinite(rows.entry).any() else None
    limits, p = np.empty((k, 2)), np.empty(k)
    for j in range(k):
        others = np.delete(rows.x, j, axis=1)
        plan = CoxPlan(
            rows.time, rows.event.astype(float), others, rows.x[:, [j]], entry=entry, stratum=rows.stratum
        )
        screened = plan.screen(rows.weights, firth=firth)
        low, high = plan.profile_interval(screened, rows.weights, firth=firth, conf_level=conf_level)
        limits[j] = np.array([low[0], high[0]]) / ready.spread[j]
        p[j] = 2 * norm.sf(abs(screened.z[0]))
    return limits, p


def _robust(ready: PreparedCox, beta, covariance, cluster, ties) -> np.ndarray:
    from discovery.kernels.cox_sandwich import sandwich, score_contributions

    rows, codes = ready.rows, None
    if cluster is not None:
        labels = np.asarray(cluster)
        if labels.shape != ready.kept.shape:
            refuse(
                SOURCE,
                f"wanted one cluster a row, {len(ready.kept)}",
                column="cluster",
                found=str(labels.shape),
            )
        _, codes = np.unique(labels[ready.kept], return_inverse=True)
    scores = score_contributions(
        rows.time, rows.event.astype(float), rows.x, beta, weights=rows.weights,
        entry=rows.entry if np.isfinite(rows.entry).any() else None, stratum=rows.stratum, ties=ties,
    )  # fmt: skip
    return sandwich(scores * rows.weights[:, None], covariance, codes)


def _baseline_hazards(ready: PreparedCox, beta, ties) -> tuple[BaselineHazard, ...]:
    rows = ready.rows
    terms = event_terms(rows, beta, ties=ties)
    step = hazard_steps(terms)
    lines = []
    for code, label in enumerate(ready.strata):
        mine = rows.stratum == code
        start, stop = np.searchsorted(terms.group_stratum, [code, code + 1])
        top = terms.top[mine][0]
        hazard = np.cumsum(step[start:stop] * np.exp(-top))
        lines.append(
            BaselineHazard(label, terms.group_time[start:stop], hazard, float(rows.time[mine].max()))
        )
    return tuple(lines)
