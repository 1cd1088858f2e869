"""maxT: the null model's residuals, the permutation law, missing rows, strata, and who is the judge."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations as every_order

import numpy as np
import pytest
from scipy import stats

from discovery.association.maxt import (
    _fixed_sd,
    exchange_groups,
    max_t,
    permuted_blocks,
)
from discovery.association.null_model import centred_in_strata, efron_expected, fit_null
from discovery.association.westfall_young import westfall_young
from discovery.problems import InputError


@pytest.fixture
def lung(dataset, design_from_arrays):
    """Lung cancer, 228 patients with many tied days; age and sex as base, made-up features beside them."""
    table = dataset("lung.csv")
    rng = np.random.default_rng(0)
    base = np.column_stack([(table["age"] - 62) / 9, table["sex"] == 2]).astype(float)
    features = rng.normal(size=(228, 6)) + 0.5 * base[:, :1]
    return design_from_arrays(
        "survival",
        base,
        features,
        time=table["time"].to_numpy(float),
        status=(table["status"] == 2).to_numpy(float),
        stratum=rng.integers(0, 3, 228),
    )


def test_martingale_residuals_sum_to_zero_and_are_orthogonal_to_the_covariates(lung):
    null = fit_null(lung)
    for s in np.unique(lung.stratum):
        assert null.residual[lung.stratum == s].sum() == pytest.approx(0, abs=1e-10)
    np.testing.assert_allclose(lung.base.T @ null.residual, 0, atol=1e-6)


def test_expected_events_agree_with_a_loop_over_risk_sets():
    rng = np.random.default_rng(3)
    n = 40
    time, event = rng.integers(1, 8, n).astype(float), rng.integers(0, 2, n).astype(float)
    entry, eta = np.floor(rng.uniform(0, time)), rng.normal(size=n)
    stratum = rng.integers(0, 2, n)
    expected = np.zeros(n)
    for s in (0, 1):
        for t in np.unique(time[(event == 1) & (stratum == s)]):
            at_risk = (stratum == s) & (entry < t) & (time >= t)
            dead = at_risk & (time == t) & (event == 1)
            risk = np.exp(eta)
            for gone in range(dead.sum()):
                share = at_risk - dead * gone / dead.sum()
                expected += risk * share / (risk * share).sum()
    np.testing.assert_allclose(efron_expected(time, event, eta, stratum, entry), expected, rtol=1e-10)


def test_score_statistic_is_near_the_signed_root_of_the_likelihood_ratio(design_from_arrays):
    """Grouping costs one degree of freedom a group: 10 of 1500 here, so the two should hardly differ."""
    from discovery.kernels.cox import screen_cox

    rng = np.random.default_rng(0)
    base, features = rng.normal(size=(1500, 2)), rng.normal(size=(1500, 8))
    time = rng.exponential(size=1500) * np.exp(-base[:, 0] - 0.05 * features[:, 0])
    status = (time < 1.5).astype(float)
    design = design_from_arrays("survival", base, features, time=np.minimum(time, 1.5), status=status)
    fit = screen_cox(design.time, design.event, base, features)
    statistic = max_t(design, permutations=1, rng=rng).statistic
    np.testing.assert_allclose(statistic, fit.z, atol=0.25)


def test_binary_residuals_are_the_score_of_the_logistic_model(dataset, design_from_arrays):
    table = dataset("birthwt.csv")
    base = table[["age", "smoke"]].to_numpy(float)
    design = design_from_arrays("binary", base, table[["lwt", "ptl"]].to_numpy(float), y=table["low"])
    null = fit_null(design)
    np.testing.assert_allclose(np.column_stack([np.ones(189), base]).T @ null.residual, 0, atol=1e-6)


def test_freedman_lane_statistic_is_the_t_of_the_full_model(dataset, design_from_arrays):
    import statsmodels.api as sm

    table = dataset("diabetes_lars.csv")
    y, base = table["progression"].to_numpy(float), table[["age", "sex"]].to_numpy(float)
    features = table[["bmi", "s1", "s5"]].to_numpy(float)
    features = (features - features.mean(axis=0)) / features.std(axis=0, ddof=1)
    features[::7, 1] = np.nan
    design = design_from_arrays("continuous", base, features, y=y)
    got = max_t(design, permutations=1, rng=np.random.default_rng(0)).statistic
    for j in range(3):
        seen = ~np.isnan(features[:, j])
        fit = sm.OLS(y[seen], np.column_stack([np.ones(seen.sum()), base[seen], features[seen, j]])).fit()
        assert got[j] == pytest.approx(fit.tvalues[-1], rel=1e-8)


def test_two_groups_without_covariates_approach_the_exact_permutation_p(design_from_arrays):
    rng = np.random.default_rng(5)
    x = rng.normal(size=(8, 3))
    y = np.array([0.0, 0, 0, 0, 1, 1, 1, 1])
    x[4:, 0] += 1.5
    design = design_from_arrays("continuous", np.empty((8, 0)), x, y=y)
    exact = westfall_young(x, y)
    size = np.abs(exact.statistic)
    splits = np.array(sorted(set(every_order(y))))
    from scipy.stats import ttest_ind

    largest = [np.abs(ttest_ind(x[s == 1], x[s == 0], axis=0).statistic).max() for s in splits]
    single_step = [(np.array(largest) >= s - 1e-9).mean() for s in size]
    drawn = max_t(design, permutations=20_000, rng=np.random.default_rng(1))
    np.testing.assert_allclose(np.abs(drawn.statistic), size, rtol=1e-10)
    # Monte Carlo error of 20,000 draws: sd at most .0035
    np.testing.assert_allclose(drawn.p_familywise, single_step, atol=0.0125)
    down = max_t(design, permutations=20_000, rng=np.random.default_rng(2), step_down=True)
    np.testing.assert_allclose(down.p_familywise, exact.p_adjusted, atol=0.0125)


def test_permutation_spread_is_the_fixed_sd(lung):
    """Standardised permuted statistics have mean 0 and variance 1, with missing rows and strata too."""
    observed = np.random.default_rng(1).uniform(size=lung.features.shape) > 0.2
    design = replace(lung, observed=observed, features=np.where(observed, lung.features, 0.0))
    null = fit_null(design)
    groups = exchange_groups(null.predictor, design.stratum)
    residual = centred_in_strata(null.residual, groups)
    score = _fixed_sd(null.clean, design.observed, residual, groups)
    blocks = permuted_blocks(residual, groups, 6000, 6, np.random.default_rng(2))
    drawn = np.concatenate([score(b) for b in blocks], axis=1)
    np.testing.assert_allclose(drawn.mean(axis=1), 0, atol=4 / np.sqrt(6000))
    np.testing.assert_allclose(drawn.var(axis=1), 1, atol=0.08)


def test_patients_exchange_residuals_with_their_neighbours_in_risk():
    rng = np.random.default_rng(0)
    predictor, stratum = rng.normal(size=300), np.repeat([0, 1, 2], [200, 80, 20])
    groups = exchange_groups(predictor, stratum)
    sizes = {s: np.bincount(groups[stratum == s])[np.unique(groups[stratum == s])] for s in range(3)}
    assert [len(sizes[s]) for s in range(3)] == [10, 6, 1]
    assert min(map(min, sizes.values())) >= 12
    for s in range(3):
        own = groups[stratum == s][np.argsort(predictor[stratum == s])]
        assert (np.diff(own) >= 0).all()
    assert len(set(groups)) == 17


def test_patients_of_the_same_risk_are_not_parted_and_order_does_not_matter():
    assert len(set(exchange_groups(np.zeros(500)))) == 1
    predictor = np.repeat([0.0, 1.0, 1.0 + 1e-13, 5.0], [30, 50, 50, 3])
    groups = exchange_groups(predictor)
    assert list(np.bincount(groups)) == [30, 103]
    shuffle = np.random.default_rng(1).permutation(133)
    np.testing.assert_array_equal(exchange_groups(predictor[shuffle]), groups[shuffle])


def test_residuals_are_permuted_within_strata_only():
    residual = np.arange(12.0)
    stratum = np.repeat([0, 1, 2], 4)
    (block,) = permuted_blocks(residual, stratum, 50, 1, np.random.default_rng(0))
    for s in range(3):
        np.testing.assert_array_equal(
            np.sort(block[stratum == s], axis=0), np.repeat(residual[stratum == s][:, None], 50, axis=1)
        )


def test_a_missing_value_is_the_same_as_a_patient_who_is_not_there_for_that_feature(lung):
    """With every feature missing in the same patients and the outcome's fit unmoved, nothing else counts."""
    observed = np.ones(lung.features.shape, dtype=bool)
    observed[:20, 2] = False
    gap = replace(lung, observed=observed, features=np.where(observed, lung.features, 0.0))
    full, less = fit_null(lung), fit_null(gap)
    np.testing.assert_array_equal(full.residual, less.residual)
    assert not less.clean[:20, 2].any()
    np.testing.assert_array_equal(np.delete(full.clean, 2, axis=1), np.delete(less.clean, 2, axis=1))
    rows = replace(
        lung,
        base=lung.base[20:],
        features=lung.features[20:],
        observed=observed[20:],
        time=lung.time[20:],
        event=lung.event[20:],
        stratum=lung.stratum[20:],
        patient_id=lung.patient_id[20:],
    )
    # the coefficients of the two null models differ a little, so the projections nearly agree
    np.testing.assert_allclose(less.clean[20:, 2], fit_null(rows).clean[:, 2], atol=0.05)


