"""Shape components in a second cohort: those of the first cohort, or other features of the same name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from discovery.markers.frozen import FrozenFindings
from discovery.pipeline.learned_shape import PREFIX
from discovery.problems import Problem
from discovery.study import Study


def learned_anew(names: Iterable[str], study: Study) -> list[str]:
    """Those of the features `names` that are shape components which `study` itself learns."""
    recordings = study.settings.recordings
    if recordings is None or recordings.shape_components is not None:
        return []
    return [name for name in names if name.startswith(PREFIX)]


def other_shapes(findings: FrozenFindings, study: Study) -> Iterator[Problem]:
    """Findings on shape components that the second cohort would learn anew, with what mends it."""
    tested = {candidate.feature for outcome in findings.outcomes for candidate in outcome.candidates}
    tested |= {name for o in findings.outcomes if o.signature for name in o.signature.markers}
    setting = "shape_components = the shape_components.json of its run"
    wanted = f"the components of the first cohort are wanted: {setting}"
    for name in learned_anew(sorted(tested), study):
        yield Problem(file="study.toml", column="recordings.shape_components", found=name, wanted=wanted)
