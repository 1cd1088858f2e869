"""How often Gray's test with delayed entry errs where the groups have one incidence of the event.

Half of the patients have the event in the end, the others a competing one, of which the hazard may be three
times as high in one group. Entry is that of test_fine_gray_validity, or differs: one group as "a third at the
start", the other "spread". "few at first" starts the events after the first entries, since of earlier ones
only the incidence among those still without an event is known, and that would differ with the competing
hazard. `--tables` wrote shared/operating_gray.csv.
"""

from __future__ import annotations

import numpy as np
import pytest

from discovery.seeds import named_rng
from discovery.survival.logrank import grays_test

pytestmark = pytest.mark.validity
SEED, TABLE = 20261127, "operating_gray.csv"
CELLS = [
    (entry, groups, ratio, n)
    for entry in ("all at the start", "a third at the start", "spread", "by group", "few at first")
    for groups, ratio in ((2, 1), (2, 3), (3, 3))
    for n in (100, 300)
]


def cohort(rng, entry, groups, ratio, n):
    """Time, status, entry and group of n patients."""
    size = 12 * n
    group, mine = rng.integers(0, groups, size), rng.random(size) < 0.5
    time = rng.exponential(size=size) / np.where(mine | (group != 1), 1, ratio)
    third, spread = np.maximum(rng.uniform(-0.5, 1, size), 0), rng.uniform(0, 1, size)
    came = {
        "all at the start": np.zeros(size),
        "a third at the start": third,
        "spread": spread,
        "by group": np.where(group == 1, spread, third),
        "few at first": rng.gamma(3, 0.25, size),
    }[entry]
    time = time + 0.25 if entry == "few at first" else time
    limit = rng.exponential(1.5, size) if entry != "few at first" else came + 1
    status = np.where(limit < time, 0, np.where(mine, 1, 2))
    time = np.minimum(time, limit)
    seen = np.flatnonzero(came < time)[:n]
    assert len(seen) == n
    return time[seen], status[seen], came[seen], group[seen]


@pytest.mark.parametrize(("entry", "groups", "ratio", "n"), CELLS)
def test_it_errs_as_often_as_it_says(entry, groups, ratio, n, full_validity, measured):
    runs = 2000 if full_validity else 200
    p, broken = [], 0
    for run in range(runs):
        rng = named_rng(SEED, "gray", entry, groups, ratio, n, run)
        time, status, came, group = cohort(rng, entry, groups, ratio, n)
        test = grays_test(time, status, group, entry=came)
        p.append(test.p_value)
        broken += "without a break" in test.note
    assert not np.isnan(p).any()
    at_05, at_01 = (float(np.mean(np.array(p) <= level)) for level in (0.05, 0.01))
    row = {"entry": entry, "groups": groups, "competing_hazard_ratio": ratio, "n": n}
    row |= {"error_05": round(at_05, 4), "error_01": round(at_01, 4), "events_left_out": broken / runs}
    measured(TABLE, row | {"studies": runs, "seed": SEED})
    print(row)
    assert abs(at_05 - 0.05) < 0.01 + 3.5 * np.sqrt(0.05 * 0.95 / runs)
    assert abs(at_01 - 0.01) < 0.006 + 3.5 * np.sqrt(0.01 * 0.99 / runs)
