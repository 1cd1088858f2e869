"""The registry: complete, consistent, and the page in shared/ is written from it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.beats import feature_table, measure
from discovery.beats.dictionary import dictionary_page
from discovery.beats.registry import (
    FEATURES,
    RELATIONS,
    columns_of,
    feature_of_column,
    label_of_column,
    related,
    unit_of_column,
)


def test_the_dictionary_page_is_up_to_date(shared):
    assert (shared / "feature_dictionary.md").read_text(encoding="utf-8") == dictionary_page()


def test_every_entry_says_what_it_is():
    for feature in FEATURES.values():
        assert feature.label
        assert feature.definition.endswith(".")
        assert feature.source
        assert feature.low < feature.high
        assert feature.least_rate_hz <= feature.sure_rate_hz
        assert feature.function is not None or feature.classes, feature.key
        if feature.variant_of:
            assert feature.variant_of in FEATURES


def test_the_table_has_one_row_a_feature_and_obeys_patterns():
    table = feature_table()
    assert list(table["key"]) == list(FEATURES)
    pulmonary = feature_table(["pa_*", "rv_tau_half"])["key"]
    assert set(pulmonary) == {key for key in FEATURES if key.startswith("pa_")} | {"rv_tau_half"}


def test_columns_lead_back_to_their_feature():
    for level in ("beat", "ensemble", "window", "record"):
        for column in columns_of(level):
            found = feature_of_column(column)
            assert found is not None
            assert found[0].level == level
    feature, other = feature_of_column("rv_systolic_pressure_beat_to_beat_sd")
    assert (feature.key, other) == ("beat_to_beat_sd", "rv_systolic_pressure")
    assert label_of_column("rv_systolic_pressure_beat_to_beat_sd") == "RV systolic pressure: beat-to-beat SD"
    assert unit_of_column("rv_end_diastolic_pressure_trend_slope") == "mmHg/h"
    assert unit_of_column("svo2_area_above_threshold") == "%.min"
    assert feature_of_column("age_years") is None
    assert label_of_column("age_years") == "age_years"


def test_relations_name_known_features_and_tie_the_rate_group():
    for output, inputs, _ in RELATIONS:
        assert output in FEATURES
        assert set(inputs) <= set(FEATURES)
    assert {"heart_rate", "rr_interval"} <= related(["heart_rate", "rr_interval", "svo2"])[0]
    assert related(["rv_dpdt_max", "svo2"]) == []


def test_relations_hold_in_what_is_measured(shared):
    """The identities of the dictionary, on every accepted beat and window of a model record."""
    record = pd.read_csv(shared / "waveforms" / "published_model" / "pub03_pah_adapted.csv.gz")
    got = measure(
        record["rvp"], 250.0, pa=record["pap"], site="RV", cardiac_output=4.93, pawp=9.0, height_cm=170.0,
        weight_kg=70.0,
    )  # fmt: skip
    b, w = got.accepted, got.windows.iloc[0]

    def same(left, right):
        np.testing.assert_allclose(left, right, rtol=1e-9)

    same(b["heart_rate"], 60000 / b["rr_interval"])
    same(b["rv_pulse_pressure"], b["rv_developed_pressure"] + b["rv_diastolic_pressure_gradient"])
    same(b["rv_diastolic_duration"], b["rr_interval"] - b["rv_systolic_duration"])
    f = b["rv_systolic_fraction"]
    same(b["rv_systolic_diastolic_ratio_dpdtmin"], f / (1 - f))
    same(b["pa_fractional_pulse_pressure"], b["pa_pulse_pressure"] / b["pa_mean_pressure"])
    same(w["pa_effective_elastance"], w["total_pulmonary_resistance"] * w["heart_rate"] / 1000)
    same(
        w["pulmonary_vascular_resistance_index"], w["pulmonary_vascular_resistance"] * w["body_surface_area"]
    )
    same(
        w["transpulmonary_gradient"] - w["diastolic_pulmonary_gradient"],
        w["pa_mean_pressure"] - w["pa_diastolic_pressure"],
    )
    same(w["rc_time"], 0.06 * w["pulmonary_vascular_resistance"] * w["pa_compliance"])
