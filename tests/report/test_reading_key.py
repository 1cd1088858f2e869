"""The key to the ranking: it explains what the run shows, and nothing that it does not."""

from __future__ import annotations

from dataclasses import replace

from discovery.report.reading_key import reading_key


def key(made, **changes):
    settings = replace(made.run_settings(), **changes)
    return dict(reading_key(settings, made.study_tables(count=12)["markers"]))


def test_every_measure_and_effect_of_the_run_is_explained(made):
    found = key(made)
    effect = found["Effect (95 % interval)"].lower()
    assert "hazard ratio" in effect
    assert "odds ratio" in effect
    assert "standardised slope" in effect
    for measure in ("AUC, area under", "C, index of concordance", "R²"):
        assert measure in found["Gain (interval)"]
    assert "0.5 is no better than chance" in found["Gain (interval)"]


def test_levels_are_those_of_the_study(made):
    found = key(made, fdr=0.1)
    assert "q ≤ 0.1 about 10 %" in found["p, q"]
    assert "q ≤ 0.1," in found["Verdict"]
    assert "q ≤ 0.2" in found["Verdict"]


def test_nothing_is_said_of_what_was_not_done(made):
    found = key(made, replicates=0, covariates=(), site=None, analyses=())
    assert "Gain (interval)" not in found
    assert "In the first …" not in found
    assert "Rank" in found
    assert "not adjusted for anything" in found["Effect (95 % interval)"]
    assert "site-driven" not in found["Verdict"].lower()
    assert "strong" not in found["Verdict"].lower()


def test_no_verdict_is_advice(made):
    assert "No verdict is advice for a patient" in key(made)["Verdict"]
