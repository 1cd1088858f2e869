"""Fine-Gray regression: the hazard of the subdistribution of one cause."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.survival.censoring import TIES as CENSORING_TIES
from discovery.survival.censoring import censoring_curve
from discovery.survival.covariates import design_matrix, require_full_rank
from discovery.survival.follow_up import as_follow_up
from discovery.survival.refusals import refuse, require_choice
from discovery.survival.regression_table import RegressionFit

SOURCE = "Fine-Gray model"
VARIANCES = ("censoring estimated", "censoring known")


class Weights(NamedTuple):
    """What the fit needs besides covariates, all at the distinct times of the cause (m,) or by row (n,)."""

    times: np.ndarray  # (m,)
    deaths: np.ndarray  # (m,) events of the cause
    stay: np.ndarray  # (m,) probability to be still uncensored just before the time
    from_event: np.ndarray  # (n,) 1 over that probability just before the row's own competing event, else 0
    upto: np.ndarray  # (n,) number of cause times <= the row's own time
    order: np.ndarray  # (n,) rows by time
    before: np.ndarray  # (m,) number of rows that end before each cause time


def fine_gray(
    time, status, covariates, *, cause=1, censoring_ties="event at risk",
    variance="censoring estimated", conf_level=0.95,
) -> RegressionFit:  # fmt: skip
    """Proportional subdistribution hazards with inverse-probability-of-censoring weights, Breslow ties.

    Who had another event stays in the risk set with the weight G(t-)/G(T-), G the Kaplan-Meier
    estimate of being uncensored. The coefficient describes the cumulative incidence and mixes the
    effects on all causes: it is no test that a marker acts on this cause (that is the cause-specific hazard).

    Parameters
    ----------
    time, status : array (n,), status 0 censored, 1, 2, … the causes
    covariates : DataFrame or array (n, k); rows with a missing value are left out and counted
    censoring_ties : "event at risk" or "event first"
        At a tie of an event and a censoring, whether the event counts in the risk set of the
        censoring (as in the R package cmprsk) or was taken out before (as in survival's finegray).
    variance : "censoring estimated" or "censoring known"
        Sandwich that includes the estimation of G, or the one that takes the weights as given.

    Raises
    ------
    InputError
        See `as_follow_up`; no event of the cause; no complete row; an unknown choice.

    References
    ----------
    Fine & Gray, J Am Stat Assoc 1999;94:496-509. Oracle: CR07, CR08, CR11.
    """
    require_choice(SOURCE, "censoring_ties", censoring_ties, CENSORING_TIES)
    require_choice(SOURCE, "variance", variance, VARIANCES)
    design = design_matrix(covariates)
    everyone = as_follow_up(time, status)
    if len(design.complete) != len(everyone.time):
        refuse(
            SOURCE,
            f"wanted as many rows of covariates as times, {len(everyone.time)}",
            found=str(len(design.complete)),
        )
    kept = design.complete
    end, code = everyone.time[kept], everyone.status[kept].astype(int)
    mine = code == cause
    if not mine.any():
        refuse(
            SOURCE,
            "wanted at least one event of the cause among complete rows",
            column="status",
            found=f"cause {cause}",
        )
    matrix = design.matrix[kept]
    require_full_rank(SOURCE, matrix, design.names)
    centre, spread = matrix.mean(axis=0), matrix.std(axis=0)
    x = (matrix - centre) / spread
    prepared = _prepare(end, code, mine, censoring_ties)
    beta, loglik, loglik_null, information, code_end = _newton(x, mine, prepared)
    inverse = np.linalg.pinv(information)
    scores = _scores(x, mine, beta, prepared)
    if variance == "censoring estimated":
        scores = scores + _censoring_terms(x, end, code, beta, prepared, censoring_ties)
    robust = inverse @ (scores.T @ scores) @ inverse
    scale = np.outer(spread, spread)
    note = "" if code_end else "the fit did not converge"
    return RegressionFit(
        method=f"Fine-Gray, cause {cause}, Breslow ties, {censoring_ties} at censoring ties, {variance}",
        effect_measure="log subdistribution hazard ratio", names=design.names, variable=design.variable,
        coef=beta / spread, covariance=robust / scale, model_covariance=inverse / scale,
        loglik=loglik, loglik_null=loglik_null, n=int(kept.sum()), events=int(mine.sum()),
        n_left_out=int((~kept).sum()), conf_level=conf_level, note=note,
    )  # fmt: skip


def _prepare(end, code, mine, censoring_ties) -> Weights:
    times, deaths = np.unique(end[mine], return_counts=True)
    curve = censoring_curve(end, code == 0, ties=censoring_ties)
    stay, own = curve.before(times), curve.before(end)
    competing = (code > 0) & ~mine
    from_event = np.where(competing, 1 / own, 0.0)
    order = np.argsort(end, kind="stable")
    return Weights(
        times, deaths.astype(float), stay, from_event, np.searchsorted(times, end, side="right"),
        order, np.searchsorted(end[order], times, side="left"),
    )  # fmt: skip


def _risk_sums(values, w: Weights) -> np.ndarray:
    """Weighted sum of values (n, …) over the risk set at each cause time (m, …)."""
    flat = values[w.order].reshape(len(values), -1)
    alive = np.cumsum(flat[::-1], axis=0)[::-1][w.before]
    stayed = np.cumsum(flat * w.from_event[w.order][:, None], axis=0)
    stayed = np.concatenate([np.zeros((1, flat.shape[1])), stayed])[w.before]
    return (alive + w.stay[:, None] * stayed).reshape(len(w.times), *values.shape[1:])


def _newton(x, mine, w: Weights):
    k = x.shape[1]
    square = x[:, :, None] * x[:, None, :]
    event_x = x[mine]

    def evaluate(beta, *, derivatives=True):
        eta = x @ beta
        top = eta.max()
        r = np.exp(eta - top)
        s0 = _risk_sums(r, w)
        loglik = float((event_x @ beta).sum() - w.deaths @ (np.log(s0) + top))
        if not derivatives:
            return loglik
        mean = _risk_sums(r[:, None] * x, w) / s0[:, None]
        second = _risk_sums(r[:, None, None] * square, w) / s0[:, None, None]
        score = event_x.sum(axis=0) - w.deaths @ mean
        information = np.einsum("m,mij->ij", w.deaths, second - mean[:, :, None] * mean[:, None, :])
        return loglik, score, information

    beta = np.zeros(k)
    loglik, score, information = evaluate(beta)
    null = loglik
    for _ in range(50):
        step = np.linalg.pinv(information) @ score
        step *= min(1.0, 3.0 / max(np.abs(step).max(initial=0.0), 1e-300))
        new = evaluate(beta + step, derivatives=False)
        while new < loglik - 1e-12 * abs(loglik) and np.abs(step).max() > 1e-12:
            step = step / 2
            new = evaluate(beta + step, derivatives=False)
        beta = beta + step
        loglik, score, information = evaluate(beta)
        if score @ np.linalg.pinv(information) @ score < 1e-18 * (1 + abs(loglik)):
            return beta, loglik, null, information, bool(np.abs(beta).max(initial=0.0) < 15)
    return beta, loglik, null, information, False


def _hazard(x, beta, w: Weights):
    r = np.exp(x @ beta)
    s0 = _risk_sums(r, w)
    return r, _risk_sums(r[:, None] * x, w) / s0[:, None], w.deaths / s0


def _scores(x, mine, beta, w: Weights) -> np.ndarray:
    """Score residuals (n, k) with the weights taken as known; they add up to 0 at the estimate."""
    r, mean, step = _hazard(x, beta, w)

    def sums(values):
        return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])

    hazard, moved = sums(step), sums(step[:, None] * mean)
    hazard_stay, moved_stay = sums(step * w.stay), sums((step * w.stay)[:, None] * mean)
    residual = -(r * hazard[w.upto])[:, None] * x + r[:, None] * moved[w.upto]
    later, later_moved = hazard_stay[-1] - hazard_stay[w.upto], moved_stay[-1] - moved_stay[w.upto]
    residual -= (r * w.from_event)[:, None] * (x * later[:, None] - later_moved)
    residual[mine] += x[mine] - mean[w.upto[mine] - 1]
    return residual


def _censoring_terms(x, end, code, beta, w: Weights, censoring_ties) -> np.ndarray:
    """What estimating the censoring distribution adds to every row's score residual (n, k)."""
    jumps, _, at_risk, counts = censoring_curve(end, code == 0, ties=censoring_ties)
    if not len(jumps):
        return np.zeros_like(x)
    r, mean, step = _hazard(x, beta, w)
    stay_step = step * w.stay
    # From each censoring time u on: sums over cause times t >= u.
    after = np.searchsorted(w.times, jumps, side="left")

    def remaining(values):
        return np.concatenate([np.cumsum(values[::-1], axis=0)[::-1], np.zeros((1, *values.shape[1:]))])[
            after
        ]

    rest, rest_moved = remaining(stay_step), remaining(stay_step[:, None] * mean)
    # Rows that had a competing event before u.
    weight = r * w.from_event
    order = np.argsort(end, kind="stable")
    by_then = np.searchsorted(end[order], jumps, side="left")
    total = np.concatenate([[0.0], np.cumsum(weight[order])])[by_then]
    total_x = np.concatenate([np.zeros((1, x.shape[1])), np.cumsum((weight[:, None] * x)[order], axis=0)])[
        by_then
    ]
    q = (total_x * rest[:, None] - total[:, None] * rest_moved) / at_risk[:, None]
    compensator = np.concatenate(
        [np.zeros((1, x.shape[1])), np.cumsum(q * (counts / at_risk)[:, None], axis=0)]
    )
    # A row is at risk of the censorings of its own last time, unless it had an event that goes first.
    censored = code == 0
    upto = np.searchsorted(jumps, end, side="right")
    if censoring_ties == "event first":
        upto = np.where(censored, upto, np.searchsorted(jumps, end, side="left"))
    terms = -compensator[upto]
    terms[censored] += q[np.searchsorted(jumps, end[censored])]
    return terms
