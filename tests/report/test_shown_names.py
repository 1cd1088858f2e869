"""Codes of sites, etiologies and covariates have their names in what people read, and stay in data files."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.cohort.baseline import baseline_table
from discovery.problems import InputError
from discovery.report.html import unpacked
from discovery.report.page_tables import baseline_view
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.report.shown_names import with_names
from discovery.study import read_study

NAMES = (
    '[patients.labels]\nage = "Age (years)"\nsex_code = "Sex"\n'
    '[patients.levels.cause]\nph1 = "Pulmonary hypertension"\nlhd2 = "Left-heart disease"\n'
    '[patients.levels.ward]\nw1 = "Upper ward"\nw2 = "Lower ward"\n'
    '[patients.levels.sex_code]\n1 = "women"\n2 = "men"\n'
)
PATIENTS = 'site = "ward"\netiology = "cause"\nadjust_for = ["age", "sex_code"]\ncategorical = ["sex_code"]\n'
CODES = re.compile(r"(?<![\w.#-])(?:ph1|lhd2|w1|w2|sex_code)(?![\w-])")

PACKED = r"H4sI[\w+/=]+"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder, rng, n = tmp_path_factory.mktemp("named"), np.random.default_rng(11), 160
    ids = [f"P{k:03d}" for k in range(n)]
    pd.DataFrame(
        {
            "patient_id": ids, "ward": np.resize(["w1", "w2"], n), "cause": rng.choice(["ph1", "lhd2"], n),
            "age": rng.normal(60, 9, n).round(1), "sex_code": rng.integers(1, 3, n),
            "died": rng.integers(0, 2, n), "days": rng.integers(10, 900, n),
        }
    ).to_csv(folder / "patients.csv", index=False)  # fmt: skip
    features = pd.DataFrame(rng.normal(size=(n, 4)), columns=list("abcd")).assign(patient_id=ids)
    features.loc[:9, "a"] = np.nan
    features.to_csv(folder / "features.csv", index=False)
    return folder


def write_study(folder, names, patients=PATIENTS):
    (folder / "study.toml").write_text(
        f'[study]\nname = "named"\nseed = 1\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n{patients}'
        f'{names}[features]\nfile = "features.csv"\n'
        "[analysis]\nreplicates = 10\npermutations = 10\nimputations = 0\nphenotypes = false\n"
        '[[outcomes]]\nname = "death"\nkind = "survival"\ntime = "days"\nstatus = "died"\nevent = 1\n'
    )
    return folder / "study.toml"


def seen(folder):
    """What a reader of the report and the pictures sees, and the texts for a paper."""
    page = (folder / "index.html").read_text(encoding="utf-8")
    packed = [unpacked(text).decode() for text in re.findall(PACKED, page)]
    assert packed
    page = re.sub(PACKED, "", page)
    paper = [(folder / name).read_text(encoding="utf-8") for name in ("methods.md", "baseline.html")]
    return "\n".join([page, *packed, *paper])


def test_readers_see_names_and_programs_codes(folder, tmp_path):
    found = {}
    for kind, names in (("named", NAMES), ("plain", "")):
        discovery.run(write_study(folder, names), out=tmp_path / kind, workers=1)
        found[kind] = seen(tmp_path / kind)
    assert len(CODES.findall(found["plain"])) > 20
    assert not CODES.findall(found["named"])
    for name in ("Pulmonary hypertension", "Left-heart disease", "Upper ward", "Age (years)", "Sex: men"):
        assert name in found["named"]
    for file in (
        "etiologies.csv",
        "sites.csv",
        "sensitivity.csv",
        "effect_modification.csv",
        "site_shift.csv",
    ):
        assert (tmp_path / "named" / file).read_bytes() == (tmp_path / "plain" / file).read_bytes()
    baseline = pd.read_csv(tmp_path / "named" / "baseline.csv")
    assert set(baseline["group"]) == {"overall", "ph1", "lhd2"}


def settings_of(**names):
    return RunSettings(name="x", title="x", seed=1, n_patients=2, n_features=1, outcomes=(), **names)


def test_models_of_competing_events_have_their_names_on_the_page_and_codes_in_the_file(tmp_path):
    """One has a label, one is the event of another outcome, one is a word already, one has no name."""
    rng, n = np.random.default_rng(12), 200
    ids = [f"P{k:03d}" for k in range(n)]
    patients = {"patient_id": ids, "fate": np.resize([0, 1, 1, 2, 3, 0], n), "days": rng.integers(9, 900, n)}
    pd.DataFrame(patients).to_csv(tmp_path / "patients.csv", index=False)
    pd.DataFrame({"patient_id": ids, "a": rng.normal(size=n)}).to_csv(tmp_path / "features.csv", index=False)
    survival = '[[outcomes]]\nkind = "survival"\ntime = "days"\nstatus = "fate"\n'
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "s"\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n'
        '[features]\nfile = "features.csv"\n'
        "[analysis]\nreplicates = 0\npermutations = 0\nimputations = 0\nphenotypes = false\n"
        f'{survival}name = "death"\nevent = 1\ncompeting = [2, 3]\ncompeting_labels = ["Graft", "Other"]\n'
        f'{survival}name = "graft"\nevent = 2\ncompeting = [1, 3]\n'
    )
    discovery.run(tmp_path, out=tmp_path / "out")
    models = pd.read_csv(tmp_path / "out" / "associations.csv").groupby("outcome")["model"].unique()
    hazard = "cause-specific hazard"
    assert f"competing event (fate = 2): {hazard}" in models["death"]
    shown = seen(tmp_path / "out")
    for text in (f"Graft: {hazard}", f"Other: {hazard}", f"death: {hazard}"):
        assert text in shown
    assert f"competing event (fate = 3): {hazard}" in shown  # of graft, for whom nobody says what it is
    for code in (1, 2):
        assert f"competing event (fate = {code}): {hazard}" not in shown


def test_a_level_of_0_and_1_is_named_on_the_page():
    data = pd.DataFrame({"sex": [0, 1, 1, 0, 1], "mark": [1, 0, 0, 0, 1]})
    settings = settings_of(level_names={"sex": {"1": "women"}})
    named = with_names({"baseline": baseline_table(data)}, settings)[0]["baseline"]
    assert [row[0] for row in baseline_view(named).rows] == ["sex: women", "mark"]


def test_codes_in_sentences_are_told_by_what_stands_before_them():
    settings = settings_of(
        site="ward", etiology="cause",
        column_names={"age_years": "Age"},
        level_names={"ward": {"1": "Upper"}, "cause": {"no": "No disease"}},
        notes=("site 1 has no patient of etiology no; 1 event", "covariate age_years is missing: 1 patient"),
    )  # fmt: skip
    table = pd.DataFrame({"note": ["[ward=1] − 0.2 × (age_years − 61) / 3", "no such thing: 1"]})
    tables, shown = with_names({"any": table}, settings)
    assert shown.notes[0] == "site Upper has no patient of etiology No disease; 1 event"
    assert shown.notes[1] == "covariate Age is missing: 1 patient"
    assert tables["any"]["note"].tolist() == ["[ward=Upper] − 0.2 × (Age − 61) / 3", "no such thing: 1"]
    assert table["note"].iloc[0].startswith("[ward=1]")


def test_a_level_is_named_by_its_own_column():
    table = pd.DataFrame({"variable": ["sex", "class"], "level": ["1", "1"], "label": ["sex", "class"]})
    named = with_names(
        {"t": table}, settings_of(column_names={"sex": "Sex"}, level_names={"sex": {"1": "women"}})
    )[0]["t"]
    assert named["level"].tolist() == ["women", "1"]
    assert named["label"].tolist() == ["Sex", "class"]


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ('labels = { agee = "Age" }\n', "column 'agee'; there is no such column, which labels under"),
        (
            'levels = { warden = { w1 = "Upper" } }\n',
            "column 'warden'; there is no such column, which levels",
        ),
        ('levels = { ward = { w1 = "A", w2 = "A" } }\n', "two codes of ward are called 'A'"),
        ('levels = { ward = "A" }\n', 'column = { code = "what it is called" } is wanted'),
        ("labels = { age = 3 }\n", 'column = "what it is called" is wanted'),
    ],
)
def test_names_of_nothing_are_refused(folder, names, words):
    with pytest.raises(InputError) as caught:
        read_study(write_study(folder, "", PATIENTS + names))
    [problem] = caught.value.problems
    assert words in problem.sentence()


def test_a_code_that_no_patient_has_is_doubted_where_another_has_no_name(folder):
    levels = 'levels = { ward = { w1 = "Upper", w3 = "Lower" } }\n'
    said = [p.sentence() for p in read_study(write_study(folder, "", PATIENTS + levels)).warnings]
    assert "patients.csv, column 'ward': found 'w3'; no patient has this code; without a name is w2" in said


def test_notes_and_features_left_out_speak_in_labels():
    outcomes = (
        OutcomeRun(name="death", label="Death, transplant competing", kind="survival", n=9),
        OutcomeRun(name="rv_fail", label="RV failure", kind="binary", n=9),
    )
    notes = (
        "rv_fail: models failed in up to 32 % of the draws (most often with rv_pmax)",
        "death, rv_fail: 2 features (rv_pmax, cvp_a_wave) were never measured; see rv_pmax.csv",
        "death: 3 candidates",
        "Several visits: 60 patients; death is no outcome here",
    )
    settings = RunSettings(
        name="s", title="s", seed=1, n_patients=9, n_features=2, outcomes=outcomes, notes=notes,
        feature_names={"rv_pmax": "RV maximum", "cvp_a_wave": "CVP a wave", "tau": "Tau"},
    )  # fmt: skip
    excluded = pd.DataFrame(
        {
            "feature": ["rv_pmax", "unknown"],
            "reason": ["part of the definition of rv_fail", "all values are missing"],
            "outcome": ["rv_fail", ""],
        }
    )
    tables, shown = with_names({"excluded_features": excluded}, settings)
    assert shown.notes == (
        "RV failure: models failed in up to 32 % of the draws (most often with RV maximum)",
        "All outcomes: 2 features (RV maximum, CVP a wave) were never measured; see rv_pmax.csv",
        "Death, transplant competing: 3 candidates",
        "Several visits: 60 patients; death is no outcome here",
    )
    assert tables["excluded_features"]["feature"].tolist() == ["RV maximum", "unknown"]
    assert tables["excluded_features"]["reason"].tolist() == [
        "part of the definition of RV failure",
        "all values are missing",
    ]
