"""Verdict words on cohorts with known truth: how often a feature without effect is called a candidate.

The cohorts are those of test_marker_gain: 60 features in 12 blocks (correlation .8 inside a block), 4
covariates, five causal features in five blocks of their own, or none. A feature is null where its whole block
has no effect. Screen, multiplicity, bootstrap draws and words are those of a run.

What is promised, up to Monte Carlo error: in at most 1 % of studies is a null feature called "strong
candidate"; the share of null ones among the candidates of a study is 5 % on average, so that without any true
marker at most 5 % of studies name a candidate. `shared/operating_verdicts.csv` holds what many runs found;
`python tests/validity/test_verdict_validity.py TABLE` makes it.
"""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import test_marker_gain as marker_cohorts
from scipy import stats

from discovery.association.design import build_design
from discovery.association.screen import adjust_screens, screen
from discovery.markers.table import rank_markers
from discovery.markers.verdict import CANDIDATE, STRONG, SUGGESTIVE
from discovery.study import Outcome

SEED, RUNS, DRAWS, FDR = 11, 400, 100, 0.05
KINDS, SIZES, TRUTHS = ("survival", "binary"), (100, 150, 500), ("five", "none")
MOST_STRONG, MOST_CANDIDATE = 0.01, 0.05


def words_of(world, kind: str, n: int, truth: str, seed: int, draws: int | None = None) -> pd.DataFrame:
    """block, word: the first word of each verdict of one study.

    draws : bootstrap draws; without a number none where no q lets any feature be a candidate, since there
        they have no say in the words
    """
    effects = world.UNEQUAL if truth == "five" else world.NONE
    x, z, first, event = world.cohort(np.random.default_rng([SEED, seed, n]), n, effects, kind)
    ids = np.array([f"P{k:04d}" for k in range(n)])
    values = {"value": first} if event is None else {"time": first, "status": event}
    design = build_design(
        Outcome(name="o", kind=kind, label="o", patient_id=ids, **values),
        pd.DataFrame(z, index=ids, columns=list("abcd")),
        pd.DataFrame(x, index=ids, columns=world.NAMES),
    )
    screens = adjust_screens({"o": screen(design, permutations=0, fdr=FDR)}, fdr=FDR)
    if draws is None:
        draws = DRAWS if (screens["o"].table["q_value"] <= FDR).any() else 0
    table = rank_markers([design], [screens["o"]], seed=seed, fdr=FDR, replicates=draws).table
    block = table["feature"].map(world.NAMES.index) // world.BLOCK
    return pd.DataFrame({"block": block, "word": table["verdict"].str.split(",").str[0]})


def one_study(world, kind: str, n: int, truth: str, seed: int) -> dict[str, float]:
    found = words_of(world, kind, n, truth, seed)
    causal = world.CAUSAL // world.BLOCK if truth == "five" else np.empty(0)
    true = found["block"].isin(causal)
    strong, suggested = found["word"] == STRONG, found["word"] == SUGGESTIVE
    named = strong | (found["word"] == CANDIDATE)

    def blocks_found(which) -> float:
        return found.loc[which & true, "block"].nunique() / causal.size if causal.size else np.nan

    return {
        "false_strong": bool((strong & ~true).any()),
        "false_candidate": bool((named & ~true).any()),
        "false_suggestive": bool((suggested & ~true).any()),
        "false_share": (named & ~true).sum() / max(named.sum(), 1),
        "candidates": named.sum(),
        "families_strong": blocks_found(strong),
        "families_candidate": blocks_found(named),
    }


def measure(world, kind: str, n: int, truth: str, runs: int) -> pd.DataFrame:
    return pd.DataFrame([one_study(world, kind, n, truth, seed) for seed in range(runs)]).astype(float)


def row_of(kind: str, n: int, truth: str, got: pd.DataFrame) -> dict[str, object]:
    """Counts of studies with their Clopper-Pearson limits (95 %); means over studies."""
    row: dict[str, object] = {"kind": kind, "n": n, "causal_families": truth, "runs": len(got)}
    for name in ("false_strong", "false_candidate", "false_suggestive"):
        hits = int(got[name].sum())
        limits = stats.binomtest(hits, len(got)).proportion_ci(0.95, method="exact")
        row |= {f"runs_with_{name}": hits, f"{name}_low": limits.low, f"{name}_high": limits.high}
    row["false_share_of_candidates"] = got["false_share"].mean()
    row["false_share_se"] = got["false_share"].sem()
    row["candidates"] = got["candidates"].mean()
    for name in ("families_strong", "families_candidate"):
        row[f"share_of_causal_{name}"] = got[name].mean()
    numbers = {name: round(value, 5) if isinstance(value, float) else value for name, value in row.items()}
    return numbers | {"draws": DRAWS, "seed": SEED}


def kept(row: dict[str, object]) -> bool:
    """Whether the words keep what they promise, each up to 1 in 1,000."""
    runs = row["runs"]
    promised = MOST_CANDIDATE + 3.1 * row["false_share_se"]
    good = row["runs_with_false_strong"] <= stats.binom.ppf(0.999, runs, MOST_STRONG)
    good &= row["false_share_of_candidates"] <= promised
    if row["causal_families"] == "none":
        good &= row["runs_with_false_candidate"] <= stats.binom.ppf(0.999, runs, MOST_CANDIDATE)
    return bool(good)


@pytest.mark.validity
@pytest.mark.parametrize("truth", TRUTHS)
def test_null_features_are_seldom_called_candidates(truth, full_validity):
    world = marker_cohorts
    cells = [(kind, n) for kind in KINDS for n in SIZES] if full_validity else [("survival", 150)]
    for kind, n in cells:
        row = row_of(kind, n, truth, measure(world, kind, n, truth, RUNS if full_validity else 6))
        print(row)
        assert kept(row), row


@pytest.mark.validity
def test_draws_have_no_say_in_the_words_where_no_q_is_small():
    world = marker_cohorts
    for seed in range(3):
        short = words_of(world, "survival", 100, "none", seed)
        pd.testing.assert_frame_equal(short, words_of(world, "survival", 100, "none", seed, draws=DRAWS))


def test_the_committed_table_keeps_what_the_words_promise(shared):
    table = pd.read_csv(shared / "operating_verdicts.csv")
    assert set(zip(table["kind"], table["n"], table["causal_families"])) == {
        (kind, n, truth) for kind in KINDS for n in SIZES for truth in TRUTHS
    }
    for row in table.to_dict("records"):
        assert kept(row), row
        assert row["runs"] == RUNS
        assert row["false_strong_high"] <= MOST_STRONG
    # five causal families of 12: more are found in more patients
    power = table[table["causal_families"] == "five"].pivot(
        index="n", columns="kind", values="share_of_causal_families_candidate"
    )
    assert (power.diff().dropna() > 0).all().all()


def main() -> None:
    parser = argparse.ArgumentParser(description="Rows for shared/operating_verdicts.csv, as they finish.")
    parser.add_argument("table", type=Path)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--sizes", nargs="+", type=int, choices=SIZES, default=SIZES)
    parser.add_argument("--truths", nargs="+", choices=TRUTHS, default=TRUTHS)
    args = parser.parse_args()
    world, rows = marker_cohorts, []
    for kind, n, truth in ((k, n, t) for k in args.kinds for n in args.sizes for t in args.truths):
        row = row_of(kind, n, truth, measure(world, kind, n, truth, RUNS))
        rows.append(row | {"date": date.today().isoformat()})
        pd.DataFrame(rows).to_csv(args.table, index=False)


if __name__ == "__main__":
    main()
