"""The printed tables of a whole run against general libraries that read the same files by themselves."""

from __future__ import annotations

import lifelines
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

import discovery


@pytest.fixture(scope="module")
def tables(root, tmp_path_factory):
    """Associations and markers of the open cohorts, features used as they are."""
    made = {}
    for cohort in ("wdbc", "rotterdam", "mgus2", "diabetes_lars"):
        source = root / "cohorts" / cohort
        folder = tmp_path_factory.mktemp(cohort)
        for path in source.glob("*.csv"):
            (folder / path.name).write_bytes(path.read_bytes())
        text = (source / "study.toml").read_text(encoding="utf-8")
        extra = "\n[analysis]\nreplicates = 0\npermutations = 0\nwinsor = false\n"
        (folder / "study.toml").write_text(text + extra, encoding="utf-8")
        made[cohort] = discovery.run(folder, out=folder / "out").tables
    return made


def merged(root, cohort: str) -> tuple[pd.DataFrame, list[str]]:
    read = {"keep_default_na": False, "na_values": [""]}
    patients = pd.read_csv(root / "cohorts" / cohort / "patients.csv", **read)
    features = pd.read_csv(root / "cohorts" / cohort / "features.csv", **read)
    names = list(features.columns[1:])
    features[names] = (features[names] - features[names].mean()) / features[names].std(ddof=1)
    return patients.merge(features, on="patient_id"), names


def row_of(tables, cohort: str, feature: str, outcome: str) -> pd.Series:
    table = tables[cohort]["associations"]
    mine = table[(table["outcome"] == outcome) & (table["feature"] == feature)]
    # a feature with missing values has the pooled answer as its main row
    model = "complete cases" if (mine["model"] == "complete cases").any() else "adjusted"
    mine = mine[mine["model"] == model]
    assert len(mine) == 1
    return mine.iloc[0]


def test_logistic_rows_equal_statsmodels(root, tables):
    data, names = merged(root, "wdbc")
    base = sm.Logit(data["malignant"], np.ones(len(data))).fit(disp=0)
    for name in names:
        row = row_of(tables, "wdbc", name, "malignant")
        assert "Firth" not in row["method"]
        fit = sm.Logit(data["malignant"], sm.add_constant(data[[name]])).fit(disp=0)
        assert row["estimate"] == pytest.approx(fit.params[name], abs=1e-6)
        assert row["p_value"] == pytest.approx(stats.chi2.sf(2 * (fit.llf - base.llf), 1), rel=1e-5)
        assert (row["n"], row["events"], row["n_left_out"]) == (569, 212, 0)


def cox(data: pd.DataFrame, time: str, columns: list[str]) -> lifelines.CoxPHFitter:
    fitter = lifelines.CoxPHFitter()
    return fitter.fit(data[[time, "happened", *columns]], time, "happened", fit_options={"precision": 1e-10})


@pytest.mark.parametrize(
    ("cohort", "outcome", "time", "status", "code", "covariates"),
    [
        ("rotterdam", "relapse_or_death", "time_days", "relapse_or_death", 1,
         ["age_years", "postmenopausal", "hormone_therapy", "chemotherapy"]),
        ("mgus2", "progression", "time_months", "status", 1, ["age_years", "male"]),
        ("mgus2", "death_without_progression", "time_months", "status", 2, ["age_years", "male"]),
    ],
)  # fmt: skip
def test_cox_rows_equal_lifelines(root, tables, cohort, outcome, time, status, code, covariates):
    data, names = merged(root, cohort)
    data["happened"] = (data[status] == code).astype(int)
    if "male" in covariates:
        data["male"] = (data["sex"] == "M").astype(float)
    for name in names:
        row = row_of(tables, cohort, name, outcome)
        complete = data.dropna(subset=[name, *covariates])
        full, base = cox(complete, time, [*covariates, name]), cox(complete, time, covariates)
        assert row["estimate"] == pytest.approx(full.params_[name], abs=1e-6)
        ratio = 2 * (full.log_likelihood_ - base.log_likelihood_)
        assert row["p_value"] == pytest.approx(stats.chi2.sf(ratio, 1), rel=1e-4)
        assert row["n"] == len(complete)
        assert row["events"] == complete["happened"].sum()
        assert row["n_left_out"] == len(data) - len(complete)
        for limit in (row["ci_low"], row["ci_high"]):  # where the profile likelihood is down by 3.84 / 2
            held = sm.PHReg(
                complete[time],
                complete[covariates].astype(float),
                status=complete["happened"],
                offset=limit * complete[name],
                ties="efron",
            ).fit()
            drop = 2 * (full.log_likelihood_ - held.llf)
            assert drop == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-3)


def test_linear_rows_equal_statsmodels(root, tables):
    data, names = merged(root, "diabetes_lars")
    y = (data["progression"] - data["progression"].mean()) / data["progression"].std(ddof=1)
    base = data[["age"]].assign(sex=(data["sex"] == "sex 2").astype(float))
    for name in names:
        row = row_of(tables, "diabetes_lars", name, "progression")
        fit = sm.OLS(y, sm.add_constant(base.assign(x=data[name]))).fit()
        assert row["estimate"] == pytest.approx(fit.params["x"], abs=1e-9)
        assert row["ci_low"] == pytest.approx(fit.conf_int().loc["x", 0], abs=1e-9)
        assert row["p_value"] == pytest.approx(fit.pvalues["x"], rel=1e-7)


def test_q_values_equal_scipy_within_one_outcome(tables):
    markers = tables["wdbc"]["markers"]
    wanted = stats.false_discovery_control(markers["p_value"], method="bh")
    np.testing.assert_allclose(markers["q_value"], wanted, rtol=1e-9)
