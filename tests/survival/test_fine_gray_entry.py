"""Fine-Gray regression with delayed entry: weights from their definition, limits, laws."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.survival.cox import cox_model
from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.fine_gray import _prepare, _risk_sums, fine_gray

TIES = ("event at risk", "event first")


def late_sample(rng, n, log_ratio=0.5, *, rounded=0.0, censored=True):
    """Truth as in Fine & Gray's scheme; a quarter is there from the start, the others come up to time 1."""
    x = rng.normal(size=8 * n)
    ratio, p = np.exp(log_ratio * x), 0.5
    share = 1 - (1 - p) ** ratio
    first, u = rng.random(8 * n) < share, rng.random(8 * n) * share
    time = np.where(first, -np.log(1 - (1 - (1 - u) ** (1 / ratio)) / p), rng.exponential(1, 8 * n))
    limit = rng.exponential(1.5, 8 * n) if censored else np.full(8 * n, np.inf)
    entry = np.maximum(rng.uniform(-1 / 3, 1, 8 * n), 0)
    status = np.where(limit < time, 0, np.where(first, 1, 2))
    time = np.minimum(time, limit)
    if rounded:
        time, entry = np.ceil(time * rounded), np.floor(entry * rounded)
    seen = np.flatnonzero(entry < time)[:n]
    return time[seen], status[seen], entry[seen], x[seen]


def weights_by_definition(time, status, entry, ties, case=None):
    """Weight of every row at every cause time (n, m): Geskus 2011, equations 5 and 6, sums and products.

    `case` (n,) weights of the rows. Events are followed by censorings and these by entries.
    """
    case = np.ones(len(time)) if case is None else case
    times = np.unique(time[status == 1])

    def uncensored(t):  # G(t-)
        value = 1.0
        for u in np.unique(time[(status == 0) & (time < t)]):
            watched = (entry < u) & (time >= u)
            if ties == "event first":
                watched &= (time > u) | (status == 0)
            value *= 1 - case[(time == u) & (status == 0)].sum() / case[watched].sum()
        return value

    def entered(t):  # H(t-)
        value = 1.0
        for s in np.unique(entry[entry >= t]):
            value *= 1 - case[entry == s].sum() / case[(entry <= s) & (time > s)].sum()
        return value

    at = {t: uncensored(t) * entered(t) for t in np.union1d(times, time[status > 1])}
    weights = ((entry[:, None] < times) & (time[:, None] >= times)).astype(float)
    for i in np.flatnonzero(status > 1):
        for k in np.flatnonzero(times > time[i]):
            weights[i, k] = at[times[k]] / at[time[i]]
    return times, weights


def newton(times, weights, time, status, x, case=None):
    """Coefficients of the weighted Breslow likelihood, in plain matrices."""
    x = np.asarray(x, dtype=float).reshape(len(time), -1)
    case = np.ones(len(time)) if case is None else case
    weights, mine = weights * case[:, None], status == 1
    deaths = np.array([case[mine & (time == t)].sum() for t in times])
    beta = np.zeros(x.shape[1])
    for _ in range(30):
        risk = weights * np.exp(x @ beta)[:, None]
        share = risk / risk.sum(axis=0)
        mean = share.T @ x
        spread = sum(
            d * (x.T @ (s[:, None] * x) - np.outer(m, m))
            for d, s, m in zip(deaths, share.T, mean, strict=True)
        )
        beta = beta + np.linalg.solve(spread, (case * mine) @ x - deaths @ mean)
    return beta


@pytest.mark.parametrize("ties", TIES)
@pytest.mark.parametrize("rounded", [0.0, 8.0])
def test_coefficients_from_the_definition_of_the_weights(ties, rounded):
    time, status, entry, x = late_sample(np.random.default_rng(1), 120, rounded=rounded)
    covariates = np.column_stack([x, np.random.default_rng(2).normal(size=120)])
    fit = fine_gray(time, status, covariates, entry=entry, censoring_ties=ties)
    want = newton(*weights_by_definition(time, status, entry, ties), time, status, covariates)
    np.testing.assert_allclose(fit.coef, want, atol=1e-9)
    assert "delayed entry, censoring and entry estimated" in fit.method


def test_weights_of_small_data_by_hand():
    # A competing event at 1. Just after 2 four are under observation, two of them new, so that H doubles;
    # at 3 one of four is censored; after 4 there are five, two of them new; at 8 one of three is censored.
    time = np.array([1.0, 6, 3, 7, 8, 9, 10])
    status = np.array([2, 1, 0, 1, 0, 1, 0])
    entry = np.array([0.0, 0, 0, 2, 2, 4, 4])
    w = _prepare(time, status, status == 1, "event first", entry)
    at_6 = (4 / 2) * (3 / 4) * (5 / 3)
    np.testing.assert_allclose(w.stay * w.from_event[0], [at_6, at_6, at_6 * (2 / 3)])


