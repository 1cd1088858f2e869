"""The usability gates follow from what a line, a digitiser and noise do to a clean pressure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.beats import measure
from discovery.beats.degradation import LINES, degradation_table, degraded, through_line
from discovery.beats.gates import NOT_FROM_TABLE, gate_table, keeps_behind, passing, rate_by_table
from discovery.beats.registry import FEATURES
from discovery.figures.degradation import SHOWN, draw_degradation_curves, draw_line_errors
from discovery.figures.save import picture
from discovery.recordings.line_dynamics import second_order_gain, usable

KEYS = (
    "rv_systolic_pressure", "rv_end_diastolic_pressure", "rv_minimum_diastolic_pressure", "rv_mean_pressure",
    "rv_dpdt_max", "rv_dpdt_min", "rv_systolic_duration", "rv_systolic_form_factor",
)  # fmt: skip


@pytest.fixture(scope="module")
def committed(shared):
    """shared/degradation/degradation.csv, written by tests/benchmarks/bench_degradation.py."""
    return pd.read_csv(shared / "degradation" / "degradation.csv")


@pytest.fixture(scope="module")
def table(model):
    pressure = model("pub03_pah_adapted")["rvp"].to_numpy()
    return degradation_table(pressure, 250.0, KEYS, np.random.default_rng(1))


def rows(table, factor, key):
    return table[(table["factor"] == factor) & (table["feature"] == key)]


@pytest.mark.parametrize("line", [(10.0, 0.2), (15.0, 0.5), (25.0, 0.9)])
@pytest.mark.parametrize("frequency", [2.0, 8.0, 14.0])
def test_the_line_has_the_gain_of_its_formula(line, frequency):
    t = np.arange(0, 10, 1e-3)
    x = np.sin(2 * np.pi * frequency * t)
    y = through_line(x, 1000.0, *line)[5000:]
    assert np.abs(y).max() == pytest.approx(second_order_gain(frequency, *line), rel=0.01)


def test_lines_that_pass_a_gate_keep_its_features(table):
    """dP/dt within about 15 %, systolic pressure within 1 mmHg: the promise of the gates."""
    for row in table[table["factor"] == "line"].itertuples():
        gate = usable(row.natural_hz, row.damping)
        if row.feature == "rv_dpdt_max" and gate["derivative"]:
            assert abs(row.error_share) < 0.16, row
        if row.feature == "rv_systolic_pressure" and gate["levels"]:
            assert abs(row.error) < 1.0, row
        if row.feature == "rv_mean_pressure":
            assert abs(row.error) < 0.3, row


def test_an_underdamped_line_steepens_and_a_better_one_does_not(table):
    lines = rows(table, "line", "rv_dpdt_max").set_index(["natural_hz", "damping"])["error_share"]
    assert lines[(10.0, 0.2)] > 0.15
    assert lines[(10.0, 0.2)] > lines[(20.0, 0.2)] > lines[(40.0, 0.2)]
    assert abs(lines[(40.0, 0.5)]) < 0.03


def test_levels_need_no_fast_sampling_and_slopes_do(table):
    for key in ("rv_systolic_pressure", "rv_end_diastolic_pressure"):
        errors = rows(table, "sampling rate", key)
        assert errors.loc[errors["value"] >= 125, "error"].abs().max() < 0.6, key
    slopes = rows(table, "sampling rate", "rv_dpdt_max").set_index("value")["error_share"]
    assert abs(slopes[60.0]) < 0.10  # the gate of the registry is lifted here
    assert slopes.loc[[125.0, 200.0, 250.0, 500.0]].abs().max() < 0.04


def test_steps_and_noise_cost_levels_little(table):
    for factor, most in (("step", 0.3), ("noise", 0.8)):
        for key in ("rv_systolic_pressure", "rv_mean_pressure"):
            assert rows(table, factor, key)["error"].abs().max() < most, (factor, key)


def test_degrading_does_what_it_says():
    x = np.sin(np.arange(1000) / 50)
    y, rate = degraded(x, 250.0, to_hz=125.0, step_mmhg=0.25)
    assert rate == 125.0
    np.testing.assert_allclose(y / 0.25, np.round(y / 0.25))
    same, _ = degraded(x, 250.0)
    np.testing.assert_array_equal(same, x)


def test_no_line_that_passes_the_gate_of_a_feature_spoils_it(committed):
    """The gates of the registry against the table: tolerances of beats/gates.py, every line that passes."""
    for key in dict.fromkeys(committed["feature"]):
        kept = keeps_behind(passing(committed, key, FEATURES[key].gate), FEATURES[key])
        assert kept != (key in NOT_FROM_TABLE), key


def test_each_gate_is_the_tables_or_said_to_be_the_dictionarys(committed, shared):
    """shared/degradation/gates.csv says which of the two decides, and follows from registry and table."""
    gates = gate_table(committed)
    written = pd.read_csv(shared / "degradation" / "gates.csv", keep_default_na=False)
    pd.testing.assert_frame_equal(gates, written, check_dtype=False, check_exact=False, rtol=1e-5)
    order = {gate: k for k, gate in enumerate(("mean", "level", "diastolic", "derivative", "strict"))}
    for row in gates.itertuples():
        if row.decided_by == "table":
            assert row.gate == row.gate_by_table
        elif row.decided_by == "dictionary":  # stricter than the table, never weaker
            assert order[row.gate] > order[row.gate_by_table], row.feature
        else:
            assert row.decided_by == NOT_FROM_TABLE[row.feature]
    assert (gates["decided_by"] == "table").sum() >= 35


def test_sampling_limits_are_at_least_those_of_the_table(committed):
    """Between the least rate and the sure one a feature is marked low confidence."""
    for key in dict.fromkeys(committed["feature"]):
        if key not in NOT_FROM_TABLE:
            assert rate_by_table(committed, key) <= FEATURES[key].sure_rate_hz, key


def test_the_table_has_every_factor_over_its_range(committed):
    """60 to 1000 samples a second, digitiser steps of 0.1 to 0.8 mmHg, noise, natural frequency x damping."""
    mine = committed[committed["feature"] == "rv_dpdt_max"]
    values = {name: set(rows["value"]) for name, rows in mine.groupby("factor")}
    assert {60.0, 100.0, 125.0, 200.0, 250.0, 500.0, 1000.0} <= values["sampling rate"]
    assert {0.1, 0.2, 0.4, 0.8} <= values["step"]
    assert len(values["noise"]) >= 4
    line = mine[mine["factor"] == "line"]
    assert set(zip(line["natural_hz"], line["damping"])) == set(LINES)
    assert committed[["seed", "date"]].notna().all().all()


@pytest.mark.validity
def test_the_committed_table_is_what_the_code_gives(committed, shared, full_validity):
    """In full every record and line; reduced, two records stay inside the worst error of all six."""
    import importlib.util

    place = shared.parent / "tests" / "benchmarks" / "bench_degradation.py"
    spec = importlib.util.spec_from_file_location("bench_degradation", place)
    bench = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(bench)
    case = ["factor", "value", "natural_hz", "damping", "feature"]
    if full_validity:
        again = bench.full_table()[[*case, "worst"]].merge(committed, on=case, suffixes=("_again", ""))
        assert len(again) == len(committed)
        noisy = again["factor"] == "noise"
        np.testing.assert_allclose(again["worst_again"][~noisy], again["worst"][~noisy], rtol=1e-3, atol=1e-3)
        return
    truth = pd.read_csv(shared / "waveforms" / "published_model" / "truth.csv").set_index("record")
    for name in ("pub01_normal", "pub03_pah_adapted"):
        for mine in bench.record_tables(name, truth.loc[name], lines=[(10.0, 0.3), (25.0, 0.5)]):
            mine = mine[mine["reference"].notna()]
            both = mine.merge(committed, on=case, suffixes=("", "_committed"))
            assert len(both) == len(mine)
            seen = both["error"].notna() & both["worst"].notna()
            assert seen.mean() > 0.8
            beyond = both["error"].abs() - both["worst"].abs()
            assert (beyond[seen] <= 1e-3 + 1e-3 * both["worst"].abs()[seen]).all()


def test_a_line_that_fails_the_gate_leaves_the_feature_missing(model):
    """What the registry says is what measuring does: a good line, a poor one, none known, a tip sensor."""
    pressure = model("pub03_pah_adapted")["rvp"].to_numpy()
    for line, given in (((9.0, 0.2), False), ((30.0, 0.5), True)):
        got = measure(pressure, 250.0, site="RV", line=line).accepted
        assert got["rv_systolic_duration"].notna().all() == given
        assert got["rv_dpdt_max"].notna().all() == given
        assert got["rv_mean_pressure"].notna().all()
    assert (
        measure(pressure, 250.0, site="RV", line=(9.0, 0.2), micromanometer=True)
        .accepted["rv_dpdt_max"]
        .notna()
        .all()
    )


def test_the_figures_draw_the_table(committed):
    assert set(SHOWN) <= set(committed["feature"])
    for draw in (draw_degradation_curves, draw_line_errors):
        assert len(picture(draw, committed)) > 20_000
        assert len(picture(draw, committed.iloc[:0])) > 500
