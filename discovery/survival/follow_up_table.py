"""How long patients were followed, how many had events, at what rate."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.survival.curve_tables import cause_label, usable_rows
from discovery.survival.curves import kaplan_meier, median, reverse_kaplan_meier
from discovery.survival.rates import poisson_rate

COLUMNS = [
    "outcome", "group", "n", "n_left_out", "event", "n_event", "person_time", "rate", "rate_low",
    "rate_high", "median_follow_up", "follow_up_low", "follow_up_high", "median_time", "median_low",
    "median_high",
]  # fmt: skip


def follow_up_table(
    time, status, *, entry=None, group=None, outcome="", cause_names: Mapping[int, str] | None = None,
    per=1.0, conf_level=0.95,
) -> pd.DataFrame:  # fmt: skip
    """One row a group and kind of event.

    Returns
    -------
    DataFrame
        n, n_left_out (a missing time, status, entry or group), event, n_event, person_time, rate per
        `per` units of person-time with exact Poisson limits, median follow-up by reverse Kaplan-Meier
        with limits, and, only without competing events, median time to the event with limits; NaN for
        "not reached".
    """
    left_out, labels, codes, columns = usable_rows(time, status, entry, group)
    time, status, entry = columns
    causes = np.union1d([1], np.unique(status[status > 0])).astype(int)
    rows = []
    for code, label in enumerate(labels):
        mine = codes == code
        came = None if entry is None else entry[mine]
        person_time = float((time[mine] - (0.0 if came is None else came)).sum())
        seen = median(reverse_kaplan_meier(time[mine], status[mine], entry=came, conf_level=conf_level))
        first = None
        if len(causes) == 1:
            first = median(kaplan_meier(time[mine], status[mine], entry=came, conf_level=conf_level))
        for cause in causes:
            events = int((status[mine] == cause).sum())
            rate = (
                poisson_rate(events, person_time, per=per, conf_level=conf_level) if person_time > 0 else None
            )
            rows.append(
                [
                    outcome,
                    str(label),
                    int(mine.sum()),
                    left_out,
                    cause_label(int(cause), cause_names),
                    events,
                    person_time,
                ]
                + ([rate.estimate, rate.ci_low, rate.ci_high] if rate else [np.nan] * 3)
                + [seen.estimate, seen.ci_low, seen.ci_high]
                + ([first.estimate, first.ci_low, first.ci_high] if first else [np.nan] * 3)
            )
    return pd.DataFrame(rows, columns=COLUMNS)
