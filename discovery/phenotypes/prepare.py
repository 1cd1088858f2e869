"""Features made ready for clustering: transformed, winsorised, in SD, filled in, families of equal voice.

Everything is learned once on the discovery cohort and replayed as it is on new patients.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from discovery.association.scaling import WINSOR, FeatureScaling, learn_scaling
from discovery.markers.families import find_families
from discovery.phenotypes.filling import learn_covariance
from discovery.problems import InputError, Problem, nearest

TRANSFORMS = ("none", "log", "rank-normal")
MOST_MISSING = 0.4  # share of patients, past which a feature does not take part
LEAST_MEASURED = 0.5  # share of the features, below which a patient is not assigned
CORRELATED = "correlated"
GRID = 201  # quantiles kept of a rank-normal feature


@dataclass(frozen=True, kw_only=True)
class Preparation:
    """How raw features (n, p) become the matrix that is clustered.

    `table`, one row a feature that takes part: transform, low, high, mean, sd (winsor limits and scale
    of the transformed values), n, family, weight (1 / sqrt of the family's size). `left_out`: feature,
    reason. `covariance` (p, p) of the z-scores, shrunk, by which missing values are filled in.
    `quantiles`: for each rank-normal feature its GRID quantiles, never patients' values.
    """

    table: pd.DataFrame
    left_out: pd.DataFrame
    covariance: np.ndarray
    quantiles: dict[str, np.ndarray]

    @property
    def names(self) -> list[str]:
        return [str(name) for name in self.table.index]

    @property
    def weight(self) -> np.ndarray:
        return self.table["weight"].to_numpy(float)

    def scaled(self, features: pd.DataFrame) -> np.ndarray:
        """z-scores (n, p), NaN missing.

        Raises
        ------
        InputError : a feature that took part is not there; a log of a value at or below 0; infinite values.
        """
        lacking = [name for name in self.names if name not in features.columns]
        if lacking:
            raise InputError(
                Problem(file="features", column=n, wanted=f"the column; {nearest(n, features.columns)}")
                for n in lacking
            )
        moved = transformed(features[self.names], self.table["transform"].to_dict(), self.quantiles)
        return FeatureScaling(table=self.table).apply(moved)

    def measured(self, z: np.ndarray) -> np.ndarray:
        """Whether each patient (n,) has at least half of the features."""
        return np.mean(~np.isnan(z), axis=1) >= LEAST_MEASURED

    def to_dict(self) -> dict[str, Any]:
        table = self.table.replace([np.inf, -np.inf], np.nan)
        return {
            "features": [
                {k: (None if v != v else v) for k, v in row.items()}
                for row in table.reset_index().to_dict("records")
            ],
            "left_out": self.left_out.to_dict("records"),
            "covariance": self.covariance.tolist(),
            "quantiles": {name: grid.tolist() for name, grid in self.quantiles.items()},
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Preparation:
        table = pd.DataFrame(kept["features"]).set_index("feature")
        for column, unlimited in (("low", -np.inf), ("high", np.inf)):
            table[column] = table[column].astype(float).fillna(unlimited)
        return cls(
            table=table,
            left_out=pd.DataFrame(kept["left_out"], columns=["feature", "reason"]),
            covariance=np.asarray(kept["covariance"], dtype=float),
            quantiles={name: np.asarray(grid, float) for name, grid in kept["quantiles"].items()},
        )


def as_table(features: Any) -> pd.DataFrame:
    """A table of float features from a DataFrame or an array (n, p) (columns x0, x1, ...).

    Raises
    ------
    InputError : not two-dimensional, not numeric, repeated names, infinite values.
    """
    if not isinstance(features, pd.DataFrame):
        values = np.asarray(features)
        if values.ndim != 2:
            raise InputError(
                [Problem(file="features", found=f"shape {values.shape}", wanted="patients x features")]
            )
        features = pd.DataFrame(values, columns=[f"x{j}" for j in range(values.shape[1])])
    problems = []
    for name in features.columns[features.columns.duplicated()]:
        problems.append(Problem(file="features", column=str(name), wanted="a name that occurs once"))
    columns: dict[str, np.ndarray] = {}
    for at, name in enumerate(features.columns):
        try:
            values = pd.to_numeric(features.iloc[:, at]).to_numpy(dtype=float, na_value=np.nan)
        except (TypeError, ValueError):
            problems.append(
                Problem(file="features", column=str(name), found="text", wanted="numbers or empty")
            )
            continue
        if np.isinf(values).any():
            problems.append(
                Problem(file="features", column=str(name), found="an infinite value", wanted="finite numbers")
            )
        columns[str(name)] = values
    if problems:
        raise InputError(problems)
    return pd.DataFrame(columns, index=features.index)


def learn_preparation(
    features: pd.DataFrame,
    *,
    transforms: Mapping[str, str] | None = None,
    families: Mapping[str, Any] | str | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
) -> Preparation:
    """Learn every step from raw `features` (n, p), NaN missing; see `Preparation`.

    transforms : feature -> "none" (default), "log" or "rank-normal".
    families : feature -> declared family; a feature without one, or all with None, counts as a family
        alone. "correlated" takes the correlation families (average |Spearman rho| of .7): to be used with
        care, as groups make features correlate, and down-weighting those hides the groups.

    Features without spread or with more than 40 % missing are left out and named.

    Raises
    ------
    InputError : an unknown transform or feature, a log of a value at or below 0, fewer than two features.
    """
    transforms = dict(transforms or {})
    problems = [
        Problem(file="transforms", column=str(name), wanted=f"a feature; {nearest(name, features.columns)}")
        for name in (*transforms, *(families if isinstance(families, Mapping) else {}))
        if name not in features.columns
    ]
    problems += [
        Problem(file="transforms", column=str(name), found=kind, wanted=f"one of {', '.join(TRANSFORMS)}")
        for name, kind in transforms.items()
        if kind not in TRANSFORMS
    ]
    if isinstance(families, str) and families != CORRELATED:
        wanted = f"feature -> family, None or {CORRELATED!r}"
        problems.append(Problem(file="families", found=families, wanted=wanted))
    if problems:
        raise InputError(problems)
    reasons = {name: reason for name in features if (reason := _no_use(features[name]))}
    kept = features.drop(columns=list(reasons))
    if kept.shape[1] < 2:
        found = f"{kept.shape[1]} of {features.shape[1]} features with spread and at most 40 % missing"
        raise InputError([Problem(file="features", found=found, wanted="at least two to look for groups")])
    how = {name: transforms.get(name, "none") for name in kept}
    quantiles = {
        name: np.quantile(kept[name].dropna(), np.linspace(0, 1, GRID))
        for name, kind in how.items()
        if kind == "rank-normal"
    }
    scaling = learn_scaling(transformed(kept, how, quantiles), winsor)
    table = scaling.table.copy()
    table.insert(0, "transform", pd.Series(how))
    z = FeatureScaling(table=table).apply(transformed(kept, how, quantiles))
    if isinstance(families, str):
        table["family"] = [f"family {number}" for number in find_families(z).number]
    else:
        table["family"] = [str((families or {}).get(name, f"{name} alone")) for name in kept]
    table["weight"] = 1 / np.sqrt(table.groupby("family")["family"].transform("size").to_numpy(float))
    return Preparation(
        table=table,
        left_out=pd.DataFrame(reasons.items(), columns=["feature", "reason"]),
        covariance=learn_covariance(z),
        quantiles=quantiles,
    )


def learn_on_measured(
    features: pd.DataFrame,
    *,
    transforms: Mapping[str, str] | None = None,
    families: Mapping[str, Any] | str | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
) -> tuple[Preparation, np.ndarray]:
    """`learn_preparation`, and whether each patient (n,) has half of the features.

    A feature without spread among the patients who have, such as a count of usable windows that is 0 only
    where hardly anything was measured, does not take part either.
    """
    taking_part, flat = features, list[str]()
    while True:
        found = learn_preparation(
            taking_part,
            transforms={n: k for n, k in (transforms or {}).items() if n not in flat},
            families={n: f for n, f in families.items() if n not in flat}
            if isinstance(families, Mapping)
            else families,
            winsor=winsor,
        )
        z = found.scaled(features)
        measured = found.measured(z)
        still = [name for j, name in enumerate(found.names) if not _spreads(z[measured, j])]
        if not still or not measured.any():
            break
        flat += still
        taking_part = taking_part.drop(columns=still)
    if flat:
        rows = pd.DataFrame({"feature": flat, "reason": "no spread among the patients with enough measured"})
        left_out = pd.concat([found.left_out, rows], ignore_index=True)
        found = replace(found, left_out=left_out)
    return found, measured


def _spreads(z: np.ndarray) -> bool:
    seen = z[~np.isnan(z)]
    return bool(seen.size and np.ptp(seen) > 0)


def transformed(
    features: pd.DataFrame, how: Mapping[str, str], quantiles: Mapping[str, np.ndarray]
) -> pd.DataFrame:
    """Each feature on its declared scale; `quantiles` are those of the rank-normal ones."""
    from scipy.special import ndtri

    columns, problems = {}, []
    for name in features:
        values = features[name].to_numpy(float)
        if how[name] == "log":
            if (values <= 0).any():
                low = f"{np.nanmin(values):g}"
                problems.append(
                    Problem(file="features", column=str(name), found=low, wanted="values above 0 for a log")
                )
                continue
            values = np.log(values)
        elif how[name] == "rank-normal":
            grid = quantiles[name]
            share = np.linspace(0, 1, len(grid))
            # among ties the middle of their ranks
            left = np.interp(values, grid, share)
            right = 1 - np.interp(-values, -grid[::-1], share)
            values = ndtri(0.005 + 0.99 * (left + right) / 2)
        columns[name] = values
    if problems:
        raise InputError(problems)
    return pd.DataFrame(columns, index=features.index)


def _no_use(values: pd.Series) -> str:
    seen = values.dropna()
    if seen.nunique() < 2:
        return "no spread" if len(seen) else "no value"
    missing = 1 - len(seen) / len(values)
    return f"{100 * missing:.0f} % missing" if missing > MOST_MISSING else ""
