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
        "study.toml, row 32, column 'phenotypes.columns': found '2'",
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


def places(study) -> list[str]:
    """Column and found of each sentence, sorted."""
    return sorted(sentence.partition("column ")[2].split(";")[0] for sentence in study.sentences())


def test_a_faulty_number_of_groups_hides_no_other_fault_of_the_search(study):
    study.features["pa_a"] -= 100
    study.toml += '[phenotypes]\ncolumns = ["rv_*"]\ntransforms = { pa_a = "log", rv = "log" }\ngroups = []\n'
    low = study.features["pa_a"].min()
    assert places(study) == [
        "'phenotypes.columns': found '2'",
        "'phenotypes.groups'",
        "'phenotypes.transforms.pa_a': found 'log'",
        "'phenotypes.transforms.rv': found 'rv'",
    ]
    assert f"the lowest of 'pa_a' is {low:g}" in said_of(study)
    study.replace("groups = []", "groups = [2, 70]").replace('["rv_*"]', '["rv_*", "rw"]')
    assert places(study) == [
        "'phenotypes.columns': found '2'",
        "'phenotypes.columns[2]': found 'rw'",
        "'phenotypes.groups[2]': found '70'",
        "'phenotypes.transforms.pa_a': found 'log'",
        "'phenotypes.transforms.rv': found 'rv'",
    ]


def test_centring_without_sites_is_doubted(study):
    study.toml += "[phenotypes]\nsite_centred = true\n"
    assert not [doubt for doubt in study.doubts() if "site_centred" in doubt]
    study.replace('site = "site"\n', "")
    (said,) = [doubt for doubt in study.doubts() if "site_centred" in doubt]
    assert "without a site under [patients]" in said


def test_a_wrong_name_of_an_outcome_hides_no_column(study):
    study.replace('name = "responder"', 'name = "the responder"').replace('"responder"', '"respond"')
    assert places(study) == ["'outcomes[2].name': found 'the responder'", "'respond'"]


def test_a_code_that_stands_twice_hides_neither_columns_nor_times_nor_other_codes(study):
    study.replace("competing = [2]", 'competing = [2, 1]\ncompeting_labels = ["graft", "death by it"]')
    study.replace('"entry_days"', '"entry_day"\nhorizon = -3\nlandmark = "x"')
    study.patients.loc[2, "status"] = 9
    assert places(study) == [
        "'entry_day'",
        "'outcomes[1].competing'",
        "'outcomes[1].horizon': found '-3'",
        "'outcomes[1].landmark': found 'x'",
        "'status': found '9'",
    ]
    study.replace('"death by it"', '"b", "c"')  # three labels go with two codes no more than with one
    assert "competing_labels needs a label of its own for each" in said_of(study)


def test_a_column_of_entries_without_any_is_told_where_it_stands(study):
    study.patients["entry_days"] = np.nan
    assert study.sentences() == [
        "patients.csv, column 'entry_days'; at least one value is wanted: without the entry of 'death' "
        "nobody is left in it"
    ]
    study.replace('"entry_days"', '"entry_days"\nhorizon = 9e5')
    assert places(study) == ["'entry_days'", "'horizon of death': found '900000'"]


def test_a_covariate_that_cannot_be_one_is_to_go_from_the_key_that_names_it(study):
    study.replace('"sex"]', '"sex", "etiology"]\nadjust_more = ["site"]')
    said = study.sentences()
    assert [sentence.split("; ")[-1] for sentence in said] == [
        "take it out of adjust_for",
        "take it out of adjust_more",
    ]


def test_an_outcome_that_cannot_be_read_hides_none_of_its_columns(study):
    study.replace("event = 1\n", "").replace('time = "time_days"', 'time = "time_day"')
    study.replace('"entry_days"', '"entry_day"')
    study.replace('kind = "binary"\ncolumn = "responder"', 'kind = "binry"\ncolumn = "respond"')
    study.toml += '[[outcomes]]\nname = "stays"\nkind = "recurrent"\ntime = "day"\nfile = "stays.csv"\n'
    study.toml += 'followup = 3\nterminal = "last"\n'
    assert places(study) == [
        "'entry_day'",
        "'last'",
        "'outcomes[1].event'",
        "'outcomes[2].kind': found 'binry'",
        "'outcomes[3].followup': found '3'",
        "'respond'",
        "'time_day'",
    ]
    assert "there is no such column, which time of 'death' names; did you mean 'time_days'?" in said_of(study)
