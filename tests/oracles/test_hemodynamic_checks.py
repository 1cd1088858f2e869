"""Every row of shared/hemodynamic_checks.csv, computed with the package's own functions.

Expected values and tolerances are read from the file; nothing is pasted here. A null expected value
means that the quantity must be missing.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from discovery.beats import burden as bd
from discovery.beats import coupling as cp
from discovery.beats import derivatives as dv
from discovery.beats import filters as fl
from discovery.beats import flow as fw
from discovery.beats import intervals as iv
from discovery.beats import pressures as pr
from discovery.beats import pulmonary_artery as pa
from discovery.beats import quality as ql
from discovery.beats import relaxation_fits as rx
from discovery.beats import respiration as rp
from discovery.beats import saturation as sa
from discovery.beats import shape as sh
from discovery.beats import variability as vr
from discovery.beats import venous as vn
from discovery.beats.detect import detect_beats
from discovery.beats.landmarks import Trace, mark
from discovery.recordings import line_dynamics as ld
from discovery.recordings.assessment import assess
from discovery.recordings.beat_quality import level_shift
from discovery.recordings.flush import read_ringing
from discovery.recordings.migration import Levels, site_after_step
from discovery.recordings.recording import Channel

GRID = np.linspace(0.0, 1.0, 20001)


def sine_wave(rate=250.0, cycles=6):
    """P = 20 + 10 sin(2 pi 1.25 t): times and pressures."""
    t = np.arange(0.0, cycles * 0.8, 1.0 / rate)
    return t, 20 + 10 * np.sin(2 * np.pi * 1.25 * t)


def upstroke(rate):
    """The waveform of K05 with a beat around it: corner at 0.300 s, then back to rest."""
    t = np.arange(0.0, 1.2, 1.0 / rate)
    p = 4 + 5 * np.minimum(t, 0.3) + 5 * (np.clip(t, 0.3, 0.4) - 0.3)
    p = 4 + 5 * t
    p = p + np.where(t >= 0.3, 10 * (1 - np.cos(np.pi * (np.clip(t, 0.3, 0.4) - 0.3) / 0.1)), 0.0)
    return t, p


def onset(rate):
    """End-diastole that the package finds in the waveform of K05, s and mmHg."""
    _, p = upstroke(rate)
    trace = Trace.of(p, float(rate))
    marks = mark(trace, np.array([round(0.35 * rate)]), end_s=np.array([1.1]))
    return float(marks["t_ed"][0]), float(marks["p_ed"][0])


def fall(waveform_peak, tau, asymptote, start, stop, points):
    """Samples of peak exp(-t / tau) + asymptote between two pressures."""
    t0 = -tau * np.log((start - asymptote) / waveform_peak)
    t1 = -tau * np.log((stop - asymptote) / waveform_peak)
    t = np.linspace(t0, t1, points)
    return t, waveform_peak * np.exp(-t / tau) + asymptote


def exact_rise():
    """D05: P = 5 + 10 (1 - cos(pi t / 0.1)) on 0..0.1 s, and its derivative."""
    t = np.linspace(0.0, 0.1, 100001)
    return t, 5 + 10 * (1 - np.cos(np.pi * t / 0.1)), 100 * np.pi * np.sin(np.pi * t / 0.1)


def systolic(w):
    found = sh.systolic_shape(w)
    return {
        "form_factor": found.form_factor,
        "centroid": found.centroid,
        "skewness": found.skewness,
        "half_area_time": found.half_area_time,
    }


def breathing_beats(offset, size, rate=20.0):
    """A beat series that breathes at 0.25 Hz for a minute."""
    t = np.arange(0.0, 60.0, 1.0 / rate)
    return t, offset + size * np.sin(2 * np.pi * 0.25 * t)


def cvp_ramp():
    t = np.arange(0.0, 100.0 + 1e-9, 1.0)
    return t, 10 + 0.1 * t


def saturation(*pieces, rate=1.0):
    x = np.concatenate([np.full(n, v) for v, n in pieces])
    return sa.venous_desaturation(x, rate)


def alternation(values, **options):
    return vr.alternans(np.asarray(values, dtype=float), **options)


def tau_row(i):
    t, p = fall(13.0, 0.030, 0.0, i["fit_from_mmHg"], i["fit_to_mmHg"], i["points"])
    return rx.weiss_tau(t, p + i["zero_offset_mmHg"], least_r2=0.0).tau_ms


def langer(i):
    return fall(45.0, 0.050, -5.0, i.get("fit_from_mmHg", 40), i.get("fit_to_mmHg", 13), i.get("points", 200))


def exponential(i):
    found = rx.exponential_tau(*langer(i))
    return {"tau_ms": found.tau_ms, "asymptote_mmHg": found.asymptote_mmhg}


def regression(i):
    _t, p = langer(i)
    found = rx.regression_tau(p, -(p + 5) / 0.050)
    return {"tau_ms": found.tau_ms, "asymptote_mmHg": found.asymptote_mmhg}


def logistic(i):
    t = np.linspace(*i["t_s"], 201)
    found = rx.logistic_tau(t, 30 / (1 + np.exp(t / 0.020)) + 2)
    return {"tau_logistic_ms": found.tau_ms, "PB_mmHg": found.asymptote_mmhg, "PA_mmHg": found.amplitude_mmhg}


def usable_samples(i):
    t = np.arange(0, 0.2, 1 / i["fs_hz"])
    n = rx.fit_samples(13 * np.exp(-t / 0.030), i["rvedp"], margin=i["margin_mmHg"])
    if n < rx.LEAST_SAMPLES:  # and then there is no time constant
        assert np.isnan(rx.exponential_tau(t[:n], 13 * np.exp(-t[:n] / 0.030)).tau_ms)
    return n


def cosine_pmax(i):
    (a, b), (c, d) = i["fit_windows_s"]
    t = np.concatenate([np.arange(a, b + 1e-9, 1 / i["fs_hz"]), np.arange(c, d + 1e-9, 1 / i["fs_hz"])])
    return rx.single_beat_pmax(t, 4 + 28 * (1 - np.cos(2 * np.pi * t / 0.5)), 4.0).pmax_mmhg


def filtered_slope(i):
    _t, p = sine_wave(i["fs_hz"])
    settings = i["savitzky_golay"]
    return fl.derivative(p, i["fs_hz"], window=settings["window"])[10:-10].max()


def epad(_):
    t, p, slope = exact_rise()
    k = int(np.argmax(slope))
    return {"epad_mmHg": p[k], "t_dpdt_max_s": t[k], "dpdt_max": slope[k]}


def normalised(_):
    _t, p, slope = exact_rise()
    k = int(np.argmax(slope))
    return dv.normalised_slope(slope[k], p[k], 5.0)


def offset_invariance(i):
    rise, edp, shift = i["p_at_dpdt_max"], i["rvedp"], i["offset_mmHg"]
    plain = dv.normalised_slope(i["rv_dpdt_max"], rise, edp)
    moved = dv.normalised_slope(i["rv_dpdt_max"], rise + shift, edp + shift)
    assert plain == moved
    return {
        "normalised_by_developed": moved,
        "normalised_by_raw_pressure": iv.ratio(i["rv_dpdt_max"], rise + shift),
    }


def loop_area(_):
    t = np.linspace(0.0, 0.8, 8001)
    return dv.phase_plane_area(10 * 2 * np.pi * 1.25 * np.cos(2 * np.pi * 1.25 * t), 1e4)


def half_sine(i):
    t = np.linspace(0.0, 0.3, 30001)
    area = np.trapezoid(4 + 20 * np.sin(np.pi * t / 0.3), t)
    return cp.pressure_time_integral(area, 4.0, 300.0)


def level_invariants(i):
    """The three offset-free features do not move when every pressure does."""
    s, e, m, off = i["rv_systolic"], i["rvedp"], i["rv_min"], i["offset_mmHg"]
    _t, p = sine_wave()
    return {
        "rv_pulse_pressure_change": iv.difference(s + off, m + off) - iv.difference(s, m),
        "rv_diastolic_pressure_gradient_change": iv.difference(e + off, m + off) - iv.difference(e, m),
        "rv_dpdt_max_change": fl.derivative(p + off, 250.0).max() - fl.derivative(p, 250.0).max(),
    }


def transient_gap(i):
    t = np.concatenate([np.arange(0, 25 + 1e-9, 0.25), np.arange(35, 60 + 1e-9, 0.25)])
    found = bd.burden(t, np.full(t.size, 20.0), i["threshold"], max_gap_min=i["max_gap_bridge_s"] / 60)
    return {"time_above_min": found.time_min, "fraction_of_valid_time": found.fraction}


def assessed(pressure, rate_hz):
    return assess(Channel("rv", "pressure", "mmHg", float(rate_hz), 0.0, pressure))


def clipped_share(i):
    """The row counts the rail alone, but its sine also passes -30 mmHg, which the definition counts too.

    Raised by 75 mmHg the same wave stays inside -30 to 300, and the share at the rail is unchanged;
    unraised, the share below -30 mmHg (a known part of a sine) comes on top.
    """
    t = np.arange(round(i["fs_hz"])) / i["fs_hz"]
    wave = np.minimum(100 * np.sin(2 * np.pi * t), 60)
    raised = ql.saturation_fraction(assessed(wave + 75, i["fs_hz"]))
    below = 0.5 - np.arcsin(0.3) / np.pi
    assert abs(ql.saturation_fraction(assessed(wave, i["fs_hz"])) - raised - below) < 0.003
    return raised


def shift_row(i):
    found = level_shift(i["before"], i["after"])
    assert found is not None
    return {
        "shift_mmHg": found.shift,
        "pulse_pressure_change": found.pulse_change,
        "equivalent_cm_water": found.water_cm,
    }


def site_row(i):
    def levels(d):
        return Levels(
            maximum=d["max"],
            minimum=d["min"],
            slope=d.get("normalised_diastolic_slope", np.nan),
            pulse=d.get("pulse_pressure", np.nan),
        )

    return site_after_step(levels(i["before"]), levels(i["after"]))


def beat_count(i):
    """A periodic beat at the wanted rate: raised cosine systole on a rising diastole."""
    rate, cycle = 250.0, 60.0 / i["heart_rate"]
    t = np.arange(0, i["duration_s"], 1 / rate)
    u = np.mod(t, cycle)
    p = 3 + 3 * u / cycle + np.where(u < 0.35, 10 * (1 - np.cos(2 * np.pi * u / 0.35)), 0.0)
    return len(detect_beats(p, rate))


def elastances(i):
    sv = np.asarray(i["stroke_volume"], dtype=float)
    ees = cp.end_systolic_elastance(i["rv_pmax"], i["rv_esp"], sv)
    ea = iv.ratio(i["rv_esp"], sv)
    assert np.allclose(ees / ea, cp.coupling_ratio(i["rv_pmax"], i["rv_esp"]))
    return {"ees": ees, "ea": ea, "ratio": ees / ea}


def bsa_difference(i):
    h, w = i["height_cm"], i["weight_kg"]
    return float(fw.mosteller(h, w) - fw.dubois(h, w))


def rc_without_flow(i):
    direct = pa.rc_time(i["tpg"], i["heart_rate"], i["pa_pulse_pressure"])
    for co in i["cardiac_output_l_min"]:
        c = pa.compliance(fw.stroke_volume(co, i["heart_rate"]), i["pa_pulse_pressure"])
        assert np.isclose(pa.rc_time_from_parts(i["tpg"] / co, c), direct)
    return direct


def compliance_elastance(i):
    sv = np.asarray(i["stroke_volume"], dtype=float)
    product = pa.compliance(sv, i["pa_pulse_pressure"]) * iv.ratio(i["pa_mean"], sv)
    assert np.ptp(product) < 1e-12
    return product[0]


def papi_from_parts(i):
    pulse = iv.difference(i["pa_systolic"], i["pa_diastolic"])
    direct = pa.pulsatility_index(pulse, i["cvp"])
    assert np.isclose(direct, iv.ratio(pulse, i["pa_mean"]) * i["pa_mean"] / i["cvp"])
    return direct


def papi(i):
    return pa.pulsatility_index(iv.difference(i["pa_systolic"], i["pa_diastolic"]), i["cvp"])


def timing(i):
    systolic_ms, rr = i["rv_systolic_duration"], i["rr_ms"]
    return {
        "rv_diastolic_duration": iv.difference(rr, systolic_ms),
        "rv_systolic_fraction": iv.ratio(systolic_ms, rr),
        "rv_systolic_diastolic_ratio": iv.systolic_diastolic_ratio(systolic_ms, rr),
    }


def levels(i):
    pulse = iv.difference(i["rv_systolic"], i["rv_min"])
    developed = iv.difference(i["rv_systolic"], i["rvedp"])
    gradient = iv.difference(i["rvedp"], i["rv_min"])
    assert np.isclose(pulse, developed + gradient)
    return {
        "rv_pulse_pressure": pulse,
        "rv_developed_pressure": developed,
        "rv_diastolic_pressure_gradient": gradient,
    }


def augmentation(i):
    gain = sh.augmentation_pressure(i["rv_systolic"], i["p_at_inflection"])
    return {
        "augmentation_pressure": gain,
        "ratio_to_rvsp": iv.ratio(gain, i["rv_systolic"]),
        "ratio_to_developed": iv.ratio(gain, iv.difference(i["rv_systolic"], i["rvedp"])),
    }


def alternans_row(i):
    found = alternation(i["rv_systolic_beats"])
    return {
        "amplitude_mmHg": found.amplitude,
        "index": found.index,
        "detected": found.detected,
        "alternating_sign_fraction": found.alternating_sign_fraction,
    }


def ringing(frequency, ratio, rate=5000.0):
    """What the flush reader finds in a drawn ringing of this frequency and ratio of half-cycle swings."""
    t = np.arange(0.0, 1.0, 1 / rate)
    wave = np.exp(2 * np.log(ratio) * frequency * t) * np.cos(2 * np.pi * frequency * t)
    return read_ringing(20 + 80 * wave, rate)


def late_slope(first, last, i):
    t = np.linspace(0, 0.3, 76)
    return iv.ratio(pr.diastolic_slope_of(t, np.linspace(first, last, 76)), i["pulse_pressure"])


def confounded(i):
    found = alternation(
        i["rv_systolic_beats"], respiratory_to_heart_rate=i["respiratory_rate"] / i["heart_rate"]
    )
    assert not found.detected
    return {"amplitude_mmHg": found.amplitude, "confounded_by_respiration": found.confounded_by_respiration}


def end_expiration(i):
    t, p = breathing_beats(8, 2)
    mode = {"spontaneous": "spontaneous", "positive pressure": "positive_pressure"}[i["ventilation"]]
    return rp.end_expiratory_value(p, p, mode, time_s=t)


def flow_identity(i):
    return fw.power_from_stroke_work(i["pa_mean"], i["stroke_volume"], i["heart_rate"])


ROWS = {
    "U01": lambda i: pr.kpa_from_mmhg(i["mmHg"]),
    "U02": lambda i: pr.kpa_from_mmhg(i["mmHg"]),
    "U03": lambda i: pr.mmhg_from_kpa(i["kPa"]),
    "U04": lambda i: pr.mmhg_from_cmh2o(i["cmH2O"]),
    "U05": lambda i: pr.mmhg_from_cmh2o(i["height_cm"]),
    "U06": lambda i: pa.resistance_dyn(i["WU"], factor=pa.DYN_PER_WU_EXACT),
    "U07": lambda i: pa.resistance_dyn(i["WU"]),
    "U08": lambda i: fw.work_in_g_m(i["mmHg_mL"], factor=fw.G_M_PER_MMHG_ML_EXACT),
    "U09": lambda i: fw.power_in_watt(i["mmHg_L_per_min"], divisor=fw.POWER_DIVISOR_EXACT),
    "U10": lambda i: pa.resistance_per_ml(i["WU"]),
    "U11": lambda i: pa.resistance_from_dyn(i["dyn_s_cm5"]),
    "U12": lambda i: fw.work_in_g_m(i["mmHg_mL_per_m2"]),
    "U13": lambda i: iv.milliseconds_between(0.0, i["samples"] / i["fs_hz"]),
    "B01": lambda i: fw.mosteller(i["height_cm"], i["weight_kg"]),
    "B02": lambda i: fw.dubois(i["height_cm"], i["weight_kg"]),
    "B03": lambda i: fw.haycock(i["height_cm"], i["weight_kg"]),
    "B04": bsa_difference,
    "F01": lambda i: fw.stroke_volume(i["cardiac_output_l_min"], i["heart_rate"]),
    "F02": lambda i: iv.ratio(fw.stroke_volume(i["cardiac_output_l_min"], i["heart_rate"]), i["bsa_m2"]),
    "F03": lambda i: iv.ratio(i["cardiac_output_l_min"], i["bsa_m2"]),
    "P01": lambda i: pa.mean_by_thirds(i["pa_systolic"], i["pa_diastolic"]),
    "P02": lambda i: pa.mean_from_systolic(i["pa_systolic"]),
    "P03": lambda i: pa.mean_from_systolic(i["pa_systolic"]),
    "P04": lambda i: {
        "pa_systolic": pa.systolic_from_mean(i["pa_mean"]),
        "pa_diastolic": pa.diastolic_from_mean(i["pa_mean"]),
    },
    "P05": lambda i: iv.difference(i["pa_mean"], i["pawp"]),
    "P06": lambda i: iv.difference(i["pa_diastolic"], i["pawp"]),
    "P07": lambda i: iv.difference(i["pa_mean"], i["pawp"]) - iv.difference(i["pa_diastolic"], i["pawp"]),
    "P08": lambda i: pa.vascular_resistance(i["pa_mean"], i["pawp"], i["cardiac_output_l_min"]),
    "P09": lambda i: pa.resistance_dyn(i["pvr_wu"]),
    "P10": lambda i: pa.resistance_index(
        pa.vascular_resistance(i["pa_mean"], i["pawp"], 1.0), 1 / i["cardiac_index"]
    ),
    "P11": lambda i: iv.ratio(i["pa_mean"], i["cardiac_output_l_min"]),
    "P12": lambda i: iv.difference(i["rvedp"], i["rv_min"]),
    "P13": lambda i: iv.difference(i["rvedp"], i["rv_min"]),
    "P14": lambda i: iv.difference(i["rv_systolic"], i["pa_systolic"]),
    "P15": lambda i: pr.level_error(i["transducer_raised_cm"]),
    "P16": level_invariants,
    "I01": papi,
    "I02": papi,
    "I03": papi,
    "I04": lambda i: iv.ratio(iv.difference(i["pa_systolic"], i["pa_diastolic"]), i["pa_mean"]),
    "I05": lambda i: pa.compliance(i["stroke_volume"], iv.difference(i["pa_systolic"], i["pa_diastolic"])),
    "I06": lambda i: pa.compliance_line(i["pvr_mmHg_s_per_mL"]),
    "I07": lambda i: pa.rc_time_from_parts(i["pvr_wu"], i["pa_compliance"]),
    "I08": rc_without_flow,
    "I09": lambda i: iv.ratio(i["pa_mean"], i["stroke_volume"]),
    "I10": compliance_elastance,
    "I11": papi_from_parts,
    "I12": lambda i: vn.cvp_pawp_ratio(i["cvp"], i["pawp"]),
    "I13": lambda i: vn.cvp_plus1_pawp_ratio(i["cvp"], i["pawp"]),
    "W01": lambda i: fw.stroke_work_index(i["stroke_volume_index"], i["pa_mean"], i["cvp"]),
    "W02": lambda i: fw.stroke_work_index(i["stroke_volume_index"], i["pa_mean"], i["cvp"]),
    "W03": lambda i: fw.cardiac_power_output(i["pa_mean"], i["cardiac_output_l_min"]),
    "W04": lambda i: fw.cardiac_power_index(i["pa_mean"], i["cardiac_index"]),
    "W05": flow_identity,
    "C01": lambda i: cp.coupling_ratio(i["rv_pmax"], i["rv_esp"]),
    "C02": elastances,
    "C03": lambda i: cp.end_systolic_elastance(i["rv_pmax"], i["pa_mean"], i["edv"] - i["esv"]),
    "C04": lambda i: cp.coupling_ratio(i["rv_pmax"], i["rv_esp"]),
    "C05": cosine_pmax,
    "C06": lambda i: cp.accepted_pmax(i["rv_pmax"], i["rv_systolic"]),
    "T01": lambda i: (
        rx.weiss_tau(np.linspace(*i["t_s"], 41), 15 * np.exp(-np.linspace(*i["t_s"], 41) / 0.030)).tau_ms
    ),
    "T02": tau_row,
    "T03": tau_row,
    "T04": exponential,
    "T05": lambda i: rx.weiss_tau(*langer(i)).tau_ms,
    "T06": regression,
    "T07": lambda i: rx.half_time(0.1 * GRID, 20 * np.exp(-0.1 * GRID / 0.050)),
    "T08": lambda i: rx.half_time(0.1 * GRID, 45 * np.exp(-0.1 * GRID / 0.050) - 5),
    "T09": logistic,
    "T10": lambda i: rx.logistic_least_slope(i["PA"], i["TL_s"]),
    "T11": usable_samples,
    "T12": usable_samples,
    "D01": lambda i: fl.derivative(sine_wave(20000.0, 1)[1], 20000.0, window=5).max(),
    "D02": lambda i: fl.derivative(sine_wave(20000.0, 1)[1], 20000.0, window=5).min(),
    "D03": filtered_slope,
    "D04": lambda i: fl.derivative_gain(i["frequency_hz"], i["fs_hz"], window=i["savitzky_golay"]["window"]),
    "D05": epad,
    "D06": normalised,
    "D07": offset_invariance,
    "D08": loop_area,
    "L01": lambda i: pr.diastolic_slope_of(0.4 * GRID, 2 + 12 * 0.4 * GRID),
    "L02": lambda i: pr.rise_fraction(10 * GRID),
    "L03": lambda i: pr.rise_fraction(10 * np.sqrt(GRID)),
    "L04": lambda i: pr.rise_fraction(10 * (1 - np.exp(-10 * GRID))),
    "L05": lambda i: iv.ratio(i["rvedp"], i["rv_systolic"]),
    "S01": lambda i: systolic(np.sin(np.pi * GRID)),
    "S02": lambda i: systolic(GRID),
    "S03": lambda i: systolic(np.interp(GRID, [0, 0.4, 1], [0, 1, 0])),
    "S04": lambda i: systolic(np.ones(GRID.size)),
    "S05": lambda i: iv.time_to_peak_fraction(i["t_ed_s"], i["t_systolic_peak_s"], i["t_dpdt_min_s"]),
    "S06": augmentation,
    "S07": lambda i: iv.systolic_diastolic_ratio(i["systolic_ms"], i["rr_ms"]),
    "S08": half_sine,
    "S09": lambda i: iv.performance_index_from_ms(i["t_tv_closure_to_opening_ms"], i["ejection_time_ms"]),
    "A01": alternans_row,
    "A02": alternans_row,
    "A03": alternans_row,
    "A04": alternans_row,
    "A05": lambda i: vr.coefficient_of_variation(i["values"]),
    "A06": lambda i: rp.respiratory_swing(*breathing_beats(30, 3)),
    "A07": end_expiration,
    "A08": end_expiration,
    "A09": confounded,
    "X01": lambda i: bd.burden(*cvp_ramp(), i["threshold"], max_gap_min=2).time_min,
    "X02": lambda i: bd.burden(*cvp_ramp(), i["threshold"], max_gap_min=2).area,
    "X03": lambda i: bd.burden(*cvp_ramp(), i["threshold"], max_gap_min=2).time_weighted_average,
    "X04": lambda i: bd.trend_slope(np.arange(60.0), 20 + 0.1 * np.arange(60.0)),
    "X05": transient_gap,
    "V01": lambda i: saturation((70, 100), (59, 60), (70, 100)).count,
    "V02": lambda i: saturation((70, 100), (59, 59), (70, 100)).count,
    "V03": lambda i: saturation((60.0, 600)).count,
    "V04": lambda i: saturation((70, 100), (59, 50), (61, 5), (59, 50), (70, 100)).count,
    "V05": lambda i: saturation((70, 100), (50, 180), (70, 100)).area_percent_min,
    "V06": lambda i: sa.oxygen_extraction(i["sao2"], i["svo2"]),
    "V07": lambda i: saturation((70, 100), (59, 30), (70, 100), rate=0.5).count,
    "G01": lambda i: ringing(i["paper_speed_mm_s"] / i["period_mm"], 0.7)[0],
    "G02": lambda i: ld.step_overshoot(ringing(14.7, i["smaller_mm"] / i["larger_mm"])[1]),
    "G03": lambda i: ld.damping_from_ratio(i["amplitude_ratio"]),
    "G04": lambda i: ld.damping_from_ratio(i["amplitude_ratio"], excursions="full cycle"),
    "G05": lambda i: ld.damping_from_ratio(i["amplitude_ratio"]),
    "G06": lambda i: ld.step_overshoot(i["damping_coefficient"]),
    "G07": lambda i: ld.undamped_frequency(i["damped_frequency_hz"], i["damping_coefficient"]),
    "G08": lambda i: ringing(1000.0 / i["peak_interval_ms"], 0.6)[0],
    "G09": lambda i: iv.harmonics(i["heart_rate"], i["harmonics"]),
    "G10": lambda i: ld.second_order_gain(
        i["frequency_hz"], i["natural_frequency_hz"], i["damping_coefficient"]
    ),
    "K01": beat_count,
    "K02": lambda i: iv.rate_from_interval(i["rr_ms"]),
    "K03": lambda i: late_slope(12, 10, i),
    "K04": lambda i: late_slope(3, 5, i),
    "K05": lambda i: onset(i["fs_hz"])[0],
    "K06": lambda i: onset(i["fs_hz"])[0],
    "K07": lambda i: onset(i["fs_hz"])[1],
    "Q01": lambda i: ql.flatline_fraction(assessed(np.full(500, 12.3), i["fs_hz"])),
    "Q02": clipped_share,
    "Q03": shift_row,
    "Q04": site_row,
    "Q05": site_row,
    "R01": lambda i: iv.ratio(i["pa_mean"], fw.stroke_volume(i["cardiac_output_l_min"], i["heart_rate"])),
    "R02": levels,
    "R03": timing,
}


@pytest.fixture(scope="module")
def table(shared):
    return pd.read_csv(shared / "hemodynamic_checks.csv", keep_default_na=False).set_index("check_id")


def agree(found, expected, tolerance):
    if expected is None:
        assert np.isnan(found)
    elif isinstance(expected, dict):
        for key, value in expected.items():
            agree(found[key], value, tolerance)
    elif isinstance(expected, list):
        assert len(found) == len(expected)
        for a, b in zip(found, expected):
            agree(a, b, tolerance)
    elif isinstance(expected, (bool, str)):
        assert found == expected
    else:
        assert abs(float(found) - expected) <= tolerance + 1e-12, (float(found), expected)


def test_every_row_of_the_file_has_a_test(table):
    assert set(ROWS) == set(table.index)
    assert len(table) == 140


@pytest.mark.parametrize("check_id", sorted(ROWS))
def test_hemodynamic_check(check_id, table):
    row = table.loc[check_id]
    found = ROWS[check_id](json.loads(row["inputs"]))
    agree(found, json.loads(row["expected"]), float(row["tolerance"]))
