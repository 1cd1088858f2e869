"""Drafting a study file: the draft passes its own check on sensible tables, and says what it did not guess."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.study import draft_study, read_study
from discovery.study.vocabulary import time_unit


def drafted(folder):
    before = {path.name for path in folder.iterdir()}
    draft = draft_study(folder)
    assert {path.name for path in folder.iterdir()} == before
    (folder / "study.toml").write_text(draft.text, encoding="utf-8")
    return draft


def test_the_sound_study_is_guessed(study):
    study.write()
    (study.folder / "study.toml").unlink()
    draft = drafted(study.folder)
    got = read_study(study.folder)
    assert got.settings.patients.model_dump(
        exclude={"categorical", "missing", "measured_at", "adjust_more", "labels", "levels"}
    ) == {
        "file": "patients.csv",
        "id": "patient_id",
        "site": "site",
        "etiology": "etiology",
        "adjust_for": ("age_years", "sex"),
    }
    assert got.settings.features.file == "features.csv"
    outcome = got.settings.outcomes[0]
    assert (outcome.time, outcome.status, outcome.event, outcome.competing) == (
        "time_days",
        "status",
        1,
        (2,),
    )
    assert outcome.entry == "entry_days"
    assert outcome.unit == "days"
    assert got.settings.outcomes[1].column == "responder"
    assert draft.guesses[-1] == "the draft was checked against the tables: nothing stands in the way"
    assert '[patients] site = "site": its name, and 2 different labels' in draft.guesses


def german(folder):
    rng = np.random.default_rng(7)
    n = 60
    patients = pd.DataFrame(
        {
            "Patienten-ID": [f"{number:03d}" for number in range(n)],
            "Krankenhaus": np.resize(["Köln", "München"], n),
            "Alter (Jahre)": rng.normal(60, 9, n).round(1),
            "Geschlecht": np.resize(["weiblich", "männlich", "männlich", "weiblich", "männlich"], n),
            "Körperoberfläche (m²)": rng.normal(1.9, 0.2, n).round(2),
            "Diagnose": np.resize(["PAH", "CTEPH"], n),
            "Zeit (Tage)": rng.integers(1, 900, n),
            "Verstorben": np.resize(["ja", "nein", "nein"], n),
        }
    )
    features = pd.DataFrame(rng.normal(20, 3, (n, 3)).round(2), columns=["RV-Druck %", "Anstieg größer", "ß"])
    features.insert(0, "Patienten-ID", patients["Patienten-ID"])
    for name, table in (("patienten.csv", patients), ("messwerte.csv", features)):
        table.to_csv(folder / name, index=False, sep=";", decimal=",", encoding="utf-8-sig")
    return patients, features


def test_tables_in_german_with_semicolons_and_decimal_commas(tmp_path):
    patients, features = german(tmp_path)
    drafted(tmp_path)
    got = read_study(tmp_path)
    assert got.warnings == ()
    assert got.settings.patients.adjust_for == ("Alter (Jahre)", "Geschlecht", "Körperoberfläche (m²)")
    np.testing.assert_array_equal(got.covariates["Alter (Jahre)"], patients["Alter (Jahre)"])
    np.testing.assert_array_equal(got.features.to_numpy(), features.iloc[:, 1:].to_numpy())
    assert list(got.patients.index[:2]) == ["000", "001"]
    np.testing.assert_array_equal(got.outcomes[0].status[:3], [1, 0, 0])
    assert got.outcomes[0].unit == "days"


@pytest.mark.parametrize(
    ("column", "unit"),
    [
        ("time_days", "days"), ("Zeit (Tage)", "days"), ("seguimiento_dias", "days"), ("tiempo (días)", "days"),
        ("followUpMonths", "months"), ("zeit_monate", "months"), ("tiempo_años", "years"), ("suivi (mois)", "months"),
        ("time", ""), ("days_to_event", ""), ("", ""), ("dtime", ""),
    ],
)  # fmt: skip
def test_the_unit_of_a_time_is_read_from_the_end_of_its_name(column, unit):
    assert time_unit(column) == unit


def test_a_time_whose_name_says_no_unit_leaves_the_key_as_a_comment(study):
    study.patients = study.patients.rename(columns={"time_days": "follow_up_time", "entry_days": "entry"})
    study.write()
    (study.folder / "study.toml").unlink()
    assert '# unit = "days"  # of the times, for the report' in drafted(study.folder).text
    assert read_study(study.folder).outcomes[0].unit == ""


def test_names_in_english_for_a_german_table_are_answered_with_its_own(tmp_path):
    german(tmp_path)
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "s"\n[patients]\nfile = "patienten.csv"\nid = "Patienten-ID"\nsite = "hospital"\n'
        'adjust_for = ["age", "sex", "Korperoberflache (m²)"]\n[features]\nfile = "messwerte.csv"\n'
        'columns = ["RV Druck %", "Anstieg*"]\n',
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        read_study(tmp_path)
    hints = [problem.wanted.rpartition("; ")[2] for problem in caught.value.problems]
    assert sorted(hints) == sorted(
        f"did you mean {name!r}?"
        for name in ("Alter (Jahre)", "Geschlecht", "Körperoberfläche (m²)", "Krankenhaus", "RV-Druck %")
    )


def test_spanish_columns(tmp_path):
    rng = np.random.default_rng(8)
    n = 50
    table = pd.DataFrame(
        {
            "paciente": [f"p{number}" for number in range(n)],
            "centro": np.resize(["Málaga", "León"], n),
            "edad (años)": rng.integers(20, 80, n),
            "sexo": np.resize(["M", "F", "F"], n),
            "presión_vd": rng.normal(40, 8, n).round(1),
            "índice": rng.normal(3, 0.5, n).round(2),
            "muerte": np.resize(["sí", "no", "no"], n),
        }
    )
    table.to_csv(tmp_path / "datos.csv", index=False, sep=";", decimal=",")
    drafted(tmp_path)
    got = read_study(tmp_path)
    assert got.settings.patients.id == "paciente"
    assert got.settings.patients.site == "centro"
    assert got.settings.patients.adjust_for == ("edad (años)", "sexo")
    assert list(got.features.columns) == ["presión_vd", "índice"]
    assert got.settings.outcomes[0].positive == "sí"
    np.testing.assert_array_equal(got.outcomes[0].value[:3], [1, 0, 0])


def test_what_was_not_guessed_stays_a_comment_and_is_said(tmp_path):
    rng = np.random.default_rng(9)
    table = pd.DataFrame(
        {"code": [f"c{number}" for number in range(30)], "u": rng.normal(size=30), "v": rng.normal(size=30)}
    )
    table.to_csv(tmp_path / "t.csv", index=False)
    draft = drafted(tmp_path)
    assert read_study(tmp_path).features.shape == (30, 2)
    for line in (
        '# site = "site"',
        '# etiology = "etiology"',
        '# adjust_for = ["age", "sex"]',
        "# [[outcomes]]",
    ):
        assert line in draft.text
    assert "[patients] site is not guessed: no column is named so and holds a few labels" in draft.guesses
    assert "[[outcomes]] is not guessed: no column is plainly named like an outcome" in draft.guesses


def test_without_an_id_the_draft_says_so(tmp_path):
    pd.DataFrame({"u": [1.5, 1.5, 2.5], "v": [1, 1, 2]}).to_csv(tmp_path / "t.csv", index=False)
    draft = draft_study(tmp_path)
    assert '# id = "patient_id"  # no column has a different value in every row' in draft.text
    assert any(guess.startswith("to mend: study.toml") and "patients.id" in guess for guess in draft.guesses)


def test_codes_for_missing_labels_and_broken_neighbours(study):
    study.features = study.features.astype(object)
    study.features.loc[3, "rv_a"] = "NA"
    study.write().put("labels.csv", "feature,label,unit\nrv_a,RV a,mmHg\n").put("broken.csv", b"\xff\xfe\x00")
    (study.folder / "study.toml").unlink()
    draft = drafted(study.folder)
    got = read_study(study.folder)
    assert got.settings.features.missing == ("NA",)
    assert got.labels == {"rv_a": "RV a"}
    assert any(
        guess.startswith("broken.csv was left aside: broken.csv: found 'UTF-16'") for guess in draft.guesses
    )


def test_values_beyond_a_limit_are_found(study):
    study.features = study.features.astype(object)
    study.features.loc[[3, 7], "rv_b"] = ["<7.5", "≥ 14"]
    study.write()
    (study.folder / "study.toml").unlink()
    drafted(study.folder)
    got = read_study(study.folder)
    assert got.settings.features.beyond_limit == ("rv_b",)
    assert got.limits.below.loc["P003", "rv_b"] == 7.5
    assert got.limits.above.loc["P007", "rv_b"] == 14


def test_recordings_are_found_with_their_channels(study):
    study.write()
    (study.folder / "study.toml").unlink()
    waves = study.folder / "recordings"
    waves.mkdir()
    (waves / "index.csv").write_text("file,patient_id\na,P000\n")
    (waves / "a.hea").write_text(
        "a 2 125 100\na.dat 16 10/mmHg 16 0 0 0 0 RVP\na.dat 16 10/mmHg 16 0 0 0 0 PAP\n"
    )
    drafted(study.folder)
    got = read_study(study.folder)
    assert got.settings.recordings.channels == {"rv": "RVP", "pa": "PAP"}
    assert got.settings.recordings.folder == "recordings"


@pytest.mark.parametrize(
    ("codes", "expected"),
    [
        ([0, 1], {"event": 1, "censored": 0, "competing": ()}),
        ([1, 2], {"event": 2, "censored": 1, "competing": ()}),
        ([0, 1, 2, 3], {"event": 1, "censored": 0, "competing": (2, 3)}),
        (["TRUE", "FALSE"], {"event": True, "censored": False, "competing": ()}),
        (
            ["alive", "dead", "transplant"],
            {"event": "dead", "censored": "alive", "competing": ("transplant",)},
        ),
    ],
)
def test_codes_of_a_status(study, codes, expected):
    study.patients["status"] = np.resize(codes, 40)
    study.write()
    (study.folder / "study.toml").unlink()
    drafted(study.folder)
    outcome = read_study(study.folder).settings.outcomes[0]
    assert outcome.model_dump(include={"event", "censored", "competing"}) == expected


def test_a_status_in_unknown_words_stays_a_comment(study):
    study.patients["status"] = np.resize(["oans", "zwoa"], 40)
    study.write()
    (study.folder / "study.toml").unlink()
    draft = drafted(study.folder)
    assert '# kind = "survival"' in draft.text
    assert any("which one is the event was not guessed" in guess for guess in draft.guesses)
    read_study(study.folder)


def test_no_folder_and_no_table(tmp_path):
    with pytest.raises(InputError, match="a folder with tables is wanted"):
        draft_study(tmp_path / "nowhere")
    with pytest.raises(InputError, match="a table of patients is wanted"):
        draft_study(tmp_path)
    (tmp_path / "x.csv").write_bytes(b"")
    with pytest.raises(InputError, match=r"x\.csv was left aside"):
        draft_study(tmp_path)


def test_odd_names_do_not_break_the_file(tmp_path):
    rng = np.random.default_rng(10)
    odd = 'a "quoted" \\ name\n with a line'
    pd.DataFrame(
        {odd: [f'i"{n}' for n in range(30)], "x\x7f": rng.normal(size=30), "#": np.resize(["x\ny", "z"], 30)}
    ).to_csv(tmp_path / "t.csv", index=False)
    drafted(tmp_path)
    assert read_study(tmp_path).settings.patients.id == odd
