"""Every format gives the same channel, whole or in pieces; structure, gaps and units are kept."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.recordings.calibration import Calibration
from discovery.recordings.source import open_recording

# The same 20 s in ten encodings; the largest error (mmHg) is the one stated in WAVEFORMS.md. The text in
# kPa has four decimals: half a unit of the last is 0.00005 kPa = 0.00038 mmHg.
ENCODINGS = {
    "rv20s.hea": ("RVP", 0.0),
    "rv20s.edf": ("RVP", 0.00153),
    "rv20s.bdf": ("RVP", 6.0e-6),
    "rv20s.csv": ("pressure", 1e-12),
    "rv20s_semicolon_kPa.csv": ("RV", 0.00038),
    "rv20s.parquet": ("rvp", 1e-12),
    "rv20s.h5": ("RVP", 2e-6),
    "rv20s.mat": ("RVP", 1e-12),
    "rv20s.dcm": ("RVP", 1e-12),
}


@pytest.fixture(scope="module")
def formats(shared):
    return shared / "waveforms" / "formats"


@pytest.fixture(scope="module")
def truth(formats):
    """The file's integers themselves: format 16 is little-endian, 100 units a mmHg."""
    return np.fromfile(formats / "rv20s.dat", dtype="<i2") / 100.0


@pytest.mark.parametrize("name", ENCODINGS)
def test_each_encoding_gives_the_same_pressure(formats, truth, name):
    wanted, error = ENCODINGS[name]
    with open_recording(formats / name, {"rv": wanted}, units="mmHg") as source:
        channel = source.read()["rv"]
    assert channel.unit == "mmHg"
    assert channel.rate_hz == 125.0
    assert channel.start_s == 0.0
    assert channel.samples.dtype == np.float64
    assert channel.samples.shape == truth.shape
    np.testing.assert_allclose(channel.samples, truth, rtol=0, atol=error)


@pytest.mark.parametrize("seconds", [0.3, 3.7, 10.0, 600.0])
@pytest.mark.parametrize("name", ENCODINGS)
def test_pieces_put_together_are_the_whole(formats, name, seconds):
    with open_recording(formats / name, {"rv": ENCODINGS[name][0]}, units="mmHg") as source:
        whole = source.read()
        pieces = list(source.chunks(seconds))
    assert len(pieces) == np.ceil(20.0 / seconds)
    joined = np.concatenate([piece["rv"].samples for piece in pieces])
    np.testing.assert_array_equal(joined, whole["rv"].samples)
    times = np.concatenate([piece["rv"].times() for piece in pieces])
    np.testing.assert_allclose(times, whole["rv"].times(), atol=1e-9)
    for k, piece in enumerate(pieces):
        assert piece.start_s == pytest.approx(k * seconds)
        assert (piece["rv"].times() >= k * seconds - 1e-6).all()
        assert (piece["rv"].times() < (k + 1) * seconds).all()


def test_the_start_of_the_clean_ventricle_is_what_the_ten_files_hold(shared, truth):
    real = shared / "waveforms" / "real" / "dev05"
    with open_recording(real, {"rv": "PAP"}) as source:
        assert source.duration_s == 180.0
        np.testing.assert_array_equal(source.read()["rv"].samples[:2500], truth)


def test_segments_and_rates_of_a_multi_segment_record(shared):
    record = shared / "waveforms" / "multi_segment" / "041s"
    with open_recording(record, {"ecg": "III", "abp": "ABP", "pa": "PAP"}) as source:
        assert source.rates_hz == {"ecg": 500.0, "abp": 125.0, "pa": 125.0}
        assert source.started == "1994-10-26T08:26:04"
        whole = source.read()
        pieces = list(source.chunks(3.0))
    assert {role: channel.samples.size for role, channel in whole.channels.items()} == {
        "ecg": 8000, "abp": 2000, "pa": 2000,
    }  # fmt: skip
    # The first sample of each segment stands in its header: value, less the baseline, over the gain.
    assert whole["abp"].samples[0] == pytest.approx((-242 + 1600) / 20)
    assert whole["abp"].samples[1000] == pytest.approx((-715 + 1600) / 20)
    assert whole["pa"].samples[1000] == pytest.approx((-583 + 1600) / 80)
    assert whole["ecg"].samples[4000] == pytest.approx(-103 / 2000)
    for role in ("ecg", "abp", "pa"):
        joined = np.concatenate([piece[role].samples for piece in pieces])
        np.testing.assert_array_equal(joined, whole[role].samples)


