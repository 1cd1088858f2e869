"""ROC curves, rank tests, correlations, pooling and single regressions: laws, edges, other packages."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.association.correlation import correlation, partial_spearman
from discovery.association.group_tests import dunn, kruskal_wallis, mann_whitney
from discovery.association.meta_analysis import pool_random_effects
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
from discovery.association.roc import auc_with_interval, compare_aucs
from discovery.problems import InputError


def test_auc_counts_pairs_and_turns_over_with_the_score():
    rng = np.random.default_rng(0)
    y, score = rng.integers(0, 2, 60), rng.integers(0, 6, 60).astype(float)
    case, control = score[y == 1][:, None], score[y == 0]
    pairs = ((case > control) + 0.5 * (case == control)).mean()
    found = auc_with_interval(y, score)
    assert found.auc == pytest.approx(pairs, abs=1e-12)
    turned = auc_with_interval(y, -score)
    assert (turned.auc, turned.ci_low) == pytest.approx((1 - found.auc, 1 - found.ci_high))


def test_delong_interval_covers_the_true_auc():
    truth = stats.norm.cdf(1 / np.sqrt(2))
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(400):
        y = np.repeat([1, 0], [30, 50])
        found = auc_with_interval(y, rng.normal(size=80) + y)
        inside += found.ci_low <= truth <= found.ci_high
    # DeLong's raw interval is known to be a little short at this size
    assert inside / 400 == pytest.approx(0.94, abs=0.035)


def test_auc_edges():
    y = np.array([0, 0, 0, 1, 1, 1.0, np.nan])
    perfect = auc_with_interval(y, np.arange(7.0))
    assert perfect.auc == 1
    assert np.isnan(perfect.ci_low)
    assert auc_with_interval(y, [1, 1, 1, 1, 1, 1, np.nan]).auc == 0.5
    with pytest.raises(InputError, match="at least two patients of each"):
        auc_with_interval([0, 0, 1], [1.0, 2, 3])
    same = compare_aucs([0, 0, 1, 1, 0, 1], np.arange(6.0), np.arange(6.0))
    assert same.difference == 0
    assert np.isnan(same.z)


def test_rank_tests_leave_out_missing_values_and_refuse_empty_groups():
    a, b = [1.0, 2, 3, np.nan], [2.0, 5, 6]
    assert mann_whitney(a, b).n_first == 3
    assert mann_whitney(a, b).u + mann_whitney(b, a).u == 9
    assert kruskal_wallis({"a": a, "b": b}).n == 6
    with pytest.raises(InputError, match="no value in b"):
        kruskal_wallis({"a": a, "b": [np.nan]})
    assert np.isnan(kruskal_wallis({"a": [1.0, 1], "b": [1.0]}).h)
    pairs = dunn({"a": a, "b": b, "c": [7.0, 8]})
    assert list(pairs.columns) == ["first", "second", "z", "p_value", "p_holm"]
    assert (pairs["p_holm"] >= pairs["p_value"]).all()


def test_dunn_of_two_groups_is_kruskal_wallis():
    rng = np.random.default_rng(2)
    groups = {"a": rng.integers(0, 9, 20), "b": rng.integers(2, 12, 25)}
    assert dunn(groups)["z"].iloc[0] ** 2 == pytest.approx(kruskal_wallis(groups).h)


def test_correlations_against_scipy_with_missing_pairs():
    rng = np.random.default_rng(3)
    x = rng.normal(size=50)
    y = 0.6 * x + rng.normal(size=50)
    x[3], y[7] = np.nan, np.nan
    seen = ~(np.isnan(x) | np.isnan(y))
    pearson = stats.pearsonr(x[seen], y[seen])
    found = correlation(x, y)
    assert (found.estimate, found.p_value) == pytest.approx((pearson.statistic, pearson.pvalue))
    assert (found.ci_low, found.ci_high) == pytest.approx(tuple(pearson.confidence_interval()))
    spearman = stats.spearmanr(x[seen], y[seen])
    found = correlation(x, y, kind="spearman")
    assert (found.estimate, found.p_value) == pytest.approx((spearman.statistic, spearman.pvalue))
    kendall = stats.kendalltau(x[seen], y[seen])
    found = correlation(x, y, kind="kendall")
    assert (found.estimate, found.p_value) == pytest.approx((kendall.statistic, kendall.pvalue))
    assert np.isnan(correlation(x, np.ones(50)).estimate)
    assert correlation(x, x).p_value > 0
    with pytest.raises(InputError, match="did you mean 'spearman'"):
        correlation(x, y, kind="spearmann")


def test_partial_correlation_vanishes_given_the_common_cause():
    rng = np.random.default_rng(4)
    z = rng.normal(size=4000)
    x, y = z + rng.normal(size=4000), z + rng.normal(size=4000)
    assert correlation(x, y, kind="spearman").estimate > 0.4
    found = partial_spearman(x, y, z)
    assert abs(found.estimate) < 0.06
    assert found.n_given == 1
    assert np.isnan(partial_spearman(x[:4], y[:4], z[:4]).estimate)


def test_pooling_against_statsmodels():
    from statsmodels.stats.meta_analysis import combine_effects

    rng, seen = np.random.default_rng(5), 0
    for k in (3, 8, 8, 12):
        variance = rng.uniform(0.02, 0.2, k)
        y = rng.normal(0.3, np.sqrt(variance + 0.15))
        for ours, theirs in (("paule-mandel", "iterated"), ("dersimonian-laird", "chi2")):
            got = pool_random_effects(y, variance, tau_method=ours)
            other = combine_effects(y, variance, method_re=theirs, use_t=False)
            # the other program lets the variance go below 0
            assert got.tau2 == pytest.approx(max(other.tau2, 0.0), abs=1e-6)
            seen += got.tau2 > 0
            if got.tau2 > 0:
                row = other.summary_frame().loc["random effect"]
                assert (got.estimate, got.se) == pytest.approx((row["eff"], row["sd_eff"]), abs=1e-5)
    assert seen >= 4


def test_modified_interval_is_never_narrower_than_the_plain_one():
    agree = pool_random_effects([0.30, 0.31, 0.29], [0.04, 0.05, 0.06])
    assert agree.tau2 == 0
    assert agree.hk_se < agree.se == pytest.approx(agree.modified_se)
    t = stats.t.ppf(0.975, 2)
    assert agree.modified_high - agree.estimate == pytest.approx(t * agree.se)
    apart = pool_random_effects([0.9, -0.5, 0.2, 1.6], [0.01] * 4)
    # equal variances: tau2 is the sample variance less the error variance, and the plain se is that of a mean
    spread = np.var([0.9, -0.5, 0.2, 1.6], ddof=1)
    assert apart.tau2 == pytest.approx(spread - 0.01, rel=1e-9)
    assert apart.hk_se == pytest.approx(np.sqrt(spread / 4), rel=1e-9)
    reach = stats.t.ppf(0.975, 3) * np.sqrt(apart.tau2 + apart.modified_se**2)
    assert apart.prediction_high == pytest.approx(apart.estimate + reach)


def test_plain_hartung_knapp_covers_and_normal_falls_short():
    """Methods note, section 7.3, K = 5, tau .3: Hartung-Knapp .946, normal .909."""
    rng = np.random.default_rng(6)
    covered = {"hk": 0, "modified": 0, "normal": 0}
    for _ in range(2000):
        v = rng.uniform(0.02, 0.12, 5)
        y = rng.normal(0.5, np.sqrt(v + 0.09))
        got = pool_random_effects(y, v)
        covered["hk"] += got.hk_low <= 0.5 <= got.hk_high
        covered["modified"] += got.modified_low <= 0.5 <= got.modified_high
        covered["normal"] += got.ci_low <= 0.5 <= got.ci_high
    assert covered["hk"] / 2000 == pytest.approx(0.95, abs=0.02)
    assert covered["modified"] >= covered["hk"]
    assert covered["normal"] / 2000 < 0.93


def test_pooling_edges():
    one = pool_random_effects([0.4, np.nan], [0.04, 0.1])
    assert one.k == 1
    assert one.estimate == 0.4
    assert np.isnan([one.hk_low, one.modified_high, one.q_p_value, one.prediction_low]).all()
    with pytest.raises(InputError, match="variances above 0"):
        pool_random_effects([0.1, 0.2], [0.1, 0.0])
    with pytest.raises(InputError, match="paule-mandel"):
        pool_random_effects([0.1, 0.2], [0.1, 0.1], tau_method="paule")


def test_least_squares_edges():
    rng = np.random.default_rng(7)
    x = rng.normal(size=(20, 2))
    y = rng.normal(size=20)
    y[3] = np.nan
    assert least_squares(y, x).n == 19
    with pytest.raises(InputError, match="independent columns"):
        least_squares(y, np.column_stack([x, x[:, 0]]))
    alone = np.zeros(20)
    alone[0] = 1.0  # one patient fixes this coefficient: its HC3 cannot be known
    assert np.isnan(least_squares(y, alone).hc3).any()


def test_risk_ratio_of_a_two_by_two_table():
    """Saturated model: log of the ratio of two shares; sandwich variance (1 - p) / (n p) of each."""
    x = np.repeat([1.0, 0.0], [40, 60])
    y = np.r_[np.ones(10), np.zeros(30), np.ones(6), np.zeros(54)]
    fit = risk_ratio(y, x)
    assert fit.coef[1] == pytest.approx(np.log((10 / 40) / (6 / 60)), rel=1e-8)
    assert fit.se[1] == pytest.approx(np.sqrt(0.75 / 10 + 0.9 / 6), rel=1e-8)


def test_logistic_of_a_two_by_two_table():
    x = np.repeat([1.0, 0.0], [40, 60])
    y = np.r_[np.ones(10), np.zeros(30), np.ones(6), np.zeros(54)]
    fit = logistic(y, x)
    assert fit.coef[1] == pytest.approx(np.log(10 * 54 / (30 * 6)), rel=1e-8)
    assert fit.se[1] == pytest.approx(np.sqrt(1 / 10 + 1 / 30 + 1 / 6 + 1 / 54), rel=1e-8)
    empty = np.r_[np.ones(10), np.zeros(30), np.zeros(60)]
    with pytest.raises(InputError, match="firth=True"):
        logistic(empty, x)
    assert logistic(empty, x, firth=True).coef[1] == pytest.approx(
        np.log(10.5 * 60.5 / (30.5 * 0.5)), rel=1e-6
    )


def test_categories_collapse_to_logistic_and_to_cumulative_shares():
    rng = np.random.default_rng(8)
    x = rng.normal(size=(200, 2)) * [1, 50] + [0, 400]
    y = (rng.uniform(size=200) < 1 / (1 + np.exp(-x[:, 0]))).astype(float)
    two, plain = multinomial(y, x), logistic(y, x)
    np.testing.assert_allclose(two.coef[:, 0], plain.coef, rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(two.se[:, 0], plain.se, rtol=1e-6)
    assert two.loglik == pytest.approx(plain.loglik)
    latent = x[:, 0] + rng.logistic(size=200)
    codes = np.digitize(latent, [-1, 0.5, 2])
    fit = proportional_odds(codes, x)
    assert fit.coef[0] == pytest.approx(1, abs=3.5 * fit.se[0])
    turned = proportional_odds(3 - codes, x)
    np.testing.assert_allclose(turned.coef, -fit.coef, rtol=1e-4, atol=1e-7)
    with pytest.raises(InputError, match="three ordered classes"):
        proportional_odds(y, x)


def test_balanced_random_intercept_is_the_analysis_of_variance():
    rng = np.random.default_rng(9)
    group = np.repeat(np.arange(15), 6)
    y = rng.normal(size=15)[group] * 2 + rng.normal(size=90)
    fit = mixed_model(y, np.empty((90, 0)), group)
    table = y.reshape(15, 6)
    within = table.var(axis=1, ddof=1).mean()
    between = 6 * table.mean(axis=1).var(ddof=1)
    assert fit.sd_residual**2 == pytest.approx(within, rel=1e-4)
    assert fit.sd_random[0] ** 2 == pytest.approx((between - within) / 6, rel=1e-4)
    assert fit.coef[0] == pytest.approx(y.mean())
    with pytest.raises(InputError, match="complete rows"):
        mixed_model(np.r_[np.nan, y[1:]], np.empty((90, 0)), group)


def test_cox_regression_against_statsmodels(dataset):
    from statsmodels.api import PHReg

    table = dataset("lung.csv")[["time", "status", "age", "sex", "wt.loss"]].assign(
        status=lambda t: (t["status"] == 2).astype(float)
    )
    got = cox(table["time"], table["status"], table[["age", "sex", "wt.loss"]])
    complete = table.dropna()
    other = PHReg(
        complete["time"], complete[["age", "sex", "wt.loss"]], status=complete["status"], ties="efron"
    ).fit()
    assert got.n == len(complete)
    np.testing.assert_allclose(got.coef, other.params, atol=1e-8)
    np.testing.assert_allclose(got.se, other.bse, rtol=1e-6)
    assert got.loglik == pytest.approx(other.llf, abs=1e-7)


def test_likelihood_ratio_never_gives_zero_or_negative():
    assert likelihood_ratio(-10.0, -10.0 + 1e-12, 1).chi2 == 0
    assert likelihood_ratio(0.0, -1e5, 1).p_value > 0
