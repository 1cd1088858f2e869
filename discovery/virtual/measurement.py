"""From true pressure to what a monitor stores: fluid line, transducer, handling, sampling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.problems import InputError, Problem

MMHG_PER_CM = 0.74  # of water-filled tubing: 1.04 g/cm3 and 13.6 g/cm3
FLUSH_MMHG = 300.0
VALVE_MOTION_S = 0.5


@dataclass(frozen=True, kw_only=True)
class Line:
    """A fluid-filled catheter, tubing and transducer: natural frequency (Hz), damping coefficient, delay (s).

    Second-order model of Gardner RM, Anesthesiology 1981;54:227. `whip` is the pressure in mmHg that the
    moving catheter adds for each 1000 mmHg/s of ventricular upstroke or fall, `flutter` the SD in mmHg,
    before the line, of what the irregular motion of its tip adds (4 to 13 Hz).
    """

    natural_hz: float = 25.0
    damping: float = 0.35
    delay_s: float = 0.0
    whip: float = 0.0
    flutter: float = 0.0

    def __post_init__(self) -> None:
        problems = [
            Problem(file="line", column=name, found=str(value), wanted=wanted)
            for name, value, good, wanted in (
                ("natural_hz", self.natural_hz, 1.0 <= self.natural_hz <= 1000.0, "from 1 to 1000 Hz"),
                ("damping", self.damping, 0.01 <= self.damping <= 5.0, "from 0.01 to 5"),
                ("delay_s", self.delay_s, 0.0 <= self.delay_s <= 0.5, "from 0 to 0.5 s"),
            )
            if not good
        ]
        if problems:
            raise InputError(problems)


@dataclass(frozen=True, kw_only=True)
class Transducer:
    """What is added behind the line: all in mmHg, `level_cm` the height of the heart above the transducer.

    zero : offset. drift : change a minute. noise : SD of white noise, wander : SD of a slow one (2 s).
    quantum : step of the stored numbers. floor, ceiling : where they are clipped. spikes : a minute.
    """

    zero: float = 0.0
    level_cm: float = 0.0
    drift: float = 0.0
    noise: float = 0.15
    wander: float = 0.05
    quantum: float = 0.1
    floor: float = -300.0
    ceiling: float = 300.0
    spikes: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Handling:
    """Stretches (start s, end s): fast flush, samples lost, patient moved, lumen in the pulmonary artery."""

    flush: tuple[tuple[float, float], ...] = ()
    lost: tuple[tuple[float, float], ...] = ()
    moved: tuple[tuple[float, float], ...] = ()
    migrated: tuple[tuple[float, float], ...] = ()


def through_line(pressure: np.ndarray, rate_hz: float, line: Line) -> np.ndarray:
    """Pressure (n,) behind a second-order line, exact for straight lines between the samples."""
    from scipy.signal import lfilter, lfilter_zi

    top, bottom = line_filter(line, 1.0 / rate_hz)
    x = pressure
    if line.delay_s > 0.0:
        place = np.arange(x.size) - line.delay_s * rate_hz
        x = np.interp(place, np.arange(x.size), x)
    out, _ = lfilter(top, bottom, x, zi=lfilter_zi(top, bottom) * x[0])
    return out


def line_filter(line: Line, step_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients of the line as a digital filter for input that is straight between samples `step_s` apart.

    With x' = A x + B u and F = exp(A h): the state moves by F, and the input enters with
    (A^-1 (F - I) - G) B now and G B one sample later, G = A^-2 (F - I) / h - A^-1.
    """
    w, zeta = 2.0 * np.pi * line.natural_hz, line.damping
    if abs(zeta - 1.0) < 1e-6:
        zeta = 1.0 - 1e-6  # the closed form below needs two different roots
    first = w * (-zeta + np.sqrt(complex(zeta * zeta - 1.0)))
    second = w * (-zeta - np.sqrt(complex(zeta * zeta - 1.0)))
    a = np.array([[0.0, 1.0], [-w * w, -2.0 * zeta * w]])
    one = np.eye(2)
    e1, e2 = np.exp(first * step_s), np.exp(second * step_s)
    moved = np.real((e1 * (a - second * one) - e2 * (a - first * one)) / (first - second))
    inverse = np.array([[-2.0 * zeta / w, -1.0 / (w * w)], [1.0, 0.0]])
    held = inverse @ (moved - one)
    later = inverse @ held / step_s - inverse
    enters = np.array([0.0, w * w])
    now, next_one = (held - later) @ enters, later @ enters
    top = np.array(
        [
            next_one[0],
            now[0] - moved[1, 1] * next_one[0] + moved[0, 1] * next_one[1],
            -moved[1, 1] * now[0] + moved[0, 1] * now[1],
        ]
    )
    return top, np.array([1.0, -np.trace(moved), moved[0, 0] * moved[1, 1] - moved[0, 1] * moved[1, 0]])


