"""Cost of reading: time and resident memory of every format for two lengths, and of the assessment.

Run as a script: `python tests/benchmarks/bench_readers.py [hours]` (default 24). Each format is read in a
process of its own, so that its peak memory is its own. A record that takes four times as long to read
may use no more memory, but for MATLAB and DICOM, which are read whole.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
RATE = 250
FORMATS = ("wfdb", "edf", "bdf", "csv", "parquet", "h5", "mat", "dcm")
WHOLE = ("mat", "dcm")  # cannot be read in part
MOST_GROWTH_MB = 40.0


def day(hours: float) -> np.ndarray:
    """Two channels (n, 2) at 250 Hz tiled from a clean ventricle, in steps of 0.01 mmHg."""
    raw = np.fromfile(ROOT / "shared" / "waveforms" / "real" / "dev05.dat", "<i2")
    fine = np.round(np.interp(np.arange(2 * raw.size) / 2, np.arange(raw.size), raw)).astype("<i2")
    n = int(hours * 3600 * RATE)
    one = np.resize(fine, n)
    return np.column_stack([one, one])


def write(kind: str, folder: Path, hours: float) -> Path:
    """The record in format `kind`; the path to open."""
    both = day(hours)
    path = folder / f"day.{kind}"
    if kind == "wfdb":
        (folder / "day.dat").write_bytes(both.tobytes())
        lines = [f"day 2 {RATE} {len(both)}"] + [
            f"day.dat 16 100(0)/mmHg 16 0 0 0 0 {n}" for n in ("RVP", "PAP")
        ]
        (folder / "day.hea").write_text("\n".join(lines) + "\n")
        return folder / "day.hea"
    if kind in ("edf", "bdf"):
        import edfio

        signal, file = (edfio.EdfSignal, edfio.Edf) if kind == "edf" else (edfio.BdfSignal, edfio.Bdf)
        signals = [
            signal(both[:, i] / 100.0, RATE, label=name, physical_dimension="mmHg", physical_range=(-50, 150))
            for i, name in enumerate(("RVP", "PAP"))
        ]
        file(signals).write(path)
    elif kind == "csv":
        with path.open("w") as out:
            out.write("t,RVP,PAP\n")
            for start in range(0, len(both), 500_000):
                part = both[start : start + 500_000] / 100.0
                times = (start + np.arange(len(part))) / RATE
                np.savetxt(out, np.column_stack([times, part]), fmt=("%.3f", "%.2f", "%.2f"), delimiter=",")
    elif kind == "parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        columns = {"t": np.arange(len(both)) / RATE, "RVP": both[:, 0] / 100.0, "PAP": both[:, 1] / 100.0}
        pq.write_table(pa.table(columns), path, row_group_size=500_000)
    elif kind == "h5":
        import h5py

        with h5py.File(path, "w") as out:
            for i, name in enumerate(("RVP", "PAP")):
                item = out.create_dataset(name, data=(both[:, i] / 100.0).astype("f4"), chunks=True)
                item.attrs["fs"], item.attrs["units"] = RATE, "mmHg"
    elif kind == "mat":
        import scipy.io

        held = {"RVP": (both[:, 0] / 100.0).astype("f4"), "PAP": (both[:, 1] / 100.0).astype("f4")}
        scipy.io.savemat(path, {**held, "fs": float(RATE), "units": "mmHg"})
    elif kind == "dcm":
        import pydicom

        data = pydicom.dcmread(ROOT / "shared" / "waveforms" / "formats" / "rv20s.dcm")
        group = data.WaveformSequence[0]
        second = pydicom.Dataset()
        second.update(group.ChannelDefinitionSequence[0])
        second.ChannelLabel = "PAP"
        group.ChannelDefinitionSequence.append(second)
        group.NumberOfWaveformChannels, group.NumberOfWaveformSamples = 2, len(both)
        group.SamplingFrequency, group.WaveformData = str(RATE), both.tobytes()
        data.save_as(path)
    return path


def read(path: Path, *, assess: bool) -> dict[str, float]:
    """Read `path` to the end in this process: seconds of processor time, peak MB, samples."""
    from discovery.recordings.assessment import Assessor
    from discovery.recordings.source import open_recording

    if assess:
        Assessor(RATE).finish()
        warm = Assessor(RATE)
        warm.add(np.sin(np.arange(30 * RATE) / 30.0) * 20 + 20)
        warm.finish()
    started = time.process_time()
    total = 0
    assessors = {"rv": Assessor(RATE), "pa": Assessor(RATE)}
    with open_recording(path, {"rv": "RVP", "pa": "PAP"}, units="mmHg") as source:
        for piece in source.chunks():
            total += piece["rv"].samples.size
            if assess:
                for role, assessor in assessors.items():
                    assessor.add(piece[role].samples)
    if assess:
        for assessor in assessors.values():
            assessor.finish()
    seconds = time.process_time() - started
    return {"s": seconds, "mb": peak_mb(), "n": total}


def peak_mb() -> float:
    """Peak resident memory since this program began (getrusage would include the parent's)."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def apart(path: Path, *, assess: bool) -> dict[str, float]:
    """`read` in a process of its own."""
    command = [sys.executable, __file__, "--read", str(path), "assess" if assess else "plain"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    return json.loads(done.stdout)


def main(hours: float) -> None:
    print(f"two channels of {hours:g} h and {hours / 4:g} h at {RATE} Hz; processor seconds, peak MB")
    print(f"{'format':8} {'s':>7} {'MB':>6} {'s (1/4)':>8} {'MB (1/4)':>9}")
    for kind in FORMATS:
        found = []
        for length in (hours, hours / 4):
            with tempfile.TemporaryDirectory() as folder:
                found.append(apart(write(kind, Path(folder), length), assess=False))
        long, short = found
        print(f"{kind:8} {long['s']:7.2f} {long['mb']:6.0f} {short['s']:8.2f} {short['mb']:9.0f}", flush=True)
        assert abs(long["n"] - hours * 3600 * RATE) <= 1
        assert kind in WHOLE or long["mb"] - short["mb"] <= MOST_GROWTH_MB, f"{kind}: memory grows"
    with tempfile.TemporaryDirectory() as folder:
        path = write("wfdb", Path(folder), hours)
        plain, whole = apart(path, assess=False), apart(path, assess=True)
    print(f"quality and sampling site beside reading: {whole['s'] - plain['s']:.2f} s, {whole['mb']:.0f} MB")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--read"]:
        print(json.dumps(read(Path(sys.argv[2]), assess=sys.argv[3] == "assess")))
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 24.0)
