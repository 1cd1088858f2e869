"""Covariates, sites and etiologies: typed, doubted or refused."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import numpy as np
import pytest

from discovery.cli.main import main
from discovery.problems import InputError


def test_numbers_stay_numbers_and_text_becomes_labels(study):
    study.patients["race"] = np.resize([1, 2, 3, 2, 1], 40)
    study.replace('"sex"]', '"sex", "race"]')
    got = study.read()
    assert got.covariates["race"].dtype == float
    assert (
        "this is read as a number (1, 2, 3); if these are codes of groups, add it to categorical"
        in got.warnings[0].wanted
    )
    study.replace('"race"]', '"race"]\ncategorical = ["race"]')
    got = study.read()
    assert list(got.covariates["race"].cat.categories) == ["1", "2", "3"]
    assert got.warnings == ()


@pytest.mark.parametrize(
    ("listed", "expected"),
    [
        ("patient_id", "the id of the patients cannot be adjusted for"),
        ("site", "the site is in every model already; take it out of adjust_for"),
        ("status", "the outcome 'death' is made from this column; it cannot be adjusted for"),
        ("responder", "the outcome 'responder' is made from this column; it cannot be adjusted for"),
        ("etiology", "an etiology with several labels in a cell cannot be adjusted for"),
    ],
)
def test_columns_that_cannot_be_adjusted_for(study, listed, expected):
    study.replace('"sex"]', f'"sex", "{listed}"]')
    said = study.sentences()
    assert len(said) == 1
    assert said[0].startswith(f"patients.csv, column '{listed}'; {expected}")


def test_an_etiology_of_single_labels_can_be_adjusted_for(study):
    study.patients["etiology"] = np.resize(["PAH", "CTEPH"], 40)
    study.patients.loc[[1, 7], "sex"] = "f"
    study.patients["site"] = np.repeat(["North", "South"], 20)
    study.replace('"sex"]', '"sex", "etiology"]')
    assert list(study.read().covariates.columns) == ["age_years", "sex", "etiology"]


def test_missing_constant_and_empty_covariates(study):
    study.patients.loc[:2, "age_years"] = np.nan
    study.patients["sex"] = "f"
    got = study.read()
    assert list(got.covariates.columns) == ["age_years"]
    assert [problem.sentence() for problem in got.warnings] == [
        "patients.csv, column 'age_years'; a value is missing in 3 of 40 patients",
        "patients.csv, column 'sex': found 'f'; every patient has the same value; the column is left out of the base model",
    ]  # fmt: skip
    (study.folder / "patients.csv").unlink()
    study.patients["age_years"] = np.nan
    assert study.sentences() == ["patients.csv, column 'age_years'; at least one value is wanted"]


def test_free_text_and_a_faulty_cell(study):
    study.patients["remark"] = [f"seen by {number}" for number in range(40)]
    study.patients["age_years"] = study.patients["age_years"].astype(object)
    study.patients.loc[3, "age_years"] = "old"
    study.replace('"sex"]', '"sex", "remark"]')
    assert study.sentences() == [
        "patients.csv, row 5, column 'age_years': found 'old'; a number is wanted",
        "patients.csv, column 'remark': found 'seen by 0'; a number, or at most 30 different labels, is wanted; here are 40",
    ]  # fmt: skip


def test_columns_that_determine_one_another(study):
    study.patients["age_months"] = study.patients["age_years"] * 12
    study.patients["female"] = (study.patients["sex"] == "f").astype(int)
    study.replace('"sex"]', '"sex", "age_months", "female"]')
    assert study.sentences() == [
        f"patients.csv, column '{column}'; the columns before it in adjust_for determine this one; take one of them out"
        for column in ("age_months", "female")
    ]


def test_labels_that_differ_in_case_or_look_like_missing(study):
    study.patients.loc[3, "sex"] = "F"
    study.patients.loc[[4, 6], "sex"] = "NA"
    said = study.doubts()
    assert (
        "patients.csv, row 5, column 'sex': found 'F'; this is read as another label than 'f'; only case or spaces differ"
        in said
    )
    assert any(
        "row 6, column 'sex': found 'NA'; this is read as a label of its own (2 in all)" in doubt
        for doubt in said
    )
    assert any("found 'F'; a single patient has this label" in doubt for doubt in said)


def test_sites(study):
    study.patients.loc[39, "site"] = "East"
    assert study.doubts() == [
        "patients.csv, column 'site': found 'East'; a site with one patient tells nothing within the site"
    ]
    (study.folder / "patients.csv").unlink()
    study.patients["site"] = "North"
    assert "all patients are of one site; the site plays no part" in study.doubts()[0]
    (study.folder / "patients.csv").unlink()
    study.patients.loc[4, "site"] = None
    assert study.sentences() == [
        "patients.csv, row 6, column 'site'; a site is wanted for every patient; where it is not known, a label such as unknown"
    ]  # fmt: skip
    (study.folder / "patients.csv").unlink()
    study.patients["site"] = [f"S{number}" for number in range(40)]
    assert "sites with several patients are wanted, here are 40 sites for 40 patients" in study.sentences()[0]


def test_etiologies(study):
    study.patients.loc[0, "etiology"] = "PAH; ;rare"
    study.patients.loc[1, "etiology"] = None
    got = study.read()
    assert got.etiology.iloc[0] == "PAH;rare"
    assert got.etiology.iloc[1] is None
    assert [problem.wanted for problem in got.warnings] == [
        "an empty label between semicolons is left out",
        "the etiology is missing in 1 of 40 patients",
        "a single patient has this etiology",
    ]
    (study.folder / "patients.csv").unlink()
    study.patients["etiology"] = "PAH"
    assert "two etiologies or more are wanted to compare; nothing is compared" in study.doubts()[0]


WRITTEN = [
    ("{} mmHg", "a number alone is wanted, without unit or remark"),
    ("{}%", "a number alone is wanted, without unit or remark"),
    ("−{}", "a number is wanted; the sign must be a plain hyphen (-)"),
]


@pytest.mark.parametrize(("form", "hint"), WRITTEN)
def test_numbers_that_are_written_as_text_are_not_left_out_in_silence(study, form, hint):
    study.features["rv_a"] = [form.format(value) for value in study.features["rv_a"]]
    [doubt] = study.doubts()
    cell = study.features["rv_a"][0]
    assert doubt == (
        f"features.csv, row 2, column 'rv_a': found '{cell}'; {hint}; the column is read as text: "
        "it is not used as a feature"
    )


@pytest.mark.parametrize(("form", "hint"), WRITTEN)
def test_a_covariate_of_numbers_written_as_text_is_told_how_to_be_mended(study, form, hint):
    study.patients["age_years"] = [form.format(value) for value in study.patients["age_years"]]
    [said] = study.sentences()
    cell = study.patients["age_years"][0]
    assert said.startswith(
        f"patients.csv, row 2, column 'age_years': found '{cell}'; a number, or at most 30"
    )
    assert said.endswith(f"({hint})")
    (study.folder / "patients.csv").unlink()
    study.patients["age_years"] = np.resize([form.format(60), form.format(70)], 40)
    assert any(f"{hint}; the column is read as text: 2 labels" in doubt for doubt in study.doubts())


def test_dates_and_labels_are_no_numbers_written_otherwise(study):
    study.features["rv_a"] = np.resize(["2020-01-01", "2021-03-04"], 40)
    study.features["rv_b"] = np.resize(["good", "poor", "1 of 3"], 40)
    assert study.doubts() == []


def test_a_slip_of_the_decimal_point_is_doubted(study):
    ages = study.patients["age_years"]
    study.patients.loc[3, "age_years"] = 6050.0
    others = ages.drop(3)
    said = f"found '6050.0'; all other values lie between {others.min():g} and {others.max():g}; is this one a slip?"
    assert study.doubts() == [f"patients.csv, row 5, column 'age_years': {said}"]


@pytest.mark.parametrize(
    ("known", "words"),
    [
        (1, "one patient alone has a value"),
        (5, "all patients with a value have the same one"),
        (40, "every patient has the same value"),
    ],
)
def test_a_column_that_does_not_vary_says_in_whom(study, known, words):
    study.patients["age_years"] = np.where(np.arange(40) < known, 70.0, np.nan)
    study.features["rv_a"] = np.where(np.arange(40) < known, 7.0, np.nan)
    said = study.doubts()
    assert (
        f"patients.csv, column 'age_years': found '70.0'; {words}; the column is left out of the base model"
        in said
    )
    assert f"features.csv, column 'rv_a': found '7'; {words}; the feature is left out" in said


def test_warnings_are_shown_beside_the_problems(study, capsys):
    study.patients["sex"] = "f"
    study.patients["status"] = study.patients["status"].astype(object)
    study.patients.loc[3, "status"] = "dead"
    with pytest.raises(InputError) as caught:
        study.read()
    [warning] = [problem.sentence() for problem in caught.value.warnings]
    assert warning.startswith("patients.csv, column 'sex': found 'f'; every patient has the same value")
    for command in ("check", "run"):
        assert main([command, str(study.folder)]) == 2
        said = capsys.readouterr().err.splitlines()
        assert said[0] == "discovery: 1 problem in the input; nothing was written"
        assert said[1].startswith("  patients.csv, row 5, column 'status': found 'dead'")
        assert said[2:] == ["and 1 warning, which would not stand in the way", f"  {warning}"]


def test_few_complete_rows_make_no_covariates_determined(study):
    """Four patients know all of four covariates: any column is a mix of the others there, and none is at
    fault. Of the one that is the sum of two others as far as anybody knows, it is said."""
    rng = np.random.default_rng(2)
    names = ["a", "b", "c", "d"]
    for k, name in enumerate(names):
        study.patients[name] = rng.normal(size=40).round(3)
        study.patients.loc[4 + 9 * k : 12 + 9 * k, name] = np.nan
    study.replace('["age_years", "sex"]', '["a", "b", "c", "d"]')
    assert study.patients[names].notna().all(axis=1).sum() == 4
    assert list(study.read().covariates.columns) == names
    (study.folder / "patients.csv").unlink()
    study.patients["c"] = study.patients["a"] + study.patients["b"]
    assert study.sentences() == [
        "patients.csv, column 'c'; the columns before it in adjust_for determine this one; take one of them out"
    ]
