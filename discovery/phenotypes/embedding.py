"""A flat map of the patients, for drawing only: no test, group or distance is taken from it."""

from __future__ import annotations

import warnings
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

OVERLAP_NEIGHBOURS = 15
CAPTION_WARNING = "distances and gaps between islands are not evidence"


@dataclass(frozen=True, kw_only=True)
class Embedding:
    """`points` (n, 2); `trustworthiness` (0 to 1, of 15 neighbours); `seed_overlap`, mean share of the 15
    nearest neighbours that a second seed gives the patient too; `n_neighbors`, `seed`."""

    points: np.ndarray
    n_neighbors: int
    seed: int
    trustworthiness: float
    seed_overlap: float

    @property
    def caption(self) -> str:
        return (
            f"UMAP, seed {self.seed}, {self.n_neighbors} neighbours; trustworthiness "
            f"{self.trustworthiness:.2f}; {100 * self.seed_overlap:.0f} % of the {OVERLAP_NEIGHBOURS} "
            f"nearest neighbours shared with a second seed; {CAPTION_WARNING}"
        )


def embed(scores: np.ndarray, *, seed: int, n_neighbors: int = 15, min_dist: float = 0.1) -> Embedding:
    """UMAP of component scores (n, d), n > 2; drawn twice to say how far the picture depends on the seed.

    References
    ----------
    McInnes, Healy & Melville, arXiv 1802.03426; Venna & Kaski, Neural Netw 2006;19:889-899.
    """
    from sklearn.manifold import trustworthiness
    from umap import UMAP

    _keep_compiled_loops()
    n = len(scores)
    n_neighbors = max(2, min(n_neighbors, n - 1))
    # the spectral start needs more patients than twice the dimensions; below that a random one serves
    init = "spectral" if n > 20 else "random"

    def draw(number: int) -> np.ndarray:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = UMAP(n_neighbors=n_neighbors, min_dist=min_dist, random_state=number, n_jobs=1, init=init)
            return np.asarray(model.fit_transform(scores), dtype=float)

    first, second = draw(seed % 2**31), draw((seed + 1) % 2**31)
    near = min(OVERLAP_NEIGHBOURS, n - 1)
    return Embedding(
        points=first,
        n_neighbors=n_neighbors,
        seed=seed,
        trustworthiness=float(trustworthiness(scores, first, n_neighbors=max(1, min(near, (n - 1) // 2)))),
        seed_overlap=neighbour_overlap(first, second, near),
    )


def _keep_compiled_loops() -> None:
    """Let numba keep the library's compiled loops on disk: it compiles them anew in every process otherwise,
    for twenty times as long as the two maps of a cohort take. Where no folder is writable they are not kept.
    """
    from numba.core.dispatcher import Dispatcher
    from umap import layouts, umap_, utils

    for module in (layouts, umap_, utils):
        for loop in vars(module).values():
            if isinstance(loop, Dispatcher) and loop.py_func.__module__ == module.__name__:
                with suppress(RuntimeError):
                    loop.enable_caching()


def neighbour_overlap(first: np.ndarray, second: np.ndarray, near: int) -> float:
    """Mean share of each patient's `near` nearest neighbours that two maps (n, 2) have in common."""
    from scipy.spatial import cKDTree

    sets = [cKDTree(points).query(points, near + 1)[1] for points in (first, second)]
    shared = [len((set(a.tolist()) - {i}) & (set(b.tolist()) - {i})) for i, (a, b) in enumerate(zip(*sets))]
    return float(np.mean(shared) / near)
