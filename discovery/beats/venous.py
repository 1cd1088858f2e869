"""Central venous and wedge pressure."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity

LEAST_PAWP_MMHG = 2.0


def cvp_pawp_ratio(cvp, pawp):
    """CVP / PAWP; missing below 2 mmHg of wedge pressure."""
    pawp = np.asarray(pawp, dtype=float)
    return np.where(pawp >= LEAST_PAWP_MMHG, ratio(cvp, pawp), np.nan)


def cvp_plus1_pawp_ratio(cvp, pawp):
    """(CVP + 1) / PAWP, a published form that keeps the numerator from zero."""
    return cvp_pawp_ratio(np.asarray(cvp, dtype=float) + 1.0, pawp)


def venous_waves(cvp: np.ndarray, rate_hz: float, r_times_s: np.ndarray, *, delay_s: float = 0.0):
    """a wave, v wave and y descent of each cycle between R waves, arrays (n_r - 1,), mmHg.

    a: maximum from 200 ms before R to R; v: maximum from 0.3 to 0.75 of the RR interval after R;
    y: v less the minimum that follows before the next a wave. `delay_s` moves the windows.
    """
    p = np.asarray(cvp, dtype=float)
    r = np.asarray(r_times_s, dtype=float) + delay_s
    count = max(r.size - 1, 0)
    a, v, y = (np.full(count, np.nan) for _ in range(3))

    def piece(start: float, stop: float) -> np.ndarray:
        first, last = round(start * rate_hz), round(stop * rate_hz)
        return p[first : last + 1] if first >= 0 and last < p.size and last > first else np.empty(0)

    for k in range(count):
        cycle = r[k + 1] - r[k]
        if not 0.24 <= cycle <= 3.0:
            continue
        before, middle = piece(r[k] - 0.2, r[k]), piece(r[k] + 0.3 * cycle, r[k] + 0.75 * cycle)
        if before.size and np.isfinite(before).all():
            a[k] = before.max()
        if middle.size and np.isfinite(middle).all():
            v[k] = middle.max()
            top = r[k] + 0.3 * cycle + np.argmax(middle) / rate_hz
            after = piece(top, r[k + 1] - 0.2 if r[k + 1] - 0.2 > top + 0.02 else r[k + 1])
            if after.size and np.isfinite(after).all():
                y[k] = v[k] - after.min()
    return a, v, y


_COMMON = {
    "level": "window",
    "family": "venous",
    "group": "cvp",
    "unit": "mmHg",
    "channels": ("CVP",),
    "source": "common practice",
    "circular_with": ("filling_pressure",),
    "function": identity,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


_WAVE = {"level": "beat", "channels": ("CVP", "ECG"), "gate": "level", "source": "textbooks"}
FEATURES = (
    _entry(
        "cvp_mean",
        "Central venous pressure, mean",
        "Time average of venous pressure over the beats of the window that the respiratory rule keeps.",
        low=-8,
        high=40,
        direction="higher",
        needs=("cvp_average",),
    ),
    _entry(
        "cvp_a_wave",
        "CVP a wave",
        "Largest venous pressure in the 200 ms before the R wave.",
        low=-5,
        high=50,
        direction="higher",
        needs=("cvp_a",),
        **_WAVE,
    ),
    _entry(
        "cvp_v_wave",
        "CVP v wave",
        "Largest venous pressure between 30 and 75 % of the RR interval after the R wave.",
        low=-5,
        high=60,
        direction="higher",
        needs=("cvp_v",),
        **_WAVE,
    ),
    _entry(
        "cvp_y_descent",
        "CVP y descent",
        "v wave less the lowest venous pressure that follows it.",
        low=0,
        high=40,
        direction="higher",
        offset_free=True,
        needs=("cvp_y",),
        **_WAVE,
    ),
    _entry(
        "pawp",
        "Pulmonary artery wedge pressure",
        "Entered value, or the end-expiratory mean of a labelled wedge segment; the nearest within 6 h.",
        level="spot",
        low=0,
        high=50,
        direction="covariate",
        channels=("PAWP",),
        needs=("pawp_spot",),
        circular_with=("filling_pressure", "pulmonary_load"),
        source="ESC/ERS guidelines",
    ),
    _entry(
        "cvp_pawp_ratio",
        "CVP over PAWP",
        "Mean venous pressure over wedge pressure; missing below 2 mmHg of wedge pressure.",
        unit="ratio",
        low=0,
        high=4,
        direction="higher",
        channels=("CVP", "PAWP"),
        decimals=2,
        needs=("cvp_mean", "pawp"),
        function=cvp_pawp_ratio,
        source="Drazner MH et al., Circ Heart Fail 2013;6:264-270; Kormos RL et al. 2010",
    ),
    _entry(
        "cvp_rvedp_difference",
        "CVP minus RVEDP",
        "Mean venous pressure less RV end-diastolic pressure; a quality measure, persistently beyond 4 mmHg "
        "one channel is off level.",
        low=-10,
        high=10,
        direction="quality",
        channels=("CVP", "RVP"),
        needs=("cvp_mean", "rv_end_diastolic_pressure"),
        function=difference,
        source="Mark JB, Atlas of Cardiovascular Monitoring 1998",
    ),
)
