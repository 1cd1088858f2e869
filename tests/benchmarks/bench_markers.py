"""How long the marker analysis takes: python tests/benchmarks/bench_markers.py [--large]

Each line is printed with what it is compared with. Bars: 500 patients x 60 features with 1,000 draws
within 60 s on 2 cores; with --large, 5,000 patients x 300 features with 1,000 draws within 10 minutes
(20 draws are timed and multiplied, said so in the line). Beside the time on the wall stands the processor
time over all threads, which other work on the machine does not lengthen.
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
from discovery.markers.refit import OutcomeRefit
from discovery.markers.table import rank_markers
from discovery.study import Outcome


def cohort(n, p, *, covariates=4, sites=4, seed=1):
    rng = np.random.default_rng(seed)
    x = np.sqrt(0.8) * np.repeat(rng.normal(size=(n, p // 5)), 5, axis=1)
    x += np.sqrt(0.2) * rng.normal(size=(n, p))
    z = rng.normal(size=(n, covariates))
    eta = 0.4 * z[:, 0] + 0.3 * z[:, 1] + 0.4 * x[:, 0] - 0.3 * x[:, 5]
    event, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
    ids = pd.Index([f"P{k:05d}" for k in range(n)])
    outcome = Outcome(
        name="death",
        kind="survival",
        label="death",
        patient_id=np.asarray(ids),
        time=np.minimum(event, censored),
        status=(event <= censored).astype(float),
    )
    return build_design(
        outcome,
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
    """One bootstrap draw of some features with lifelines: fit, and C with and without the feature."""
    from lifelines import CoxPHFitter
    from lifelines.utils import concordance_index

    rng = np.random.default_rng(3)
    rows = rng.integers(0, design.n, design.n)
    base = pd.DataFrame(design.base).add_prefix("z").assign(
        time=design.time, event=design.event, site=design.stratum
    )  # fmt: skip
    for j in features:
        table = base.assign(x=design.features[:, j])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = CoxPHFitter().fit(table.iloc[rows], "time", "event", strata=["site"])
        score = -table[list(model.params_.index)].to_numpy() @ model.params_.to_numpy()
        for which in (rows, slice(None)):
            concordance_index(design.time[which], score[which], design.event[which])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()

    design = cohort(500, 60)
    found = screen(design, permutations=0)
    refit = OutcomeRefit(design, found.firth)
    bootstrap_refits([refit], replicates=2, seed=1)
    whole = seconds(lambda: rank_markers([design], [found], seed=1, replicates=1000, workers=args.workers))
    draw = seconds(lambda: bootstrap_refits([refit], replicates=20, seed=1)) / 20
    single = seconds(lambda: general_package_refit(design, range(5))) / 5 * 60
    print(
        f"500 x 60, 1,000 draws, whole ranking, {args.workers} workers: {whole[0]:.1f} s (bar 60 s), "
        f"{whole[1]:.1f} s of processor time"
    )
    print(
        f"500 x 60, one draw with gains: {1000 * draw[1]:.1f} ms of processor time; with lifelines "
        f"{single[1]:.2f} s (60 features from 5 timed): ratio {single[1] / draw[1]:.0f}"
    )
    if args.large:
        design = cohort(5000, 300)
        refit = OutcomeRefit(design, np.zeros(300, dtype=bool))
        bootstrap_refits([refit], replicates=1, seed=1)
        part = seconds(lambda: bootstrap_refits([refit], replicates=20, seed=1, workers=args.workers))
        single = seconds(lambda: general_package_refit(design, range(2))) / 2 * 300
        print(
            f"5,000 x 300, 1,000 draws with gains, {args.workers} workers: {50 * part[0]:.0f} s "
            f"(from 20 draws; bar 600 s), {50 * part[1]:.0f} s of processor time; lifelines "
            f"{1000 * single[1] / 3600:.0f} h of it (from 2 features of one draw)"
        )


if __name__ == "__main__":
    main()
