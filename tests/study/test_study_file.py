"""The study file: the contract's example, defaults, and the words for every kind of fault."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import tomllib

import pytest

from discovery.problems import InputError
from discovery.study.settings import (
    KINDS,
    OUTCOME_MODELS,
    Calibration,
    Eligibility,
    StudyFile,
    available_cores,
)
from discovery.study.study_file import SECTIONS, WANTED, read_study_file

CONTRACT = """
[study]
name = "demo"                       # letters, digits, - and _
title = "Right-heart catheter registry, four fictional hospitals"
seed = 20261125

[patients]
file = "patients.csv"               # .csv or .parquet, one row a patient
id = "patient_id"
site = "site"                       # optional
etiology = "etiology"               # optional; one label, or several separated by ';'
adjust_for = ["age_years", "sex", "body_surface_area_m2"]   # optional; the base model

[features]                          # a ready table of per-patient features, and/or [recordings]
file = "features.csv"
id = "patient_id"
columns = ["rv_*", "pa_*"]          # optional globs; default every numeric column but the id

[recordings]                        # raw waveforms; features are measured from them
folder = "recordings"
channels = { rv = "RVP", pa = "PAP", cvp = "CVP" }   # role -> channel name in the file
units = "mmHg"

[[outcomes]]
name = "death_or_rv_failure"
kind = "survival"
time = "time_days"
status = "status"
event = 1
competing = [2]                     # optional
entry = "entry_days"                # optional: delayed entry

[[outcomes]]
name = "responder"
kind = "binary"
column = "responder"
positive = 1

[analysis]                          # all optional, each with a stated default
fdr = 0.05
multiplicity = "selected-cells"
winsor = [0.01, 0.99]
shape = "linear"
replicates = 1000
permutations = 10000
imputations = 20
phenotypes = true
workers = 2
"""

SMALLEST = """[study]
name = "s"
[patients]
file = "p.csv"
id = "id"
[features]
file = "f.csv"
"""


def settings_of(tmp_path, text):
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_study_file(path)


def sentences(tmp_path, text):
    try:
        _, problems, _ = settings_of(tmp_path, text)
    except InputError as error:
        problems = error.problems
    assert problems
    return [problem.sentence() for problem in problems]


def test_the_contract_is_read_as_it_stands(tmp_path):
    settings, problems, _ = settings_of(tmp_path, CONTRACT)
    assert problems == []
    assert settings.patients.adjust_for == ("age_years", "sex", "body_surface_area_m2")
    assert settings.recordings.channels == {"rv": "RVP", "pa": "PAP", "cvp": "CVP"}
    assert [outcome.kind for outcome in settings.outcomes] == ["survival", "binary"]
    assert settings.outcomes[0].competing == (2,)
    assert settings.analysis.winsor == (0.01, 0.99)
    assert settings.analysis.workers == 2


def test_the_defaults_are_those_of_the_contract(tmp_path):
    spelled, _, _ = settings_of(tmp_path, CONTRACT)
    short, problems, _ = settings_of(tmp_path, SMALLEST)
    assert problems == []
    assert short.analysis.model_dump(exclude={"workers"}) == spelled.analysis.model_dump(exclude={"workers"})
    assert short.analysis.workers == available_cores()
    assert short.study.seed == 20261125
    assert short.outcomes == ()
    assert short.features.columns == ()


def test_winsor_can_be_switched_off(tmp_path):
    settings, problems, _ = settings_of(tmp_path, SMALLEST + "[analysis]\nwinsor = false\n")
    assert problems == []
    assert settings.analysis.winsor is False


def test_every_kind_of_outcome_has_its_keys(tmp_path):
    text = (
        SMALLEST
        + """
