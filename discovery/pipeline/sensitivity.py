"""The sensitivity board of a run: the leaders of every outcome under alternatives chosen in advance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from discovery.pipeline.leading import joined, leading_features
from discovery.study import Study

LEADERS = 5
USABLE = 0.8


def sensitivity_table(
    study: Study,
    markers: pd.DataFrame,
    outcomes: Sequence[str],
    reliable: pd.Series | None = None,
    *,
    workers: int = 1,
) -> pd.DataFrame:
    """The boards of `outcomes` one below the other; empty where none has a leader.

    reliable : bool by patient id, whose records were long and clean enough; workers : threads
    """
    from joblib import Parallel, delayed

    from discovery.markers.sensitivity import Cohort, sensitivity_board

    boards = []
    by_name = {outcome.name: outcome for outcome in study.outcomes}
    for name in outcomes:
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
            labels=dict(study.labels),
            effect_measure=str(measure.iloc[0]),
        )
        boards.append(board)
    made = Parallel(n_jobs=workers, prefer="threads")(boards)
    return joined([board for board in made if len(board)])


def reliable_patients(quality: pd.DataFrame, windows: pd.DataFrame) -> pd.Series:
    """By patient id: whether at least four fifths of each recording of the first visit could be used.

    quality : a row a recording; windows : whose recording is whose
    """
    whose = windows.drop_duplicates("recording").set_index("recording")["patient_id"].astype(str)
    known = quality.assign(patient_id=quality["recording"].map(whose)).dropna(subset="patient_id")
    first = known.groupby("patient_id")["visit"].transform("min")
    known = known[(known["visit"] == first) | first.isna()]
    return known["sq_coverage"].astype(float).ge(USABLE).groupby(known["patient_id"]).all()


def board_sentences(board: pd.DataFrame, labels: Mapping[str, str]) -> list[str]:
    """A sentence an outcome: which of its leaders hold under every alternative."""
    from discovery.markers.sensitivity import MAIN, surviving

    out = []
    for outcome, rows in board.groupby("outcome", sort=False) if len(board) else ():
        many = rows["feature"].nunique()
        held = surviving(board, str(outcome))
        ways = rows["alternative"].nunique() - rows["alternative"].eq(MAIN).any()
        which = f"{len(held)} of {many} leading features" if many > 1 else "the leading feature"
        if many == 1 and not held:
            which = "no leading feature"
        names = f" ({', '.join(held)})" if held else ""
        out.append(f"{labels.get(str(outcome), outcome)}: {which} held under all {ways} alternatives{names}")
    return out
