"""The search for groups in a run, and what it leaves in the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.pipeline.phenotype_outcomes import courses, divisions, outcome_rows, shown_axes
from discovery.problems import InputError
from discovery.report.settings import SearchRun
from discovery.study import Study
from discovery.study.phenotype_columns import FEWEST, searched_columns

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes
    from discovery.summaries.shape import ShapeComponents

TABLES = (
    "phenotypes", "phenotype_profiles", "phenotype_mix", "phenotype_outcomes", "phenotype_levels",
    "phenotype_choice", "phenotype_methods", "phenotype_sites", "phenotype_axes", "phenotype_loadings",
    "phenotype_axis_mix",
)  # fmt: skip


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
    from discovery.phenotypes.model import FEWEST_PATIENTS, Phenotypes

    if not study.settings.analysis.phenotypes:
        return None
    search = study.settings.phenotypes
    features = study.features[searched_columns(study.settings, study.features)]
    if features.shape[1] < FEWEST:
        notes.append(f"No search for groups: fewer than {FEWEST} features.")
        return None
    if len(features) < FEWEST_PATIENTS:
        notes.append(
            f"No search for groups: it needs {FEWEST_PATIENTS} patients or more, and this cohort has "
            f"{len(features)} patients."
        )
        return None
    declared = {name: study.families[name] for name in features if study.families.get(name)}
    model = Phenotypes(
        method=search.method,
        ks=search.groups,
        transforms={name: scale for name, scale in search.transforms.items() if name in features},
        families={"declared": declared, "none": None}.get(search.families, search.families),
        rotation=search.rotation,
        winsor=study.settings.analysis.winsor,
        site_centred=search.site_centred and study.site is not None,
        workers=workers,
        seed=study.settings.study.seed,
    )
    site = None if study.site is None else study.site.astype(object).to_numpy()
    try:
        model.fit(features, site=site)
    except InputError as fault:
        notes.append(f"No search for groups: {fault.problems[0].sentence()}.")
        return None
    return Found(
        model=model,
        tables=_tables(model, features, study, designs, shape),
        patients=_patients(model, features),
    )


def search_run(study: Study) -> SearchRun:
    """How groups were looked for, for the methods section."""
    search = study.settings.phenotypes
    chosen = searched_columns(study.settings, study.features)
    declared = any(study.families.get(name) for name in chosen)
    return SearchRun(
        features=len(chosen),
        method=search.method,
        groups=tuple(sorted(set(search.groups))),
        families="none" if search.families == "declared" and not declared else search.families,
        rotation=search.rotation,
        profile_test=search.profile_test,
        site_centred=search.site_centred and study.site is not None,
        transforms={name: scale for name, scale in search.transforms.items() if scale != "none"},
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


def _tables(model, features, study: Study, designs, shape) -> dict[str, pd.DataFrame]:
    from discovery.phenotypes.profiles import (
        axis_beats,
        axis_columns,
        axis_mix_table,
        group_columns,
        loading_table,
        mean_beats,
        mix_table,
        profile_table,
    )
    from discovery.pipeline import phenotype_tables as drawn
    from discovery.pipeline.learned_shape import PREFIX

    labels, cut = dict(study.labels), structured(model)
    test = None if study.settings.phenotypes.profile_test == "none" or model.site_centred else "null"
    profiles = profile_table(model, features, labels, profile_test=test) if cut else pd.DataFrame()
    places, axes = axis_columns(model), shown_axes(model)
    words = {
        "sentence": _sentence(model), "reasons": "; ".join(model.verdict_.reasons),
        "groups": model.verdict_.groups, "verdict": model.verdict_.word,
    }  # fmt: skip
    loadings = loading_table(model, labels)
    tables = {
        "phenotype_words": pd.DataFrame([words]),
        "phenotypes": contract_table(model, profiles),
        "phenotype_profiles": profiles,
        "phenotype_choice": drawn.choice_table(model),
        "phenotype_axes": model.axes_,
        "phenotype_loadings": loadings,
        "phenotype_biplot": drawn.biplot_table(places, loadings, model, groups=cut),
        "phenotype_null": drawn.null_table(model),
        "phenotype_sites": drawn.site_table(model),
    }
    columns = places
    if cut:
        columns = columns.join(group_columns(model))
        tables |= {
            "phenotype_separation": drawn.separation_table(model),
            "phenotype_stability": drawn.stability_table(model),
            "phenotype_consensus": drawn.consensus_table(model),
            "phenotype_methods": model.comparison_,
        }
        if model.verdict_.groups:
            tables["phenotype_map"] = drawn.map_table(model)
    if study.etiology is not None:
        tables["phenotype_axis_mix"] = axis_mix_table(places[axes], study.etiology)
        if cut:
            tables["phenotype_mix"] = mix_table(model, study.etiology)
    if shape is not None:
        tables["phenotype_axis_beats"] = axis_beats(places[axes], study.features, shape, PREFIX)
        if cut:
            tables["phenotype_beats"] = mean_beats(model, study.features, shape, PREFIX)
    tables["phenotype_outcomes"] = outcome_rows(columns, designs, places.columns)
    tables |= courses(study, designs, divisions(model, places, groups=cut))
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


def _patients(model: Phenotypes, features: pd.DataFrame) -> pd.DataFrame:
    from discovery.phenotypes.assignment import UNLIKE_ANYONE
    from discovery.phenotypes.profiles import axis_columns

    assigned = model.assign(features)
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
    places = axis_columns(model)
    return table.assign(**{axis: places[axis].to_numpy() for axis in places})
