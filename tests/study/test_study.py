"""A whole study: who is joined, what is a feature, what is refused, what is only doubted."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import hashlib
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from discovery.files import csv_text
from discovery.problems import InputError
from discovery.study import read_study, with_features

HEAVY = ("lifelines", "sklearn", "matplotlib", "seaborn", "umap", "numba", "statsmodels", "scipy.stats")


def test_a_sound_study_has_no_doubt_and_every_number(study):
    got = study.read()
    assert [problem.sentence() for problem in got.warnings] == []
    assert list(got.patients.index) == list(study.patients["patient_id"])
    for table in (got.covariates, got.site, got.etiology, got.features):
        assert table.index.equals(got.patients.index)
        assert table.index.name == "patient_id"
    assert list(got.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b"]
    np.testing.assert_array_equal(got.features.to_numpy(), study.features.iloc[:, 1:].to_numpy())
    np.testing.assert_array_equal(got.covariates["age_years"], study.patients["age_years"])
    assert list(got.covariates["sex"].cat.categories) == ["f", "m"]
    assert list(got.site.cat.categories) == ["North", "South"]
    assert got.etiology.iloc[2] == "PAH;CTEPH"
    assert [outcome.name for outcome in got.outcomes] == ["death", "responder"]
    death = got.outcomes[0]
    np.testing.assert_array_equal(death.time, study.patients["time_days"])
    np.testing.assert_array_equal(death.status, study.patients["status"])
    np.testing.assert_array_equal(death.entry, study.patients["entry_days"])
    np.testing.assert_array_equal(got.outcomes[1].value, study.patients["responder"])
    assert got.attrition["n"].tolist() == [40, 40]


def test_the_folder_stands_for_its_study_file(study):
    study.write()
    assert read_study(study.folder).settings == read_study(study.folder / "study.toml").settings
    assert read_study(str(study.folder)).settings.study.name == "small"


def test_input_files_are_hashed_and_not_touched(study):
    study.write()
    before = {path.name: path.read_bytes() for path in study.folder.iterdir()}
    got = read_study(study.folder)
    assert {path.name: path.read_bytes() for path in study.folder.iterdir()} == before
    assert got.input_hashes == {name: hashlib.sha256(data).hexdigest() for name, data in before.items()}


def test_rows_of_the_features_may_stand_in_any_order(study):
    straight = study.read()
    study.features = study.features.sample(frac=1, random_state=3)
    (study.folder / "features.csv").unlink()
    pd.testing.assert_frame_equal(study.read().features, straight.features)


def test_parquet_and_csv_give_the_same_study(study):
    from_csv = study.read()
    study.patients.to_parquet(study.folder / "patients.parquet")
    study.features.to_parquet(study.folder / "features.parquet")
    study.replace("patients.csv", "patients.parquet").replace("features.csv", "features.parquet")
    from_parquet = study.read()
    pd.testing.assert_frame_equal(from_csv.features, from_parquet.features)
    pd.testing.assert_frame_equal(from_csv.patients, from_parquet.patients)
    pd.testing.assert_frame_equal(from_csv.covariates, from_parquet.covariates)


def test_one_table_may_hold_both_patients_and_features(study):
    both = study.patients.merge(study.features, on="patient_id")
    both.to_csv(study.folder / "all.csv", index=False)
    study.replace("patients.csv", "all.csv").replace("features.csv", "all.csv")
    assert list(study.read().features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b"]


# --- ids ---------------------------------------------------------------------------------------


def test_ids_of_one_table_only_are_listed_counted_and_left_out(study):
    study.features = study.features.drop(index=[3, 5])
    study.features.loc[39, "patient_id"] = "X1"
    got = study.read()
    said = [problem.sentence() for problem in got.warnings]
    assert (
        "patients.csv, row 5, column 'patient_id': found 'P003'; features.csv has no such id; the patient is left out"
        in said
    )
    assert (
        "features.csv, row 39, column 'patient_id': found 'X1'; patients.csv has no such id; the row is left out"
        in said
    )
    assert len(got.patients) == len(got.features) == 37
    assert "P003" not in got.patients.index
    assert got.attrition.head(3).to_dict("records") == [
        {"step": "rows in patients.csv", "n": 40, "n_left_out": 0, "reason": ""},
        {"step": "rows of features.csv with a patient", "n": 37, "n_left_out": 1, "reason": "no such id in patients.csv"},
        {"step": "patients with a row in features.csv", "n": 37, "n_left_out": 3, "reason": "no row in features.csv"},
    ]  # fmt: skip


def test_many_unmatched_ids_are_cut_but_counted(study):
    study.features = study.features.head(10)
    said = study.doubts()
    listed = [sentence for sentence in said if "features.csv has no such id" in sentence]
    assert len(listed) == 20
    assert any("and 10 more of this kind (id not in features.csv)" in sentence for sentence in said)


def test_repeated_and_empty_ids(study):
    study.patients.loc[7, "patient_id"] = "P001"
    study.patients.loc[9, "patient_id"] = None
    study.features.loc[4, "patient_id"] = "P001"
    assert study.sentences()[:3] == [
        "patients.csv, row 11, column 'patient_id'; an id is wanted in every row",
        "patients.csv, row 9, column 'patient_id': found 'P001'; one row a patient is wanted, this id stands in row 3 already",
        "features.csv, row 6, column 'patient_id': found 'P001'; one row a patient is wanted, this id stands in row 3 already",
    ]  # fmt: skip


def test_several_visits_of_a_patient_are_named_as_the_cause(study):
    study.features = pd.concat([study.features, study.features.head(2)]).assign(visit=1)
    assert (
        "this id stands in row 2 already; keep one visit of each patient (column 'visit')"
        in study.sentences()[0]
    )


def test_ids_keep_their_zeros(study):
    ids = [f"{number:03d}" for number in range(40)]
    study.patients["patient_id"] = study.features["patient_id"] = ids
    assert list(study.read().patients.index) == ids
    (study.folder / "features.csv").unlink()
    study.features["patient_id"] = range(40)
    assert study.sentences() == [
        "patients.csv: found '000'; ids that features.csv has too are wanted, none is; there they look like '0' "
        "(they differ in leading zeros)"
    ]


def test_without_a_common_id_features_are_not_called_empty(study):
    study.features["patient_id"] = study.features["patient_id"].str.lower()
    study.features["pa_b"] = study.features["pa_b"].astype(object)
    study.features.loc[1, "pa_b"] = "high"
    with pytest.raises(InputError) as fault:
        study.read()
    said = [problem.sentence() for problem in fault.value.problems]
    assert sum("ids that features.csv has too are wanted" in text for text in said) == 1
    assert sum("column 'pa_b': found 'high'; a number is wanted" in text for text in said) == 1
    assert len(said) == 2
    assert not fault.value.warnings


def test_no_common_id_names_the_likeliest_cause(study):
    study.features["patient_id"] = study.features["patient_id"].str.lower()
    assert "ids that features.csv has too are wanted, none is; there they look like 'p000' (they differ in capital letters)" in study.sentences()[0]  # fmt: skip


def test_ids_that_a_spreadsheet_made_decimal_still_match(study):
    study.patients["patient_id"] = range(100, 140)
    study.features["patient_id"] = [f"{number}.0" for number in range(100, 140)]
    got = study.read()
    assert list(got.patients.index[:2]) == ["100", "101"]
    assert [problem.wanted for problem in got.warnings] == [
        "ids written as decimal numbers are read as whole ones"
    ]
    assert not got.features.isna().any().any()


def test_fewer_than_two_patients(study):
    study.patients, study.features = study.patients.head(1), study.features.head(1)
    assert any("two patients or more are wanted" in sentence for sentence in study.sentences())


# --- columns -----------------------------------------------------------------------------------


def test_columns_that_are_not_there_are_named_with_the_nearest(study):
    study.replace('"age_years"', '"age_year"').replace('time = "time_days"', 'time = "Time days"')
    study.replace('site = "site"', 'site = "hospital"').replace('column = "responder"', 'column = "xyz"')
    said = study.sentences()
    assert (
        "patients.csv, column 'age_year'; there is no such column, which adjust_for under [patients] names; did you mean 'age_years'?"
        in said
    )
    assert (
        "patients.csv, column 'Time days'; there is no such column, which time of 'death' names; did you mean 'time_days'?"
        in said
    )
    assert (
        "patients.csv, column 'hospital'; there is no such column, which site under [patients] names; did you mean 'site'?"
        in said
    )
    assert any(
        "which column of 'responder' names; the columns are patient_id, site" in sentence for sentence in said
    )
    assert len(said) == 4


def test_a_pattern_that_matches_nothing(study):
    study.replace(
        'file = "features.csv"',
        'file = "features.csv"\ncolumns = ["rv_*", "pv_*", "pa_aa"]\nexclude = ["q*"]',
    )
    said = study.sentences()
    assert (
        "features.csv, column 'pv_*'; no column matches this pattern, which columns under [features] names"
        in said[0]
    )
    assert (
        "features.csv, column 'pa_aa'; there is no such column, which columns under [features] names; did you mean 'pa_a'?"
        in said
    )
    assert any(
        "column 'q*'; no column matches this pattern, which exclude under [features] names" in s for s in said
    )


def test_names_and_patterns_choose_features(study):
    study.replace(
        'file = "features.csv"', 'file = "features.csv"\ncolumns = ["rv_*", "pa_b"]\nexclude = ["rv_b"]'
    )
    got = study.read()
    assert list(got.features.columns) == ["rv_a", "pa_b"]
    assert got.excluded_features.to_dict("records") == [
        {"feature": "rv_b", "reason": "named in exclude", "outcome": ""}
    ]


def test_a_rule_of_eligibility_names_no_patient(study):
    study.replace(
        "[features]",
        '[[eligibility]]\ncolumn = "patient_id"\ncomparison = "not in"\nvalue = ["P001"]\n\n[features]',
    )
    assert study.sentences() == [
        "patients.csv, column 'patient_id'; a rule of eligibility cannot name patients, for it stands in the report;"
        " mark those it is about in a column of its own"
    ]


def test_the_order_of_the_rows_is_no_part_of_a_study(study):
    study.toml += """
