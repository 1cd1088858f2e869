"""Profiles of a second cohort: features that tell a group equally have no order, others must keep theirs.

Known truth by simulation: two groups, features with a common correlation of .5 inside them, the second cohort
with the profile of the first or with another.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, spearmanr

from discovery.phenotypes.replication import ORDER, profile_agreement

FEATURES, PATIENTS, COHORTS = 8, 100, 60
EQUAL = np.ones(FEATURES)
GRADED = np.linspace(-1.5, 1.5, FEATURES)
TWO_LEVELS = np.repeat([1.0, -1.0], FEATURES // 2)


def cohort(profile, rng):
    own = np.arange(PATIENTS) % 2
    root = np.linalg.cholesky(0.5 + 0.5 * np.eye(FEATURES))
    return own, np.outer(1 - 2 * own, profile) + 0.6 * rng.normal(size=(PATIENTS, FEATURES)) @ root.T


def compared(first, second, rng):
    own, z = cohort(first, rng)
    frozen = np.array([z[own == group].mean(axis=0) for group in (0, 1)])
    own, z = cohort(second, rng)
    return profile_agreement(frozen, np.bincount(own), z, own, rng, draws=199)


def agreeing(first, second, seed, group=0):
    rng = np.random.default_rng(seed)
    return sum(bool(compared(first, second, rng).agrees[group]) for _ in range(COHORTS))


@pytest.mark.parametrize("profile", [EQUAL, TWO_LEVELS, GRADED], ids=["equal", "two levels", "graded"])
def test_the_same_profile_agrees_in_19_of_20_cohorts(profile):
    assert binom.cdf(agreeing(profile, profile, 1), COHORTS, 0.95) > 0.005


def test_ranks_alone_would_refuse_equal_features():
    rng = np.random.default_rng(2)
    orders = np.array([compared(EQUAL, EQUAL, rng).order for _ in range(COHORTS)])
    assert (orders >= ORDER).mean() < 0.2


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (EQUAL, GRADED),
        (EQUAL, np.where(np.arange(FEATURES) < FEATURES // 2, 1.0, 0.0)),
        (EQUAL, -EQUAL),
        (TWO_LEVELS, -TWO_LEVELS),
        (GRADED, np.roll(GRADED, 3)),
    ],
    ids=["graded instead", "half of them", "turned", "levels exchanged", "other order"],
)
def test_another_profile_does_not_agree(first, second):
    assert agreeing(first, second, 3) <= binom.ppf(0.995, COHORTS, 0.02)


def test_a_clear_order_is_judged_by_spearman_alone():
    rng = np.random.default_rng(4)
    own, z = cohort(GRADED, rng)
    frozen = np.array([z[own == group].mean(axis=0) for group in (0, 1)])
    found = profile_agreement(frozen, np.bincount(own), z, own, rng, draws=99)
    np.testing.assert_allclose(found.order, 1)
    swapped = profile_agreement(frozen, np.bincount(own), z[:, [1, 0, *range(2, 8)]], own, rng, draws=99)
    new = z[own == 0].mean(axis=0)[[1, 0, *range(2, 8)]]
    assert swapped.order[0] == pytest.approx(spearmanr(frozen[0], new).statistic)
    assert found.order_if_same[0] > ORDER


def test_a_group_that_nobody_has_is_not_judged():
    rng = np.random.default_rng(5)
    own, z = cohort(EQUAL, rng)
    frozen = np.array([z[own == group].mean(axis=0) for group in (0, 1)])
    found = profile_agreement(frozen, np.bincount(own), z[own == 0], own[own == 0], rng, draws=19)
    assert np.isnan(found.order[1])
    assert not found.agrees[1]
