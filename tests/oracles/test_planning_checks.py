"""The power rows of statistical_checks.csv, each through our own functions."""

from __future__ import annotations

import json

import numpy as np
import pytest

from discovery.planning.events import events_for_log_rank, events_for_marker, power_of_log_rank
from discovery.planning.many_tests import patients_for_false_discovery_rate
from discovery.planning.model_size import (
    patients_for_binary_model,
    patients_for_linear_model,
    patients_for_shrinkage,
    patients_for_survival_model,
)
from discovery.planning.two_groups import auc_standard_error, n_per_group_for_proportions, power_of_t_test


@pytest.fixture
def row(check):
    def read(check_id: str):
        found = check(check_id)
        return json.loads(found["dataset_or_inputs"]), found

    return read


def near(found, row):
    np.testing.assert_allclose(
        np.asarray(found, dtype=float), row["expected"], rtol=0, atol=row["tolerance"] + 1e-13
    )


def test_pw01_events_for_a_log_rank_test(row):
    inputs, expected = row("PW01")
    near(events_for_log_rank(inputs.pop("hr"), **inputs), expected)
    more = events_for_log_rank(0.6, allocation=1 / 3, power=0.9)
    assert more[0] == pytest.approx(181.202166, abs=1e-6)  # the note of the row


def test_pw02_power_of_a_log_rank_test(row):
    inputs, expected = row("PW02")
    near(power_of_log_rank(inputs.pop("hr"), inputs.pop("events"), **inputs), expected)


def test_pw03_events_for_a_marker(row):
    inputs, expected = row("PW03")
    near(events_for_marker(inputs.pop("hr_per_sd"), **inputs), expected)


def test_pw04_two_proportions(row):
    inputs, expected = row("PW04")
    near(n_per_group_for_proportions(**inputs), expected)


def test_pw05_power_of_a_t_test(row):
    inputs, expected = row("PW05")
    near(
        power_of_t_test(inputs["n_per_group"], inputs["delta"], inputs["sd"], alpha=inputs["alpha"]), expected
    )


def test_pw06_standard_error_of_a_foreseen_auc(row):
    inputs, expected = row("PW06")
    near(auc_standard_error(**inputs), expected)


def test_pw07_patients_for_a_false_discovery_rate(row):
    inputs, expected = row("PW07")
    found = patients_for_false_discovery_rate(
        inputs["m"],
        inputs["m1"],
        inputs["true_rejections"],
        fdr=inputs["fdr"],
        effect=inputs["effect_size"],
        allocation=inputs["allocation"],
        sides=inputs["sides"],
    )
    near(found, expected)


def test_pw08_binary_model(row):
    inputs, expected = row("PW08")
    near(
        patients_for_binary_model(inputs["parameters"], inputs["csrsquared"], inputs["prevalence"]), expected
    )


def test_pw09_shrinkage_alone(row):
    inputs, expected = row("PW09")
    near(patients_for_shrinkage(inputs["parameters"], inputs["csrsquared"], inputs["shrinkage"]), expected)


def test_pw10_survival_model(row):
    inputs, expected = row("PW10")
    found = patients_for_survival_model(
        inputs["parameters"],
        inputs["csrsquared"],
        inputs["rate"],
        inputs["mean_followup_years"],
        inputs["shrinkage"],
    )
    near(found, expected)


def test_pw11_linear_model(row):
    inputs, expected = row("PW11")
    near(patients_for_linear_model(inputs["parameters"], inputs["rsquared"]), expected)
