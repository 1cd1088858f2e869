"""The signature on cohorts with known truth: corrected discrimination, its interval, false claims.

Setting: 40 features in 8 blocks of 5 (correlation .8 inside a block), 3 covariates, 4 causal features in 4
blocks, or none. The truth is the discrimination of the very signature that was fitted, in 20,000 patients.
Limits: corrected value within .015 of the truth on average, the interval covering it in at least 90 %
(approximate 95 %, as for the gain of single markers), and without a causal feature "better than the base
model" in at most 5 %, each up to Monte Carlo error.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import build_design
from discovery.kernels.concordance import auc, concordance
from discovery.markers.signature_judged import BETTER, signature_of
from discovery.study import Outcome

BLOCKS, BLOCK, RHO = 8, 5, 0.8
NAMES = [f"f{k:02d}" for k in range(BLOCKS * BLOCK)]
SIGNALS = {"four": [0.5, 0.4, 0.3, 0.25], "none": [0.0] * 4}


def cohort(rng, n, kind, effects):
    common = np.repeat(rng.normal(size=(n, BLOCKS)), BLOCK, axis=1)
    x = np.sqrt(RHO) * common + np.sqrt(1 - RHO) * rng.normal(size=(n, BLOCKS * BLOCK))
    z = rng.normal(size=(n, 3))
    eta = z @ [0.4, 0.3, 0.0] + x[:, : 4 * BLOCK : BLOCK] @ np.asarray(effects)
    ids = np.array([f"p{k:05d}" for k in range(n)])
    if kind == "survival":
        time, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
        parts = {"time": np.minimum(time, censored), "status": (time <= censored).astype(float)}
    else:
        parts = {"value": (rng.random(n) < 1 / (1 + np.exp(-1.3 * eta))).astype(float)}
    outcome = Outcome(name="y", kind=kind, label="y", patient_id=ids, **parts)
    return (
        outcome,
        pd.DataFrame(z, index=ids, columns=["z1", "z2", "z3"]),
        pd.DataFrame(x, index=ids, columns=NAMES),
    )


def one_run(seed, n, kind, signal) -> dict:
    rng = np.random.default_rng([seed, n])
    design = build_design(*cohort(rng, n, kind, SIGNALS[signal]))
    found = signature_of(design, seed=seed, draws=60)
    new = build_design(
        *cohort(rng, 20_000, kind, SIGNALS[signal]), scaling=design.scaling, coding=design.coding
    )
    first = 0 if kind == "survival" else 1
    columns = np.column_stack([new.base, new.features[:, list(found.fit.markers)]])
    score = columns @ found.fit.coef[first:]
    measured = concordance(new.time, new.event, score) if kind == "survival" else auc(new.y, score)
    row = found.performance.set_index("model").loc["signature"]
    return {
        "truth": float(measured.value[0]),
        "apparent": row["apparent"],
        "corrected": row["corrected"],
        "covered": row["ci_low"] <= measured.value[0] <= row["ci_high"],
        "better": found.verdict == BETTER,
        "slope": row["calibration_slope"],
        "markers": len(found.fit.markers),
    }


def tally(runs: pd.DataFrame, kind, n, signal) -> dict:
    return {
        "outcome_kind": kind,
        "truth": signal,
        "n": n,
        "runs": len(runs),
        "apparent_less_truth": (runs["apparent"] - runs["truth"]).mean(),
        "corrected_less_truth": (runs["corrected"] - runs["truth"]).mean(),
        "se_of_that": (runs["corrected"] - runs["truth"]).std(ddof=1) / np.sqrt(len(runs)),
        "interval_coverage": runs["covered"].mean(),
        "said_better": runs["better"].mean(),
        "median_markers": runs["markers"].median(),
    }


SETTINGS = [(kind, n, signal) for kind in ("survival", "binary") for n in (150, 400) for signal in SIGNALS]


@pytest.mark.validity
@pytest.mark.parametrize(("kind", "n", "signal"), SETTINGS)
def test_corrected_values_are_true_and_noise_is_not_called_better(full_validity, kind, n, signal):
    runs = pd.DataFrame([one_run(seed, n, kind, signal) for seed in range(200 if full_validity else 5)])
    row = tally(runs, kind, n, signal)
    print(" ".join(f"{k} {v:.3g}" if isinstance(v, float) else f"{k} {v}" for k, v in row.items()))
    assert abs(row["corrected_less_truth"]) < 0.015 + 4 * row["se_of_that"]
    assert stats.binom.cdf(round(row["interval_coverage"] * len(runs)), len(runs), 0.90) > 0.001
    if signal == "none":
        assert runs["better"].sum() <= stats.binom.ppf(0.999, len(runs), 0.05)
