"""Recurrent episodes: rows, rates, counts, mean numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.survival.counts import count_regression
from discovery.survival.cox import cox_model
from discovery.survival.curves import nelson_aalen
from discovery.survival.mean_episodes import mean_episodes
from discovery.survival.recurrent import andersen_gill, start_stop_rows


def frail_cohort(rng, n, *, log_ratio=0.0, frailty=1.0, death=0.2):
    x = rng.normal(size=n)
    rate = 1.5 * np.exp(log_ratio * x) * (rng.gamma(1 / frailty, frailty, n) if frailty else 1.0)
    end = np.minimum(rng.exponential(1 / death, n), 3.0)
    died = end < 3.0
    episodes = [np.sort(rng.uniform(0, last, rng.poisson(r * last))) for r, last in zip(rate, end)]
    return x, end, died, episodes


def test_rows_cover_each_patient_once():
    rows = start_stop_rows(["a", "b", "c"], [5.0, 4, 3], [[1, 2.5], [], [3.0]])
    assert rows.to_dict("list") == {
        "patient": ["a", "a", "a", "b", "c"],
        "start": [0, 1, 2.5, 0, 0],
        "stop": [1, 2.5, 5, 4, 3],
        "event": [1, 1, 0, 0, 1],
        "number": [1, 2, 3, 1, 1],
    }
    for episodes in ([[2, 1], [], []], [[1, 1], [], []], [[6], [], []], [[0], [], []]):
        with pytest.raises(InputError, match="ascending times above 0"):
            start_stop_rows(["a", "b", "c"], [5.0, 4, 3], episodes)


def test_andersen_gill_errors_hold_under_frailty_where_model_errors_do_not(full_validity):
    # Truth: no effect; a gamma frailty of variance 1 makes episodes of a patient alike.
    runs = 1000 if full_validity else 150
    rng = np.random.default_rng(20261125)
    robust, model = 0, 0
    for _ in range(runs):
        x, end, _, episodes = frail_cohort(rng, 120)
        rows = start_stop_rows(range(120), end, episodes)
        fit = andersen_gill(rows.start, rows.stop, rows.event, x[rows.patient], rows.patient)
        robust += abs(fit.coef[0] / fit.se[0]) > 1.96
        model += abs(fit.coef[0] / fit.model_se[0]) > 1.96
    assert robust / runs < 0.05 + 0.02 + 3 * np.sqrt(0.05 * 0.95 / runs)
    assert model / runs > 0.15


def test_one_episode_a_patient_is_a_cox_model():
    rng = np.random.default_rng(2)
    x, time = rng.normal(size=60), rng.exponential(1, 60)
    rows = start_stop_rows(range(60), time, [[t] for t in time])
    a = andersen_gill(rows.start, rows.stop, rows.event, x, rows.patient)
    b = cox_model(time, np.ones(60), x, robust=True)
    assert a.coef[0] == pytest.approx(b.coef[0], abs=1e-9)
    assert a.se[0] == pytest.approx(b.se[0], abs=1e-9)
    assert a.effect_measure == "log rate ratio"
    assert "Andersen-Gill" in a.table()["method"][0]


def overdispersed(rng, n=400, ratio=0.6):
    group = np.repeat([0.0, 1.0], n // 2)
    mu = 2 * np.exp(ratio * group)
    return group, rng.poisson(mu * rng.gamma(2, 0.5, n)).astype(float)


@pytest.mark.parametrize("family", ["negative binomial", "poisson"])
def test_equal_exposures_and_two_groups_give_the_ratio_of_means(family):
    # Closed form for either family.
    group, count = overdispersed(np.random.default_rng(3))
    fit = count_regression(count, np.full(400, 2.0), group, family=family)
    means = count[group == 0].mean(), count[group == 1].mean()
    assert fit.coef[0] == pytest.approx(np.log(means[0] / 2), abs=1e-5)
    assert fit.coef[1] == pytest.approx(np.log(means[1] / means[0]), abs=1e-5)
    if family == "poisson":
        # Sandwich of a two-group Poisson model: sum of var(y)/n/mean^2, with divisor n.
        expected = sum(count[group == g].var() / 200 / count[group == g].mean() ** 2 for g in (0, 1))
        assert fit.se[1] == pytest.approx(np.sqrt(expected), rel=1e-6)
    else:
        alpha = np.exp(fit.coef[2])
        expected = sum((1 / m + alpha) / 200 for m in means)
        assert fit.se[1] == pytest.approx(np.sqrt(expected), rel=0.02)
        assert fit.lr_chi2 > 0


def test_negative_binomial_is_that_of_a_generalised_linear_model_at_its_dispersion():
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    x, exposure = rng.normal(100, 15, 300), rng.uniform(0.2, 3, 300)
    count = rng.poisson(exposure * np.exp(0.02 * (x - 100)) * rng.gamma(1.5, 1 / 1.5, 300) * 2)
    fit = count_regression(count, exposure, pd.DataFrame({"x": x}))
    alpha = float(np.exp(fit.coef[-1]))
    glm = sm.GLM(
        count, sm.add_constant(x), family=sm.families.NegativeBinomial(alpha=alpha), offset=np.log(exposure)
    ).fit()
    np.testing.assert_allclose(fit.coef[:2], glm.params, rtol=1e-4, atol=1e-6)
    assert fit.loglik == pytest.approx(glm.llf, rel=1e-6)
    assert fit.names == ("intercept", "x", "log(alpha)")


def test_counts_without_overdispersion_fall_back_and_say_so():
    count = np.tile([2.0, 3.0], 50)  # less spread than Poisson
    fit = count_regression(count, np.ones(100), np.tile([0.0, 0.0, 1.0, 1.0], 25))
    assert "Poisson with sandwich errors instead" in fit.note
    assert fit.method.startswith("Poisson")


def test_count_refusals():
    for change, words in (
        ({"count": [1, 2, 0.5]}, "whole numbers from 0 up"),
        ({"exposure": [1, 0, 1]}, "observed time above 0"),
        ({"count": [0, 0, 0]}, "at least one episode"),
        ({"covariates": np.ones(3)}, "columns that vary"),
        ({"family": "gamma"}, "known: negative binomial, poisson"),
    ):
        arguments = {"count": [1, 2, 0], "exposure": [1, 1, 1], "covariates": np.array([1.0, 3, 2])} | change
        with pytest.raises(InputError, match=words):
            count_regression(**arguments)


def test_mean_number_without_death_is_nelson_aalen_of_the_episodes():
    rng = np.random.default_rng(5)
    _, end, _, episodes = frail_cohort(rng, 40)
    rows = start_stop_rows(range(40), end, episodes)
    table = mean_episodes(rows.start, rows.stop, rows.event, rows.patient)
    hazard = nelson_aalen(rows.stop, rows.event, entry=rows.start)
    np.testing.assert_allclose(table["mean"], hazard.at(table["time"]))


def test_mean_number_with_everybody_followed_is_the_average_count():
    # Closed form: no censoring but death, so the mean number by t is the average over patients, with its
    # error.
    rng = np.random.default_rng(6)
    _, end, died, episodes = frail_cohort(rng, 80, death=0.7)
    rows = start_stop_rows(range(80), end, episodes)
    last = rows["stop"] == end[rows["patient"]]
    terminal = (last & died[rows["patient"]]).astype(int)
    table = mean_episodes(rows.start, rows.stop, rows.event, rows.patient, terminal=terminal)
    for row in table.iloc[[3, len(table) // 2, -1]].itertuples():
        counts = np.array([(np.asarray(times) <= row.time).sum() for times in episodes])
        assert row.mean == pytest.approx(counts.mean())
        assert row.se == pytest.approx(counts.std() / np.sqrt(80), rel=1e-6)


def test_influence_of_the_mean_number_is_the_derivative_by_weights():
    # Repeating every patient k times divides the error by sqrt(k): a law of the sandwich.
    rng = np.random.default_rng(7)
    _, end, died, episodes = frail_cohort(rng, 30, death=0.5)
    limit = rng.uniform(0.5, 3, 30)
    died &= end <= limit
    end = np.minimum(end, limit)
    episodes = [times[times <= last] for times, last in zip(episodes, end)]

    def table(copies):
        who = [f"{i}-{c}" for c in range(copies) for i in range(30)]
        rows = start_stop_rows(who, np.tile(end, copies), episodes * copies)
        dead = {name: d for name, d in zip(who, np.tile(died, copies))}
        last = rows.groupby("patient")["stop"].transform("max") == rows["stop"]
        terminal = last & rows["patient"].map(dead)
        return mean_episodes(rows.start, rows.stop, rows.event, rows.patient, terminal=terminal)

    one, four = table(1), table(4)
    np.testing.assert_allclose(one["mean"], four["mean"])
    np.testing.assert_allclose(one["se"], 2 * four["se"])


def test_mean_number_refusals():
    with pytest.raises(InputError, match="start before stop"):
        mean_episodes([1.0], [1.0], [1], ["a"])
    with pytest.raises(InputError, match="at least one episode"):
        mean_episodes([0.0], [1.0], [0], ["a"])
