"""One horizon for an outcome: predictions, decision curves and restricted means are all judged there."""

from __future__ import annotations

from collections.abc import Sequence

from discovery.association.design import Design
from discovery.study import Study

USUAL = "the latest round time with 20 patients and 15 % of all still followed"
STATED = "as the study file states"
MEDIAN = "the median time of the events: no round time has 20 patients and 15 % of all followed beyond it"


def horizon_of(study: Study, design: Design) -> float | None:
    """The time that a survival outcome is judged at, in its unit; None for other kinds, and without an event
    after time 0."""
    from discovery.survival.prediction_table import usual_horizon

    if design.kind != "survival" or design.event is None or design.time is None:
        return None
    if not (design.event[design.time > 0] == 1).any():
        return None
    return study.settings.stated_horizon(design.outcome) or usual_horizon(design.time, design.event)


def horizon_notes(study: Study, designs: Sequence[Design]) -> list[str]:
    """A sentence for each survival outcome on where it is judged, and why there."""
    units = {outcome.name: outcome.unit for outcome in study.outcomes}
    notes = []
    for design in designs:
        horizon = horizon_of(study, design)
        if horizon is not None:
            at = f"{horizon:g} {units.get(design.outcome, '')}".strip()
            why = _why(study, design)
            notes.append(
                f"{design.outcome}: predictions, decision curves and differences in mean time are judged at "
                f"{at} ({why}); the gain in the ranking takes in the whole follow-up"
            )
    return notes


def _why(study: Study, design: Design) -> str:
    from discovery.survival.prediction_table import round_horizon

    if study.settings.stated_horizon(design.outcome):
        return STATED
    return USUAL if round_horizon(design.time, design.event) > 0 else MEDIAN
