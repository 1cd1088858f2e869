"""Pulmonary artery pressure, its relation to the RV, and pulmonary load."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity

DYN_PER_WU = 80.0
DYN_PER_WU_EXACT = 79.99343
LEAST_CVP_MMHG = 1.0


def fraction_of_interval(start_s, stop_s, interval_s):
    """(stop - start) / interval."""
    return ratio(difference(stop_s, start_s), interval_s)


def augmentation_index(peak, at_inflection, pulse):
    """(peak - pressure at the shoulder) / pulse pressure; 0 where there is no shoulder."""
    gain = ratio(difference(peak, at_inflection), pulse)
    return np.where(np.isfinite(gain), gain, np.where(np.isfinite(pulse), 0.0, np.nan))


def pulsatility_index(pulse_pressure, cvp):
    """PA pulse pressure over venous pressure; missing below 1 mmHg of venous pressure."""
    cvp = np.asarray(cvp, dtype=float)
    return np.where(cvp >= LEAST_CVP_MMHG, ratio(pulse_pressure, cvp), np.nan)


def compliance(stroke_volume, pulse_pressure):
    """Stroke volume over pulse pressure, mL/mmHg."""
    return ratio(stroke_volume, pulse_pressure)


def vascular_resistance(pa_mean, pawp, cardiac_output):
    """(mPAP - PAWP) / CO, WU. A negative gradient is a measurement error and missing."""
    gradient = difference(pa_mean, pawp)
    return np.where(gradient >= 0, ratio(gradient, cardiac_output), np.nan)


def resistance_dyn(wood_units, *, factor=DYN_PER_WU):
    """WU to dyn.s.cm-5; 80 by convention, exactly 79.993."""
    return np.asarray(wood_units, dtype=float) * factor


def resistance_from_dyn(dyn, *, factor=DYN_PER_WU):
    """dyn.s.cm-5 to WU."""
    return np.asarray(dyn, dtype=float) / factor


def resistance_per_ml(wood_units):
    """WU to mmHg.s/mL: 60 s over 1000 mL."""
    return np.asarray(wood_units, dtype=float) * 0.06


def resistance_index(resistance, surface_area):
    """Resistance times body surface area; dividing would be the classic error."""
    return np.asarray(resistance, dtype=float) * np.asarray(surface_area, dtype=float)


def rc_time(gradient, heart_rate, pulse_pressure):
    """60 TPG / (HR x PP), s: resistance times compliance with the flow cancelled."""
    return ratio(
        60.0 * np.asarray(gradient, dtype=float), np.asarray(heart_rate) * np.asarray(pulse_pressure)
    )


def rc_time_from_parts(resistance_wu, compliance_ml_mmhg):
    """Resistance (WU) times compliance (mL/mmHg), s."""
    return resistance_per_ml(resistance_wu) * np.asarray(compliance_ml_mmhg, dtype=float)


def mean_by_thirds(systolic, diastolic):
    """Diastolic plus a third of the pulse: a cross-check only, the mean itself is integrated."""
    return np.asarray(diastolic) + difference(systolic, diastolic) / 3.0


def mean_from_systolic(systolic):
    """0.61 sPAP + 2 mmHg. Chemla D et al., Chest 2004;126:1313-1317. A plausibility check."""
    return 0.61 * np.asarray(systolic, dtype=float) + 2.0


def systolic_from_mean(mean):
    """1.61 mPAP. Handoko ML et al., Physiol Rep 2016;4:e12910. A population line."""
    return 1.61 * np.asarray(mean, dtype=float)


def diastolic_from_mean(mean):
    """0.62 mPAP. Handoko ML et al., Physiol Rep 2016;4:e12910. A population line."""
    return 0.62 * np.asarray(mean, dtype=float)


def compliance_line(resistance_mmhg_s_ml):
    """0.564 / (0.047 + R). Tedford RJ et al., Circulation 2012;125:289-297. A population line."""
    return 0.564 / (0.047 + np.asarray(resistance_mmhg_s_ml, dtype=float))


_COMMON = {
    "level": "beat",
    "family": "pulmonary_artery",
    "group": "pa_levels",
    "unit": "mmHg",
    "channels": ("PAP",),
    "source": "common practice",
    "circular_with": ("pulmonary_load",),
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


_PULSE = {"group": "pa_pulse", "unit": "ratio", "decimals": 2}
_LOAD = {"group": "pa_load", "level": "window", "decimals": 2}
_FINE = {"least_rate_hz": 250.0, "sure_rate_hz": 250.0}
FEATURES = (
    _entry(
        "rv_outflow_gradient",
        "RV outflow gradient",
        "RV systolic pressure less PA systolic pressure of the same beat.",
        low=-15,
        high=120,
        direction="higher",
        channels=("RVP", "PAP"),
        group="rv_pa",
        gate="level",
        needs=("rv_systolic_pressure", "pa_systolic_pressure"),
        function=difference,
        circular_with=(),
        source="Denault AY et al., dynamic outflow obstruction in cardiac surgery (above 25 mmHg)",
        caution="must last 10 beats; a tip caught in the wall mimics it",
    ),
    _entry(
        "rv_pa_diastolic_difference",
        "PA diastolic minus RV end-diastolic pressure",
        "PA diastolic pressure less RV end-diastolic pressure of the same beat.",
        low=-5,
        high=70,
        direction="lower",
        channels=("RVP", "PAP"),
        group="rv_pa",
        gate="level",
        needs=("pa_diastolic_pressure", "rv_end_diastolic_pressure"),
        function=difference,
        source="diastolic equalisation: Raymond M et al. 2019",
        caution="near zero throughout: both lumens in one chamber",
    ),
    _entry(
        "pa_systolic_pressure",
        "PA systolic pressure",
        "Top of the PA pulse between foot and notch.",
        low=8,
        high=150,
        direction="higher",
        gate="level",
        needs=("pa_p_systolic",),
        function=identity,
        source="range tables",
    ),
    _entry(
        "pa_diastolic_pressure",
        "PA diastolic pressure",
        "Lowest low-passed PA pressure in the 80 ms that lead to the foot of the pulse, the foot being the "
        "same corner as RV end-diastole.",
        low=0,
        high=90,
        direction="higher",
        gate="level",
        needs=("pa_p_foot",),
        function=identity,
        source="range tables",
    ),
    _entry(
        "pa_mean_pressure",
        "PA mean pressure",
        "Time average from one foot to the next.",
        low=3,
        high=110,
        direction="higher",
        needs=("pa_mean",),
        function=identity,
        source="Kovacs G et al., Eur Respir J 2009;34:888-894",
    ),
    _entry(
        "pa_pulse_pressure",
        "PA pulse pressure",
        "PA systolic less PA diastolic pressure.",
        low=2,
        high=110,
        direction="non_monotone",
        gate="level",
        group="pa_pulse",
        offset_free=True,
        needs=("pa_systolic_pressure", "pa_diastolic_pressure"),
        function=difference,
    ),
    _entry(
        "pa_fractional_pulse_pressure",
        "PA fractional pulse pressure",
        "PA pulse over PA mean pressure.",
        low=0.05,
        high=3,
        direction="etiology",
        gate="level",
        needs=("pa_pulse_pressure", "pa_mean_pressure"),
        function=ratio,
        source="Nakayama Y et al., J Am Coll Cardiol 1997;29:1311-1316",
        **_PULSE,
    ),
    _entry(
        "pa_pressure_cv",
        "PA pressure coefficient of variation",
        "Standard deviation of the samples of a PA beat over their time average.",
        low=0.02,
        high=1,
        direction="etiology",
        gate="level",
        needs=("pa_spread", "pa_mean_pressure"),
        function=ratio,
        source="Nakayama Y et al., J Am Coll Cardiol 1997;29:1311-1316",
        **_PULSE,
    ),
    _entry(
        "pa_fractional_time_to_half_area",
        "PA fractional time to half the area",
        "Share of the PA beat at which half of the integral of raw pressure has passed.",
        level="ensemble",
        low=0.2,
        high=0.6,
        direction="etiology",
        needs=("pa_half_area",),
        function=identity,
        source="Nakayama Y et al., J Am Coll Cardiol 1997;29:1311-1316",
        **_PULSE,
    ),
    _entry(
        "pa_notch_pressure",
        "PA dicrotic notch pressure",
        "Pressure at the first dip within 150 ms of the steepest fall that it climbs out of by 0.3 mmHg, "
        "else where the second derivative stands out most.",
        low=3,
        high=110,
        direction="higher",
        gate="diastolic",
        needs=("pa_p_notch",),
        function=identity,
        source="landmark by eye in 87 of 88: Stevenson D et al., BioMed Eng OnLine 2012",
        **_FINE,
    ),
    _entry(
        "pa_notch_time_fraction",
        "PA notch time fraction",
        "Foot to notch as a share of the beat.",
        low=0.15,
        high=0.75,
        gate="diastolic",
        offset_free=True,
        needs=("t_pa_foot", "t_pa_notch", "pa_interval"),
        function=fraction_of_interval,
        **{**_PULSE, **_FINE},
    ),
    _entry(
        "pa_dpdt_max",
        "PA dP/dt max",
        "Largest slope of the PA upstroke.",
        unit="mmHg/s",
        low=20,
        high=2500,
        gate="derivative",
        group="pa_pulse",
        offset_free=True,
        decimals=0,
        needs=("pa_slope_max",),
        function=identity,
        least_rate_hz=100.0,
        sure_rate_hz=200.0,
    ),
    _entry(
        "pa_augmentation_index",
        "PA augmentation index",
        "PA systolic pressure less the pressure at the shoulder of the upstroke, over the pulse pressure.",
        level="ensemble",
        low=0,
        high=0.9,
        direction="higher",
        gate="derivative",
        offset_free=True,
        needs=("pa_ensemble_systolic", "pa_ensemble_inflection", "pa_ensemble_pulse"),
        function=augmentation_index,
        source="Grignola JC et al., World J Cardiol 2011;3:322-329",
        **{**_PULSE, **_FINE},
    ),
    _entry(
        "pulmonary_artery_pulsatility_index",
        "PA pulsatility index",
        "PA pulse pressure over mean venous pressure; missing below 1 mmHg of venous pressure.",
        level="window",
        low=0,
        high=40,
        direction="lower",
        channels=("PAP", "CVP"),
        needs=("pa_pulse_pressure", "cvp_mean"),
        function=pulsatility_index,
        circular_with=("filling_pressure", "pulmonary_load"),
        source="Korabathina R et al., Catheter "
        "Cardiovasc Interv 2012;80:593-600; Morine KJ et al., J Card Fail 2016;22:110-116",
        caution="analyse its logarithm",
        **_PULSE,
    ),
    _entry(
        "pa_compliance",
        "PA compliance",
        "Stroke volume over PA pulse pressure.",
        unit="mL/mmHg",
        low=0.1,
        high=15,
        direction="lower",
        channels=("PAP", "CO"),
        needs=("stroke_volume", "pa_pulse_pressure"),
        function=compliance,
        circular_with=("pulmonary_load", "low_output"),
        source="Mahapatra S et al., J Am Coll Cardiol 2006;47:799-803",
        **_LOAD,
    ),
    _entry(
        "pa_effective_elastance",
        "PA effective elastance",
        "Mean PA pressure over stroke volume.",
        unit="mmHg/mL",
        low=0.05,
        high=6,
        direction="higher",
        channels=("PAP", "CO"),
        needs=("pa_mean_pressure", "stroke_volume"),
        function=ratio,
        circular_with=("pulmonary_load", "low_output"),
        source="Trip P et al., J Heart Lung Transplant 2013;32:50-55",
        **_LOAD,
    ),
    _entry(
        "pulmonary_vascular_resistance",
        "Pulmonary vascular resistance",
        "Mean PA pressure less wedge pressure, over cardiac output; a negative gradient is missing.",
        unit="WU",
        low=0,
        high=40,
        direction="higher",
        channels=("PAP", "PAWP", "CO"),
        needs=("pa_mean_pressure", "pawp", "cardiac_output"),
        function=vascular_resistance,
        circular_with=("pulmonary_load", "low_output"),
        source="Humbert M et al., Eur Heart J 2022;43:3618",
        **_LOAD,
    ),
    _entry(
        "pulmonary_vascular_resistance_index",
        "Pulmonary vascular resistance index",
        "Pulmonary vascular resistance multiplied by body surface area.",
        unit="WU.m2",
        low=0,
        high=60,
        direction="higher",
        channels=("PAP", "PAWP", "CO", "size"),
        needs=("pulmonary_vascular_resistance", "body_surface_area"),
        function=resistance_index,
        circular_with=("pulmonary_load", "low_output"),
        **_LOAD,
    ),
    _entry(
        "total_pulmonary_resistance",
        "Total pulmonary resistance",
        "Mean PA pressure over cardiac output.",
        unit="WU",
        low=0.3,
        high=45,
        direction="higher",
        channels=("PAP", "CO"),
        needs=("pa_mean_pressure", "cardiac_output"),
        function=ratio,
        circular_with=("pulmonary_load", "low_output"),
        **_LOAD,
    ),
    _entry(
        "transpulmonary_gradient",
        "Transpulmonary gradient",
        "Mean PA pressure less wedge pressure.",
        low=-5,
        high=90,
        direction="higher",
        channels=("PAP", "PAWP"),
        needs=("pa_mean_pressure", "pawp"),
        function=difference,
        source="Handoko ML et al., Physiol Rep 2016;4:e12910",
        **_LOAD,
    ),
    _entry(
        "diastolic_pulmonary_gradient",
        "Diastolic pulmonary gradient",
        "PA diastolic pressure less wedge pressure, with its sign.",
        low=-15,
        high=70,
        direction="higher",
        channels=("PAP", "PAWP"),
        gate="level",
        needs=("pa_diastolic_pressure", "pawp"),
        function=difference,
        source="Gerges C et al. 2013; Mazimba S et al., Respir Med 2016;119:81-86",
        **_LOAD,
    ),
    _entry(
        "rc_time",
        "Pulmonary RC time",
        "Sixty times the transpulmonary gradient over heart rate and pulse pressure; cardiac output cancels.",
        unit="s",
        low=0.05,
        high=1.5,
        channels=("PAP", "PAWP"),
        needs=("transpulmonary_gradient", "heart_rate", "pa_pulse_pressure"),
        function=rc_time,
        source="Tedford RJ et al., Circulation 2012;125:289-297",
        **_LOAD,
    ),
)
