"""What a feature adds to its family's lead, against statsmodels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from discovery.markers.redundancy import given_lead
from discovery.markers.table import rank_markers


def test_p_equals_a_likelihood_ratio_between_two_full_models(planted_design):
    import statsmodels.api as sm

    design = planted_design("binary", 1, n=700, missing=0.1)  # large enough to do without a penalty
    lead = np.array([1, 1, 1, 3, 3, 3, 8, 8, 8, -1, -1, -1])
    got, estimate = given_lead(design, lead)
    for j in (0, 2, 4, 7):
        seen = design.observed[:, j] & design.observed[:, lead[j]]
        base = sm.add_constant(np.column_stack([design.base[seen], design.features[seen, lead[j]]]))
        full = np.column_stack([base, design.features[seen, j]])
        fits = [sm.GLM(design.y[seen], x, family=sm.families.Binomial()).fit(tol=1e-12) for x in (base, full)]
        a, b = (fit.llf for fit in fits)
        assert estimate[j] == pytest.approx(fits[1].params[-1], rel=1e-4, abs=1e-6)
        if 2 * (b - a) > 1e-6:
            assert got[j] == pytest.approx(stats.chi2.sf(2 * (b - a), 1), rel=1e-4)
    assert np.isnan(got[[1, 3, 8, 9, 10, 11]]).all()


def test_a_noisy_copy_is_redundant_and_an_independent_effect_is_not(planted_design):
    design = planted_design("continuous", 2, n=600, rho=0.5)
    # f00, f03 and f06 act; f01 and f02 only share a factor with f00
    p = given_lead(design, np.array([0] * 9 + [-1] * 3)).p
    assert (p[1:3] > 0.01).all()
    assert p[3] < 1e-6


def test_a_sign_that_turns_given_the_lead_is_seen_and_flagged(planted_design, screened):
    """Truth: y = 2 f00 - f01 with f00, f01 correlated by .9: f01 alone goes with higher values."""
    rng = np.random.default_rng(3)
    design = planted_design("continuous", 3, n=400, rho=0.9)
    y = 2 * design.features[:, 0] - design.features[:, 1] + rng.normal(size=design.n)
    design = replace(design, y=y)
    found = given_lead(design, np.array([0, 0, 0] + [-1] * 9))
    alone = screened(design).fit.coef[:, -1]
    assert alone[1] > 0 > found.estimate[1]
    assert found.turns(alone)[:2].tolist() == [False, True]
    assert not found.turns(alone)[3:].any()  # f02 shares with f01 what it has beyond f00
    table = rank_markers([design], [screened(design)], seed=1, replicates=40).table.set_index("feature")
    assert "sign turns given f00" in table.loc["f01", "flags"].split("; ")
    assert table.loc["f01", "estimate_given_lead"] == pytest.approx(found.estimate[1])
    assert "sign turns" not in table.loc["f00", "flags"]
    assert not table.loc["f01", "verdict"].startswith("strong")


def test_a_copy_of_the_lead_in_another_unit_adds_nothing(planted_design):
    design = planted_design("survival", 3, n=120)
    features = design.features.copy()
    features[:, 1] = 2 * features[:, 0] + 3
    observed = design.observed.copy()
    observed[:, 1] = observed[:, 0]
    copied = replace(design, features=features, observed=observed)
    found = given_lead(copied, np.array([0, 0] + [-1] * (len(design.feature_names) - 2)))
    assert found.p[1] == 1.0
    assert np.isnan(found.estimate[1])
    assert np.isnan(found.p[0])
