"""The sensitivity board of a run: the leaders of every outcome under alternatives chosen in advance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from discovery.pipeline.leading import joined, leading_features
from discovery.study import Study

if TYPE_CHECKING:
    from discovery.association.design import Design
    from discovery.markers.sensitivity import ImputedMain
    from discovery.pipeline.imputation import ImputedScreens

LEADERS = 5
USABLE = 0.8


def sensitivity_table(
    study: Study,
    markers: pd.DataFrame,
    designs: Sequence[Design],
    imputed: ImputedScreens,
    reliable: pd.Series | None = None,
    *,
    workers: int = 1,
) -> pd.DataFrame:
    """The boards of the outcomes of `designs` one below the other; empty where none has a leader.

    designs : of the patients that estimates and ranks are of
    reliable : bool by patient id, whose records were long and clean enough; workers : threads
    """
    from joblib import Parallel, delayed

    from discovery.markers.sensitivity import Cohort, sensitivity_board

    boards = []
    by_name = {outcome.name: outcome for outcome in study.outcomes}
    for design in designs:
        name = design.outcome
        leaders = leading_features(markers, name, count=LEADERS)
        if not leaders:
            continue
        cohort = Cohort(
            outcome=by_name[name],
            covariates=study.covariates,
            features=study.features[leaders],
            site=study.site,
            etiology=study.etiology,
            more=study.patients[list(study.settings.patients.adjust_more)],
            reliable=None if reliable is None else reliable.reindex(study.patients.index, fill_value=False),
        )
        measure = markers.loc[markers["outcome"] == name, "effect_measure"]
        board = delayed(sensitivity_board)(
            cohort,
            winsor=study.settings.analysis.winsor,
            imputed=imputed_main(design, imputed, leaders),
            labels=dict(study.labels),
            effect_measure=str(measure.iloc[0]),
        )
        boards.append(board)
    made = Parallel(n_jobs=workers, prefer="threads")(boards)
    return joined([board for board in made if len(board)])


def imputed_main(design: Design, imputed: ImputedScreens, leaders: Sequence[str]) -> ImputedMain | None:
    """The rows of the ranking for the leaders; None where no value of theirs and no covariate was imputed."""
    from discovery.association.kinds import kind_of
    from discovery.association.screen_rows import ADJUSTED
    from discovery.markers.sensitivity import ImputedMain

    completed, screen = imputed.completed.get(design.outcome), imputed.screens[design.outcome]
    if completed is None:
        return None
    filled = {design.feature_names[j] for j in completed.plan.columns}
    if not filled.intersection(leaders):
        return None
    main = (screen.table["model"] == ADJUSTED) & (screen.table["term"] == screen.table["feature"])
    rows = screen.table[main].set_index("feature")[
        ["estimate", "ci_low", "ci_high", "p_value", "n", "events"]
    ]
    return ImputedMain(rows=rows, level=kind_of(design.kind).level(design))


def reliable_patients(quality: pd.DataFrame, windows: pd.DataFrame) -> pd.Series:
    """By patient id: whether at least four fifths of each recording of the first visit could be used.

    quality : a row a recording; windows : whose recording is whose
    """
    whose = windows.drop_duplicates("recording").set_index("recording")["patient_id"].astype(str)
    known = quality.assign(patient_id=quality["recording"].map(whose)).dropna(subset="patient_id")
    first = known.groupby("patient_id")["visit"].transform("min")
    known = known[(known["visit"] == first) | first.isna()]
    return known["sq_coverage"].astype(float).ge(USABLE).groupby(known["patient_id"]).all()
