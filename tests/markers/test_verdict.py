"""Every verdict word, by the rule that must produce it, and the order of the rules."""

from __future__ import annotations

from dataclasses import replace

import pytest

from discovery.markers.verdict import Evidence, verdict_of

STRONG = Evidence(
    p_value=1e-6,
    q_value=0.001,
    p_familywise=0.001,
    gain_low=0.01,
    family_probability_in_top=0.95,
    lfsr=0.001,
)

CASES = [
    ({}, "strong candidate", "lfsr <= 0.01"),
    ({"gain_low": -0.001}, "candidate", "not strong: gain_low <= 0"),
    ({"family_probability_in_top": 0.79}, "candidate", "family probability"),
    ({"lfsr": 0.02}, "candidate", "lfsr > 0.01"),
    ({"lfsr": float("nan")}, "candidate", "lfsr needs 20 features"),
    ({"resampled": False, "gain_low": float("nan")}, "candidate", "ranks and gains were not resampled"),
    ({"flags": ("measured unreliably",)}, "candidate", "flagged measured unreliably"),
    ({"flags": ("sign turns given rv_sp",)}, "candidate", "flagged sign turns given rv_sp"),
    (
        {"flags": ("suspected leak: alone it all but reproduces the outcome (C above 0.98)",)},
        "candidate",
        "not strong: flagged suspected leak",
    ),
    ({"flags": ("separates the outcome: nearly",)}, "candidate", "not strong: flagged separates the outcome"),
    ({"permutation_first": True}, "strong candidate", "familywise permutation p <= 0.05"),
    ({"permutation_first": True, "p_familywise": 0.06}, "suggestive", "fewer than 30 events"),
    ({"permutation_first": True, "p_familywise": 0.9, "q_value": 0.01}, "suggestive", "fewer than 30"),
    ({"permutation_first": True, "p_familywise": 0.9, "q_value": 0.3}, "not supported", "not evidence"),
    ({"permutation_first": True, "p_familywise": float("nan")}, "strong candidate", "q <= 0.05, gain"),
    ({"p_familywise": 0.9}, "strong candidate", ""),
    ({"flags": ("order not established",)}, "strong candidate", "no red flag"),
    ({"lfsr": 0.06}, "suggestive", "lfsr > 0.05"),
    ({"q_value": 0.08}, "suggestive", "q <= 0.1"),
    ({"q_value": 0.3, "p_familywise": 0.09}, "suggestive", "by that alone: q > 0.1"),
    ({"q_value": 0.3, "p_familywise": 0.4}, "not supported", "not evidence of no effect"),
    ({"not_assessed": "the fit did not converge"}, "not assessable", "did not converge"),
    ({"missing_share": 0.41}, "not assessable", "41 % missing"),
    ({"missing_share": 0.404}, "not assessable", "40.4 % missing, more than 40 %"),
    ({"reliability": 0.39}, "not assessable", "reliability 0.39"),
    ({"events_per_parameter": 4.0, "penalty_available": False}, "not assessable", "per parameter"),
    ({"events_per_parameter": 4.0}, "strong candidate", ""),
    ({"q_without_site": 0.01, "p_value": 0.2, "q_value": 0.4}, "site-driven", "site is ignored"),
    ({"flipped_without": ("B",)}, "site-driven", "without site B"),
    ({"flipped_without": ("B",), "q_value": 0.4, "p_familywise": 0.9}, "not supported", ""),
    ({"lead": "rv_sp", "p_given_lead": 0.3}, "strong candidate, redundant with rv_sp", "adds nothing"),
    ({"lead": "rv_sp", "p_given_lead": 0.01}, "strong candidate", ""),
    ({"lead": "rv_sp", "p_given_lead": 0.3, "q_value": 0.08}, "suggestive", ""),
]


@pytest.mark.parametrize(("change", "word", "rule"), CASES)
def test_word_and_rule(change, word, rule):
    got, why = verdict_of(replace(STRONG, **change))
    assert got == word
    assert rule in why


def test_nothing_known_is_never_a_finding():
    assert verdict_of(Evidence())[0] == "not supported"


def test_the_level_is_the_study_s():
    assert verdict_of(replace(STRONG, q_value=0.08), fdr=0.1)[0] == "strong candidate"
    assert verdict_of(replace(STRONG, q_value=0.03, p_familywise=0.5), fdr=0.01)[0] == "not supported"
