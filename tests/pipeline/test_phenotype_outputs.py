"""What the search for groups leaves in a results folder, on open data of known kinds and on noise."""

from __future__ import annotations

import json
import stat

import numpy as np
import pandas as pd
import pytest

import discovery

TEXT = """[study]
name = "kinds"
seed = 5
[patients]
file = "patients.csv"
id = "patient_id"
etiology = "species"
[features]
file = "features.csv"
[[outcomes]]
name = "outcome"
kind = "continuous"
column = "outcome"
[analysis]
replicates = 20
permutations = 0
workers = 1
"""


def write_study(folder, features: pd.DataFrame, species, outcome):
    folder.mkdir(parents=True, exist_ok=True)
    ids = [f"person_{k:04d}" for k in range(len(features))]
    features.assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    table = pd.DataFrame({"patient_id": ids, "species": species, "outcome": outcome})
    table.to_csv(folder / "patients.csv", index=False)
    (folder / "study.toml").write_text(TEXT)
    return folder / "study.toml"


@pytest.fixture(scope="module")
def penguins(dataset, tmp_path_factory):
    folder = tmp_path_factory.mktemp("penguins")
    table = dataset("penguins.csv").dropna()
    features = table[["bill_length_mm", "bill_depth_mm", "flipper_length_mm"]].reset_index(drop=True)
    features["second_bill"] = features["bill_length_mm"] + np.random.default_rng(1).normal(
        0, 1, len(features)
    )
    study = write_study(folder, features, table["species"].to_numpy(), table["body_mass_g"].to_numpy())
    return folder, discovery.run(study, out=folder / "out"), table


def test_the_contract_s_columns_and_one_row_a_group(penguins):
    folder, result, _ = penguins
    table = pd.read_csv(folder / "out" / "phenotypes.csv")
    assert list(table.columns[:4]) == ["phenotype", "size", "stability", "verdict"]
    assert table["size"].sum() == 333
    assert {"bill_length_mm", "second_bill"} <= set(table.columns)
    assert (table["size"].diff().dropna() <= 0).all()
    assert result.tables["phenotype_words"]["sentence"].iloc[0].startswith("Search for groups among 333")


def test_patients_are_private_and_their_groups_are_the_species(penguins):
    from sklearn.metrics import adjusted_rand_score

    folder, _, table = penguins
    path = folder / "out" / "patient_level" / "phenotypes.parquet"
    found = pd.read_parquet(path)
    assert list(found.columns[:4]) == ["patient_id", "phenotype", "probability", "outlier"]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert adjusted_rand_score(table["species"], found["phenotype"].fillna("none")) > 0.6
    assert found["probability"].between(0, 1).all()
    assert "person_0001" not in (folder / "out" / "index.html").read_text()


def test_the_etiology_mix_counts_every_patient_once(penguins):
    folder, _, table = penguins
    mix = pd.read_csv(folder / "out" / "phenotype_mix.csv")
    assert mix["n"].sum() == 333
    assert mix.groupby("etiology")["n"].sum().to_dict() == table["species"].value_counts().to_dict()
    np.testing.assert_allclose(mix.groupby("phenotype")["of_phenotype"].sum(), 1)


def test_profiles_are_effects_without_p_values(penguins):
    """Difference of means over the pooled SD, recomputed here from the patients' own file."""
    folder, _, _ = penguins
    profiles = pd.read_csv(folder / "out" / "phenotype_profiles.csv")
    assert not [name for name in profiles.columns if name.startswith("p_") or name == "q_value"]
    groups = pd.read_parquet(folder / "out" / "patient_level" / "phenotypes.parquet")["phenotype"]
    x = pd.read_csv(folder / "out" / ".." / "features.csv")["flipper_length_mm"]
    x = x.clip(*x.quantile([0.01, 0.99]))
    inside, outside = x[groups == "P1"], x[groups != "P1"]
    pooled = np.sqrt((inside.var() * (len(inside) - 1) + outside.var() * (len(outside) - 1)) / (len(x) - 2))
    row = profiles[(profiles["phenotype"] == "P1") & (profiles["feature"] == "flipper_length_mm")].iloc[0]
    assert row["effect"] == pytest.approx((inside.mean() - outside.mean()) / pooled, rel=1e-6)
    assert row["n"] == len(inside)


