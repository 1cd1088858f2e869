"""The search for groups in a run, and what it leaves in the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.pipeline.leading import joined
from discovery.problems import InputError
from discovery.study import Study

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes
    from discovery.summaries.shape import ShapeComponents

FEWEST_FEATURES = 3
TABLES = (
    "phenotypes", "phenotype_profiles", "phenotype_mix", "phenotype_outcomes", "phenotype_axes",
    "phenotype_loadings",
)  # fmt: skip
CONSENSUS_MOST = 150  # patients drawn in the consensus map


@dataclass(frozen=True, kw_only=True)
class Found:
    """The fitted search, `tables` that may be shared, `patients` (a row a patient, private)."""

    model: Phenotypes
    tables: dict[str, pd.DataFrame]
    patients: pd.DataFrame


def find_phenotypes(
    study: Study,
    designs: Sequence[Design],
    *,
    workers: int,
    notes: list[str],
    shape: ShapeComponents | None = None,
) -> Found | None:
    """Search for groups; None, with a note, where the study asks for none or is too small."""
    from discovery.phenotypes import Phenotypes

    if not study.settings.analysis.phenotypes:
        return None
    features = study.features
    if features.shape[1] < FEWEST_FEATURES:
        notes.append(f"No search for groups: fewer than {FEWEST_FEATURES} features.")
        return None
    model = Phenotypes(
        winsor=study.settings.analysis.winsor,
        workers=workers,
        seed=study.settings.study.seed,
        compare=False,
    )
    site = None if study.site is None else study.site.astype(object).to_numpy()
    try:
        model.fit(features, site=site)
    except InputError as fault:
        notes.append(f"No search for groups: {fault.problems[0].sentence()}.")
        return None
    return Found(
        model=model,
        tables=_tables(model, study, designs, shape),
        patients=_patients(model, study),
    )


def _sentence(model: Phenotypes) -> str:
    verdict = model.verdict_
    text = f"Search for groups among {int(model.measured_.sum())} patients: {verdict.word}"
    if verdict.clearly_separated:
        text += ", clearly separated"
    if verdict.groups:
        sizes = ", ".join(f"{name} {size}" for name, size in zip(model.group_names, model.sizes_))
        text += f" ({sizes} patients)"
    else:
        axes = int(model.axes_["beyond_chance"].sum())
        text += f"; {axes} continuous {'axis' if axes == 1 else 'axes'} beyond chance"
    return f"{text}."


def _tables(model, study: Study, designs, shape) -> dict[str, pd.DataFrame]:
    from discovery.phenotypes.profiles import (
        axis_columns,
        group_columns,
        loading_table,
        mean_beats,
        mix_table,
        profile_table,
    )
    from discovery.pipeline.learned_shape import PREFIX

    labels, cut = dict(study.labels), structured(model)
    profiles = profile_table(model, study.features, labels) if cut else pd.DataFrame()
    reasons = "; ".join(model.verdict_.reasons)
    tables = {
        "phenotype_words": pd.DataFrame([{"sentence": _sentence(model), "reasons": reasons}]),
        "phenotypes": contract_table(model, profiles),
        "phenotype_profiles": profiles,
        "phenotype_axes": model.axes_,
        "phenotype_loadings": loading_table(model, labels),
        "phenotype_null": _null_table(model),
    }
    columns = axis_columns(model)
    if cut:
        columns = columns.join(group_columns(model))
        if study.etiology is not None:
            tables["phenotype_mix"] = mix_table(model, study.etiology)
        tables |= {
            "phenotype_separation": _separation_table(model),
            "phenotype_stability": _stability_table(model),
            "phenotype_consensus": _consensus_table(model),
        }
        if model.verdict_.groups:
            tables["phenotype_map"] = _map_table(model)
        if shape is not None:
            tables["phenotype_beats"] = mean_beats(model, study.features, shape, PREFIX)
    tables["phenotype_outcomes"] = outcome_rows(columns, designs)
    return {name: table for name, table in tables.items() if len(table)}


def structured(model: Phenotypes) -> bool:
    """Whether a cut into groups is worth showing at all: there is structure, whatever it is worth."""
    from discovery.phenotypes.verdict import NO_GROUPS

    return model.verdict_.word != NO_GROUPS


def contract_table(model: Phenotypes, profiles: pd.DataFrame) -> pd.DataFrame:
    """`phenotypes.csv`: a row a group (phenotype, size, stability, verdict, then a column a feature), or a
    single row for everybody where there are no groups."""
    verdict = model.verdict_
    if not structured(model):
        n = int(model.measured_.sum())
        return pd.DataFrame(
            [{"phenotype": "everybody", "size": n, "stability": np.nan, "verdict": verdict.word}]
        )
    head = pd.DataFrame(
        {
            "phenotype": model.group_names,
            "size": model.sizes_,
            "stability": model.stability_.jaccard,
            "verdict": verdict.word,
        }
    )
    wide = profiles.pivot(index="phenotype", columns="feature", values="effect")
    names = list(dict.fromkeys(profiles["feature"]))
    return head.merge(wide[names].reset_index(), on="phenotype", how="left")


def outcome_rows(columns: pd.DataFrame, designs: Sequence[Design]) -> pd.DataFrame:
    """Every axis (per 1 SD) and group (against all others) with every outcome, adjusted as features are.

    The outcomes had no part in making them, so these are ordinary tests. q is Benjamini-Hochberg's over all
    rows.
    """
    from discovery.association.multiplicity import benjamini_hochberg
    from discovery.association.scaling import FeatureScaling
    from discovery.association.screen import ADJUSTED, screen

    parts = []
    for design in designs:
        own = columns.reindex(design.patient_id)
        values = own.to_numpy(dtype=float)
        axis = np.array([name.startswith("PC") for name in own.columns])
        mean, sd = np.nanmean(values, axis=0), np.nanstd(values, axis=0, ddof=1)
        mean, sd = np.where(axis, mean, 0.0), np.where(axis & (sd > 0), sd, 1.0)
        values = (values - mean) / sd
        observed = np.isfinite(values)
        scale = pd.DataFrame(
            {"low": -np.inf, "high": np.inf, "mean": mean, "sd": sd, "n": observed.sum(axis=0), "note": ""},
            index=pd.Index(own.columns, name="feature"),
        )
        like = replace(
            design, features=np.where(observed, values, 0.0), observed=observed,
            feature_names=tuple(own.columns), scaling=FeatureScaling(table=scale),
        )  # fmt: skip
        table = screen(like, permutations=0).table
        table = table[(table["model"] == ADJUSTED) & (table["term"] == table["feature"])]
        words = [
            text if name.startswith("PC") else text.replace("per 1 SD", "against all others")
            for name, text in zip(table["feature"], table["effect_measure"])
        ]
        parts.append(table.assign(effect_measure=words).rename(columns={"feature": "group_or_axis"}))
    table = joined(parts)
    if len(table):
        table["q_value"] = benjamini_hochberg(table["p_value"])
        table = table.drop(columns=["term", "model", "p_familywise"])
    return table


def _patients(model: Phenotypes, study: Study) -> pd.DataFrame:
    from discovery.phenotypes.assignment import UNLIKE_ANYONE

    assigned = model.assign(study.features)
    names = np.array([*model.group_names, None], dtype=object)[model.labels_]
    probability = np.full(len(names), np.nan)
    known = model.labels_ >= 0
    probability[known] = model.probability_[known, model.labels_[known]]
    if not structured(model):
        names, probability = np.full(len(names), None, dtype=object), np.full(len(names), np.nan)
    table = pd.DataFrame(
        {
            "patient_id": model.patients_.astype(str),
            "phenotype": names,
            "probability": probability,
            "outlier": (assigned["verdict"] == UNLIKE_ANYONE).to_numpy(),
        }
    )
    for j in range(model.scores_.shape[1]):
        table[f"PC{j + 1}"] = model.scores_[:, j]
    return table


def _null_table(model: Phenotypes) -> pd.DataFrame:
    """null, part ("draw" or "observed"), statistic, p_value."""
    test, rows = model.structure_, []
    for kind, drawn in test.null_statistic.items():
        rows += [(kind, "draw", float(value), np.nan) for value in drawn]
        rows.append((kind, "observed", test.statistic[kind], test.p_value[kind]))
    return pd.DataFrame(rows, columns=["null", "part", "statistic", "p_value"])


def _separation_table(model: Phenotypes, points: int = 200) -> pd.DataFrame:
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


def _stability_table(model: Phenotypes) -> pd.DataFrame:
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


def _consensus_table(model: Phenotypes) -> pd.DataFrame:
    """row, column, phenotype (of the row), share: how often two patients fall together; no ids."""
    consensus = model.stability_.consensus()
    labels = model.labels_[model.measured_]
    order = np.lexsort((-np.nanmean(consensus, axis=1), labels))
    order = order[np.unique(np.linspace(0, len(order) - 1, min(CONSENSUS_MOST, len(order))).astype(int))]
    picked = consensus[np.ix_(order, order)]
    row, column = np.divmod(np.arange(picked.size), len(order))
    names = np.array(model.group_names, dtype=object)[labels[order]]
    return pd.DataFrame({"row": row, "column": column, "phenotype": names[row], "share": picked.ravel()})


def _map_table(model: Phenotypes) -> pd.DataFrame:
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
