"""A patient without some covariate completed from the frozen model alone: from the other covariates.

A missing number becomes its mean given the covariates that are known, a missing category the probability of
each of its levels; under normality these are the conditional means, in any case the best linear prediction.
The outcome has no part in it, because a model that is meant for use does not know it, and the mean and the
covariance of the covariates are all that has to be kept: Hoogland et al., Stat Med 2020;39:3591-3607.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from discovery.markers.frozen import LARGEST, FrozenCompletion, FrozenTerm

LARGEST_COVARIANCE = 1e6  # in SDs of all patients, of whom the outcome may be known in few
ROUNDING = 1e-8  # of a covariance's diagonal, below which an eigenvalue counts as 0


def learn_completion(bases: Sequence[np.ndarray]) -> FrozenCompletion:
    """Mean and covariance of base columns (n, q) without gaps, averaged over the completed copies."""
    mean = np.mean([base.mean(axis=0) for base in bases], axis=0)
    covariance = np.mean([(base - mean).T @ (base - mean) / max(len(base) - 1, 1) for base in bases], axis=0)
    return FrozenCompletion(mean=tuple(mean.tolist()), covariance=tuple(map(tuple, covariance.tolist())))


def complete_base(
    completion: FrozenCompletion, terms: Sequence[FrozenTerm], base: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The base columns (n, q) with every NaN predicted from what is known, and who had one (n,) bool.

    The columns of a category are probabilities then: none below 0, with that of the reference 1 in all.
    """
    mean, covariance = (
        np.array(completion.mean),
        np.array(completion.covariance).reshape((base.shape[1],) * 2),
    )
    filled, gone = base.copy(), np.isnan(base)
    for pattern in np.unique(gone[gone.any(axis=1)], axis=0):
        rows, known = (gone == pattern).all(axis=1), ~pattern
        slopes = np.linalg.pinv(covariance[np.ix_(known, known)], hermitian=True, rcond=ROUNDING)
        slopes = slopes @ covariance[np.ix_(known, pattern)]
        filled[np.ix_(rows, pattern)] = mean[pattern] + (base[np.ix_(rows, known)] - mean[known]) @ slopes
    for name in dict.fromkeys(term.covariate for term in terms if term.level):
        of = np.array([term.covariate == name for term in terms])
        rows = gone[:, of].any(axis=1)
        levels = filled[np.ix_(rows, of)]
        chances = np.maximum(np.column_stack([1 - levels.sum(axis=1), levels]), 0.0)
        filled[np.ix_(rows, of)] = chances[:, 1:] / chances.sum(axis=1, keepdims=True)
    return filled, gone.any(axis=1)


def not_a_covariance(completion: FrozenCompletion, terms: int) -> str:
    """What is wrong with the numbers of a file, "" if nothing is."""
    if len(completion.mean) != terms or [len(row) for row in completion.covariance] != [terms] * terms:
        return f"{len(completion.mean)} means and {len(completion.covariance)} rows for {terms} terms"
    covariance = np.array(completion.covariance).reshape(terms, terms)
    if np.abs(completion.mean).max(initial=0.0) > LARGEST:
        return f"a mean above {LARGEST:g}, of columns in SDs"
    if np.abs(covariance).max(initial=0.0) > LARGEST_COVARIANCE:
        return f"a covariance above {LARGEST_COVARIANCE:g}, of columns in SDs"
    if not np.allclose(covariance, covariance.T, rtol=1e-9, atol=1e-12):
        return "a covariance that is not symmetric"
    if np.linalg.eigvalsh(covariance).min(initial=0.0) < -ROUNDING * np.trace(covariance):
        return "a covariance with a negative eigenvalue"
    return "a variance of 0, though every term varies" if (np.diag(covariance) <= 0).any() else ""
