"""Covariates that copy an outcome are warned of, by the measures that features are held to."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import mannwhitneyu, pearsonr

import discovery

EQUAL = "leak: this tells the outcome {!r}, patient by patient; adjusted for it, nothing is left"
NEAR = (
    "suspected leak: alone it reproduces the outcome {!r} ({} above 0.98); adjusted for it, hardly anything"
)

MORE = """
[[outcomes]]
name = "walk"
kind = "continuous"
column = "walk_m"

[[outcomes]]
name = "cause"
kind = "multiclass"
column = "cause"
"""


@pytest.fixture
def with_more(study):
    rng = np.random.default_rng(8)
    study.patients["walk_m"] = rng.normal(400, 80, 40).round()
    study.patients["cause"] = rng.permutation(np.resize(["lung", "heart", "clot"], 40))
    study.toml += MORE
    return study


def doubts(study, column, values, key="adjust_for"):
    """What is said of `values` as one more covariate, named in `key`."""
    study.patients[column] = values
    old = 'adjust_for = ["age_years", "sex"]'
    new = f'adjust_for = ["age_years", "sex", "{column}"]' if key == "adjust_for" else old
    new += f'\nadjust_more = ["{column}"]' if key == "adjust_more" else ""
    study.replace(old, new)
    return [one for one in study.doubts() if "leak" in one]


def test_sound_covariates_are_not_warned_of(with_more):
    assert not [one for one in with_more.doubts() if "leak" in one]


@pytest.mark.parametrize(
    ("outcome", "made"),
    [
        ("walk", lambda t: t["walk_m"]),
        ("responder", lambda t: t["responder"]),
        ("responder", lambda t: 2 - t["responder"]),
        ("responder", lambda t: np.where(t["responder"] == 1, "yes", "no")),
        ("death", lambda t: t["time_days"]),
        ("death", lambda t: np.where(t["status"] == 1, "dead", "alive")),
        ("death", lambda t: np.array(["alive", "dead", "graft"])[t["status"]]),
        ("cause", lambda t: t["cause"].str.upper()),
    ],
)  # fmt: skip
def test_a_covariate_that_copies_an_outcome_is_warned_of_in_file_and_column(with_more, outcome, made):
    said = doubts(with_more, "copy", made(with_more.patients))
    assert len(said) == 1
    assert said[0].startswith("patients.csv, column 'copy'; " + EQUAL.format(outcome))
    assert said[0].endswith("If not, take it out of adjust_for")


def test_a_covariate_with_a_few_cells_missing_is_still_a_copy(with_more):
    values = with_more.patients["walk_m"].mask(np.arange(40) % 7 == 0)
    (said,) = doubts(with_more, "copy", values)
    assert EQUAL.format("walk") in said


def test_near_copies_are_suspected_by_measures_of_scipy(with_more):
    """A number: |r|; of two classes: U over the number of pairs is the area under the ROC curve."""
    rng, table = np.random.default_rng(1), with_more.patients
    near = table["walk_m"] + rng.normal(0, 5, 40)
    (said,) = doubts(with_more, "near", near)
    r = max(pearsonr(near, table["walk_m"])[0], near.corr(table["walk_m"], method="spearman"))
    assert said.startswith(f"patients.csv, column 'near': found '|r| {r:.3f}'; " + NEAR.format("walk", "|r|"))


def test_a_near_copy_of_two_classes_is_suspected(with_more):
    table = with_more.patients
    near = table["responder"] + np.random.default_rng(2).normal(0, 0.3, 40)
    ones = table["responder"] == 1
    area = mannwhitneyu(near[ones], near[~ones]).statistic / (ones.sum() * (~ones).sum())
    assert 0.98 < area < 1
    (said,) = doubts(with_more, "near", near, "adjust_more")
    assert said.startswith(
        f"patients.csv, column 'near': found 'AUC {area:.3f}'; " + NEAR.format("responder", "AUC")
    )
    assert said.endswith("take it out of adjust_more")


def test_a_near_copy_of_a_time_or_of_a_status_is_suspected(with_more):
    table = with_more.patients
    (said,) = doubts(with_more, "near", -np.log(table["time_days"] + 1))
    assert NEAR.format("death", "C") in said
    table["fate"] = (table["status"] == 1) + np.random.default_rng(4).uniform(0, 0.9, 40)
    with_more.replace('"near"]', '"fate"]')
    (with_more.folder / "patients.csv").unlink()
    (said,) = [one for one in with_more.doubts() if "leak" in one]
    assert said.startswith("patients.csv, column 'fate': found 'AUC of the event 1.000'; suspected leak")


def test_groups_that_nearly_tell_a_class_are_suspected(with_more):
    """Each class against the others, one patient coded wrong: the larger areas are 1 and nearly so."""
    values = with_more.patients["cause"].str.upper().to_numpy(copy=True)
    values[0] = "CLOT" if values[0] != "CLOT" else "LUNG"
    (said,) = doubts(with_more, "near", values)
    assert NEAR.format("cause", "AUC") in said


def test_groups_of_few_patients_are_no_copy(with_more):
    """Groups of one or two order any outcome by their own patients, which means nothing."""
    values = np.repeat([f"room {k}" for k in range(20)], 2)
    assert not doubts(with_more, "room", values)


def test_a_feature_that_nearly_copies_the_status_is_suspected_too(study):
    """It need not order the times: by C alone it was not."""
    rng = np.random.default_rng(3)
    study.features["fate"] = (study.patients["status"] == 1) + rng.uniform(0, 0.9, 40)
    (said,) = study.doubts()
    assert said.startswith(
        "features.csv, column 'fate': found 'AUC of the event 1.000'; suspected leak: alone it reproduces "
        "the outcome 'death' (AUC of the event above 0.98)"
    )


def test_few_events_or_few_without_are_no_ground_for_suspicion(study):
    """Nine with the event: an area of 1 is left to chance too often among many features."""
    study.patients["status"] = [1] * 9 + [0] * 31
    study.replace("competing = [2]\n", "")
    study.features["fate"] = (study.patients["status"] == 1) + np.linspace(0, 0.9, 40)
    assert not [one for one in study.doubts() if "AUC of the event" in one]


def test_check_and_the_report_of_a_run_say_it(study):
    study.toml += "\n[analysis]\nreplicates = 0\npermutations = 0\nphenotypes = false\n"
    study.patients["seen"] = np.where(study.patients["responder"] == 1, "yes", "no")
    study.replace('"sex"]', '"sex", "seen"]').write()
    said = "patients.csv, column 'seen'; " + EQUAL.format("responder")
    assert any(one.sentence().startswith(said) for one in discovery.check(study.folder).warnings)
    discovery.run(study.folder, out=study.folder / "out")
    page = (study.folder / "out" / "index.html").read_text(encoding="utf-8")
    assert "this tells the outcome" in page


COUNTS = """
[[outcomes]]
name = "stays"
kind = "count"
column = "stays"
exposure = "years"

