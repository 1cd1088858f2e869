"""Distinctness: which features a sparse model keeps choosing, given all the others."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np

from discovery.association.design import Design
from discovery.association.null_model import fit_null
from discovery.markers.ranks import DECIMALS

PAIRS = 50
DISTINCT = 0.75
MOST_CHOSEN = 8


def stability_shares(
    design: Design,
    which,
    *,
    rng: np.random.Generator,
    pairs: int = PAIRS,
    completed: Sequence[Design] = (),
) -> np.ndarray:
    """Share (p,) of half samples in which each feature is among the first on the lasso path.

    Parameters
    ----------
    design : Design
        Of any kind with a null model.
    which : int array
        The features that compete; the others have NaN.
    rng : numpy.random.Generator
    pairs : int
        Complementary pairs of halves, so 2 * pairs selections.
    completed : designs with gaps imputed, of the same patients as each other, taken in turn from pair to pair

    Notes
    -----
    The response is the residual of the null model (martingale residual for survival), the columns are
    the features freed of the base covariates; a missing value stands at its expectation given the
    covariates. The first min(8, sqrt p) features in are chosen: with 60 features that is 8, and with
    fewer the number falls so that chance alone cannot carry a feature to a share of 0.75. A feature
    with a share of at least 0.75 is called distinct.

    References
    ----------
    Shah & Samworth, J R Stat Soc B 2013;75:55-80; Meinshausen & Buehlmann, J R Stat Soc B 2010;72:417-473.
    """
    which = np.asarray(which)
    copies = list(completed)[:pairs] or [design]
    # the order of ids decides who is in which half, so that the order of the rows does not
    by_id = np.argsort(np.asarray(copies[0].patient_id).astype(str), kind="stable")
    fitted = []
    for one in copies:
        null = fit_null(one)
        fitted.append((null.clean[by_id][:, which], null.residual[by_id]))
    y = fitted[0][1]
    chosen = np.zeros(which.size)
    first = min(MOST_CHOSEN, max(1, round(np.sqrt(which.size))))
    n = len(y)
    for pair in range(pairs):
        x, y = fitted[pair % len(fitted)]
        order = rng.permutation(n)
        for half in (order[: n // 2], order[n // 2 : 2 * (n // 2)]):
            chosen[first_on_path(x[half], y[half], first)] += 1
    share = np.full(design.features.shape[1], np.nan)
    share[which] = chosen / (2 * pairs)
    return share


def first_on_path(x, y, count: int) -> np.ndarray:
    """Indices of the first `count` features on the lasso path of y on the standardised columns of x.

    With y (n, c) a feature comes in with all its c coefficients at once (group lasso over the c columns).
    """
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import lars_path

    x = x - x.mean(axis=0)
    spread = np.sqrt((x**2).mean(axis=0))
    usable = np.flatnonzero(spread > 1e-12)
    if not usable.size:
        return usable
    x = (x[:, usable] / spread[usable]).round(DECIMALS)  # of equal features the first, not rounding's choice
    if y.ndim > 1:
        return usable[_first_on_joint_path(x, y - y.mean(axis=0), count)]
    with warnings.catch_warnings():
        # near-collinear features end the path early, with the features chosen so far
        warnings.simplefilter("ignore", ConvergenceWarning)
        _, active, _ = lars_path(np.asfortranarray(x), y - y.mean(), method="lasso", max_iter=count)
    return usable[np.asarray(active, dtype=int)]


def _first_on_joint_path(x, y, count: int) -> np.ndarray:
    """The columns that come in first as the penalty falls in small steps; of one step the larger ones."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import enet_path

    top = np.sqrt(((x.T @ y) ** 2).sum(axis=1)).max() / len(x)
    if not top > 0:
        return np.arange(min(count, x.shape[1]))
    alphas = top * np.geomspace(0.999, 0.05, 40)
    with warnings.catch_warnings():  # of near-collinear features the order alone is asked
        warnings.simplefilter("ignore", ConvergenceWarning)
        _, coef, _ = enet_path(np.asfortranarray(x), np.asfortranarray(y), l1_ratio=1.0, alphas=alphas)
    size = np.sqrt((coef**2).sum(axis=0))  # (p, steps)
    chosen: list[int] = []
    for step in size.T:
        new = np.setdiff1d(np.flatnonzero(step > 0), chosen)
        chosen += list(new[np.argsort(-step[new], kind="stable")])
        if len(chosen) >= count:
            break
    return np.array(chosen[:count], dtype=int)