def test_rows_split_at_the_events_and_fitted_by_lifelines():
    from lifelines import CoxTimeVaryingFitter

    time, status, entry, x = late_sample(np.random.default_rng(3), 150)
    times, weights = weights_by_definition(time, status, entry, "event at risk")
    rows = [(i, entry[i], time[i], x[i], status[i] == 1, 1.0) for i in range(150)]
    for i in np.flatnonzero(status > 1):
        begin = time[i]
        for k in np.flatnonzero(times > time[i]):
            rows.append((i, begin, times[k], x[i], False, weights[i, k]))
            begin = times[k]
    table = pd.DataFrame(rows, columns=["id", "start", "stop", "x", "event", "weight"])
    other = CoxTimeVaryingFitter().fit(
        table, id_col="id", event_col="event", start_col="start", stop_col="stop", weights_col="weight",
        fit_options={"precision": 1e-12},
    )  # fmt: skip
    assert fine_gray(time, status, x, entry=entry).coef[0] == pytest.approx(other.params_["x"], abs=1e-7)


def by_age(dataset):
    """mgus2 with age as time: an open cohort with delayed entry, many ties and few patients early on."""
    table = dataset("mgus2.csv")
    start = table["age"].to_numpy(dtype=float) * 12
    return start, start + table["etime"].to_numpy(dtype=float), table["event"].to_numpy(), table


def incidence_by_weights(time, status, entry):
    w = _prepare(time, status, status == 1, "event first", entry)
    return w.times, 1 - np.cumprod(1 - w.deaths / _risk_sums(np.ones(len(time)), w))


def test_without_covariates_it_is_the_aalen_johansen_curve(dataset):
    # Law: Geskus 2011, theorem 1, with ties and entries at times of events.
    entry, time, status, _ = by_age(dataset)
    samples = [(time, status, entry)]
    samples += [late_sample(np.random.default_rng(seed), 150, rounded=8.0)[:3] for seed in range(20)]
    for time, status, entry in samples:
        times, incidence = incidence_by_weights(time, status, entry)
        curve = aalen_johansen(time, status, entry=entry, causes=[1], variance="delta")
        np.testing.assert_allclose(incidence, curve.at(times)[0], rtol=0, atol=1e-10)


def test_age_as_time_scale_of_an_open_cohort(dataset):
    entry, time, status, table = by_age(dataset)
    male = (table["sex"] == "M").astype(float)
    fit = fine_gray(time, status, male, entry=entry, censoring_ties="event first")
    want = newton(*weights_by_definition(time, status, entry, "event first"), time, status, male)
    np.testing.assert_allclose(fit.coef, want, atol=1e-9)
    assert "a patient weighs more than 100 others:" in fit.note


def test_without_competing_events_it_is_a_cox_model_with_delayed_entry():
    from lifelines import CoxPHFitter

    time, status, entry, x = late_sample(np.random.default_rng(4), 150)
    event = (status == 1).astype(int)
    table = pd.DataFrame({"time": time, "event": event, "entry": entry, "x": x})
    other = CoxPHFitter().fit(
        table, "time", "event", entry_col="entry", fit_options={"precision": 1e-12}
    )  # fmt: skip
    assert fine_gray(time, event, x, entry=entry).coef[0] == pytest.approx(other.params_["x"], abs=1e-7)
    time, status, entry, x = late_sample(np.random.default_rng(5), 150, rounded=8.0)
    event = (status == 1).astype(int)
    for variance in ("censoring estimated", "censoring known"):
        fit = fine_gray(time, event, x, entry=entry, variance=variance)
        cox = cox_model(time, event, x, entry=entry, ties="breslow", robust=True)
        assert fit.coef[0] == pytest.approx(cox.coef[0], abs=1e-8)
        assert fit.se[0] == pytest.approx(cox.se[0], abs=1e-8)
        assert fit.loglik == pytest.approx(cox.loglik)


@pytest.mark.parametrize("ties", TIES)
@pytest.mark.parametrize("variance", ["censoring estimated", "censoring known"])
def test_entry_at_the_start_changes_nothing(ties, variance):
    time, status, _, x = late_sample(np.random.default_rng(6), 150, rounded=8.0)
    options = {"censoring_ties": ties, "variance": variance}
    late, plain = (
        fine_gray(time, status, x, entry=np.zeros(150), **options),
        fine_gray(time, status, x, **options),
    )
    np.testing.assert_allclose(late.coef, plain.coef, rtol=1e-12)
    np.testing.assert_allclose(late.covariance, plain.covariance, rtol=1e-12)
    assert late.loglik == pytest.approx(plain.loglik, rel=1e-12)
    assert not late.note


def numerical_error(time, status, entry, x, ties):
    """Infinitesimal jackknife by finite differences: a little more and less weight for one patient at a time,
    in the likelihood and in both product-limits."""
    found = []
    for i in range(len(time)):
        ends = []
        for change in (1e-4, -1e-4):
            case = np.ones(len(time))
            case[i] += change
            times, weights = weights_by_definition(time, status, entry, ties, case)
            ends.append(newton(times, weights, time, status, x, case)[0])
        found.append((ends[0] - ends[1]) / 2e-4)
    return np.sqrt(np.sum(np.square(found)))


