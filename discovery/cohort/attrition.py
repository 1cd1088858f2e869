"""Flow of patients: who was there, who left at which step and why, for each outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem

COLUMNS = ["outcome", "step", "n", "n_left_out", "reason"]


class Step(NamedTuple):
    """A step that keeps some patients: `keep` bool (n,) over all study patients."""

    step: str
    keep: np.ndarray
    reason: str


def attrition_table(
    n_study: int,
    steps: Mapping[str, Sequence[Step]],
    *,
    before: pd.DataFrame | None = None,
    first: str = "patients in the study",
) -> pd.DataFrame:
    """The whole flow as one table.

    Parameters
    ----------
    n_study : int
        Patients that the steps start from.
    steps : mapping outcome name -> steps in order
        The name "" holds steps for every outcome (they come first). A patient counts as left out at
        the first step that does not keep them, so numbers add up.
    before : DataFrame, optional
        Steps already taken while reading (step, n, n_left_out, reason); its last n must be n_study.

    Returns
    -------
    DataFrame
        outcome ("" for steps that all outcomes share), step, n (left after it), n_left_out, reason.
    """
    problems = []
    if before is not None and len(before) and int(before["n"].iloc[-1]) != n_study:
        found = str(before["n"].iloc[-1])
        problems.append(
            Problem(file="attrition", column="n", found=found, wanted=f"wanted to end with {n_study}")
        )
    for outcome, listed in steps.items():
        for step in listed:
            if np.shape(step.keep) != (n_study,):
                wanted = f"wanted one True or False for each of {n_study} patients"
                problems.append(Problem(file="attrition", column=outcome, found=step.step, wanted=wanted))
    if problems:
        raise InputError(problems)
    rows = []
    if before is not None and len(before):
        rows += before.assign(outcome="")[COLUMNS].to_dict("records")
    else:
        rows.append({"outcome": "", "step": first, "n": n_study, "n_left_out": 0, "reason": ""})
    shared = np.ones(n_study, dtype=bool)
    shared = _add(rows, "", shared, steps.get("", ()))
    for outcome, listed in steps.items():
        if outcome:
            _add(rows, outcome, shared, listed)
    return pd.DataFrame(rows, columns=COLUMNS).astype({"n": "int64", "n_left_out": "int64"})


def _add(rows: list[dict], outcome: str, left: np.ndarray, steps: Sequence[Step]) -> np.ndarray:
    for step in steps:
        stay = left & np.asarray(step.keep, dtype=bool)
        gone = int(left.sum() - stay.sum())
        rows.append(
            {
                "outcome": outcome,
                "step": step.step,
                "n": int(stay.sum()),
                "n_left_out": gone,
                "reason": step.reason if gone else "",
            }
        )
        left = stay
    return left
