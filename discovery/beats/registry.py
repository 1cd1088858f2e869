"""All features in one table, and the relations that tie some of them together exactly."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable
from typing import TYPE_CHECKING

from discovery.beats import (
    burden,
    coupling,
    derivatives,
    flow,
    intervals,
    pressures,
    pulmonary_artery,
    quality,
    relaxation,
    saturation,
    shape,
    variability,
    venous,
)
from discovery.beats.feature import LABELS, Feature, by_key

if TYPE_CHECKING:
    import pandas as pd

FEATURES: dict[str, Feature] = by_key(
    feature
    for family in (
        intervals,
        pressures,
        derivatives,
        relaxation,
        shape,
        coupling,
        pulmonary_artery,
        venous,
        flow,
        saturation,
        variability,
        burden,
        quality,
    )
    for feature in family.FEATURES
)

# (output, inputs, expression): identities that make features of one group depend on each other.
RELATIONS: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("heart_rate", ("rr_interval",), "60000 / rr_interval"),
    ("rv_diastolic_duration", ("rr_interval", "rv_systolic_duration"), "rr_interval - rv_systolic_duration"),
    ("rv_systolic_fraction", ("rv_systolic_duration", "rr_interval"), "rv_systolic_duration / rr_interval"),
    ("rv_systolic_diastolic_ratio_dpdtmin", ("rv_systolic_fraction",), "f / (1 - f)"),
    ("rv_pulse_pressure", ("rv_developed_pressure", "rv_diastolic_pressure_gradient"), "sum"),
    ("rv_developed_pressure", ("rv_systolic_pressure", "rv_end_diastolic_pressure"), "difference"),
    (
        "rv_diastolic_pressure_gradient",
        ("rv_end_diastolic_pressure", "rv_minimum_diastolic_pressure"),
        "difference",
    ),
    ("rvedp_rvsp_ratio", ("rv_end_diastolic_pressure", "rv_systolic_pressure"), "ratio"),
    ("rv_end_systolic_pressure_rvsp", ("rv_systolic_pressure",), "equal"),
    ("rv_end_systolic_pressure_mpap", ("pa_mean_pressure",), "equal"),
    ("rv_end_systolic_pressure_notch", ("pa_notch_pressure",), "equal"),
    ("rv_dpdt_max_normalised", ("rv_dpdt_max", "rv_epad", "rv_end_diastolic_pressure"), "max / (epad - edp)"),
    ("rv_dpdt_ratio", ("rv_dpdt_min", "rv_dpdt_max"), "ratio"),
    (
        "rv_pressure_time_integral",
        ("rv_systolic_form_factor", "rv_developed_pressure", "rv_systolic_duration"),
        "product",
    ),
    ("rv_augmentation_ratio", ("rv_augmentation_pressure", "rv_systolic_pressure"), "ratio"),
    ("rv_coupling_ratio", ("rv_pmax", "rv_end_systolic_pressure"), "pmax / esp - 1"),
    ("rv_ees", ("rv_pmax", "rv_end_systolic_pressure", "stroke_volume"), "(pmax - esp) / sv"),
    ("rv_stroke_work_proxy", ("rv_mean_ejection_pressure", "rv_end_diastolic_pressure"), "difference"),
    ("rv_outflow_gradient", ("rv_systolic_pressure", "pa_systolic_pressure"), "difference"),
    ("rv_pa_diastolic_difference", ("pa_diastolic_pressure", "rv_end_diastolic_pressure"), "difference"),
    ("pa_pulse_pressure", ("pa_systolic_pressure", "pa_diastolic_pressure"), "difference"),
    ("pa_fractional_pulse_pressure", ("pa_pulse_pressure", "pa_mean_pressure"), "ratio"),
    ("pulmonary_artery_pulsatility_index", ("pa_pulse_pressure", "cvp_mean"), "ratio"),
    ("transpulmonary_gradient", ("pa_mean_pressure", "pawp"), "difference"),
    ("diastolic_pulmonary_gradient", ("pa_diastolic_pressure", "pawp"), "difference"),
    ("pulmonary_vascular_resistance", ("transpulmonary_gradient", "cardiac_output"), "ratio"),
    (
        "pulmonary_vascular_resistance_index",
        ("pulmonary_vascular_resistance", "body_surface_area"),
        "product",
    ),
    ("total_pulmonary_resistance", ("pa_mean_pressure", "cardiac_output"), "ratio"),
    ("pa_compliance", ("stroke_volume", "pa_pulse_pressure"), "ratio"),
    ("pa_effective_elastance", ("total_pulmonary_resistance", "heart_rate"), "product / 1000"),
    ("rc_time", ("transpulmonary_gradient", "heart_rate", "pa_pulse_pressure"), "60 tpg / (hr pp)"),
    ("cvp_pawp_ratio", ("cvp_mean", "pawp"), "ratio"),
    ("cvp_rvedp_difference", ("cvp_mean", "rv_end_diastolic_pressure"), "difference"),
    ("cardiac_index", ("cardiac_output", "body_surface_area"), "ratio"),
    ("stroke_volume", ("cardiac_output", "heart_rate"), "1000 co / hr"),
    ("stroke_volume_index", ("stroke_volume", "body_surface_area"), "ratio"),
    (
        "rv_stroke_work_index",
        ("stroke_volume_index", "pa_mean_pressure", "cvp_mean"),
        "0.0136 svi (mpap - cvp)",
    ),
    ("rv_cardiac_power_output", ("pa_mean_pressure", "cardiac_output"), "product / 451"),
    ("rv_cardiac_power_index", ("pa_mean_pressure", "cardiac_index"), "product x 0.00222"),
    ("oxygen_extraction_ratio", ("svo2",), "(sao2 - svo2) / sao2"),
)


def column_name(feature: Feature, applied_to: str = "") -> str:
    """The column of a feature in the result tables."""
    return f"{applied_to}_{feature.key}" if applied_to else feature.key


def columns_of(level: str) -> list[str]:
    """Result columns of all features of a level, those applied to others spelled out."""
    names: list[str] = []
    for feature in FEATURES.values():
        if feature.level == level:
            names += [column_name(feature, other) for other in feature.applies_to] or [feature.key]
    return names


def feature_of_column(column: str) -> tuple[Feature, str] | None:
    """The feature behind a result column and what it is applied to; None for any other column."""
    if column in FEATURES:
        return FEATURES[column], ""
    for feature in FEATURES.values():
        if feature.applies_to and column.endswith("_" + feature.key):
            other = column[: -len(feature.key) - 1]
            if other in feature.applies_to:
                return feature, other
    return None


def label_of_column(column: str) -> str:
    """A result column in words; the column itself when it is no feature's."""
    found = feature_of_column(column)
    if found is None:
        return column
    feature, other = found
    return (
        f"{FEATURES[other].label}: {feature.label[0].lower()}{feature.label[1:]}" if other else feature.label
    )


