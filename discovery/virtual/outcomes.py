"""Outcomes of invented patients, drawn from what is latent and never from what is measured.

Each patient's outcome depends on the patient's own latent values and generator alone.
`DRIVERS` states the coefficients; truth.json repeats them.
"""

from __future__ import annotations

import numpy as np

from discovery.seeds import named_rng
from discovery.virtual.people import Person
from discovery.virtual.visits import Latent

DAYS_A_YEAR = 365.25
WEIBULL = 0.85  # hazards fall with time from diagnosis, so that late entry matters
TREND_STEP_S = 30.0
FALL_PERCENT = 8.0  # below the patient's own rest, for a minute: an episode
# Coefficients per unit of coupling_score, tau_score, and of age (12 years).
DRIVERS: dict[str, dict[str, float]] = {
    "rv_failure": {"coupling": -1.25, "tau": 0.75, "age": 0.25},
    "death": {"coupling": -0.75, "tau": 0.45, "age": 0.45},
    "transplant": {"coupling": -0.45, "tau": 0.0, "age": -0.60},
    "walk_distance": {"coupling": 48.0, "tau": -26.0, "age": -32.0},
    "desaturation": {"coupling": -0.55, "tau": 0.25, "age": 0.0},
}
SCALES = {
    "rv_failure": "log odds",
    "death": "log hazard",
    "transplant": "log hazard",
    "walk_distance": "metres",
    "desaturation": "log rate",
}


def linear(name: str, latent: Latent, person: Person) -> float:
    """Sum of the latent drivers of an outcome."""
    weights = DRIVERS[name]
    age = (person.age_years - 60.0) / 12.0
    return float(
        weights["coupling"] * latent.coupling_score + weights["tau"] * latent.tau_score + weights["age"] * age
    )


def draw_outcomes(person: Person, latent: Latent, seed: int) -> dict[str, float | str]:
    """Columns of the patient table; NaN where not observed."""
    rng = named_rng(seed, "virtual", "outcomes", person.patient_id)
    out: dict[str, float | str] = {}
    out["rv_failure"] = float(
        rng.uniform() < 1.0 / (1.0 + np.exp(0.9 - linear("rv_failure", latent, person)))
    )
    out.update(_survival(person, latent, rng))
    walk = 430.0 + linear("walk_distance", latent, person) + 55.0 * rng.standard_normal()
    walk += 22.0 * (person.sex == "male")
    # Who is on a ventilator cannot walk; the old miss the walk more often, and some hospitals forget it.
    chance = person.hospital.walk_missing * np.exp(0.4 * (person.age_years - 60.0) / 12.0)
    missing = person.ventilated or rng.uniform() < chance
    out["walk_distance_m"] = np.nan if missing else float(np.clip(walk, 20.0, 800.0))
    out["site_bruise"] = float(rng.uniform() < 0.30)
    out["long_stay"] = float(rng.uniform() < person.hospital.long_stay)
    return out


def _survival(person: Person, latent: Latent, rng: np.random.Generator) -> dict[str, float | str]:
    """Days from diagnosis to death (1), transplant (2) or the end of follow-up (0), entering at the catheter.

    Cause-specific Weibull hazards; the time is drawn on condition that the patient reached entry.
    """
    entry = float(np.clip(rng.gamma(1.1, 140.0), 1.0, 1500.0))
    # Cumulative hazards are scale t^WEIBULL: the drivers act on the logarithm of the hazard.
    scales = (
        np.exp(linear("death", latent, person)) * (0.085 / DAYS_A_YEAR) ** WEIBULL,
        np.exp(linear("transplant", latent, person)) * (0.022 / DAYS_A_YEAR) ** WEIBULL,
    )
    scale = sum(scales)
    time = float((entry**WEIBULL + rng.exponential() / scale) ** (1.0 / WEIBULL))
    cause = 1 if rng.uniform() < scales[0] / scale else 2
    end = entry + float(rng.uniform(1.0, 5.5)) * DAYS_A_YEAR
    lost = entry + float(rng.exponential(12.0 * DAYS_A_YEAR))
    stop = min(end, lost)
    status = cause if time <= stop else 0
    return {
        "entry_days": float(np.round(entry)),
        "time_days": float(max(np.ceil(min(time, stop)), np.round(entry) + 1.0)),
        "status": float(status),
    }


def draw_saturation_trend(
    person: Person, latent: Latent, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Venous saturation over hours of monitoring.

    Returns
    -------
    times (n,) s, saturation (n,) %, starts of episodes (e,) h, hours watched. An episode is a minute or
    more at 8 % or more below the patient's own rest. Falls come as a Poisson process whose rate depends on
    coupling and relaxation, on a slow wander of 1.8 %.
    """
    from scipy.signal import lfilter

    rng = named_rng(seed, "virtual", "saturation", person.patient_id)
    hours = float(np.round(rng.uniform(10.0, 24.0), 1))
    count = int(hours * 3600.0 / TREND_STEP_S)
    time = np.arange(count) * TREND_STEP_S
    keep = np.exp(-TREND_STEP_S / 600.0)
    wander = lfilter([1.8 * np.sqrt(1.0 - keep * keep)], [1.0, -keep], rng.standard_normal(count))
    depth = np.zeros(count)
    rate = 0.16 * np.exp(linear("desaturation", latent, person))
    for start in rng.uniform(0.0, time[-1], rng.poisson(rate * hours)):
        length = float(rng.gamma(3.0, 90.0)) + 60.0
        since = (time - start) / length
        depth = np.maximum(
            depth, rng.uniform(11.0, 22.0) * np.clip(4 * since, 0, 1) * np.clip(4 * (1 - since), 0, 1)
        )
    value = np.clip(latent.svo2 + wander - depth, 5.0, 99.0)
    low = value < latent.svo2 - FALL_PERCENT
    edges = np.diff(low.astype(np.int8), prepend=0, append=0)
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long_enough = (ends - starts) * TREND_STEP_S >= 60.0
    return time, np.round(value, 1), time[starts[long_enough]] / 3600.0, hours
