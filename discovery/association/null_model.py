"""The base model without any feature: its residuals, and features made free of the base covariates.

`residual` is what the outcome has left once the covariates are known (martingale residual for
survival, y minus its expectation otherwise). `clean` holds each feature minus its weighted projection
on the covariates, so that `clean' residual` is the score statistic of the feature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.problems import InputError, Problem


@dataclass(frozen=True, kw_only=True)
class NullModel:
    """`residual` (n,), or (n, c) where the outcome has c contrasts; `clean` (n, p), centred over each
    feature's own rows within its stratum, and 0 where the feature is missing; `coef` (q,) or (q + 1,) with
    the intercept first; `predictor` (n,) what the covariates say of each patient, on the scale of the linear
    predictor."""

    residual: np.ndarray
    clean: np.ndarray
    coef: np.ndarray
    predictor: np.ndarray


def fit_null(design: Design) -> NullModel:
    """The null model of `design`.

    A feature with missing values is projected over its own rows, with the weights of the one null
    model that was fitted on all rows.
    """
    return kind_of(design.kind).null_model(design)


def missing_patterns(observed: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """(features, rows) for each set of features that are seen in the same patients."""
    if observed.all():
        return [(np.arange(observed.shape[1]), np.arange(observed.shape[0]))] if observed.shape[1] else []
    _, first, which = np.unique(np.packbits(observed, axis=0), axis=1, return_index=True, return_inverse=True)
    which = np.asarray(which).ravel()
    return [(np.flatnonzero(which == k), np.flatnonzero(observed[:, j])) for k, j in enumerate(first)]


def centred_in_strata(values: np.ndarray, stratum: np.ndarray | None) -> np.ndarray:
    """`values` (n,) or (n, k) minus the mean of their stratum."""
    if stratum is None:
        return values - values.mean(axis=0)
    out = np.empty_like(values)
    for s in np.unique(stratum):
        here = stratum == s
        out[here] = values[here] - values[here].mean(axis=0)
    return out


def null_cox(design: Design) -> NullModel:
    from discovery.kernels.cox import fit_cox

    assert design.time is not None
    assert design.event is not None
    n, q = design.base.shape
    stratum = np.zeros(n, dtype=np.int64) if design.stratum is None else design.stratum
    coef = np.empty(0)
    if q:
        for firth in (False, True):
            fit = fit_cox(
                design.time,
                design.event,
                design.base,
                entry=design.entry,
                stratum=design.stratum,
                firth=firth,
            )
            coef = fit.coef
            if fit.converged:
                break
        require_fit(design, fit.converged)
    expected = efron_expected(design.time, design.event, design.base @ coef, stratum, design.entry)
    clean = np.zeros_like(design.features)
    for columns, rows in missing_patterns(design.observed):
        x, z = design.features[np.ix_(rows, columns)], design.base[rows]
        if q and len(rows):
            own = _efron_information(
                design.time[rows],
                design.event[rows],
                z @ coef,
                np.column_stack([z, x]),
                q,
                stratum[rows],
                None if design.entry is None else design.entry[rows],
            )
            x = x - z @ np.linalg.lstsq(own[:, :q], own[:, q:], rcond=None)[0]
        clean[np.ix_(rows, columns)] = centred_in_strata(x, stratum[rows]) if len(rows) else x
    return NullModel(residual=design.event - expected, clean=clean, coef=coef, predictor=design.base @ coef)


def null_logistic(design: Design) -> NullModel:
    from scipy.special import expit

    from discovery.kernels.logistic import fit_logistic

    assert design.y is not None
    y, base = design.y, design.base
    n, q = base.shape
    if q:
        for firth in (False, True):
            fit = fit_logistic(y, base, firth=firth)
            coef = fit.coef
            if fit.converged:
                break
        require_fit(design, fit.converged)
    else:
        coef = np.array([np.log(y.mean() / (1 - y.mean()))])
    z = np.column_stack([np.ones(n), base])
    mu = expit(z @ coef)
    clean = projected(design, z, mu * (1 - mu))
    return NullModel(residual=y - mu, clean=clean, coef=coef, predictor=z @ coef)


def null_linear(design: Design) -> NullModel:
    assert design.y is not None
    z = np.column_stack([np.ones(design.n), design.base])
    coef = np.linalg.lstsq(z, design.y, rcond=None)[0]
    fit = z @ coef
    clean = projected(design, z, np.ones(design.n))
    return NullModel(residual=design.y - fit, clean=clean, coef=coef, predictor=fit)


def projected(design: Design, z: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Features minus their weighted projection on `z`, over each feature's own rows; then centred."""
    clean = np.zeros_like(design.features)
    for columns, rows in missing_patterns(design.observed):
        if not len(rows):
            continue
        x, own = design.features[np.ix_(rows, columns)], z[rows]
        root = np.sqrt(weight[rows])[:, None]
        # the pseudo-inverse is that of a few columns; `lstsq` would carry every feature through LAPACK
        slopes = np.linalg.pinv(root * own, rcond=max(own.shape) * np.finfo(float).eps) @ (root * x)
        x = x - own @ slopes
        clean[np.ix_(rows, columns)] = x - x.mean(axis=0)
    return clean


