"""What there is to compile, and how its loops are reached: small made-up studies go through every stage.

This is the one place that knows. A loop that these studies do not reach is compiled where it is needed.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from discovery.study import Study

RECORDINGS, GROUPS = "recordings", "groups"
# CPU seconds of each part, when it comes first in a process: how processes share the work
SECONDS = {
    RECORDINGS: 30, "survival": 45, "binary": 40, "multiclass": 15, "recurrent": 15, "ordinal": 15,
    "count": 15, GROUPS: 15, "continuous": 10,
}  # fmt: skip
WORDS = {RECORDINGS: "recordings", GROUPS: "groups and etiologies"}


def said(part: str) -> str:
    """The part in words."""
    return WORDS.get(part, f"{part} outcomes")


def parts_of(study: Study) -> list[str]:
    """The parts that a run of `study` needs, recordings first."""
    analysis = study.settings.analysis
    wanted = {outcome.kind for outcome in study.outcomes}
    if study.settings.recordings is not None:
        wanted.add(RECORDINGS)
    if analysis.phenotypes or study.etiology is not None:
        wanted.add(GROUPS)
    return [part for part in SECONDS if part in wanted]


def shared_out(parts: Iterable[str], processes: int) -> list[list[str]]:
    """The parts for each of as many processes, about evenly, in the order of `SECONDS`."""
    shares: list[list[str]] = [[] for _ in range(processes)]
    for part in sorted(parts, key=list(SECONDS).index):
        min(shares, key=lambda share: sum(SECONDS[each] for each in share)).append(part)
    return [share for share in shares if share]


def reach(part: str) -> None:
    """Take a small study through all loops of a part, in this process."""
    with TemporaryDirectory(prefix="discovery-compile-") as place:
        folder = Path(place)
        if part == RECORDINGS:
            _recordings(folder)
        elif part == GROUPS:
            _analysed(folder, ["continuous"], phenotypes=True)
        else:
            _analysed(folder, [part])


def _analysed(folder: Path, kinds: list[str], *, phenotypes: bool = False) -> None:
    from discovery.pipeline.analysis import analyse
    from discovery.pipeline.doubts import with_doubts
    from discovery.pipeline.progress import Silent
    from discovery.pipeline.small_study import write_small_study
    from discovery.study import read_study

    path = write_small_study(folder, kinds, phenotypes=phenotypes)
    analyse(with_doubts(read_study(path)), workers=1, progress=Silent())


def _recordings(folder: Path) -> None:
    from discovery.pipeline.demo import FEWEST
    from discovery.pipeline.measure import measure_study
    from discovery.virtual.cohort import make_cohort

    measure_study(make_cohort(folder, patients=FEWEST, workers=1), workers=1)
