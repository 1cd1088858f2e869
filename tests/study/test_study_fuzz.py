"""Whatever stands in the files, the answer is a study or an InputError that names what is wrong."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from discovery.files import csv_text
from discovery.problems import InputError
from discovery.study import Study, draft_study, read_study
from discovery.study.findings import Findings
from discovery.study.settings import OUTCOME_MODELS
from discovery.study.study_file import SECTIONS
from discovery.study.table_files import read_table

PATIENTS = (
    b"patient_id,site,etiology,age_years,sex,time_days,status,entry_days,responder\n"
    b"P1,N,PAH,60,f,100,1,0,1\nP2,S,CTEPH,55.5,m,200,0,3,0\nP3,N,PAH;CTEPH,,f,150,2,1,1\n"
    b"P4,S,PAH,71,m,90,1,,0\nP5,N,CTEPH,49,m,300,0,2,0\nP6,S,PAH,64,f,10,1,0,1\n"
)
FEATURES = b"patient_id,rv_a,rv_b\nP1,1,2.5\nP2,2,1e3\nP3,,7\nP4,4,-3\nP5,5,0\nP6,2,2\n"
TOML = b"""[study]
name = "fuzz"
[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
etiology = "etiology"
adjust_for = ["age_years", "sex"]
[features]
file = "features.csv"
columns = ["rv_*"]
[[outcomes]]
name = "d"
kind = "survival"
time = "time_days"
status = "status"
event = 1
competing = [2]
entry = "entry_days"
[[outcomes]]
name = "r"
kind = "binary"
column = "responder"
[analysis]
winsor = [0.01, 0.99]
"""

quick = settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def outcome_of(toml: bytes, patients: bytes, features: bytes) -> Study | None:
    """The study, or None when an InputError was raised; anything else fails the test."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        contents = {"study.toml": toml, "patients.csv": patients, "features.csv": features}
        for file, content in contents.items():
            (folder / file).write_bytes(content)
        try:
            study = read_study(folder)
        except InputError as error:
            study, problems = None, error.problems
        else:
            problems = study.warnings
        assert study is not None or problems
        for problem in problems:
            assert (problem.severity == "error") == (study is None)
            assert "\n" not in problem.sentence()
            assert len(problem.sentence()) < 2000
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == contents
    return study


@st.composite
def spoiled(draw, whole: bytes) -> bytes:
    """Some bytes replaced, put in, cut out or doubled."""
    content = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, len(content)))
        length = draw(st.integers(0, 12))
        piece = draw(
            st.one_of(
                st.binary(max_size=6),
                st.sampled_from(
                    [
                        b",",
                        b";",
                        b"\n",
                        b'"',
                        b"\t",
                        b"\0",
                        b"\xff",
                        b"NA",
                        b"inf",
                        b"-1",
                        b"=",
                        b"[",
                        b"]",
                        b"{",
                        b"#",
                    ]
                ),
                st.just(bytes(content[place : place + 40])),
            )
        )
        content[place : place + length] = piece
    return bytes(content)


def test_the_starting_point_is_sound():
    assert isinstance(outcome_of(TOML, PATIENTS, FEATURES), Study)


@given(spoiled(TOML))
@quick
def test_spoiled_study_files(toml):
    outcome_of(toml, PATIENTS, FEATURES)


@given(spoiled(PATIENTS), spoiled(FEATURES))
@quick
def test_spoiled_tables(patients, features):
    study = outcome_of(TOML, patients, features)
    if study is not None:
        assert study.features.index.equals(study.patients.index)
        assert np.isfinite(study.features.to_numpy()[~study.features.isna().to_numpy()]).all()


@given(st.binary(max_size=400), st.binary(max_size=400), st.binary(max_size=400))
@quick
def test_random_bytes(toml, patients, features):
    outcome_of(toml, PATIENTS, FEATURES)
    outcome_of(TOML, patients, features)


@given(st.text(max_size=300), st.text(max_size=300))
@quick
def test_random_text(toml, table):
    outcome_of(toml.encode("utf-8", "ignore"), PATIENTS, FEATURES)
    outcome_of(TOML, table.encode("utf-8", "ignore"), FEATURES)