def test_a_segment_left_out_is_a_gap(shared, tmp_path):
    folder = shared / "waveforms" / "multi_segment"
    for name in ("041s01.dat", "041s01.hea", "041s02.dat", "041s02.hea"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    (tmp_path / "gap.hea").write_text("gap/3 7 125 2500\n041s01 1000\n~ 500\n041s02 1000\n")
    with open_recording(tmp_path / "gap.hea", {"pa": "PAP"}) as source:
        samples = source.read()["pa"].samples
    assert np.isnan(samples[1000:1500]).all()
    assert np.isfinite(samples[:1000]).all()
    assert samples[1500] == pytest.approx((-583 + 1600) / 80)


def test_a_cut_data_file_gives_what_it_holds_and_says_so(formats, tmp_path, truth):
    (tmp_path / "rv20s.hea").write_text((formats / "rv20s.hea").read_text())
    (tmp_path / "rv20s.dat").write_bytes((formats / "rv20s.dat").read_bytes()[:3001])
    with open_recording(tmp_path / "rv20s.hea", {"rv": "RVP"}) as source:
        samples = source.read()["rv"].samples
        np.testing.assert_array_equal(samples, truth[:1500])
        assert any("1500 of 2500" in problem.found for problem in source.problems)


@pytest.mark.parametrize(
    "header",
    [
        "evil 1 125 1000\nhttp://example.org/x.dat 16 1/mmHg 16 0 0 0 0 RVP\n",
        "evil 1 125 1000\n../secret.dat 16 1/mmHg 16 0 0 0 0 RVP\n",
        "evil 1 125 1000\n/secret.dat 16 1/mmHg 16 0 0 0 0 RVP\n",
        "evil/1 1 125 1000\n../secret 1000\n",
        "evil/1 1 125 1000\nzip::http 1000\n",
    ],
)
def test_a_header_leads_neither_out_of_its_folder_nor_onto_the_network(tmp_path, header, monkeypatch):
    import socket

    def forbidden(*_args, **_kwargs):
        raise AssertionError("a connection was opened")

    monkeypatch.setattr(socket, "socket", forbidden)
    folder = tmp_path / "records"
    folder.mkdir()
    for place in (tmp_path, folder):
        (place / "secret.dat").write_bytes(bytes(4000))
        (place / "secret.hea").write_text("secret 1 125 1000\nsecret.dat 16 1/mmHg 16 0 0 0 0 RVP\n")
    (folder / "evil.hea").write_text(header)
    with pytest.raises(InputError):
        open_recording(folder / "evil.hea", {"rv": "RVP"})


@pytest.mark.parametrize("kind", ["edf", "bdf"])
def test_an_interrupted_file_has_its_gaps_as_missing(tmp_path, kind, truth):
    import edfio

    signal_class = edfio.BdfSignal if kind == "bdf" else edfio.EdfSignal
    edf_class = edfio.Bdf if kind == "bdf" else edfio.Edf
    signal = signal_class(truth, 125, label="RVP", physical_dimension="mmHg", physical_range=(-50, 150))
    path = tmp_path / f"gap.{kind}"
    whole = edf_class([signal], data_record_duration=1, annotations=[edfio.EdfAnnotation(0, None, "start")])
    whole.write(path)
    raw = bytearray(path.read_bytes())
    raw[192:197] = kind.upper().encode() + b"+D"
    for k in reversed(range(12, 20)):  # from record 12 on, five seconds later
        old, new = f"+{k}\x14\x14".encode(), f"+{k + 5}\x14\x14".encode()
        assert raw.count(old) == 1
        raw = raw.replace(old, new)
    path.write_bytes(raw)
    with open_recording(path, {"rv": "RVP"}) as source:
        samples = source.read()["rv"].samples
        pieces = [piece["rv"].samples for piece in source.chunks(4.3)]
    assert samples.size == 25 * 125
    assert np.isnan(samples[12 * 125 : 17 * 125]).all()
    step = 200 / 2**16 if kind == "edf" else 200 / 2**24
    np.testing.assert_allclose(samples[: 12 * 125], truth[: 12 * 125], atol=step)
    np.testing.assert_allclose(samples[17 * 125 :], truth[12 * 125 :], atol=step)
    np.testing.assert_array_equal(np.concatenate(pieces), samples)


def write_table(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def rows(times, values, separator=",", comma=False):
    lines = [f"{t}{separator}{v:.2f}" for t, v in zip(times, values)]
    text = "\n".join(lines) + "\n"
    return text.replace(".", ",") if comma else text


WAVE = 20 + 10 * np.sin(np.arange(500) / 7.0)
STAMPS = [f"{i * 0.008:.3f}" for i in range(500)]


@pytest.mark.parametrize(
    ("head", "separator", "comma"),
    [
        ("t,RVP\n", ",", False),
        ("t;RVP\n", ";", True),
        ("t\tRVP\n", "\t", True),
        ("t|RVP\n", "|", False),
        ("some; remarks\nwritten 2026; by hand\n\nt;RVP [mmHg]\n", ";", False),
        ("Time (s),RVP (mmHg)\n", ",", False),
    ],
)
def test_text_tables_of_many_makes(tmp_path, head, separator, comma):
    path = write_table(tmp_path / "a.csv", head + rows(STAMPS, WAVE, separator, comma))
    with open_recording(path, {"rv": "RVP"}, units="mmHg") as source:
        channel = source.read()["rv"]
    assert channel.rate_hz == 125.0
    np.testing.assert_allclose(channel.samples, WAVE, atol=0.0051)


def test_rows_that_are_left_out_become_missing(tmp_path):
    keep = np.r_[0:100, 160:500]
    path = write_table(tmp_path / "a.csv", "t,RVP\n" + rows(np.array(STAMPS)[keep], WAVE[keep]))
    with open_recording(path, {"rv": "RVP"}, units="mmHg") as source:
        samples = source.read()["rv"].samples
    assert samples.size == 500
    assert np.isnan(samples[100:160]).all()
    np.testing.assert_allclose(samples[keep], WAVE[keep], atol=0.0051)


@pytest.mark.parametrize("rate", [240.0, 125.0, 62.4725, 1000.0 / 3.0])
def test_the_rate_comes_from_stamps_cut_to_milliseconds(tmp_path, rate):
    n = 4000
    stamps = [f"{np.floor(i / rate * 1000) / 1000:.3f}" for i in range(n)]
    path = write_table(tmp_path / "a.csv", "t,RVP\n" + rows(stamps, 20 + np.arange(n) % 7))
    with open_recording(path, {"rv": "RVP"}, units="mmHg") as source:
        channel = source.read()["rv"]
    assert channel.rate_hz == pytest.approx(rate, rel=1e-4)
    np.testing.assert_array_equal(channel.samples, 20 + np.arange(n) % 7)


def test_clock_times_across_midnight_and_equal_stamps_of_whole_seconds(tmp_path):
    n = 125 * 20
    clock = pd.Timestamp("2026-01-01 23:59:50") + pd.to_timedelta(np.arange(n) // 125, unit="s")
    text = "time,RVP\n" + rows([stamp.strftime("%H:%M:%S") for stamp in clock], 20 + np.arange(n) % 9)
    with open_recording(write_table(tmp_path / "a.csv", text), {"rv": "RVP"}, units="mmHg") as source:
        channel = source.read()["rv"]
        assert source.started == "23:59:50"
    assert channel.rate_hz == 125.0
    np.testing.assert_array_equal(channel.samples, 20 + np.arange(n) % 9)


def test_a_parquet_table_with_time_stamps_and_nulls(tmp_path):
    stamps = pd.Timestamp("2026-01-01") + pd.to_timedelta(np.arange(500) * 8, unit="ms")
    values = WAVE.copy()
    values[50:60] = np.nan
    pd.DataFrame({"when": stamps, "RVP": values}).drop(index=range(200, 220)).to_parquet(
        tmp_path / "a.parquet"
    )
    with open_recording(tmp_path / "a.parquet", {"rv": "RVP"}, units="mmHg") as source:
        channel = source.read()["rv"]
        assert source.started.startswith("2026-01-01T00:00:00")
    values[200:220] = np.nan
    assert channel.rate_hz == 125.0
    np.testing.assert_array_equal(channel.samples, values)


def test_a_table_without_time_takes_the_rate_it_is_given(tmp_path):
    path = write_table(tmp_path / "a.csv", "RVP\n" + "".join(f"{v:.2f}\n" for v in WAVE))
    with pytest.raises(InputError, match="no sampling rate"):
        open_recording(path, {"rv": "RVP"}, units="mmHg")
    with open_recording(path, {"rv": "RVP"}, units="mmHg", rate_hz=125) as source:
        np.testing.assert_allclose(source.read()["rv"].samples, WAVE, atol=0.0051)


def test_a_named_time_column_is_used_and_a_misspelt_one_refused(tmp_path):
    path = write_table(tmp_path / "a.csv", "sample_clock,RVP\n" + rows(STAMPS, WAVE))
    with open_recording(path, {"rv": "RVP"}, units="mmHg", time="sample_clock") as source:
        assert source.rates_hz == {"rv": 125.0}
    with pytest.raises(InputError, match="did you mean 'sample_clock'"):
        open_recording(path, {"rv": "RVP"}, units="mmHg", time="sample_clok")


def test_a_cell_that_is_no_number_is_missing_and_reported_with_its_row(tmp_path):
    text = "t,RVP\n" + rows(STAMPS, WAVE)
    lines = text.splitlines()
    lines[41] = lines[41].split(",")[0] + ",artefact"
    path = write_table(tmp_path / "a.csv", "\n".join(lines) + "\n")
    with open_recording(path, {"rv": "RVP"}, units="mmHg") as source:
        samples = source.read()["rv"].samples
        (problem,) = source.problems
    assert np.isnan(samples[40])
    assert np.isnan(samples).sum() == 1
    assert problem.found == "artefact"
    assert problem.row == 42
    assert problem.column == "RVP"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "empty file"),
        ("t,RVP\n", "rows of numbers"),
        ("t,RVP\n" + rows(STAMPS[::-1], WAVE), "no rate can be told|runs backwards|no sampling rate"),
        ("t,RVP\n" + rows([*STAMPS[:300], *STAMPS[100:300]], WAVE), "runs backwards"),
        ("t,RVP\n" + rows([f"{i * 0.05:.3f}" for i in range(500)], WAVE), "at least 60 Hz"),
        (
            "t,RVP\n" + rows([f"{(i + 0.4 * (i % 3)) * 0.01:.4f}" for i in range(500)], WAVE),
            "off a grid|rate",
        ),
        ("t,SpO2\n" + rows(STAMPS, WAVE), "a channel for 'rv'"),
        ("t,RVP (mV)\n" + rows(STAMPS, WAVE), "a unit of 'rv' is one of"),
    ],
)
def test_a_table_that_cannot_be_used_says_why(tmp_path, text, fault):
    path = write_table(tmp_path / "a.csv", text)

    def read():
        with open_recording(path, {"rv": "RVP"}, units="mmHg") as source:
            source.read()

    with pytest.raises(InputError, match=fault):
        read()