[[outcomes]]
name = "b"
kind = "binary"
column = "x"
positive = "yes"
negative = ["no", "perhaps"]
[[outcomes]]
name = "c"
kind = "continuous"
column = "x"
unit = "mmHg"
[[outcomes]]
name = "o"
kind = "ordinal"
column = "x"
levels = ["I", "II", "III"]
[[outcomes]]
name = "m"
kind = "multiclass"
column = "x"
[[outcomes]]
name = "n"
kind = "count"
column = "x"
exposure = "years"
[[outcomes]]
name = "s"
label = "Death of any cause"
kind = "survival"
time = "t"
status = "x"
event = "dead"
censored = "alive"
defined_from = ["rv_*"]
[[outcomes]]
name = "r"
kind = "recurrent"
file = "admissions.csv"
time = "day"
followup = "last_day"
terminal = "died"
"""
    )
    settings, problems, _ = settings_of(tmp_path, text)
    assert problems == []
    assert {outcome.kind for outcome in settings.outcomes} == set(KINDS)


def test_every_key_has_words_for_what_is_wanted():
    keys = {f"{section}.{key}" for section, model in SECTIONS.items() for key in model.model_fields}
    keys |= {f"outcomes.{key}" for model in OUTCOME_MODELS.values() for key in model.model_fields}
    keys |= {f"recordings.calibration.{key}" for key in Calibration.model_fields}
    keys |= {f"eligibility.{key}" for key in Eligibility.model_fields}
    assert keys == set(WANTED)


@pytest.mark.parametrize(
    ("added", "expected"),
    [
        ("[analysis]\nfdr = 2", "row 9, column 'analysis.fdr': found '2'; a number between 0 and 1 is wanted"),
        ("[analysis]\nfdr = nan", "column 'analysis.fdr': found 'nan'; a number between 0 and 1 is wanted"),
        ('[analysis]\nfdr = "0.1"', "column 'analysis.fdr': found '0.1'; a number between 0 and 1 is wanted"),
        ('[analysis]\nmultiplicity = "bhh"', "bh, by, storey, selected-cells, features-first, holm is wanted; did you mean 'bh'?"),
        ("[analysis]\nwinsor = true", "found 'True'; two quantiles such as [0.01, 0.99] are wanted, or false"),
        ("[analysis]\nwinsor = [0.6, 0.99]", "two quantiles such as [0.01, 0.99] are wanted, or false"),
        ('[analysis]\nshape = "curved"', "found 'curved'; linear or flexible is wanted"),
        ("[analysis]\nreplicates = -1", "found '-1'; a whole number from 0 to 10000000 is wanted"),
        ("[analysis]\nreplicates = 10.5", "found '10.5'; a whole number from 0 to 10000000 is wanted"),
        ("[analysis]\nphenotypes = 1", "found '1'; true or false is wanted"),
        ("[analysis]\nphenotypes = 'True'", "true or false is wanted; TOML writes true, without quotes"),
        ("[analysis]\nwinsor = 'false'", "are wanted, or false; TOML writes false, without quotes"),
        ("[analysis]\nworkers = 0", "found '0'; a whole number of 1 or more is wanted"),
        ("[analysis]\nreplicate = 10", "row 9, column 'analysis.replicate'; [analysis] has no key of this name; did you mean 'replicates'?"),
        ("[analysis]\nseed = 1", "[analysis] has no key of this name; it belongs under [study]"),
        ("[phenotypes]\nimputations = 5", "[phenotypes] has no key of this name; it belongs under [analysis]"),
        ("[phenotypes]\nhorizon = 5", "[phenotypes] has no key of this name; it belongs under [[outcomes]] of the kind survival"),
        ("[phenotypes]\ncomparison = 5", "[phenotypes] has no key of this name; it belongs under [[eligibility]]"),
        ("[phenotypes]\nquokka = 5", "[phenotypes] has no key of this name; known: columns, transforms, "),
        ('adjust_for = ["age"]', "column 'features.adjust_for'; [features] has no key of this name; it belongs under [patients]"),
        ('[[outcomes]]\nname = "a"\nkind = "binary"\ncolumn = "x"\nentry = "y"', "an outcome of the kind binary has no key of this name; it belongs under [[outcomes]] of the kind survival or recurrent"),
        ("[analyses]\nfdr = 0.1", "column 'analyses'; there is no section or key of this name; did you mean 'analysis'?"),
        ('[[outcomes]]\nname = "a"\nkind = "binry"', "column 'outcomes[1].kind': found 'binry'; one of binary, continuous, ordinal, multiclass, count, survival, recurrent is wanted; did you mean 'binary'?"),
        ('[[outcomes]]\nname = "a"', "column 'outcomes[1].kind'; this key is needed: one of binary"),
        ('[[outcomes]]\nname = "a"\nkind = "survival"\nstatus = "s"\nevent = 1', "column 'outcomes[1].time'; this key is needed: the name of a column"),
        ('[[outcomes]]\nname = "a"\nkind = "survival"\ntime = "t"\nstatus = "s"\nevent = []', "found '[]'; a code as it stands in the column is wanted"),
        ('[[outcomes]]\nname = "a"\nkind = "survival"\ntime = "t"\nstatus = "s"\nevent = 1\ncompeting = [1]', "the code 1 stands twice in event, competing and censored"),
        ('[[outcomes]]\nname = "a"\nkind = "survival"\ntime = "t"\nstatus = "s"\nevent = 1\ncensored = 1', "row 14, column 'outcomes[1].censored'; the code 1 stands twice"),
        ('[[outcomes]]\nname = "a"\nkind = "ordinal"\ncolumn = "c"\nlevels = ["I", "II", "II"]', "column 'outcomes[1].levels'; the code 'II' stands twice in levels"),
        ('[[outcomes]]\nname = "a"\nkind = "binary"\ncolumn = "c"\npositive = 1\nnegative = [0, 1]', "column 'outcomes[1].negative'; the code 1 stands in positive and in negative"),
        ('[[outcomes]]\nname = "a"\nkind = "multiclass"\ncolumn = "c"\nlevels = [0, "0", 1]', "the code '0' stands twice in levels"),
        ('[[outcomes]]\nname = "a"\nkind = "survival"\ntime = "t"\nstatus = "s"\nevent = 0', "row 8, column 'outcomes[1]'; the code 0 stands twice"),
        ('[[outcomes]]\nname = "a"\nkind = "survival"\ntime = "t"\nstatus = "s"\nevent = 1\ncompeting = [2]\ncompeting_labels = ["A", "B"]', "row 15, column 'outcomes[1].competing_labels'; competing_labels needs a label"),
        ('[[outcomes]]\nname = "a"\nkind = "binary"\ncolum = "x"\ncolumn = "y"', "an outcome of the kind binary has no key of this name; did you mean 'column'?"),
        ('[outcomes]\nname = "a"\nkind = "binary"', "a list of tables is wanted: each begins with [[outcomes]], two brackets"),
        ('[[outcomes]]\nname = "a/b"\nkind = "continuous"\ncolumn = "x"', "found 'a/b'; a name of letters, digits, - and _ in quotes is wanted"),
        ('[recordings]\nfolder = "r"\nchannels = { rvv = "RVP" }', 'role = "name in the file" is wanted, with a role among rv, pa'),
        ('[recordings]\nfolder = "r"\nchannels = { rv = "RVP" }\nunits = "kpa"', "one of mmHg, kPa, cmH2O is wanted, or one for each role; did you mean 'kPa'?"),
        ('[recordings]\nfolder = "r"\nchannels = { rv = "RVP" }\ncalibration.rv.gain = 0', "column 'recordings.calibration.rv.gain': found '0'; a number above 0 is wanted"),
        ('[recordings]\nfolder = "r"\nchannels = { rv = "RVP" }\ncalibration.rv.zero = [[5, 1]]', "a zero window [5, 1] must start at 0 or later and end after its start"),
        ('[recordings]\nfolder = "r"\nchannels = { rv = "RVP" }\ncalibration.pa.offset = 1', "calibration or units for pa, which channels does not name"),
    ],
)  # fmt: skip
def test_the_words_for_a_faulty_key(tmp_path, added, expected):
    found = sentences(tmp_path, SMALLEST + added)
    assert len(found) == 1
    assert expected in found[0]


def test_one_column_is_not_both_site_and_etiology(tmp_path):
    text = SMALLEST.replace("[patients]\n", '[patients]\nsite = "ward"\netiology = "ward"\n')
    assert [
        "column 'patients.etiology'; site and etiology both name this column" in s
        for s in sentences(tmp_path, text)
    ] == [True]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[study\n", "row 1: found '[study'; this line is not TOML"),
        (
            "[study]\nname = demo\n",
            "row 2: found 'name = demo'; this line is not TOML: invalid value; text stands in quotes",
        ),
        ("[analysis]\nphenotypes = True\n", "invalid value; TOML writes true, in small letters"),
        ("[analysis]\nphenotypes=FALSE  # no\n", "invalid value; TOML writes false, in small letters"),
        ('[study]\nname = "demo\n', "row 2: found 'name = \"demo'; this line is not TOML"),
        ('[patients]\nfile = "C:\\data\\x.csv"\n', "; write a path with / or in single quotes"),
        ('[study]\ngröße = "x"\n', "a key with letters beyond a-z stands in quotes"),
        ('[study]\nname = "a"\nname = "b"\n', "row 3"),
        ("[study]\nseed = " + "9" * 5000, "this line is not TOML"),
        ("a = " + "[" * 100_000, "study.toml"),
        ("", "column 'study'; a section [study] is needed"),
    ],
)
def test_the_words_for_broken_syntax(tmp_path, text, expected):
    assert expected in sentences(tmp_path, text)[0]


def test_all_faults_are_said_at_once_and_each_once(tmp_path):
    text = """x = 1
