"""Shape components of a study: learned from its own patients, or those of an earlier one, frozen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from discovery.pipeline.record import Record
    from discovery.study import Study
    from discovery.summaries.shape import ShapeComponents

LEAST_SHAPES = 10
PREFIX = "rv_shape_component_"
TOO_FEW = f"no shape components: fewer than {LEAST_SHAPES} patients have a whole averaged beat"


def given_components(study: Study) -> ShapeComponents | None:
    """The components that the study file names, None where the study shall learn its own.

    Raises
    ------
    InputError
        The file is not there, or holds no components.
    """
    from discovery.study.paths import resolve
    from discovery.summaries.shape import read_components

    settings = study.settings.recordings
    if settings is None or settings.shape_components is None:
        return None
    name = settings.shape_components
    return read_components(resolve(study.folder, name), source=name)


def learned_shape(
    groups: list[list[Record]], given: ShapeComponents | None = None
) -> tuple[ShapeComponents | None, pd.DataFrame | None]:
    """Components of the normalised beat and the scores of each group (one patient and visit).

    They are learned from one beat a patient, that of the first visit with a whole one, unless they are
    given; None with fewer than ten patients to learn from.
    """
    from discovery.summaries.shape import ShapeComponents

    points = given.mean_.size if given is not None else None
    beats = mean_beats(groups, points)
    if given is None:
        first: dict[str, int] = {}
        for at, records in enumerate(groups):
            if np.isfinite(beats[at]).all():
                first.setdefault(records[0].patient_id, at)
        if len(first) < LEAST_SHAPES:
            return None, None
        given = ShapeComponents().fit(beats[list(first.values())])
    scores = given.transform(beats)
    names = [f"{PREFIX}{k + 1}" for k in range(scores.shape[1])]
    return given, pd.DataFrame(scores, columns=names)


def mean_beats(groups: list[list[Record]], points: int | None = None) -> np.ndarray:
    """The normalised beat of each group, (n_groups, points), missing where no recording has one."""
    from discovery.summaries.shape import POINTS

    beats = np.full((len(groups), points or POINTS), np.nan)
    for at, records in enumerate(groups):
        shapes = [record.shape for record in records if record.shape is not None]
        if shapes:
            beats[at] = np.mean(shapes, axis=0)
    return beats


def score_reliability(patients: pd.DataFrame) -> pd.DataFrame:
    """Reliability of each shape score from separate visits, in the columns of `reliability_table`."""
    from discovery.summaries.reliability import reliability_table

    names = [name for name in patients.columns if name.startswith(PREFIX)]
    if not names:
        return pd.DataFrame()
    rows = patients[["patient_id", "visit", *names]].assign(
        recording=[f"row {k}" for k in range(len(patients))], start_s=0.0, end_s=0.0, valid=True
    )
    return reliability_table(rows, names)
