"""Eight groups of invented patients as distributions of the parameters of the circulation.

Medians and spreads are ours. They were chosen so that each group's pressures lie where published groups of
that disease lie (tests/virtual names the ranges); no patient data were used.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from discovery.virtual.breathing import POSITIVE, SPONTANEOUS, Breathing
from discovery.virtual.parameters import Physiology
from discovery.virtual.rhythm import Rhythm


@dataclass(frozen=True, kw_only=True)
class Etiology:
    """Medians of one group; the shares are probabilities.

    resistance : pulmonary, mmHg.s/mL, and its spread (SD of the logarithm). proximal : part of the
    arterial compliance that is proximal; compliance : factor on what the resistance lets expect.
    ees, tau : RV contractility (mmHg/mL) and relaxation (s). stiffness : factor on the RV's passive
    exponent. volume : mL. Others are factors on, or values of, fields of `Physiology`.
    """

    key: str
    label: str
    resistance: float = 0.075
    resistance_spread: float = 0.22
    proximal: float = 0.38
    compliance: float = 1.0
    ees: float = 0.55
    ees_spread: float = 0.22
    tau: float = 0.036
    tau_spread: float = 0.30
    stiffness: float = 1.0
    volume: float = 1500.0
    pericardium_v: float = 400.0
    lv_ees: float = 2.4
    lv_stiffness: float = 1.0
    systemic_resistance: float = 0.95
    tricuspid_leak: float = 0.0
    pulmonary_leak: float = 0.0
    atrial_strength: float = 1.0
    rate: float = 74.0
    fibrillation: float = 0.06
    paced: float = 0.03
    ectopy: float = 0.12
    alternans: float = 0.02
    ventilated: float = 0.08
    breathing_swing: float = 3.0
    age: float = 58.0
    women: float = 0.5
    saturation: float = 97.0


ETIOLOGIES: tuple[Etiology, ...] = (
    Etiology(key="no_rv_disease", label="No RV disease", age=55.0),
    Etiology(
        key="pre_capillary_ph", label="Pre-capillary pulmonary hypertension", resistance=0.60,
        resistance_spread=0.32, ees=1.15, ees_spread=0.32, tau=0.050, stiffness=1.1, volume=1880.0,
        pericardium_v=530.0, lv_ees=2.0, lv_stiffness=1.15, rate=80.0, alternans=0.05, age=50.0, women=0.68,
        tricuspid_leak=0.10, saturation=95.0,
    ),
    Etiology(
        key="left_heart_disease", label="Left-heart disease", resistance=0.14, resistance_spread=0.30,
        ees=0.66, ees_spread=0.28, tau=0.044, volume=1880.0, pericardium_v=500.0, lv_ees=1.5,
        lv_stiffness=1.42, systemic_resistance=1.10, rate=76.0, fibrillation=0.26, paced=0.08, ectopy=0.25,
        age=68.0, women=0.45, tricuspid_leak=0.06, saturation=96.0,
    ),
    Etiology(
        key="thromboembolic_disease", label="Thromboembolic disease", resistance=0.52, resistance_spread=0.30,
        proximal=0.26, compliance=0.82, ees=1.0, ees_spread=0.30, tau=0.049, stiffness=1.05, volume=1880.0,
        pericardium_v=520.0, lv_ees=2.0, lv_stiffness=1.15, rate=80.0, age=63.0, women=0.52,
        tricuspid_leak=0.10, saturation=93.5,
    ),
    Etiology(
        key="rv_infarction", label="Right-ventricular infarction", resistance=0.080, ees=0.34,
        ees_spread=0.25, tau=0.054, stiffness=1.22, volume=1780.0, pericardium_v=400.0, lv_ees=1.9, rate=80.0,
        ectopy=0.30, ventilated=0.22, age=66.0, women=0.36, tricuspid_leak=0.06, saturation=96.0,
    ),
    Etiology(
        key="restrictive_disease", label="Infiltrative or restrictive disease", resistance=0.105, ees=0.58,
        tau=0.056, stiffness=1.75, volume=1930.0, pericardium_v=430.0, lv_ees=2.6, lv_stiffness=1.55,
        atrial_strength=0.65, rate=80.0, fibrillation=0.18, ectopy=0.15, age=67.0, women=0.35,
        saturation=96.0,
    ),
    Etiology(
        key="volume_overload", label="Volume overload", resistance=0.085, ees=0.52, tau=0.040, stiffness=0.88,
        volume=2080.0, pericardium_v=540.0, tricuspid_leak=0.45, pulmonary_leak=0.20, rate=78.0,
        fibrillation=0.20, age=52.0, women=0.55, saturation=96.0,
    ),
    Etiology(
        key="chronic_lung_disease", label="Chronic lung disease", resistance=0.22, resistance_spread=0.28,
        ees=0.72, ees_spread=0.26, tau=0.043, volume=1700.0, pericardium_v=460.0, rate=86.0,
        breathing_swing=7.5, ventilated=0.12, age=66.0, women=0.42, saturation=91.0,
    ),
)  # fmt: skip
INOTROPE_RISE = 0.6  # catecholamines bring pressure up sooner (direction: memory; size ours)


@dataclass(frozen=True)
class Drugs:
    """What the patient takes at the time of the recording."""

    beta_blocker: bool
    inotrope: bool
    pulmonary_vasodilator: bool
    diuretic: bool


def lognormal(rng: np.random.Generator, median: float, spread: float, most: float = 2.5) -> float:
    """A lognormal draw, its logarithm kept within `most` SD of the median."""
    return float(median * np.exp(spread * np.clip(rng.standard_normal(), -most, most)))


def draw_physiology(etiology: Etiology, size: float, drugs: Drugs, rng: np.random.Generator) -> Physiology:
    """One patient's circulation: `size` is body surface area over 1.85 m2.

    Contractility, relaxation and load are drawn on their own, so that none stands for another beyond
    what the etiology explains. Arterial compliance follows resistance as 0.564 / (0.047 + R) (Tedford RJ
    et al., Circulation 2012;125:289), with a spread of 15 %.
    """
    resistance = lognormal(rng, etiology.resistance, etiology.resistance_spread)
    compliance = lognormal(rng, etiology.compliance, 0.15) * 0.564 / (0.047 + resistance)
    ees = lognormal(rng, etiology.ees, etiology.ees_spread)
    tau = lognormal(rng, etiology.tau, etiology.tau_spread)
    stiffness = lognormal(rng, etiology.stiffness, 0.07)
    volume = lognormal(rng, etiology.volume, 0.05)
    base = Physiology()
    if drugs.pulmonary_vasodilator:
        resistance *= 0.85
    if drugs.inotrope:
        ees *= 1.2
    if drugs.diuretic:
        volume *= 0.97
    proximal = float(np.clip(etiology.proximal + 0.04 * rng.standard_normal(), 0.2, 0.5))
    loss = resistance / base.pul_resistance
    return replace(
        base,
        rv_ees=ees,
        rv_tau=float(np.clip(tau, 0.018, 0.130)),
        rv_rise=lognormal(rng, base.rv_rise * (INOTROPE_RISE if drugs.inotrope else 1.0), 0.28),
        rv_systole=lognormal(rng, base.rv_systole, 0.04) * (1.0 + 0.02 * np.log(loss)),
        rv_passive_k=base.rv_passive_k * stiffness,
        rv_passive_v=base.rv_passive_v * (0.85 + 0.15 * stiffness),
        lv_ees=lognormal(rng, etiology.lv_ees, 0.15),
        lv_passive_k=base.lv_passive_k * lognormal(rng, etiology.lv_stiffness, 0.06),
        ra_ees=lognormal(rng, base.ra_ees * etiology.atrial_strength, 0.20),
        la_ees=lognormal(rng, base.la_ees * etiology.atrial_strength, 0.20),
        tv_leak=lognormal(rng, etiology.tricuspid_leak, 0.5),
        pv_leak=lognormal(rng, etiology.pulmonary_leak, 0.4),
        pul_resistance=resistance,
        pul_compliance_1=proximal * compliance,
        pul_compliance_2=(1.0 - proximal) * compliance,
        pul_impedance=lognormal(rng, base.pul_impedance, 0.20) * loss**0.45,
        pul_inertance=lognormal(rng, base.pul_inertance, 0.25),
        pul_resistance_1=base.pul_resistance_1 * loss**0.25,
        sys_resistance=lognormal(rng, etiology.systemic_resistance, 0.12),
        volume=volume,
        peri_v=lognormal(rng, etiology.pericardium_v, 0.05),
        pr_s=float(np.clip(0.16 + 0.02 * rng.standard_normal(), 0.11, 0.22)),
    ).for_size(size)


def draw_rhythm(etiology: Etiology, rate: float, rng: np.random.Generator) -> Rhythm:
    """A rhythm around the patient's own resting rate."""
    draw = rng.uniform()
    if draw < etiology.fibrillation:
        return Rhythm(kind="fibrillation", rate=rate * 1.06)
    if draw < etiology.fibrillation + etiology.paced:
        return Rhythm(kind="paced_dissociated" if rng.uniform() < 0.4 else "paced", rate=max(rate, 60.0))
    ectopy = float(rng.beta(1.0, 12.0)) * 0.5 if rng.uniform() < etiology.ectopy else 0.0
    alternans = float(rng.uniform(0.03, 0.10)) if rng.uniform() < etiology.alternans else 0.0
    return Rhythm(
        rate=rate,
        variability=lognormal(rng, 0.018, 0.4),
        sinus_arrhythmia=lognormal(rng, 0.02, 0.5),
        ectopy=ectopy,
        alternans=alternans,
    )


def draw_breathing(etiology: Etiology, ventilated: bool, rng: np.random.Generator) -> Breathing:
    """Spontaneous breaths, larger in lung disease, or a ventilator's."""
    if ventilated:
        return Breathing(
            mode=POSITIVE, rate=float(rng.uniform(13, 20)), swing=lognormal(rng, 4.0, 0.25),
            rest=float(rng.uniform(0.5, 3.0)), irregularity=0.0,
        )  # fmt: skip
    return Breathing(
        mode=SPONTANEOUS, rate=float(rng.uniform(11, 20)),
        swing=lognormal(rng, etiology.breathing_swing, 0.30), rest=-3.0 + 0.6 * float(rng.standard_normal()),
        irregularity=0.12,
    )  # fmt: skip
