"""Rate and time intervals of a beat."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature


def rate_from_interval(interval_ms):
    """Beats a minute from an interval in ms."""
    return 60000.0 / np.asarray(interval_ms, dtype=float)


def harmonics(heart_rate, count):
    """Frequencies of the first `count` harmonics of a heart rate, Hz, array (count,)."""
    return np.arange(1, count + 1) * float(heart_rate) / 60.0


def milliseconds_between(start_s, stop_s):
    """Time from start to stop, ms."""
    return 1000.0 * (np.asarray(stop_s, dtype=float) - np.asarray(start_s, dtype=float))


def difference(a, b):
    """a - b."""
    return np.asarray(a, dtype=float) - np.asarray(b, dtype=float)


def ratio(a, b):
    """a / b; missing where b is 0."""
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    return np.divide(a, b, out=np.full(np.broadcast_shapes(a.shape, b.shape), np.nan), where=b != 0)


def systolic_diastolic_ratio(systolic_ms, interval_ms):
    """Systole over the rest of the beat."""
    systolic, interval = np.asarray(systolic_ms, dtype=float), np.asarray(interval_ms, dtype=float)
    return ratio(systolic, interval - systolic)


def ratio_to_valve_opening(onset_s, opening_s, interval_ms):
    """Onset to tricuspid opening over the rest of the beat."""
    return systolic_diastolic_ratio(milliseconds_between(onset_s, opening_s), interval_ms)


def performance_index(onset_s, opening_s, ejection_ms):
    """(Onset to tricuspid opening - ejection) / ejection."""
    return performance_index_from_ms(milliseconds_between(onset_s, opening_s), ejection_ms)


def performance_index_from_ms(closure_to_opening_ms, ejection_ms):
    """(a - b) / b with a from tricuspid closure to opening and b the ejection time."""
    return ratio(difference(closure_to_opening_ms, ejection_ms), ejection_ms)


def time_to_peak_fraction(onset_s, peak_s, fall_s):
    """Peak time as a fraction of onset to steepest fall."""
    return ratio(difference(peak_s, onset_s), difference(fall_s, onset_s))


_COMMON = {
    "level": "beat",
    "family": "intervals",
    "offset_free": True,
    "group": "timing",
    "unit": "ms",
    "channels": ("RVP",),
    "least_rate_hz": 100.0,
    "sure_rate_hz": 200.0,
    "source": "common practice",
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "rr_interval",
        "Beat interval",
        "Time from the end-diastolic corner of one beat to that of the next.",
        low=240,
        high=3000,
        direction="covariate",
        group="rate",
        needs=("t_ed", "t_next_ed"),
        function=milliseconds_between,
        least_rate_hz=60.0,
        sure_rate_hz=100.0,
    ),
    _entry(
        "heart_rate",
        "Heart rate",
        "Sixty thousand divided by the beat interval in milliseconds.",
        unit="beats/min",
        low=20,
        high=250,
        direction="covariate",
        group="rate",
        needs=("rr_interval",),
        function=rate_from_interval,
        least_rate_hz=60.0,
        sure_rate_hz=100.0,
    ),
    _entry(
        "rv_systolic_duration",
        "RV systolic duration",
        "Time from end-diastole to the steepest fall of RV pressure.",
        low=100,
        high=700,
        direction="higher",
        needs=("t_ed", "t_dpdt_min"),
        function=milliseconds_between,
        caution="ends before the pulmonary valve closes or after it, never exactly with it",
        gate="level",
    ),
    _entry(
        "rv_diastolic_duration",
        "RV diastolic duration",
        "What the beat interval leaves after systole.",
        low=60,
        high=2500,
        direction="lower",
        needs=("rr_interval", "rv_systolic_duration"),
        function=difference,
        gate="level",
    ),
    _entry(
        "rv_systolic_fraction",
        "RV systolic fraction of the beat",
        "Systolic duration as a share of the beat interval.",
        unit="ratio",
        low=0.15,
        high=0.80,
        direction="higher",
        needs=("rv_systolic_duration", "rr_interval"),
        function=ratio,
        decimals=3,
        caution="depends strongly on heart rate",
        gate="level",
    ),
    _entry(
        "rv_systolic_diastolic_ratio",
        "RV systolic to diastolic duration ratio",
        "Time from end-diastole to tricuspid opening, over the rest of the beat, so that isovolumic "
        "relaxation counts as systole.",
        unit="ratio",
        low=0.2,
        high=4,
        direction="higher",
        decimals=3,
        needs=("t_ed", "t_tvo", "rr_interval"),
        function=ratio_to_valve_opening,
        source="Alkon J et al., Am J Cardiol 2010;106:430-436 (Doppler, children)",
        gate="strict",
    ),
    _entry(
        "rv_systolic_diastolic_ratio_dpdtmin",
        "RV systolic to diastolic ratio, systole to steepest fall",
        "Systolic duration over diastolic duration; for records in which tricuspid opening cannot be seen.",
        unit="ratio",
        low=0.2,
        high=4,
        direction="higher",
        decimals=3,
        variant_of="rv_systolic_diastolic_ratio",
        needs=("rv_systolic_duration", "rr_interval"),
        function=systolic_diastolic_ratio,
        gate="level",
    ),
    _entry(
        "rv_isovolumic_contraction_time",
        "RV isovolumic contraction time",
        "Time from end-diastole until RV pressure reaches the pressure at the foot of the PA pulse.",
        low=5,
        high=150,
        direction="higher",
        channels=("RVP", "PAP"),
        needs=("t_ed", "t_pvo"),
        function=milliseconds_between,
        offset_free=False,
        source="concept: textbooks",
        gate="level",
    ),
    _entry(
        "rv_isovolumic_contraction_time_surrogate",
        "RV isovolumic contraction time, pressure-only surrogate",
        "Time from end-diastole to the steepest rise, standing in for pulmonary valve opening where there "
        "is no PA pressure.",
        low=5,
        high=150,
        direction="higher",
        variant_of="rv_isovolumic_contraction_time",
        needs=("t_ed", "t_dpdt_max"),
        function=milliseconds_between,
        source="Schmidt HD, Hoppe H, Basic Res Cardiol 1976;71:521-529 warn that the two may differ",
        gate="level",
    ),
    _entry(
        "rv_post_systolic_isovolumic_time",
        "RV post-systolic isovolumic time",
        "Time from the notch of the delay-aligned PA pressure to tricuspid opening.",
        low=0,
        high=250,
        direction="non_monotone",
        channels=("RVP", "PAP"),
        needs=("t_pa_notch_aligned", "t_tvo"),
        function=milliseconds_between,
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        source="Mauritz GJ et al., Heart 2011;97:473-478 (imaging)",
        caution="long when contraction goes on after valve closure; it does not measure relaxation",
        gate="level",
    ),
    _entry(
        "rv_ejection_time",
        "RV ejection time",
        "Time from the foot of the PA pulse to its notch, both on the PA channel so that its delay cancels.",
        low=80,
        high=600,
        direction="lower",
        channels=("PAP",),
        needs=("t_pa_foot", "t_pa_notch"),
        function=milliseconds_between,
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        gate="level",
    ),
    _entry(
        "rv_pre_ejection_period",
        "RV pre-ejection period",
        "Time from the onset of the QRS to the foot of the PA pulse, less the known delay of the PA line; "
        "missing when that delay was not given.",
        low=20,
        high=250,
        direction="higher",
        channels=("ECG", "PAP"),
        needs=("t_qrs", "t_pa_foot_known"),
        function=milliseconds_between,
        source="Hirschfeld S et al., Circulation 1975",
        gate="level",
    ),
    _entry(
        "rv_pep_et_ratio",
        "RV pre-ejection period over ejection time",
        "Pre-ejection period divided by ejection time.",
        unit="ratio",
        low=0.05,
        high=1.2,
        direction="higher",
        channels=("ECG", "PAP"),
        decimals=3,
        needs=("rv_pre_ejection_period", "rv_ejection_time"),
        function=ratio,
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        source="Hirschfeld S et al., Circulation 1975",
        gate="level",
    ),
    _entry(
        "rv_myocardial_performance_index",
        "RV myocardial performance index",
        "Isovolumic time (end-diastole to tricuspid opening, less ejection) per unit of ejection time.",
        unit="ratio",
        low=0,
        high=3,
        direction="higher",
        channels=("RVP", "PAP"),
        decimals=3,
        needs=("t_ed", "t_tvo", "rv_ejection_time"),
        function=performance_index,
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        source="Tei C et al. 1996",
        gate="level",
    ),
    _entry(
        "rv_time_to_dpdt_max",
        "Time to RV dP/dt max",
        "Time from end-diastole to the steepest rise of RV pressure.",
        low=5,
        high=150,
        direction="higher",
        needs=("t_ed", "t_dpdt_max"),
        function=milliseconds_between,
        gate="level",
    ),
    _entry(
        "rv_time_to_peak_fraction",
        "RV time-to-peak fraction",
        "Time of the systolic peak as a share of systole.",
        unit="ratio",
        low=0.1,
        high=1,
        direction="higher",
        group="shape",
        decimals=3,
        needs=("t_ed", "t_systolic_peak", "t_dpdt_min"),
        function=time_to_peak_fraction,
        source="concept: reflected-wave timing, Fukumitsu M et al., J Physiol 2022",
        caution="unstable on flat-topped beats",
        gate="diastolic",
    ),
)
