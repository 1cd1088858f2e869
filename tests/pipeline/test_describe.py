"""Groups are called what the user calls them, in the tables of who was studied."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import design_of
from discovery.pipeline.describe import (
    baseline,
    describe_cohort,
    event_indicator,
    outcome_as_level,
    thirds_in_words,
)
from discovery.pipeline.survival_wing import cause_names
from discovery.problems import InputError
from discovery.study import Study, read_study

HEAD = """
[study]
name = "small"

[patients]
file = "patients.csv"
id = "patient_id"
site = "hospital"

[features]
file = "features.csv"

"""
DEATH = """
[[outcomes]]
name = "death"
label = "Death from PAH"
kind = "survival"
time = "days"
status = "state"
event = 3
competing = [7, 2]
"""
MALIGNANT = '[[outcomes]]\nname = "malignant"\nkind = "binary"\ncolumn = "malignant"\npositive = "M"\n'
STROKE = (
    DEATH.replace('"death"', '"stroke"')
    .replace("Death from PAH", "Fatal stroke")
    .replace("event = 3", "event = 2")
)
STROKE = STROKE.replace("[7, 2]", "[7, 3]")
WALK = '[[outcomes]]\nname = "walk"\nkind = "continuous"\ncolumn = "walk"\n'
CLASS = '[[outcomes]]\nname = "class"\nkind = "ordinal"\ncolumn = "class"\nlevels = ["low", "high"]\n'


@pytest.fixture
def study(tmp_path):
    def read(outcomes: str) -> Study:
        rng = np.random.default_rng(11)
        n = 80
        patients = pd.DataFrame(
            {
                "patient_id": [f"P{k:02d}" for k in range(n)],
                "hospital": np.resize(["North", "South"], n),
                "days": rng.integers(10, 900, n),
                "state": np.resize([0, 3, 3, 7, 2], n),
                "malignant": np.resize(["B", "M", "B"], n),
                "walk": rng.permutation(np.arange(n) + 301.0),
                "class": np.resize(["low", "high"], n),
            }
        )
        patients.to_csv(tmp_path / "patients.csv", index=False)
        features = pd.DataFrame({"patient_id": patients["patient_id"], "f1": rng.normal(size=n)})
        features.loc[:9, "f1"] = np.nan
        features.to_csv(tmp_path / "features.csv", index=False)
        (tmp_path / "study.toml").write_text(HEAD + outcomes, encoding="utf-8")
        return read_study(tmp_path)

    return read


def described(study: Study) -> dict[str, pd.DataFrame]:
    tested = [o for o in study.outcomes if o.kind in ("survival", "binary", "continuous")]
    return describe_cohort(study, [design_of(study, outcome) for outcome in tested])


def heads(study: Study) -> dict[str, int]:
    table = described(study)["baseline"]
    return dict(table.drop_duplicates("group")[["group", "group_n"]].to_numpy())


def test_events_are_called_by_the_users_codes(study):
    found = study(DEATH)
    assert heads(found) == {
        "overall": 80,
        "Death from PAH: no event": 16,
        "Death from PAH: event": 32,
        "competing event (state = 7)": 16,
        "competing event (state = 2)": 16,
    }
    missing = described(found)["missing"]
    levels = missing[(missing["variable"] == "f1") & (missing["by"] == "death")]["level"]
    assert list(levels) == ["no event", "event", "competing event (state = 7)", "competing event (state = 2)"]


@pytest.mark.parametrize(
    ("more", "other", "names"),
    [
        ("", "", ["competing event (state = 7)", "competing event (state = 2)"]),
        ('competing_labels = ["Transplant", "Stroke"]\n', "", ["Transplant", "Stroke"]),
        ("", STROKE, ["competing event (state = 7)", "Fatal stroke"]),
    ],
)
def test_a_competing_event_has_the_name_that_the_study_file_gives_it(study, more, other, names):
    found = study(DEATH + more + other)
    assert cause_names(found, "death") == {1: "Death from PAH", 2: names[0], 3: names[1]}
    assert [head for head in heads(found) if head in names] == names


def test_one_competing_event_without_a_name_is_told_by_its_kind_alone(study):
    one = DEATH.replace("competing = [7, 2]", "competing = [7]").replace("event = 3", "event = [3, 2]")
    assert cause_names(study(one), "death") == {1: "Death from PAH", 2: "competing event"}


@pytest.mark.parametrize(
    "labels", [["Transplant"], ["Stroke", "Stroke "], ["Stroke", " "], ["Stroke", "Death from PAH"]]
)
def test_competing_events_need_labels_of_their_own(study, labels):
    with pytest.raises(InputError, match="a label of its own for each of 2 codes"):
        study(DEATH + f"competing_labels = {json.dumps(labels)}\n")


def test_the_groups_say_what_they_are_groups_of(study):
    assert heads(study(MALIGNANT)) == {"overall": 80, "malignant: no": 53, "malignant: yes": 27}
    assert heads(study(CLASS + MALIGNANT)) == {"overall": 80, "class: low": 40, "class: high": 40}


def test_a_number_groups_by_thirds_and_not_by_each_value(study):
    """The values are 301 … 380: type-7 quantiles at 1/3 and 2/3 are 301 + 79/3 and 301 + 158/3."""
    assert heads(study(WALK)) == {
        "overall": 80,
        "walk: up to 327.3": 27,
        "walk: above 327.3, up to 353.7": 26,
        "walk: above 353.7": 27,
    }


def test_tied_numbers_give_fewer_groups_and_near_ones_longer_names():
    tied = pd.Series([0.0] * 8 + [1.0, 2.0], name="visits")
    assert thirds_in_words(tied).value_counts(sort=False).to_dict() == {"up to 0": 8, "above 0": 2}
    top = pd.Series([0.0, 3.0] + [5.0] * 8, name="visits")
    assert thirds_in_words(top).value_counts(sort=False).to_dict() == {"up to 3": 2, "above 3": 8}
    near = pd.Series(100000 + np.arange(9) / 1000, name="near")
    assert list(thirds_in_words(near).cat.categories) == [
        "up to 100000",
        "above 100000, up to 100000.01",
        "above 100000.01",
    ]
    gone = pd.Series([1.0, np.nan, 2.0, 3.0], name="gone")
    assert thirds_in_words(gone).isna().tolist() == [False, True, False, False]


def test_the_site_keeps_the_users_name(study):
    tables = described(study(MALIGNANT))
    assert list(tables["baseline"]["label"].unique()) == ["hospital", "f1"]
    assert set(tables["missing"]["by"]) == {"all", "hospital", "malignant"}


def test_levels_keep_what_is_missing(study):
    found = study(DEATH)
    outcome = found.outcomes[0]
    outcome.status[3] = np.nan
    assert outcome_as_level(found, outcome).isna().sum() == 1
    assert np.isnan(event_indicator(outcome).iloc[3])


def test_missing_values_are_laid_out_by_groups_of_counts_and_by_every_etiology(study):
    found = study(WALK)
    outcome = replace(found.outcomes[0], kind="count", value=np.resize([0.0] * 5 + [1.0, 1.0, 2.0, 5.0], 80))
    etiology = pd.Series(np.resize(["a", "b", "a;b"], 80), index=found.features.index)
    found = replace(found, outcomes=(outcome,), etiology=etiology)
    missing = describe_cohort(found, [])["missing"]
    rows = missing[missing["variable"] == "f1"].set_index("by")
    assert rows.loc["walk", "level"].tolist() == ["0", "1", "2 or more"]
    assert rows.loc["walk", "df"].dropna().tolist() == [1]
    assert rows.loc["etiology", "level"].tolist() == ["a", "b"]
    assert rows.loc["etiology", "n"].tolist() == [53, 53]
    assert rows.loc["etiology", "note"].str.contains("counts in each").all()
    heads = baseline(replace(found, etiology=None), {"walk": outcome_as_level(found, outcome)})["group"]
    assert list(dict.fromkeys(heads)) == ["overall", "walk: 0", "walk: 1", "walk: 2 or more"]
