"""One lead of an electrocardiogram that fits the beats of a recording: for triggers, not for reading."""

from __future__ import annotations

import numpy as np

from discovery.virtual.rhythm import Beats

# time after the activation of the ventricles (s), width (s), height (mV)
NARROW = ((0.008, 0.007, -0.10), (0.028, 0.010, 1.10), (0.052, 0.010, -0.22))
WIDE = ((0.035, 0.022, 1.05), (0.090, 0.026, -0.45))
P_WAVE = (0.045, 0.022, 0.12)  # after the activation of the atria
T_WIDTH = 0.045


def electrocardiogram(
    beats: Beats,
    time_s: np.ndarray,
    rng: np.random.Generator,
    *,
    wide: bool = False,
    fibrillation: bool = False,
) -> np.ndarray:
    """Lead voltage (n,), mV, at evenly rising times; QRS begins at the onset of ventricular activation.

    `wide`: bundle branch block or a paced ventricle. `fibrillation`: f waves in place of P waves.
    """
    rate = (time_s.size - 1) / (time_s[-1] - time_s[0])
    out = np.zeros(time_s.size)

    def add(centre: float, width: float, height: float) -> None:
        a = max(int((centre - 4 * width - time_s[0]) * rate), 0)
        b = min(int((centre + 4 * width - time_s[0]) * rate) + 2, time_s.size)
        if a < b:
            out[a:b] += height * np.exp(-0.5 * ((time_s[a:b] - centre) / width) ** 2)

    gain = rng.uniform(0.8, 1.3)
    for onset, share, early in zip(beats.onset, beats.systole, beats.early):
        shape = WIDE if wide or early else NARROW
        for after, width, height in shape:
            add(onset + after, width, gain * height)
        sign = -1.0 if shape is WIDE else 1.0
        add(onset + 0.30 * share, T_WIDTH * share, 0.25 * gain * sign)
    for onset in beats.atrial_onset:
        add(onset + P_WAVE[0], P_WAVE[1], gain * P_WAVE[2])
    if fibrillation:
        turn = 2 * np.pi * (5.6 * time_s + 0.4 * np.sin(2 * np.pi * 0.31 * time_s) + rng.uniform())
        out += 0.05 * np.sin(turn)
    out += 0.08 * np.sin(2 * np.pi * (0.22 * time_s + rng.uniform()))
    return out + 0.012 * rng.standard_normal(time_s.size)
