"""Isovolumic maximum, coupling to the pulmonary artery, and work proxies from pressure alone."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity


def accepted_pmax(pmax, systolic_pressure):
    """An isovolumic maximum between one and six times the systolic pressure; missing otherwise."""
    pmax, systolic = np.asarray(pmax, dtype=float), np.asarray(systolic_pressure, dtype=float)
    return np.where((pmax >= systolic) & (pmax <= 6.0 * systolic), pmax, np.nan)


def coupling_ratio(pmax, end_systolic_pressure):
    """Pmax / ESP - 1; stroke volume cancels from Ees / Ea."""
    return ratio(pmax, end_systolic_pressure) - 1.0


def end_systolic_elastance(pmax, end_systolic_pressure, stroke_volume):
    """(Pmax - ESP) / SV, mmHg/mL."""
    return ratio(difference(pmax, end_systolic_pressure), stroke_volume)


def pressure_time_integral(area_systole, end_diastolic_pressure, systolic_ms):
    """Integral of pressure above end-diastolic pressure over systole, mmHg.s."""
    return np.asarray(area_systole) - np.asarray(end_diastolic_pressure) * np.asarray(systolic_ms) / 1000.0


_COMMON = {
    "level": "ensemble",
    "family": "coupling",
    "group": "coupling",
    "channels": ("RVP",),
    "gate": "derivative",
    "least_rate_hz": 250.0,
    "sure_rate_hz": 250.0,
    "unit": "ratio",
    "decimals": 2,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


def _coupling(suffix, label, esp, **changes) -> Feature:
    return _entry(
        f"rv_coupling_ratio{suffix}",
        label,
        "Isovolumic maximum over end-systolic pressure, less one; stroke volume cancels.",
        low=0,
        high=8,
        direction="lower",
        needs=("rv_pmax", esp),
        function=coupling_ratio,
        gate="strict",
        circular_with=("pulmonary_load",),
        source="Axell RG et al., Physiol Rep 2017;5:e13227 (cut-off of 0.68 from pressure-volume loops)",
        caution="carries the bias of the isovolumic maximum",
        **({"variant_of": "rv_coupling_ratio"} if suffix else {}),
        **changes,
    )


FEATURES = (
    _entry(
        "rv_pmax",
        "RV single-beat maximal isovolumic pressure",
        "Peak of a raised cosine standing on end-diastolic pressure, fitted to the upstroke before the "
        "steepest rise and to the fall after the steepest fall down to a tenth of developed pressure.",
        unit="mmHg",
        low=8,
        high=900,
        direction="non_monotone",
        needs=("pmax", "rv_systolic_pressure"),
        function=accepted_pmax,
        decimals=1,
        circular_with=("pulmonary_load",),
        source="Sunagawa K et al. 1980; Takeuchi M et al., Circulation 1991;83:202-212; Brimioulle S et al. "
        "2003",
        caution="30 to 60 % too high in simulation: for ranking inside one protocol",
    ),
    _entry(
        "rv_pmax_4p",
        "RV isovolumic maximum, four-parameter sinusoid",
        "Peak of a free sinusoid fitted to the same samples.",
        unit="mmHg",
        low=8,
        high=900,
        direction="non_monotone",
        variant_of="rv_pmax",
        needs=("pmax_4p", "rv_systolic_pressure"),
        function=accepted_pmax,
        decimals=1,
        circular_with=("pulmonary_load",),
        source="Brimioulle S et al. 2003",
    ),
    _coupling("", "RV-PA coupling ratio, end-systole at the knee", "rv_end_systolic_pressure"),
    _coupling(
        "_notch",
        "RV-PA coupling ratio, end-systole at the PA notch",
        "rv_end_systolic_pressure_notch",
        channels=("RVP", "PAP"),
    ),
    _coupling(
        "_mpap",
        "RV-PA coupling ratio, end-systole as mean PA pressure",
        "rv_end_systolic_pressure_mpap",
        channels=("RVP", "PAP"),
    ),
    _coupling(
        "_rvsp", "RV-PA coupling ratio, end-systole as RV systolic pressure", "rv_end_systolic_pressure_rvsp"
    ),
    _entry(
        "rv_ees",
        "RV end-systolic elastance, single beat",
        "Isovolumic maximum less end-systolic pressure (knee), over stroke volume.",
        level="window",
        unit="mmHg/mL",
        low=0.05,
        high=5,
        direction="non_monotone",
        channels=("RVP", "CO"),
        needs=("rv_pmax", "rv_end_systolic_pressure", "stroke_volume"),
        function=end_systolic_elastance,
        circular_with=("pulmonary_load", "low_output"),
        decimals=3,
        source="Trip P et al., J Heart Lung Transplant 2013;32:50-55",
    ),
    _entry(
        "rv_pressure_time_integral",
        "RV systolic pressure-time integral",
        "Integral of pressure above end-diastolic pressure from end-diastole to the steepest fall.",
        level="beat",
        group="work",
        unit="mmHg.s",
        low=0.3,
        high=40,
        direction="non_monotone",
        gate="level",
        offset_free=True,
        least_rate_hz=60.0,
        sure_rate_hz=60.0,
        function=pressure_time_integral,
        needs=("area_systole", "rv_end_diastolic_pressure", "rv_systolic_duration"),
        circular_with=("pulmonary_load",),
        source="tension-time index concept",
    ),
    _entry(
        "rv_mean_ejection_pressure",
        "RV mean ejection pressure",
        "Mean RV pressure from the steepest rise to the last downward bend of systole.",
        level="beat",
        group="work",
        unit="mmHg",
        low=5,
        high=140,
        direction="non_monotone",
        gate="level",
        least_rate_hz=100.0,
        sure_rate_hz=200.0,
        needs=("mean_ejection",),
        function=identity,
        decimals=1,
        circular_with=("pulmonary_load",),
        source="common practice",
    ),
    _entry(
        "rv_mean_ejection_pressure_valves",
        "RV mean ejection pressure between valve events",
        "Mean RV pressure from pulmonary valve opening to the delay-aligned PA notch.",
        level="beat",
        group="work",
        unit="mmHg",
        low=5,
        high=140,
        direction="non_monotone",
        gate="level",
        channels=("RVP", "PAP"),
        needs=("mean_ejection_valves",),
        function=identity,
        decimals=1,
        variant_of="rv_mean_ejection_pressure",
        circular_with=("pulmonary_load",),
        source="common practice",
    ),
    _entry(
        "rv_stroke_work_proxy",
        "RV pressure-only stroke work proxy",
        "Mean ejection pressure less end-diastolic pressure: work per mL of stroke volume.",
        level="beat",
        group="work",
        unit="mmHg",
        low=2,
        high=130,
        direction="non_monotone",
        gate="level",
        offset_free=True,
        least_rate_hz=100.0,
        sure_rate_hz=200.0,
        function=difference,
        decimals=1,
        needs=("rv_mean_ejection_pressure", "rv_end_diastolic_pressure"),
        circular_with=("pulmonary_load",),
        source="rectangle approximation of the pressure-volume loop",
    ),
)
