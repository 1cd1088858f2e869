"""Four hospitals that do not exist: what they see, what they measure with, what they forget."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.virtual.etiologies import ETIOLOGIES
from discovery.virtual.measurement import Handling, Line, Transducer


@dataclass(frozen=True, kw_only=True)
class Hospital:
    """One fictional hospital.

    share of the registry; mix : weight of each etiology in the order of `ETIOLOGIES`; rate_hz stored;
    natural_hz, damping : medians of its lines (flushed in `flushed` of the recordings); zero, level_cm : its
    habits of levelling; quantum : step of the stored numbers; without_* : share of recordings without the
    channel; handled : share with a disturbance; long_stay : probability of the site-only outcome.

    Levels are a confounder on purpose: alder's transducers lie a little below the middle of the chest, fir's
    5 cm below the breastbone. Such references lie 4 to 7 cm apart, some 3 to 5 mmHg (Kovacs G et al., Eur
    Respir J 2013;42:1586, memory). The hospitals that level higher also keep their patients longer.
    """

    key: str
    share: float
    mix: tuple[float, ...]
    rate_hz: float
    natural_hz: float
    damping: float
    flushed: float
    zero: float
    level_cm: float
    quantum: float
    noise: float
    without_cvp: float
    without_pa: float
    without_ecg: float
    without_svo2: float
    handled: float
    walk_missing: float
    long_stay: float


HOSPITALS: tuple[Hospital, ...] = (
    Hospital(
        key="alder", share=0.32, mix=(2.0, 2.4, 2.4, 1.4, 0.7, 1.0, 1.0, 1.1), rate_hz=250.0, natural_hz=48.0,
        damping=0.45, flushed=0.25, zero=0.4, level_cm=2.0, quantum=0.1, noise=0.12, without_cvp=0.05,
        without_pa=0.03, without_ecg=0.05, without_svo2=0.15, handled=0.12, walk_missing=0.05, long_stay=0.10,
    ),
    Hospital(
        key="birch", share=0.28, mix=(1.6, 1.2, 3.0, 0.8, 1.6, 1.4, 1.2, 1.2), rate_hz=250.0, natural_hz=27.0,
        damping=0.45, flushed=0.35, zero=0.6, level_cm=1.0, quantum=0.2, noise=0.18, without_cvp=0.10,
        without_pa=0.05, without_ecg=0.10, without_svo2=0.30, handled=0.18, walk_missing=0.10, long_stay=0.25,
    ),
    Hospital(
        key="cedar", share=0.18, mix=(1.2, 0.8, 1.6, 0.6, 2.4, 1.0, 1.2, 2.2), rate_hz=125.0, natural_hz=16.0,
        damping=0.50, flushed=0.30, zero=-0.2, level_cm=-2.5, quantum=0.4, noise=0.22, without_cvp=0.30,
        without_pa=0.08, without_ecg=1.00, without_svo2=0.60, handled=0.25, walk_missing=0.25, long_stay=0.50,
    ),
    Hospital(
        key="fir", share=0.22, mix=(1.2, 2.0, 1.2, 2.2, 1.0, 1.4, 1.4, 1.0), rate_hz=250.0, natural_hz=21.0,
        damping=0.40, flushed=0.30, zero=0.0, level_cm=-6.0, quantum=0.2, noise=0.20, without_cvp=0.20,
        without_pa=0.05, without_ecg=0.15, without_svo2=0.35, handled=0.20, walk_missing=0.12, long_stay=0.75,
    ),
)  # fmt: skip
assert all(len(hospital.mix) == len(ETIOLOGIES) for hospital in HOSPITALS)


def draw_line(hospital: Hospital, rng: np.random.Generator) -> Line:
    """One catheter of the hospital: dynamics vary by about 15 % in frequency and 20 % in damping."""
    natural = hospital.natural_hz * np.exp(0.15 * rng.standard_normal())
    damping = float(np.clip(hospital.damping * np.exp(0.20 * rng.standard_normal()), 0.12, 0.95))
    return Line(
        natural_hz=float(np.clip(natural, 8.0, 80.0)),
        damping=damping,
        delay_s=float(rng.uniform(0.004, 0.014)),
        whip=float(rng.gamma(2.0, 0.5)),
        flutter=float(rng.gamma(2.0, 0.1)),
    )


def draw_transducer(hospital: Hospital, rng: np.random.Generator) -> Transducer:
    """Zero and level of one set-up around the habits of the hospital (SD 0.5 mmHg and 1 cm)."""
    return Transducer(
        zero=hospital.zero + 0.5 * float(rng.standard_normal()),
        level_cm=hospital.level_cm + float(rng.standard_normal()),
        drift=0.15 * float(rng.standard_normal()),
        noise=hospital.noise * float(np.exp(0.2 * rng.standard_normal())),
        wander=0.12,
        quantum=hospital.quantum,
        spikes=float(rng.gamma(0.5, 0.6)),
    )


def draw_handling(
    hospital: Hospital, sickness: float, duration_s: float, rng: np.random.Generator
) -> Handling:
    """What happens to one recording. The sicker are handled more: `sickness` is 0 on average.

    A flush at the beginning in some; then, in the handled ones, movement, lost samples or a lumen that floats
    into the pulmonary artery before the end.
    """
    flush = ((1.5, 1.5 + float(rng.uniform(0.9, 1.4))),) if rng.uniform() < hospital.flushed else ()
    share = hospital.handled * np.exp(0.5 * np.clip(sickness, -2.0, 2.0))
    if rng.uniform() >= share:
        return Handling(flush=flush)
    kind = rng.choice(3, p=[0.5, 0.3, 0.2])
    start = float(rng.uniform(0.25, 0.75) * duration_s)
    if kind == 0:
        return Handling(flush=flush, moved=((start, start + float(rng.uniform(3.0, 12.0))),))
    if kind == 1:
        return Handling(flush=flush, lost=((start, start + float(rng.uniform(2.0, 15.0))),))
    return Handling(flush=flush, migrated=((start, duration_s + 1.0),))
