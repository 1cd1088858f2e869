"""Simulations of missing data with known truth: bias, coverage, level of pooled answers and complete cases.

The truth is drawn here, the nominal level is 95 %, and the limits are binomial. Values are missing at
random given a covariate and the outcome (about 30 %), or cut off by the device. Reduced by default;
`--validity` runs 400 studies a cell, and shared/operating_missing_data.csv is what `--tables` wrote.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from simulated_events import numbered

from discovery.association.design import build_design
from discovery.association.outcome_models import fit_columns, standardised_outcome
from discovery.cohort.imputation import complete, plan_imputation
from discovery.cohort.imputed_fits import fit_imputed
from discovery.seeds import named_rng
from discovery.study import Outcome
from discovery.study.limits import Limits

pytestmark = pytest.mark.validity
SEED = 20261125
SEEDS = {"recurrent": 20261127}  # a changed method is judged anew
TABLE = "operating_missing_data.csv"
STANDARD_ERRORS = 3.5
N = 200
FRAILTY = 0.5  # variance of the rate of episodes between patients alike in all that is measured
# kind, true effect per unit, what is missing, allowed bias of the pooled effect in full. A Cox effect is
# biased to 0 by linear imputation given the hazard of all: the methods note measured .456 for .50 (its
# section 6.2), which counts and episodes may be off by in proportion; given each patient's own hazard, by
# less.
CELLS = [
    ("continuous", 0.5, "at random", 0.02),
    ("binary", 0.5, "at random", 0.06),
    ("survival", 0.5, "at random", 0.03),
    ("continuous", 0.0, "at random", 0.02),
    ("binary", 0.0, "at random", 0.05),
    ("survival", 0.0, "at random", 0.03),
    ("count", 0.4, "at random", 0.035),
    ("recurrent", 0.4, "at random", 0.035),
    ("count", 0.0, "at random", 0.02),
    ("recurrent", 0.0, "at random", 0.02),
    ("ordinal", 0.5, "at random", 0.03),
    ("ordinal", 0.0, "at random", 0.03),
    ("continuous", 0.5, "beyond a limit", 0.02),
    ("survival", 0.5, "beyond a limit", 0.03),
]


def drawn_study(kind, effect, gaps, rng):
    z = rng.normal(size=N)
    x = 0.5 * z + np.sqrt(0.75) * rng.normal(size=N)
    helper = 0.7 * x + np.sqrt(0.51) * rng.normal(size=N)
    pull = effect * x + 0.5 * z
    ids = np.array([f"p{i:04d}" for i in range(N)])
    index = pd.Index(ids, name="patient_id")
    given = {"name": "out", "label": "out", "kind": kind, "patient_id": ids}
    unit = 1.0
    if kind == "survival":
        time, censor = rng.exponential(size=N) * np.exp(-pull), rng.exponential(1.5, size=N)
        happened = (time <= censor).astype(float)
        given |= {"time": np.minimum(time, censor), "status": happened}
    elif kind == "binary":
        happened = (pull + rng.logistic(size=N) > 0).astype(float)
        given["value"] = happened
    elif kind == "ordinal":
        value = np.digitize(pull + rng.logistic(size=N), [-1.2, 0.2, 1.5]).astype(float)
        happened = (value > 1).astype(float)
        given |= {"value": value, "categories": tuple("abcd")}
    elif kind in ("count", "recurrent"):
        watched = rng.uniform(0.5, 1.5, N)
        number = rng.poisson(1.5 * watched * np.exp(pull) * rng.gamma(1 / FRAILTY, FRAILTY, N))
        happened = (number > 1).astype(float)
        given |= numbered(kind, number, watched, rng)
    else:
        value = pull + rng.normal(size=N)
        unit, happened = value.std(ddof=1), (value > 0).astype(float)
        given["value"] = value
    limits = None
    if gaps == "at random":
        gone = rng.random(N) < 1 / (1 + np.exp(1.1 - z - (happened - 0.5)))
    else:
        gone = x > 0.7
        above = pd.DataFrame({"x": np.where(gone, 0.7, np.nan)}, index=index)
        limits = Limits(below=above.iloc[:, :0], above=above)
    features = pd.DataFrame({"x": np.where(gone, np.nan, x), "helper": helper}, index=index)
    design = build_design(Outcome(**given), pd.DataFrame({"z": z}, index=index), features, winsor=False)
    return design, limits, unit / design.scaling.table.loc["x", "sd"]


def answers(kind, effect, gaps, run):
    """(estimate, low, high, p) per unit of x, pooled and of complete cases; None: nothing was imputed."""
    design, limits, unit = drawn_study(
        kind, effect, gaps, named_rng(SEEDS.get(kind, SEED), "missing", kind, str(effect), gaps, run)
    )
    plan = plan_imputation(design, limits)
    if not plan.columns.size:
        return None
    pooled = fit_imputed(design, complete(design, plan, imputations=20, seed=run))
    alone = fit_columns(
        standardised_outcome(design).response, design.base, design.features, observed=design.observed
    )
    return [
        [pooled.coef[0, -1] * unit, pooled.ci_low[0] * unit, pooled.ci_high[0] * unit, pooled.p_value[0]],
        [alone.fit.coef[0, -1] * unit, alone.ci_low[0] * unit, alone.ci_high[0] * unit, alone.p_value[0]],
    ]


def test_pooled_answers_are_unbiased_and_cover(full_validity, capsys, measured):
    runs = 400 if full_validity else 25
    rows, outside = [], []
    for kind, effect, gaps, bias in CELLS:
        found = [answers(kind, effect, gaps, run) for run in range(runs)]
        values = np.array([one for one in found if one is not None])
        for k, model in enumerate(("pooled", "complete cases")):
            estimate, low, high, p = values[:, k].T
            covered = (low <= effect) & (effect <= high)
            known = np.isfinite(low) & np.isfinite(high)
            rows.append(
                {
                    "outcome": kind, "truth": effect, "missing": gaps, "model": model, "n": N,
                    "studies": len(values), "mean": estimate.mean(), "sd": estimate.std(ddof=1),
                    "coverage": covered[known].mean(), "width": (high - low)[known].mean(),
                    "rejected_at_05": (p <= 0.05).mean(), "seed": SEEDS.get(kind, SEED),
                }
            )  # fmt: skip
        row = rows[-2]
        error = STANDARD_ERRORS * np.sqrt(0.05 * 0.95 / len(values))
        if abs(row["coverage"] - 0.95) > error:
            outside.append(row)
        if effect == 0 and row["rejected_at_05"] > 0.05 + error:
            outside.append(row)
        if abs(row["mean"] - effect) > bias + STANDARD_ERRORS * row["sd"] / np.sqrt(len(values)):
            outside.append(row)
        # what imputation is for: a narrower interval than that of the complete cases
        if gaps == "at random" and full_validity and not row["width"] < rows[-1]["width"]:
            outside.append(row)
    for each in rows:
        measured(TABLE, {name: round(v, 4) if isinstance(v, float) else v for name, v in each.items()})
    with capsys.disabled():
        print("\n" + pd.DataFrame(rows).round(4).to_csv(index=False))
    assert not outside, outside
