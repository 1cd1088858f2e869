"""The closed loop: heart, lungs, body and chest as lumped compartments, integrated beat by beat.

Equations (units mmHg, mL, s; symbols of `parameters.Physiology`; derivations in shared/virtual_model.md)

    activation   de/dt = on (strength - e) / rise - off e / tau,   on and off smooth steps of the beat's clock
    chamber      P = e ees (V - v0) (1 - flow_loss q_out) + (1 - e) a (exp(k (V - v)) - 1) + P_peri + P_chest
    septum       viscosity dVs/dt = P_lv - P_rv - stiff(e_lv) Vs;  free walls see V_rv + Vs and V_lv - Vs
    pericardium  P_peri = p exp((V_heart + effusion - v) / s)
    valve        rho length dq/dt = A (dP - Z q) - rho q|q| / (2 A);  A = leak + opening (area - leak)
                 d opening/dt = open_rate dP (1 - opening), or close_rate dP opening when dP < 0
    vessels      dV/dt = inflow - outflow;  P = V / C + P_chest inside the chest
    arteries     inertance dq/dt = P_1 - P_2 - resistance_1 q;  root P = V_1 / C_1 + Z q_valve + P_chest

Relaxation is incomplete when the next beat comes before activation has died out: what is left of it is
carried on. All right sides are continuous, so a fixed-step Runge-Kutta scheme keeps its order through
valve events.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from discovery.problems import InputError, Problem
from discovery.virtual.breathing import Breathing, chest_pressure
from discovery.virtual.parameters import Physiology
from discovery.virtual.rhythm import Beats, Rhythm, make_beats

STEP_S = 0.001
RATE_HZ = 250.0
SETTLE_S = 20.0
SIGNALS = (
    "rv", "pa", "cvp", "ra", "la", "lv", "aorta", "pericardium", "rv_volume", "lv_volume", "ra_volume",
    "pulmonary_flow", "tricuspid_flow", "aortic_flow", "rv_activation", "total_volume", "pulmonary_vein",
)  # fmt: skip


@dataclass(frozen=True)
class Recorded:
    """A stretch of virtual circulation without any measurement error.

    `samples` (n, 17) at `rate_hz`, the columns as in `SIGNALS`: pressures in mmHg against atmosphere,
    volumes in mL, flows in mL/s, activation from 0 to 1. `chest` (n,) is intrathoracic pressure. Time 0 is
    the first sample; `beats` is on the same clock and also holds beats before it.
    """

    rate_hz: float
    samples: np.ndarray
    chest: np.ndarray
    beats: Beats

    @cached_property
    def time_s(self) -> np.ndarray:
        return np.arange(self.samples.shape[0]) / self.rate_hz

    def __getitem__(self, signal: str) -> np.ndarray:
        return self.samples[:, SIGNALS.index(signal)]


def simulate(
    physiology: Physiology,
    rhythm: Rhythm,
    breathing: Breathing,
    rng: np.random.Generator,
    *,
    duration_s: float = 60.0,
    rate_hz: float = RATE_HZ,
    step_s: float = STEP_S,
    settle_s: float = SETTLE_S,
    cava: np.ndarray | None = None,
) -> Recorded:
    """Run the closed loop for `settle_s` and then record `duration_s`.

    `step_s` is made a whole divisor of the sample interval. `cava` (n,), one value a sample, multiplies the
    resistance of the great veins: a slow rise is an occlusion of the venae cavae. The generator is used
    for beats and breaths only; the same state of it gives the same bytes.

    Raises
    ------
    InputError
        Impossible durations or rates, or a circulation that cannot live with these parameters.
    """
    problems = []
    for name, value, low, high in (
        ("duration_s", duration_s, 0.1, 86_400.0),
        ("rate_hz", rate_hz, 20.0, 2000.0),
        ("step_s", step_s, 1e-6, 0.0015),
        ("settle_s", settle_s, 0.0, 3600.0),
    ):
        if not (np.isfinite(value) and low <= value <= high):
            problems.append(
                Problem(file="simulate", column=name, found=str(value), wanted=f"from {low:g} to {high:g}")
            )
    if problems:
        raise InputError(problems)
    before = round(settle_s * rate_hz)
    count = round(duration_s * rate_hz)
    time = (np.arange(before + count) - before) / rate_hz
    chest, filling = chest_pressure(breathing, time, rng)
    beats = make_beats(rhythm, time[0], time[-1] + 1.0, rng, pr_s=physiology.pr_s, filling=(time, filling))
    resistance = np.ones(time.size)
    if cava is not None:
        resistance[before:] = cava
    return run_beats(physiology, beats, chest, resistance, rate_hz=rate_hz, step_s=step_s, before=before)


def run_beats(
    physiology: Physiology,
    beats: Beats,
    chest: np.ndarray,
    cava: np.ndarray,
    *,
    rate_hz: float,
    step_s: float,
    before: int,
) -> Recorded:
    """Integrate for given beats, chest pressure and caval resistance (n,); sample `before` is time 0."""
    from discovery.virtual.circulation_loops import integrate

    per = max(1, int(np.ceil(1.0 / (rate_hz * step_s) - 1e-9)))
    p = physiology.packed()
    samples = integrate(
        first_state(physiology, chest[0]),
        p,
        beats.onset,
        beats.strength,
        physiology.rv_systole * beats.systole,
        physiology.lv_systole * beats.systole,
        beats.atrial_onset,
        physiology.ra_systole * beats.atrial_systole,
        chest,
        cava,
        -before / rate_hz,
        1.0 / (rate_hz * per),
        per,
    )
    if not np.isfinite(samples[-1]).all():
        wanted = "parameters that a circulation can live with; its pressures have left all bounds"
        raise InputError([Problem(file="physiology", wanted=wanted)])
    return Recorded(rate_hz, samples[before:], chest[before:], beats)


def first_state(physiology: Physiology, chest: float) -> np.ndarray:
    """A state in mid-diastole that holds exactly `volume`, (25,); near rest, so that it settles quickly."""
    from discovery.virtual.circulation_loops import STATES, V_SV, VOLUMES

    p = physiology
    y = np.zeros(STATES)
    flow = 85.0 * min(p.volume / 1420.0, 1.5)
    la = 9.0
    pul = la + flow * p.pul_resistance
    volumes = [
        60.0, 125.0, p.pul_compliance_1 * (pul - chest), p.pul_compliance_2 * (pul - chest),
        p.pul_compliance_v * (la - chest), 60.0, 110.0, p.sys_compliance_1 * (90.0 - chest),
        p.sys_compliance_2 * 88.0, 0.0, p.sys_compliance_c * (5.0 - chest),
    ]  # fmt: skip
    y[:VOLUMES] = volumes
    # What is left of the volume lies in the veins of the body.
    y[V_SV] = p.volume - y[:VOLUMES].sum()
    if y[V_SV] < 0.0:
        y[:VOLUMES] *= p.volume / (p.volume - y[V_SV])
        y[V_SV] = p.volume - (y[:VOLUMES].sum() - y[V_SV])
    return y