VALUES = st.recursive(
    st.one_of(
        st.booleans(), st.integers(-5, 5), st.floats(-2, 2), st.text(max_size=5), st.just("patient_id")
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(["a", "name"]), inner, max_size=2)
    ),
    max_leaves=4,
)
KEYS = st.sampled_from(
    [key for model in (*SECTIONS.values(), *OUTCOME_MODELS.values()) for key in model.model_fields]
)


def written(value) -> str:
    from discovery.study.draft import toml

    return toml(value)


@given(
    st.dictionaries(
        st.sampled_from(["study", "patients", "features", "recordings", "analysis"]),
        st.dictionaries(KEYS, VALUES, max_size=5),
    ),
    st.lists(st.dictionaries(KEYS, VALUES, max_size=6), max_size=3),
)
@quick
def test_any_value_under_any_key(sections, outcomes):
    lines = []
    for section, keys in sections.items():
        lines += [f"[{section}]", *(f"{key} = {written(value)}" for key, value in keys.items())]
    for keys in outcomes:
        lines += ["[[outcomes]]", *(f"{key} = {written(value)}" for key, value in keys.items())]
    text = "\n".join(lines).encode("utf-8", "ignore")
    outcome_of(text, PATIENTS, FEATURES)
    outcome_of(
        TOML[: TOML.index(b"[[outcomes]]")] + b"\n".join(text[text.find(b"[[") :].splitlines()),
        PATIENTS,
        FEATURES,
    )


NAMES = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=12)


@given(st.lists(NAMES, min_size=3, max_size=6, unique=True), st.sampled_from([",", ";", "\t"]))
@quick
def test_headers_in_any_script(names, delimiter):
    rng = np.random.default_rng(len(names[0]))
    frame = pd.DataFrame(rng.normal(size=(12, len(names))).round(3), columns=names)
    frame[names[0]] = [f"i{number}" for number in range(12)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        frame.to_csv(path, index=False, sep=delimiter)
        findings = Findings()
        table = read_table(path, "t.csv", findings)
        assert table is not None or findings.errors()
        (Path(folder) / "study.toml").write_text('[study]\nname="x"\n')
        with contextlib.suppress(InputError):
            text = draft_study(folder).text
            (Path(folder) / "study.toml").write_text(text, encoding="utf-8", newline="\n")
            read_study(folder)


CELLS = st.one_of(
    st.floats().map(str),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8),
    st.sampled_from(
        ["", "NA", "1,5", "1.5", "=1+1", "-", "TRUE", "1e999", "007", "1.0", "nan", "１２", "−3", " 4 "]
    ),
)


@given(st.lists(st.tuples(CELLS, CELLS, CELLS), min_size=2, max_size=12), st.sampled_from([",", ";"]))
@example([("0.0", "1.0", "0.0"), ("0.0", "0\n0", "0.0")], ",")
@quick
def test_cells_of_any_kind(rows, delimiter):
    frame = pd.DataFrame(rows, columns=["time_days", "status", "age_years"])
    frame.insert(0, "patient_id", [f"P{number}" for number in range(len(rows))])
    frame["responder"] = np.resize([0, 1], len(rows))
    frame["site"], frame["etiology"], frame["sex"], frame["entry_days"] = (
        "N",
        frame["status"],
        frame["age_years"],
        0,
    )
    patients = frame.to_csv(index=False, sep=delimiter).encode()
    features = frame[["patient_id", "time_days", "age_years"]].rename(
        columns={"time_days": "rv_a", "age_years": "rv_b"}
    )
    study = outcome_of(TOML, patients, features.to_csv(index=False, sep=delimiter).encode())
    if study is not None:
        text = csv_text(study.patients.reset_index())
        assert not any(line.startswith(("=", "+", "@")) for line in text.split("\n"))


@given(st.binary(max_size=300), st.integers(0, 400), st.integers(0, 255))
@quick
def test_spoiled_parquet(junk, place, value):
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "t.parquet"
        pd.DataFrame({"patient_id": ["a", "b"], "x": [1.5, 2.5]}).to_parquet(path)
        whole = bytearray(path.read_bytes())
        whole[place % len(whole)] = value
        for content in (bytes(whole), junk, b"PAR1" + junk + b"PAR1"):
            path.write_bytes(content)
            findings = Findings()
            table = read_table(path, "t.parquet", findings)
            if table is None:
                assert findings.errors()
            else:
                for column in table.columns:
                    table.text(column)
                    table.numbers(column)
