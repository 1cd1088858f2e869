"""The tail over all signs against their enumeration, and against the normal with many small terms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.kernels.sign_root import LARGEST, sign_root


def tail(total, terms):
    return stats.norm.sf(sign_root(total, terms, np.ones(terms.size)))


@pytest.mark.parametrize("spread", ["normal", "exponential", "lognormal"])
def test_it_is_the_share_of_all_signs(spread):
    rng = np.random.default_rng(20261126)
    terms = getattr(rng, spread)(size=18)
    signs = 2 * (np.arange(2**18)[:, None] >> np.arange(18) & 1) - 1
    sums = np.sort(signs @ terms)
    for share in (0.3, 0.5, 0.7, 0.85):
        total = share * np.abs(terms).sum()
        exact = 1 - np.searchsorted(sums, total) / sums.size
        # a continuous tail stands for steps, the largest of them where one term is the others' equal
        assert tail(total, terms) == pytest.approx(exact, rel=0.1, abs=2e-5)
        assert tail(total, terms) < 2 * exact


def test_many_small_terms_are_normal_and_few_have_a_lighter_tail():
    many = np.full(4000, 0.5)
    assert sign_root(60.0, many, np.ones(4000)) == pytest.approx(60 / np.sqrt(1000), rel=1e-3)
    few = np.array([3.0, 2.0, 1.0, 1.0, 0.5, 0.5])
    size = np.sqrt((few**2).sum())
    assert sign_root(0.9 * few.sum(), few, np.ones(6)) > 0.9 * few.sum() / size


def test_sign_scale_weights_and_the_smallest_sums():
    rng = np.random.default_rng(3)
    terms, weights = rng.normal(size=40), rng.integers(0, 3, 40).astype(float)
    root = sign_root(8.0, terms, weights)
    assert sign_root(-8.0, terms, weights) == -root
    assert sign_root(800.0, 100 * terms, weights) == pytest.approx(root, rel=1e-9)
    assert sign_root(8.0, np.repeat(terms, weights.astype(int)), np.ones(int(weights.sum()))) == (
        pytest.approx(root, rel=1e-9)
    )
    near = [sign_root(total, terms, weights) / total for total in (1e-9, 9e-4, 2e-2, 5e-2)]
    assert near[1] == pytest.approx(near[0], rel=1e-5)
    assert near[2] == pytest.approx(near[0], rel=1e-4)
    assert sign_root(0.0, terms, weights) == 0.0
    assert np.isnan(sign_root(1.0, np.zeros(4), np.ones(4)))


def test_it_grows_with_the_sum_up_to_where_it_is_taken_as_flat():
    for terms in (np.ones(4), np.array([5.0, 1.0, 1.0, 0.2]), np.random.default_rng(4).lognormal(size=60)):
        totals = np.linspace(0, 1.1, 200) * terms.sum()
        roots = np.array([sign_root(total, terms, np.ones(terms.size)) for total in totals])
        assert np.isfinite(roots).all()
        assert (np.diff(roots) >= -1e-9).all()
        assert roots[-1] == sign_root(LARGEST * terms.sum(), terms, np.ones(terms.size))
