"""How far pooled estimates vary from sample to sample: patients drawn anew, imputed anew inside each draw.

Rubin's variance is too large where the imputation model knows more than the model of the outcome: episodes
are imputed from the logarithm of how many came for one expected, which heeds a patient's own rate, and then
counted by a model that does not (Meng, Stat Sci 1994;9:538-558). With two fillings a draw the variance
between draws is had free of that of the fillings (von Hippel & Bartlett, Stat Sci 2021;36:400-420).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.cohort.imputation import Completed
from discovery.seeds import drawn_weights, named_rng

DRAWS = 100
LEAST_KNOWN = 0.8  # of the draws; below, a patient or two hold the estimate


@dataclass(frozen=True, kw_only=True)
class Spread:
    """`variance` (c,) of pooled estimates, as for normal errors with `df` (c,) degrees of freedom; NaN where
    too many draws have no estimate."""

    variance: np.ndarray
    df: np.ndarray

    def of(self, which: np.ndarray) -> Spread:
        """Of some of the features (places)."""
        return Spread(variance=self.variance[which], df=self.df[which])


def spread_of_estimates(design: Design, completed: Completed, which: np.ndarray) -> Spread:
    """Of the features `which` (places in `completed.plan.columns`), patients drawn within sites."""
    columns = completed.plan.columns[which]
    seen, kind = completed.plan.observed[:, columns], kind_of(design.kind)
    by_id = completed.plan.order  # a weight belongs to an id, so that the order of rows is nothing
    site = (np.zeros(design.n) if design.site is None else np.asarray(design.site))[by_id]
    members = [by_id[site == one] for one in np.unique(site)]
    found = np.full((DRAWS, 2, columns.size), np.nan)
    for draw in range(DRAWS):
        rng = named_rng(completed.seed, "spread of estimates", design.outcome, draw)
        weights = drawn_weights(rng, members, design.n)
        for filling in range(2):
            features, base = completed.in_draw(weights, 2 * draw + filling)
            x = np.where(seen, features[:, which], 0.0)
            plan = kind.plan(design.response, design.base if base is None else base, x, seen)
            fit = kind.refit(plan, weights)
            found[draw, filling] = np.where(fit.code == 0, fit.coef[:, -1], np.nan)
    return _spread(found, completed.m)


def _spread(found: np.ndarray, copies: int) -> Spread:
    """From estimates (draws, 2, c), for a mean over so many copies."""
    known = np.isfinite(found).all(axis=1)
    n = known.sum(axis=0).astype(float)
    mean = np.where(known, found.mean(axis=1), 0.0)
    centre = mean.sum(axis=0) / np.maximum(n, 1)
    half = np.where(known, np.diff(found, axis=1)[:, 0], 0.0) / 2
    enough = n >= LEAST_KNOWN * len(found)
    with np.errstate(divide="ignore", invalid="ignore"):
        of_means = np.where(known, (mean - centre) ** 2, 0.0).sum(axis=0) / (n - 1)
        of_fillings = 2 * (half**2).sum(axis=0) / n
        # a mean of two fillings varies by half of what one adds, that over all copies by its share of it
        less = of_fillings * (1 / 2 - 1 / copies)
        variance = np.maximum(of_means - less, of_fillings / copies)
        df = variance**2 / (of_means**2 / (n - 1) + less**2 / n)
    return Spread(variance=np.where(enough, variance, np.nan), df=np.where(enough, df, np.nan))
