"""Multiplicity: laws, a slow obvious version, and what happens to a hypothesis that was not tested."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import cauchy

from discovery.association import multiplicity as mu
from discovery.problems import InputError

EVERY_METHOD = [mu.bonferroni, mu.holm, mu.hochberg, mu.benjamini_hochberg, mu.benjamini_yekutieli, mu.storey]
p_lists = st.lists(st.floats(0, 1), min_size=1, max_size=25)


def selected_cells_rejections(cells, level):
    """The definition, step by step, at one level."""
    cell_p = np.array([mu.simes(p) for p in cells.values()])
    picked = mu.benjamini_hochberg(cell_p) <= level
    inner = level * picked.sum() / np.count_nonzero(~np.isnan(cell_p))
    return {cell: (mu.benjamini_hochberg(p) <= inner) & yes for (cell, p), yes in zip(cells.items(), picked)}


@pytest.mark.parametrize("method", EVERY_METHOD)
def test_a_hypothesis_not_tested_stays_untested_and_changes_nothing_for_the_others(method):
    p = np.random.default_rng(1).uniform(size=12) ** 2
    with_gaps = np.insert(p, [0, 5, 12], np.nan)
    got = method(with_gaps)
    assert np.isnan(got[[0, 6, 14]]).all()
    np.testing.assert_array_equal(got[~np.isnan(got)], method(p))


@given(p_lists)
def test_adjusted_values_keep_the_order_and_are_never_below_p(p):
    for method in EVERY_METHOD[:-1]:
        got = method(p)
        assert (got >= np.array(p) * (1 - 1e-12)).all()
        assert (got <= 1).all()
        assert (np.diff(got[np.argsort(p, kind="stable")]) >= -1e-15).all()


@given(p_lists)
def test_from_the_most_to_the_least_careful(p):
    assert (mu.bonferroni(p) >= mu.holm(p) - 1e-15).all()
    assert (mu.holm(p) >= mu.hochberg(p) - 1e-15).all()
    assert (mu.hochberg(p) >= mu.benjamini_hochberg(p) - 1e-15).all()
    assert (mu.benjamini_yekutieli(p) >= mu.benjamini_hochberg(p) - 1e-15).all()


@settings(deadline=None)
@given(st.lists(p_lists, min_size=1, max_size=6), st.floats(0.001, 0.999))
def test_selected_cell_q_values_reject_what_the_definition_rejects_at_any_level(lists, level):
    cells = {str(i): np.array(p) for i, p in enumerate(lists)}
    q = mu.selected_cells(cells)
    # a level that happens to sit on an attained value may fall either side of it in floating point
    if min(np.abs(values - level).min() for values in q.values()) < 1e-9:
        return
    for cell, rejected in selected_cells_rejections(cells, level).items():
        np.testing.assert_array_equal(q[cell] <= level, rejected)


def test_one_cell_is_plain_benjamini_hochberg():
    p = np.random.default_rng(2).uniform(size=30) ** 2
    np.testing.assert_array_equal(mu.selected_cells({"only": p})["only"], mu.benjamini_hochberg(p))
    np.testing.assert_array_equal(
        mu.adjust({"only": p}, "selected-cells").q_value["only"], mu.adjust({"only": p}, "bh").q_value["only"]
    )


def test_a_cell_without_any_test_does_not_count_as_a_cell():
    p = np.random.default_rng(3).uniform(size=(2, 10)) ** 3
    cells = {"a": p[0], "b": p[1]}
    with_empty = mu.selected_cells({**cells, "none": np.full(10, np.nan)})
    assert np.isnan(with_empty["none"]).all()
    for cell, q in mu.selected_cells(cells).items():
        np.testing.assert_array_equal(with_empty[cell], q)


def test_features_first_is_selected_cells_on_the_transposed_table():
    p = np.random.default_rng(4).uniform(size=(3, 8)) ** 2
    p[1, 2] = np.nan
    got = mu.features_first({"a": p[0], "b": p[1], "c": p[2]})
    turned = mu.selected_cells({f"f{j}": p[:, j] for j in range(8)})
    np.testing.assert_array_equal(
        np.array([got[c] for c in "abc"]), np.array([turned[f"f{j}"] for j in range(8)]).T
    )


def test_adjust_pools_cells_and_says_which_cells_passed():
    p = {"a": np.array([1e-6, 0.4]), "b": np.array([0.3, 0.9, np.nan])}
    found = mu.adjust(p, "bh", 0.05)
    np.testing.assert_array_equal(
        np.concatenate(list(found.q_value.values())), mu.benjamini_hochberg([1e-6, 0.4, 0.3, 0.9, np.nan])
    )
    assert found.selected == {"a": True, "b": False}


@pytest.mark.parametrize("method", mu.METHODS)
def test_every_method_runs_over_cells_and_never_gives_zero(method):
    found = mu.adjust({"a": [0.0, 0.5], "b": [0.2, 0.9]}, method)
    assert all((values > 0).all() for values in found.q_value.values())


def test_faults_are_told_in_words():
    with pytest.raises(InputError, match="did you mean 'holm'"):
        mu.adjust({"a": [0.1]}, "holmm")
    with pytest.raises(InputError, match=r"lies in \[0, 1\]"):
        mu.benjamini_hochberg([0.1, 1.2])
    with pytest.raises(InputError, match="level between 0 and 1"):
        mu.adjust({"a": [0.1]}, "bh", 1.5)
    with pytest.raises(InputError, match="same features in every cell"):
        mu.adjust({"a": [0.1], "b": [0.1, 0.2]}, "features-first")


def test_effective_number_of_tests_of_independent_and_of_identical_markers():
    for m in (1, 4, 9):
        free = mu.effective_number_of_tests(np.eye(m))
        same = mu.effective_number_of_tests(np.ones((m, m)))
        assert (free.li_ji, free.nyholt, free.galwey) == pytest.approx((m, m, m))
        assert (same.li_ji, same.nyholt, same.galwey) == pytest.approx((1, 1, 1), abs=1e-6)


def test_cauchy_combination_is_the_tail_of_the_mean_score():
    p = np.random.default_rng(6).uniform(size=(50, 2))
    np.testing.assert_allclose(mu.combine_by_cauchy(p), cauchy.sf(cauchy.isf(p).mean(axis=1)), rtol=1e-10)
    np.testing.assert_allclose(mu.combine_by_cauchy([0.03, 0.03]), 0.03, rtol=1e-12)
    np.testing.assert_allclose(mu.combine_by_cauchy([1e-200, 1.0]), 2e-200, rtol=1e-9)
    np.testing.assert_allclose(mu.combine_by_cauchy([0.02, np.nan]), 0.02, rtol=1e-12)
    assert np.isnan(mu.combine_by_cauchy([np.nan, np.nan]))
