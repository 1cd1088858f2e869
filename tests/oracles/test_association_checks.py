"""Association models against other programs and published numbers: rows AS of the reference table.

AS01-AS03, AS10, AS12-AS14: R stats 4.2.2 and sandwich 3.0-2. AS04: R brglm2 0.9. AS05: penalised profile,
Heinze & Schemper 2002. AS06-AS07: R pROC 1.18.0. AS08: R nnet 7.3-18. AS09: R MASS 7.3-58.2. AS11: Dunn
1964, own code, seconded by scikit-posthocs 0.17.1. AS15: R Hmisc 4.8-0. AS16: R survival 3.5-3. AS17-AS18:
R lme4 1.1-31. AS19: R metafor 3.8-1. Each row of the table names its own command.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from discovery.association.correlation import correlation, partial_spearman
from discovery.association.group_tests import dunn, kruskal_wallis, mann_whitney
from discovery.association.meta_analysis import pool_random_effects
from discovery.association.outcome_models import fit_columns
from discovery.association.regression import (
    cox,
    least_squares,
    likelihood_ratio,
    logistic,
    mixed_model,
    multinomial,
    proportional_odds,
    risk_ratio,
)
from discovery.association.response import Response
from discovery.association.roc import auc_with_interval, compare_aucs
from discovery.association.spline import restricted_cubic_spline


def close(row, got):
    np.testing.assert_allclose(np.ravel(got), np.ravel(row["expected"]), rtol=0, atol=row["tolerance"])


def birthwt_columns(table):
    race = pd.get_dummies(table["race"].astype(int), dtype=float)[[2, 3]].to_numpy()
    return np.column_stack([table[["age", "lwt"]], race, table[["smoke", "ptl", "ht", "ui", "ftv"]]])


@pytest.fixture(scope="module")
def birthwt(dataset):
    return dataset("birthwt.csv")


@pytest.fixture(scope="module")
def asah(dataset):
    table = dataset("asah.csv")
    return table.assign(poor=(table["outcome"] == "Poor").astype(float))


@pytest.fixture(scope="module")
def penguins(dataset):
    return dataset("penguins.csv")


@pytest.fixture(scope="module")
def mass_by_species(penguins):
    table = penguins.dropna(subset=["body_mass_g"])
    return {name: part.to_numpy() for name, part in table.groupby("species")["body_mass_g"]}


def test_as01_logistic_coefficients_and_standard_errors(check, birthwt):
    fit = logistic(birthwt["low"], birthwt_columns(birthwt))
    close(check("AS01"), [*fit.coef, *fit.se])


def test_as02_likelihood_ratio_and_profile_interval(check, birthwt):
    columns = birthwt_columns(birthwt)
    got = fit_columns(
        Response(kind="binary", y=birthwt["low"].to_numpy(float)),
        np.delete(columns, 4, axis=1),
        columns[:, [4]],
        firth=False,
    )
    close(check("AS02"), [got.fit.z[0] ** 2, got.ci_low[0], got.ci_high[0]])


def test_as03_modified_poisson_risk_ratio(check, birthwt):
    fit = risk_ratio(birthwt["low"], birthwt[["smoke", "age"]])
    close(check("AS03"), [fit.coef[1], fit.se[1]])


def test_as04_firth_logistic_under_separation(check, dataset):
    table = dataset("endometrial.csv")
    fit = logistic(table["HG"], table[["NV", "PI", "EH"]], firth=True)
    close(check("AS04"), [*fit.coef, *fit.se])


def test_as05_penalised_likelihood_ratio_and_profile_interval(check, dataset):
    table = dataset("endometrial.csv")
    y, columns = table["HG"].to_numpy(float), table[["NV", "PI", "EH"]].to_numpy(float)
    response = Response(kind="binary", y=y)
    got = [fit_columns(response, np.delete(columns, j, axis=1), columns[:, [j]]) for j in range(3)]
    assert all(each.firth.all() for each in got)
    close(check("AS05"), [*(each.fit.z[0] ** 2 for each in got), got[0].ci_low[0], got[0].ci_high[0]])


def test_as06_auc_with_delong_interval(check, asah):
    found = [auc_with_interval(asah["poor"], asah[name]) for name in ("s100b", "wfns", "ndka")]
    close(check("AS06"), [(a.auc, a.ci_low, a.ci_high) for a in found])


def test_as07_paired_delong_test(check, asah):
    found = compare_aucs(asah["poor"], asah["wfns"], asah["s100b"])
    close(check("AS07"), [found.z, found.p_value])


def test_as08_multinomial_likelihood_ratio(check, penguins):
    table = penguins.dropna(subset=["body_mass_g", "sex"])
    assert len(table) == 333
    codes = table["species"].astype("category").cat.codes
    female = (table["sex"] == "female").astype(float)
    full = multinomial(codes, np.column_stack([table["body_mass_g"] / 1000, female]))
    reduced = multinomial(codes, female)
    close(
        check("AS08"), [likelihood_ratio(full.loglik, reduced.loglik, df=2).chi2, full.loglik, reduced.loglik]
    )


def test_as09_proportional_odds(check, asah):
    fit = proportional_odds(asah["gos6"], asah[["age", "wfns"]])
    close(check("AS09"), [*fit.coef, *fit.se, fit.loglik])


def test_as10_kruskal_wallis(check, mass_by_species):
    found = kruskal_wallis(mass_by_species)
    assert (found.n, found.df) == (342, 2)
    close(check("AS10"), found.h)


def test_as11_dunn_pairs(check, mass_by_species):
    pairs = dunn(mass_by_species)
    assert list(zip(pairs["first"], pairs["second"])) == [
        ("Adelie", "Chinstrap"),
        ("Adelie", "Gentoo"),
        ("Chinstrap", "Gentoo"),
    ]
    close(check("AS11"), [*pairs["z"], pairs["p_holm"].iloc[0]])


def test_as12_mann_whitney_with_and_without_continuity(check, mass_by_species):
    plain, corrected = (
        mann_whitney(mass_by_species["Adelie"], mass_by_species["Chinstrap"], continuity=yes)
        for yes in (False, True)
    )
    close(check("AS12"), [plain.u, plain.p_value, corrected.p_value, plain.share])


def test_as13_least_squares(check, dataset):
    table = dataset("diabetes_lars.csv")
    columns = ["age", "sex", "bmi", "bp", "s1", "s2", "s3", "s4", "s5", "s6"]
    fit = least_squares(table["progression"], table[columns])
    close(check("AS13"), [*fit.coef, fit.r2, fit.f_value, fit.sigma, fit.se[3], fit.hc3[3]])


def test_as14_correlations(check, dataset):
    table = dataset("diabetes_lars.csv")
    x, y = table["bmi"], table["progression"]
    found = [correlation(x, y, kind=kind).estimate for kind in ("pearson", "spearman", "kendall")]
    close(check("AS14"), [*found, partial_spearman(x, y, table[["age", "sex"]]).estimate])


def test_as15_spline_in_a_logistic_model(check, birthwt):
    row = check("AS15")
    basis = restricted_cubic_spline(birthwt["lwt"], json.loads(row["dataset_or_inputs"])["knots"])
    none, line, curve = (logistic(birthwt["low"], basis[:, :k]).loglik for k in (0, 1, 3))
    close(row, [likelihood_ratio(curve, line, df=2).chi2, likelihood_ratio(curve, none, df=3).chi2])


def test_as16_spline_in_a_cox_model(check, dataset):
    row = check("AS16")
    table = dataset("lung.csv")
    basis = restricted_cubic_spline(table["age"], json.loads(row["dataset_or_inputs"])["knots"])
    line, curve = (
        cox(table["time"], table["status"] == 2, np.column_stack([basis[:, :k], table["sex"]])).loglik
        for k in (1, 3)
    )
    close(row, likelihood_ratio(curve, line, df=2).chi2)


def test_as17_random_intercept(check, dataset):
    table = dataset("sleepstudy.csv")
    fit = mixed_model(table["Reaction"], table["Days"], table["Subject"])
    assert fit.n_groups == 18
    close(check("AS17"), [*fit.coef, *fit.se, fit.sd_random[0], fit.sd_residual, fit.criterion])


def test_as18_random_intercept_and_slope(check, dataset):
    table = dataset("sleepstudy.csv")
    fit = mixed_model(table["Reaction"], table["Days"], table["Subject"], slopes=table["Days"])
    close(
        check("AS18"),
        [*fit.se, *fit.sd_random, fit.correlation_random[0, 1], fit.sd_residual, fit.criterion],
    )


def test_as19_random_effects_meta_analysis(check):
    row = check("AS19")
    count = {
        name: np.array(values, dtype=float) for name, values in json.loads(row["dataset_or_inputs"]).items()
    }
    n1, n0 = count["tpos"] + count["tneg"], count["cpos"] + count["cneg"]
    log_ratio = np.log(count["tpos"] / n1) - np.log(count["cpos"] / n0)
    variance = 1 / count["tpos"] - 1 / n1 + 1 / count["cpos"] - 1 / n0
    got = pool_random_effects(log_ratio, variance, tau_method="dersimonian-laird")
    close(row, [got.estimate, got.se, got.tau2, got.q, got.i2_percent, got.hk_se, got.hk_low, got.hk_high])