def unit_of_column(column: str) -> str:
    """Unit of a result column; empty when it is no feature's."""
    found = feature_of_column(column)
    if found is None:
        return ""
    feature, other = found
    unit = feature.unit
    if other:
        unit = unit.replace("unit of x", FEATURES[other].unit).replace("unit", FEATURES[other].unit)
    return unit


def feature_table(patterns: Iterable[str] = ("*",)) -> pd.DataFrame:
    """The registry as a table, one row a feature, for those whose key matches a pattern."""
    import pandas as pd

    patterns = list(patterns)
    rows = [
        {
            "key": f.key,
            "label": f.label,
            "unit": f.unit,
            "level": f.level,
            "family": f.family,
            "channels": " + ".join(f.channels),
            "valid_range": f.limits,
            "offset_free": f.offset_free,
            "direction": f.direction,
            "group": f.group,
            "line_gate": f.gate,
            "least_rate_hz": f.least_rate_hz,
            "sure_rate_hz": f.sure_rate_hz,
            "circular_with": "; ".join(LABELS[name] for name in f.circular_with),
            "variant_of": f.variant_of,
            "applies_to": ", ".join(f.applies_to),
            "definition": f.definition,
            "caution": f.caution,
            "source": f.source,
        }
        for f in FEATURES.values()
        if any(fnmatch.fnmatchcase(f.key, pattern) for pattern in patterns)
    ]
    return pd.DataFrame(rows)


def related(keys: Iterable[str]) -> list[set[str]]:
    """Groups of the given features that are tied by exact relations, directly or through others."""
    parent = {key: key for key in FEATURES}

    def root(key: str) -> str:
        while parent[key] != key:
            key = parent[key]
        return key

    for output, inputs, _ in RELATIONS:
        for item in inputs:
            parent[root(item)] = root(output)
    groups: dict[str, set[str]] = {}
    for key in keys:
        if key in parent:
            groups.setdefault(root(key), set()).add(key)
    return [group for group in groups.values() if len(group) > 1]