[study]
name = "a b"
[patients]
file = 3
idd = "x"
adjust_for = "age"
[featurs]
file = "f.csv"
[[outcomes]]
name = "a"
kind = "survival"
[[outcomes]]
name = "a"
kind = "continuous"
column = "y"
[analysis]
fdr = 2
shape = 3
"""
    found = sentences(tmp_path, text)
    places = [sentence.split("'")[1] for sentence in found]
    assert sorted(places) == sorted(
        [
            "featurs",
            "outcomes[2].name",
            "study.name",
            "patients.file",
            "patients.id",
            "patients.idd",
            "patients.adjust_for",
            "outcomes[1].time",
            "outcomes[1].status",
            "outcomes[1].event",
            "analysis.fdr",
            "analysis.shape",
            "x",
        ]
    )


def test_a_covariate_named_twice_is_refused_beside_the_other_faults(study):
    twice = 'adjust_for = ["age_years", "sex", "age_years", "agee"]\nadjust_more = ["sex", "site"]'
    study.replace('adjust_for = ["age_years", "sex"]', twice)
    each = "each column once is wanted in adjust_for and adjust_more"
    said = study.sentences()
    assert said[:2] == [
        f"study.toml, row 10, column 'patients.adjust_for': found 'age_years'; {each}; it stands here twice",
        f"study.toml, row 11, column 'patients.adjust_more': found 'sex'; {each}; adjust_for has it already",
    ]
    assert ["agee" in said[2], "the site is in every model already" in said[3]] == [True, True]


def test_a_faulty_key_of_an_outcome_does_not_hide_faults_of_its_columns(study):
    study.replace('time = "time_days"', 'time = "time_day"\nhorizon = -2').replace(
        'column = "resp', 'column = "rasp'
    )
    said = study.sentences()
    assert len(said) == 3
    for text in ("a time above 0 is wanted", "did you mean 'time_days'", "did you mean 'responder'"):
        assert any(text in sentence for sentence in said)


def test_what_is_left_without_the_faulty_keys_goes_on_to_be_checked(study):
    study.replace('id = "patient_id"', 'id = "patient"').replace("event = 1", "event = 1\nevnt = 2")
    found = study.sentences()
    assert any("'outcomes[1].evnt'" in sentence for sentence in found)
    assert any(
        "no such column, which id under [patients] names; did you mean 'patient_id'?" in s for s in found
    )


def test_a_study_file_that_is_no_text(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(b'[study]\nname = "Z\xfcrich"\n')
    with pytest.raises(InputError, match=r"row 2.*UTF-8 text is wanted \(byte 17 is not\)"):
        read_study_file(path)


def test_a_table_given_as_study_file(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(b"a,b\n" * 600_000)
    with pytest.raises(InputError, match="is this a table"):
        read_study_file(path)


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode())
    settings, problems, _ = read_study_file(path)
    assert problems == []
    assert settings.study.name == "s"


def test_an_accent_typed_in_two_parts_is_the_same_name(tmp_path):
    settings, problems, _ = settings_of(tmp_path, SMALLEST.replace('"id"', '"nu\u0301mero"'))
    assert problems == []
    assert settings.patients.id == "n\u00famero"


def test_settings_built_in_python_are_held_to_the_same_rules():
    raw = tomllib.loads(CONTRACT)
    raw["outcomes"][1]["name"] = raw["outcomes"][0]["name"]
    with pytest.raises(ValueError, match="two outcomes are named 'death_or_rv_failure'"):
        StudyFile.model_validate(raw)
    with pytest.raises(ValueError, match="a \\[features\\] table or a \\[recordings\\] folder is needed"):
        StudyFile.model_validate({"study": {"name": "s"}, "patients": {"file": "p.csv", "id": "id"}})
