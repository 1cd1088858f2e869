"""Faults that do not depend on each other are listed together, not one after the other is mended."""

from __future__ import annotations

import numpy as np


def said_of(study) -> str:
    return "\n".join(study.sentences())


def test_names_to_freeze_and_landmarks_are_told_with_the_faults_of_the_tables(study):
    study.replace("event = 1\n", "event = 1\nlandmark = 90000\n")
    study.toml += '[analysis]\nfreeze = ["rv_a", "rv_aa", "pa_b"]\n[phenotypes]\ncolumns = ["rv_*", "pb_*"]\n'
    study.features["pa_b"] = 1.0
    study.patients["age_years"] = study.patients["age_years"].astype(object)
    study.patients.loc[3, "age_years"] = "old"
    assert sorted(sentence.split(";")[0] for sentence in study.sentences()) == [
        "patients.csv, row 5, column 'age_years': found 'old'",
        "study.toml, column 'landmark of death': found '90000'",
        "study.toml, row 30, column 'analysis.freeze[2]': found 'rv_aa'",
        "study.toml, row 30, column 'analysis.freeze[3]': found 'pa_b'",
        "study.toml, row 32, column 'phenotypes.columns[2]': found 'pb_*'",
    ]
    assert "left out: constant" in said_of(study)


def test_a_feature_with_a_fault_of_its_own_is_no_unknown_name(study):
    study.replace('file = "features.csv"', 'file = "features.csv"\ncolumns = ["rv_*", "pa_a"]')
    study.toml += '[analysis]\nfreeze = ["pa_a"]\n[phenotypes]\ncolumns = ["pa_a", "rv_*"]\n'
    study.features["pa_a"] = "text"
    assert study.sentences() == [
        "features.csv, row 2, column 'pa_a': found 'text'; a number is wanted; here is text in all 40 rows"
    ]


def test_a_landmark_after_the_last_event_is_told_with_where_that_is(study):
    study.replace("event = 1\n", "event = 1\nlandmark = 1500\n").replace('entry = "entry_days"\n', "")
    study.patients["time_days"] = np.where(study.patients["status"] == 1, 1400, 1600)
    assert study.sentences() == [
        "study.toml, column 'landmark of death': found '1500'; nobody has the event after it: a "
        "landmark before the last events is wanted; the last is at 1400 in patients.csv, column 'time_days'"
    ]


def test_columns_of_an_outcome_are_checked_though_another_is_not_there(study):
    study.replace('time = "time_days"', 'time = "time_day"').replace(
        'column = "responder"', 'column = "respond"'
    )
    study.patients.loc[2, ["entry_days", "status"]] = [-3, 9]
    said = study.sentences()
    assert len(said) == 4
    for text in (
        "did you mean 'time_days'",
        "did you mean 'responder'",
        "row 4, column 'entry_days': found '-3'; a time of 0 or more is wanted",
        "row 4, column 'status': found '9'; this code is not declared",
    ):
        assert any(text in sentence for sentence in said)


def test_a_horizon_and_a_landmark_are_checked_though_the_entry_is_not_there(study):
    study.replace('entry = "entry_days"', 'entry = "entry_day"\nhorizon = 9e4\nlandmark = 8e4')
    study.patients.loc[2, "time_days"] = -3
    said = study.sentences()
    assert [text in sentence for text, sentence in zip(["entry_day'", "'-3'", "'80000'"], said)] == [True] * 3
    study.replace("landmark = 8e4", "landmark = 40")
    assert "column 'horizon of death': found '90000'; a horizon that somebody is followed up to" in said_of(
        study
    )


def test_without_the_ids_every_other_column_is_checked(study):
    study.replace('id = "patient_id"', 'id = "patient"').replace('"sex"]', '"sexx"]')
    study.replace('column = "responder"', 'column = "respond"')
    study.toml += '[analysis]\nfreeze = ["rv_aa"]\n'
    study.replace(
        'file = "features.csv"', 'file = "features.csv"\nid = "patient_id"\ncolumns = ["rv_*", "pb_*"]'
    )
    study.patients.loc[2, "time_days"] = -3
    said = study.sentences()
    found = {text for text in ("'patient'", "'sexx'", "'respond'", "'-3'", "'pb_*'") if text in "".join(said)}
    assert len(found) == 5
    assert len(said) == 5