def test_a_stated_rate_that_the_file_contradicts_is_an_error(formats):
    for name in ("rv20s.hea", "rv20s.edf", "rv20s.csv", "rv20s.dcm"):
        with pytest.raises(InputError, match="the sampling rate that was stated, 250 Hz"):
            open_recording(formats / name, {"rv": ENCODINGS[name][0]}, units="mmHg", rate_hz=250)


def test_the_files_own_unit_goes_before_the_studys_and_the_difference_is_told(formats, truth):
    with open_recording(formats / "rv20s_semicolon_kPa.csv", {"rv": "RV"}, units="cmH2O") as source:
        np.testing.assert_allclose(source.read()["rv"].samples, truth, atol=0.00038)
        assert any("cmH2O" in problem.wanted for problem in source.problems)


def test_every_fault_of_the_channels_is_told_at_once(formats):
    channels = {"rv": "RVPP", "heart": "RVP"}
    calibration = {"pa": Calibration(), "rv": Calibration(gain=0.0, zero_windows=((5.0, 2.0),))}
    with pytest.raises(InputError) as caught:
        open_recording(formats / "rv20s.hea", channels, calibration=calibration)
    words = str(caught.value)
    for each in ("did you mean 'RVP'?", "heart", "gain is a number", "a zero window", "'pa'"):
        assert each in words


