"""Measure a record piece by piece: memory holds one piece of samples, whatever the record's length."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from discovery.beats.burden import LEVELS_OF, MEDIAN_GAP_MIN, burden, minute_medians, trend_slope
from discovery.beats.detect import MARGIN_S
from discovery.beats.ensemble import EnsembleBeat
from discovery.beats.feature import keep_inside
from discovery.beats.options import Options
from discovery.beats.piece import BEAT_KEYS, Piece, measure_piece
from discovery.beats.registry import FEATURES, column_name
from discovery.beats.saturation import venous_desaturation
from discovery.beats.window_features import add_ensemble_features, add_flow_and_load

if TYPE_CHECKING:
    import pandas as pd

PIECE_WINDOWS = 10
WHIP_LIMIT = 0.05
SPOILT_BY_RINGING = ("diastolic", "derivative", "strict")  # gates
VALID_BEATS = 10
VALID_SHARE = 0.5


@dataclass(frozen=True)
class MeasuredBeats:
    """What was measured in one record.

    beats : one row a beat: times in s from the start of the record, accepted, reason, sampling_site,
    regular, end_expiratory, then features. windows : one row a window. record : burden, trend and
    episodes. ensembles, pa_ensembles : averaged beats by window, None where there is none.
    confidence : how far sampling rate and line can carry each feature (sure, low, none).
    """

    beats: pd.DataFrame
    windows: pd.DataFrame
    record: dict[str, float]
    ensembles: tuple[EnsembleBeat | None, ...]
    pa_ensembles: tuple[EnsembleBeat | None, ...]
    confidence: dict[str, str]
    rate_hz: float
    ventilation: str = "unknown"
    svo2_minutes: tuple[np.ndarray, np.ndarray] = field(default=(np.empty(0), np.empty(0)), repr=False)

    @property
    def accepted(self) -> pd.DataFrame:
        """The accepted beats alone."""
        return self.beats[self.beats["accepted"]]


class Measurer:
    """Streaming measurement of pressure sampled at `rate_hz`; the first sample is at `start_s`.

    `add` takes the next samples of every channel, in pieces of any length; `finish` returns
    `MeasuredBeats`. Beats and windows do not depend on how the record was cut: work is done in pieces of
    ten windows with 20 s of samples on either side.
    """

    def __init__(
        self,
        rate_hz: float,
        *,
        start_s: float = 0.0,
        options: Options | None = None,
        r_times_s: np.ndarray | None = None,
        qrs_times_s: np.ndarray | None = None,
    ):
        self.rate_hz = float(rate_hz)
        self.start_s = float(start_s)
        self.options = options or Options()
        self._r, self._qrs = r_times_s, qrs_times_s
        self._channels: tuple[str, ...] = ()
        self._buffer: dict[str, np.ndarray] = {}
        self._first = 0
        self._n = 0
        self._windows_done = 0
        self._pieces: list[Piece] = []

    def add(self, pressure: np.ndarray | None = None, *, pa=None, cvp=None) -> None:
        """The next samples, arrays (n,) of one length, NaN for missing; the same channels every time."""
        given = {"rv": pressure, "pa": pa, "cvp": cvp}
        new = {name: np.asarray(x, dtype=np.float64) for name, x in given.items() if x is not None}
        if not self._channels:
            self._channels = tuple(new)
            self._buffer = {name: np.empty(0) for name in new}
        assert tuple(new) == self._channels, "the same channels in every piece"
        size = next(iter(new.values())).size
        assert all(x.size == size for x in new.values()), "channels of one length"
        step = self._core_samples
        taken = 0
        while taken < size:
            part = min(size - taken, step)
            for name, x in new.items():
                self._buffer[name] = np.concatenate([self._buffer[name], x[taken : taken + part]])
            taken += part
            self._n += part
            while self._n >= self._edge(self._windows_done + PIECE_WINDOWS) + round(MARGIN_S * self.rate_hz):
                self._process(self._windows_done + PIECE_WINDOWS)

    def finish(self) -> MeasuredBeats:
        """Everything measured, once the last samples were added."""
        total = int(np.ceil(self._n / (self.options.window_s * self.rate_hz) - 1e-9))
        while self._windows_done < total:
            self._process(min(self._windows_done + PIECE_WINDOWS, total))
        return assemble(self._pieces, self.options, self.rate_hz, self._n / self.rate_hz, self.start_s)

    @property
    def _core_samples(self) -> int:
        return max(1, int(PIECE_WINDOWS * self.options.window_s * self.rate_hz))

    def _edge(self, window: int) -> int:
        return int(np.ceil(window * self.options.window_s * self.rate_hz - 1e-6))

    def _process(self, windows: int) -> None:
        margin = round(MARGIN_S * self.rate_hz)
        start = max(self._edge(self._windows_done) - margin, self._first)
        stop = min(self._edge(windows) + margin, self._n)
        cut = slice(start - self._first, stop - self._first)
        core = (
            self.start_s + self._windows_done * self.options.window_s,
            self.start_s + min(windows * self.options.window_s, self._n / self.rate_hz),
        )
        pieces = {name: x[cut] for name, x in self._buffer.items()}
        if pieces:
            self._pieces.append(
                measure_piece(
                    self.rate_hz,
                    self.start_s + start / self.rate_hz,
                    core,
                    self.options,
                    r_times_s=self._r,
                    qrs_times_s=self._qrs,
                    **pieces,
                )
            )
        self._windows_done = windows
        keep = max(self._edge(windows) - margin, 0)
        if keep > self._first:
            self._buffer = {name: x[keep - self._first :].copy() for name, x in self._buffer.items()}
            self._first = keep


def assemble(
    pieces: list[Piece], options: Options, rate_hz: float, duration_s: float, start_s: float
) -> MeasuredBeats:
    """One table of beats, one of windows, and the record-level features. Empties the pieces."""
    import pandas as pd

    names = list(pieces[0].beats) if pieces else []
    # each piece gives its arrays away, so that beats are held once
    beats = {name: np.concatenate([piece.beats.pop(name) for piece in pieces]) for name in names}
    rows = [row for piece in pieces for row in piece.windows]
    windows = _window_columns(rows, options, rate_hz)
    record = record_features(beats, windows, duration_s, start_s) if rows else {}
    order = ["t_ed", "t_dpdt_max", "accepted", "reason", "sampling_site"]
    rest = [name for name in names if name not in order and name != "t_next_ed"]
    columns = [*order, *rest] if names else order
    confidence = {
        key: options.confidence(feature, rate_hz)
        for key, feature in FEATURES.items()
        if not key.startswith("sq_")
    }
    return MeasuredBeats(
        beats=pd.DataFrame({name: beats.get(name, []) for name in columns}, copy=False),
        windows=pd.DataFrame(windows),
        record=record,
        ensembles=tuple(e for piece in pieces for e in piece.ensembles),
        pa_ensembles=tuple(e for piece in pieces for e in piece.pa_ensembles),
        confidence=confidence,
        rate_hz=rate_hz,
        ventilation=options.ventilation,
    )


def _window_columns(rows, options: Options, rate_hz: float) -> dict[str, np.ndarray]:
    if not rows:
        return {}
    names = [name for name in dict.fromkeys(name for row in rows for name in row) if name != "readings"]
    columns: dict[str, np.ndarray] = {}
    for name in names:
        texts = name == "sampling_site" or (name in FEATURES and FEATURES[name].classes)
        values = [row.get(name, "" if texts else np.nan) for row in rows]
        columns[name] = np.array(values, dtype=object if texts else float)
    for key in ("n_beats", "n_accepted"):
        columns[key] = columns[key].astype(np.int64)
    columns["valid"] = (columns["n_accepted"] >= VALID_BEATS) & (
        columns["sq_valid_beat_fraction"] >= VALID_SHARE
    )
    add_ensemble_features(columns, [row["readings"] for row in rows], options, rate_hz)
    add_flow_and_load(columns, options, rate_hz)
    if "sq_whip_index" in columns and not options.ungated:
        ringing = columns["sq_whip_index"] > WHIP_LIMIT
        for key, feature in FEATURES.items():
            if feature.gate in SPOILT_BY_RINGING and key in columns and "RVP" in feature.channels:
                columns[key][ringing] = "" if feature.classes else np.nan
    return columns


def record_features(
    beats: dict[str, np.ndarray], windows: dict[str, np.ndarray], duration_s: float, start_s: float
) -> dict[str, float]:
    """Burden and trend of the record from one-minute medians of accepted beats, and coverage."""
    record: dict[str, float] = {}
    length = windows["end_s"] - windows["start_s"]
    record["sq_coverage"] = float(length[windows["valid"]].sum() / duration_s) if duration_s > 0 else np.nan
    good = beats["accepted"].astype(bool)
    for key, (level, above) in LEVELS_OF.items():
        if key in BEAT_KEYS:
            minute, median = minute_medians(beats["t_ed"][good], beats[key][good], start_s=start_s)
        elif key in windows:
            middle = 0.5 * (windows["start_s"] + windows["end_s"])
            minute, median = middle / 60.0, np.asarray(windows[key], dtype=float)
        else:
            continue
        if np.isfinite(median).any():
            record.update(burden_columns(key, minute, median, level, above=above))
    return record


def burden_columns(
    key: str, minute: np.ndarray, median: np.ndarray, level: float, *, above: bool
) -> dict[str, float]:
    """The burden features of one series of one-minute medians, by column name."""
    found = burden(minute, median, level, above=above, max_gap_min=MEDIAN_GAP_MIN)
    values = {
        "time_above_threshold": found.time_min,
        "fraction_time_above_threshold": found.fraction,
        "area_above_threshold": found.area,
        "time_weighted_average_above_threshold": found.time_weighted_average,
        "longest_episode_above_threshold": found.longest_min,
        "trend_slope": trend_slope(minute, median),
    }
    out = {f"{key}_observed_min": found.observed_min}
    for name, value in values.items():
        feature = FEATURES[name]
        out[column_name(feature, key)] = float(keep_inside(np.array([value]), feature)[0])
    return out


def desaturation_columns(svo2: np.ndarray, rate_hz: float) -> dict[str, float]:
    """The desaturation features of one saturation signal, by column name."""
    found = venous_desaturation(svo2, rate_hz)
    if found.observed_min <= 0:
        return {}
    return {
        "venous_desaturation_episode_count": float(found.count),
        "venous_desaturation_duration": found.duration_min,
        "venous_desaturation_area": found.area_percent_min,
        "venous_desaturation_episodes_per_hour": found.per_hour,
        "venous_desaturation_observed_min": found.observed_min,
    }
