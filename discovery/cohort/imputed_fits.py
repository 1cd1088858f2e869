"""Features fitted in every completed copy of the data, and pooled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.evidence import evidence_errors
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import Fits, fit_columns, standardised_outcome
from discovery.cohort.drawn_spread import Spread, spread_of_estimates
from discovery.cohort.imputation import Completed
from discovery.cohort.pooled_classes import PooledClasses, pool_classes
from discovery.cohort.pooling import Pooled, pool


@dataclass(frozen=True, kw_only=True)
class ImputedFits:
    """Pooled models of the imputed features (c,), in the order of `completed.plan.columns`.

    coef, base (c, k) : all coefficients, the feature last, averaged over copies; z : the normal deviate with
    the pooled p-value and the sign of the estimate; se : pooled, of the models' information; pooled : by
    Rubin's rules with the variances at the estimates; spread : what intervals and `se` are made of instead,
    where episodes are counted; n : patients in the models; failed : copies without a fit, code : why (the
    largest of `REASONS`); pooled values are NaN if any failed.
    classes : of an outcome of classes without an order, where no single coefficient says it all.
    """

    pooled: Pooled
    coef: np.ndarray
    z: np.ndarray
    se: np.ndarray
    p_value: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    firth: np.ndarray
    n: np.ndarray
    failed: np.ndarray
    code: np.ndarray
    classes: PooledClasses | None = None
    spread: Spread | None = None


def fit_imputed(
    design: Design,
    completed: Completed,
    *,
    which: np.ndarray | None = None,
    shift: float = 0.0,
    spread: Spread | None = None,
    conf_level: float = 0.95,
) -> ImputedFits:
    """Fit and pool.

    Parameters
    ----------
    which : places in `completed.plan.columns`; all of them otherwise
    shift : added to every missing value, in SD of the feature; not to one known to lie beyond a limit
    spread : that of the same features without a shift, where it is known already

    Notes
    -----
    The variance within a copy is the model's, but where the likelihood ratio is at least 1 it is
    (estimate / z)^2: so that the pooled test is the likelihood-ratio test of the screen where the copies
    agree, and near separation the model's exploding variance does not make the surest marker the least
    sure. The degrees of freedom that complete data would have are those of the screen's test: none to
    count (normal) for likelihood ratios, patients less coefficients for the exact t test.
    """
    plan = completed.plan
    which = np.arange(plan.columns.size) if which is None else np.asarray(which)
    columns = plan.columns[which]
    design = standardised_outcome(design)
    seen = plan.observed[:, columns]
    missing = plan.missing[:, which]
    copies, errors = [], spread is None  # nothing reads errors where the spread is known
    for k, copy in enumerate(completed.copies):
        x = np.where(seen, copy[:, which] + shift * missing, 0.0)
        base = design.base if completed.bases is None else completed.bases[k]
        fits = fit_columns(design.response, base, x, observed=seen, intervals=False, errors=errors)
        copies.append(fits)
    if spread is None and kind_of(design.kind).by_patient:
        spread = spread_of_estimates(design, completed, which)
    return pool_fits(design, copies, seen, spread=spread, conf_level=conf_level)


def pool_fits(
    design: Design,
    copies: Sequence[Fits],
    seen: np.ndarray,
    *,
    spread: Spread | None = None,
    conf_level: float = 0.95,
) -> ImputedFits:
    """Pool models fitted in every copy, with errors at the estimates, of columns seen in the rows `seen`
    (n, c); intervals by Rubin's rules without a `spread`."""
    from scipy import stats

    kind = kind_of(design.kind)
    if not kind.directed:
        return _fit_classes(kind, copies, seen)
    ok = np.array([got.fit.code == 0 for got in copies])
    coef = np.where(ok[:, :, None], [got.fit.coef for got in copies], np.nan)
    se, z = (np.where(ok, [getattr(got.fit, name) for got in copies], np.nan) for name in ("se", "z"))
    estimate = coef[:, :, -1]
    evidence = evidence_errors(design.kind, estimate, z, se)
    at_estimate = [got.error_at_estimate for got in copies if got.error_at_estimate is not None]
    freedom = np.inf if kind.limited else np.maximum(seen.sum(axis=0) - coef.shape[2], 1.0)

    def pooled_with(errors) -> Pooled:
        return pool(estimate, np.square(errors), df_complete=freedom)

    p_value = pooled_with(evidence).p_value
    pooled = pooled_with(at_estimate or evidence)
    low, high = pooled.interval(conf_level)
    model_se = pooled_with(at_estimate or se).se
    if spread is not None:
        model_se = np.sqrt(spread.variance)
        half = stats.t.ppf(0.5 + conf_level / 2, spread.df) * model_se
        low, high = pooled.estimate - half, pooled.estimate + half
    with np.errstate(invalid="ignore"):
        signed = np.sign(pooled.estimate) * stats.norm.isf(p_value / 2)
    return ImputedFits(
        pooled=pooled, coef=coef.mean(axis=0), z=signed, se=model_se, p_value=p_value, ci_low=low,
        ci_high=high, firth=np.logical_or.reduce([got.firth for got in copies]), n=seen.sum(axis=0),
        failed=np.isnan(estimate).sum(axis=0), code=_worst_code(copies), spread=spread,
    )  # fmt: skip


def _fit_classes(kind, copies, seen) -> ImputedFits:
    from scipy import stats

    found = pool_classes([got.fit for got in copies], [kind.likelihood_ratio(got.fit) for got in copies])
    blank = np.full(len(found.p_value), np.nan)
    return ImputedFits(
        pooled=found.pooled, coef=blank[:, None], z=stats.norm.isf(found.p_value / 2), se=blank,
        p_value=found.p_value, ci_low=blank, ci_high=blank, firth=np.zeros(len(blank), dtype=bool),
        n=seen.sum(axis=0), failed=found.failed, code=_worst_code(copies), classes=found,
    )  # fmt: skip


def _worst_code(copies: Sequence[Fits]) -> np.ndarray:
    return np.max([got.fit.code for got in copies], axis=0)
