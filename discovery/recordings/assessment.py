"""Quality and sampling site of one channel, piece by piece, in memory that does not grow with samples.

`Assessor.add` takes the samples in order, in pieces of any length; `finish` gives the `Assessment`.
The result is the same however the record was cut: everything is computed in whole windows of 10 s with
10 s of neighbouring samples on either side.
"""

from __future__ import annotations

import math

import numpy as np

from discovery.recordings import cycles as cyc
from discovery.recordings import quality
from discovery.recordings.cycles import WINDOW_S, Cycles
from discovery.recordings.flush import RING_S, SHORTEST_PLATEAU_S, Flush, make_flush
from discovery.recordings.line_states import Seconds
from discovery.recordings.recording import Channel
from discovery.recordings.timeline import Assessment, build

MARGIN_S = 10.0
PLATEAU_FLOOR = 40.0  # mmHg; lower plateaus are never a flush
PLATEAU_RANGE = 4.0


class Assessor:
    """Streaming assessment of one pressure channel at `rate_hz` that starts at `start_s`."""

    def __init__(self, rate_hz: float, *, start_s: float = 0.0):
        if not (np.isfinite(rate_hz) and rate_hz >= 20.0):
            raise ValueError("a pressure channel is assessed at 20 Hz or more")
        self.rate_hz = float(rate_hz)
        self.start_s = float(start_s)
        self._factor = cyc.averaging(rate_hz)
        self._buffer = np.empty(0)
        self._venous = np.empty(0)
        self._first = 0  # place in the file of the first sample in the buffer
        self._before = 0.0  # pressure just before the buffer, to bridge a gap at its start
        self._n = 0
        self._windows_done = 0
        self._counts: list[quality.Counts] = []
        self._held: list[quality.Held] = []
        self._cycles: list[Cycles] = []
        self._seconds: list[Seconds] = []
        self._flushes: list[Flush] = []

    def add(self, samples: np.ndarray, venous: np.ndarray | None = None) -> None:
        """The next samples (n,), NaN for missing; `venous` (n,) is the CVP at the same instants."""
        samples = np.asarray(samples, dtype=np.float64)
        self._buffer = np.concatenate((self._buffer, samples))
        other = np.full(samples.size, np.nan) if venous is None else np.asarray(venous, dtype=np.float64)
        if other.size != samples.size:
            raise ValueError("the venous pressure has one value for each sample")
        self._venous = np.concatenate((self._venous, other))
        self._n += samples.size
        whole = int((self._n / self.rate_hz - MARGIN_S) // WINDOW_S)
        if whole - self._windows_done >= 6:
            self._process(whole)

    def finish(self) -> Assessment:
        """Windows, segments of site, cycles, flushes and events of the whole channel."""
        windows = math.ceil(self._n / self.rate_hz / WINDOW_S - 1e-9)
        if windows > self._windows_done:
            self._process(windows)
        return build(
            rate_hz=self.rate_hz,
            start_s=self.start_s,
            n_samples=self._n,
            edges=self._edge(np.arange(windows + 1)),
            counts=self._counts,
            held=self._held,
            cycles=cyc.joined(self._cycles),
            seconds=self._seconds,
            flushes=self._flushes,
        )

    def _edge(self, window: np.ndarray) -> np.ndarray:
        """Place in the file of the first sample of each window, within the samples so far."""
        return np.minimum(np.ceil(window * WINDOW_S * self.rate_hz - 1e-6), self._n).astype(np.int64)

    def _process(self, windows: int) -> None:
        """Work through the whole windows up to (not including) number `windows`."""
        from discovery.recordings.loops import block_means, flat_samples, second_stats, smooth

        done = self._windows_done
        edges = self._edge(np.arange(done, windows + 1))
        counts, held = quality.scan(self._buffer, self.rate_hz, edges - self._first, self._first)
        self._counts.append(counts)
        self._held.append(held)

        slow = self.rate_hz / self._factor
        z, lost = block_means(self._buffer, self._factor, self._before)
        y = smooth(z, cyc.smoothing_width(slow))
        block = self._first // self._factor
        offset = 0.5 * (self._factor - 1) / self.rate_hz  # a value belongs to the middle of its block
        self._cycles.append(cyc.find_cycles(y, z, lost, slow, block, offset, done, windows - done))

        second = np.arange(int(done * WINDOW_S), int(windows * WINDOW_S) + 1)
        at = np.ceil((second - offset) * slow - 1e-6).astype(np.int64) - block
        at = np.clip(at, 0, y.size)
        stats = second_stats(y, z, lost, at)
        venous = self._venous_stats(at)
        self._seconds.append(Seconds(stats[:, 0], stats[:, 1], stats[:, 2], stats[:, 3], *venous))

        high = z > PLATEAU_FLOOR
        flat = (
            high
            if not high.any()
            else high & flat_samples(z, math.ceil(SHORTEST_PLATEAU_S * slow), PLATEAU_RANGE)
        )
        turns = np.flatnonzero(np.diff(flat.astype(np.int8), prepend=0, append=0))
        for a, b in zip(turns[::2], turns[1::2]):
            low, high = max(int(a), at[0]), min(int(b), at[-1])  # the rest belongs to other windows
            if low >= high:
                continue
            level = float(np.median(z[max(b - math.ceil(SHORTEST_PLATEAU_S * slow), a) : b]))
            times = ((block + low) / slow + offset, (block + high) / slow + offset)
            after = self._after(int(b), level) if b <= at[-1] else np.empty(0)
            self._flushes.append(make_flush(*times, level, after, self.rate_hz))

        self._windows_done = windows
        keep_from = int(max(windows * WINDOW_S - MARGIN_S, 0.0) * self.rate_hz)
        keep_from -= keep_from % self._factor
        blocks = (keep_from - self._first) // self._factor
        self._before = float(z[blocks - 1]) if blocks else self._before
        self._buffer = self._buffer[keep_from - self._first :].copy()
        self._venous = self._venous[keep_from - self._first :].copy()
        self._first = keep_from

    def _after(self, end_block: int, level: float) -> np.ndarray:
        """The samples after a plateau at `level`, from its last one on; it ends at `end_block`."""
        release = min(end_block * self._factor, self._buffer.size - 1)
        while release > 0 and not self._buffer[release] >= level - PLATEAU_RANGE:
            release -= 1
        return self._buffer[release : release + int(RING_S * self.rate_hz) + 1]

    def _venous_stats(self, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean of the venous pressure and its correlation with this channel, for each second, (s,)."""
        m = at.size - 1
        mean, likeness = np.full(m, np.nan), np.full(m, np.nan)
        if not np.isfinite(self._venous).any():
            return mean, likeness
        for s in range(m):
            a, b = max(at[s] - 2 * (at[s + 1] - at[s]), 0) * self._factor, at[s + 1] * self._factor
            x, v = self._buffer[a:b], self._venous[a:b]
            both = np.isfinite(x) & np.isfinite(v)
            if both.sum() < 10:
                continue
            x, v = x[both], v[both]
            mean[s] = v.mean()
            if x.std() > 0 and v.std() > 0 and np.ptp(x) < 1.5 * np.ptp(v):
                likeness[s] = np.corrcoef(x, v)[0, 1]
        return mean, likeness


def assess(channel: Channel, venous: Channel | None = None) -> Assessment:
    """Quality and sampling site of a whole `channel`, with the venous pressure beside it if there is one."""
    assessor = Assessor(channel.rate_hz, start_s=channel.start_s)
    assessor.add(channel.samples, None if venous is None else aligned(venous, channel))
    return assessor.finish()


def aligned(venous: Channel, channel: Channel) -> np.ndarray:
    """`venous` at the instants of `channel`, the nearest sample; NaN where it was not recorded."""
    if not venous.samples.size:
        return np.full(channel.samples.size, np.nan)
    place = np.round((channel.times() - venous.start_s) * venous.rate_hz).astype(np.int64)
    inside = (place >= 0) & (place < venous.samples.size)
    return np.where(inside, venous.samples[np.clip(place, 0, venous.samples.size - 1)], np.nan)