[[outcomes]]
name = "episodes"
kind = "recurrent"
file = "episodes.csv"
time = "day"
followup = "time_days"
"""
    study.put("episodes.csv", "patient_id,day\nP003,9\nP001,7\nP001,4\nP020,5\n")
    study.replace('entry = "entry_days"', "landmark = 60")
    study.features.loc[3, "rv_a"] = np.nan
    one = study.read()
    order = np.random.default_rng(1).permutation(len(study.patients))
    study.patients.iloc[order].to_csv(study.folder / "patients.csv", index=False)
    other = study.read()
    assert other.lines["P000"] == 2 + list(order).index(0)
    for name in ("patients", "covariates", "features", "flat_features"):
        pd.testing.assert_frame_equal(getattr(other, name), getattr(one, name))
    for name in ("site", "etiology"):
        pd.testing.assert_series_equal(getattr(other, name), getattr(one, name))
    for mine, theirs in zip(one.outcomes, other.outcomes, strict=True):
        for a, b in ((mine, theirs), (mine.original, theirs.original)):
            for name, value in (vars(a) if a is not None else {}).items():
                if isinstance(value, np.ndarray):
                    np.testing.assert_array_equal(getattr(b, name), value)
        for (reason, gone), (other_reason, other_gone) in zip(mine.left_out, theirs.left_out, strict=True):
            assert reason == other_reason
            np.testing.assert_array_equal(gone, other_gone)


def test_row_labels_that_pandas_stores_are_no_feature(study):
    again = study.features.iloc[::-1].reset_index(names="Unnamed: 0")  # as from a CSV with row labels
    again.index = [*again.index[1:], 0]
    again.to_parquet(study.folder / "features.parquet")
    study.replace('file = "features.csv"', 'file = "features.parquet"')
    got = study.read()
    assert list(got.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b"]
    assert set(got.excluded_features["feature"]) == {"Unnamed: 0", "__index_level_0__"}
    study.replace('file = "features.parquet"', 'file = "features.parquet"\ncolumns = ["rv_a", "Unnamed: 0"]')
    assert list(study.read().features.columns) == ["Unnamed: 0", "rv_a"]


def test_a_name_with_brackets_is_a_name_first(study):
    study.features = study.features.rename(columns={"rv_a": "RVSP [mmHg]", "rv_b": "Δ % (ä)"})
    study.replace('file = "features.csv"', 'file = "features.csv"\ncolumns = ["RVSP [mmHg]", "Δ*"]')
    assert list(study.read().features.columns) == ["RVSP [mmHg]", "Δ % (ä)"]


def test_a_covariate_among_the_features(study):
    study.features["age_years"] = study.patients["age_years"]
    got = study.read()
    assert "age_years" not in got.features
    assert [problem.sentence() for problem in got.warnings] == [
        "features.csv, column 'age_years'; this is a covariate of the base model and is not used as a feature"
    ]
    study.replace('file = "features.csv"', 'file = "features.csv"\ncolumns = ["age_years", "rv_*"]')
    assert study.sentences() == [
        "features.csv, column 'age_years'; this stands in adjust_for and in columns under [features]: it can be one of "
        "them only"
    ]


def test_outcome_columns_are_no_features(study):
    study.features["status"] = study.patients["status"]
    got = study.read()
    assert "status" not in got.features
    assert "column of the outcome death" in set(got.excluded_features["reason"])
    study.replace('file = "features.csv"', 'file = "features.csv"\ncolumns = ["status", "rv_*"]')
    assert (
        "this cannot be a feature, it is the column of the outcome death; take it out of columns"
        in study.sentences()[0]
    )


def test_text_constant_and_empty_columns_are_left_out_and_listed(study):
    study.features["remark"] = np.resize(["a", "b"], 40)
    study.features["flat"] = 7.0
    study.features["nothing"] = np.nan
    got = study.read()
    assert list(got.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b"]
    assert got.excluded_features.set_index("feature")["reason"].to_dict() == {
        "remark": "text, not numbers",
        "flat": "constant",
        "nothing": "all values are missing",
    }
    said = [problem.sentence() for problem in got.warnings]
    assert (
        "features.csv, column 'flat': found '7'; every patient has the same value; the feature is left out"
        in said
    )
    assert "features.csv, column 'nothing'; all values are missing; it is left out" in said


def test_text_named_as_a_feature_is_a_fault(study):
    study.features["remark"] = np.resize(["a", "b"], 40)
    study.replace('file = "features.csv"', 'file = "features.csv"\ncolumns = ["remark", "rv_*"]')
    wanted = "a number is wanted; here is text in all 40 rows"
    assert f"features.csv, row 2, column 'remark': found 'a'; {wanted}" in study.sentences()


def test_faulty_cells_of_features(study):
    study.features = study.features.astype(object)
    study.features.loc[2, "rv_a"] = "high"
    study.features.loc[3, "rv_b"] = np.inf
    study.features.loc[4, "pa_a"] = "n.d."
    said = study.sentences()
    assert said[0] == "features.csv, row 4, column 'rv_a': found 'high'; a number is wanted"
    assert (
        said[1]
        == "features.csv, row 5, column 'rv_b': found 'inf'; a finite number is wanted, of at most 1e+100"
    )
    assert said[2].startswith(
        "features.csv, row 6, column 'pa_a': found 'n.d.'; only an empty cell is missing"
    )
    assert len(said) == 3


def test_na_in_a_numeric_column_is_missing_with_a_warning(study):
    study.features = study.features.astype(object)
    study.features.loc[[4, 5], "pa_a"] = "NA", "NaN"
    got = study.read()
    assert got.features["pa_a"].isna().sum() == 2
    said = [problem.sentence() for problem in got.warnings]
    assert (
        "features.csv, row 6, column 'pa_a': found 'NA'; this is read as missing (2 like it in this column)"
        in said
    )


def test_stated_codes_for_missing_hold_in_their_table(study):
    study.features = study.features.astype(object)
    study.features.loc[4, "pa_a"] = "NA"
    study.features.loc[5, "pa_a"] = -99
    study.patients.loc[6, "sex"] = "NA"
    study.replace('file = "features.csv"', 'file = "features.csv"\nmissing = ["NA", -99]')
    study.replace('id = "patient_id"\nsite', 'missing = ["NA"]\nid = "patient_id"\nsite')
    got = study.read()
    assert got.features["pa_a"].isna().sum() == 2
    assert got.covariates["sex"].isna().sum() == 1
    assert [problem.wanted for problem in got.warnings] == ["a value is missing in 1 of 40 patients"]


def test_no_usable_feature(study):
    study.features = study.features[["patient_id"]].assign(flat=1)
    assert "at least one feature is wanted: a column of numbers that vary" in study.sentences()[0]


def test_a_feature_that_is_mostly_missing_is_kept_with_a_doubt(study):
    study.features.loc[:20, "rv_a"] = np.nan
    got = study.read()
    assert "rv_a" in got.features
    assert got.warnings[0].wanted == "a value is missing in 21 of 40 patients"


# --- paths -------------------------------------------------------------------------------------


def test_a_path_out_of_the_folder_must_be_absolute(study):
    inside = study.folder / "inside"
    inside.mkdir()
    study.write()
    for name in ("study.toml", "features.csv"):
        (study.folder / name).rename(inside / name)
    for spelled in ("../patients.csv", "./x/../../patients.csv"):
        (inside / "study.toml").write_text(study.toml.replace("patients.csv", spelled))
        with pytest.raises(
            InputError,
            match="this leads out of the study folder; move the file in, or state its absolute path",
        ):
            read_study(inside)
    (inside / "study.toml").write_text(study.toml.replace("patients.csv", str(study.folder / "patients.csv")))
    assert len(read_study(inside).patients) == 40


def test_a_link_does_not_lead_out_either(study, tmp_path_factory):
    study.write()
    outside = tmp_path_factory.mktemp("outside") / "patients.csv"
    (study.folder / "patients.csv").rename(outside)
    (study.folder / "patients.csv").symlink_to(outside)
    assert "leads out of the study folder" in study.sentences()[0]


@pytest.mark.parametrize("name", [".", "a\\u0000b", "no/such/file.csv", "x" * 5000, "/dev/zero", "patients"])
def test_a_name_that_is_no_table(study, name):
    study.replace('"patients.csv"', f'"{name}"')
    assert len(study.sentences()) == 1


def test_a_study_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match=r"study.toml; there is no such file"):
        read_study(tmp_path)
    with pytest.raises(InputError, match="there is no such file"):
        read_study(tmp_path / "nowhere" / "study.toml")


def test_faults_of_all_files_are_said_together(study):
    study.put("patients.csv", "patient_id,x\n1,2,3\n").put("features.csv", "")
    study.replace('id = "patient_id"', 'id = "patient_id"\nfoo = 1')
    said = study.sentences()
    assert [sentence.split(",")[0].split(":")[0] for sentence in said] == [
        "study.toml",
        "patients.csv",
        "features.csv",
    ]


# --- labels ------------------------------------------------------------------------------------


def test_labels_units_and_families(study):
    study.put(
        "labels.csv", "feature,label,unit,family\nrv_a,RV a,mmHg,pressure\nage_years,Age,years,\nrv_x,?,,\n"
    )
    study.replace('file = "features.csv"', 'file = "features.csv"\nlabels = "labels.csv"')
    got = study.read()
    assert got.labels == {"rv_a": "RV a", "age_years": "Age", "rv_x": "?"}
    assert got.units == {"rv_a": "mmHg", "age_years": "years"}
    assert got.families == {"rv_a": "pressure"}
    assert [problem.sentence() for problem in got.warnings] == [
        "labels.csv, row 4, column 'feature': found 'rv_x'; no table has such a column; did you mean 'rv_b'?"
    ]


def test_broken_labels(study):
    study.put("labels.csv", "feature,label\nrv_a,x\nrv_a,y\n,z\n")
    study.replace('file = "features.csv"', 'file = "features.csv"\nlabels = "labels.csv"')
    said = study.sentences()
    assert (
        "labels.csv, row 3, column 'feature': found 'rv_a'; each feature once is wanted, this one stands in row 2 already"
        in said
    )
    assert "labels.csv, row 4, column 'feature'; the name of a feature is wanted" in said
    study.put("labels.csv", "feature,label\nrv_a,Pressure\nrv_b,Pressure\n")
    assert study.doubts() == [
        "labels.csv, row 3, column 'label': found 'Pressure'; 'rv_a' has this label too; readers cannot tell them apart"
    ]
    study.put("labels.csv", "name,label\nrv_a,x\n")
    assert (
        "labels.csv, column 'feature'; there is no such column, which the table of labels names"
        in study.sentences()[0]
    )


# --- recordings --------------------------------------------------------------------------------

RECORDINGS = """
[recordings]
folder = "waves"
channels = { rv = "RVP" }
"""


def with_recordings(study, index):
    (study.folder / "waves").mkdir(exist_ok=True)
    (study.folder / "waves" / "a.csv").write_text("t,RVP\n0,1\n")
    (study.folder / "waves" / "b.hea").write_text("b 1 125 10\n")
    (study.folder / "waves" / "index.csv").write_text(index)
    study.toml = study.toml.replace('[features]\nfile = "features.csv"\n', "") + RECORDINGS
    return study


def test_recordings_alone_make_a_study_without_features_yet(study):
    got = with_recordings(study, "file,patient_id,visit\na.csv,P000,1\nb,P001,2\n").read()
    assert got.warnings == ()
    assert got.features.shape == (40, 0)
    assert len(got.patients) == 40


def test_what_is_wrong_with_the_index_of_recordings(study):
    with_recordings(
        study, "file,patient_id,visit,rate_hz\na.csv,P000,0,-1\nc.csv,X,1,125\n../x.csv,P000,1.5,\n"
    )
    said = study.sentences()
    assert "waves/index.csv, row 2, column 'visit': found '0'; a visit is a whole number from 1" in said
    assert "waves/index.csv, row 4, column 'visit': found '1.5'; a visit is a whole number from 1" in said
    assert "waves/index.csv, row 2, column 'rate_hz': found '-1'; a number above 0 is wanted" in said
    assert any("../x.csv; this leads out of the study folder" in sentence for sentence in said)
    (study.folder / "waves" / "index.csv").write_text("file,patient_id\nc.csv,P000\na.csv,X\n")
    doubts = study.doubts()
    assert (
        "waves/index.csv, row 2, column 'file': found 'c.csv'; there is no such file; it cannot be measured"
        in doubts
    )
    assert any(
        "found 'X'; the study has no such patient; the recording is left out" in doubt for doubt in doubts
    )
    (study.folder / "waves" / "index.csv").unlink()
    assert "waves/index.csv; there is no such file" in study.sentences()[0]
    study.replace('folder = "waves"', 'folder = "wave"')
    assert "wave; a folder with recordings is wanted; did you mean 'waves'?" in study.sentences()


# --- features measured later -------------------------------------------------------------------


def test_measured_features_are_held_to_the_same_checks(study):
    got = study.read()
    measured = pd.DataFrame(
        {"edp": np.arange(39.0), "flat": 1.0, "copy": study.patients["responder"].to_numpy(float)[:39]},
        index=[f"P{number:03d}" for number in range(38)] + ["X"],
    )
    before = measured.copy(deep=True)
    more = with_features(got, measured, labels={"edp": "End-diastolic pressure"}, units={"edp": "mmHg"})
    pd.testing.assert_frame_equal(measured, before)
    assert list(got.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b"]
    assert list(more.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b", "edp"]
    assert more.features["edp"].isna().sum() == 2
    assert more.features.loc["P005", "edp"] == 5
    assert more.labels["edp"] == "End-diastolic pressure"
    assert more.excluded_features["reason"].tolist() == ["constant", "leak: equals the outcome responder"]
    said = [problem.sentence() for problem in more.warnings]
    assert "recordings: found 'X'; the study has no such patient; it is left out" in said
    with pytest.raises(InputError, match="another name is wanted, the table of features has this one"):
        with_features(got, measured.rename(columns={"edp": "rv_a"}))
    with pytest.raises(InputError, match="found 'P001'; one row a patient is wanted"):
        with_features(got, measured.rename(index={"P002": "P001"}))


def test_measured_features_may_be_named_in_defined_from(study):
    with_recordings(study, "file,patient_id\na.csv,P000\n")
    study.replace('column = "responder"', 'column = "responder"\ndefined_from = ["edp*"]')
    measured = pd.DataFrame(
        {"edp_mean": np.arange(40.0), "tau": np.arange(40.0) ** 2}, index=study.patients["patient_id"]
    )
    got = with_features(study.read(), measured)
    assert got.outcomes[1].excluded_features == ("edp_mean",)
    assert list(got.features_for(got.outcomes[1]).columns) == ["tau"]


# --- speed and weight --------------------------------------------------------------------------


def test_reading_loads_no_heavy_library(tmp_path):
    """5,000 patients and 300 features within 3 s of work on one core; no heavy package is imported."""
    rng = np.random.default_rng(5)
    n, p = 5000, 300
    values = rng.normal(size=(n, p)).round(4)
    ids = [f"P{number}" for number in range(n)]
    patients = pd.DataFrame({"patient_id": ids, "age": rng.normal(60, 9, n).round(1)})
    patients["time"] = rng.exponential(400, n).round(1) + 0.1
    patients["status"] = rng.integers(0, 3, n)
    patients["response"] = rng.integers(0, 2, n)
    patients.to_csv(tmp_path / "patients.csv", index=False)
    features = pd.DataFrame(values, columns=[f"rv_{number}" for number in range(p)])
    features.insert(0, "patient_id", ids)
    features.to_csv(tmp_path / "features.csv", index=False)
    (tmp_path / "study.toml").write_text(
        '[study]\nname="l"\n[patients]\nfile="patients.csv"\nid="patient_id"\nadjust_for=["age"]\n'
        '[features]\nfile="features.csv"\n'
        '[[outcomes]]\nname="d"\nkind="survival"\ntime="time"\nstatus="status"\nevent=1\ncompeting=[2]\n'
        '[[outcomes]]\nname="r"\nkind="binary"\ncolumn="response"\n'
    )
    code = (
        f"import sys; from discovery.study import read_study; study = read_study({str(tmp_path)!r}); "
        f"print(study.features.shape[1], [name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    count, heavy = done.stdout.split(maxsplit=1)
    assert int(count) == p
    assert heavy.strip() == "[]"


def test_twenty_thousand_features_are_no_trouble(tmp_path):
    p = 20_000
    names = [f"rv_{number}" for number in range(p)]
    rows = np.random.default_rng(6).integers(0, 100, (12, p))
    lines = [",".join(["id", "y", *names])]
    lines += [",".join([f"P{at}", str(at % 2), *map(str, row)]) for at, row in enumerate(rows)]
    (tmp_path / "t.csv").write_text("\n".join(lines))
    (tmp_path / "study.toml").write_text(
        '[study]\nname="w"\n[patients]\nfile="t.csv"\nid="id"\n[features]\nfile="t.csv"\ncolumns=["rv_*", "rv_1"]\n'
        '[[outcomes]]\nname="y"\nkind="binary"\ncolumn="y"\ndefined_from=["rv_2"]\n'
    )
    assert read_study(tmp_path).features.shape == (12, p)


def test_reading_twice_gives_the_same(study):
    first, second = study.read(), study.read()
    pd.testing.assert_frame_equal(first.features, second.features)
    assert first.warnings == second.warnings


def test_a_formula_in_a_table_comes_out_harmless(study):
    study.patients["site"] = np.resize(["=2+2", "South"], 40)
    got = study.read()
    assert list(got.site.cat.categories) == ["=2+2", "South"]
    assert "'=2+2" in csv_text(got.patients.reset_index())
    assert ",=2+2" not in csv_text(got.patients.reset_index())
