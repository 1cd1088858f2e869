"""What a feature adds to its family's lead, against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.markers.redundancy import p_given_lead


def test_p_equals_a_likelihood_ratio_between_two_full_models(planted_design):
    import statsmodels.api as sm

    design = planted_design("binary", 1, n=700, missing=0.1)  # large enough to do without a penalty
    lead = np.array([1, 1, 1, 3, 3, 3, 8, 8, 8, -1, -1, -1])
    got = p_given_lead(design, lead)
    for j in (0, 2, 4, 7):
        seen = design.observed[:, j] & design.observed[:, lead[j]]
        base = sm.add_constant(np.column_stack([design.base[seen], design.features[seen, lead[j]]]))
        full = np.column_stack([base, design.features[seen, j]])
        a, b = (
            sm.GLM(design.y[seen], x, family=sm.families.Binomial()).fit(tol=1e-12).llf for x in (base, full)
        )
        if 2 * (b - a) > 1e-6:
            assert got[j] == pytest.approx(stats.chi2.sf(2 * (b - a), 1), rel=1e-4)
    assert np.isnan(got[[1, 3, 8, 9, 10, 11]]).all()


def test_a_noisy_copy_is_redundant_and_an_independent_effect_is_not(planted_design):
    design = planted_design("continuous", 2, n=600, rho=0.5)
    # f00, f03 and f06 act; f01 and f02 only share a factor with f00
    p = p_given_lead(design, np.array([0] * 9 + [-1] * 3))
    assert (p[1:3] > 0.01).all()
    assert p[3] < 1e-6
