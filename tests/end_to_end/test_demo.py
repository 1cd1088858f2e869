"""The demo from raw waveforms to report, small."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.association.design import design_of
from discovery.cli.main import main
from discovery.pipeline.phenotypes import find_phenotypes
from discovery.problems import InputError
from discovery.report.html import unpacked
from discovery.study import read_study
from discovery.virtual import cohort as generator
from discovery.virtual.study_text import README, STUDY


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    (folder / "results-cohort").mkdir()
    text = STUDY.format(seed=generator.SEED).replace(
        "replicates = 200", "replicates = 100\npermutations = 200"
    )
    assert "permutations = 200" in text
    (folder / "results-cohort" / "study.toml").write_text(text, encoding="utf-8")
    return folder, discovery.demo(out=folder / "results", patients=45, workers=2)


def test_it_ends_with_a_report_on_every_testable_outcome(made):
    folder, result = made
    assert result.report.stat().st_size > 100_000
    markers = pd.read_csv(result.folder / "markers.csv")
    tested = {"rv_failure", "death", "walk_distance", "site_bruise", "long_stay"}
    assert tested <= set(markers["outcome"]) <= tested | {"desaturation"}
    assert markers.groupby("outcome")["feature"].nunique().min() > 60
    assert (folder / "results-cohort" / "truth.json").exists()


def test_every_two_etiologies_are_compared_in_every_feature(made):
    """A difference of two etiologies is the difference of their deviations in etiologies.csv."""
    _, result = made
    pairs = pd.read_csv(result.folder / "etiology_contrasts.csv", keep_default_na=False, na_values=[""])
    deviations = pd.read_csv(result.folder / "etiologies.csv", keep_default_na=False, na_values=[""])
    for feature, mine in pairs.groupby("feature"):
        labels = set(mine["etiology"]) | set(mine["against"])
        assert len(mine) == len(labels) * (len(labels) - 1) // 2
        assert labels <= set(deviations.loc[deviations["feature"] == feature, "etiology"])
    assert len(labels) > 3
    assert set(pairs["feature"]) == set(deviations["feature"])
    known = pairs.dropna(subset="estimate")
    assert len(known) > 0.9 * len(pairs)
    of = deviations.set_index(["feature", "etiology"])["estimate"]
    expected = [
        of[name, one] - of[name, other]
        for name, one, other in zip(known["feature"], known["etiology"], known["against"])
    ]
    np.testing.assert_allclose(known["estimate"], expected, atol=1e-4)
    assert (known["p_holm"].dropna() >= known["p_value"][known["p_holm"].notna()] - 1e-12).all()
    assert 'id="etiology-contrasts"' in result.report.read_text(encoding="utf-8")


def test_families_stand_against_outcomes(made):
    """The overview says of every family and outcome what families.csv and markers.csv say of it."""
    _, result = made
    overview = pd.read_csv(result.folder / "families_overview.csv")
    families = pd.read_csv(result.folder / "families.csv").set_index(["redundancy_group", "outcome"])
    markers = pd.read_csv(result.folder / "markers.csv").set_index(["outcome", "feature"])
    assert len(overview) == len(families)
    for row in overview.itertuples():
        own = families.loc[(row.redundancy_group, row.outcome)]
        assert (row.lead, row.family_rank) == (own["lead"], own["family_rank"])
        assert row.verdict == markers.loc[(row.outcome, row.lead), "verdict"]
    assert 'id="families-overview"' in result.report.read_text(encoding="utf-8")


def test_etiologies_and_sites_are_compared_over_time(made):
    _, result = made
    survival = pd.read_csv(result.folder / "survival.csv", low_memory=False)
    compared = survival[survival["part"] == "groups compared"]
    assert {"etiology", "site"} <= set(compared["by"])
    assert {"log-rank", "Peto-Peto"} <= set(compared["quantity"])
    assert compared["p_value"].between(0, 1).all()
    assert "Groups over time" in result.report.read_text(encoding="utf-8")


def test_the_report_never_names_a_patient(made):
    folder, result = made
    ids = pd.read_csv(folder / "results-cohort" / "patients.csv")["patient_id"]
    text = (result.folder / "index.html").read_text(encoding="utf-8")
    # what is packed is read as the browser reads it: as letters it holds any short name by chance
    packed = re.compile(r'(id="(?:data|pictures)">)([A-Za-z0-9+/=]+)(</script>)')
    inside = [unpacked(found[2]).decode("utf-8") for found in packed.finditer(text)]
    assert len(inside) == 2
    shown = re.sub(r"base64,[A-Za-z0-9+/=\s\\]+", "", "\n".join([packed.sub("", text), *inside]))
    assert "RV failure within a year" in inside[0]
    assert inside[1].count("<svg") > 20
    assert not any(name in shown for name in ids)


def test_the_truth_names_what_drives_each_outcome(made):
    folder, _ = made
    truth = json.loads((folder / "results-cohort" / "truth.json").read_text(encoding="utf-8"))
    assert {"rv_failure", "death", "site_bruise", "long_stay"} <= set(json.dumps(truth).split('"'))


def test_the_first_visit_is_analysed_and_the_second_tells_the_reliability(made):
    folder, result = made
    index = pd.read_csv(folder / "results-cohort" / "recordings" / "index.csv")
    twice = int((index.groupby("patient_id").size() > 1).sum())
    assert twice >= 10
    report = (result.folder / "index.html").read_text(encoding="utf-8")
    assert f"Several visits: {twice} patients; the first one is analysed" in report
    rows = pd.read_parquet(result.folder / "patient_level" / "patients.parquet")
    first = rows[rows["visit"] == 1].set_index("patient_id")["rv_systolic_pressure"].dropna()
    missing = pd.read_csv(result.folder / "missing.csv")
    row = missing[(missing["by"] == "all") & (missing["variable"] == "rv_systolic_pressure")].iloc[0]
    assert row["n"] - row["n_missing"] == len(first)
    reliability = pd.read_csv(result.folder / "reliability.csv").set_index("feature")
    both = rows.pivot(index="patient_id", columns="visit", values="rv_systolic_pressure").notna().all(axis=1)
    assert reliability.at["rv_systolic_pressure", "n_patients"] == both.sum()
    assert 10 <= both.sum() <= twice
    assert reliability.at["rv_systolic_pressure", "usable_for_correction"]


GROUPS_STUDY = """[study]
name = "groups"
seed = 11
[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
[features]
file = "features.csv"
id = "patient_id"
[[outcomes]]
name = "long_stay"
kind = "binary"
column = "long_stay"
positive = 1
"""


def searched(folder, features, patients):
    """What the stage of a run that looks for groups says of these features (indexed by patient)."""
    folder.mkdir()
    features.to_csv(folder / "features.csv", index_label="patient_id")
    patients.to_csv(folder / "patients.csv", index=False)
    (folder / "study.toml").write_text(GROUPS_STUDY, encoding="utf-8")
    study = read_study(folder / "study.toml")
    return find_phenotypes(study, [design_of(study, study.outcomes[0])], workers=2, notes=[])


def demo_features(folder, results):
    """The measured features of the first visit, and the patients' table."""
    rows = pd.read_parquet(results / "patient_level" / "patients.parquet")
    rows = rows[rows["visit"] == 1].set_index("patient_id")
    names = [name for name in rows.select_dtypes("number") if "__" not in name and name != "visit"]
    patients = pd.read_csv(folder / "patients.csv")[["patient_id", "site", "long_stay"]]
    return rows[names], patients[patients["patient_id"].isin(rows.index)]


def test_the_demo_with_its_features_shuffled_apart_has_no_groups(made, tmp_path):
    folder, result = made
    features, patients = demo_features(folder / "results-cohort", result.folder)
    rng = np.random.default_rng(3)
    shuffled = features.apply(lambda column: rng.permutation(column.to_numpy()))
    found = searched(tmp_path / "shuffled", shuffled, patients)
    assert found.tables["phenotypes"]["verdict"].tolist() == ["no evidence of groups; report continuous axes"]
    assert found.tables["phenotype_words"]["sentence"].item().startswith("Search for groups among")
    assert found.patients["phenotype"].isna().all()


def test_the_demo_with_a_pure_shift_of_half_its_sites_is_site_driven(made, tmp_path):
    folder, result = made
    features, patients = demo_features(folder / "results-cohort", result.folder)
    site = patients.set_index("patient_id")["site"].reindex(features.index)
    elsewhere = site.isin(sorted(site.unique())[::2]).to_numpy()[:, None]
    half = np.arange(features.shape[1]) % 2 == 0
    shifted = features + 3 * features.std().to_numpy() * elsewhere * half
    found = searched(tmp_path / "shifted", shifted, patients)
    assert set(found.tables["phenotypes"]["verdict"]) == {"site-driven"}
    assert not found.model.verdict_.groups
    assert found.model.site_.cramer_v >= 0.3


def test_the_cohort_in_the_checkout_has_the_study_text_of_the_package(root):
    assert (root / "cohorts" / "demo" / "study.toml").read_text() == STUDY.format(seed=generator.SEED)
    assert (root / "cohorts" / "demo" / "README.md").read_text() == README


def test_what_is_generated_is_never_committed(root):
    listed = subprocess.run(
        ["git", "ls-files", "cohorts/demo"], cwd=root, capture_output=True, text=True, check=False
    )
    if listed.returncode == 0:
        assert set(listed.stdout.split()) <= {"cohorts/demo/study.toml", "cohorts/demo/README.md"}
    ignored = (root / ".gitignore").read_text().splitlines()
    assert "/cohorts/demo/*" in ignored


class Stop(Exception):
    pass


@pytest.fixture
def analysed(monkeypatch):
    """Studies that the demo would run, instead of running them."""
    seen = []

    def stop(study, **options):
        seen.append((study, options))
        raise Stop

    monkeypatch.setattr("discovery.pipeline.demo.run", stop)
    return seen


def test_the_cohort_is_made_once_and_an_edited_study_file_is_used(tmp_path, monkeypatch, analysed):
    """Below the current folder, as from an installed package without the checkout."""
    monkeypatch.chdir(tmp_path)
    home = tmp_path / "cohorts" / "demo"
    with pytest.raises(Stop):
        discovery.demo(patients=24, workers=2)
    study, options = analysed[0]
    assert study.resolve() == home / "study.toml"
    assert options["out"].resolve() == tmp_path / "reports" / "demo"
    assert (home / "study.toml").read_text() == STUDY.format(seed=generator.SEED)
    one = home / "recordings" / "V0001_1.dat"
    before = hashlib.sha256(one.read_bytes()).hexdigest(), os.stat(one).st_mtime_ns
    edited = (home / "study.toml").read_text() + "\n[analysis]\nreplicates = 200\n"
    (home / "study.toml").write_text(edited)
    with pytest.raises(Stop):
        discovery.demo(patients=24, workers=2)
    assert os.stat(one).st_mtime_ns == before[1]
    one.unlink()
    with pytest.raises(Stop):
        discovery.demo(patients=24, workers=2)
    assert hashlib.sha256(one.read_bytes()).hexdigest() == before[0]
    assert (home / "study.toml").read_text() == edited


def test_too_few_patients_are_refused_in_plain_words_before_any_work(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["demo", "--patients", "8"]) == 2
    said = capsys.readouterr().err
    assert "24" in said
    assert "no outcome could be tested" in said
    assert list(tmp_path.iterdir()) == []


def test_a_foreign_folder_is_refused(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("precious")
    with pytest.raises(InputError, match="nothing was overwritten"):
        discovery.demo(out=tmp_path / "out", cohort=tmp_path / "mine")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thesis.txt"]
