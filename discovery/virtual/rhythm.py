"""When the chambers are activated, how strongly and for how long: one list of beats per recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.problems import InputError, Problem, nearest

KINDS = ("sinus", "fibrillation", "paced", "paced_dissociated")
REFERENCE_RR_S = 60.0 / 72.0
RESTITUTION_S, REFRACTORY_S = 0.16, 0.24


@dataclass(frozen=True, kw_only=True)
class Rhythm:
    """What the heart's rhythm is like.

    kind : sinus; fibrillation (no atrial contraction, irregular); paced (atrium and ventricle);
    paced_dissociated (ventricle paced, atria on their own). rate beats/min. variability : slow and random
    SD of the interval as a share of it. sinus_arrhythmia : share by which inspiration shortens it.
    ectopy : share of ventricular beats that come early. bigeminy : such beats alternate. alternans : half
    the difference in strength between neighbouring beats.
    """

    kind: str = "sinus"
    rate: float = 72.0
    variability: float = 0.02
    sinus_arrhythmia: float = 0.02
    ectopy: float = 0.0
    bigeminy: bool = False
    alternans: float = 0.0

    def __post_init__(self) -> None:
        problems = []
        if self.kind not in KINDS:
            problems.append(
                Problem(
                    file="rhythm", column="kind", found=str(self.kind),
                    wanted=f"one of {', '.join(KINDS)}; {nearest(self.kind, KINDS)}",
                )
            )  # fmt: skip
        if not (np.isfinite(self.rate) and 25 <= self.rate <= 200):
            problems.append(
                Problem(file="rhythm", column="rate", found=str(self.rate), wanted="25 to 200 beats/min")
            )
        if not 0 <= self.ectopy <= 0.5:
            problems.append(
                Problem(
                    file="rhythm", column="ectopy", found=str(self.ectopy), wanted="a share from 0 to 0.5"
                )
            )
        if problems:
            raise InputError(problems)


@dataclass(frozen=True)
class Beats:
    """Activation times in s. `onset`, `strength`, `systole`, `early` (n,); `atrial_*` (m,).

    `systole` and `atrial_systole` are shares of their length at the reference rate.
    """

    onset: np.ndarray
    strength: np.ndarray
    systole: np.ndarray
    early: np.ndarray
    atrial_onset: np.ndarray
    atrial_systole: np.ndarray


def make_beats(
    rhythm: Rhythm,
    start_s: float,
    end_s: float,
    rng: np.random.Generator,
    *,
    pr_s: float = 0.15,
    filling: tuple[np.ndarray, np.ndarray] | None = None,
) -> Beats:
    """Beats from `start_s` to `end_s`.

    `filling` is (time, lung filling 0 to 1) for the respiratory part of the intervals. The strength of
    a beat follows its interval and the one before (restitution and potentiation, Yue DT, Burkhoff D,
    Franz MR, Hunter WC, Sagawa K, Circ Res 1985;56:340, from memory), its systole the square-root-like
    shortening with rate of QS2 (Weissler AM, Harris WS, Schoenfeld CD, Circulation 1968;37:149, from memory).
    """
    mean = 60.0 / rhythm.rate
    onsets, early = [start_s + mean * rng.uniform(0.2, 0.8)], [False]
    slow, coupling, pause = 0.0, 1.0, False
    while onsets[-1] < end_s:
        slow = 0.9 * slow + np.sqrt(1 - 0.9**2) * rng.standard_normal()
        fast = rng.standard_normal()
        draw = rng.uniform()
        if rhythm.kind == "fibrillation":
            # Shifted gamma: short intervals are bounded by the node, long ones are not; CV near 0.22.
            gap = mean * (0.5 + 0.5 * rng.gamma(5.2, 1 / 5.2))
            ectopic = False
        elif rhythm.kind == "sinus":
            gap = mean * (1.0 + rhythm.variability * (0.8 * slow + 0.6 * fast))
            if filling is not None:
                gap *= 1.0 - rhythm.sinus_arrhythmia * np.interp(onsets[-1], *filling)
            ectopic = False
        else:
            gap, ectopic = mean, False
        if rhythm.kind != "fibrillation":
            if pause:
                gap, pause = gap * (2.0 - coupling), False
            elif rhythm.ectopy > 0 and (
                rhythm.bigeminy or draw < rhythm.ectopy / max(1.0 - rhythm.ectopy, 1e-9)
            ):
                coupling = float(np.clip(0.58 + 0.03 * fast, 0.45, 0.75))
                gap, ectopic, pause = gap * coupling, True, rhythm.kind == "sinus"
        onsets.append(onsets[-1] + max(gap, 0.26))
        early.append(ectopic)
    onset, is_early = np.array(onsets), np.array(early)
    rr = np.diff(onset, prepend=onset[0] - mean)
    before = np.concatenate([[mean], rr[:-1]])
    usual = restitution(np.array([mean]))[0]
    strength = restitution(rr) / usual * (1.0 + 0.6 * (1.0 - restitution(before) / usual))
    strength *= 1.0 + rhythm.alternans * np.where(np.arange(onset.size) % 2, 1.0, -1.0)
    strength = np.clip(strength * (1.0 + 0.010 * rng.standard_normal(onset.size)), 0.3, 1.4)
    systole = np.clip((0.5 * (rr + before) / REFERENCE_RR_S) ** 0.45, 0.55, 1.35)
    systole = np.where(is_early, 0.92 * systole, systole)
    atrial = atrial_onsets(rhythm, onset, is_early, pr_s, mean, rng)
    return Beats(onset, strength, systole, is_early, atrial, np.full(atrial.size, 1.0))


def restitution(interval_s: np.ndarray) -> np.ndarray:
    """Strength of a beat after an interval, as a share of that after a very long one."""
    return 1.0 - np.exp(-np.maximum(interval_s - REFRACTORY_S, 0.02) / RESTITUTION_S)


def atrial_onsets(rhythm, onset, is_early, pr_s, mean, rng) -> np.ndarray:
    """Atrial activation: before each beat that is not ectopic, none in fibrillation, or on its own."""
    if rhythm.kind == "fibrillation":
        return np.empty(0)
    if rhythm.kind == "paced_dissociated":
        own = mean * 1.17 * np.clip(1.0 + 0.02 * rng.standard_normal(onset.size + 4), 0.9, 1.1)
        times = onset[0] - mean * rng.uniform() + np.cumsum(own)
        return times[times < onset[-1]]
    times = onset - pr_s
    # An ectopic ventricular beat leaves the sinus node alone: its atrial wave falls into the pause.
    follows = np.flatnonzero(is_early)
    follows = follows[(follows > 0) & (follows + 1 < onset.size)]
    times = times.copy()
    for k in follows:
        times[k] = 0.5 * (onset[k - 1] + onset[k + 1]) - pr_s if rhythm.kind == "sinus" else onset[k] + 0.12
    return np.sort(times)
