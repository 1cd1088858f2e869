"""Small numbers of missing values: no two counts of a shared folder differ by one of them."""

from __future__ import annotations

import re
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from discovery.pipeline.masked_gaps import Gaps, tells
from discovery.pipeline.masking import IN_STEPS, rounded_down
from discovery.pipeline.phenotype_masking import masked_phenotypes

LIMIT, N = 5, 160
DEATH = """[[outcomes]]
name = "death"
kind = "binary"
column = "died"
"""
LEFT_OUT = ("n_left_out", "n_missing", "missing", "n_imputed")


def run_both(folder, both_runs, imputations, gone):
    """Results masked and plain; rv_a is missing in 30 patients, rv_b in three, covariates as `gone` says."""
    rng = np.random.default_rng(3)
    ids = np.array([f"P{i:03d}" for i in range(N)])
    watched = rng.uniform(20, 72, N).round(2)
    number = rng.poisson(1.8, N)
    table = pd.DataFrame(
        {"patient_id": ids, "age": rng.normal(60, 9, N), "bmi": rng.normal(27, 4, N), "watched": watched,
         "died": (rng.uniform(size=N) < 0.3).astype(int)}
    )  # fmt: skip
    for name, rows in gone.items():
        table.loc[rows, name] = np.nan
    features = pd.DataFrame({"patient_id": ids} | {f"rv_{k}": rng.normal(size=N) for k in "abc"})
    features.loc[100:129, "rv_a"] = np.nan
    features.loc[140:142, "rv_b"] = np.nan
    spells = [(ids[i], t) for i in range(N) for t in rng.uniform(0, watched[i], number[i]).round(3)]
    tables = {
        "patients": table, "features": features,
        "spells": pd.DataFrame(spells, columns=["patient_id", "hours"]),
    }  # fmt: skip
    results = both_runs(folder, LIMIT, tables, more=DEATH, adjust_for=("age", "bmi"), imputations=imputations)
    return [result.folder for result in results]


def left_out(folder):
    """(outcome, feature) -> what its printed counts say of how many are left out; "" for the whole model."""
    found = {}

    def add(outcome, feature, count):
        if not pd.isna(count):
            found.setdefault((outcome, feature), {0}).add(round(float(count)))

    for path in sorted(folder.rglob("*.csv")):
        table = pd.read_csv(path)
        if "by" in table:
            table = table[table["by"] == "all"]
        if "level" in table and "variable" in table and path.parent != folder:
            table = table[table["level"] == "all"]
        if "group_n" in table:
            table = table[table["group"] == "overall"]
        if path.name.endswith("_shape.csv"):  # in steps, see below
            continue
        for row in table.to_dict("records"):
            feature = row.get("feature", row.get("variable", ""))
            feature = "" if pd.isna(feature) else str(feature)
            feature = "" if feature in ("age", "bmi") else feature
            outcome = row.get("outcome", "")
            outcome = path.name.split("_")[0] if pd.isna(outcome) and path.parent != folder else outcome
            outcome = "" if pd.isna(outcome) else outcome
            for column in LEFT_OUT:
                add(outcome, feature, row.get(column, np.nan))
            if "n_missing" not in row and "missing" not in row:
                add(outcome, feature, N - row.get("n", np.nan))
            if isinstance(row.get("missing_share"), float):
                add(outcome, feature, row["missing_share"] * N)
            for count in re.findall(r"imputed in (\d+) patient", str(row.get("note", ""))):
                add(outcome, feature, int(count))
    return found


def small_differences(folder):
    """Small numbers that follow from two, or three, printed counts of the same feature or model."""
    found = left_out(folder)
    out = set()
    for outcome in ("spells", "death"):
        for feature in ("", "rv_a", "rv_b", "rv_c"):
            of_study = found.get(("", feature), set())
            counts = sorted(of_study | found.get((outcome, feature), set()))
            small = {b - a for a, b in combinations(counts, 2)}
            small |= {a + b - c for a, b in combinations(counts, 2) for c in counts}
            out |= {(outcome, feature, d) for d in small if 0 < d < LIMIT}
    return out