def test_axes_and_groups_against_the_outcome_are_statsmodels_own(penguins):
    from statsmodels.api import OLS, add_constant

    folder, _, table = penguins
    rows = pd.read_csv(folder / "out" / "phenotype_outcomes.csv").set_index("group_or_axis")
    people = pd.read_parquet(folder / "out" / "patient_level" / "phenotypes.parquet")
    y = table["body_mass_g"].to_numpy(float)
    y = (y - y.mean()) / y.std(ddof=1)
    axis = (people["PC1"] - people["PC1"].mean()) / people["PC1"].std()
    for name, x in (("PC1", axis), ("P1", (people["phenotype"] == "P1").astype(float))):
        fit = OLS(y, add_constant(x.to_numpy())).fit()
        assert rows.loc[name, "estimate"] == pytest.approx(fit.params[1], rel=1e-7)
        assert rows.loc[name, "p_value"] == pytest.approx(fit.pvalues[1], rel=1e-5, abs=1e-300)


def test_every_figure_has_its_table_and_the_page_its_verdict(penguins):
    folder, _, _ = penguins
    figures = folder / "out" / "figures"
    for name in ("null", "separation", "stability", "consensus", "profiles", "axes", "loadings"):
        assert (figures / f"phenotype_{name}.svg").stat().st_size > 2000
        assert len(pd.read_csv(figures / f"phenotype_{name}.csv"))
    page = (folder / "out" / "index.html").read_text()
    assert "Search for groups among 333 patients" in page
    assert "no test" in page


def test_the_frozen_groups_assign_a_second_cohort(penguins):
    from discovery.phenotypes import Phenotypes

    folder, _, _ = penguins
    kept = json.loads((folder / "out" / "frozen.json").read_text())["phenotypes"]
    features = pd.read_csv(folder / "features.csv").drop(columns="patient_id")
    groups = pd.read_parquet(folder / "out" / "patient_level" / "phenotypes.parquet")["phenotype"]
    again = Phenotypes.from_dict(kept).assign(features)
    assert (again["group"].to_numpy() == groups.to_numpy()).mean() > 0.97
    assert "person_0001" not in json.dumps(kept)


def test_noise_gives_everybody_and_axes_alone(tmp_path):
    rng = np.random.default_rng(8)
    features = pd.DataFrame(rng.normal(size=(120, 6)), columns=[f"f{k}" for k in range(6)])
    study = write_study(tmp_path, features, rng.choice(["u", "v"], 120), rng.normal(size=120))
    result = discovery.run(study, out=tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "phenotypes.csv")
    assert table["phenotype"].tolist() == ["everybody"]
    assert table["verdict"].iloc[0].startswith("no evidence of groups")
    assert set(result.tables["phenotype_outcomes"]["group_or_axis"].str[:2]) == {"PC"}
    assert not (tmp_path / "out" / "figures" / "phenotype_profiles.svg").exists()
    assert (
        pd.read_parquet(tmp_path / "out" / "patient_level" / "phenotypes.parquet")["phenotype"].isna().all()
    )


def test_a_study_may_ask_for_no_search(tmp_path):
    rng = np.random.default_rng(8)
    features = pd.DataFrame(rng.normal(size=(60, 4)), columns=list("abcd"))
    study = write_study(tmp_path, features, rng.choice(["u", "v"], 60), rng.normal(size=60))
    study.write_text(TEXT + "phenotypes = false\n")
    discovery.run(study, out=tmp_path / "out")
    assert not (tmp_path / "out" / "phenotypes.csv").exists()
    assert json.loads((tmp_path / "out" / "frozen.json").read_text())["phenotypes"] is None
