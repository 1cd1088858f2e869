"""One visit of an invented patient: simulate, note what is true, record it with the hospital's equipment."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.seeds import named_rng
from discovery.virtual.circulation import RATE_HZ, Recorded, simulate
from discovery.virtual.electrocardiogram import electrocardiogram
from discovery.virtual.hospitals import draw_handling, draw_line, draw_transducer
from discovery.virtual.measurement import Line, Transducer, store
from discovery.virtual.people import Person
from discovery.virtual.pressure_volume import true_beats
from discovery.virtual.wfdb_files import Signal, write_wfdb

DURATION_S = 60.0
COUPLING_CENTRE, COUPLING_SPREAD = 0.90, 0.45  # of the logarithm; fixed, so that a patient's
TAU_CENTRE, TAU_SPREAD = 0.046, 0.35  # outcome does not depend on who else is in the cohort
OXYGEN_USE = 125.0  # mL/min/m2 at rest (memory)
OXYGEN_PER_G = 1.34  # mL of oxygen that a gram of haemoglobin carries (Huefner's number, memory)


@dataclass(frozen=True)
class Latent:
    """What is true of a patient at a visit, from the noise-free circulation.

    ees, ea mmHg/mL and their ratio `coupling`; tau_s; stiffness : RV passive exponent, 1/mL, times body size;
    resistance mmHg.s/mL and compliance mL/mmHg of the pulmonary bed; cardiac_output L/min; ejection : RV
    ejection fraction; svo2 % at rest; then mean pressures in mmHg.
    """

    ees: float
    ea: float
    coupling: float
    tau_s: float
    stiffness: float
    resistance: float
    compliance: float
    cardiac_output: float
    stroke_volume: float
    ejection: float
    rate: float
    svo2: float
    rv_peak: float
    rv_edp: float
    pa_mean: float
    cvp_mean: float
    la_mean: float

    @property
    def coupling_score(self) -> float:
        """log coupling, centred and scaled by fixed numbers."""
        return (np.log(self.coupling) - np.log(COUPLING_CENTRE)) / COUPLING_SPREAD

    @property
    def tau_score(self) -> float:
        """log relaxation time constant, centred and scaled by fixed numbers."""
        return (np.log(self.tau_s) - np.log(TAU_CENTRE)) / TAU_SPREAD


def simulate_visit(person: Person, visit: int, seed: int, duration_s: float = DURATION_S) -> Recorded:
    """The noise-free circulation of a visit (from 1)."""
    rng = named_rng(seed, "virtual", "circulation", person.patient_id, visit)
    k = visit - 1
    return simulate(
        person.physiologies[k], person.rhythms[k], person.breathings[k], rng, duration_s=duration_s
    )


def latent_of(person: Person, visit: int, recorded: Recorded) -> Latent:
    """The truth of a visit: medians over its beats that are not ectopic, means over its samples."""
    p = person.physiologies[visit - 1]
    beats = true_beats(recorded)
    early = np.isin(beats.onset_s, recorded.beats.onset[recorded.beats.early])
    keep = ~early & (beats.sv > 1.0)
    ees = p.rv_ees * float(np.median(beats.activation[keep]))
    ea = float(np.median(beats.ea[keep]))
    flow = float(recorded["pulmonary_flow"].mean()) * 0.06
    area = person.body_surface_area_m2
    haemoglobin = 13.6 if person.sex == "female" else 14.6
    carried = OXYGEN_PER_G * haemoglobin * 10.0
    saturation = person.etiology.saturation - 100.0 * OXYGEN_USE * area / (flow * carried)
    return Latent(
        ees=ees,
        ea=ea,
        coupling=ees / ea,
        tau_s=p.rv_tau,
        stiffness=p.rv_passive_k * area / 1.85,
        resistance=p.pul_resistance,
        compliance=p.pul_compliance_1 + p.pul_compliance_2,
        cardiac_output=flow,
        stroke_volume=float(np.median(beats.sv[keep])),
        ejection=float(np.median(1.0 - beats.smallest_v[keep] / beats.largest_v[keep])),
        rate=60.0 / float(np.mean(np.diff(beats.onset_s))),
        svo2=float(np.clip(saturation, 25.0, 90.0)),
        rv_peak=float(np.median(beats.peak[keep])),
        rv_edp=float(np.median(beats.edp[keep])),
        pa_mean=float(recorded["pa"].mean()),
        cvp_mean=float(recorded["cvp"].mean()),
        la_mean=float(recorded["la"].mean()),
    )


def record_visit(
    person: Person, visit: int, seed: int, folder: Path, duration_s: float = DURATION_S
) -> tuple[str, Latent, dict[str, float]]:
    """Write the recording of a visit; its name, the truth, and what the notes of the visit say."""
    recorded = simulate_visit(person, visit, seed, duration_s)
    latent = latent_of(person, visit, recorded)
    rng = named_rng(seed, "virtual", "recording", person.patient_id, visit)
    hospital = person.hospital
    line = draw_line(hospital, rng)
    transducer = draw_transducer(hospital, rng)
    handling = draw_handling(hospital, -latent.coupling_score, duration_s, rng)
    stored_hz = hospital.rate_hz
    per_frame = round(stored_hz)
    gain = 10.0 if hospital.quantum in (0.1, 0.2) else round(1.0 / hospital.quantum, 3)
    draws = rng.uniform(size=4)
    rv, pa, cvp = recorded["rv"], recorded["pa"], recorded["cvp"]
    signals = [
        Signal(
            "RVP", "mmHg", gain, per_frame,
            store(rv, RATE_HZ, rng, line=line, transducer=transducer, handling=handling, elsewhere=pa,
                  stored_rate_hz=stored_hz),
        )
    ]  # fmt: skip
    second = Line(
        natural_hz=line.natural_hz * float(np.exp(0.05 * rng.standard_normal())), damping=line.damping,
        delay_s=line.delay_s + float(rng.uniform(0.0, 0.004)), whip=line.whip,
    )  # fmt: skip
    same_height = Transducer(
        zero=transducer.zero + 0.3 * float(rng.standard_normal()), level_cm=transducer.level_cm,
        drift=transducer.drift, noise=transducer.noise, wander=transducer.wander, quantum=transducer.quantum,
    )  # fmt: skip
    if draws[0] >= hospital.without_pa:
        samples = store(
            pa, RATE_HZ, rng, line=second, transducer=same_height, stored_rate_hz=stored_hz, ventricle=rv
        )
        signals.append(Signal("PAP", "mmHg", gain, per_frame, samples))
    if draws[1] >= hospital.without_cvp:
        calm = Line(natural_hz=line.natural_hz, damping=line.damping, delay_s=line.delay_s)
        samples = store(cvp, RATE_HZ, rng, line=calm, transducer=same_height, stored_rate_hz=stored_hz)
        signals.append(Signal("CVP", "mmHg", gain, per_frame, samples))
    if draws[2] >= hospital.without_ecg:
        kind = person.rhythms[visit - 1].kind
        volts = electrocardiogram(
            recorded.beats,
            recorded.time_s,
            rng,
            wide=kind.startswith("paced"),
            fibrillation=kind == "fibrillation",
        )
        signals.append(Signal("ECG", "mV", 200.0, round(RATE_HZ), volts))
    if draws[3] >= hospital.without_svo2:
        seconds = round(duration_s)
        level = latent.svo2 + 0.8 * rng.standard_normal() + 0.3 * rng.standard_normal(seconds).cumsum() * 0.2
        signals.append(Signal("SvO2", "%", 10.0, 1, np.clip(level, 10.0, 99.0)))
    name = f"{person.patient_id}_{visit}"
    write_wfdb(folder, name, signals, 1.0, ("invented: no such patient, no such hospital",))
    notes = {
        "cardiac_output_l_min": latent.cardiac_output * float(np.exp(0.07 * rng.standard_normal())),
        "wedge_pressure_mmhg": latent.la_mean + hospital.zero + float(rng.standard_normal()),
        "arterial_saturation_percent": float(
            np.clip(person.etiology.saturation + rng.standard_normal(), 80, 100)
        ),
        "heart_rate_bpm": latent.rate + 2.5 * float(rng.standard_normal()),
    }
    return f"{name}.hea", latent, notes
