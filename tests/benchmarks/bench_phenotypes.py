"""The whole search for groups with its default tests, against the same resampling as a scikit-learn loop.

Run as a program: python tests/benchmarks/bench_phenotypes.py [patients ...]. 60 features in 12 blocks of 5,
three planted groups. The plain way is measured on a few draws and scaled up: for every cohort of the two
nulls PCA, k-means from 20 starts at k = 2 to 6 and the silhouettes; for every bootstrap and fold one
k-means. Processor seconds of all threads; the wall clock of two idle cores is about half.

Measured on 2026-11-26, two cores shared with ten other jobs (so the wall clock, 22 s and
904 s, is not the program's; 500 patients with two workers, 5,000 with one and under the profiler):

    patients   cpu s   limit (cpu s, 2 cores)   plain cpu s   ratio
         500     6.7                      120          48.4     7.3
       5,000   200.9                    1,200         752.6     3.7

At 5,000 patients three quarters of the time are k-means (2,121 calls of 20 starts) and a quarter silhouettes.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from sklearn.cluster import KMeans
from sklearn.decomposition import PCA
from sklearn.metrics import silhouette_score
from threadpoolctl import threadpool_limits

from discovery.phenotypes import Phenotypes

FEATURES, BLOCK = 60, 5
LIMIT_SECONDS = {500: 60, 5000: 600}  # of wall clock on two cores


def cohort(n: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    factors = rng.normal(size=(n, FEATURES // BLOCK))
    factors[:, :3] += 3.0 * np.eye(3)[rng.integers(0, 3, n)]
    common = np.repeat(factors, BLOCK, axis=1)
    return 0.85 * common + 0.5 * rng.normal(size=common.shape)


def plain(x: np.ndarray, draws: int) -> float:
    """Processor seconds of the plain way, from `draws` cohorts."""
    n, p = x.shape
    rng = np.random.default_rng(2)
    root = np.linalg.svd(x - x.mean(axis=0), full_matrices=False)
    root = root[1][:, None] / np.sqrt(n - 1) * root[2]
    with threadpool_limits(1):
        start = time.process_time()
        for _ in range(draws):
            scores = PCA(10).fit_transform(rng.standard_normal((n, p)) @ root)
            for k in range(2, 7):
                labels = KMeans(k, n_init=20, random_state=0).fit_predict(scores)
                silhouette_score(scores, labels)
        null = (time.process_time() - start) / draws
        start = time.process_time()
        KMeans(3, n_init=20, random_state=0).fit(scores)
        once = time.process_time() - start
    return 2 * 199 * null + (100 + 25) * once


def main(sizes: list[int]) -> None:
    Phenotypes(draws=19, bootstraps=10, compare=False).fit(cohort(60))  # compile before the clock starts
    print("patients  cpu s  wall s  limit s  plain cpu s  ratio  verdict")
    for n in sizes:
        x = cohort(n)
        wall, cpu = time.perf_counter(), time.process_time()
        found = Phenotypes(workers=2, seed=1).fit(x)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        base = plain(x, draws=3 if n <= 1000 else 1)
        print(
            f"{n:8d} {cpu:6.1f} {wall:7.1f} {LIMIT_SECONDS.get(n, 0):8d} {base:12.1f} {base / cpu:6.1f}  "
            f"{found.k_} groups, {found.verdict_.text}",
            flush=True,
        )


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [500, 5000])
