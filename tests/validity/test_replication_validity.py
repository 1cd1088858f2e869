"""Replication on cohorts with known truth: false success, coverage of the prediction interval, words.

Setting: 60 features in 12 blocks (correlation .8 inside a block), 5 of them causal in 5 blocks, 3 covariates;
the causal effects of each cohort stray with SD .1 around common ones, null effects are 0. Findings are chosen
by the whole run on the first cohort, frozen, and tested in a second cohort. A success is false where the
feature belongs to a block without a causal feature.

Limits: false success in at most 1 % of replications, the prediction interval holding the second estimate
in at least 95 %, each up to Monte Carlo error of the runs done here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

BLOCKS, BLOCK, RHO, TAU = 12, 5, 0.8, 0.1
FEATURES = BLOCKS * BLOCK
CAUSAL = np.arange(5) * BLOCK
EFFECTS = np.array([0.5, 0.4, 0.3, 0.25, 0.2])
NAMES = [f"f{k:02d}" for k in range(FEATURES)]
TEXT = """[study]
name = "simulated"
seed = {seed}
[patients]
file = "patients.csv"
id = "patient_id"
adjust_for = ["z1", "z2", "z3"]
[features]
file = "features.csv"
[[outcomes]]
name = "outcome"
kind = "{kind}"
{columns}
[analysis]
replicates = 60
permutations = 0
phenotypes = false
imputations = 0
workers = 1
"""
COLUMNS = {
    "survival": 'time = "time"\nstatus = "status"\nevent = 1',
    "binary": 'column = "status"',
}


def write_cohort(folder, rng, n, kind, effects, seed):
    common = np.repeat(rng.normal(size=(n, BLOCKS)), BLOCK, axis=1)
    x = np.sqrt(RHO) * common + np.sqrt(1 - RHO) * rng.normal(size=(n, FEATURES))
    z = rng.normal(size=(n, 3))
    strayed = effects + np.where(effects != 0, rng.normal(0, TAU, effects.size), 0.0)
    eta = z @ [0.4, 0.3, 0.2] + x[:, ::BLOCK] @ strayed
    time, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
    status = (time <= censored) if kind == "survival" else rng.random(n) < 1 / (1 + np.exp(-1.3 * eta))
    ids = [f"p{k:04d}" for k in range(n)]
    patients = pd.DataFrame(z, columns=["z1", "z2", "z3"]).assign(
        patient_id=ids, time=np.minimum(time, censored), status=status.astype(int)
    )
    folder.mkdir(parents=True, exist_ok=True)
    patients.to_csv(folder / "patients.csv", index=False)
    pd.DataFrame(x, columns=NAMES).assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    text = TEXT.format(seed=seed, kind=kind, columns=COLUMNS[kind])
    (folder / "study.toml").write_text(text)
    return folder / "study.toml"


def replicated_once(folder, seed, kind, n_first, n_second, effects) -> pd.DataFrame:
    from discovery.markers.second_cohort import replicate_findings
    from discovery.pipeline.progress import Silent
    from discovery.pipeline.run import analyse
    from discovery.study import read_study

    rng = np.random.default_rng([seed, n_first, n_second])
    first = read_study(write_cohort(folder / "first", rng, n_first, kind, effects, seed))
    frozen = analyse(first, workers=1, progress=Silent())[2]
    second = read_study(write_cohort(folder / "second", rng, n_second, kind, effects, seed))
    return replicate_findings(frozen, second).findings.assign(seed=seed)


def tally(runs: list[pd.DataFrame], kind, n_first, n_second, truth) -> dict:
    """One row of the table of operating characteristics."""
    found = pd.concat([run for run in runs if len(run)], ignore_index=True)
    block = found["feature"].str[1:].astype(int) // BLOCK
    false = ~block.isin(np.flatnonzero(EFFECTS)) if truth == "five" else pd.Series(True, index=found.index)
    held = found["verdict"].str.startswith("replicated")
    inside = found["estimate"].between(found["prediction_low"], found["prediction_high"])
    failed = found.loc[held & false, "seed"].nunique()
    return {
        "outcome_kind": kind,
        "truth": truth,
        "n_first": n_first,
        "n_second": n_second,
        "tau": TAU,
        "runs": len(runs),
        "frozen_findings": len(found),
        "false_findings_frozen": int(false.sum()),
        "runs_with_false_success": failed,
        "false_success_upper_95": stats.beta.ppf(0.975, failed + 1, len(runs) - failed),
        "interval_coverage": inside.mean(),
        "true_success": (held & ~false).sum() / max((~false).sum(), 1),
        "ratio_to_first": (found["estimate"] / found["estimate_first"])[~false].median(),
        "ratio_to_shrunk": (found["estimate"] / found["shrunk_first"])[~false].median(),
    }


def binomial_ok(successes: int, runs: int, least: float) -> bool:
    """Whether `successes` of `runs` can come from a rate of `least` or more (one-sided, .001)."""
    return stats.binom.cdf(successes, runs, least) > 0.001


SETTINGS = [("survival", 150, 300), ("survival", 500, 300), ("binary", 300, 300)]


@pytest.mark.validity
@pytest.mark.parametrize(("kind", "n_first", "n_second"), SETTINGS)
def test_a_null_marker_seldom_succeeds_and_the_interval_holds(
    tmp_path, full_validity, kind, n_first, n_second
):
    effects = np.zeros(BLOCKS)
    effects[: EFFECTS.size] = EFFECTS
    runs = [
        replicated_once(tmp_path / f"{seed}", seed, kind, n_first, n_second, effects)
        for seed in range(200 if full_validity else 3)
    ]
    row = tally(runs, kind, n_first, n_second, "five")
    print(
        " ".join(
            f"{key} {value:.3g}" if isinstance(value, float) else f"{key} {value}"
            for key, value in row.items()
        )
    )
    assert row["runs_with_false_success"] <= stats.binom.ppf(0.999, len(runs), 0.01)
    inside = round(row["interval_coverage"] * row["frozen_findings"])
    assert binomial_ok(inside, row["frozen_findings"], 0.95)
    assert row["frozen_findings"] > len(runs)
