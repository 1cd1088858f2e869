"""The same numbers on this machine and behind a scheduler."""

from __future__ import annotations

import warnings

import pandas as pd
import pytest

import discovery
from discovery.pipeline.parallel import workers_at
from discovery.problems import InputError


@pytest.fixture(scope="module")
def scheduler():
    from distributed import LocalCluster

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with LocalCluster(
            n_workers=1, threads_per_worker=1, dashboard_address=None, processes=False
        ) as cluster:
            yield cluster.scheduler_address


@pytest.fixture
def study(root, tmp_path):
    for name in ("patients.csv", "features.csv", "labels.csv"):
        (tmp_path / name).write_bytes((root / "cohorts" / "diabetes_lars" / name).read_bytes())
    text = (root / "cohorts" / "diabetes_lars" / "study.toml").read_text(encoding="utf-8")
    (tmp_path / "study.toml").write_text(f"{text}\n[analysis]\nreplicates = 60\npermutations = 0\n")
    return tmp_path


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_scheduler_gives_the_numbers_of_this_machine(study, scheduler):
    here = discovery.run(study, out=study / "here", workers=2)
    there = discovery.run(study, out=study / "there", workers=2, cluster=scheduler)
    pd.testing.assert_frame_equal(here.tables["markers"], there.tables["markers"], check_exact=True)


def test_an_address_where_nobody_answers_is_an_input_problem(monkeypatch):
    monkeypatch.setattr("discovery.pipeline.parallel.CONNECT_SECONDS", 1)
    with pytest.raises(InputError, match="running Dask scheduler"), workers_at("tcp://127.0.0.1:9"):
        pass


def test_nonsense_for_an_address_is_an_input_problem(monkeypatch):
    monkeypatch.setattr("discovery.pipeline.parallel.CONNECT_SECONDS", 1)
    with pytest.raises(InputError, match="running Dask scheduler"), workers_at("nonsense"):
        pass
