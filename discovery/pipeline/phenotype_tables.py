"""Tables of the search for groups that its figures draw: no patient can be told in them by name or number."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.pipeline.leading import joined

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes

CONSENSUS_MOST = 150  # patients drawn in the consensus map
BIPLOT_PATIENTS, BIPLOT_FEATURES, BIPLOT_APART = 500, 10, 0.12


def null_table(model: Phenotypes) -> pd.DataFrame:
    """null, part ("draw" or "observed"), statistic, p_value."""
    test, rows = model.structure_, []
    for kind, drawn in test.null_statistic.items():
        rows += [(kind, "draw", float(value), np.nan) for value in drawn]
        rows.append((kind, "observed", test.statistic[kind], test.p_value[kind]))
    return pd.DataFrame(rows, columns=["null", "part", "statistic", "p_value"])


def separation_table(model: Phenotypes, points: int = 200) -> pd.DataFrame:
    """phenotype, x, density (of held-out scores of all patients), p_value: a curve a group."""
    from scipy.stats import gaussian_kde

    test, rows = model.separation_, []
    for c, name in enumerate(model.group_names):
        scores = test.scores[:, c]
        scores = scores[np.isfinite(scores)]
        at = np.linspace(scores.min(), scores.max(), points)
        density = gaussian_kde(scores, bw_method=0.25)(at)
        rows.append(
            pd.DataFrame({"phenotype": name, "x": at, "density": density, "p_value": test.p_group[c]})
        )
    return joined(rows)


def stability_table(model: Phenotypes) -> pd.DataFrame:
    each = model.stability_.each
    return pd.DataFrame(
        {
            "phenotype": model.group_names,
            "size": model.sizes_,
            "jaccard": model.stability_.jaccard,
            "low": np.nanquantile(each, 0.025, axis=0),
            "high": np.nanquantile(each, 0.975, axis=0),
            "word": model.stability_.words(),
        }
    )


def consensus_table(model: Phenotypes) -> pd.DataFrame:
    """row, column, phenotype (of the row), share: how often two patients fall together; no ids."""
    labels = model.labels_[model.measured_]
    certain = model.stability_.probability[np.arange(len(labels)), labels]
    order = np.lexsort((-certain, labels))
    order = order[np.unique(np.linspace(0, len(order) - 1, min(CONSENSUS_MOST, len(order))).astype(int))]
    picked = model.stability_.consensus(order)
    row, column = np.divmod(np.arange(picked.size), len(order))
    names = np.array(model.group_names, dtype=object)[labels[order]]
    return pd.DataFrame({"row": row, "column": column, "phenotype": names[row], "share": picked.ravel()})


def map_table(model: Phenotypes) -> pd.DataFrame:
    """x, y, phenotype, caption: the map for drawing only; no ids, patients in an order of their own."""
    found = model.embedding()
    labels = model.labels_[model.measured_]
    order = np.lexsort((found.points[:, 1], found.points[:, 0]))
    return pd.DataFrame(
        {
            "x": found.points[order, 0],
            "y": found.points[order, 1],
            "phenotype": np.array(model.group_names, dtype=object)[labels[order]],
            "caption": found.caption,
        }
    )


def choice_table(model: Phenotypes) -> pd.DataFrame:
    """A row a number of groups tried: k, silhouette, null_mean, null_sd (of normal cohorts without groups),
    standardised, null_low, null_high (95 % of the standardised null), chosen."""
    test = model.structure_
    null = test.null["gaussian"]
    mean, sd = null.mean(axis=0), null.std(axis=0, ddof=1)
    sd = np.where(sd > 0, sd, np.nan)
    low, high = np.quantile((null - mean) / sd, [0.025, 0.975], axis=0)
    return pd.DataFrame(
        {
            "k": test.ks, "silhouette": test.silhouette, "null_mean": mean, "null_sd": sd,
            "standardised": (test.silhouette - mean) / sd, "null_low": low, "null_high": high,
            "chosen": test.ks == model.k_,
        }
    )  # fmt: skip


def site_table(model: Phenotypes) -> pd.DataFrame:
    """measure, value, p_value of the check of sites; empty without several sites."""
    found = model.site_
    if found is None:
        return pd.DataFrame()
    rows = [
        ("Cramer V of group and site", found.cramer_v, found.p_value),
        ("share of the variance of the scores between sites", found.r2, found.p_r2),
        ("adjusted Rand index with the groups found after centring sites", found.adjusted_rand, np.nan),
    ]
    return pd.DataFrame(rows, columns=["measure", "value", "p_value"])


def biplot_table(
    places: pd.DataFrame, loadings: pd.DataFrame, model: Phenotypes, *, groups: bool
) -> pd.DataFrame:
    """part ("patient" or "feature"), name (group, or label of the feature), x, y, of the first two axes.

    Patients in SDs of the axis, without ids and sorted by place, at most 500 of them; features as
    correlations: those that the two axes account for most, ten at most, without any whose arrow would lie
    on that of another. Empty with one axis.
    """
    if places.shape[1] < 2:
        return pd.DataFrame()
    axes = list(places.columns[:2])
    known = model.measured_
    own = places.loc[known, axes].to_numpy(dtype=float)
    own = (own - own.mean(axis=0)) / own.std(axis=0, ddof=1)
    names = np.array(model.group_names, dtype=object)[model.labels_[known]] if groups else ""
    patients = pd.DataFrame({"part": "patient", "name": names, "x": own[:, 0], "y": own[:, 1]})
    patients = patients.sort_values(["x", "y"], kind="stable").reset_index(drop=True)
    if len(patients) > BIPLOT_PATIENTS:
        patients = patients.iloc[np.linspace(0, len(patients) - 1, BIPLOT_PATIENTS).astype(int)]
    wide = loadings[loadings["axis"].isin(axes)].pivot(index="feature", columns="axis", values="correlation")
    longest = (wide[axes] ** 2).sum(axis=1).sort_values(ascending=False, kind="stable").index
    wide = wide.loc[longest, axes]
    wide = wide.iloc[_apart(wide.to_numpy(dtype=float))]
    label = loadings.drop_duplicates("feature").set_index("feature")["label"]
    arrows = pd.DataFrame(
        {"part": "feature", "name": label[wide.index].to_numpy(), "x": wide[axes[0]], "y": wide[axes[1]]}
    )
    return pd.concat([patients, arrows], ignore_index=True).assign(x_axis=axes[0], y_axis=axes[1])


def _apart(ends: np.ndarray) -> list[int]:
    """The first rows of ends (p, 2) that lie apart from all rows taken before."""
    taken: list[int] = []
    for row in range(len(ends)):
        near = np.hypot(*(ends[taken] - ends[row]).T) < BIPLOT_APART
        if len(taken) < BIPLOT_FEATURES and not near.any():
            taken.append(row)
    return taken
