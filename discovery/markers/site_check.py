"""Does a finding come from the patients, or from the hospital they were seen in?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.multiplicity import benjamini_hochberg
from discovery.association.outcome_models import fit_columns, standardised_outcome
from discovery.markers.refit import OutcomeRefit

FOLDS = 5
DOES_NOT_TRANSPORT = 0.02
ENOUGH_LEFT = 1 / 3  # of the events: with less, the sign of what is left is chance
SITE_COLUMNS = ("outcome", "feature", "site_left_out", "estimate", "gain", "n")


@dataclass(frozen=True, kw_only=True)
class SiteCheck:
    """Arrays (p,) over the features of a refit.

    q_without_site : Benjamini-Hochberg q when the base model ignores the site.
    estimate_without_site, low_without_site, high_without_site : effect then, with its 95 % interval, on the
        scale of the estimates within sites; NaN where one coefficient does not say it all.
    flipped_without : names of the sites without which the sign of the estimate is the other one; only
        sites whose leaving keeps a third of the events (patients in the rarer class, patients) count, of
        those that the feature's own estimate rests on.
    gain_random_folds, gain_left_out_sites : gain in patients that the models were not fitted to, when
        they are drawn at random and when they are a site of their own (mean over sites by patients).
    table : a row per feature and site left out, with the estimate from the other sites, the gain at that
        one, and in how many of its patients (n): those with the feature.
    """

    q_without_site: np.ndarray
    estimate_without_site: np.ndarray
    low_without_site: np.ndarray
    high_without_site: np.ndarray
    flipped_without: tuple[tuple[str, ...], ...]
    gain_random_folds: np.ndarray
    gain_left_out_sites: np.ndarray
    table: pd.DataFrame


def without_site(design: Design) -> Design:
    """The design with nothing of the site in the base model."""
    keep = [k for k, term in enumerate(design.terms) if term.covariate != "site"]
    return replace(
        design, base=design.base[:, keep], terms=tuple(design.terms[k] for k in keep), stratum=None
    )


def check_sites(
    refit: OutcomeRefit, *, rng: np.random.Generator, rests_on: np.ndarray | None = None
) -> SiteCheck | None:
    """Compare with the site ignored, and leave one site out at a time; None with fewer than two sites.

    `rng` assigns patients to the random folds. `rests_on` (p,): events (patients in the rarer class,
    patients) that the estimates rest on, where values were imputed and these are more than `refit` has.
    """
    design = refit.design
    if design.site is None or np.unique(design.site).size < 2:
        return None
    free = standardised_outcome(without_site(design))
    fits = fit_columns(free.response, free.base, design.features, observed=design.observed)
    fitted = fits.fit.code == 0
    q_free = benjamini_hochberg(np.where(fitted, fits.p_value, np.nan))
    sayable = fitted & kind_of(design.kind).directed
    free_effect, free_low, free_high = (
        np.where(sayable, part, np.nan) for part in (fits.fit.coef[:, -1], fits.ci_low, fits.ci_high)
    )

    whole = refit(np.ones(design.n)).estimate
    sites, code = np.unique(design.site, return_inverse=True)
    parts = [_left_out(refit, code == k) for k in range(sites.size)]
    estimates = np.array([part.estimate for part in parts])
    gains = np.array([part.gain[:, 0] for part in parts])
    flips = np.sign(estimates) * np.sign(whole) < 0
    of_all = design.response.effective_sizes(design.observed) if rests_on is None else rests_on
    kept = [
        design.response.effective_sizes(design.observed & (code != k)[:, None]) for k in range(sites.size)
    ]
    flips &= np.array(kept) >= ENOUGH_LEFT * of_all
    by_id = np.argsort(np.asarray(design.patient_id).astype(str), kind="stable")
    fold = np.empty(design.n, dtype=int)
    fold[by_id] = rng.permutation(np.arange(design.n) % FOLDS)
    random = np.array([_left_out(refit, fold == k).gain[:, 0] for k in range(FOLDS)])
    n, n_random = (
        np.array([design.observed[group == k].sum(axis=0) for k in range(groups)])
        for group, groups in ((code, sites.size), (fold, FOLDS))
    )
    return SiteCheck(
        q_without_site=q_free,
        estimate_without_site=free_effect,
        low_without_site=free_low,
        high_without_site=free_high,
        flipped_without=tuple(tuple(str(s) for s in sites[row]) for row in flips.T),
        gain_random_folds=_mean_over(random, n_random),
        gain_left_out_sites=_mean_over(gains, n),
        table=pd.DataFrame(
            {
                "outcome": design.outcome,
                "feature": np.repeat(np.array(design.feature_names, dtype=object), sites.size),
                "site_left_out": np.tile(sites, len(design.feature_names)),
                "estimate": estimates.T.ravel(),
                "gain": gains.T.ravel(),
                "n": n.T.ravel(),
            },
            columns=list(SITE_COLUMNS),
        ),
    )


def _left_out(refit: OutcomeRefit, out: np.ndarray):
    return refit((~out).astype(float), out[:, None].astype(float), recentre=True)


def _mean_over(values, weights) -> np.ndarray:
    """Mean over rows by `weights` of the same shape, NaN left out."""
    known = ~np.isnan(values)
    total = (known * weights).sum(axis=0)
    with np.errstate(invalid="ignore"):
        return (np.where(known, values, 0.0) * weights).sum(axis=0) / total
