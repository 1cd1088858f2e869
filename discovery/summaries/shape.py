"""Learned shape: functional principal components of the averaged beat, frozen for a second cohort.

The beat is first freed of size and rate: pressure above end-diastolic pressure over developed pressure,
systole and diastole each stretched to half of the points. What is left is form.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from discovery.beats.ensemble import EnsembleBeat

POINTS = 100
SHARE_WANTED = 0.95
MOST_COMPONENTS = 6
VERSION = 1


def normalised_beat(beat: EnsembleBeat, *, points: int = POINTS) -> np.ndarray:
    """An averaged beat without size and rate, array (points,); missing when a landmark is.

    The first half runs from end-diastole to the steepest fall, the second to the end of the beat;
    0 is end-diastolic pressure, 1 the systolic peak.
    """
    marks = beat.landmarks
    onset, fall = float(marks["t_ed"][0]), float(marks["t_dpdt_min"][0])
    edp, peak = float(marks["p_ed"][0]), float(marks["p_systolic"][0])
    end = (beat.level.size - 1) / beat.rate_hz
    if not (np.isfinite([onset, fall, edp, peak]).all() and onset < fall < end and peak - edp >= 4.0):
        return np.full(points, np.nan)
    half = points // 2
    time = np.concatenate(
        [np.linspace(onset, fall, half, endpoint=False), np.linspace(fall, end, points - half)]
    )
    pressure = np.interp(time * beat.rate_hz, np.arange(beat.level.size), beat.level)
    return (pressure - edp) / (peak - edp)


class ShapeComponents:
    """Functional principal components of normalised beats, in the manner of scikit-learn.

    Parameters
    ----------
    n_components : int or None
        None keeps as many as explain 95 % of the variance, at most 6.

    Attributes after `fit`
    ----------------------
    mean_ : (points,); components_ : (k, points), orthonormal; score_sd_ : (k,);
    explained_variance_ratio_ : (k,); n_beats_ : int.

    The sign of a component is fixed: its largest loading (the earliest of equal ones) is positive. One
    beat a patient should be fitted, so that no patient weighs more than another.
    """

    def __init__(self, n_components: int | None = None):
        self.n_components = n_components

    def fit(self, beats: np.ndarray, y: object = None) -> ShapeComponents:
        """Learn the components from beats (n_beats, points); rows with a missing point are left out."""
        x = self._checked(beats)
        x = x[np.isfinite(x).all(axis=1)]
        if x.shape[0] < 3:
            raise InputError(
                [Problem(file="beats", found=str(x.shape[0]), wanted="at least 3 complete beats")]
            )
        wanted = self.n_components
        limit = min(x.shape[0] - 1, x.shape[1])
        if wanted is not None and not 1 <= wanted <= limit:
            raise InputError(
                [Problem(file="n_components", found=str(wanted), wanted=f"a number from 1 to {limit}")]
            )
        self.mean_ = x.mean(axis=0)
        _, size, loading = np.linalg.svd(x - self.mean_, full_matrices=False)
        variance = size**2 / (x.shape[0] - 1)
        total = variance.sum()
        share = variance / total if total > 0 else np.zeros_like(variance)
        if wanted is None:
            reached = int(np.searchsorted(np.cumsum(share), SHARE_WANTED - 1e-12)) + 1
            wanted = min(reached, MOST_COMPONENTS, limit)
        size_of = np.abs(loading[:wanted])
        largest = (size_of >= (1 - 1e-6) * size_of.max(axis=1, keepdims=True)).argmax(axis=1)
        sign = np.sign(loading[np.arange(wanted), largest])
        self.components_ = loading[:wanted] * sign[:, None]
        self.score_sd_ = np.sqrt(variance[:wanted])
        self.explained_variance_ratio_ = share[:wanted]
        self.n_beats_ = int(x.shape[0])
        return self

    def transform(self, beats: np.ndarray) -> np.ndarray:
        """Scores in units of the standard deviation seen in fitting, (n_beats, k); missing rows stay so."""
        x = self._checked(beats)
        if x.shape[1] != self.mean_.size:
            raise InputError(
                [
                    Problem(
                        file="beats",
                        found=f"{x.shape[1]} points",
                        wanted=f"{self.mean_.size} points, as fitted",
                    )
                ]
            )
        sd = np.where(self.score_sd_ > 0, self.score_sd_, 1.0)
        return (x - self.mean_) @ self.components_.T / sd

    def fit_transform(self, beats: np.ndarray, y: object = None) -> np.ndarray:
        """`fit` and `transform` on the same beats."""
        return self.fit(beats).transform(beats)

    def inverse_transform(self, scores: np.ndarray) -> np.ndarray:
        """Normalised beats from scores, (n_beats, points)."""
        return self.mean_ + (np.atleast_2d(scores) * self.score_sd_) @ self.components_

    def waveforms(self, component: int, *, sd: float = 2.0) -> np.ndarray:
        """Mean less `sd` standard deviations of one component, mean, and mean plus, (3, points)."""
        swing = sd * self.score_sd_[component] * self.components_[component]
        return np.stack([self.mean_ - swing, self.mean_, self.mean_ + swing])

    def waveform_table(self, *, sd: float = 2.0) -> pd.DataFrame:
        """What `waveforms` gives for every component, as a figure draws it; no patient is in it.

        component (from 1), share (of the variance), curve (low, mean, high), phase (0 to 1 systole, 1 to 2
        diastole), pressure (0 end-diastolic, 1 systolic peak), sd, n_beats.
        """
        import pandas as pd

        points = self.mean_.size
        half = points // 2
        phase = np.concatenate([np.linspace(0, 1, half, endpoint=False), np.linspace(1, 2, points - half)])
        parts = []
        for k in range(self.components_.shape[0]):
            for curve, pressure in zip(("low", "mean", "high"), self.waveforms(k, sd=sd)):
                share = float(self.explained_variance_ratio_[k])
                about = {"component": k + 1, "share": share, "curve": curve}
                parts.append(pd.DataFrame({**about, "phase": phase, "pressure": pressure}))
        return pd.concat(parts, ignore_index=True).assign(sd=sd, n_beats=self.n_beats_)

    def to_dict(self) -> dict[str, Any]:
        """Everything that a second cohort needs, as plain lists; no patient is in it."""
        return {
            "kind": "shape components",
            "version": VERSION,
            "mean": self.mean_.tolist(),
            "components": self.components_.tolist(),
            "score_sd": self.score_sd_.tolist(),
            "explained_variance_ratio": self.explained_variance_ratio_.tolist(),
            "n_beats": self.n_beats_,
        }

    @classmethod
    def from_dict(cls, frozen: object, *, source: str = "shape components") -> ShapeComponents:
        """The components that `to_dict` wrote; InputError when `frozen` is not such a thing."""
        said = frozen if isinstance(frozen, dict) else {}
        if said.get("kind") != "shape components" or said.get("version") != VERSION:
            found = f"version {said['version']}" if "version" in said else "something else"
            wanted = f"shape components of version {VERSION}, as shape_components.json holds them"
            raise InputError([Problem(file=source, found=found, wanted=wanted)])
        try:
            self = cls(n_components=len(said["components"]))
            self.mean_ = np.asarray(said["mean"], dtype=float)
            self.components_ = np.asarray(said["components"], dtype=float)
            self.score_sd_ = np.asarray(said["score_sd"], dtype=float)
            self.explained_variance_ratio_ = np.asarray(said["explained_variance_ratio"], dtype=float)
            self.n_beats_ = int(said["n_beats"])
        except (KeyError, TypeError, ValueError) as fault:
            wanted = "mean, components, score_sd, explained_variance_ratio and n_beats"
            raise InputError([Problem(file=source, found=f"damaged ({fault})", wanted=wanted)]) from None
        count, points = (len(self.score_sd_), self.mean_.size)
        fits = self.components_.shape == (count, points) and count and np.isfinite(self.components_).all()
        if not fits or self.explained_variance_ratio_.shape != (count,) or not np.isfinite(self.mean_).all():
            wanted = "components of one length, each with its standard deviation and share"
            raise InputError([Problem(file=source, found="numbers that do not fit together", wanted=wanted)])
        return self

    @staticmethod
    def _checked(beats: np.ndarray) -> np.ndarray:
        x = np.asarray(beats, dtype=float)
        if x.ndim != 2:
            raise InputError([Problem(file="beats", found=f"shape {x.shape}", wanted="one beat a row")])
        return x


def read_components(path: Path, *, source: str = "") -> ShapeComponents:
    """The components in a `shape_components.json`; InputError when it holds no such thing."""
    source = source or path.name
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or "it is not JSON"
        wanted = "a shape_components.json of another study is wanted"
        raise InputError([Problem(file=source, found=reason, wanted=wanted)]) from None
    return ShapeComponents.from_dict(content, source=source)