def test_same_generator_same_bytes_and_a_lone_feature_is_not_corrected(lung):
    first = max_t(lung, permutations=500, rng=np.random.default_rng(9))
    again = max_t(lung, permutations=500, rng=np.random.default_rng(9))
    assert first.p_familywise.tobytes() == again.p_familywise.tobytes()
    alone = max_t(lung.take_features(np.array([0])), permutations=4000, rng=np.random.default_rng(9))
    assert alone.p_familywise[0] == pytest.approx(2 * stats.norm.sf(abs(alone.statistic[0])), abs=0.03)


def test_step_down_is_never_larger_than_single_step(lung):
    one = max_t(lung, permutations=1000, rng=np.random.default_rng(4))
    down = max_t(lung, permutations=1000, rng=np.random.default_rng(4), step_down=True)
    assert (down.p_familywise <= one.p_familywise).all()
    assert down.p_familywise[np.argmax(np.abs(down.statistic))] == one.p_familywise.min()


def test_a_feature_that_repeats_a_covariate_has_no_permutation_p(lung):
    features = lung.features.copy()
    features[:, 1] = 2 * lung.base[:, 0] - 1
    got = max_t(replace(lung, features=features), permutations=200, rng=np.random.default_rng(4))
    assert np.isnan(got.p_familywise[1])
    assert np.isnan(got.statistic[1])
    assert np.isfinite(np.delete(got.p_familywise, 1)).all()


def test_random_relabelling_agrees_with_full_enumeration():
    rng = np.random.default_rng(11)
    markers, group = rng.normal(size=(12, 4)), np.arange(12) % 2
    markers[:, 1] += group
    markers[3, 2] = np.nan
    exact = westfall_young(markers, group)
    drawn = westfall_young(markers, group, enumerate_up_to=10, permutations=20_000, rng=rng)
    assert exact.enumerated
    assert not drawn.enumerated
    np.testing.assert_allclose(drawn.p_adjusted, exact.p_adjusted, atol=0.0125)
    np.testing.assert_allclose(drawn.p_raw, exact.p_raw, atol=0.0125)


def test_faults_are_told(lung):
    with pytest.raises(InputError, match="permutations"):
        max_t(lung, permutations=0, rng=np.random.default_rng(0))
    with pytest.raises(InputError, match="one of two groups"):
        westfall_young(np.ones((4, 2)), [0, 1, 2, 1])
    with pytest.raises(InputError, match="a generator to draw"):
        westfall_young(np.ones((40, 2)), np.arange(40) % 2)