def test_an_absent_companion_is_a_warning(formats):
    with open_recording(formats / "rv20s.hea", {"rv": "rvp ", "cvp": "CVP"}) as source:
        assert source.roles == ("rv",)
        (problem,) = source.problems
        assert problem.severity == "warning"
        assert problem.column == "CVP"


def test_calibration_takes_the_zero_of_each_window_from_then_on(tmp_path):
    pressure = np.concatenate(
        [np.full(1250, 3.0), np.full(2500, 20.0), np.full(1250, 5.0), np.full(2500, 20.0)]
    )
    text = "t,RVP\n" + rows([f"{i * 0.008:.3f}" for i in range(pressure.size)], pressure)
    calibration = Calibration(gain=2.0, offset=-1.0, zero_windows=((31.0, 39.0), (1.0, 9.0)))
    path = write_table(tmp_path / "a.csv", text)
    with open_recording(path, {"rv": "RVP"}, units="mmHg", calibration={"rv": calibration}) as source:
        for recording in (source.read(), next(iter(source.chunks(50.0)))):
            samples = recording["rv"].samples
            np.testing.assert_allclose(samples[:1250], 0.0)
            np.testing.assert_allclose(samples[1250:3750], 2 * 17.0)
            np.testing.assert_allclose(samples[(31 * 125) + 1 : 5000], 0.0)
            np.testing.assert_allclose(samples[5000:], 2 * 15.0)


