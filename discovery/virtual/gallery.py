"""Strips of pressure for a picture: each etiology as an intensive-care monitor would store it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from discovery.seeds import named_rng
from discovery.virtual.circulation import RATE_HZ, simulate
from discovery.virtual.etiologies import (
    ETIOLOGIES,
    Drugs,
    draw_breathing,
    draw_physiology,
    draw_rhythm,
)
from discovery.virtual.measurement import Line, Transducer, store

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("panel", "origin", "signal", "time_s", "pressure_mmhg")
DAMPED = 0.3  # share of lines; three of the eleven open strips of RV pressure look so
NO_DRUGS = Drugs(beta_blocker=False, inotrope=False, pulmonary_vasodilator=False, diuretic=False)


def strip_rows(panel: str, origin: str, signal: str, samples: np.ndarray, rate_hz: float) -> pd.DataFrame:
    """One strip as rows: samples (n,) in mmHg, time from 0; `origin` is "virtual" or "recorded"."""
    import pandas as pd

    samples = np.asarray(samples, dtype=float)
    return pd.DataFrame(
        {
            "panel": panel,
            "origin": origin,
            "signal": signal,
            "time_s": np.arange(samples.size) / rate_hz,
            "pressure_mmhg": samples,
        },
        columns=list(COLUMNS),
    )


def virtual_strips(
    seed: int, *, seconds: float = 6.0, stored_rate_hz: float = 125.0, signals: tuple[str, ...] = ("RV", "PA")
) -> pd.DataFrame:
    """A strip of RV (and PA) pressure for each etiology, through a usual bedside line.

    Columns panel (label of the etiology), origin, signal, time_s, pressure_mmhg. Some of the lines are damped
    (5 to 9 Hz, 0.8 to 1.3 of critical damping), the rest rings (7.5 to 20 Hz, 0.2 to 0.55); the tip moves,
    steps are 0.4 mmHg and every second patient is on an inotrope, as in open intensive-care recordings.
    """
    import pandas as pd

    parts = []
    for etiology in ETIOLOGIES:
        rng = named_rng(seed, "virtual", "gallery", etiology.key)
        drugs = replace(NO_DRUGS, inotrope=bool(rng.uniform() < 0.5))
        physiology = draw_physiology(etiology, 1.0, drugs, rng)
        recorded = simulate(
            physiology,
            draw_rhythm(etiology, etiology.rate, rng),
            draw_breathing(etiology, False, rng),
            rng,
            duration_s=seconds + 2.0,
        )
        damped = rng.uniform() < DAMPED
        line = Line(
            natural_hz=float(rng.uniform(5.0, 9.0)) if damped else float(rng.uniform(7.5, 20.0)),
            damping=float(rng.uniform(0.8, 1.3)) if damped else float(rng.uniform(0.2, 0.55)),
            whip=float(rng.gamma(2.0, 0.8)),
            flutter=float(rng.gamma(2.0, 0.2)),
        )
        transducer = Transducer(
            zero=float(rng.normal(0.5, 1.5)), noise=0.05, wander=0.15, quantum=0.4, drift=0.0
        )
        skip, count = round(2.0 * stored_rate_hz), round(seconds * stored_rate_hz)
        for signal in signals:
            samples = store(
                recorded[signal.lower()], RATE_HZ, rng, line=line, transducer=transducer,
                stored_rate_hz=stored_rate_hz, ventricle=recorded["rv"],
            )  # fmt: skip
            parts.append(
                strip_rows(etiology.label, "virtual", signal, samples[skip : skip + count], stored_rate_hz)
            )
    return pd.concat(parts, ignore_index=True)