def store(
    pressure: np.ndarray,
    rate_hz: float,
    rng: np.random.Generator,
    *,
    line: Line | None = None,
    transducer: Transducer | None = None,
    handling: Handling | None = None,
    stored_rate_hz: float | None = None,
    elsewhere: np.ndarray | None = None,
    ventricle: np.ndarray | None = None,
) -> np.ndarray:
    """What is stored of a true pressure.

    Parameters
    ----------
    pressure : array (n,), mmHg at `rate_hz`
        True pressure at the lumen.
    line, transducer, handling
        The chain. Defaults: a fair line, small noise, nothing happens.
    stored_rate_hz : float, optional
        A whole part of `rate_hz`; the same by default.
    elsewhere : array (n,), optional
        Pressure where the lumen is while `migrated`.
    ventricle : array (n,), optional
        RV pressure whose speed moves the catheter (whip).

    Returns
    -------
    array (m,), mmHg
        NaN where samples were lost.

    Raises
    ------
    InputError
        `stored_rate_hz` is no whole part of `rate_hz`, or `elsewhere` is needed and absent.
    """
    line, transducer, handling = line or Line(), transducer or Transducer(), handling or Handling()
    every = round(rate_hz / (stored_rate_hz or rate_hz))
    problems = []
    if stored_rate_hz is not None and abs(every * stored_rate_hz - rate_hz) > 1e-6:
        wanted = f"a rate that divides {rate_hz:g}"
        problems.append(
            Problem(file="store", column="stored_rate_hz", found=str(stored_rate_hz), wanted=wanted)
        )
    if handling.migrated and elsewhere is None:
        wanted = "the pressure at the other place, for a lumen that migrates"
        problems.append(Problem(file="store", column="elsewhere", wanted=wanted))
    if problems:
        raise InputError(problems)
    time = np.arange(pressure.size) / rate_hz
    x = pressure.astype(float, copy=True)
    if elsewhere is not None:
        for start, end in handling.migrated:
            there = (time >= start) & (time < end)
            x[there] = elsewhere[there]
            for edge in (start, end):
                x += valve_motion(time - edge, rng)
    if line.whip and ventricle is not None:
        x += line.whip * np.gradient(ventricle) * rate_hz / 1000.0
    if line.flutter:
        x += line.flutter * motion(x.size, rate_hz, rng)
    for start, end in handling.moved:
        x += burst(time, start, end, rng)
    x += transducer.level_cm * MMHG_PER_CM
    for start, end in handling.flush:
        x[(time >= start) & (time < end)] = FLUSH_MMHG
    x = through_line(x, rate_hz, line)[::every]
    time = time[::every]
    x += transducer.zero + transducer.drift * (time - time[0]) / 60.0
    x += transducer.noise * rng.standard_normal(x.size) + transducer.wander * slow_noise(time, rng)
    for place in rng.uniform(time[0], time[-1], rng.poisson(transducer.spikes * np.ptp(time) / 60.0)):
        at = int(np.searchsorted(time, place))
        x[at : at + int(rng.integers(1, 3))] += rng.choice([-1.0, 1.0]) * rng.uniform(25.0, 80.0)
    x = transducer.quantum * np.round(x / transducer.quantum)
    x = np.clip(x, transducer.floor, transducer.ceiling)
    for start, end in handling.lost:
        x[(time >= start) & (time < end)] = np.nan
    return x


def valve_motion(since: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The rattle of a tip that passes the valve at 0 s, (n,) mmHg."""
    shape = np.exp(-0.5 * (since / (0.3 * VALVE_MOTION_S)) ** 2)
    return 9.0 * shape * np.sin(2 * np.pi * rng.uniform(6.0, 9.0) * since + rng.uniform(0, 2 * np.pi))


def burst(time: np.ndarray, start: float, end: float, rng: np.random.Generator) -> np.ndarray:
    """Handling of the line: irregular swings of some 5 to 25 mmHg between start and end, (n,)."""
    inside = (time >= start) & (time < end)
    out = np.zeros(time.size)
    if inside.any():
        count = int(inside.sum())
        rough = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, max(int(8 * (end - start)), 4)),
                          rng.standard_normal(max(int(8 * (end - start)), 4)))  # fmt: skip
        out[inside] = rng.uniform(5.0, 25.0) * rough * np.sin(np.linspace(0, np.pi, count))
    return out


def motion(count: int, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Noise of unit SD between 4 and 13 Hz that swells and ebbs, (count,): a tip never lies quite still."""
    from scipy.signal import butter, sosfilt

    low, high = 4.0, min(13.0, 0.45 * rate_hz)
    band = butter(2, [low, high], btype="bandpass", output="sos", fs=rate_hz)
    swell = butter(1, 1.5, output="sos", fs=rate_hz)
    # Noise bandwidths: 1.11 of the band (second order), pi / 2 of the corner (first order).
    rough = sosfilt(band, rng.standard_normal(count)) / np.sqrt(2.0 * 1.11 * (high - low) / rate_hz)
    swelling = sosfilt(swell, rng.standard_normal(count)) / np.sqrt(np.pi * 1.5 / rate_hz)
    return rough * np.exp(0.5 * swelling - 0.25)


def slow_noise(time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Noise of unit SD with a time constant of 2 s, straight lines between knots 1 s apart, (n,)."""
    count = int(np.ceil(time[-1] - time[0])) + 2
    from scipy.signal import lfilter

    keep = np.exp(-0.5)
    white = rng.standard_normal(count)
    knots = lfilter([np.sqrt(1.0 - keep * keep)], [1.0, -keep], white)
    return np.interp(time - time[0], np.arange(count), knots)