def test_matlab_version_7_3_and_groups_of_hdf5(tmp_path, truth):
    import h5py

    with h5py.File(tmp_path / "new.mat", "w", userblock_size=512) as file:
        item = file.create_dataset("RVP", data=truth[None, :])
        item.attrs["MATLAB_class"] = np.bytes_("double")
        file.create_dataset("fs", data=[[125.0]])
        file.create_dataset("units", data=np.array([[ord(c)] for c in "mmHg"], dtype=np.uint16))
        group = file.create_group("monitor")
        group.attrs["sampling_rate"] = 125
        both = group.create_dataset("waves", data=np.column_stack([truth, truth + 1]))
        both.attrs["unit"] = "kPa"
    raw = bytearray((tmp_path / "new.mat").read_bytes())
    raw[:19] = b"MATLAB 7.3 MAT-file"
    (tmp_path / "new.mat").write_bytes(raw)
    with open_recording(tmp_path / "new.mat", {"rv": "RVP", "pa": "monitor/waves[1]"}) as source:
        recording = source.read()
    np.testing.assert_array_equal(recording["rv"].samples, truth)
    np.testing.assert_allclose(recording["pa"].samples, (truth + 1) * 7.50062, rtol=1e-6)


def test_structures_and_columns_of_a_matlab_file(tmp_path, truth):
    import scipy.io

    held = {"data": {"RVP": truth, "both": np.column_stack([truth, -truth]), "fs": 125.0, "units": "mmHg"}}
    scipy.io.savemat(tmp_path / "a.mat", held)
    with open_recording(tmp_path / "a.mat", {"rv": "data.RVP", "pa": "data.both[1]"}) as source:
        recording = source.read()
    np.testing.assert_array_equal(recording["rv"].samples, truth)
    np.testing.assert_array_equal(recording["pa"].samples, -truth)


def test_dicom_groups_padding_and_correction(formats, tmp_path, truth):
    import pydicom

    data = pydicom.dcmread(formats / "rv20s.dcm")
    group = data.WaveformSequence[0]
    raw = np.frombuffer(group.WaveformData, "<i2").copy()
    raw[10:20] = -32768
    group.WaveformData = raw.tobytes()
    group.add_new(0x5400100A, "OW", np.array([-32768], "<i2").tobytes())
    channel = group.ChannelDefinitionSequence[0]
    channel.ChannelSensitivityCorrectionFactor = "2"
    channel.ChannelBaseline = "1.5"
    data.save_as(tmp_path / "a.dcm")
    with open_recording(tmp_path / "a.dcm", {"rv": "RVP"}) as source:
        samples = source.read()["rv"].samples
    assert np.isnan(samples[10:20]).all()
    np.testing.assert_allclose(samples[20:], truth[20:] * 2 + 1.5)


@pytest.mark.parametrize(
    ("values", "found"),
    [
        (np.full(2500, np.nan), "all missing"),
        (np.full(2500, 12.0), "12 mmHg throughout"),
        (np.minimum(20 + 15 * np.sin(np.arange(2500) / 20), 25), "held at 25 mmHg"),
        (1000 + 30 * np.sin(np.arange(2500) / 20), "beyond -30 to 300 mmHg"),
        (2.7 + 0.3 * np.sin(np.arange(2500) / 20), "a range of 0.6 mmHg"),
    ],
)
def test_a_channel_that_holds_nothing_useful_is_told_after_reading(tmp_path, values, found):
    pd.DataFrame({"t": np.arange(2500) / 125.0, "RVP": values}).to_parquet(tmp_path / "a.parquet")
    with open_recording(tmp_path / "a.parquet", {"rv": "RVP"}, units="mmHg") as source:
        assert not source.problems
        for _ in source.chunks(5.0):
            pass
        assert any(found in problem.found for problem in source.problems), source.problems


def test_absurd_values_of_a_damaged_file_are_read_without_a_warning(tmp_path):
    """A double of 1e300 is a number beyond any pressure; no library's warning of it reaches the user."""
    values = np.full(2500, 20.0)
    values[::7] = 1e300
    path = tmp_path / "absurd.csv"
    pd.DataFrame({"t": np.arange(2500) / 125.0, "rvp": values}).to_csv(path, index=False)
    with open_recording(path, {"rv": "rvp"}, units="mmHg", time="t") as source:
        source.read()
        assert source.problems