def test_without_the_patients_the_features_and_recordings_are_checked(study):
    study.replace('file = "patients.csv"', 'file = "patient.csv"')
    study.replace('file = "features.csv"', 'file = "features.csv"\ncolumns = ["pb_*"]')
    study.toml += '[recordings]\nfolder = "none"\nchannels = { rv = "RVP" }\n'
    study.features.loc[3, "patient_id"] = "P000"
    assert [sentence.split(",")[0].split(";")[0] for sentence in study.sentences()] == [
        "patient.csv", "features.csv", "features.csv", "none",
    ]  # fmt: skip


def test_a_column_of_text_is_told_once_and_what_follows_from_it_not_at_all(study):
    """One cell that is no number is told by its row, and so are two among numbers."""
    study.replace('kind = "binary"\ncolumn = "responder"', 'kind = "continuous"\ncolumn = "responder"')
    study.patients["responder"] = np.resize(["poor", "good", "none"], 40)
    study.patients["time_days"] = "long"
    study.patients["age_years"] = study.patients["age_years"].astype(object)
    study.patients.loc[[3, 7], "age_years"] = "old"
    study.patients.loc[5, "responder"] = ""
    assert sorted(study.sentences()) == [
        "patients.csv, row 2, column 'responder': found 'poor'; a number is wanted; here is text in all "
        "39 rows with a value",
        "patients.csv, row 2, column 'time_days': found 'long'; a number is wanted; here is text in all "
        "40 rows",
        "patients.csv, row 5, column 'age_years': found 'old'; a number is wanted",
        "patients.csv, row 9, column 'age_years': found 'old'; a number is wanted",
    ]


def test_a_column_of_dates_is_told_once_as_such_and_one_without_a_value_as_before(study):
    study.replace('kind = "binary"\ncolumn = "responder"', 'kind = "count"\ncolumn = "responder"')
    study.patients["responder"] = np.nan
    study.patients["time_days"] = "2026-11-25"
    assert sorted(study.sentences()) == [
        "patients.csv, column 'responder'; different counts are wanted for 'responder', here is none",
        "patients.csv, row 2, column 'time_days': found '2026-11-25'; a number is wanted, this looks like a "
        "date; here is text in all 40 rows",
    ]


def test_one_column_for_two_keys_of_an_outcome_is_told_once(study):
    study.replace('entry = "entry_days"', 'entry = "time_days"').replace("competing = [2]", "competing = []")
    assert study.sentences() == [
        "patients.csv, column 'time_days'; entry and time of 'death' both name this column; each needs its "
        "own",
        "patients.csv, row 5, column 'status': found '2'; this code is not declared in censored, event or "
        "competing of 'death' (10 rows)",
    ]
    study.replace('status = "status"', 'status = "time_days"')
    assert study.sentences() == [
        "patients.csv, column 'time_days'; status and entry and time of 'death' all name this column; each "
        "needs its own"
    ]


def test_a_fault_of_a_rule_of_eligibility_does_not_hide_that_of_its_column(study):
    study.toml += (
        '[[eligibility]]\ncolumn = "agge_years"\ncomparison = ">>"\nvalue = 3\n'
        '[[eligibility]]\ncolumn = "sexx"\ncomparison = "in"\nvalue = "f"\n'
        '[[eligibility]]\ncolumn = 3\ncomparison = "known"\n'
        '[[eligibility]]\ncolumn = "patient_id"\ncomparison = "="\n'
        '[[eligibility]]\ncolumn = "sex"\ncomparison = "="\n'
    )
    assert [sentence.split(";")[0] for sentence in study.sentences()] == [
        "study.toml, row 30, column 'eligibility[1].comparison': found '>>'",
        "study.toml, row 32, column 'eligibility[2]'",
        "study.toml, row 37, column 'eligibility[3].column': found '3'",
        "study.toml, row 39, column 'eligibility[4]'",
        "study.toml, row 42, column 'eligibility[5]'",
        "patients.csv, column 'agge_years'",
        "patients.csv, column 'sexx'",
        "patients.csv, column 'patient_id'",
    ]
