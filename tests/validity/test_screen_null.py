"""Simulations of the screen with known truth: level of single tests, familywise error, false discoveries.

The truth is known because it is drawn here. What is expected is the nominal level or, for small samples, the
rate measured for the methods note (its sections 3.1-3.3, simulated apart from this code); the limits are
binomial. Reduced by default; `--validity` runs 10 times as many and adds the level .001.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import build_design
from discovery.association.maxt import max_t
from discovery.association.multiplicity import adjust
from discovery.association.outcome_models import fit_columns
from discovery.association.screen import screen
from discovery.seeds import named_rng
from discovery.study import Outcome

pytestmark = pytest.mark.validity
SEED = 20261125
TABLE = "operating_screen.csv"
STANDARD_ERRORS = 3.5  # two-sided chance of a false alarm of this file: 5e-4 per rate


def draw(kind, rng, *, n, p, events=None, skewed=False, confounding=0.7, effect=None, features=None):
    """A study in which every feature follows the confounder z, and only z drives the outcome (beside
    `effect` of the features)."""
    z = rng.normal(size=n)
    if features is None:
        features = confounding * z[:, None] + np.sqrt(1 - confounding**2) * rng.normal(size=(n, p))
    pull = z if effect is None else z * 0.5 + features @ effect
    x = np.exp(features) if skewed else features
    ids = np.array([f"p{i}" for i in range(n)])
    given = {"name": "out", "label": "out", "kind": kind, "patient_id": ids}
    if kind == "continuous":
        given["value"] = pull + rng.normal(size=n)
    elif kind == "binary":
        # `events` cases, taken at random with odds that follow `pull`
        score = pull + rng.logistic(size=n)
        given["value"] = (score >= np.sort(score)[n - events]).astype(float)
    else:
        time = rng.exponential(size=n) * np.exp(-pull)
        censor = np.sort(time)[events - 1] * rng.uniform(0.999, 3, size=n) if events < n else np.inf
        keep = np.sort(time)[min(events, n) - 1]
        censor = np.minimum(censor, keep)
        given |= {"time": np.minimum(time, censor), "status": (time <= censor).astype(float)}
    index = pd.Index(ids, name="patient_id")
    covariates = pd.DataFrame({"z": z}, index=index)
    table = pd.DataFrame(x, columns=[f"f{j}" for j in range(x.shape[1])], index=index)
    return build_design(Outcome(**given), covariates, table)


def within(rate, expected, tests, *, reference_tests=np.inf):
    """Whether `rate` over `tests` is what chance allows around `expected`, itself measured on
    `reference_tests`."""
    return abs(rate - expected) <= STANDARD_ERRORS * np.sqrt(
        expected * (1 - expected) * (1 / tests + 1 / reference_tests)
    )


def show(capsys, lines):
    with capsys.disabled():
        print("\n" + "\n".join(lines))


# kind, n, events, skewed: rate at .05 and at .001 that the methods note measured for the p-value used here
# (LR for Cox, penalised LR for logistic with few events), each on about 4800 tests
CELLS = [
    ("survival", 60, 12, False, 0.064, 0.0027),
    ("survival", 60, 12, True, 0.063, 0.0021),
    ("survival", 150, 45, False, 0.056, 0.0015),
    ("survival", 150, 45, True, 0.056, 0.0021),
    ("binary", 60, 12, False, 0.042, 0.0010),
    ("binary", 60, 12, True, 0.037, 0.0000),
    ("binary", 150, 15, False, 0.047, 0.0017),
    ("binary", 150, 15, True, 0.050, 0.0008),
    ("binary", 300, 120, False, 0.05, 0.001),
    ("continuous", 60, None, False, 0.05, 0.001),
    ("continuous", 150, None, True, 0.05, 0.001),
]


def test_single_tests_keep_their_level_with_a_confounder(full_validity, capsys, measured):
    runs, p = (400 if full_validity else 50), 60
    lines, outside = ["type I error: kind, n, events, skewed, rate at .05 (expected), at .001 (expected)"], []
    for cell, (kind, n, events, skewed, at_05, at_001) in enumerate(CELLS):
        values = []
        for run in range(runs):
            design = draw(kind, named_rng(SEED, "type I", cell, run), n=n, p=p, events=events, skewed=skewed)
            values.append(fit_columns(design.response, design.base, design.features, intervals=False).p_value)
        p_values = np.concatenate(values)
        tested = np.isfinite(p_values).sum()
        assert tested > 0.98 * p_values.size
        rate, rare = np.nanmean(p_values <= 0.05), np.nanmean(p_values <= 0.001)
        for level, found, expected in ((0.05, rate, at_05), (0.001, rare, at_001)):
            row = {
                "quantity": f"type I error at {level:g}",
                "kind": kind,
                "n": n,
                "events": events,
                "skewed": skewed,
            }
            row |= {"expected": expected, "found": found, "of": int(tested), "seed": SEED}
            measured(TABLE, row)
        lines.append(
            f"  {kind:10} {n:4} {events!s:>5} {skewed!s:5} {rate:.4f} ({at_05}) {rare:.5f} ({at_001})"
        )
        if not (within(rate, at_05, tested, reference_tests=4800) or within(rate, 0.05, tested)):
            outside.append(lines[-1])
        if (
            full_validity and rare > 0.0045
        ):  # the note: LR p stay at .0019-.0027 where the score reaches .0107
            outside.append(lines[-1] + " at .001")
    show(capsys, lines)
    assert not outside, outside


@pytest.mark.parametrize(
    ("kind", "n", "events", "skewed"),
    [
        ("survival", 80, 35, False),
        ("survival", 200, 88, True),
        ("binary", 80, 30, False),
        ("binary", 100, 20, True),
        ("continuous", 80, None, True),
    ],
)
def test_permutation_p_keeps_the_familywise_error(kind, n, events, skewed, full_validity, capsys, measured):
    """Right-skewed features spread more where the confounder is high, and so do residuals: permuting them
    across all patients would err in .13 to .17 of studies here, leaving the confounder out in nearly all."""
    runs, draws = (2000 if full_validity else 250), 199
    hits, naive, naive_runs = 0, 0, runs // 10
    for run in range(runs):
        rng = named_rng(SEED, "familywise", kind, n, run)
        design = draw(kind, rng, n=n, p=40, events=events, skewed=skewed)
        hits += max_t(design, permutations=draws, rng=rng).p_familywise.min() <= 0.05
        if run < naive_runs:
            bare = replace(design, base=design.base[:, :0], terms=())
            naive += max_t(bare, permutations=draws, rng=rng).p_familywise.min() <= 0.05
    line = f"{kind:10} n {n:3}, {'skewed' if skewed else 'normal'} features: {hits / runs:.3f}"
    row = {"quantity": "familywise error at 0.05", "kind": kind, "n": n, "events": events, "skewed": skewed}
    measured(TABLE, row | {"expected": 0.05, "found": hits / runs, "of": runs, "seed": SEED})
    show(capsys, [f"familywise error at .05, {line}; without the confounder {naive / naive_runs:.2f}"])
    assert naive / naive_runs > 0.5
    # the methods note measured .054 for Cox at n = 80 on 500 runs; too careful is no fault
    assert hits / runs < 0.05 or within(hits / runs, 0.054, runs)


def block_features(rng, n, blocks=12, size=5, rho=0.8):
    shared = np.repeat(rng.normal(size=(n, blocks)), size, axis=1)
    return np.sqrt(rho) * shared + np.sqrt(1 - rho) * rng.normal(size=(n, blocks * size))


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_false_discovery_rate_under_block_correlation(kind, full_validity, capsys, measured):
    """A find is false when no feature of its block acts on the outcome."""
    runs = 600 if full_validity else 80
    effect = np.zeros(60)
    effect[[0, 10, 20, 30, 40]] = 0.6
    null = np.repeat(np.arange(12), 5) % 2 == 1
    null[50:] = True
    share, power = [], []
    for run in range(runs):
        rng = named_rng(SEED, "fdr", kind, run)
        features = block_features(rng, 150)
        design = draw(kind, rng, n=150, p=60, events=75, effect=effect, features=features)
        found = screen(design, multiplicity="bh", fdr=0.1, permutations=0).q_value <= 0.1
        share.append((found & null).sum() / max(found.sum(), 1))
        power.append((found & ~null).sum() / (~null).sum())
    rate, error = np.mean(share), np.std(share) / np.sqrt(runs)
    row = {
        "quantity": "false discovery rate at 0.1, blocks",
        "kind": kind,
        "n": 150,
        "events": 75,
        "skewed": False,
    }
    measured(TABLE, row | {"expected": 0.1, "found": rate, "of": runs, "seed": SEED})
    show(
        capsys,
        [f"false discovery rate at .1, {kind}: {rate:.3f} (se {error:.3f}), power {np.mean(power):.2f}"],
    )
    assert rate <= 0.1 + STANDARD_ERRORS * error
    assert np.mean(power) > 0.2


def correlation_p(features, y):
    """Two-sided p of each column's correlation with y: the plainest screen there is."""
    centred = features - features.mean(axis=0)
    r = centred.T @ (y - y.mean()) / np.sqrt((centred**2).sum(axis=0) * ((y - y.mean()) ** 2).sum())
    return 2 * stats.t.sf(np.abs(r) * np.sqrt((len(y) - 2) / (1 - r**2)), len(y) - 2)


