"""Every kind of outcome with sites that differ, and false discoveries under block correlation: known truth.

With three sites the feature's level, the outcome's level and so the case mix differ between sites: by 1 SD,
and by 1 log odds, 1 log hazard or .5 log rate. Survival has delayed entry and a competing event on which
the feature acts too. The truth is drawn here and the limits are binomial. Reduced by default; `--validity`
runs 13 to 16 times as many. shared/operating_sites.csv is what `--tables` wrote. Binary and continuous
outcomes, and survival without entry, stand in operating_intervals.csv and operating_screen.csv.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from simulated_events import numbered

from discovery.association.design import Design, build_design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import fit_columns
from discovery.association.screen import screen
from discovery.seeds import named_rng
from discovery.study import Outcome

pytestmark = pytest.mark.validity
SEED = 20261126
TABLE = "operating_sites.csv"
KINDS = ("ordinal", "multiclass", "count", "recurrent", "survival")
EFFECT = {"ordinal": 0.5, "multiclass": 0.5, "count": 0.4, "recurrent": 0.4, "survival": 0.5}
FRAILTY = 0.5  # variance of the rate between patients alike in all that is measured
COMPETING = 0.5  # effect of the feature on the competing event
SITES = 3


def outcome_of(kind: str, eta: np.ndarray, rng: np.random.Generator, other: np.ndarray | None = None) -> dict:
    """Fields of an outcome whose log odds, log rate or log hazard is `eta` (n,) but for a constant.

    `other` (n,): the log hazard of a competing event; with it, patients enter late.
    """
    n = eta.size
    if kind == "ordinal":
        value = np.digitize(eta + rng.logistic(size=n), [-1.2, 0.2, 1.5]).astype(float)
        return {"value": value, "categories": tuple("abcd")}
    if kind == "multiclass":
        scores = np.column_stack([np.zeros(n), eta, np.zeros(n)])
        value = (scores + rng.gumbel(size=(n, 3))).argmax(axis=1).astype(float)
        return {"value": value, "categories": tuple("abc")}
    if kind in ("count", "recurrent"):
        watched = rng.uniform(0.5, 1.5, n)
        rate = 1.5 * np.exp(eta) * rng.gamma(1 / FRAILTY, FRAILTY, n)
        return numbered(kind, rng.poisson(rate * watched), watched, rng)
    time, end = rng.exponential(np.exp(-eta)), rng.exponential(2.0, n)
    if other is None:
        return {"time": np.minimum(time, end), "status": (time <= end).astype(float)}
    rival = rng.exponential(2.0 * np.exp(-other))
    last = np.minimum(np.minimum(time, rival), end)
    status = np.where(last == time, 1.0, np.where(last == rival, 2.0, 0.0))
    return {"time": last, "status": status, "entry": rng.uniform(0.0, 0.3, n)}


def design_of(
    kind: str, fields: dict, z: np.ndarray, x: np.ndarray, site: np.ndarray | None = None
) -> Design:
    """Patients with confounder z (n,) and features x (n, p); who is gone before entry is never seen."""
    keep = np.ones(z.size, dtype=bool)
    if "entry" in fields:
        keep = fields["time"] > fields["entry"]
        fields = {name: values[keep] for name, values in fields.items()}
    ids = np.array([f"p{i:04d}" for i in range(keep.sum())], dtype=object)
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(name="out", label="out", kind=kind, patient_id=ids, **fields)
    names = [f"f{j}" for j in range(x.shape[1])]
    where = None if site is None else pd.Series([f"s{k}" for k in site[keep]], index=index)
    covariates = pd.DataFrame({"z": z[keep]}, index=index)
    table = pd.DataFrame(x[keep], columns=names, index=index)
    return build_design(outcome, covariates, table, site=where, winsor=None)


def study_of_sites(kind: str, n: int, effect: float, rng: np.random.Generator) -> Design:
    site = rng.integers(0, SITES, n)
    level = site - (SITES - 1) / 2.0
    z = rng.normal(size=n)
    x = 0.5 * z + np.sqrt(0.75) * rng.normal(size=n) + level
    eta = effect * x + 0.5 * z + (0.5 if kind in ("count", "recurrent") else 1.0) * level
    other = COMPETING * x if kind == "survival" else None
    return design_of(kind, outcome_of(kind, eta, rng, other), z, x[:, None], site)


def interval_of(kind: str, fits) -> tuple[float, float]:
    """Of the feature; for classes, of the log odds ratio of the second against the first."""
    if kind != "multiclass":
        return fits.ci_low[0], fits.ci_high[0]
    half = stats.norm.isf(0.025) * np.sqrt(fits.fit.covariance[0, 0, 0])
    middle = fits.fit.contrasts[0, 0, -1]
    return middle - half, middle + half


@pytest.mark.parametrize("n", [150, 300])
@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_the_truth_where_sites_differ(kind, n, full_validity, capsys, measured):
    runs, rows = (1000 if full_validity else 60), []
    for effect in (0.0, EFFECT[kind]):
        held = rejected = known = 0
        for run in range(runs):
            rng = named_rng(SEED, "sites", kind, n, effect, run)
            design = study_of_sites(kind, n, effect, rng)
            fits = fit_columns(design.response, design.base, design.features)
            if fits.fit.code[0]:
                continue
            known += 1
            low, high = interval_of(kind, fits)
            held += low <= effect * design.scaling.table["sd"].iloc[0] <= high
            rejected += fits.p_value[0] <= 0.05
        assert known > 0.98 * runs
        row = {"quantity": "interval coverage, three sites", "kind": kind, "n": n, "effect": effect}
        row |= {"expected": 0.95, "found": round(held / known, 5), "of": known}
        rows.append(row | {"rejected_at_05": round(rejected / known, 5), "seed": SEED})
        measured(TABLE, rows[-1])
        low, high = stats.binom.ppf([0.0005, 0.9995], known, 0.95)
        assert low <= held <= high, row
        if effect == 0.0:
            assert rejected <= stats.binom.ppf(0.9995, known, 0.05), row
    with capsys.disabled():
        print("\n" + pd.DataFrame(rows).to_string(index=False))


@pytest.mark.parametrize("kind", KINDS)
def test_false_discovery_rate_under_block_correlation(kind, full_validity, capsys, measured):
    """Twelve blocks of five features, five with one that acts: a find outside these blocks is false.

    Each feature is tested without the others, so that four causes or five stay in the noise. A rate that
    varies by them is no gamma variable: the likelihood ratio of the negative binomial model then rejects
    .09 of null features at .05, the test by signs .05, as that of episodes. Rows of counts on which the
    two disagree say so.
    """
    runs, n, acting = (400 if full_validity else 30), 150, np.arange(0, 50, 10)
    null = ~np.isin(np.arange(60) // 5, acting // 5)
    share, power, rejected, signs = [], [], [], []
    for run in range(runs):
        rng = named_rng(SEED, "blocks", kind, run)
        z, common = rng.normal(size=n), np.repeat(rng.normal(size=(n, 12)), 5, axis=1)
        x = np.sqrt(0.8) * common + np.sqrt(0.2) * rng.normal(size=(n, 60))
        eta = 0.5 * z + EFFECT[kind] * x[:, acting].sum(axis=1)
        other = COMPETING * x[:, 5] if kind == "survival" else None
        design = design_of(kind, outcome_of(kind, eta, rng, other), z, x)
        tested = screen(design, multiplicity="bh", fdr=0.1, permutations=0)
        found = tested.q_value <= 0.1
        rejected.append((tested.p_value[null] <= 0.05).mean())
        other = kind_of(kind).p_without_distribution(design)[null] if kind == "count" else np.nan
        signs.append(np.mean(other <= 0.05) if kind == "count" else np.nan)
        share.append((found & null).sum() / max(found.sum(), 1))
        power.append(found[~null].mean())
    rate, error = np.mean(share), np.std(share, ddof=1) / np.sqrt(runs)
    row = {"quantity": "false discovery rate at .1, blocks", "kind": kind, "n": n, "effect": EFFECT[kind]}
    row |= {"expected": 0.1, "found": round(rate, 5), "of": runs, "seed": SEED}
    row |= {"rejected_at_05": round(np.mean(rejected), 5), "by_signs_at_05": round(np.mean(signs), 5)}
    measured(TABLE, row | {"standard_error": round(error, 5), "power": round(np.mean(power), 5)})
    with capsys.disabled():
        print(f"\n{kind}: false discoveries {rate:.3f} (se {error:.3f}), power {np.mean(power):.2f}")
    assert rate <= 0.1 + 3.5 * error
    assert np.mean(rejected) <= (0.1 if kind == "count" else 0.067)
    assert not np.mean(signs) > 0.067
    assert np.mean(power) > 0.2


def test_the_committed_table_keeps_the_limits(shared):
    table = pd.read_csv(shared / TABLE)
    assert set(table["kind"]) == set(KINDS)
    assert (table["size"] == "full").all()
    covered = table[table["quantity"].str.startswith("interval coverage")]
    assert len(covered) == 4 * len(KINDS)
    low, high = stats.binom.ppf([[0.0005], [0.9995]], covered["of"].to_numpy(), 0.95)
    assert covered["found"].between(low / covered["of"], high / covered["of"]).all()
    false = table[table["quantity"].str.startswith("false discovery rate")]
    assert (false["found"] <= 0.1 + 3.5 * false["standard_error"]).all()
