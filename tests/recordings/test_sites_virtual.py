"""The sampling site on the virtual hospitals: known chambers behind known lines, rates and zero errors.

The lines are clinical ones (10 to 60 Hz, damping 0.2 to 0.8, some whip), the stored steps 0.1 to
0.4 mmHg. Where the artery's diastolic pressure is hardly above the ventricle's (failing ventricle, no
resistance), both pressures have the same shape and nobody can tell them apart: these are counted apart.
"""

from __future__ import annotations

import numpy as np
import pytest

from discovery.recordings.assessment import assess
from discovery.recordings.recording import Channel
from discovery.seeds import named_rng
from discovery.virtual.hospitals import draw_line, draw_transducer
from discovery.virtual.measurement import Handling, store
from discovery.virtual.people import make_person
from discovery.virtual.visits import RATE_HZ, simulate_visit

SEED, SECONDS = 90210, 50.0
LEAST_STEP_UP = 0.2  # of the ventricle's pulse, from its diastole to the artery's


@pytest.fixture(scope="module")
def shares(full_validity):
    """For each patient: the step up to the artery, and the right share for each lumen and a moving one."""
    found = []
    for number in range(1, 91 if full_validity else 25):
        person = make_person(number, SEED)
        true = simulate_visit(person, 1, SEED, SECONDS)
        rng = named_rng(SEED, "site", number)
        rate = person.hospital.rate_hz
        chain = {
            "line": draw_line(person.hospital, rng),
            "transducer": draw_transducer(person.hospital, rng),
            "stored_rate_hz": rate,
            "ventricle": true["rv"],
        }
        floats = Handling(migrated=((25.0, SECONDS + 1),), flush=((3.0, 4.1),))
        t = np.arange(8.0, 48.0, 0.1)
        row = {}
        for name, site, handling in (
            ("rv", "RV", None), ("pa", "PA", None), ("cvp", "RA", None), ("moved", "RV", floats),
        ):  # fmt: skip
            pressure = true["rv" if name == "moved" else name]
            samples = store(pressure, RATE_HZ, rng, handling=handling, elsewhere=true["pa"], **chain)
            said = assess(Channel("rv", "p", "mmHg", rate, 0.0, samples)).site_at(t)
            if name == "moved":
                keep = np.abs(t - 25.0) > 3.0
                row[name] = np.mean((said == np.where(t < 25.0, "RV", "PA"))[keep])
            else:
                row[name] = np.mean(said == site)
        step_up = np.percentile(true["pa"], 5) - np.percentile(true["rv"], 5)
        row["step_up"] = step_up / np.ptp(np.percentile(true["rv"], [5, 95]))
        found.append(row)
    return found


def test_the_chamber_is_found_in_nearly_every_virtual_patient(shares, capsys):
    apart = [row for row in shares if row["step_up"] > LEAST_STEP_UP]
    means = {name: float(np.mean([row[name] for row in apart])) for name in ("rv", "pa", "cvp", "moved")}
    with capsys.disabled():
        listed = ", ".join(f"{name} {value:.1%}" for name, value in means.items())
        print(f"\nvirtual hospitals, right seconds in {len(apart)} of {len(shares)} patients: {listed}")
        for low, high in ((-1.0, 0.1), (0.1, 0.15), (0.15, 0.2), (0.2, 0.25), (0.25, 0.35), (0.35, 1.0)):
            part = [row["pa"] for row in shares if low < row["step_up"] <= high]
            if part:
                print(
                    f"  step up {low:.2f} to {high:.2f} of pulse: artery {np.mean(part):.0%} of {len(part)}"
                )
    assert len(apart) >= 0.6 * len(shares)
    assert min(means.values()) >= 0.95


def test_the_ventricle_is_found_also_where_the_artery_looks_like_it(shares):
    assert np.mean([row["rv"] for row in shares]) >= 0.97
