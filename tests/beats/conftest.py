"""Recordings that the beat tests share."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest


@pytest.fixture(scope="session")
def real(shared):
    """A real record by name: pressure at 125 samples a second."""
    import wfdb

    def read(name: str) -> np.ndarray:
        return wfdb.rdrecord(str(shared / "waveforms" / "real" / name)).p_signal[:, 0]

    return read


@pytest.fixture(scope="session")
def measured_real(real):
    """A real record measured once, its sites read from the pressure."""
    from discovery.beats import measure

    done: dict[str, object] = {}

    def get(name: str):
        if name not in done:
            done[name] = measure(real(name), 125.0)
        return done[name]

    return get


@pytest.fixture(scope="session")
def model(shared):
    """A published-model record by name: its columns at 250 samples a second."""

    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(shared / "waveforms" / "published_model" / f"{name}.csv.gz")

    return read


@pytest.fixture(scope="session")
def truth(shared):
    return pd.read_csv(shared / "waveforms" / "published_model" / "truth.csv").set_index("record")


@pytest.fixture(scope="session")
def drawn():
    """Draw RV pressure with known corner, peak and exponential relaxation.

    Returns (time, pressure, onsets): beats at the given onsets with systole of 0.35 s or less, relaxation
    `tau` towards `asymptote`, then a straight diastole to `edp`.
    """

    def draw(
        rate=250.0, seconds=60.0, cycle=0.8, edp=6.0, peak=32.0, tau=0.035, asymptote=0.0, minimum=3.0,
        onsets=None, peaks=None,
    ):  # fmt: skip
        t = np.arange(0.0, seconds, 1 / rate)
        onsets = np.arange(0.3, seconds, cycle) if onsets is None else np.asarray(onsets, dtype=float)
        peaks = np.full(onsets.size, peak) if peaks is None else np.asarray(peaks, dtype=float)
        p = np.full(t.size, edp)
        for k, start in enumerate(onsets):
            stop = onsets[k + 1] if k + 1 < onsets.size else start + cycle
            u = t - start
            inside = (u >= 0) & (u < stop - start)
            rise, top = 0.09, 0.28
            height = peaks[k] - edp
            v = np.zeros(inside.sum())
            w = u[inside]
            up = w < rise
            v[up] = edp + 0.8 * height * np.sin(0.5 * np.pi * w[up] / rise) ** 1.5
            mid = (w >= rise) & (w < top)
            s = (w[mid] - rise) / (top - rise)
            v[mid] = edp + height * (0.8 + 0.2 * np.sin(np.pi * s) ** 0.8) - 0.25 * height * s**3
            down = w >= top
            p0 = edp + 0.55 * height
            fall = (p0 - asymptote) * np.exp(-(w[down] - top) / tau) + asymptote
            rest = minimum + (edp - minimum) * np.clip((w[down] - top) / (stop - start - top), 0, 1)
            v[down] = np.maximum(fall, rest)
            p[inside] = v
        return t, p, onsets

    return draw
