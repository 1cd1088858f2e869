"""Numbers as words: the cases where rounding misleads."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from discovery.report import format as words

UNDEFINED = [None, float("nan"), np.nan, pd.NA, pd.NaT, ""]
HAZARD = "log hazard ratio per 1 SD"
SLOPE = "standardised slope (outcome SD per 1 SD)"


@pytest.mark.parametrize("value", UNDEFINED)
@pytest.mark.parametrize(
    "say",
    [words.number, words.fixed, words.whole, words.p_value, words.percent, words.probability, words.gain],
)
def test_undefined_is_a_dash_never_a_zero_or_one(say, value):
    assert say(value) == words.DASH


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (5e-324, "<0.001"),
        (1e-300, "<0.001"),
        (0.000999, "<0.001"),
        (0.001, "0.001"),
        (0.0496, "0.050"),
        (0.0504, "0.050"),
        (0.04951, "0.050"),
        (0.0994, "0.099"),
        (0.0996, "0.10"),
        (0.104, "0.10"),
        (0.5, "0.50"),
        (0.99, "0.99"),
        (0.991, ">0.99"),
        (1.0, ">0.99"),
    ],
)
def test_p_values(p, text):
    assert words.p_value(p) == text


@given(st.floats(min_value=5e-324, max_value=1.0))
def test_a_p_value_is_never_printed_as_zero_or_one(p):
    text = words.p_value(p)
    assert float(text.lstrip("<>")) not in (0.0, 1.0)
    assert words.p_phrase(p).startswith(("p = 0.", "p < 0.", "p > 0."))


@given(st.floats(min_value=1e-300, max_value=1.0), st.floats(min_value=1e-300, max_value=1.0))
def test_printed_p_values_keep_the_order(p, q):
    rank = {"<0.001": 0.0005, ">0.99": 0.995}
    low, high = (rank.get(words.p_value(v)) or float(words.p_value(v)) for v in sorted((p, q)))
    assert low <= high


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (0.0, "0"),
        (1234.5, "1234"),
        (9.996, "10.0"),
        (99.96, "100"),
        (0.00012345, "0.000123"),
        (-1.5, "\u22121.50"),
        (1e-9, "1.00×10⁻⁹"),
        (2.5e7, "2.50×10⁷"),
        (math.inf, "∞"),
        (63.2, "63.2"),
        (0.9996, "1.00"),
    ],
)
def test_significant_digits(value, text):
    assert words.number(value) == text


@given(st.floats(min_value=1e-4, max_value=9e5))
def test_three_digits_are_within_half_a_digit(value):
    shown = float(words.number(value))
    assert abs(shown - value) <= 0.5001 * 10 ** (math.floor(math.log10(value)) - 2)


def test_effects_are_shown_as_ratios_and_slopes_as_they_are():
    assert (
        words.effect_interval(math.log(1.45), math.log(1.2), math.log(1.75), HAZARD) == "1.45 (1.20 to 1.75)"
    )
    assert words.effect_interval(-0.3, -0.5, -0.001, SLOPE) == "\u22120.30 (\u22120.50 to 0.00)"
    assert words.effect(math.log(1e9), HAZARD) == ">10\u2009000"
    assert words.effect(-50.0, HAZARD) == "<0.01"
    assert [words.effect(math.log(v), HAZARD) for v in (9.96, 58.52, 333.2)] == ["9.96", "58.5", "333"]
    assert words.effect(800.0, HAZARD) == ">10\u2009000"  # would overflow the exponential
    assert words.ratio_name(HAZARD) == "Hazard ratio per 1 SD"
    assert words.ratio_name(SLOPE) == "Standardised slope (outcome SD per 1 SD)"


def test_an_interval_without_an_end_says_so():
    assert words.interval(np.nan, 0.5, HAZARD) == "no limit to 1.65"
    assert words.interval(0.0, np.nan, HAZARD) == "1.00 to no limit"
    assert words.interval(-np.inf, 0.5, HAZARD) == "no limit to 1.65"
    assert words.interval(0.0, np.inf, SLOPE) == "0.00 to no limit"
    assert words.interval(np.nan, np.nan, HAZARD) == words.DASH


def test_gains_carry_their_sign_and_stay_negative():
    assert words.gain_interval(0.0214, -0.0039, 0.0381) == "+0.021 (\u22120.004 to +0.038)"
    assert words.gain(-0.0001) == "0.000"
    assert words.gain(-0.0113) == "\u22120.011"


@pytest.mark.parametrize(
    ("share", "text"),
    [(0, "0 %"), (1, "100 %"), (0.001, "<1 %"), (0.999, ">99 %"), (0.126, "13 %"), (0.006, "1 %")],
)
def test_percentages_do_not_round_to_none_or_all(share, text):
    assert words.percent(share) == text


def test_probabilities_do_not_round_to_none_or_all():
    assert [words.probability(p) for p in (0, 0.001, 0.875, 0.998, 1)] == [
        "<0.01",
        "<0.01",
        "0.88",
        ">0.99",
        ">0.99",
    ]


def test_counts_and_lists():
    assert words.whole(12345) == "12\u2009345"
    assert words.whole(9999.0) == "9999"
    assert words.plural(0, "patient") == "no patient"
    assert words.plural(1, "family", "families") == "1 family"
    assert words.plural(3, "family", "families") == "3 families"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert words.listed(list("abcdefgh"), limit=3) == "a, b and 6 more"
    assert words.listed([]) == ""
    assert words.listed_apart(["a, b", "c"]) == "a, b; c"
    assert words.rank_interval(3.0, 1.0, 12.0) == "3 (1 to 12)"
    assert words.rank_interval(3.5, 1.0, 12.0) == "3.5 (1 to 12)"


def test_units_have_raised_powers_and_rules_no_names_of_columns():
    assert [words.unit(text) for text in ("L/min/m2", "g.m/m2", "mmHg", "cm3", None, "m20")] == [
        "L/min/m²", "g.m/m²", "mmHg", "cm³", "", "m20",
    ]  # fmt: skip
    rule = words.plain_rule(
        "q <= 0.05; not strong: gain_low <= 0, family probability in top < 0.8, lfsr > 0.01"
    )
    said = "family probability in top < 0.8"
    of = [words.plain_rule(said, top) for top in (10.0, 1.0, np.nan)]
    assert of == [
        f"probability that its family is {first} < 0.8"
        for first in ("among the first 10", "the first", "among the first")
    ]
    assert "_" not in rule
    assert "lfsr" not in rule
    assert "<=" not in rule


def test_a_number_stays_with_its_sign_in_a_narrow_cell():
    assert words.unbroken("21 (60 %)") == "21 (60\u00a0%)"
    assert words.unbroken("Left-heart disease (n = 24)") == "Left-heart disease (n\u00a0=\u00a024)"
    assert words.unbroken("1.60, p 0.005") == "1.60, p\u00a00.005"
    assert words.unbroken("p < 0.001 in 2 groups") == "p\u00a0<\u00a00.001 in 2 groups"
    assert words.unbroken("a step of 3") == "a step of 3"


def test_p_values_inside_a_sentence_are_printed_like_all_others():
    said = "structure: p = 0.255 against cohorts; separation: p = 1.2e-05 (dip); site: Cramer V 0.11, p = 1."
    assert words.with_printed_p(said) == (
        "structure: p = 0.26 against cohorts; separation: p < 0.001 (dip); site: Cramer V 0.11, p > 0.99."
    )


def test_sentences_of_other_rooms_have_the_minus_sign_of_the_report_and_names_keep_their_hyphens():
    said = "reliability -0.15, below 0.4; (-3 to -.5), 1-2, 2026-11-25, PA-3 and q<-1"
    assert (
        words.with_minus(said) == "reliability −0.15, below 0.4; (−3 to −.5), 1-2, 2026-11-25, PA-3 and q<-1"
    )
    assert words.plain_rule("reliability -0.15, below 0.4") == "reliability −0.15, below 0.4"


def test_a_measure_of_discrimination_has_two_decimals_and_a_gain_three():
    assert words.discrimination(0.7149) == "0.71"
    assert words.discrimination_interval(0.7149, 0.6351, 0.7951) == "0.71 (0.64 to 0.80)"
    assert words.discrimination_interval(0.7149, np.nan, None) == "0.71"
    assert words.discrimination_interval(np.nan, np.nan, np.nan) == words.DASH
    assert words.gain(0.0149) == "+0.015"
