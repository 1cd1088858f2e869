"""How long the marker analysis takes: python tests/benchmarks/bench_markers.py [--large] [--workers N]

Each line is printed with what it is compared with. Bars: 500 patients x 60 features with 1,000 refit draws
and gains within 60 s on 2 cores, which is 120 s of processor time; with --large, 5,000 patients x 300
features with 1,000 draws within 10 minutes, 1,200 s of processor time (some draws are timed and multiplied,
said so in the line); the preview of either within 2 s. Processor time is over all threads and is not
lengthened by other work on the machine. What a general package needs is extrapolated from a few features
of one draw, said so in the line.

Measured 2026-11-25, one thread a library, 2 workers, other work on both cores; 4 covariates, 4 sites:

| outcome | patients x features | what | processor time | bar | general package | ratio |
| --- | --- | --- | --- | --- | --- | --- |
| survival | 500 x 60 | preview, 1,000 draws | 0.11 s | 2 s | | |
| survival | 500 x 60 | whole ranking, 1,000 refit draws with gains | 6.7 s | 120 s | lifelines 1.4 h | 908 |
| binary | 500 x 60 | preview, 1,000 draws | 0.10 s | 2 s | | |
| binary | 500 x 60 | whole ranking, 1,000 refit draws with gains | 6.2 s | 120 s | statsmodels 0.1 h | 43 |
| survival | 5,000 x 300 | preview, 1,000 draws | 0.98 s | 2 s | | |
| survival | 5,000 x 300 | 1,000 refit draws with gains, from 10 | 257 s | 1,200 s | lifelines 25.9 h | 363 |
| binary | 5,000 x 300 | preview, 1,000 draws | 0.70 s | 2 s | | |
| binary | 5,000 x 300 | 1,000 refit draws with gains, from 10 | 257 s | 1,200 s | statsmodels 0.8 h | 11 |

Ratios are of the draws alone, the general package's from 5 (60 features) or 2 (300) features of one draw.
"""

from __future__ import annotations

import argparse
import time
import warnings

import numpy as np
import pandas as pd

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.markers.bootstrap import bootstrap_refits
from discovery.markers.influence import preview
from discovery.markers.refit import OutcomeRefit
from discovery.markers.table import rank_markers
from discovery.study import Outcome

DRAWS = 1000
GENERAL = {"survival": "lifelines", "binary": "statsmodels"}


def cohort(n, p, *, kind="survival", covariates=4, sites=4, seed=1):
    rng = np.random.default_rng(seed)
    x = np.sqrt(0.8) * np.repeat(rng.normal(size=(n, p // 5)), 5, axis=1)
    x += np.sqrt(0.2) * rng.normal(size=(n, p))
    z = rng.normal(size=(n, covariates))
    eta = 0.4 * z[:, 0] + 0.3 * z[:, 1] + 0.4 * x[:, 0] - 0.3 * x[:, 5]
    ids = pd.Index([f"P{k:05d}" for k in range(n)])
    if kind == "survival":
        event, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
        values = {"time": np.minimum(event, censored), "status": (event <= censored).astype(float)}
    else:
        values = {"value": (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)}
    return build_design(
        Outcome(name="death", kind=kind, label="death", patient_id=np.asarray(ids), **values),
        pd.DataFrame(z, index=ids).add_prefix("z"),
        pd.DataFrame(x, index=ids).add_prefix("f"),
        site=pd.Series(rng.integers(0, sites, n).astype(str), index=ids),
    )


def seconds(work):
    """(wall, processor) seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return np.array([time.perf_counter() - wall, time.process_time() - cpu])


def general_package_refit(design, features):
    """One bootstrap draw of some features with a general package: fit, and C or AUC with each weighting."""
    rows = np.random.default_rng(3).integers(0, design.n, design.n)
    refit = _lifelines_refit if design.kind == "survival" else _statsmodels_refit
    for j in features:
        refit(design, design.features[:, j], rows)


def _lifelines_refit(design, x, rows):
    from lifelines import CoxPHFitter
    from lifelines.utils import concordance_index

    table = pd.DataFrame(design.base).add_prefix("z")
    table = table.assign(time=design.time, event=design.event, site=design.stratum, x=x)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = CoxPHFitter().fit(table.iloc[rows], "time", "event", strata=["site"])
    score = -table[list(model.params_.index)].to_numpy() @ model.params_.to_numpy()
    for which in (rows, slice(None)):
        concordance_index(design.time[which], score[which], design.event[which])


def _statsmodels_refit(design, x, rows):
    from sklearn.metrics import roc_auc_score
    from statsmodels.api import Logit

    columns = np.column_stack([np.ones(design.n), design.base, x])
    score = columns @ Logit(design.y[rows], columns[rows]).fit(disp=0).params
    for which in (rows, slice(None)):
        roc_auc_score(design.y[which], score[which])


def previewed(design, workers):
    preview(design, draws=20, seed=1)
    took = seconds(lambda: preview(design, draws=DRAWS, seed=1, workers=workers))
    print(
        f"{design.kind}, {design.n:,} x {len(design.feature_names)}, preview of {DRAWS:,} draws: "
        f"{took[0]:.2f} s (bar 2 s), {took[1]:.2f} s of processor time"
    )


def whole_ranking(design, workers):
    found = screen(design, permutations=0)
    refit = OutcomeRefit(design, found.firth)
    bootstrap_refits([refit], replicates=2, seed=1)
    whole = seconds(lambda: rank_markers([design], [found], seed=1, replicates=DRAWS, workers=workers))
    print(
        f"{design.kind}, {design.n:,} x {len(design.feature_names)}, {DRAWS:,} draws, whole ranking, "
        f"{workers} workers: {whole[0]:.1f} s (bar 60 s), {whole[1]:.1f} s of processor time (bar 120 s)"
    )


def draws_of(design, *, timed, features, bar, workers):
    """`timed` draws, and a general package on some `features` of one, both extrapolated."""
    p = len(design.feature_names)
    refit = OutcomeRefit(design, np.zeros(p, dtype=bool))
    bootstrap_refits([refit], replicates=1, seed=1)
    draw = seconds(lambda: bootstrap_refits([refit], replicates=timed, seed=1, workers=workers)) / timed
    general_package_refit(design, range(1))
    single = seconds(lambda: general_package_refit(design, range(features))) / features * p
    print(
        f"{design.kind}, {design.n:,} x {p}, {DRAWS:,} draws with gains: {DRAWS * draw[1]:.0f} s of "
        f"processor time (from {timed} draws; bar {bar} s)"
    )
    print(
        f"    {GENERAL[design.kind]}: {DRAWS * single[1] / 3600:.1f} h (from {features} features of a draw), "
        f"ratio {single[1] / draw[1]:.0f}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    for kind in GENERAL:
        design = cohort(500, 60, kind=kind)
        previewed(design, args.workers)
        whole_ranking(design, args.workers)
        draws_of(design, timed=40, features=5, bar=120, workers=args.workers)
    for kind in GENERAL if args.large else ():
        design = cohort(5000, 300, kind=kind)
        previewed(design, args.workers)
        draws_of(design, timed=10, features=2, bar=1200, workers=args.workers)


if __name__ == "__main__":
    main()