def require_fit(design: Design, converged: bool) -> None:
    if not converged:
        raise InputError(
            [
                Problem(
                    file=f"outcome {design.outcome}",
                    found="the base model has no stable fit, even penalised",
                    wanted="fewer adjust_for covariates, or more events, are wanted",
                )
            ]
        )


def efron_expected(
    time: np.ndarray,
    event: np.ndarray,
    eta: np.ndarray,
    stratum: np.ndarray,
    entry: np.ndarray | None = None,
) -> np.ndarray:
    """Expected number of events of each patient (n,) under a Cox model with linear predictor `eta`.

    Tied events by Efron's rule, so that event minus expected sums to 0 and is orthogonal to the
    covariates at the fitted coefficients.
    """
    expected = np.zeros(len(time))
    for s in np.unique(stratum):
        here = np.flatnonzero(stratum == s)
        if not event[here].any():
            continue
        sets = _RiskSets(time[here], event[here], eta[here], None if entry is None else entry[here])
        expected[here] = sets.expected
    return expected


def _efron_information(
    time: np.ndarray,
    event: np.ndarray,
    eta: np.ndarray,
    columns: np.ndarray,
    q: int,
    stratum: np.ndarray,
    entry: np.ndarray | None,
) -> np.ndarray:
    """First `q` rows (q, k) of the Cox information of `columns` (n, k) at `eta`."""
    total = np.zeros((q, columns.shape[1]))
    for s in np.unique(stratum):
        here = np.flatnonzero(stratum == s)
        if not event[here].any():
            continue
        sets = _RiskSets(time[here], event[here], eta[here], None if entry is None else entry[here])
        own = columns[here] - columns[here].mean(axis=0)
        means = sets.means(own)
        total += (own[:, :q] * sets.expected[:, None]).T @ own - means[:, :q].T @ means
    return total


class _RiskSets:
    """Risk-set sums of one stratum at each event time, tied events by Efron's rule."""

    def __init__(self, time: np.ndarray, event: np.ndarray, eta: np.ndarray, entry: np.ndarray | None):
        self.risk = np.exp(eta - eta.max())
        self.time, self.entry = time, entry
        self.dead = np.flatnonzero(event == 1)
        self.at, self.group = np.unique(time[self.dead], return_inverse=True)
        self.n_dead = np.bincount(self.group)
        # one line for each event: the share of its tied events that counts as gone already
        first = np.concatenate([[0], np.cumsum(self.n_dead)[:-1]])
        line = np.repeat(np.arange(len(self.at)), self.n_dead)
        self._line, self._gone = line, (np.arange(len(line)) - first[line]) / self.n_dead[line]
        sums, dead_sums = self._sums(self.risk[:, None])
        self._s0 = (sums[line] - self._gone[:, None] * dead_sums[line])[:, 0]
        hazard = np.bincount(line, 1 / self._s0)
        tied = np.bincount(line, self._gone / self._s0)
        cumulated = np.concatenate([[0.0], np.cumsum(hazard)])
        seen = cumulated[np.searchsorted(self.at, time, side="right")]
        if entry is not None:
            seen = seen - cumulated[np.searchsorted(self.at, entry, side="right")]
        seen[self.dead] -= tied[self.group]
        self.expected = self.risk * seen

    def means(self, columns: np.ndarray) -> np.ndarray:
        """Risk-weighted mean of `columns` (n, k), one line for each event."""
        sums, dead_sums = self._sums(self.risk[:, None] * columns)
        return (sums[self._line] - self._gone[:, None] * dead_sums[self._line]) / self._s0[:, None]

    def _sums(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        sums = _sum_at_or_after(values, self.time, self.at)
        if self.entry is not None:
            sums = sums - _sum_at_or_after(values, self.entry, self.at)
        dead_sums = np.zeros((len(self.at), values.shape[1]))
        np.add.at(dead_sums, self.group, values[self.dead])
        return sums, dead_sums


def _sum_at_or_after(values: np.ndarray, when: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Sum of the rows of `values` with `when` >= each of `at`."""
    order = np.argsort(when, kind="stable")
    tail = np.zeros((len(values) + 1, values.shape[1]))
    tail[:-1] = np.cumsum(values[order][::-1], axis=0)[::-1]
    return tail[np.searchsorted(when[order], at, side="left")]
