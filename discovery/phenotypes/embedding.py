"""A flat map of the patients, for drawing only: no test, group or distance is taken from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.seeds import named_rng

OVERLAP_NEIGHBOURS = 15
CAPTION_WARNING = "distances and gaps between islands are not evidence"
# the likeness 1 / (1 + a d^(2b)) that comes nearest to 1 up to a distance of .1 and exp(.1 - d) beyond
CURVE_A, CURVE_B = 1.576943, 0.895061
EPOCHS = 500
WIDTH = 10.0  # of the start, in the plane


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


def embed(scores: np.ndarray, *, seed: int, n_neighbors: int = 15) -> Embedding:
    """UMAP of component scores (n, d), n > 2; drawn twice to say how far the picture depends on the seed.

    The patient counts as the first of the n_neighbors. The start is a plane through the scores with random
    noise of the seed, in which island lies near island as in the scores.

    References
    ----------
    McInnes, Healy & Melville, arXiv 1802.03426; Kobak & Linderman, Nat Biotechnol 2021;39:156-157 (start);
    Venna & Kaski, Neural Netw 2006;19:889-899 (trustworthiness).
    """
    from sklearn.manifold import trustworthiness

    n = len(scores)
    n_neighbors = max(2, min(n_neighbors, n - 1))
    pairs = likeness_graph(scores, n_neighbors)
    first, second = (_drawn(scores, pairs, number) for number in (seed, seed + 1))
    near = min(OVERLAP_NEIGHBOURS, n - 1)
    return Embedding(
        points=first,
        n_neighbors=n_neighbors,
        seed=seed,
        trustworthiness=float(trustworthiness(scores, first, n_neighbors=max(1, min(near, (n - 1) // 2)))),
        seed_overlap=neighbour_overlap(first, second, near),
    )


def likeness_graph(scores: np.ndarray, n_neighbors: int):
    """How far each two patients belong together, a sparse matrix (n, n): either to the other, or both."""
    from scipy.sparse import coo_matrix
    from scipy.spatial import cKDTree

    from discovery.kernels.layout import memberships

    n = len(scores)
    distance, neighbour = cKDTree(scores).query(scores, n_neighbors)
    # the patient stands first, or among others at the same place
    own = neighbour == np.arange(n)[:, None]
    own[~own.any(axis=1), -1] = True
    neighbour, distance = (part[~own].reshape(n, n_neighbors - 1) for part in (neighbour, distance))
    weight = memberships(np.ascontiguousarray(distance))
    row = np.repeat(np.arange(n), n_neighbors - 1)
    one = coo_matrix((weight.ravel(), (row, neighbour.ravel())), shape=(n, n)).tocsr()
    back = one.T.tocsr()
    return (one + back - one.multiply(back)).tocoo()


def _drawn(scores: np.ndarray, pairs, number: int) -> np.ndarray:
    from discovery.kernels.layout import spread_out

    rng = named_rng(number, "phenotypes", "map")
    start = np.zeros((len(scores), 2))
    start[:, : scores.shape[1]] = scores[:, :2]
    start -= start.mean(axis=0)
    start *= WIDTH / (np.abs(start).max() or 1.0)
    start += rng.normal(scale=1e-4 * WIDTH, size=start.shape)
    strong = pairs.data >= pairs.data.max() / EPOCHS  # any weaker would never be pulled
    head, tail = (np.ascontiguousarray(part[strong], dtype=np.int64) for part in (pairs.row, pairs.col))
    seed = np.uint64(rng.integers(1, 2**63))
    return spread_out(start, head, tail, pairs.data[strong], CURVE_A, CURVE_B, EPOCHS, seed)


def neighbour_overlap(first: np.ndarray, second: np.ndarray, near: int) -> float:
    """Mean share of each patient's `near` nearest neighbours that two maps (n, 2) have in common."""
    from scipy.spatial import cKDTree

    sets = [cKDTree(points).query(points, near + 1)[1] for points in (first, second)]
    shared = [len((set(a.tolist()) - {i}) & (set(b.tolist()) - {i})) for i, (a, b) in enumerate(zip(*sets))]
    return float(np.mean(shared) / near)
