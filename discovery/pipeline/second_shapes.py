"""Shape components in a second cohort: those of the first cohort, or other features of the same name."""

from __future__ import annotations

from collections.abc import Iterable

from discovery.markers.frozen import FrozenFindings
from discovery.pipeline.learned_shape import PREFIX
from discovery.problems import InputError, Problem
from discovery.study import Study


def learned_anew(names: Iterable[str], study: Study) -> list[str]:
    """Those of the features `names` that are shape components which `study` itself learns."""
    recordings = study.settings.recordings
    if recordings is None or recordings.shape_components is not None:
        return []
    return [name for name in names if name.startswith(PREFIX)]


def require_same_shapes(findings: FrozenFindings, study: Study) -> None:
    """Refuse findings on shape components that the second cohort would learn anew.

    Raises
    ------
    InputError : every such finding, with the setting that mends it.
    """
    tested = {candidate.feature for outcome in findings.outcomes for candidate in outcome.candidates}
    tested |= {name for o in findings.outcomes if o.signature for name in o.signature.markers}
    anew = learned_anew(sorted(tested), study)
    if anew:
        wanted = "the components of the first cohort: shape_components = the shape_components.json of its run"
        raise InputError(
            Problem(file="study.toml", column="recordings.shape_components", found=name, wanted=wanted)
            for name in anew
        )
