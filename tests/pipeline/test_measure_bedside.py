"""The open bedside recordings as a cohort: no beat is credited to a site where the lumen did not lie."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.pipeline.measure import measure_study

EDGE_S = 1.5  # the labels were read by eye; their boundaries are good to about 1 s


@pytest.fixture(scope="module")
def cohort(root):
    return root / "cohorts" / "bedside"


@pytest.fixture(scope="module")
def measured(cohort):
    return measure_study(cohort, workers=1)


@pytest.fixture(scope="module")
def beats(measured, cohort):
    """Accepted beats with the site that was read by eye; those near a boundary are left out."""
    labels = pd.read_csv(cohort / "labels.csv", keep_default_na=False)
    accepted = measured.beats.query("accepted")
    seen = np.full(len(accepted), "", dtype=object)
    for row in labels.itertuples():
        mine = (accepted["recording"] == row.record) & accepted["t_dpdt_max"].between(
            row.t0_s + EDGE_S, row.t1_s - EDGE_S
        )
        seen[mine.to_numpy()] = row.site
    return accepted.assign(seen=seen)


def test_every_recording_is_listed(measured):
    assert len(measured.quality) == 20
    assert (measured.quality["status"] != "not measured").all()
    assert not measured.quality["doubts"].str.contains("fault of ours").any()


def test_sites_of_accepted_beats_are_those_read_by_eye(beats):
    known = beats[beats["seen"].isin(["RV", "PA", "wedge", "flush", "zero", "flat"])]
    assert len(known) > 1500
    assert (known["seen"] == known["sampling_site"]).mean() >= 0.99


def test_no_ventricular_beat_comes_from_wedge_flush_zero_or_a_flat_line(beats):
    ventricular = beats[beats["sampling_site"] == "RV"]
    assert not ventricular["seen"].isin(["wedge", "flush", "zero", "flat"]).any()


def test_a_site_has_its_own_features_alone(beats):
    arterial = beats["sampling_site"] == "PA"
    assert beats.loc[arterial, "rv_end_diastolic_pressure"].isna().all()
    assert beats.loc[~arterial, "pa_diastolic_pressure"].isna().all()


def test_the_copies_are_the_open_files(cohort, shared):
    source = shared / "waveforms" / "real"
    copies = sorted((cohort / "recordings").glob("dev*"))
    assert len(copies) == 40
    for path in [*copies, cohort / "labels.csv"]:
        assert path.read_bytes() == (source / path.name).read_bytes(), path.name
