"""The signatures of a run: one small model for each outcome that allows it."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from discovery.association.design import Design
from discovery.pipeline.horizons import horizon_of
from discovery.pipeline.leading import joined
from discovery.pipeline.progress import Progress
from discovery.study import Study

LARGE = 1500  # patients beyond which half the draws say as much
TABLES = ("signature", "signature_performance", "decision_curves", "signature_words")


def signature_tables(
    study: Study, designs: Sequence[Design], markers: pd.DataFrame, *, workers: int, progress: Progress
) -> dict[str, pd.DataFrame]:
    """`TABLES`, each empty where no outcome has a signature; none without bootstrap draws.

    markers : the marker table; a feature flagged there as a suspected leak takes part only where `freeze`
        names it
    """
    from discovery.markers.signature_judged import DRAWS, signature_of
    from discovery.markers.suspected import barred

    analysis, found = study.settings.analysis, []
    for design in designs if analysis.replicates else ():
        draws = min(analysis.replicates, DRAWS if design.n <= LARGE else DRAWS // 2)
        signature = signature_of(
            design,
            seed=study.settings.study.seed,
            labels=dict(study.labels),
            barred=barred(markers, design.outcome, analysis.freeze),
            draws=draws,
            workers=workers,
            progress=progress.update,
            horizon=horizon_of(study, design),
        )
        if signature is not None:
            found.append(signature)
    words = [(s.outcome, s.verdict, s.sentence, s.equation) for s in found]
    return {
        "signature": joined([s.terms for s in found]),
        "signature_performance": joined([s.performance for s in found]),
        "decision_curves": joined([s.benefit for s in found if len(s.benefit)]),
        "signature_words": pd.DataFrame(words, columns=["outcome", "verdict", "sentence", "equation"]),
    }
