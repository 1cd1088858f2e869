"""DICOM waveform objects: one or several multiplex groups, each with its own rate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from discovery.recordings.reader import LONGEST_SAMPLES, RandomAccessReader, Track, foreign_faults

_TYPES = {
    (8, "SB"): "<i1",
    (8, "UB"): "<u1",
    (16, "SS"): "<i2",
    (16, "US"): "<u2",
    (32, "SL"): "<i4",
    (32, "UL"): "<u4",
}


class DicomReader(RandomAccessReader):
    """The channels of every multiplex group, scaled by sensitivity, correction factor and baseline.

    Sensitivity and unit stand in each channel definition. The samples stay as the integers of the
    file (memory grows with its size) and only the piece asked for is scaled; the value declared as
    waveform padding is missing.
    """

    def __init__(self, path: Path):
        import pydicom

        super().__init__(path)
        with foreign_faults(self):
            data = pydicom.dcmread(path)
            self._channels: list[tuple[np.ndarray, float, float, float | None]] = []
            tracks: list[Track] = []
            groups = data.get("WaveformSequence")
            if not groups:
                raise self.refuse("a DICOM object with a waveform sequence")
            for number, group in enumerate(groups):
                self._add(group, number, tracks)
            moment = str(data.get("AcquisitionDateTime") or "")
        first = min((track.start_s for track in tracks), default=0.0)
        self.tracks = tuple(replace(track, start_s=track.start_s - first) for track in tracks)
        if len(moment) >= 14 and moment[:14].isdigit():
            m = moment
            self.started = f"{m[:4]}-{m[4:6]}-{m[6:8]}T{m[8:10]}:{m[10:12]}:{m[12:14]}"

    def _add(self, group: Any, number: int, tracks: list[Track]) -> None:
        kind = (int(group.WaveformBitsAllocated), str(group.WaveformSampleInterpretation))
        if kind not in _TYPES:
            self.doubt(
                "linear samples of 8, 16 or 32 bits; the group is left out", found=f"{kind[0]} {kind[1]}"
            )
            return
        n_channels, n_due = int(group.NumberOfWaveformChannels), int(group.NumberOfWaveformSamples)
        if not 1 <= n_channels <= 1024 or not 0 <= n_due <= LONGEST_SAMPLES:
            raise self.refuse("a believable number of channels and samples", found=f"{n_channels} x {n_due}")
        packed = bytes(group.WaveformData)
        frame = n_channels * np.dtype(_TYPES[kind]).itemsize
        held = min(len(packed) // frame, n_due)
        if held < n_due:
            self.doubt("as many samples as the header says (cut off?)", found=f"{held} of {n_due}")
        samples = np.frombuffer(packed, dtype=_TYPES[kind], count=held * n_channels).reshape(held, n_channels)
        padding = group.get("WaveformPaddingValue")
        missing = None
        if padding is not None:
            raw = padding if isinstance(padding, bytes) else None
            missing = (
                float(np.frombuffer(raw[: frame // n_channels], _TYPES[kind])[0]) if raw else float(padding)
            )
        rate = float(group.SamplingFrequency)
        start = float(group.get("MultiplexGroupTimeOffset") or 0.0) / 1000.0
        if not np.isfinite(start) or abs(start) > 86400.0 * 366:
            raise self.refuse("a believable time offset of the group", found=str(start))
        definitions = list(group.ChannelDefinitionSequence)
        for i, channel in enumerate(definitions[:n_channels]):
            scale = float(channel.get("ChannelSensitivity") or 1.0)
            scale *= float(channel.get("ChannelSensitivityCorrectionFactor") or 1.0)
            baseline = float(channel.get("ChannelBaseline") or 0.0)
            units = channel.get("ChannelSensitivityUnitsSequence")
            source = channel.get("ChannelSourceSequence")
            label = (
                channel.get("ChannelLabel") or (source and source[0].get("CodeMeaning")) or f"{number}[{i}]"
            )
            self._channels.append((samples[:, i], scale, baseline, missing))
            unit = str(units[0].get("CodeValue", "")) if units else ""
            tracks.append(Track(name=str(label), unit=unit, rate_hz=rate, n_samples=held, start_s=start))

    def read(self, place: int, start: int, stop: int) -> np.ndarray:
        samples, scale, baseline, missing = self._channels[place]
        raw = samples[start:stop].astype(np.float64)
        out = raw * scale + baseline
        if missing is not None:
            out[raw == missing] = np.nan
        return out
