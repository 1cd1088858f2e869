"""The first sentence about each outcome says no more than the table does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from discovery.markers import verdict
from discovery.problems import Problem
from discovery.report.format import effect, number
from discovery.report.headline import GIVES_AWAY, base_verdict, headline, smallest_effect, warned
from discovery.report.page_tables import ranked_view


@pytest.fixture(scope="module")
def markers(made):
    return made.study_tables()["markers"]


def of(made, markers, name="death_or_rv_failure", **changes):
    settings = made.run_settings(**changes)
    return headline(markers, settings.outcome(name), settings)


def test_counts_are_those_of_the_table(made, markers):
    mine = markers[markers["outcome"] == "death_or_rv_failure"]
    head = of(made, markers)
    assert head.strong == (mine["verdict"] == "strong candidate").sum()
    assert head.candidates == mine["verdict"].isin(["strong candidate", "candidate"]).sum()
    assert head.assessed == mine["p_value"].notna().sum()
    finds = mine[mine["verdict"].isin(["strong candidate", "candidate"])]
    assert head.families == finds["redundancy_group"].nunique()
    assert head.found.startswith(f"{head.candidates} of {head.assessed} assessed features are candidates")
    for _, block in finds.groupby("redundancy_group"):
        assert block.sort_values("rank").iloc[0]["label"] in head.found


def test_order_and_family_sentences(made, markers):
    head = of(made, markers)
    assert "order inside the list is not established" in head.order
    assert head.family.startswith("If wrong, wrong by the family")
    first = markers.assign(rank_high=np.where(markers["rank"] == 1, 1, markers["rank_high"]))
    assert of(made, first).order == "First place is established; the order below it is not."
    assert "not resampled" in of(made, markers, replicates=0).order
    apart = markers.assign(redundancy_group=[f"g{k}" for k in range(len(markers))])
    assert "No two" in of(made, apart).family


def test_nothing_found_gives_what_could_have_been_seen_and_never_no_effect(made):
    head = of(made, made.study_tables(signal=0.0)["markers"].assign(verdict="not supported"))
    assert head.found == "No candidate among 29 assessed features. 1 more feature could not be assessed."
    assert "Smallest effect that this study could have seen" in head.could_see
    assert "no effect" not in " ".join((head.found, head.order, head.could_see))


def test_one_find_is_spoken_of_in_the_singular(made, markers):
    one = markers.assign(verdict=np.where(markers["rank"] == 1, "strong candidate", "not supported"))
    head = of(made, one)
    assert head.found.startswith("1 of 29 assessed features is a candidate (it is strong), from 1 family")
    assert head.order.startswith("Its rank may be anything from 1 to")
    assert head.family == ""
    sure = of(made, one.assign(rank_high=np.where(one["rank"] == 1, 1.0, one["rank_high"])))
    assert sure.order == "Its first place is established."


def test_one_feature_tested(made, markers):
    one = markers[markers["rank"] == 1].assign(verdict="candidate")
    assert of(made, one).found.startswith(
        "The only assessed feature is a candidate, from 1 family of features"
    )


def test_nothing_tested(made, markers):
    blank = markers.assign(p_value=np.nan, estimate=np.nan, verdict="not assessable")
    assert of(made, blank).found == "No feature could be tested against this outcome."
    assert of(made, markers.head(0)).found == "No feature could be tested against this outcome."
    why = "not assessed: 7 events, fewer than 10"
    untested = blank.assign(verdict="not assessable", verdict_rule=why)
    plain = "No feature could be tested against this outcome: 7 events, fewer than 10."
    assert of(made, untested).found == plain
    other = untested["verdict_rule"].where(untested.index != untested.index[0], "not assessed: constant")
    n = (untested["outcome"] == untested["outcome"].iloc[0]).sum()
    said = f"against this outcome: for {n - 1} of {n} features 7 events, fewer than 10."
    assert of(made, untested.assign(verdict_rule=other)).found.endswith(said)


def test_features_that_are_not_assessable_are_not_among_those_assessed(made, markers):
    """They have a p-value, but no verdict: neither a number of features nor a smallest effect rests on it."""
    why = "fewer than 5 patients per parameter"
    none = markers.assign(verdict="not assessable", verdict_rule=why)
    head = of(made, none)
    assert none["p_value"].notna().any()
    assert head.found == f"None of 30 features could be assessed: {why}."
    assert (head.assessed, head.could_see) == (0, "")
    weakest = markers["rank"] > 20
    some = markers.assign(
        verdict=np.where(weakest, "not assessable", "not supported"), verdict_rule=why,
        detectable_effect=np.where(weakest, 9.0, markers["detectable_effect"]),
    )  # fmt: skip
    head = of(made, some)
    assert head.found == "No candidate among 20 assessed features. 10 more features could not be assessed."
    kept = some[~weakest & (some["outcome"] == "death_or_rv_failure") & some["p_value"].notna()]
    assert len(kept) == 20
    assert effect(kept["detectable_effect"].median(), "log hazard ratio") in head.could_see
    first = some.assign(verdict=some["verdict"].where(some["rank"] != 1, "candidate"))
    said = of(made, first).found
    assert said.startswith("1 of 20 assessed features is a candidate, from 1 family")
    assert said.endswith(". 10 more features could not be assessed.")


def test_few_events_are_said(made, markers):
    settings = made.run_settings()
    assert settings.outcome("responder").events / 7 < 10
    assert of(made, markers, "responder").fragile.startswith("Few events: 8.7")
    assert of(made, markers).fragile == ""
    assert of(made, markers, "walk_change").fragile == ""
    fewer = tuple(replace(o, events=27, base_terms=1) for o in settings.outcomes[:1])
    assert of(made, markers, outcomes=fewer).fragile == (
        "With fewer than 30 events, trust the familywise permutation p first."
    )
    assert of(made, markers, outcomes=fewer, permutations=0).fragile == ""
    none = tuple(replace(o, events=9, base_terms=3) for o in settings.outcomes[:1])
    assert "Read everything below as exploratory." in of(made, markers, outcomes=none).fragile


def test_verdict_words_with_something_added():
    assert base_verdict("strong candidate; redundant with X") == "strong candidate"
    assert base_verdict("candidate, redundant with strong candidate") == "candidate"
    assert base_verdict("something else") == "something else"
    assert base_verdict(None) == ""


def test_smallest_effect_is_the_typical_one_of_the_details(made, markers):
    mine = markers[markers["outcome"] == "death_or_rv_failure"]
    tested = mine[mine["p_value"].notna()]
    size, level = smallest_effect(tested)
    assert size == tested["detectable_effect"].median()
    assert level == tested["detectable_level"].iloc[0]
    sentence = of(made, markers).could_see
    assert f"hazard ratio per 1 SD of {effect(size, 'log hazard ratio')} or more" in sentence
    assert f"p = {number(level, 2)} in 8 of 10" in sentence
    assert of(made, markers.drop(columns="detectable_level")).could_see == ""


def test_a_candidate_that_may_give_the_outcome_away_is_named_beside_the_find(made, markers):
    assert of(made, markers).beware == ""
    first = markers[markers["outcome"] == "death_or_rv_failure"].sort_values("rank").index[0]
    flags = markers["flags"].astype(object)
    flags[first] = (
        "suspected leak: alone it all but reproduces the outcome (C above 0.98); order not established"
    )
    doubted = markers.assign(flags=flags)
    head = of(made, doubted)
    assert head.beware.startswith(f"Beware of {markers.loc[first, 'label']}: it tells the outcome so well")
    assert warned("candidate", flags[first]) == "candidate (suspected leak)"
    assert warned("candidate", "order not established") == "candidate"
    assert warned("candidate", np.nan) == "candidate"
    mine = doubted[doubted["outcome"] == "death_or_rv_failure"]
    shown = [row[-1] for row in ranked_view(mine, "Hazard ratio", 100).rows]
    assert [word.endswith("(suspected leak)") for word in shown] == [True] + [False] * (len(shown) - 1)


def test_the_page_calls_what_gives_an_outcome_away_as_the_verdicts_do():
    assert GIVES_AWAY == verdict.GIVES_AWAY


def test_a_covariate_that_tells_the_outcome_is_named_though_nothing_is_found(made, markers):
    def warned_of(column, outcome, how="leak: this tells"):
        wanted = f"{how} the outcome {outcome!r}, patient by patient; adjusted for it, nothing is left"
        return Problem(file="patients.csv", column=column, wanted=wanted, severity="warning")

    name = "death_or_rv_failure"
    problems = (
        warned_of("grade", name), warned_of("walk_before", "walk_change"),
        Problem(file="features.csv", column="x", wanted=f"suspected leak of the outcome {name!r}"),
    )  # fmt: skip
    none = markers.assign(verdict="not assessable", verdict_rule="not assessed: the base model alone tells")
    head = of(made, none, problems=problems)
    assert head.beware.startswith("Beware of the covariate grade: it tells this outcome by itself")
    assert "walk_before" not in head.beware
    assert "x" not in head.beware.split(":")[0].split()
    two = of(
        made, none, problems=(*problems, warned_of("stage", name, "suspected leak: alone it reproduces"))
    )
    assert two.beware.startswith("Beware of the covariates grade; stage: each tells this outcome by itself")
    assert of(made, markers).beware == ""
