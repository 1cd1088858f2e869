"""What imputation costs a ranking, as ratios to complete cases and to complete data in one run.

    python tests/benchmarks/bench_imputation.py

One process, one thread, processor seconds; the second of two repeats counts, after compiling.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.cohort.imputed_screen import impute_screen
from discovery.markers.table import rank_markers
from discovery.study import Outcome

DRAWS = 200


def design_of_size(n: int, p: int, missing: float):
    rng = np.random.default_rng(1)
    x = 0.8 * np.repeat(rng.normal(size=(n, p // 5)), 5, axis=1) + 0.6 * rng.normal(size=(n, p))
    z = rng.normal(size=(n, 3))
    death = rng.exponential(size=n) * np.exp(-0.5 * x[:, 0])
    seen = np.where(rng.random((n, p)) < missing, np.nan, x)
    ids = np.array([f"p{i:05d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(
        name="death", label="death", kind="survival", patient_id=ids,
        time=np.minimum(death, 1.0), status=(death <= 1).astype(float),
    )  # fmt: skip
    return build_design(
        outcome,
        pd.DataFrame(z, index=index, columns=list("abc")),
        pd.DataFrame(seen, index=index, columns=[f"f{j}" for j in range(p)]),
    )


def seconds(design, imputations: int) -> tuple[float, float]:
    """Processor seconds of imputing and pooling, and of the ranking."""
    for _ in range(2):
        before = screen(design, permutations=0)
        start = time.process_time()
        found = impute_screen(design, before, imputations=imputations, seed=1)
        pooled = time.process_time()
        completed = {} if found.completed is None else {design.outcome: found.completed}
        rank_markers([design], [found.screen], seed=1, replicates=DRAWS, completed=completed)
        end = time.process_time()
    return pooled - start, end - pooled


def main() -> None:
    print("n, features, missing: imputing and pooling; ranking / complete cases, / complete data")
    for n, p in ((150, 40), (300, 40), (500, 60)):
        whole = sum(seconds(design_of_size(n, p, 0.0), 0))
        design = design_of_size(n, p, 0.2)
        alone = sum(seconds(design, 0))
        pooling, ranking = seconds(design, 20)
        print(
            f"{n} {p} 20 %: {pooling:.2f} s; all {pooling + ranking:.2f} s, "
            f"{(pooling + ranking) / alone:.2f} x complete cases, {(pooling + ranking) / whole:.2f} x no gaps"
        )


if __name__ == "__main__":
    main()
