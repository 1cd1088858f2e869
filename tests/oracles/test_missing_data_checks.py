"""Missing data against other programs' results, rows MD01-MD07 of shared/statistical_checks.csv."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.regression import least_squares
from discovery.cohort.missing import missing_patterns, missing_table
from discovery.cohort.missing_completely import little_test
from discovery.cohort.pooling import pool, pool_wald


def agrees(got, row):
    np.testing.assert_allclose(
        np.ravel(np.asarray(got, dtype=float)), np.ravel(row["expected"]), rtol=0, atol=row["tolerance"]
    )


@pytest.fixture(scope="module")
def copies(dataset):
    """Coefficients (5, 3) of chl ~ age + bmi in each completed copy and their covariances (5, 3, 3)."""
    coefficients, covariances = [], []
    for _, copy in dataset("nhanes25_imputed5.csv").groupby("imputation"):
        fit = least_squares(copy["chl"], copy[["age", "bmi"]])
        x = np.column_stack([np.ones(len(copy)), copy[["age", "bmi"]]])
        coefficients.append(fit.coef)
        covariances.append(fit.sigma**2 * np.linalg.inv(x.T @ x))
    return np.array(coefficients), np.array(covariances)


@pytest.fixture(scope="module")
def pooled(copies):
    coefficients, covariances = copies
    return pool(coefficients, np.einsum("mkk->mk", covariances), df_complete=22)


def test_patterns_of_missingness(check, dataset):
    # MD01, R mice 3.15.0 md.pattern; the row names the patterns as text, complete rows first
    data = dataset("nhanes25.csv")[["age", "hyp", "bmi", "chl"]]
    table = missing_patterns(data)
    written = {
        "".join(str(int(seen)) for seen in row): n
        for row, n in zip(table[list(data.columns)].to_numpy(), table["n"])
    }
    row = check("MD01")
    names = [name for name in row["quantity"].split("[")[1].rstrip("]").split(", ")]
    agrees([written.pop(name) for name in names], row)
    assert not written


def test_pooled_coefficients_and_standard_errors(check, pooled):
    # MD02, R mice 3.15.0 pool
    agrees([*pooled.estimate, *pooled.se], check("MD02"))


def test_variance_parts(check, pooled):
    # MD03, R mice 3.15.0 pool
    age = [getattr(pooled, name)[1] for name in ("within", "between", "total", "share_imputed", "riv")]
    agrees(age, check("MD03"))


def test_barnard_rubin_df_and_missing_information(check, pooled):
    # MD04, R mice 3.15.0 pool, complete-data df 22
    agrees([*pooled.df, *pooled.fmi], check("MD04"))


def test_pooled_wald_test_of_two_coefficients(check, copies):
    # MD05, R mice 3.15.0 D1; second df by Reiter 2007
    coefficients, covariances = copies
    test = pool_wald(coefficients[:, 1:], covariances[:, 1:, 1:], df_complete=22)
    agrees([test.f_value, test.df1, test.df2, test.riv], check("MD05"))


def test_missing_cells_of_pima(check, dataset):
    # MD06, R MASS 7.3-58.2 Pima.tr2
    data = dataset("pima_tr2.csv")
    table = missing_table(data)
    gone = table[table["by"] == "all"].set_index("variable")["n_missing"]
    patterns = missing_patterns(data)
    complete = patterns.loc[patterns["n_variables_missing"] == 0, "n"].item()
    agrees([complete, gone["bp"], gone["skin"], gone["bmi"]], check("MD06"))


def test_little_test(check, dataset):
    # MD07, closed form of Little 1988; the row states its own tolerance
    got = little_test(dataset("nhanes25.csv"))
    assert got.converged
    agrees([got.statistic, got.df, got.p_value], check("MD07"))


def test_pooling_without_anything_missing_is_the_complete_answer():
    # closed form: no variance between copies, so the variance is the one within and nothing is missing
    same = pool(np.full((3, 1), 2.0), np.full((3, 1), 0.25), df_complete=40)
    complete = 41 / 43 * 40
    assert same.total == pytest.approx(0.25)
    assert same.df == pytest.approx(complete)
    assert same.fmi == pytest.approx(2 / (complete + 3))


def test_copies_that_agree_but_for_rounding_give_the_normal_test():
    """Closed form: with B = 0 nothing is missing, and a test that is normal in complete data stays so."""
    noise = np.array([[0.0], [1.0], [-1.0]]) * 1e-15
    same = pool(2.0 + noise, np.ones((3, 1)))
    assert same.df == np.inf
    assert (same.between, same.riv, same.fmi) == (0, 0, 0)
    assert same.p_value == pytest.approx(2 * stats.norm.sf(2))
    np.testing.assert_allclose(same.interval(), [[2 - stats.norm.ppf(0.975)], [2 + stats.norm.ppf(0.975)]])
    some = pool(2.0 + 1e13 * noise, np.ones((3, 1)))
    assert some.df == pytest.approx(2 / (4 / 3 * 1e-4) ** 2, rel=1e-3)

    both = pool_wald(np.array([[2.0, 1.0]]) + noise, np.tile(np.diag([1.0, 0.25]), (3, 1, 1)))
    assert (both.riv, both.df2) == (0, np.inf)
    assert both.p_value == pytest.approx(stats.chi2.sf(4 + 4, 2))


def test_little_test_of_complete_rows_has_no_answer():
    got = little_test(pd.DataFrame({"a": [1.0, 2.0, 4.0], "b": [2.0, 1.0, 5.0]}))
    assert got.df == 0
    assert np.isnan(got.p_value)
