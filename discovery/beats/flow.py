"""Quantities that need cardiac output or body size."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity

G_M_PER_MMHG_ML = 0.0136
G_M_PER_MMHG_ML_EXACT = 0.01359510
POWER_DIVISOR = 451.0
POWER_DIVISOR_EXACT = 60.0 / 0.133322387415
POWER_INDEX_FACTOR = 0.00222


def mosteller(height_cm, weight_kg):
    """Body surface area, m2: sqrt(h w / 3600). Mosteller RD, N Engl J Med 1987;317:1098."""
    return np.sqrt(np.asarray(height_cm, dtype=float) * np.asarray(weight_kg, dtype=float) / 3600.0)


def dubois(height_cm, weight_kg):
    """Body surface area, m2. DuBois D, DuBois EF, Arch Intern Med 1916;17:863-871."""
    return (
        0.007184 * np.asarray(height_cm, dtype=float) ** 0.725 * np.asarray(weight_kg, dtype=float) ** 0.425
    )


def haycock(height_cm, weight_kg):
    """Body surface area, m2. Haycock GB et al., J Pediatr 1978;93:62-66."""
    return (
        0.024265 * np.asarray(height_cm, dtype=float) ** 0.3964 * np.asarray(weight_kg, dtype=float) ** 0.5378
    )


def stroke_volume(cardiac_output, heart_rate):
    """1000 CO / HR, mL."""
    return ratio(1000.0 * np.asarray(cardiac_output, dtype=float), heart_rate)


def stroke_work_index(stroke_index, pa_mean, cvp, *, factor=G_M_PER_MMHG_ML):
    """factor x SVI x (mPAP - CVP), g.m/m2; not clipped at zero."""
    return factor * np.asarray(stroke_index, dtype=float) * difference(pa_mean, cvp)


def work_in_g_m(mmhg_ml, *, factor=G_M_PER_MMHG_ML):
    """mmHg.mL to g.m; 0.0136 by convention, exactly 0.013595."""
    return np.asarray(mmhg_ml, dtype=float) * factor


def power_in_watt(mmhg_l_min, *, divisor=POWER_DIVISOR):
    """mmHg x L/min to W; 451 by convention, exactly 450.04."""
    return np.asarray(mmhg_l_min, dtype=float) / divisor


def cardiac_power_output(pa_mean, cardiac_output, *, divisor=POWER_DIVISOR):
    """mPAP x CO / 451, W. Sert S et al., Sakarya Tip Derg 2021;11:794-802."""
    return power_in_watt(
        np.asarray(pa_mean, dtype=float) * np.asarray(cardiac_output, dtype=float), divisor=divisor
    )


def cardiac_power_index(pa_mean, cardiac_index, *, factor=POWER_INDEX_FACTOR):
    """CI x mPAP x 0.00222, W/m2. Kazimierczyk R et al., J Clin Med 2025;14:1062."""
    return factor * np.asarray(pa_mean, dtype=float) * np.asarray(cardiac_index, dtype=float)


def power_from_stroke_work(pa_mean, stroke_volume_ml, heart_rate):
    """mPAP x SV x HR / 60 with the exact unit, W: the same power from work a beat."""
    work = np.asarray(pa_mean, dtype=float) * np.asarray(stroke_volume_ml, dtype=float)
    return work * np.asarray(heart_rate, dtype=float) / 60.0 * 133.322387415e-6


_COMMON = {
    "level": "window",
    "family": "flow",
    "group": "flow",
    "channels": ("CO",),
    "source": "common practice",
    "circular_with": ("low_output",),
    "decimals": 2,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "body_surface_area",
        "Body surface area",
        "Square root of height (cm) times weight (kg) over 3600; one formula for a cohort.",
        unit="m2",
        level="patient",
        low=0.3,
        high=3.5,
        direction="covariate",
        channels=("size",),
        needs=("height_cm", "weight_kg"),
        function=mosteller,
        circular_with=(),
        source="Mosteller RD, N Engl J Med 1987;317:1098",
    ),
    _entry(
        "cardiac_output",
        "Cardiac output",
        "Entered or continuous thermodilution value, the nearest within 6 h.",
        unit="L/min",
        level="spot",
        low=0.5,
        high=20,
        direction="lower",
        needs=("co_spot",),
        function=identity,
        caution="tricuspid regurgitation, shunt and low flow mislead it",
    ),
    _entry(
        "cardiac_index",
        "Cardiac index",
        "Cardiac output over body surface area.",
        unit="L/min/m2",
        level="spot",
        low=0.3,
        high=10,
        direction="lower",
        channels=("CO", "size"),
        needs=("cardiac_output", "body_surface_area"),
        function=ratio,
    ),
    _entry(
        "stroke_volume",
        "Stroke volume",
        "Cardiac output over the heart rate of the same window.",
        unit="mL",
        low=5,
        high=250,
        direction="lower",
        channels=("CO", "RVP"),
        needs=("cardiac_output", "heart_rate"),
        function=stroke_volume,
    ),
    _entry(
        "stroke_volume_index",
        "Stroke volume index",
        "Stroke volume over body surface area.",
        unit="mL/m2",
        low=3,
        high=120,
        direction="lower",
        channels=("CO", "RVP", "size"),
        needs=("stroke_volume", "body_surface_area"),
        function=ratio,
    ),
    _entry(
        "rv_stroke_work_index",
        "RV stroke work index",
        "Stroke volume index times mean PA less venous pressure, times 0.0136.",
        unit="g.m/m2",
        low=-2,
        high=60,
        direction="non_monotone",
        group="work",
        channels=("PAP", "CVP", "CO", "size"),
        needs=("stroke_volume_index", "pa_mean_pressure", "cvp_mean"),
        function=stroke_work_index,
        circular_with=("low_output", "filling_pressure", "pulmonary_load"),
        source="form: Jumatate R et al., BMC Cardiovasc Disord 2021;21:219",
        caution="near zero or negative when venous pressure nears PA pressure: kept",
    ),
    _entry(
        "rv_cardiac_power_output",
        "RV cardiac power output",
        "Mean PA pressure times cardiac output over 451.",
        unit="W",
        low=0.01,
        high=3,
        direction="non_monotone",
        group="work",
        channels=("PAP", "CO"),
        needs=("pa_mean_pressure", "cardiac_output"),
        function=cardiac_power_output,
        decimals=3,
        circular_with=("low_output", "pulmonary_load"),
        source="Sert S et al., Sakarya Tip Derg 2021;11:794-802",
    ),
    _entry(
        "rv_cardiac_power_index",
        "RV cardiac power index",
        "Cardiac index times mean PA pressure times 0.00222.",
        unit="W/m2",
        low=0.005,
        high=1.5,
        direction="non_monotone",
        group="work",
        channels=("PAP", "CO", "size"),
        needs=("pa_mean_pressure", "cardiac_index"),
        function=cardiac_power_index,
        decimals=3,
        circular_with=("low_output", "pulmonary_load"),
        source="Kazimierczyk R et al., J Clin Med 2025;14:1062",
    ),
)
