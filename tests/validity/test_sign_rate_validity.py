"""What stands between a small q and the word "candidate": the chance of a wrong sign, and whether it holds.

The cohorts are those of test_marker_gain (five causal features of unequal effect in five of 12 blocks). A
candidate needs q <= .05, which promises something of all candidates together, and a local false sign rate
<= .05, which promises it of each. Counted here, in studies without bootstrap draws since these have no say:
how many causal families hold a feature that passes one, the other, both; and how often, among the features
said to be wrong with a chance in some range, they are. A sign is wrong as well where the true effect is 0.

The rate is also made as if correlated features were independent ("features"): it then names more and is wrong
one and a half to three times as often as it says, which is why a run does not do that ("families").

`shared/operating_sign_rates.csv` holds what 400 studies a cell found; running this file as a program, with
the path of a table, makes it, in two minutes.
"""

from __future__ import annotations

import argparse
import itertools
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import test_marker_gain as marker_cohorts
from scipy import stats

from discovery.association.multiplicity import benjamini_hochberg
from discovery.markers.shrinkage import independent_features, shrink_effects

SEED, RUNS, LEVEL = 37, 400, 0.05
CELLS = [(kind, n) for kind in ("survival", "binary") for n in (100, 150, 500)]
BINS = (0.0, 0.01, 0.02, 0.05, 0.1)
COUNTED = ("families", "features")


def one_study(world, kind: str, n: int, seed: int) -> pd.DataFrame | None:
    """A row a feature: block, null, wrong (its sign), q, lfsr by what is counted; None where a fit failed."""
    x, z, first, event = world.cohort(np.random.default_rng([SEED, n, seed]), n, world.UNEQUAL, kind)
    x = (x - x.mean(axis=0)) / x.std(axis=0, ddof=1)
    fit = world.model_fit(kind, first, event, z, x)
    if fit.code.any():
        return None
    b, strength = fit.coef[:, -1], np.abs(fit.z)
    se = np.where(strength >= 1, np.abs(b) / np.maximum(strength, 1), fit.se)
    block = np.arange(b.size) // world.BLOCK
    null = ~np.isin(block, world.CAUSAL // world.BLOCK)
    worth = {"families": independent_features(x), "features": None}
    rates = {name: shrink_effects(b, se, independent=worth[name]).lfsr for name in COUNTED}
    q = benjamini_hochberg(2 * stats.norm.sf(strength))
    return pd.DataFrame(
        {"block": block, "null": null, "wrong": null | (b < 0), "q": q, "study": seed} | rates
    )


def rows_of(kind: str, n: int, studies: list[pd.DataFrame]) -> list[dict]:
    rows, everything = [], pd.concat(studies, ignore_index=True)
    about = {"kind": kind, "n": n, "runs": len(studies)}
    small = everything["q"] <= LEVEL
    for counted in COUNTED:
        lfsr = everything[counted]
        for what, chosen in (
            ("q <= .05", small),
            ("lfsr <= .05", lfsr <= LEVEL),
            ("candidate: both", small & (lfsr <= LEVEL)),
        ):
            rows.append(about | {"counted_as": counted, "chosen": what} | _found(everything[chosen], lfsr))
        for low, high in itertools.pairwise(BINS):
            here = (low <= lfsr) & (lfsr < high)
            what = f"lfsr {low:g} to {high:g}"
            rows.append(about | {"counted_as": counted, "chosen": what} | _found(everything[here], lfsr))
    return [row | {"seed": SEED} for row in rows]


def _found(chosen: pd.DataFrame, lfsr: pd.Series) -> dict[str, float]:
    """Of the features chosen: how many causal families of all, how often wrong, said and true.

    The standard error has the studies as clusters, since features of one are right or wrong together.
    """
    said, wrong, of = lfsr[chosen.index], chosen["wrong"].astype(float), max(len(chosen), 1)
    gap = (wrong - said).groupby(chosen["study"])
    share = (wrong - said).sum() / of
    error = np.sqrt(((gap.sum() - share * gap.size()) ** 2).sum()) / of
    true = chosen[~chosen["null"]]
    return {
        "features": len(chosen),
        "families": len(true.drop_duplicates(["study", "block"])),
        "said_wrong": round(said.sum() / of, 5),
        "is_wrong": round(wrong.sum() / of, 5),
        "se_of_difference": round(float(error), 5),
    }


def measure(world, kind: str, n: int, runs: int) -> list[dict]:
    studies = [one_study(world, kind, n, seed) for seed in range(runs)]
    return rows_of(kind, n, [study for study in studies if study is not None])


def kept(row: dict) -> bool:
    """Whether signs that are said to be wrong in at most .05 are so no more often than said.

    Up to 2.6 standard errors and a quarter of the level.
    """
    if row["counted_as"] != "families" or row["chosen"] == "q <= .05" or row["said_wrong"] > LEVEL:
        return True
    return row["is_wrong"] <= row["said_wrong"] + 0.0125 + 2.6 * row["se_of_difference"]


@pytest.mark.validity
def test_a_sign_is_wrong_as_often_as_said(full_validity):
    world = marker_cohorts
    for kind, n in CELLS if full_validity else CELLS[1:2]:
        for row in measure(world, kind, n, RUNS if full_validity else 60):
            assert kept(row), row


def test_the_committed_table_says_what_limits_a_candidate(shared):
    table = pd.read_csv(shared / "operating_sign_rates.csv")
    assert set(zip(table["kind"], table["n"])) == set(CELLS)
    for row in table.to_dict("records"):
        assert kept(row), row
        assert row["runs"] >= 0.99 * RUNS
    by = table.set_index("chosen").groupby(["kind", "n", "counted_as"])
    for kind, n in CELLS:
        own = by.get_group((kind, n, "families"))
        # q leaves room, the sign does not: nearly every feature with a sure sign has a small q
        assert own.loc["candidate: both", "features"] >= 0.97 * own.loc["lfsr <= .05", "features"]
        assert own.loc["q <= .05", "families"] > own.loc["candidate: both", "families"]
        naive = by.get_group((kind, n, "features")).loc["lfsr 0.02 to 0.05"]
        # with 500 patients the prior is known well enough that counting matters less
        assert naive["is_wrong"] > naive["said_wrong"] + (2 if n < 500 else 0) * naive["se_of_difference"]


def main() -> None:
    parser = argparse.ArgumentParser(description="Rows for shared/operating_sign_rates.csv, as they finish.")
    parser.add_argument("table", type=Path)
    args = parser.parse_args()
    world, rows = marker_cohorts, []
    for kind, n in CELLS:
        rows += [row | {"date": date.today().isoformat()} for row in measure(world, kind, n, RUNS)]
        pd.DataFrame(rows).to_csv(args.table, index=False)


if __name__ == "__main__":
    main()
