"""How often the search for groups says "supported phenotypes": never by noise, often where groups are.

Cohorts of 20 features in 4 blocks of 5 (one factor a block, correlation .64 inside it), with no groups in
five ways, or with groups of equal size whose means in the factors lie the stated Mahalanobis distance apart
(within-group covariance of the features as in the Gaussian cohort). A fit declares groups when every rule
passes; here the cheap rules come first and a run stops at the first that fails, which changes no answer.

Limits: at most 2 % of cohorts without groups, and the power that the project's measured table has for the
same distances, up to the Monte Carlo error of the runs done here. The full table, each row with its limit,
is shared/operating_phenotypes.csv. Its seed is the date and minute at which it was begun; the rules were
chosen on cohorts of other ones (4711 to 4713, 7001 to 7007, 8001, 9001, 9002). Of two seeds before, in which
2 to 3 of 100 curved continua passed, the first (202611260255) brought the test of pieces turned against each
other, the second (202611260411) the stricter level in bent clouds; none of their rows is kept. Every job adds
the rows that TABLE.csv does not have yet, as each is done:

    python tests/validity/test_phenotype_validity.py TABLE.csv SEED {without,planted,shapes} PATIENTS

With `profiles` instead: how often `profile_test="null"` calls a feature different in cohorts without groups,
each cut in two, the table shared/operating_null_profiles.csv.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

SEED = 20261126
BLOCKS, BLOCK, LOADING = 4, 5, 0.8
FALSE_LIMIT = 0.02
NULLS = ("gaussian blocks", "one factor", "skewed", "t5", "curved continuum")
# share of features called different at .05 by the null test of profiles: as the project's notes measured it
PROFILE_LIMIT = {"gaussian blocks": 0.05, "skewed": 0.05, "curved continuum": 0.15}
HARD = "half circle"  # even, its ends dense in the direction of its chord; beside the five of the note
UNEQUAL = (0.6, 0.3, 0.1)
# beside three equal groups at the corners of a triangle: a line, and a triangle of unequal groups
SHAPES = tuple((3, distance, shape) for shape in ("line", "unequal") for distance in (4.0, 5.0))
HARDEST = {"curved continuum": 300}  # cohorts of it, at either size
RUNS = {"without": {150: 100, 400: 100}, "planted": {150: 60, 400: 20}, "shapes": {150: 30, 400: 30},
        "profiles": {150: 40, 400: 20}}  # fmt: skip
# least power by (groups, distance): N = 150 as measured for the same rule; N = 400 with its strict dip
POWER = {
    (2, 4.0, 150): 0.82,
    (2, 5.0, 150): 1.00,
    (3, 4.0, 150): 0.64,
    (3, 5.0, 150): 0.96,
    (2, 4.0, 400): 0.78,
    (2, 5.0, 400): 1.00,
    (3, 4.0, 400): 0.82,
    (3, 5.0, 400): 0.87,
}


def features_of(factors, rng):
    """Each factor (n, BLOCKS) seen through BLOCK noisy features."""
    common = np.repeat(factors, BLOCK, axis=1)
    return LOADING * common + np.sqrt(1 - LOADING**2) * rng.normal(size=common.shape)


def cohort_without_groups(kind, n, rng):
    normal = rng.normal(size=(n, BLOCKS))
    if kind == "one factor":
        return features_of(np.repeat(normal[:, :1], BLOCKS, axis=1), rng)
    if kind == "skewed":
        return np.exp(0.7 * features_of(normal, rng))
    if kind == "t5":
        return features_of(normal, rng) / np.sqrt(rng.chisquare(5, size=(n, 1)) / 5)
    if kind == "curved continuum":
        along = rng.uniform(-np.sqrt(3), np.sqrt(3), n)
        curve = 2 * np.column_stack([along, (along**2 - 1) / np.sqrt(0.8)])
        return features_of(np.column_stack([curve, normal[:, 2:]]), rng)
    if kind == HARD:
        angle = rng.uniform(0, np.pi, n)
        arc = 2 * np.column_stack([np.cos(angle), np.sin(angle)]) + 0.3 * rng.normal(size=(n, 2))
        return features_of(np.column_stack([arc, normal[:, 2:]]), rng)
    return features_of(normal, rng)


def cohort_with_groups(groups, distance, n, rng, shape="corners"):
    """Groups in a random direction of the factors, neighbours the distance apart: of equal size at the
    corners of a regular figure or in a line, or at the corners with the shares UNEQUAL."""
    corners = np.eye(groups) / np.sqrt(2) - 1 / (groups * np.sqrt(2))
    if shape == "line":
        corners = np.outer(np.arange(groups) - (groups - 1) / 2, np.eye(groups)[0])
    frame = np.linalg.qr(rng.normal(size=(BLOCKS, groups)))[0]
    of = np.arange(n) % groups
    if shape == "unequal":
        of = np.searchsorted(np.cumsum(UNEQUAL)[:-1], (np.arange(n) + 0.5) / n)
    where = rng.permutation(of)
    # a factor is seen through BLOCK features: a shift of one unit in it is this many SD in the features
    variance = BLOCK * LOADING**2 + 1 - LOADING**2
    sd_per_unit = LOADING * np.sqrt(BLOCK / variance)
    shift = distance / sd_per_unit * (corners @ frame.T)[where]
    return features_of(rng.normal(size=(n, BLOCKS)) + shift, rng), where


def says_groups(x, seed, *, gap_first=False):
    """Whether the fit would say "supported phenotypes", by the same stages and random numbers.

    gap_first : look for a gap at every number of groups before the costly structure test
    """
    from discovery.phenotypes.cluster import cuts, mean_silhouettes
    from discovery.phenotypes.model import by_size
    from discovery.phenotypes.prepare import as_table, learn_preparation
    from discovery.phenotypes.reduce import learn_components
    from discovery.phenotypes.separation import separation_test
    from discovery.phenotypes.stability import STABLE, bootstrap_stability
    from discovery.phenotypes.structure import Recipe, structure_test
    from discovery.phenotypes.verdict import LEVEL, SMALLEST, SMALLEST_SHARE
    from discovery.seeds import named_rng

    table = as_table(x)
    preparation = learn_preparation(table)
    z, weight = preparation.scaled(table), preparation.weight
    recipe = Recipe(ks=(2, 3, 4, 5, 6), method="kmeans", starts=20, variance=0.85, most_components=10)
    scores = learn_components(z * weight).scores(z * weight)
    found = cuts(scores, recipe.ks, named_rng(seed, "phenotypes", "solution"), method="kmeans", starts=20)
    silhouette = mean_silhouettes(scores, found)
    cut_by_k = {k: by_size(labels) for k, labels in zip(recipe.ks, found)}

    def apart(k):
        return separation_test(scores, cut_by_k[k], k, seed=seed).p_separation <= LEVEL

    if gap_first and not any(apart(k) for k in recipe.ks):
        return False
    common = {"draws": 199, "seed": seed}
    first = structure_test(z, weight, recipe, silhouette, kinds=("gaussian",), **common)
    labels = cut_by_k[first.k]
    if first.p_structure > LEVEL or np.bincount(labels).min() < max(SMALLEST, SMALLEST_SHARE * len(x)):
        return False
    if not apart(first.k):
        return False
    kept = bootstrap_stability(
        lambda rng: scores, scores, labels, first.k, draws=100, seed=seed, workers=1,
        method="kmeans", starts=20,
    )  # fmt: skip
    if kept.jaccard.min() < STABLE:
        return False
    second = structure_test(z, weight, recipe, silhouette, kinds=("copula",), **common)
    return second.p_structure <= LEVEL


def draw(case, n, run, seed=SEED):
    rng = np.random.default_rng([seed, *map(ord, str(case)), n, run])
    if isinstance(case, str):
        return cohort_without_groups(case, n, rng)
    groups, distance, *shape = case
    return cohort_with_groups(groups, distance, n, rng, *shape)[0]


def declared(case, n, runs, seed=SEED):
    return sum(
        says_groups(draw(case, n, run, seed), run, gap_first=isinstance(case, str)) for run in range(runs)
    )


@pytest.mark.validity
@pytest.mark.parametrize("case", [*NULLS, HARD])
def test_noise_is_not_called_phenotypes(case, full_validity):
    runs = 200 if full_validity else 6
    for n in (150, 400) if full_validity else (150,):
        false = declared(case, n, runs)
        assert stats.binom.sf(false - 1, runs, FALSE_LIMIT) > 0.005, f"{case}, n {n}: {false} of {runs}"


@pytest.mark.validity
@pytest.mark.parametrize("case", sorted({key[:2] for key in POWER}), ids=str)
def test_planted_groups_are_found(case, full_validity):
    # reduced: as few runs as can still fail
    runs = 100 if full_validity else 6 if POWER[(*case, 150)] < 0.8 else 4
    for n in (150, 400) if full_validity else (150,):
        found = declared(case, n, runs)
        least = min(POWER[(*case, n)], 0.99)
        assert stats.binom.cdf(found, runs, least) > 0.005, f"{case}, n {n}: {found} of {runs}"


def test_the_short_cut_of_the_simulation_is_the_verdict_of_the_fit():
    from discovery.phenotypes import Phenotypes
    from discovery.phenotypes.verdict import SUPPORTED

    for case in ("curved continuum", (3, 5.0)):
        x = draw(case, 90, 0)
        fitted = Phenotypes(seed=0, compare=False).fit(x)
        for gap_first in (False, True):
            assert says_groups(x, 0, gap_first=gap_first) == (fitted.verdict_.word == SUPPORTED)


@pytest.mark.parametrize(
    ("groups", "distance"), [(2, 4.0), (3, 5.0)], ids=["two groups 4 SD", "three groups 5 SD"]
)
def test_planted_distance_is_the_stated_one(groups, distance):
    x, where = cohort_with_groups(groups, distance, 60_000, np.random.default_rng(5))
    means = np.array([x[where == g].mean(axis=0) for g in range(groups)])
    within = np.cov((x - means[where]).T)
    away = means[0] - means[1]
    assert np.sqrt(away @ np.linalg.solve(within, away)) == pytest.approx(distance, rel=0.02)


def test_three_groups_at_4_sd_show_no_more_gap_against_all_others_even_when_they_are_known():
    """The ceiling of three groups at 4 SD: their gap is hard to see whoever they are.

    With three at equal distance each group stands against two others, only 3.46 SD from their mean. Given
    the true directions, the dip with the smallest p times 3 passes in about half of the cohorts: below the
    .64 of the project's measured table, which that rule therefore did not reach in this layout. This is why
    `separation` scores by margins, the distance from the nearest of the other groups.
    """
    from discovery.kernels.dip import dips
    from discovery.phenotypes.separation import null_dips

    means = 4 / np.sqrt(2) * np.eye(3)
    away = (means - (means.sum(axis=0) - means) / 2).T
    rng, n, runs = np.random.default_rng([SEED, 3, 4]), 150, 300
    limit = np.quantile(null_dips(n, "normal"), 1 - 0.05 / 3)
    passed = 0
    for _ in range(runs):
        scores = (rng.normal(size=(n, 3)) + means[np.arange(n) % 3]) @ away
        passed += dips(np.ascontiguousarray(np.sort(scores, axis=0).T)).max() > limit
    assert stats.binom.cdf(passed, runs, POWER[3, 4.0, 150]) < 0.005
    assert passed / runs > 0.4


def committed(shared):
    """The rows by the present rule; where there is none by an earlier one, which passed no less."""
    return pd.read_csv(shared / "operating_phenotypes.csv").set_index(["case", "n"])


def test_the_committed_rows_are_of_one_fresh_seed(shared):
    seeds = set(committed(shared)["seed"])
    assert len(seeds) == 1
    assert not seeds & {SEED, *range(4711, 4714), *range(7001, 7008), 8001, 9001, 9002}


@pytest.mark.parametrize("case", [*NULLS, HARD])
def test_the_committed_table_calls_no_noise_phenotypes(case, shared):
    rows = committed(shared).loc[case]
    assert set(rows.index) == {150, 400}
    assert (rows["runs"] >= 100).all()
    assert (rows["share"] <= FALSE_LIMIT).all()


@pytest.mark.parametrize("key", POWER, ids=str)
def test_the_committed_table_meets_the_power_of_the_note(key, shared):
    groups, distance, n = key
    table, name = committed(shared), f"{groups} groups {distance:g} SD"
    row = table.loc[(name, n)]
    assert stats.binom.cdf(row["supported"], row["runs"], min(POWER[key], 0.99)) > 0.05


def test_the_committed_null_test_of_profiles_keeps_the_level_of_the_note(shared):
    table = pd.read_csv(shared / "operating_null_profiles.csv").set_index("case")
    for case, limit in PROFILE_LIMIT.items():
        row = table.loc[case]
        assert row["share"] <= limit + 2 * row["share_se"]
        assert row["naive_share"] > 0.5


def profile_row(case, n, runs, seed):
    """Share of features that each test calls different at .05, mean over cohorts with its standard error."""
    from discovery.phenotypes import Phenotypes
    from discovery.phenotypes.null_profile import null_profile_table
    from discovery.phenotypes.prepare import as_table

    found = []
    for run in range(runs):
        x = draw(case, n, run, seed)
        model = Phenotypes(seed=run, draws=19, bootstraps=10, ks=(2,), compare=False).fit(x)
        table = null_profile_table(model, as_table(x))
        naive = stats.f.sf(table["between"] / (1 - table["between"]) * (n - 2), 1, n - 2) <= 0.05
        found.append((naive.mean(), (table["p_null"] <= 0.05).mean(), (table["q_null"] <= 0.05).any()))
    naive, share, any_q = np.mean(found, axis=0)
    return {
        "case": case, "n": n, "cohorts": runs, "features": BLOCKS * BLOCK, "naive_share": naive,
        "share": share, "share_se": np.std(found, axis=0, ddof=1)[1] / np.sqrt(runs), "cohorts_with_q": any_q,
        "limit": PROFILE_LIMIT[case], "seed": seed, "date": time.strftime("%Y-%m-%d"),
    }  # fmt: skip


def name_of(case):
    if isinstance(case, str):
        return case
    groups, distance, *shape = case
    where = {"line": " in a line", "unequal": " of 60, 30 and 10 %"}
    return f"{groups} groups {distance:g} SD" + "".join(where[one] for one in shape)


def table_row(case, n, runs, seed):
    start = time.process_time()
    found = declared(case, n, runs, seed)
    low, high = stats.binomtest(found, runs).proportion_ci(method="exact")
    return {
        "case": name_of(case), "n": n, "runs": runs, "supported": found, "share": found / runs, "low": low,
        "high": high, "limit": FALSE_LIMIT if isinstance(case, str) else POWER.get((*case, n)), "draws": 199,
        "bootstraps": 100, "seed": seed, "date": time.strftime("%Y-%m-%d"),
        "cpu_s_per_run": round((time.process_time() - start) / runs, 2),
    }  # fmt: skip


def main(path, seed, kind, n):
    planted = sorted({key[:2] for key in POWER})
    cases = {"without": (HARD, *reversed(NULLS)), "planted": planted, "shapes": SHAPES}
    for case in cases.get(kind, PROFILE_LIMIT):
        done = pd.read_csv(path) if path.exists() else pd.DataFrame(columns=["case", "n"])
        if not ((done["case"] == name_of(case)) & (done["n"] == n)).any():
            make = profile_row if kind == "profiles" else table_row
            runs = HARDEST.get(case, RUNS[kind][n]) if kind == "without" else RUNS[kind][n]
            row = pd.DataFrame([make(case, n, runs, seed)])
            row.to_csv(path, mode="a", header=not path.exists(), index=False)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
