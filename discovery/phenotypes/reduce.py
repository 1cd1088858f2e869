"""Principal components of the prepared features: how many, what they hold, and axes turned to be readable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

VARIANCE = 0.85
MOST_COMPONENTS = 10


@dataclass(frozen=True, kw_only=True)
class Components:
    """Principal components of a matrix (n, p), of which the first d are kept.

    centre (p,); loadings (p, d), columns of length 1, the largest entry of each positive; variance (r,),
    all r eigenvalues (divisor n - 1), descending; total, their sum.
    """

    centre: np.ndarray
    loadings: np.ndarray
    variance: np.ndarray
    total: float

    @property
    def kept(self) -> int:
        return self.loadings.shape[1]

    @property
    def ratio(self) -> np.ndarray:
        """Share of the total variance by component (r,)."""
        return self.variance / self.total

    def scores(self, x: np.ndarray) -> np.ndarray:
        """(n, d) scores of rows x (n, p)."""
        return (x - self.centre) @ self.loadings

    def off_plane(self, x: np.ndarray) -> np.ndarray:
        """Distance (n,) of rows x (n, p) from the space of the kept components."""
        away = x - self.centre
        return np.sqrt(np.maximum((away**2).sum(axis=1) - ((away @ self.loadings) ** 2).sum(axis=1), 0.0))

    def to_dict(self) -> dict[str, Any]:
        return {
            "centre": self.centre.tolist(),
            "loadings": self.loadings.tolist(),
            "variance": self.variance.tolist(),
            "total": float(self.total),
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Components:
        arrays = {name: np.asarray(kept[name], float) for name in ("centre", "loadings", "variance")}
        return cls(total=float(kept["total"]), **arrays)


def learn_components(
    x: np.ndarray, *, variance: float = VARIANCE, most: int = MOST_COMPONENTS, exactly: int | None = None
) -> Components:
    """Components of x (n, p): as many as hold `variance` of the total, at most `most`; or `exactly` many."""
    n, p = x.shape
    centre = x.mean(axis=0)
    away = x - centre
    if p <= n:
        value, vector = np.linalg.eigh(away.T @ away / (n - 1))
        value, vector = value[::-1], vector[:, ::-1]
    else:
        value, left = np.linalg.eigh(away @ away.T / (n - 1))
        value, left = value[::-1], left[:, ::-1]
        vector = away.T @ left / np.sqrt(np.maximum(value * (n - 1), np.finfo(float).tiny))
    rank = max(int((value > value[0] * 1e-12).sum()), 1)
    value, vector = np.maximum(value[:rank], 0.0), vector[:, :rank]
    total = float(value.sum())
    if exactly is None:
        reached = np.cumsum(value) >= variance * total * (1 - 1e-12)
        d = min(int(np.argmax(reached)) + 1, most)
    else:
        d = exactly
    d = min(d, rank)
    kept = vector[:, :d]
    sign = np.sign(kept[np.argmax(np.abs(kept), axis=0), np.arange(d)])
    return Components(
        centre=centre, loadings=kept * np.where(sign == 0, 1.0, sign), variance=value, total=total
    )


def component_counts(variance: np.ndarray) -> dict[str, int]:
    """How many components three plain rules keep, from all eigenvalues (p,) of a correlation matrix.

    "eigenvalue above 1", "broken stick" (the leading run above it) and "80 % of variance".
    """
    p = len(variance)
    share = variance / variance.sum()
    stick = np.cumsum(1 / np.arange(p, 0, -1))[::-1] / p
    above = share > stick
    return {
        "eigenvalue above 1": int((variance > 1).sum()),
        "broken stick": p if above.all() else int(np.argmin(above)),
        "80 % of variance": int(np.argmax(np.cumsum(share) >= 0.8 - 1e-12)) + 1,
    }


def parallel_analysis(x: np.ndarray, rng: np.random.Generator, *, draws: int = 199, level: float = 0.95):
    """Eigenvalues (r,) that columns of x (n, p) shuffled apart would have: mean, and `level` quantile.

    References
    ----------
    Horn, Psychometrika 1965;30:179-185; Buja & Eyuboglu, Multivar Behav Res 1992;27:509-540 (shuffling).
    """
    n, p = x.shape
    r = min(p, n - 1)
    away = x - x.mean(axis=0)
    values = np.empty((draws, r))
    for draw in range(draws):
        shuffled = rng.permuted(away, axis=0)
        square = shuffled.T @ shuffled if p <= n else shuffled @ shuffled.T
        values[draw] = np.linalg.eigvalsh(square / (n - 1))[::-1][:r]
    return values.mean(axis=0), np.quantile(values, level, axis=0)


def varimax(loadings: np.ndarray, *, rounds: int = 1000, tolerance: float = 1e-14):
    """Loadings (p, d) turned so that each axis rests on few features; returns them and the rotation (d, d).

    References
    ----------
    Kaiser, Psychometrika 1958;23:187-200 (raw varimax).
    """
    d = loadings.shape[1]
    turn, reached = np.eye(d), 0.0
    if d < 2:
        return loadings.copy(), turn
    for _ in range(rounds):
        turned = loadings @ turn
        slope = loadings.T @ (turned**3 - turned * (turned**2).mean(axis=0))
        left, value, right = np.linalg.svd(slope)
        turn = left @ right
        if value.sum() < reached * (1 + tolerance):
            break
        reached = value.sum()
    return loadings @ turn, turn
