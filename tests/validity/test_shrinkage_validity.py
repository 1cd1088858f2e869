"""Shrunken effects on cohorts with known truth: bias and coverage, of all and of the leading features, and
whether the local false sign rate says how often a sign is wrong.

The cohorts are those of test_marker_gain: 60 features in 12 blocks of 5 (correlation .8), 4 covariates, 5
causal features of unequal effect. The truth of a causal feature and of its four siblings, which are alike, is
the mean over 12 cohorts of 40,000; other features are independent of the outcome and have none. A sign counts
as wrong as well where the true effect is 0. The limits are the project's measured table (survival of 150: top
1 .925, top 5 .939, all .90, bias +.057; of 500: top 1 .958, which was 115 of 120 runs, top 5 .937, all .94,
bias +.020) up to the Monte Carlo error of the runs, and of those 120. No cohort of this seed had a part in
choosing the prior.

A truth taken from one cohort of 40,000 had errors of up to a sixth of a standard error of a study of 500, the
same ones in every run: with it, and by the luck of 500 runs, the leading feature of such studies was once
thought to be covered in .906. Here it is .955 in 1,000 runs. The standard error of the Cox model, which
leaves the other causal features out, is a little short: the estimate of a causal feature, whether it leads
or not, spreads 1.04 to 1.08 times as far as it says.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import test_marker_gain as marker_cohorts
from scipy import stats

from discovery.markers.shrinkage import independent_features, shrink_effects

pytestmark = pytest.mark.validity
TABLE, SEED, RUNS = "operating_shrinkage.csv", 2612, 1000
CELLS = [(kind, n) for kind in ("survival", "binary") for n in (100, 150, 500)]
TOP, TOP_5, BIAS = 0.925, {100: 0.939, 150: 0.939, 500: 0.937}, {100: 0.057, 150: 0.057, 500: 0.020}
ALL = {100: 0.85, 150: 0.90, 500: 0.94}
SURVIVAL_500 = (115, 5)  # covered and not, in the project's table


class Truth:
    """The adjusted effect (60,) of each feature, per unit."""

    def __init__(self, world, effects, kind, full):
        self.effects, self.kind, self.effect = effects, kind, np.zeros(world.FEATURES)
        if not any(effects):
            return
        causal = np.arange(world.BLOCK * len(effects))
        found = []
        for seed in range(12 if full else 2):
            x, z, first, event = world.cohort(np.random.default_rng([SEED, 4, seed]), 40_000, effects, kind)
            found.append(world.model_fit(kind, first, event, z, x[:, causal]).coef[:, -1])
        for block in np.mean(found, axis=0).reshape(-1, world.BLOCK):
            block[1:] = block[1:].mean()
            self.effect[causal[: world.BLOCK]] = block
            causal = causal[world.BLOCK :]


def one_study(world, truth, n, seed):
    rng = np.random.default_rng([SEED, n, seed])
    x, z, first, event = world.cohort(rng, n, truth.effects, truth.kind)
    sd = x.std(axis=0, ddof=1)
    x = (x - x.mean(axis=0)) / sd
    fit = world.model_fit(truth.kind, first, event, z, x)
    if fit.code.any():
        return None
    b, strength = fit.coef[:, -1], np.abs(fit.z)
    se = np.where(strength >= 1, np.abs(b) / np.maximum(strength, 1), fit.se)
    effect, order = truth.effect * sd, np.argsort(-strength)
    null = np.ones(b.size, dtype=bool)
    for k in np.flatnonzero(truth.effects):
        null[5 * k : 5 * k + 5] = False
    found = shrink_effects(b, se, independent=independent_features(x))
    covers = (found.low <= effect) & (effect <= found.high)
    plain = np.abs(b - effect) <= stats.norm.ppf(0.975) * se
    wrong = null | (np.sign(found.mean) != np.sign(effect))
    sure, top = found.lfsr <= 0.05, order[0]
    sign = np.sign(b[top])
    return {
        "covers_top": covers[top],
        "covers_top5": covers[order[:5]].mean(),
        "covers_all": covers.mean(),
        "plain_covers_top": plain[top],
        "plain_covers_all": plain.mean(),
        "bias_top": sign * (found.mean - effect)[top],
        "plain_bias_top": sign * (b - effect)[top],
        "sure": sure.sum(),
        "sure_wrong": (sure & wrong).sum(),
        "lfsr_of_sure": found.lfsr[sure].sum(),
    }


def measure(world, truth, n, runs):
    studies = [one_study(world, truth, n, seed) for seed in range(runs)]
    return pd.DataFrame([study for study in studies if study is not None]).astype(float)


def row_of(effects, kind, n, got):
    shown = [name for name in got if not name.startswith(("sure", "lfsr"))]
    sure = max(got["sure"].sum(), 1)
    return (
        {"effects": " ".join(f"{e:g}" for e in effects), "kind": kind, "n": n, "runs": len(got), "seed": SEED}
        | {name: round(got[name].mean(), 4) for name in shown}
        | {"se_covers_top": round(got["covers_top"].sem(), 4), "lfsr_below_05": int(got["sure"].sum())}
        | {"wrong_share_of_these": round(got["sure_wrong"].sum() / sure, 4)}
        | {"said_share_of_these": round(got["lfsr_of_sure"].sum() / sure, 4)}
    )


def cells_of(effects, runs, full, measured):
    """(kind, n, studies) of each cell, its row kept; runs : reduced size."""
    world = marker_cohorts
    cells = CELLS if full else CELLS[1:2]
    truth = {kind: Truth(world, effects, kind, full) for kind in dict.fromkeys(kind for kind, _ in cells)}
    for kind, n in cells:
        got = measure(world, truth[kind], n, RUNS if full else runs)
        measured(TABLE, row_of(effects, kind, n, got))
        yield world, kind, n, got


def test_shrunken_effects_of_the_selected_hold_what_they_say(full_validity, measured):
    unequal = marker_cohorts.UNEQUAL
    for world, kind, n, got in cells_of(unequal, 80, full_validity, measured):
        assert abs(got["bias_top"].mean()) <= BIAS[n] + 2.6 * got["bias_top"].sem()
        assert got["covers_top"].mean() >= got["plain_covers_top"].mean()
        assert world.at_least(got["covers_top"], TOP)
        if (kind, n) == ("survival", 500):
            hits = int(got["covers_top"].sum())
            both = [[hits, len(got) - hits], [*SURVIVAL_500]]
            assert stats.fisher_exact(both, alternative="less").pvalue > 0.01
        assert got["covers_top5"].mean() >= TOP_5[n] - 2.6 * got["covers_top5"].sem()
        assert got["covers_all"].mean() >= ALL[n] - 2.6 * got["covers_all"].sem()
        share = got["sure_wrong"] - 0.05 * got["sure"]  # by study: those of one study go together
        assert share.mean() <= 2.6 * share.sem()


def test_without_a_true_effect_the_intervals_hold_zero(full_validity, measured):
    for world, _, _, got in cells_of(marker_cohorts.NONE, 80, full_validity, measured):
        assert world.at_least(got["covers_top"], 0.95)
        assert got["bias_top"].mean() < 0.4 * got["plain_bias_top"].mean()


def test_equal_effects_that_tie_for_the_first_place(full_validity, measured):
    # 25 features nearly tie: the hardest case
    for _, _, _, got in cells_of(marker_cohorts.EQUAL, 40, full_validity, measured):
        assert got["covers_top"].mean() > got["plain_covers_top"].mean()
        assert got["bias_top"].mean() < got["plain_bias_top"].mean()