def test_error_rate_inside_selected_outcomes(full_validity, capsys, measured):
    """12 outcomes of 60 features each, 3 of them with 5 true blocks: inside the outcomes that were
    picked, the average error stays below the level, and pooling all tests exceeds it."""
    runs, level = (4000 if full_validity else 400), 0.1
    acting = np.array([0, 10, 20, 30, 40])
    error = {"selected-cells": [], "bh": []}
    alarms = []
    for run in range(runs):
        rng = named_rng(SEED, "cells", run)
        p, null = {}, {}
        for cell in range(12):
            features = block_features(rng, 150)
            true = cell < 3
            pull = features[:, acting].sum(axis=1) * 0.22 if true else 0.0
            p[f"{cell}"] = correlation_p(features, pull + rng.normal(size=150))
            null[f"{cell}"] = ~np.isin(np.arange(60) // 5, acting // 5) if true else np.ones(60, dtype=bool)
        for method, errors in error.items():
            found = {cell: q <= level for cell, q in adjust(p, method, level).q_value.items()}
            shares = [(f & null[cell]).sum() / f.sum() for cell, f in found.items() if f.any()]
            errors.append(np.mean(shares or [0.0]))
        empty = {cell: p[cell] for cell in p if int(cell) >= 3}
        alarms.append(
            any((q <= level).any() for q in adjust(empty, "selected-cells", level).q_value.values())
        )
    selected, pooled = np.mean(error["selected-cells"]), np.mean(error["bh"])
    se = np.std(error["selected-cells"]) / np.sqrt(runs)
    row = {
        "quantity": "mean error inside picked outcomes at 0.1",
        "kind": "continuous",
        "n": 150,
        "skewed": False,
    }
    measured(TABLE, row | {"expected": level, "found": selected, "of": runs, "seed": SEED})
    show(
        capsys,
        [
            f"mean error inside picked outcomes at {level}: selected-cells {selected:.3f} (se {se:.3f}), "
            f"pooled {pooled:.3f}; any find when nothing is true {np.mean(alarms):.3f}"
        ],
    )
    assert selected <= level + STANDARD_ERRORS * se
    assert pooled > selected
    assert np.mean(alarms) < level or within(np.mean(alarms), level, runs)
