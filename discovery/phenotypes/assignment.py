"""New patients and cohorts seen by a fitted or frozen model."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from discovery.phenotypes.axes import congruence, likeness_word, score_agreement
from discovery.phenotypes.cluster import centres_of, cut, matched, nearest_centre
from discovery.phenotypes.filling import Filling
from discovery.phenotypes.novelty import UNLIKE
from discovery.phenotypes.prepare import as_table
from discovery.phenotypes.reduce import learn_components
from discovery.phenotypes.replication import (
    ORDER,
    STRENGTH,
    PhenotypeReplication,
    prediction_strengths,
    profile_agreement,
)
from discovery.phenotypes.turned import Axes, turned
from discovery.phenotypes.verdict import REPLICATED, SUPPORTED, Verdict
from discovery.problems import InputError, Problem
from discovery.seeds import named_rng

SURE = 0.8  # share of the bootstrap votes
UNLIKE_ANYONE, BETWEEN, TOO_LITTLE = "unlike anyone seen", "between groups", "too little measured"


class Assigning:
    """The part of the model that needs no discovery patients."""

    preparation_: Any
    components_: Any
    directions_: Any
    centres_: np.ndarray
    vote_centres_: np.ndarray
    profile_: np.ndarray
    sizes_: np.ndarray
    novelty_: Any
    mixture_: dict[str, np.ndarray] | None
    verdict_: Verdict
    k_: int
    method: str
    starts: int
    seed: int

    @property
    def group_names(self) -> list[str]:
        """P1, P2, ..., from the largest group down."""
        return [f"P{c + 1}" for c in range(self.k_)]

    @property
    def axis_names(self) -> list[str]:
        """PC1, PC2, ..., or RC1, RC2, ... for turned axes."""
        return self.directions_.names

    def axis_scores(self, X: Any) -> np.ndarray:
        """Places (n, d) on the axes of features X (n, p): as `transform`, unless the axes were turned."""
        return self.directions_.of_scores(self.transform(X))

    def transform(self, X: Any) -> np.ndarray:
        """Component scores (n, d) of features X (n, p); NaN for a patient with too little measured."""
        x, measured = self._prepared(X)
        out = np.full((len(x), self.components_.kept), np.nan)
        out[measured] = self.components_.scores(x[measured])
        return out

    def predict(self, X: Any) -> np.ndarray:
        """Group (n,), 0 to k - 1, of features X (n, p); -1 for a patient with too little measured."""
        return self._groups(self.transform(X))

    def predict_proba(self, X: Any) -> np.ndarray:
        """(n, k) share of the bootstrap solutions that put the patient in each group; NaN if not assigned."""
        return self._votes(self.transform(X))

    def get_feature_names_out(self, input_features: Any = None) -> np.ndarray:
        return np.array([f"PC{j + 1}" for j in range(self.components_.kept)], dtype=object)

    def assign(self, X: Any) -> pd.DataFrame:
        """One row a patient: patient_id, group (P1, ... or empty), probability, p_unlike, verdict.

        verdict : the group's name; "between groups" when less than 80 % of the bootstrap solutions agree;
        "unlike anyone seen" when p_unlike <= .01; "too little measured" with under half of the features.
        The group is given for a patient unlike anyone too: it is only the least far.

        Raises
        ------
        InputError : a feature that took part is missing from X; see `Preparation.scaled`.
        """
        table = as_table(X)
        x, measured = self._prepared(table)
        scores = np.full((len(x), self.components_.kept), np.nan)
        scores[measured] = self.components_.scores(x[measured])
        group, votes = self._groups(scores), self._votes(scores)
        p = np.full(len(x), np.nan)
        if measured.any():
            p[measured] = self.novelty_.p_values(self.components_, self.centres_, x[measured])
        names = self.group_names
        chosen = np.where(measured, votes[np.arange(len(x)), np.maximum(group, 0)], np.nan)
        words = [
            TOO_LITTLE
            if not ok
            else UNLIKE_ANYONE
            if far <= UNLIKE
            else BETWEEN
            if share < SURE
            else names[at]
            for ok, far, share, at in zip(measured, p, chosen, group)
        ]
        return pd.DataFrame(
            {
                "patient_id": table.index.astype(str),
                "group": [names[at] if at >= 0 else "" for at in group],
                "probability": chosen,
                "p_unlike": p,
                "verdict": words,
            }
        )

    def replicate(self, X: Any) -> PhenotypeReplication:
        """Look for the frozen groups and axes in a second cohort, features X (n, p), NaN missing.

        Returns a `PhenotypeReplication`. Groups: the cohort is cut anew and compared with what the frozen
        centroids make of it. Axes, with or without groups: the cohort's own components are matched with the
        frozen ones, by loadings (congruence) and by the scores that both give its patients (score_agreement).

        "replicated phenotypes" when the discovery verdict was "supported phenotypes", prediction strength
        is at least .8 and the profile agrees in every group (`replication.profile_agreement`: Spearman of
        at least .7, or as much as sampling leaves of the order of one and the same profile).

        Raises
        ------
        InputError : fewer than 5 patients a group with enough measured, or a feature is missing.
        """
        x, measured = self._prepared(X)
        x = x[measured]
        if len(x) < 5 * self.k_:
            found = f"{len(x)} patients with enough measured"
            raise InputError([Problem(file="features", found=found, wanted=f"{5 * self.k_} or more")])
        scores = self.components_.scores(x)
        assigned = self._groups(scores)
        rng = named_rng(self.seed, "phenotypes", "second cohort")
        own = cut(scores, self.k_, rng, method=self.method, starts=self.starts)
        own = matched(centres_of(scores, own, self.k_), self.centres_)[own]
        strengths = prediction_strengths(own, assigned, self.k_)
        strength = float(strengths.min())
        profiles = profile_agreement(
            self.profile_, self.sizes_, x / self.preparation_.weight, own,
            named_rng(self.seed, "phenotypes", "profiles of a second cohort"),
        )  # fmt: skip
        far = self.novelty_.p_values(self.components_, self.centres_, x) <= UNLIKE
        again = self.axes_learned_anew(x)
        alike = congruence(self.directions_.loadings, again.loadings)
        held = bool(strength >= STRENGTH and profiles.agrees.all())
        word = REPLICATED if held and self.verdict_.word == SUPPORTED else "not replicated"
        size = np.bincount(assigned, minlength=self.k_)
        return PhenotypeReplication(
            prediction_strength=strength,
            by_group=pd.DataFrame(
                {
                    "phenotype": self.group_names,
                    "n": size,
                    "share": size / len(x),
                    "discovery_share": self.sizes_ / self.sizes_.sum(),
                    "prediction_strength": strengths,
                    "profile_order": profiles.order,
                    "profile_order_if_same": profiles.order_if_same,
                    "profile_congruence": profiles.congruence,
                    "profile_agrees": profiles.agrees,
                }
            ),
            axes=pd.DataFrame(
                {
                    "axis": self.axis_names,
                    "congruence": alike,
                    "score_agreement": score_agreement(self.directions_, again, x),
                    "word": [likeness_word(value) for value in alike],
                }
            ),
            unlike=float(far.mean()),
            n=len(x),
            replicated=word == REPLICATED,
            verdict=word,
            reasons=(
                f"discovery: {self.verdict_.word}",
                f"prediction strength {strength:.2f} ({STRENGTH} needed)",
                f"lowest profile order {np.min(profiles.order):.2f} ({ORDER} needed in every group, or as "
                "much as sampling leaves of the order of one profile, and congruent profiles)",
            ),
        )

    def axes_learned_anew(self, x: np.ndarray) -> Axes:
        """The own axes of prepared rows x (n, p), as many and as many of them turned as the frozen ones."""
        turn = self.directions_.turn
        own = learn_components(x, exactly=self.components_.kept)
        return turned(own, 0 if turn is None else len(turn))

    def _prepared(self, X: Any) -> tuple[np.ndarray, np.ndarray]:
        """Weighted, filled z-scores (n, p), and which patients (n,) have enough measured."""
        z = self.preparation_.scaled(as_table(X))
        measured = self.preparation_.measured(z)
        full = Filling(np.isnan(z), self.preparation_.covariance).expected(z)
        return full * self.preparation_.weight, measured

    def _groups(self, scores: np.ndarray) -> np.ndarray:
        known = ~np.isnan(scores).any(axis=1)
        out = np.full(len(scores), -1)
        if self.mixture_ is None:
            out[known] = nearest_centre(scores[known], self.centres_)
        else:
            out[known] = _log_densities(scores[known], self.mixture_).argmax(axis=1)
        return out

    def _votes(self, scores: np.ndarray) -> np.ndarray:
        known = ~np.isnan(scores).any(axis=1)
        out = np.full((len(scores), self.k_), np.nan)
        votes = np.zeros((int(known.sum()), self.k_))
        for centres in self.vote_centres_:
            nearest = nearest_centre(scores[known], np.where(np.isnan(centres), 1e150, centres))
            votes[np.arange(len(votes)), nearest] += 1
        out[known] = votes / len(self.vote_centres_)
        return out


def _log_densities(scores: np.ndarray, mixture: dict[str, np.ndarray]) -> np.ndarray:
    """(n, k) log of weight times normal density, up to a constant."""
    out = []
    for weight, mean, covariance in zip(*(mixture[name] for name in ("weight", "mean", "covariance"))):
        away = scores - mean
        inside = (away * np.linalg.solve(covariance, away.T).T).sum(axis=1)
        out.append(np.log(weight) - 0.5 * (inside + np.linalg.slogdet(covariance)[1]))
    return np.stack(out, axis=1)
