"""Flow of patients: who was there, who left at which step and why, for each outcome."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

COLUMNS = ["outcome", "step", "n", "n_left_out", "reason"]
LEAVING, ANALYSED = "usable for the model", "analysed"


def attrition_table(before: pd.DataFrame, left_out: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """The whole flow as one table.

    Parameters
    ----------
    before : DataFrame (step, n, n_left_out, reason), at least one row
        Steps taken while reading; they count for every outcome.
    left_out : mapping outcome -> DataFrame (reason, n)
        Who is left out of that outcome's analysis, each patient once, in the order of the reasons.

    Returns
    -------
    DataFrame
        outcome ("" for steps that all outcomes share), step, n (left after it), n_left_out, reason.
        Every outcome ends with a step "analysed", also when nobody was left out.
    """
    rows = before.assign(outcome="")[COLUMNS].to_dict("records")
    start = int(before["n"].iloc[-1])
    for outcome, reasons in left_out.items():
        remaining = start
        listed = [(str(reason), int(n)) for reason, n in zip(reasons["reason"], reasons["n"]) if n]
        for reason, n in listed or [("", 0)]:
            remaining -= n
            rows.append(dict(zip(COLUMNS, (outcome, LEAVING, remaining, n, reason))))
        rows[-1]["step"] = ANALYSED
    return pd.DataFrame(rows, columns=COLUMNS).astype({"n": "int64", "n_left_out": "int64"})