[[outcomes]]
name = "visits"
kind = "recurrent"
file = "visits.csv"
time = "day"
followup = "days"
"""


@pytest.fixture
def with_counts(study):
    rng = np.random.default_rng(9)
    table = study.patients
    table["stays"], table["years"] = rng.poisson(1.5, 40), rng.uniform(1, 4, 40).round(2)
    table["days"] = rng.integers(300, 900, 40)
    table["visits"] = rng.poisson(2.0, 40)
    rows = [
        f"{one},{day}"
        for one, end, number in zip(table["patient_id"], table["days"], table["visits"])
        for day in rng.choice(np.arange(1, end), number, replace=False)
    ]
    (study.folder / "visits.csv").write_text("patient_id,day\n" + "\n".join(rows) + "\n", encoding="utf-8")
    study.toml += COUNTS
    return study


@pytest.mark.parametrize(
    ("outcome", "measure", "made"),
    [
        ("stays", "C", lambda t: np.log1p(t["stays"]) + np.linspace(0, 0.001, 40)),
        ("stays", "C of the rate", lambda t: t["stays"] / t["years"]),
        ("visits", "C", lambda t: np.log1p(t["visits"]) + np.linspace(0, 0.001, 40)),
        ("visits", "C of the rate", lambda t: t["visits"] / t["days"]),
        ("", "", lambda t: t["days"]),
        ("", "", lambda t: t["years"]),
    ],
)
def test_covariates_that_tell_counts_or_episodes_are_suspected_but_not_the_time_watched(
    with_counts, outcome, measure, made
):
    said = doubts(with_counts, "near", made(with_counts.patients))
    assert len(said) == bool(outcome)
    if outcome:
        assert said[0].startswith(f"patients.csv, column 'near': found '{measure} ")
        assert NEAR.format(outcome, measure) in said[0]