GAPS = {
    "two without age": {"age": [0, 1]},
    "many without age, three more without bmi": {"age": [*range(20)], "bmi": [20, 21, 22]},
    "two without both": {"age": [*range(20)], "bmi": [*range(18, 50)]},
}


@pytest.mark.parametrize("imputations", [0, 2])
@pytest.mark.parametrize("gone", GAPS.values(), ids=GAPS)
def test_no_small_number_of_missing_values_follows_by_subtraction(tmp_path, both_runs, imputations, gone):
    masked, plain = run_both(tmp_path, both_runs, imputations, gone)
    assert small_differences(plain)  # without masking they do
    assert not small_differences(masked)
    shown = pd.read_csv(masked / "associations.csv")
    whole = pd.read_csv(plain / "associations.csv")
    pd.testing.assert_series_equal(shown["estimate"], whole["estimate"])
    for outcome in ("spells", "death"):
        counts = pd.read_csv(masked / "figures" / f"{outcome}_shape.csv")["n"].dropna()
        assert len(counts)
        assert (counts % LIMIT == 0).all()
    for name in ("index.html", "methods.md"):
        assert not re.search(r"imputed in \d", (masked / name).read_text(encoding="utf-8"))


def test_episodes_of_those_left_out_are_not_told(tmp_path, both_runs):
    masked, plain = run_both(tmp_path, both_runs, 2, GAPS["two without age"])
    for folder, hidden in ((masked, True), (plain, False)):
        table = pd.read_csv(folder / "associations.csv")
        alone = table[table["model"] == "complete cases"]
        assert len(alone)
        assert alone[["n", "events", "n_left_out"]].isna().all(axis=None) == hidden


def test_numbers_at_risk_come_in_steps_where_they_would_tell_a_gap():
    """By third of an axis: 54 + 52 + 52 = 158 of 160 patients would tell the two without a covariate."""
    table = pd.DataFrame({"outcome": ["o"] * 3 + ["p"] * 3, "feature": "PC1", "n_at_risk": [54, 52, 0] * 2})
    gaps = Gaps(
        whole={"o": frozenset({160})}, outcomes=frozenset("o"), features=frozenset(), shares=frozenset()
    )
    assert {"at_risk", "at_risk_all", "phenotype_at_risk"} <= set(IN_STEPS)
    assert rounded_down(table, "n_at_risk", gaps, LIMIT)["n_at_risk"].tolist() == [50, 50, 0, 54, 52, 0]


def test_numbers_with_a_feature_are_hidden_where_few_of_a_group_lack_it():
    groups = pd.DataFrame({"phenotype": ["A", "B"], "size": [60, 40]})
    profiles = pd.DataFrame(
        {"phenotype": ["A", "A", "B", "B"], "feature": ["f", "g"] * 2, "n": [58, 50, 40, 40], "mean": 1.0}
    )
    profiles = profiles.assign(effect=1.0, ci_low=0.5, ci_high=1.5)
    ids = [f"P{i}" for i in range(100)]
    features = pd.DataFrame(np.random.default_rng(1).normal(1, 1, (100, 2)), index=ids, columns=["f", "g"])
    features.iloc[:2, 0] = features.iloc[:10, 1] = np.nan
    members = pd.DataFrame({"patient_id": ids, "phenotype": np.repeat(["A", "B"], [60, 40])})
    tables = {"phenotypes": groups, "phenotype_profiles": profiles}
    shown = masked_phenotypes(tables, LIMIT, features=features, members=members)["phenotype_profiles"]
    assert shown["n"].isna().tolist() == [True, False, True, False]
    assert shown["mean"].notna().all()


def test_what_the_number_with_everything_tells():
    def lacking(*sets):
        out = np.zeros((100, len(sets)), dtype=bool)
        for k, rows in enumerate(sets):
            out[list(rows), k] = True
        return out

    assert not tells(lacking(range(10), range(10, 30)), LIMIT)
    assert not tells(lacking(range(10), range(10)), LIMIT)  # nobody lacks only one of them
    assert not tells(lacking((), range(10)), LIMIT)
    assert tells(lacking(range(3), range(10, 30)), LIMIT)
    assert tells(lacking(range(10), range(12)), LIMIT)  # two lack only the second
    assert tells(lacking(range(10), range(7, 30)), LIMIT)  # three lack both
