"""Systolic and diastolic medians against the bedside monitor's own numerics, where those are sane.

Sane, by rules that know nothing of our numbers: a pulse is shown at all; its mean lies between a fifth and
two thirds of the pulse (the monitor goes on averaging through flushes and wedges); and for the 12 s before
and 3 s after the reading the label by eye is one site, without noise, bursts, whip or ringing (whose
extremes depend on the filter of whoever reads them).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

DISTURBED = ("noise", "burst", "ringing", "whip", "flush", "damped")


@pytest.fixture(scope="module")
def differences(shared, measured_real):
    folder = shared / "waveforms" / "real"
    labels = pd.read_csv(folder / "labels.csv", keep_default_na=False)
    rows = []
    for record, readings in pd.read_csv(folder / "monitor_numerics.csv").groupby("record"):
        mine = labels[labels["record"] == record]
        beats = None
        for reading in readings.itertuples():
            start, stop = max(reading.t_s - 12, 0), reading.t_s + 3
            around = mine[(mine["t0_s"] < stop) & (mine["t1_s"] > start)]
            pulse = reading.monitor_sys - reading.monitor_dia
            share = (reading.monitor_mean - reading.monitor_dia) / pulse if pulse > 0 else np.nan
            calm = not any(word in note for note in around["note"] for word in DISTURBED)
            if len(around) != 1 or around["site"].iloc[0] not in ("RV", "PA") or not calm:
                continue
            if not (reading.monitor_sys > 0 and 0.2 <= share <= 2 / 3):
                continue
            beats = measured_real(record).accepted if beats is None else beats
            near = beats[(beats["t_ed"] > start) & (beats["t_ed"] < stop)]
            high, low = {
                "RV": ("rv_systolic_pressure", "rv_minimum_diastolic_pressure"),
                "PA": ("pa_systolic_pressure", "pa_diastolic_pressure"),
            }[around["site"].iloc[0]]
            rows.append(
                {
                    "record": record, "t_s": reading.t_s, "site": around["site"].iloc[0],
                    "systolic": near[high].median() - reading.monitor_sys,
                    "diastolic": near[low].median() - reading.monitor_dia,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def test_medians_of_each_record_are_within_two_mmhg(differences, capsys):
    medians = differences.groupby("record")[["systolic", "diastolic"]].median()
    with capsys.disabled():
        print(
            f"\nless the monitor's numerics, mmHg, medians of {len(differences)} readings of {len(medians)} "
            f"records\n{medians.round(1).T.to_string()}",
            end="",
        )
    assert len(medians) >= 9
    assert medians.abs().max().max() < 2.0


def test_there_is_no_bias_over_all_readings(differences):
    assert abs(differences["systolic"].median()) < 0.5
    assert abs(differences["diastolic"].median()) < 1.0
