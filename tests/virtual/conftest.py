"""A resting circulation and a small cohort, made once."""

from __future__ import annotations

import pytest

from discovery.seeds import named_rng
from discovery.virtual.breathing import Breathing
from discovery.virtual.circulation import simulate
from discovery.virtual.cohort import make_cohort
from discovery.virtual.parameters import Physiology
from discovery.virtual.rhythm import Rhythm

SEED = 20261125


@pytest.fixture(scope="session")
def run():
    """Simulate with defaults; keywords change them."""

    def run_one(physiology=None, rhythm=None, breathing=None, *, name="rest", duration_s=12.0, **options):
        rng = named_rng(SEED, "tests", name)
        return simulate(
            physiology or Physiology(), rhythm or Rhythm(), breathing or Breathing(), rng,
            duration_s=duration_s, **options,
        )  # fmt: skip

    return run_one


@pytest.fixture(scope="session")
def resting(run):
    return run(duration_s=30.0)


@pytest.fixture(scope="session")
def cohort(tmp_path_factory):
    """The folder of a cohort of 24 with recordings of 30 s."""
    folder = tmp_path_factory.mktemp("virtual")
    make_cohort(folder, patients=24, duration_s=30.0, seed=SEED)
    return folder
