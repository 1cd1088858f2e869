"""One invented patient: who it is, what is latent, and what each visit finds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from discovery.seeds import named_rng
from discovery.virtual.breathing import POSITIVE, Breathing
from discovery.virtual.etiologies import (
    ETIOLOGIES,
    Drugs,
    Etiology,
    draw_breathing,
    draw_physiology,
    draw_rhythm,
)
from discovery.virtual.hospitals import HOSPITALS, Hospital
from discovery.virtual.parameters import Physiology
from discovery.virtual.rhythm import Rhythm

REFERENCE_AREA_M2 = 1.85
SECOND_VISIT = 0.25


@dataclass(frozen=True)
class Person:
    """An invented patient. `physiologies`, `rhythms`, `breathings` have one entry for each visit."""

    patient_id: str
    hospital: Hospital
    etiology: Etiology
    age_years: float
    sex: str
    height_cm: float
    weight_kg: float
    resting_rate: float
    drugs: Drugs
    physiologies: tuple[Physiology, ...]
    rhythms: tuple[Rhythm, ...]
    breathings: tuple[Breathing, ...]

    @property
    def body_surface_area_m2(self) -> float:
        """Mosteller RD, N Engl J Med 1987;317:1098."""
        return float(np.sqrt(self.height_cm * self.weight_kg / 3600.0))

    @property
    def ventilated(self) -> bool:
        return self.breathings[0].mode == POSITIVE


def make_person(number: int, seed: int) -> Person:
    """The patient with this number (from 1): the same whatever the size of the cohort."""
    rng = named_rng(seed, "virtual", "person", number)
    hospital = HOSPITALS[int(rng.choice(len(HOSPITALS), p=[h.share for h in HOSPITALS]))]
    mix = np.array(hospital.mix)
    etiology = ETIOLOGIES[int(rng.choice(len(ETIOLOGIES), p=mix / mix.sum()))]
    sex = "female" if rng.uniform() < etiology.women else "male"
    age = float(np.clip(etiology.age + 12.0 * rng.standard_normal(), 19.0, 90.0))
    height = float(np.clip(np.where(sex == "female", 163.0, 176.0) + 7.0 * rng.standard_normal(), 145, 200))
    weight = float(np.clip(26.5 * (height / 100) ** 2 * np.exp(0.15 * rng.standard_normal()), 42.0, 140.0))
    size = float(np.sqrt(height * weight / 3600.0)) / REFERENCE_AREA_M2
    ventilated = bool(rng.uniform() < etiology.ventilated)
    sick = etiology.key != "no_rv_disease"
    drugs = Drugs(
        beta_blocker=bool(rng.uniform() < (0.55 if etiology.key == "left_heart_disease" else 0.25)),
        inotrope=bool(rng.uniform() < (0.30 if ventilated else 0.05) * sick),
        pulmonary_vasodilator=bool(
            rng.uniform() < (0.5 if etiology.key in ("pre_capillary_ph", "thromboembolic_disease") else 0.03)
        ),
        diuretic=bool(rng.uniform() < (0.60 if sick else 0.12)),
    )
    # Rate follows age, sex and drugs, never contractility or relaxation: it is a decoy on purpose.
    rate = etiology.rate + 0.18 * (60.0 - age) + (3.0 if sex == "female" else 0.0)
    rate += -9.0 * drugs.beta_blocker + 7.0 * drugs.inotrope + 6.0 * ventilated + 8.5 * rng.standard_normal()
    rate = float(np.clip(rate, 48.0, 122.0))
    physiology = draw_physiology(etiology, size, drugs, rng)
    rhythm = draw_rhythm(etiology, rate, rng)
    breathing = draw_breathing(etiology, ventilated, rng)
    physiologies, rhythms, breathings = [physiology], [rhythm], [breathing]
    if rng.uniform() < SECOND_VISIT:
        ees, tau, load = np.exp(np.array([0.07, 0.07, 0.08]) * rng.standard_normal(3))
        physiologies.append(
            replace(
                physiology,
                rv_ees=physiology.rv_ees * ees,
                rv_tau=float(np.clip(physiology.rv_tau * tau, 0.018, 0.130)),
                pul_resistance=physiology.pul_resistance * load,
            )
        )
        rhythms.append(replace(rhythm, rate=float(np.clip(rhythm.rate + 4 * rng.standard_normal(), 45, 125))))
        breathings.append(breathing if not ventilated else draw_breathing(etiology, False, rng))
    return Person(
        f"V{number:04d}", hospital, etiology, age, sex, height, weight, rate, drugs,
        tuple(physiologies), tuple(rhythms), tuple(breathings),
    )  # fmt: skip
