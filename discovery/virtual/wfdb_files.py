"""Write a recording as one WFDB header and one data file of 16-bit numbers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

MISSING = -32768
LARGEST = 32767


@dataclass(frozen=True)
class Signal:
    """One channel: samples (n,) in `unit`, stored in steps of 1 / gain; `per_frame` samples a frame."""

    name: str
    unit: str
    gain: float
    per_frame: int
    samples: np.ndarray


def write_wfdb(
    folder: Path, record: str, signals: list[Signal], frame_hz: float, comments: tuple[str, ...] = ()
) -> Path:
    """Write `record`.hea and `record`.dat (format 16) into the folder; NaN becomes the missing code.

    Every signal has `per_frame` times as many samples as there are frames.
    """
    frames = min(signal.samples.size // signal.per_frame for signal in signals)
    blocks, lines = [], [f"{record} {len(signals)} {frame_hz:g} {frames}"]
    for signal in signals:
        x = signal.samples[: frames * signal.per_frame]
        stored = np.full(x.size, MISSING, dtype=np.int16)
        good = np.isfinite(x)
        stored[good] = np.clip(np.round(x[good] * signal.gain), -LARGEST, LARGEST).astype(np.int16)
        blocks.append(stored.reshape(frames, signal.per_frame))
        several = f"x{signal.per_frame}" if signal.per_frame > 1 else ""
        check = int(stored.astype(np.int64).sum()) & 0xFFFF
        check = check - 0x10000 if check >= 0x8000 else check
        scale = f"{signal.gain:g}(0)/{signal.unit}"
        lines.append(f"{record}.dat 16{several} {scale} 16 0 {int(stored[0])} {check} 0 {signal.name}")
    data = np.concatenate(blocks, axis=1).astype("<i2")
    (folder / f"{record}.dat").write_bytes(data.tobytes())
    header = folder / f"{record}.hea"
    text = "\n".join([*lines, *(f"# {line}" for line in comments)]) + "\n"
    header.write_bytes(text.encode("ascii"))
    return header
