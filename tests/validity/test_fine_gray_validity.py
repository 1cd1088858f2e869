"""Fine-Gray regression with delayed entry on simulated cohorts: bias, errors, coverage of the intervals.

The log subdistribution hazard ratio is planted (Fine and Gray's own scheme, half of the patients at x = 0
having the event in the end). A cohort is of patients whose entry came before their first event or censoring.
Entries are from the start on for a third of those that could enter, spread over the time in which half of the
events come, or few at first, so that early risk sets hold a handful. Censoring is independent, or follows
entry after a fixed time, which makes it depend on entry. In the hard cells the covariate is skewed and
stands beside three others, one correlated with it and one of two values. `coverage` is of the interval given,
`coverage_sandwich` of 1.96 standard errors. `--tables` wrote shared/operating_fine_gray.csv.
"""

from __future__ import annotations

import numpy as np
import pytest

from discovery.problems import InputError
from discovery.seeds import named_rng
from discovery.survival.fine_gray import fine_gray

pytestmark = pytest.mark.validity
SEED = 20261127
TABLE = "operating_fine_gray.csv"
STANDARD_ERRORS = 3.5
PLAIN, HARD = "normal", "skewed, beside three others"
CELLS = [
    (entry, censoring, covariate, n, effect)
    for entry, censoring, covariate in (
        ("all at the start", "independent", PLAIN),
        ("a third at the start", "independent", PLAIN),
        ("a third at the start", "after entry", PLAIN),
        ("spread", "independent", PLAIN),
        ("spread", "after entry", PLAIN),
        ("few at first", "after entry", PLAIN),
        ("all at the start", "independent", HARD),
        ("spread", "independent", HARD),
    )
    for n in (100, 200, 400)
    for effect in (0.0, 0.5)
]


def cohort(rng, entry, censoring, covariate, n, effect):
    """Time, status, entry and covariates (n, 1 or 4) of n patients; the planted effect is the last one's."""
    size = 12 * n
    x = rng.normal(size=size) if covariate == PLAIN else (rng.gamma(2, size=size) - 2) / np.sqrt(2)
    others = np.empty((size, 0))
    if covariate == HARD:
        others = rng.normal(size=(size, 3))
        others[:, 0] = np.sqrt(0.75) * others[:, 0] + 0.5 * x
        others[:, 1] = others[:, 1] > 0.8
    ratio, p = np.exp(effect * x + 0.3 * others.sum(axis=1)), 0.5
    share = 1 - (1 - p) ** ratio
    first, u = rng.random(size) < share, rng.random(size) * share
    time = np.where(first, -np.log(1 - (1 - (1 - u) ** (1 / ratio)) / p), rng.exponential(1, size))
    came = {
        "all at the start": lambda: np.zeros(size),
        "a third at the start": lambda: np.maximum(rng.uniform(-0.5, 1, size), 0),
        "spread": lambda: rng.uniform(0, 1, size),
        "few at first": lambda: rng.gamma(3, 0.25, size),
    }[entry]()
    limit = rng.exponential(1.5, size) if censoring == "independent" else came + 1
    status = np.where(limit < time, 0, np.where(first, 1, 2))
    time = np.minimum(time, limit)
    seen = np.flatnonzero(came < time)[:n]
    assert len(seen) == n
    return time[seen], status[seen], came[seen], np.column_stack([others, x])[seen]


@pytest.mark.parametrize(("entry", "censoring", "covariate", "n", "effect"), CELLS)
def test_the_planted_effect_is_found_and_covered(
    entry, censoring, covariate, n, effect, full_validity, measured
):
    runs = 2000 if full_validity else 100
    fits, known, refused = [], [], 0
    for run in range(runs):
        rng = named_rng(SEED, "fine-gray", entry, censoring, covariate, n, effect, run)
        time, status, came, x = cohort(rng, entry, censoring, covariate, n, effect)
        try:
            fits.append(fine_gray(time, status, x, entry=came))
        except InputError:  # an empty risk set after a competing event
            refused += 1
            continue
        known.append(fine_gray(time, status, x, entry=came, variance="censoring known").limits[-1])
    done = len(fits)
    off = np.array([fit.coef[-1] for fit in fits]) - effect
    se = np.array([fit.se[-1] for fit in fits])
    covered = float(np.mean(holds(np.array([fit.limits[-1] for fit in fits]), effect)))
    row = {"entry": entry, "censoring": censoring, "covariate": covariate, "n": n, "effect": effect}
    sandwich = np.abs(off) < 1.959964 * se
    numbers = {
        "bias": off.mean(),
        "sd": off.std(ddof=1),
        "mean_se": se.mean(),
        "coverage": covered,
        "coverage_sandwich": sandwich.mean(),
        "coverage_weights_known": np.mean(holds(np.array(known), effect)),
    }
    row |= {"events": round(float(np.mean([fit.events for fit in fits])), 1)}
    row |= {name: round(float(value), 4) for name, value in numbers.items()}
    measured(TABLE, row | {"studies": done, "refused": refused, "seed": SEED})
    print(row)
    # Few events bias the maximum away from 0 a little; intervals by t are rather too wide than too narrow.
    assert abs(off.mean()) < 4 / n + STANDARD_ERRORS * off.std() / np.sqrt(done)
    chance = STANDARD_ERRORS * np.sqrt(0.95 * 0.05 / done)
    assert 0.94 - chance < covered < 0.97 + chance
    assert refused <= 0.03 * runs


def holds(limits, effect):
    return (limits[:, 0] < effect) & (effect < limits[:, 1])
