"""Profiles tested against cohorts without groups: closed form, planted truth, and false alarms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.phenotypes import Phenotypes
from discovery.phenotypes.null_profile import between_share, null_profile_table
from discovery.phenotypes.prepare import as_table
from discovery.phenotypes.profiles import profile_table
from discovery.problems import InputError

QUICK = {"draws": 19, "bootstraps": 10, "compare": False, "ks": (2,)}


def blocks(rng, n=150, count=4, size=3, loading=0.8):
    common = np.repeat(rng.normal(size=(n, count)), size, axis=1)
    return loading * common + np.sqrt(1 - loading**2) * rng.normal(size=common.shape)


def test_share_between_groups_is_eta_squared_of_an_analysis_of_variance():
    rng = np.random.default_rng(1)
    z, labels = rng.normal(size=(50, 3)), rng.integers(0, 3, 50)
    f = np.array([stats.f_oneway(*(column[labels == c] for c in range(3))).statistic for column in z.T])
    np.testing.assert_allclose(between_share(z, labels, 3), 2 * f / (2 * f + 47))


@pytest.mark.parametrize("skew", [False, True], ids=["normal", "skewed"])
def test_features_of_one_cloud_are_called_different_no_more_often_than_the_level(skew):
    """10 cohorts of 12 features: a naive test calls most of them different."""
    false, naive = [], []
    for run in range(10):
        x = blocks(np.random.default_rng([2, run]))
        x = np.exp(0.7 * x) if skew else x
        found = Phenotypes(seed=run, **QUICK).fit(x)
        table = null_profile_table(found, as_table(x), draws=39)
        false.append((table["p_null"] <= 0.05).mean())
        f = table["between"] / (1 - table["between"]) * (len(x) - 2)
        naive.append((stats.f.sf(f, 1, len(x) - 2) <= 0.05).mean())
    assert np.mean(naive) > 0.5
    # features of a cohort go together: the spread over cohorts is the Monte Carlo error
    error = max(np.std(false, ddof=1), 0.05) / np.sqrt(len(false))
    assert np.mean(false) < 0.05 + 3 * error


def test_features_that_make_true_groups_are_found_and_the_others_left_alone():
    rng = np.random.default_rng(3)
    x = rng.normal(size=(160, 10))
    x[:80, :3] += 4.0
    table = profile_table(Phenotypes(seed=1, **QUICK).fit(x), as_table(x), profile_test="null")
    p = table.drop_duplicates("feature").set_index("feature")
    assert (p.loc[["x0", "x1", "x2"], "q_null"] <= 0.05).all()
    assert (p.loc["x3":, "p_null"] <= 0.05).mean() <= 0.3
    assert len(table) == 20
    assert table["note"].str.startswith("made the groups: p against").all()


def test_any_number_of_workers_gives_the_same_p_and_gaps_are_drawn_too():
    rng = np.random.default_rng(4)
    x = pd.DataFrame(blocks(rng)).rename(columns=str).mask(rng.random((150, 12)) < 0.05)
    found = Phenotypes(seed=1, **QUICK).fit(x)
    one, two = (null_profile_table(found, x, draws=19, workers=w) for w in (1, 2))
    pd.testing.assert_frame_equal(one, two)


def test_what_cannot_be_tested_is_told():
    x = blocks(np.random.default_rng(5))
    site = np.arange(150) % 2
    found = Phenotypes(seed=1, site_centred=True, **QUICK).fit(x, site=site)
    with pytest.raises(InputError) as caught:
        null_profile_table(found, as_table(x[:100]), draws=5)
    assert {problem.file for problem in caught.value.problems} == {"draws", "features", "site_centred"}
    with pytest.raises(InputError, match="profile_test"):
        profile_table(found, as_table(x), profile_test="t")
