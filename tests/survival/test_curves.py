"""Curves by law and against lifelines: Kaplan-Meier, Nelson-Aalen, Aalen-Johansen."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.utils import median_survival_times

from discovery.problems import InputError
from discovery.survival.cumulative_incidence import aalen_johansen, incidence_interval
from discovery.survival.curves import (
    kaplan_meier,
    median,
    nelson_aalen,
    number_at_risk,
    quantile,
    reverse_kaplan_meier,
)

# Few distinct times, so that ties abound; 0 is a time like any other.
patients = st.lists(st.tuples(st.integers(0, 8), st.integers(0, 2)), min_size=1, max_size=25)
quick = settings(max_examples=60, deadline=None)


def late_entries(draw_from, n):
    return draw_from.integers(-4, 8, n)


@quick
@given(patients)
def test_kaplan_meier_is_that_of_lifelines(rows):
    from lifelines import KaplanMeierFitter

    time, status = map(np.array, zip(*rows))
    event = (status == 1).astype(float)
    curve = kaplan_meier(time, event)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = KaplanMeierFitter().fit(time, event)
    at = np.arange(0, 9)
    inside = at[at <= time.max()]
    np.testing.assert_allclose(curve.at(inside), other.survival_function_at_times(inside), atol=1e-12)
    known = curve.estimate > 0
    limits = other.confidence_interval_survival_function_.loc[curve.time].to_numpy()
    np.testing.assert_allclose(curve.ci_low[known], limits[known, 0], atol=1e-9)
    np.testing.assert_allclose(curve.ci_high[known], limits[known, 1], atol=1e-9)
    table = other.event_table.loc[curve.time]
    np.testing.assert_array_equal(curve.n_at_risk, table["at_risk"])
    np.testing.assert_array_equal(curve.n_event, table["observed"])
    np.testing.assert_array_equal(curve.n_censored, table["censored"])


@quick
@given(patients, st.integers(0, 2**32 - 1))
def test_delayed_entry_is_that_of_lifelines(rows, seed):
    from lifelines import KaplanMeierFitter
    from lifelines.exceptions import StatError

    time, status = map(np.array, zip(*rows))
    time = time + 5
    entry = np.minimum(late_entries(np.random.default_rng(seed), len(time)) + 4.0, time - 1)
    event = (status == 1).astype(float)
    curve = kaplan_meier(time, event, entry=entry)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            other = KaplanMeierFitter().fit(time, event, entry=entry)
        except StatError:  # lifelines refuses some tables in which a risk set dies out early
            other = None
    slow, left = [], 1.0
    for t in curve.time:
        at_risk = ((entry < t) & (time >= t)).sum()
        left *= 1 - (event[time == t]).sum() / at_risk
        slow.append(left)
    np.testing.assert_allclose(curve.estimate, slow, atol=1e-12)
    if other is not None:
        found = other.survival_function_at_times(curve.time)
        np.testing.assert_allclose(curve.estimate, found, atol=1e-12)


@quick
@given(patients, st.integers(0, 2**32 - 1))
def test_incidences_and_event_free_add_up_to_one(rows, seed):
    time, status = map(np.array, zip(*rows))
    rng = np.random.default_rng(seed)
    options = {"weights": rng.uniform(0.1, 3, len(time))} if seed % 2 else {}
    if seed % 3 == 0:
        time = time + 5
        options["entry"] = np.minimum(late_entries(rng, len(time)) + 4.0, time - 1)
    found = aalen_johansen(time, status, causes=[1, 2], **options)
    survival = kaplan_meier(time, status > 0, **options)
    np.testing.assert_array_equal(found.event_free, survival.estimate)
    np.testing.assert_allclose(found.incidence.sum(axis=0) + survival.estimate, 1, atol=1e-12)
    assert (np.diff(found.incidence, axis=1) >= 0).all()
    assert (found.se >= 0).all()


@quick
@given(patients)
def test_one_cause_is_one_minus_kaplan_meier_with_both_errors(rows):
    time, status = map(np.array, zip(*rows))
    event = (status == 1).astype(int)
    one = aalen_johansen(time, event, causes=[1])
    curve = kaplan_meier(time, event, se="jackknife")
    np.testing.assert_allclose(1 - one.incidence[0], curve.estimate, atol=1e-12)
    known = curve.estimate > 0
    np.testing.assert_allclose(one.se[0][known], curve.se[known], atol=1e-12)


@pytest.mark.parametrize("delayed", [False, True])
@pytest.mark.parametrize("weighted", [False, True])
def test_jackknife_variance_is_the_derivative_by_each_weight(delayed, weighted):
    # The definition, by central differences: influence of row i = dF/dw_i.
    rng = np.random.default_rng(11)
    n = 40
    time = rng.integers(3, 14, n).astype(float)
    status = rng.integers(0, 3, n)
    entry = np.minimum(rng.integers(-2, 8, n), time - 1.0) if delayed else None
    weights = rng.uniform(0.5, 2, n) if weighted else np.ones(n)
    at = np.unique(time)

    def incidence(w):
        return aalen_johansen(time, status, entry=entry, weights=w, causes=[1, 2]).incidence

    found = aalen_johansen(time, status, entry=entry, weights=weights, causes=[1, 2])
    total = np.zeros((2, len(at)))
    for i in range(n):
        up, down = weights.copy(), weights.copy()
        up[i] += 1e-5
        down[i] -= 1e-5
        total += (weights[i] * (incidence(up) - incidence(down)) / 2e-5) ** 2
    np.testing.assert_allclose(found.se, np.sqrt(total), atol=1e-8)


def test_without_censoring_the_variance_is_binomial():
    # Closed form: with everybody followed to the end, F is a share and its variance F(1 - F)/n. The delta
    # form takes a single event's hazard step for Poisson, so it is larger by a term of order 1/n.
    rng = np.random.default_rng(2)
    time, status = rng.permutation(200).astype(float), rng.integers(1, 3, 200)
    found = aalen_johansen(time, status)
    binomial = np.sqrt(found.incidence * (1 - found.incidence) / 200)
    np.testing.assert_allclose(found.se, binomial, atol=1e-9)
    delta = aalen_johansen(time, status, variance="delta").se
    assert (delta >= binomial - 1e-12).all()
    np.testing.assert_allclose(delta, binomial, rtol=0.03)
    curve = kaplan_meier(time, status > 0)
    np.testing.assert_allclose(
        curve.se[:-1], np.sqrt(curve.estimate * (1 - curve.estimate) / 200)[:-1], atol=1e-12
    )
    assert np.isnan(curve.se[-1])


def test_integer_weights_are_repeated_patients():
    rng = np.random.default_rng(4)
    time, event, weight = rng.integers(0, 9, 30), rng.integers(0, 2, 30), rng.integers(0, 4, 30)
    weighted = kaplan_meier(time, event, weights=weight)
    repeated = kaplan_meier(np.repeat(time, weight), np.repeat(event, weight))
    for name in ("time", "estimate", "se", "n_at_risk", "n_event"):
        np.testing.assert_allclose(getattr(weighted, name), getattr(repeated, name))
    one = nelson_aalen(time, event, weights=weight)
    two = nelson_aalen(np.repeat(time, weight), np.repeat(event, weight))
    np.testing.assert_allclose(one.estimate, two.estimate)


@quick
@given(patients)
def test_hazards_are_those_of_lifelines(rows):
    from lifelines import NelsonAalenFitter

    time, status = map(np.array, zip(*rows))
    event = (status == 1).astype(float)
    if not event.any():
        return
    for ties, smooth in (("nelson-aalen", False), ("fleming-harrington", True)):
        curve = nelson_aalen(time, event, ties=ties)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = NelsonAalenFitter(nelson_aalen_smoothing=smooth).fit(time, event)
        np.testing.assert_allclose(curve.estimate, other.cumulative_hazard_at_times(curve.time), atol=1e-12)


@quick
@given(patients)
def test_order_of_patients_and_unit_of_time_are_nothing(rows):
    time, status = map(np.array, zip(*rows))
    order = np.random.default_rng(0).permutation(len(time))
    a = aalen_johansen(time, status)
    b = aalen_johansen(time[order] * 30.5, status[order])
    np.testing.assert_allclose(a.incidence, b.incidence)
    np.testing.assert_allclose(a.se**2, b.se**2, atol=1e-12)  # near 0 the root of a rounding error is large
    np.testing.assert_allclose(a.time * 30.5, b.time)


def test_all_censored():
    curve = kaplan_meier([3.0, 5.0, 5.0], [0, 0, 0])
    assert curve.estimate.tolist() == [1, 1]
    assert curve.ci_low.tolist() == [1, 1]
    m = median(curve)
    assert np.isnan([m.estimate, m.ci_low, m.ci_high]).all()
    assert nelson_aalen([3.0, 5.0], [0, 0]).estimate.tolist() == [0, 0]
    found = aalen_johansen([3.0, 5.0], [0, 0])
    assert found.incidence.tolist() == [[0, 0]]
    assert np.isnan(found.ci_low).all()


def test_one_patient():
    alive, dead = kaplan_meier([4.0], [0]), kaplan_meier([4.0], [1])
    assert (alive.at(4), dead.at(4), dead.at(100)) == (1, 0, 0)
    assert np.isnan(alive.at(5))
    assert np.isnan(dead.se[0])
    assert median(dead).estimate == 4
    assert np.isnan(median(dead).ci_low)


def test_an_event_at_time_zero_counts():
    curve = kaplan_meier([0.0, 0.0, 2.0, 3.0], [1, 0, 1, 0])
    assert curve.at(0) == 0.75
    assert curve.n_at_risk.tolist() == [4, 2, 1]


def test_beyond_follow_up_is_unknown():
    curve = kaplan_meier([1.0, 2.0, 3.0], [1, 0, 0])
    assert np.isnan(curve.at([3.5, 10])).all()
    assert aalen_johansen([1.0, 2.0], [1, 0]).at([1.5, 2.5]).tolist()[0][0] == 0.5
    assert np.isnan(aalen_johansen([1.0, 2.0], [1, 0]).at(2.5)).all()


def test_numbers_at_risk_with_and_without_delayed_entry():
    assert number_at_risk([1, 2, 3], [0, 1, 1.5, 4]).tolist() == [3, 3, 2, 0]
    assert number_at_risk([5, 6, 9], [1, 4, 6, 8], entry=[0, 3, 7]).tolist() == [1, 2, 1, 1]


def test_flat_stretch_to_the_end_gives_its_left_end():
    m = median(kaplan_meier([1.0, 2.0, 9.0, 9.0], [1, 1, 0, 0]))
    assert m.estimate == 2


def test_rounding_does_not_hide_a_flat_stretch():
    # 20 patients, no censoring: the product of fractions after the tenth event is 1/2 only up to rounding.
    m = median(kaplan_meier(np.arange(1.0, 21), np.ones(20)))
    assert m.estimate == 10.5
    assert quantile(kaplan_meier(np.arange(1.0, 21), np.ones(20)), 0.25).estimate == 5.5


def test_reverse_curve_swaps_the_roles():
    time, event = [2.0, 4.0, 6.0, 8.0], [1, 0, 2, 0]
    assert reverse_kaplan_meier(time, event).n_event.tolist() == [0, 1, 0, 1]


@pytest.mark.parametrize("lost", [0.0, 0.3, 0.45])
def test_follow_up_that_ends_on_one_day_has_an_interval(lost):
    """Reference: lifelines, whose band comes to 0 where the curve does."""
    rng = np.random.default_rng(8)
    died = rng.exponential(600, 120)
    stop = np.where(rng.random(120) < lost, rng.uniform(0, 700, 120), 700.0)
    time, event = np.minimum(died, stop), (died <= stop).astype(int)
    got = median(reverse_kaplan_meier(time, event))
    fit = KaplanMeierFitter().fit(time, 1 - event)
    limits = median_survival_times(fit.confidence_interval_).to_numpy().ravel()
    assert (got.ci_low, got.ci_high) == pytest.approx(tuple(limits), rel=1e-12)
    assert got.estimate == fit.median_survival_time_ <= 700


@pytest.mark.parametrize(("left", "high"), [(5, np.nan), (6, 9.0)])
def test_few_who_end_together_do_not_bound_the_median(left, high):
    """2^-5 is above the tail of 2.5 %, 2^-6 below: so many coins have to fall alike."""
    time = [*range(1, 4), *[9.0] * left]
    got = median(kaplan_meier(time, np.ones(len(time))))
    assert got.estimate == 9
    np.testing.assert_equal(got.ci_high, high)


def test_interval_of_an_incidence_stays_inside():
    low, high = incidence_interval(np.array([0.0, 0.01, 0.97]), np.array([0.0, 0.02, 0.03]))
    assert np.isnan([low[0], high[0]]).all()
    assert ((low[1:] > 0) & (high[1:] < 1)).all()


def test_conditional_start_leaves_out_who_was_gone():
    curve = kaplan_meier([1.0, 2.0, 3.0, 4.0], [1, 1, 0, 1], start=2)
    assert curve.time.tolist() == [3, 4]
    assert curve.at(2) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (dict(time=[1, 2], event=[1]), "as many values as time has, 2"),
        (dict(time=[1, np.nan], event=[1, 0]), "1 are not, first at position 1"),
        (dict(time=[1, -2], event=[1, 0]), "times from 0 up; 1 are negative"),
        (dict(time=[1, 2], event=[1, 2]), "0 for censored and 1 for the event"),
        (dict(time=[1, 2], event=[1, 0.5]), "2, 3 … for competing events"),
        (dict(time=[], event=[]), "at least one row"),
        (
            dict(time=[1, 2], event=[1, 0], entry=[0, 2]),
            "entry before time; 1 rows are not, first at position 1",
        ),
        (dict(time=[1, 2], event=[1, 0], weights=[1, -1]), "weights from 0 up"),
        (dict(time=[1, 2], event=[1, 0], weights=[0, 0]), "at least one weight above 0"),
        (dict(time=["a", 2], event=[1, 0]), "wanted numbers only"),
        (dict(time=[[1, 2]], event=[1, 0]), "one number a row"),
        (dict(time=[1, 2], event=[1, 0], interval="loglog"), "did you mean 'log-log'?"),
        (dict(time=[1, 2], event=[1, 0], conf_level=95), "a share between 0 and 1"),
        (dict(time=[1, 2], event=[1, 0], start=5), "nobody is followed beyond the start"),
    ],
)
def test_bad_input_is_named(arguments, words):
    with pytest.raises(InputError, match=words.replace("?", r"\?")):
        kaplan_meier(arguments.pop("time"), arguments.pop("event"), **arguments)


def test_all_faults_at_once():
    with pytest.raises(InputError) as caught:
        kaplan_meier([1, -2, 3], [1, 0, 0.5], weights=[1, 1, -1])
    assert len(caught.value.problems) == 3