@pytest.mark.parametrize("rounded", [0.0, 8.0])
def test_error_includes_the_estimation_of_entry(rounded):
    # Without censoring the sandwich is the derivative by every patient's weight, exactly.
    time, status, entry, x = late_sample(np.random.default_rng(7), 50, rounded=rounded, censored=False)
    want = numerical_error(time, status, entry, x, "event first")
    assert fine_gray(time, status, x, entry=entry).se[0] == pytest.approx(want, rel=1e-5)
    known = fine_gray(time, status, x, entry=entry, variance="censoring known").se[0]
    assert abs(known / want - 1) > 1e-3


def test_error_includes_the_estimation_of_censoring():
    # The term of censoring has c/r for log(1 - c/r), as without delayed entry, and is right to the order 1/n.
    time, status, entry, x = late_sample(np.random.default_rng(8), 70)
    want = numerical_error(time, status, entry, x, "event at risk")
    assert fine_gray(time, status, x, entry=entry).se[0] == pytest.approx(want, rel=5e-4)
    known = fine_gray(time, status, x, entry=entry, variance="censoring known").se[0]
    assert abs(known / want - 1) > 2e-3


def test_who_enters_at_the_time_of_an_event_is_not_at_risk_of_it():
    time, status, entry, x = late_sample(np.random.default_rng(9), 60)
    when = np.sort(time[status == 1])[10]
    late = np.flatnonzero(time > when + 0.1)[0]

    def coefficient(at):
        return fine_gray(time, status, x, entry=np.where(np.arange(60) == late, at, entry)).coef[0]

    assert coefficient(when) == pytest.approx(coefficient(when + 1e-9), abs=1e-12)
    assert abs(coefficient(when) - coefficient(when - 1e-9)) > 1e-6


def test_unit_and_origin_of_time():
    time, status, entry, x = late_sample(np.random.default_rng(10), 100)
    one, other = (
        fine_gray(time, status, x, entry=entry),
        fine_gray(time * 365 - 9, status, x, entry=entry * 365 - 9),
    )
    assert other.coef[0] == pytest.approx(one.coef[0], rel=1e-10)
    assert other.se[0] == pytest.approx(one.se[0], rel=1e-10)


@pytest.mark.parametrize("ended", [0, 1])
def test_an_empty_risk_set_ahead_of_competing_events_does_no_harm(ended):
    # One patient leaves before anybody else enters: the other risk sets are what they are without this one.
    time, status, entry, x = late_sample(np.random.default_rng(11), 80)
    alone = fine_gray(
        np.append(time + 5, 2.0), np.append(status, ended), np.append(x, 0.3), entry=np.append(entry + 5, 1.0)
    )
    assert alone.coef[0] == pytest.approx(fine_gray(time, status, x, entry=entry).coef[0], rel=1e-9)
    assert alone.se[0] == pytest.approx(fine_gray(time, status, x, entry=entry).se[0], rel=1e-9)


def test_an_empty_risk_set_after_a_competing_event_is_refused():
    time, status, entry, x = late_sample(np.random.default_rng(11), 80)
    early = {"entry": np.append(entry + 5, 1.0)}
    with pytest.raises(InputError, match="at 5, when others entered, nobody was left of those before"):
        fine_gray(np.append(time + 5, 2.0), np.append(status, 2), np.append(x, 0.3), **early)
    last = np.append(time, time.max() + 9), np.append(status, 0), np.append(x, 0.3)
    after = fine_gray(*last, entry=np.append(entry, time.max() + 5))  # no event comes after that gap
    assert after.coef[0] == pytest.approx(fine_gray(time, status, x, entry=entry).coef[0], rel=1e-9)
    with pytest.raises(InputError, match="wanted entry before time"):
        fine_gray(time, status, x, entry=time)


def test_a_likelihood_without_maximum_is_said():
    # Events come at the largest x of those at risk; who has yet to come has a larger one, so that sums over
    # those at risk are differences of ever larger numbers.
    time, entry = np.arange(2.0, 42), np.repeat([0.0, 21.0], 20)
    x = np.append(np.arange(20.0)[::-1], np.arange(60.0, 80)[::-1])
    fit = fine_gray(time, np.resize([1, 1, 0], 40), x, entry=entry)
    assert "did not converge" in fit.note
    assert np.isfinite(fit.coef).all()
    assert np.isfinite(fit.se).all()


def test_missing_covariates_count_for_no_weight():
    time, status, entry, x = late_sample(np.random.default_rng(12), 90)
    x[:6] = np.nan
    fit = fine_gray(time, status, x, entry=entry)
    assert (fit.n, fit.n_left_out) == (84, 6)
    assert fit.coef[0] == pytest.approx(fine_gray(time[6:], status[6:], x[6:], entry=entry[6:]).coef[0])
