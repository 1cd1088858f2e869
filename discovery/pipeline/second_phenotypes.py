"""The first cohort's phenotypes and continuous axes looked for in a second cohort; no outcome is used."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from discovery.cohort.masked_counts import small
from discovery.pipeline.second_shapes import learned_anew
from discovery.problems import InputError, Problem, shown
from discovery.study import Study

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes

PLACE = "phenotypes of the frozen findings"
CAME_BACK, NOT_BACK = "replicated", "not replicated"
NOT_SUPPORTED = "no supported phenotypes in the first cohort"
NOT_BEYOND = "not beyond chance in the first cohort"
DRAWS, LEVEL = 99, 0.05
LARGEST = 1e100  # no scale or loading comes near; squares stay finite
UNREADABLE = (KeyError, TypeError, ValueError, IndexError, AttributeError)


@dataclass(frozen=True, kw_only=True)
class SecondPhenotypes:
    """groups : a row a phenotype (phenotype, n, share, share_first, prediction_strength, profile_order,
    profile_order_if_same, profile_congruence, profile_agrees, verdict), none where the first cohort had no
    structure; axes : a row an axis (axis, share_first, beyond_chance_first, congruence_first, congruence,
    p_chance, score_agreement, likeness, verdict); `patients` : a row a patient, private
    (`assigned_patients`); `sentences` to print."""

    groups: pd.DataFrame = field(default_factory=pd.DataFrame)
    axes: pd.DataFrame = field(default_factory=pd.DataFrame)
    patients: pd.DataFrame = field(default_factory=pd.DataFrame)
    sentences: tuple[str, ...] = ()


def phenotypes_to_freeze(model: Phenotypes, study: Study, definitions: Mapping[str, str]) -> dict[str, Any]:
    """The model as plain numbers, and the units and definitions that a second cohort must share."""
    names = model.preparation_.names
    units = {name: study.units[name] for name in names if study.units.get(name)}
    return model.to_dict() | {
        "units": units,
        "definitions": {name: definitions[name] for name in names if definitions.get(name)},
    }


def read_phenotypes(kept: Mapping[str, Any] | None) -> Phenotypes | None:
    """The model of a frozen file; None where the first cohort was not searched.

    Raises
    ------
    InputError : parts are missing, are no numbers, or do not go together.
    """
    from discovery.phenotypes import Phenotypes
    from discovery.phenotypes.frozen import AS_WRITTEN

    if kept is None:
        return None
    try:
        model = Phenotypes.from_dict(kept)
        problems = [*_contradictions(model), *_not_texts(kept)]
    except InputError as fault:
        raise InputError(
            Problem(file=PLACE, column=p.column, found=p.found, wanted=p.wanted) for p in fault.problems
        ) from None
    except UNREADABLE:
        raise InputError([Problem(file=PLACE, wanted=f"{AS_WRITTEN}, each in its place")]) from None
    if problems:
        raise InputError(problems)
    return model


def _contradictions(model: Phenotypes) -> Iterable[Problem]:
    """Arrays that are not as large as the others need them, or hold no finite numbers."""
    from discovery.phenotypes.cluster import METHODS

    p, d, k = len(model.preparation_.names), model.components_.kept, model.k_
    whole = isinstance(model.starts, int) and isinstance(model.seed, int)
    if model.method not in METHODS or not whole or model.starts < 1 or model.seed < 0:
        settings = f"a seed, and 1 or more starts of {', '.join(METHODS)}, are wanted"
        yield Problem(file=PLACE, column="settings", wanted=settings)
    if k < 2 or d < 1 or p < 2 or len(set(model.preparation_.names)) < p:
        least = "2 or more groups, 1 or more axes, 2 or more features, each once, are wanted"
        yield Problem(file=PLACE, wanted=least)
        return
    scale = model.preparation_.table[["mean", "sd", "weight"]].to_numpy(dtype=float)
    wanted: dict[str, tuple[np.ndarray, tuple[int, ...]]] = {
        "scales": (scale, (p, 3)),
        "covariance": (model.preparation_.covariance, (p, p)),
        "centre": (model.components_.centre, (p,)),
        "loadings": (model.components_.loadings, (p, d)),
        "centres": (model.centres_, (k, d)),
        "profile": (model.profile_, (k, p)),
        "sizes": (model.sizes_, (k,)),
        "novelty precision": (model.novelty_.precision, (d, d)),
        "novelty inside": (model.novelty_.inside, model.novelty_.outside.shape),
    }
    faulty = [
        name
        for name, (array, shape) in wanted.items()
        if array.shape != shape or not (np.abs(array) < LARGEST).all()
    ]
    for name in faulty:
        sizes = [" x ".join(map(str, size)) for size in (wanted[name][0].shape, wanted[name][1])]
        wanted_here = f"{sizes[1]} finite numbers are wanted"
        yield Problem(file=PLACE, column=name, found=f"{sizes[0]} values", wanted=wanted_here)
    if faulty:
        return
    turn = model.directions_.turn
    if turn is not None and not (turn.ndim == 2 and turn.shape[0] == turn.shape[1] <= d
                                 and np.allclose(turn.T @ turn, np.eye(len(turn)), atol=1e-6)):  # fmt: skip
        yield Problem(file=PLACE, column="axis_turn", wanted=f"a rotation of at most {d} axes is wanted")
        return
    if (scale[:, 1:] <= 0).any() or model.sizes_.sum() <= 0 or (model.sizes_ < 0).any():
        yield Problem(file=PLACE, wanted="scales, weights and sizes above 0 are wanted")
    if not {"axis", "share", "beyond_chance", "congruence"} <= set(model.axes_.columns):
        columns = "axis, share, beyond_chance and congruence are wanted"
        yield Problem(file=PLACE, column="axes", wanted=columns)
    elif not np.isfinite(model.axes_[["share", "congruence"]].to_numpy(dtype=float)).all():
        yield Problem(file=PLACE, column="axes", wanted="numbers are wanted for share and congruence")
    elif model.axes_["axis"].tolist() != model.axis_names:
        yield Problem(file=PLACE, column="axes", wanted=f"a row for each of {d} axes is wanted")


def _not_texts(kept: Mapping[str, Any]) -> Iterable[Problem]:
    for name in ("units", "definitions"):
        texts = kept.get(name, {})
        if not isinstance(texts, dict) or not all(isinstance(text, str) for text in texts.values()):
            yield Problem(
                file=PLACE, column=name, found=shown(texts)[:100], wanted="a text a feature is wanted"
            )


def replicate_phenotypes(
    model: Phenotypes | None, study: Study, *, suppress_below: int = 0
) -> SecondPhenotypes:
    """Look for the groups and axes of `model` in the features of `study`.

    Groups: the second cohort is cut anew, and must be cut as the frozen centroids cut it. Axes: the second
    cohort's own components must have the loadings of the first, more alike than those of its columns shuffled
    apart (99 times).
    """
    from threadpoolctl import threadpool_limits

    from discovery.phenotypes.verdict import NO_GROUPS, SUPPORTED

    if model is None:
        return SecondPhenotypes()
    lacking = [name for name in model.preparation_.names if name not in study.features.columns]
    lacking += learned_anew(model.preparation_.names, study)
    if lacking:
        which = ", ".join(lacking[:5]) + (" and more" if len(lacking) > 5 else "")
        return _not_assessable(f"this cohort has no {which}")
    patients = pd.DataFrame()
    try:
        with threadpool_limits(1):  # the last digits must not depend on the machine's load
            patients = assigned_patients(model, study.features)
            found = model.replicate(study.features)
            axes = _axis_table(model, study.features, found.axes)
    except InputError as fault:
        why = "; ".join(problem.sentence() for problem in fault.problems[:3])
        return replace(_not_assessable(why), patients=patients)
    first = model.verdict_.word
    groups = pd.DataFrame() if first == NO_GROUPS else _group_table(found.by_group, first == SUPPORTED)
    return SecondPhenotypes(
        groups=groups,
        axes=axes,
        patients=patients,
        sentences=(_said_of_groups(model, found, groups, suppress_below), _said_of_axes(axes)),
    )


def assigned_patients(model: Phenotypes, features: pd.DataFrame) -> pd.DataFrame:
    """A row a patient: patient_id, phenotype, probability, outlier (unlike anyone of the first cohort),
    p_unlike, verdict, and the places on the axes.

    phenotype and probability are empty where the first cohort had no structure, and the verdict then only
    says who is unlike anyone, or had too little measured.
    """
    from discovery.phenotypes.assignment import TOO_LITTLE, UNLIKE_ANYONE
    from discovery.phenotypes.verdict import NO_GROUPS

    table = model.assign(features).rename(columns={"group": "phenotype"})
    table["phenotype"] = table["phenotype"].where(table["phenotype"] != "", None)
    if model.verdict_.word == NO_GROUPS:
        told = table["verdict"].isin([TOO_LITTLE, UNLIKE_ANYONE])
        table = table.assign(phenotype=None, probability=np.nan, verdict=table["verdict"].where(told, ""))
    table.insert(3, "outlier", table["verdict"] == UNLIKE_ANYONE)
    places = model.axis_scores(features)
    return table.assign(**{axis: places[:, j] for j, axis in enumerate(model.axis_names)})


def _not_assessable(why: str) -> SecondPhenotypes:
    return SecondPhenotypes(sentences=(f"Groups and axes of the first cohort: not assessable: {why}.",))


def _group_table(by_group: pd.DataFrame, supported: bool) -> pd.DataFrame:
    from discovery.phenotypes.replication import STRENGTH

    held = (by_group["prediction_strength"] >= STRENGTH) & by_group["profile_agrees"]
    words = np.where(held, CAME_BACK, NOT_BACK) if supported else NOT_SUPPORTED
    return by_group.rename(columns={"discovery_share": "share_first"}).assign(verdict=words)


def _axis_table(model: Phenotypes, features: pd.DataFrame, alike: pd.DataFrame) -> pd.DataFrame:
    from discovery.phenotypes.axes import FAIR

    first = model.axes_
    p = _chance(model, features, alike["congruence"].to_numpy())
    beyond = first["beyond_chance"].to_numpy(dtype=bool)
    back = (alike["congruence"] >= FAIR).to_numpy() & (p <= LEVEL)
    return pd.DataFrame(
        {
            "axis": alike["axis"],
            "share_first": first["share"].to_numpy(),
            "beyond_chance_first": beyond,
            "congruence_first": first["congruence"].to_numpy(),
            "congruence": alike["congruence"],
            "p_chance": p,
            "score_agreement": alike["score_agreement"],
            "likeness": alike["word"],
            "verdict": np.where(~beyond, NOT_BEYOND, np.where(back, CAME_BACK, NOT_BACK)),
        }
    )


def _chance(model: Phenotypes, features: pd.DataFrame, congruences: np.ndarray) -> np.ndarray:
    """Chance (d,) of a congruence as large between axes of the first cohort and of columns shuffled apart."""
    from discovery.phenotypes.axes import congruence
    from discovery.phenotypes.filling import Filling
    from discovery.phenotypes.prepare import as_table
    from discovery.seeds import named_rng

    z = model.preparation_.scaled(as_table(features))
    z = z[model.preparation_.measured(z)]
    x = Filling(np.isnan(z), model.preparation_.covariance).expected(z) * model.preparation_.weight
    rng, hits = named_rng(model.seed, "phenotypes", "axes of shuffled columns"), np.ones(len(congruences))
    for _ in range(DRAWS):
        again = model.axes_learned_anew(rng.permuted(x, axis=0))
        hits += congruence(model.directions_.loadings, again.loadings) >= congruences
    return hits / (DRAWS + 1)


def _said_of_groups(model: Phenotypes, found: Any, groups: pd.DataFrame, limit: int) -> str:
    from discovery.phenotypes.replication import ORDER, STRENGTH
    from discovery.phenotypes.verdict import SUPPORTED

    first = model.verdict_.word
    if first != SUPPORTED:
        return f"The first cohort had no supported phenotypes ({first}), so there were none to replicate."
    back = int((groups["verdict"] == CAME_BACK).sum())
    order = groups["profile_order"].min(skipna=False)
    lowest = f"{order:.2f}" if np.isfinite(order) else "unknown"
    few = small(round(found.unlike * found.n), limit)
    unlike = f"fewer than {limit} patients" if few else f"{found.unlike:.0%} of patients"
    strength = f"{found.prediction_strength:.2f}" if np.isfinite(found.prediction_strength) else "unknown"
    return (
        f"Phenotypes of the first cohort: {found.verdict}. {back} of {len(groups)} came back among {found.n} "
        f"patients: prediction strength {strength} ({STRENGTH:g} needed), lowest agreement of the order of "
        f"features in a profile {lowest} ({ORDER:g} needed, or what sampling leaves of one profile); "
        f"{unlike} are unlike anyone in the first cohort."
    )


def _said_of_axes(axes: pd.DataFrame) -> str:
    tested = axes[axes["verdict"] != NOT_BEYOND]
    if tested.empty:
        return "No continuous axis of the first cohort was beyond chance."
    each = ", ".join(f"{row.axis} {row.congruence:.2f} ({row.likeness})" for row in tested.itertuples())
    back = int((tested["verdict"] == CAME_BACK).sum())
    return (
        f"{back} of {len(tested)} continuous {'axis' if len(tested) == 1 else 'axes'} beyond chance in the "
        f"first cohort came back here; congruence of loadings: {each}."
    )
