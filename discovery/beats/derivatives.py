"""Rates of change of RV pressure."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity


def normalised_slope(dpdt_max, pressure_there, end_diastolic_pressure):
    """dP/dt max over the pressure developed at that instant; missing below 3 mmHg."""
    developed = difference(pressure_there, end_diastolic_pressure)
    return np.where(developed >= 3.0, ratio(dpdt_max, developed), np.nan)


def absolute_ratio(dpdt_min, dpdt_max):
    """|dP/dt min| / dP/dt max."""
    return ratio(np.abs(dpdt_min), dpdt_max)


def phase_plane_area(slope, rate_hz):
    """Integral of the squared slope over the samples, mmHg2/s: the area of the loop of dP/dt against P."""
    from discovery.beats.measure_loops import squared_integral

    d = np.asarray(slope, dtype=float)
    return float(squared_integral(d, 0.0, float(d.size - 1)) / rate_hz)


_COMMON = {
    "level": "beat",
    "family": "derivatives",
    "group": "contractility",
    "unit": "mmHg/s",
    "channels": ("RVP",),
    "gate": "derivative",
    "offset_free": True,
    "least_rate_hz": 100.0,
    "sure_rate_hz": 200.0,
    "source": "common practice",
    "decimals": 0,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "rv_dpdt_max",
        "RV dP/dt max",
        "Largest slope of the upstroke.",
        low=40,
        high=3000,
        direction="non_monotone",
        needs=("dpdt_max",),
        function=identity,
        source="Stein PD et al., Am J Cardiol 1979;44:1050-1055",
        caution="higher in pulmonary hypertension even when the ventricle fails",
    ),
    _entry(
        "rv_dpdt_min",
        "RV dP/dt min",
        "Most negative slope after the systolic peak, with its sign.",
        low=-3000,
        high=-40,
        direction="non_monotone",
        needs=("dpdt_min",),
        function=identity,
        source="Stein PD et al., Chest 1980;78:10-15",
        caution="larger in size in pulmonary hypertension",
    ),
    _entry(
        "rv_dpdt_max_normalised",
        "RV dP/dt max over developed pressure",
        "Largest slope divided by the pressure developed since end-diastole at that instant; missing below "
        "3 mmHg.",
        unit="1/s",
        low=3,
        high=150,
        direction="lower",
        function=normalised_slope,
        decimals=1,
        needs=("rv_dpdt_max", "rv_epad", "rv_end_diastolic_pressure"),
        source="Stein PD et al., Am J Cardiol 1979;44:1050-1055",
    ),
    _entry(
        "rv_dpdt_dp_fixed",
        "RV dP/dt at 5 mmHg of developed pressure",
        "Slope where the upstroke first passes end-diastolic pressure plus 5 mmHg.",
        low=20,
        high=2500,
        direction="lower",
        needs=("dpdt_at_fixed",),
        function=identity,
        source="left-ventricular analogue at 40 mmHg: Mason DT et al.; 5 mmHg is our choice",
    ),
    _entry(
        "rv_dpdt_ratio",
        "RV |dP/dt min| over dP/dt max",
        "Size of the steepest fall over the steepest rise.",
        unit="ratio",
        low=0.2,
        high=5,
        direction="non_monotone",
        needs=("rv_dpdt_min", "rv_dpdt_max"),
        function=absolute_ratio,
        decimals=2,
    ),
    _entry(
        "rv_epad",
        "Estimated PA diastolic pressure",
        "RV pressure at the steepest point of the upstroke.",
        unit="mmHg",
        low=0,
        high=80,
        direction="higher",
        offset_free=False,
        needs=("p_at_dpdt_max",),
        function=identity,
        circular_with=("pulmonary_load",),
        decimals=1,
        source="Reynolds DW et al., J Am Coll Cardiol 1995;25:1176-1182",
        caution="too low when the steepest rise comes before the valve opens",
        gate="strict",
    ),
    _entry(
        "rv_phase_plane_area",
        "RV phase-plane area",
        "Integral over the beat of the squared slope: the area of the loop of dP/dt against P.",
        unit="mmHg2/s",
        low=10,
        high=2e6,
        direction="non_monotone",
        needs=("slope_squared",),
        function=identity,
        source="Eucker SA et al., J Appl Physiol 2002;92:323-330 (left ventricle, mouse)",
        caution="grows with the bandwidth of filter and line",
    ),
)
