"""What agreement statistics must do whatever the data: simulation with known truth, laws, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.agreement.limits import limits_of_agreement, limits_of_repeated_pairs
from discovery.agreement.lines import deming, passing_bablok
from discovery.agreement.raters import concordance_correlation, intraclass_correlations
from discovery.agreement.trending import four_quadrant
from discovery.problems import InputError


def test_exact_interval_of_a_limit_covers_the_limit_at_its_level():
    rng = np.random.default_rng(5)
    held, draws = 0, 2000
    for _ in range(draws):
        difference = rng.normal(1.0, 2.0, 12)
        low, high = limits_of_agreement(difference, np.zeros(12)).upper_exact
        held += low <= 1.0 + 1.959964 * 2.0 <= high
    assert abs(held / draws - 0.95) < 4 * np.sqrt(0.95 * 0.05 / draws)


def test_repeated_pairs_find_the_planted_spread_of_a_single_future_pair():
    rng = np.random.default_rng(6)
    subject = np.repeat(np.arange(400), 5)
    shift = rng.normal(0, 2.0, 400)[subject]
    truth = rng.normal(5, 1, subject.size)
    test, reference = truth + shift + rng.normal(0, 1, subject.size), truth + rng.normal(0, 1, subject.size)
    found = limits_of_repeated_pairs(test, reference, subject)
    assert found.sd == pytest.approx(np.sqrt(4 + 2), rel=0.05)
    assert found.n_subjects == 400


def test_lines_recover_a_line_where_both_methods_err_and_least_squares_does_not():
    rng = np.random.default_rng(7)
    truth = rng.uniform(10, 40, 600)
    reference, test = truth + rng.normal(0, 4, 600), 2 + 1.2 * truth + rng.normal(0, 4, 600)
    for line in (deming(test, reference), passing_bablok(test, reference)):
        assert line.slope == pytest.approx(1.2, abs=0.08)
    assert np.polyfit(reference, test, 1)[0] < 1.1


def test_lines_turn_round_with_the_methods():
    rng = np.random.default_rng(8)
    x = rng.uniform(5, 30, 40)
    y = 1 + 0.9 * x + rng.normal(0, 1, 40)
    assert deming(y, x).slope == pytest.approx(1 / deming(x, y).slope, rel=1e-9)
    assert passing_bablok(y, x).slope == pytest.approx(1 / passing_bablok(x, y).slope, rel=0.02)


def test_a_missing_reading_leaves_its_pair_out():
    test, reference = np.array([1.0, 2, 4, np.nan, 7]), np.array([1.5, 2, 3, 9, 6])
    whole = limits_of_agreement(test[[0, 1, 2, 4]], reference[[0, 1, 2, 4]])
    assert limits_of_agreement(test, reference) == whole


def test_perfect_agreement_and_no_spread_are_defined_or_empty_never_wrong():
    same = np.arange(6.0)
    assert concordance_correlation(same, same)[0] == pytest.approx(1)
    assert np.isnan(concordance_correlation(same, np.ones(6))[0])
    assert np.isnan(four_quadrant(same * 0, same * 0, exclusion=1.0).concordance)


@pytest.mark.parametrize(
    ("test", "reference"),
    [([1.0, 2.0], [1.0, 2.0]), ([1.0, 2, 3], [1.0, 2]), ([1.0, 2, np.inf], [1.0, 2, 3]), ([], [])],
)
def test_pairs_that_cannot_be_judged_are_refused_in_words(test, reference):
    with pytest.raises(InputError, match="wanted"):
        limits_of_agreement(test, reference)


def test_a_table_of_ratings_with_a_hole_is_refused():
    with pytest.raises(InputError, match="3 subjects"):
        intraclass_correlations([[1.0, 2.0], [2.0, np.nan], [3.0, 4.0]])
