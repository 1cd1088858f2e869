"""Ways to cut scores into k groups, all seen through one function: labels in, labels out."""

from __future__ import annotations

import warnings

import numpy as np

METHODS = ("kmeans", "ward", "mixture")
FEWEST_K, MOST_K = 2, 6
STARTS = 20


def cut(scores: np.ndarray, k: int, rng: np.random.Generator, *, method: str, starts: int) -> np.ndarray:
    """Labels (n,), 0 to k - 1, of scores (n, d) by "kmeans", "ward" or "mixture" (full covariances)."""
    if method == "kmeans":
        from discovery.kernels.kmeans import kmeans

        return kmeans(np.ascontiguousarray(scores.T), k, rng.random((starts, k)))[0]
    if method == "ward":
        return ward(scores, [k])[0]
    return mixture(scores, k, rng).predict(scores)


def cuts(scores, ks, rng: np.random.Generator, *, method: str, starts: int) -> np.ndarray:
    """Labels (len(ks), n) for every k of `ks`."""
    if method == "ward":
        return ward(scores, ks)
    return np.array([cut(scores, k, rng, method=method, starts=starts) for k in ks])


def mean_silhouettes(scores: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """Mean silhouette (m,) of each labelling of `labels` (m, n)."""
    from discovery.kernels.kmeans import silhouettes

    counts = labels.max(axis=1) + 1
    return silhouettes(np.ascontiguousarray(scores.T), np.ascontiguousarray(labels, dtype=np.int64), counts)


def ward(scores: np.ndarray, ks) -> np.ndarray:
    """Labels (len(ks), n) by Ward's linkage on Euclidean distance."""
    from scipy.cluster.hierarchy import fcluster

    tree = ward_tree(scores)
    return np.array([fcluster(tree, k, criterion="maxclust") - 1 for k in ks], dtype=np.int64)


def ward_tree(scores: np.ndarray) -> np.ndarray:
    """The merges (n - 1, 4) of Ward's linkage in scipy's form; column 2 holds the heights.

    Heights are distances, not their squares (Murtagh & Legendre, J Classif 2014;31:274-295).
    """
    from scipy.cluster.hierarchy import linkage

    return linkage(scores, method="ward")


def mixture(scores: np.ndarray, k: int, rng: np.random.Generator):
    """A fitted scikit-learn mixture of k normals with full covariances, best of five starts."""
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.mixture import GaussianMixture

    model = GaussianMixture(
        k, n_init=5, tol=1e-5, max_iter=1000, random_state=int(rng.integers(2**31 - 1)), reg_covar=1e-6
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        return model.fit(scores)


def density(scores: np.ndarray, *, smallest: int) -> np.ndarray:
    """Labels (n,) of the dense regions (HDBSCAN); -1 for a patient in none."""
    from sklearn.cluster import HDBSCAN

    return HDBSCAN(min_cluster_size=smallest, copy=True).fit_predict(scores)


def centres_of(scores: np.ndarray, labels: np.ndarray, k: int) -> np.ndarray:
    """Means (k, d) of the groups; NaN for an empty one."""
    size = np.bincount(labels, minlength=k).astype(float)
    sums = np.zeros((k, scores.shape[1]))
    np.add.at(sums, labels, scores)
    with np.errstate(invalid="ignore"):
        return sums / np.where(size > 0, size, np.nan)[:, None]


def nearest_centre(scores: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Index (n,) of the nearest centre (k, d) to each row of scores (n, d)."""
    return squared_distances(scores, centres).argmin(axis=1)


def squared_distances(scores: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """(n, k) squared Euclidean distances."""
    return ((scores[:, None, :] - centres[None, :, :]) ** 2).sum(axis=2)


def matched(centres: np.ndarray, to: np.ndarray) -> np.ndarray:
    """For each row of `centres` (k, d), which row of `to` (k, d) it stands for, at least total distance."""
    from scipy.optimize import linear_sum_assignment

    distance = squared_distances(centres, to)
    distance[np.isnan(distance)] = 1e300
    return linear_sum_assignment(distance)[1]


def pooled_within(scores: np.ndarray, labels: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Pooled within-group covariance (d, d)."""
    away = scores - centres[labels]
    return away.T @ away / max(len(scores) - len(centres), 1)
