"""RV pressure levels and the filling part of the beat."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio

MMHG_PER_CMH2O = 98.0665 / 133.322387415
KPA_PER_MMHG = 0.133322387415
GRADIENT_LIMIT_MMHG = 4.0
SQUARE_ROOT_RISE = 0.65
EQUALISED_MMHG = 3.0
PATTERNS = ("horizontal", "oblique", "square_root", "equalised")


def identity(value):
    """The value itself, as floats."""
    return np.asarray(value, dtype=float)


def mmhg_from_kpa(kpa):
    """kPa to mmHg (1 mmHg = 133.322387415 Pa)."""
    return np.asarray(kpa, dtype=float) / KPA_PER_MMHG


def kpa_from_mmhg(mmhg):
    """mmHg to kPa."""
    return np.asarray(mmhg, dtype=float) * KPA_PER_MMHG


def mmhg_from_cmh2o(cmh2o):
    """cmH2O (98.0665 Pa) to mmHg; also the pressure of a column of water of that height."""
    return np.asarray(cmh2o, dtype=float) * MMHG_PER_CMH2O


def level_error(raised_cm, *, density=1.0):
    """What a transducer reads too much when it is raised by so many cm (negative: it reads low), mmHg."""
    return -mmhg_from_cmh2o(raised_cm) * density


def diastolic_slope_of(time_s, pressure):
    """Least-squares slope of pressure on time, mmHg/s."""
    t, p = np.asarray(time_s, dtype=float), np.asarray(pressure, dtype=float)
    if t.size < 3:
        return np.nan
    return float(((t - t.mean()) * (p - p.mean())).sum() / ((t - t.mean()) ** 2).sum())


def rise_fraction(pressure, *, least_rise=2.0):
    """Share of the rise from the first to the last sample reached after a third of the time.

    Missing when the whole rise is less than `least_rise`.
    """
    p = np.asarray(pressure, dtype=float)
    rise = p[-1] - p[0]
    if not rise >= least_rise:
        return np.nan
    return float((np.interp((p.size - 1) / 3.0, np.arange(p.size), p) - p[0]) / rise)


def filling_pattern(gradient, fraction, pa_difference):
    """Diastolic pattern as text: horizontal, oblique, square_root or equalised; empty when unknown."""
    gradient, fraction, equal = np.broadcast_arrays(gradient, fraction, pa_difference)
    out = np.full(gradient.shape, "", dtype=object)
    out[gradient <= GRADIENT_LIMIT_MMHG] = "horizontal"
    steep = gradient > GRADIENT_LIMIT_MMHG
    out[steep & (fraction >= SQUARE_ROOT_RISE)] = "square_root"
    out[steep & (fraction < SQUARE_ROOT_RISE)] = "oblique"
    out[np.isfinite(gradient) & (equal <= EQUALISED_MMHG)] = "equalised"
    return out


_COMMON = {
    "level": "beat",
    "family": "pressures",
    "group": "rv_levels",
    "unit": "mmHg",
    "channels": ("RVP",),
    "gate": "mean",
    "source": "common practice",
}
_LOADED = ("pulmonary_load",)
_FILLING = ("filling_pressure",)


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "rv_systolic_pressure",
        "RV systolic pressure",
        "Top of the low-passed pressure between the steepest rise and the steepest fall.",
        low=8,
        high=150,
        direction="non_monotone",
        gate="level",
        needs=("p_systolic",),
        function=identity,
        circular_with=_LOADED,
        source="normal 15 to 30 mmHg: ACC/AHA tables",
        caution="may fall in terminal failure",
    ),
    _entry(
        "rv_minimum_diastolic_pressure",
        "RV early-diastolic minimum pressure",
        "Lowest low-passed pressure in the first half of diastole, at most 350 ms after the steepest fall.",
        low=-15,
        high=40,
        direction="higher",
        gate="diastolic",
        needs=("p_minimum",),
        function=identity,
        circular_with=_FILLING,
        source="Murch SD et al., Pulm Circ 2015;5:370-375",
        caution="an underdamped line digs below it",
    ),
    _entry(
        "rv_end_diastolic_pressure",
        "RV end-diastolic pressure",
        "Low-passed pressure at the corner where the upstroke begins.",
        low=-10,
        high=45,
        direction="higher",
        gate="level",
        needs=("p_ed",),
        function=identity,
        circular_with=_FILLING,
        source="Murch SD et al., Pulm Circ 2015;5:370-375; Gronlykke L et al., "
        "J Cardiothorac Vasc Anesth 2020;34:2116-2125",
        sure_rate_hz=100.0,
    ),
    _entry(
        "rv_pre_a_pressure",
        "RV pre-a-wave pressure",
        "Pressure where the atrial bump before the upstroke starts; missing when there is no bump or the "
        "beat before was shorter than 600 ms.",
        low=-10,
        high=40,
        direction="higher",
        gate="level",
        needs=("p_pre_a",),
        function=identity,
        circular_with=_FILLING,
        channels=("RVP",),
    ),
    _entry(
        "rv_mean_pressure",
        "RV mean pressure",
        "Time average over the whole beat.",
        low=0,
        high=80,
        direction="non_monotone",
        needs=("mean_beat",),
        function=identity,
        circular_with=_LOADED,
    ),
    _entry(
        "rv_mean_systolic_pressure",
        "RV mean systolic pressure",
        "Time average from end-diastole to the steepest fall.",
        low=5,
        high=130,
        direction="non_monotone",
        needs=("mean_systole",),
        function=identity,
        circular_with=_LOADED,
        gate="level",
    ),
    _entry(
        "rv_mean_diastolic_pressure",
        "RV mean diastolic pressure",
        "Time average from the early-diastolic minimum to the next end-diastole.",
        low=-10,
        high=45,
        direction="higher",
        needs=("mean_diastole",),
        function=identity,
        circular_with=_FILLING,
        gate="level",
    ),
    _entry(
        "rv_pulse_pressure",
        "RV pulse pressure",
        "Systolic pressure less early-diastolic minimum.",
        low=5,
        high=140,
        direction="non_monotone",
        gate="diastolic",
        offset_free=True,
        needs=("rv_systolic_pressure", "rv_minimum_diastolic_pressure"),
        function=difference,
        circular_with=_LOADED,
    ),
    _entry(
        "rv_developed_pressure",
        "RV developed pressure",
        "Systolic pressure less end-diastolic pressure.",
        low=4,
        high=140,
        direction="non_monotone",
        gate="level",
        offset_free=True,
        needs=("rv_systolic_pressure", "rv_end_diastolic_pressure"),
        function=difference,
        circular_with=_LOADED,
    ),
    _entry(
        "rv_end_systolic_pressure",
        "RV end-systolic pressure (knee)",
        "Pressure at the end of the systolic plateau: the straightest point before the last downward bend.",
        low=5,
        high=140,
        direction="non_monotone",
        gate="level",
        needs=("p_knee",),
        function=identity,
        circular_with=_LOADED,
        least_rate_hz=100.0,
        sure_rate_hz=200.0,
        source="choice of end-systolic pressure: Singh I et al., ERJ Open Res 2021;7:00219-2021",
        caution="other methods are features of their own; never pool them",
    ),
    _entry(
        "rv_end_systolic_pressure_notch",
        "End-systolic pressure at the PA notch",
        "PA pressure at its notch.",
        low=5,
        high=140,
        direction="non_monotone",
        gate="level",
        channels=("PAP",),
        variant_of="rv_end_systolic_pressure",
        needs=("pa_p_notch",),
        function=identity,
        circular_with=_LOADED,
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
    ),
    _entry(
        "rv_end_systolic_pressure_mpap",
        "End-systolic pressure as mean PA pressure",
        "Mean PA pressure taken as end-systolic pressure.",
        low=5,
        high=140,
        direction="non_monotone",
        channels=("PAP",),
        variant_of="rv_end_systolic_pressure",
        needs=("pa_mean_pressure",),
        function=identity,
        circular_with=_LOADED,
        source="Trip P et al., J Heart Lung Transplant 2013;32:50-55",
    ),
    _entry(
        "rv_end_systolic_pressure_rvsp",
        "End-systolic pressure as RV systolic pressure",
        "RV systolic pressure taken as end-systolic pressure.",
        low=5,
        high=140,
        direction="non_monotone",
        gate="level",
        variant_of="rv_end_systolic_pressure",
        needs=("rv_systolic_pressure",),
        function=identity,
        circular_with=_LOADED,
    ),
    _entry(
        "rv_diastolic_pressure_gradient",
        "RV diastolic pressure gradient",
        "End-diastolic pressure less early-diastolic minimum.",
        low=0,
        high=35,
        direction="higher",
        group="rv_filling",
        gate="diastolic",
        offset_free=True,
        needs=("rv_end_diastolic_pressure", "rv_minimum_diastolic_pressure"),
        function=difference,
        circular_with=("filling_pressure", "diastolic_gradient"),
        source="Gronlykke L et al., J Cardiothorac Vasc Anesth 2020;34:2116-2125 (above 4 mmHg abnormal)",
        caution="a poor line can more than double it",
        sure_rate_hz=100.0,
    ),
    _entry(
        "rv_diastolic_slope",
        "RV diastolic slope",
        "Least-squares slope from 20 ms after the early-diastolic minimum to the atrial bump, or to "
        "end-diastole where there is none; needs 120 ms of diastole.",
        unit="mmHg/s",
        low=-20,
        high=150,
        direction="higher",
        group="rv_filling",
        gate="diastolic",
        offset_free=True,
        needs=("diastolic_slope",),
        function=identity,
        circular_with=("diastolic_gradient",),
        least_rate_hz=100.0,
        sure_rate_hz=200.0,
        source="Raymond M et al., J Cardiothorac Vasc Anesth 2019;33:1090-1104",
        caution="negative: the lumen is probably in the pulmonary artery",
    ),
    _entry(
        "rv_early_diastolic_rise_fraction",
        "RV early-diastolic pressure rise fraction",
        "Share of the diastolic rise that is reached after its first third of time; missing below 2 mmHg "
        "of rise.",
        unit="ratio",
        low=-0.5,
        high=1.5,
        direction="higher",
        group="rv_filling",
        gate="strict",
        offset_free=True,
        needs=("rise_fraction",),
        function=identity,
        decimals=2,
        circular_with=("diastolic_gradient",),
        least_rate_hz=100.0,
        sure_rate_hz=200.0,
        source="own formalisation of the published patterns; linear rise 0.33, square root 0.58",
    ),
    _entry(
        "rv_filling_pattern",
        "RV diastolic filling pattern",
        "Of the averaged beat: horizontal when the diastolic gradient is at most 4 mmHg, else square_root "
        "when the early rise fraction reaches 0.65, else oblique; equalised when PA diastolic pressure is "
        "within 3 mmHg of RV end-diastolic pressure.",
        unit="class",
        level="ensemble",
        direction="higher",
        group="rv_filling",
        gate="diastolic",
        classes=PATTERNS,
        circular_with=("diastolic_gradient",),
        function=filling_pattern,
        needs=(
            "rv_diastolic_pressure_gradient",
            "rv_early_diastolic_rise_fraction",
            "rv_pa_diastolic_difference",
        ),
        source="patterns: Raymond 2019; 4 mmHg: Gronlykke 2020; 0.65 and 3 mmHg: own choice",
    ),
    _entry(
        "rvedp_rvsp_ratio",
        "RV end-diastolic over systolic pressure",
        "End-diastolic pressure divided by systolic pressure.",
        unit="ratio",
        low=-0.2,
        high=1,
        direction="higher",
        gate="level",
        decimals=3,
        needs=("rv_end_diastolic_pressure", "rv_systolic_pressure"),
        function=ratio,
        circular_with=_FILLING,
        source="above one third in constriction: cardiac catheterisation textbooks",
    ),
)
