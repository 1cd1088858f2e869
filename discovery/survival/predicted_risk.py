"""Risk of the event by given times, for patients that the model has not seen."""

from __future__ import annotations

import numpy as np

from discovery.survival.cox import CoxModel, cox_model
from discovery.survival.follow_up import as_follow_up, steps
from discovery.survival.refusals import refuse

SOURCE = "predicted risk"
FOLDS, REPEATS = 10, 5


def out_of_fold_risk(time, status, covariates, times, rng, *, entry=None, folds=FOLDS, repeats=REPEATS):
    """Risk of the event by each of `times` (m,), every patient left out of the models that predict him.

    Parameters
    ----------
    time, status, entry : array (n,); status 0 censored, 1 the event, 2, 3, … competing
    covariates : array (n, k), no missing value; k = 0 predicts everybody by the others alone
    rng : numpy Generator for the folds, which hold like shares of every status

    Returns
    -------
    array (n, m)
        The mean over `repeats` divisions into `folds`. With competing events the cumulative incidence by
        a Cox model of each cause-specific hazard: the sum over event times u of S(u-) dH1(u).

    Raises
    ------
    InputError
        A model of some fold cannot be fitted.
    """
    follow_up = as_follow_up(time, status, entry=entry)
    columns, times = np.asarray(covariates, dtype=float), np.asarray(times, dtype=float)
    code = follow_up.status.astype(int)
    total = np.zeros((len(code), times.size))
    for _ in range(repeats):
        fold = fold_codes(code, folds, rng)
        for k in range(folds):
            out = fold == k
            if not out.any():
                continue
            came = None if entry is None else follow_up.entry[~out]
            total[out] += risk_by(
                follow_up.time[~out], code[~out], columns[~out], columns[out], times, entry=came
            )
    return total / repeats


def fold_codes(status: np.ndarray, folds: int, rng: np.random.Generator) -> np.ndarray:
    """A fold 0 … folds - 1 for each row (n,), every status spread over all folds."""
    order = rng.permutation(len(status))
    order = order[np.argsort(status[order], kind="stable")]
    fold = np.empty(len(status), dtype=int)
    fold[order] = np.arange(len(status)) % folds
    return fold


def risk_by(time, status, known, new, times, *, entry=None) -> np.ndarray:
    """Risk (n_new, m) for rows `new` (n_new, k) from models fitted to rows `known` (n, k)."""
    causes = [int(cause) for cause in np.unique(status) if cause > 0]
    if 1 not in causes:
        refuse(SOURCE, "wanted at least one event among the patients to learn from", column="status")
    grid = np.unique(time[status > 0])
    grid = grid[grid <= times.max()]
    # steps of the cumulative hazard (n_new, g) of the event, and of all causes together
    own = np.zeros((len(new), grid.size))
    everything = np.zeros((len(new), grid.size))
    for cause in causes:
        made = np.diff(_hazard(time, status == cause, known, new, grid, entry), axis=1, prepend=0.0)
        everything += made
        if cause == 1:
            own = made
    at = np.searchsorted(grid, times, side="right")
    if causes == [1]:
        risk = 1 - np.exp(-np.cumsum(own, axis=1))
    else:
        whole = np.cumsum(everything, axis=1)
        before = np.exp(-np.column_stack([np.zeros(len(new)), whole[:, :-1]]))
        risk = np.cumsum(before * own, axis=1)
    return np.clip(np.column_stack([np.zeros(len(new)), risk])[:, at], 0.0, 1.0)


def _hazard(time, event, known, new, grid, entry) -> np.ndarray:
    """Cumulative hazard (n_new, g) of one cause on `grid`."""
    if not known.shape[1]:
        from discovery.survival.curves import nelson_aalen

        curve = nelson_aalen(time, event, entry=entry, ties="fleming-harrington")
        return np.tile(steps(curve.time, curve.estimate, grid, before=0.0), (len(new), 1))
    fit: CoxModel = cox_model(time, event, known, entry=entry)
    if fit.note:
        fit = cox_model(time, event, known, entry=entry, firth=True, interval="wald")
    if fit.note:
        refuse(SOURCE, f"wanted models that can be fitted: {fit.note}")
    line = fit.baseline[0]
    hazard = steps(line.time, line.hazard, grid, before=0.0)
    with np.errstate(over="ignore"):
        return np.minimum(hazard[None, :] * np.exp(fit.linear_predictor(new))[:, None], 700.0)
