"""Groups of patients compared over time: the log-rank family, and Gray's test where events compete."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.association.multiplicity import benjamini_hochberg
from discovery.survival.logrank import grays_test, logrank_test

LOG_RANK, GRAY = "log-rank", "Gray, cumulative incidence"
FAMILY: dict[str, dict] = {
    LOG_RANK: {},
    "Gehan-Wilcoxon": {"test": "gehan"},
    "Tarone-Ware": {"test": "tarone-ware"},
    "Peto-Peto": {"test": "peto"},
    "Fleming-Harrington (0, 1)": {"test": "fleming-harrington", "rho": 0.0, "gamma": 1.0},
}
FEWEST = 5  # patients in a group
COLUMNS = ["by", "quantity", "groups", "statistic", "df", "p_value", "q_value", "n", "events", "note"]


def groups_over_time(
    time,
    status,
    groups: Mapping[str, pd.Series],
    *,
    entry=None,
    strata: Mapping[str, np.ndarray] | None = None,
) -> pd.DataFrame:
    """Tests that the groups have one hazard of the event (status 1), not adjusted for covariates.

    Parameters
    ----------
    groups : name -> labels (n,); patients without a label, and groups of fewer than 5, are left out
    strata : name -> stratum (n,) of the tests of that grouping, the site for instance

    Returns
    -------
    DataFrame
        A row for each grouping and test (COLUMNS). Weights: 1 (log-rank), patients at risk (Gehan), their
        root (Tarone and Ware), survival (Peto), and one less survival, for late differences
        (Fleming-Harrington). Other causes are censored there; Gray's test compares cumulative incidences.
        q_value : Benjamini-Hochberg over the groupings, of the log-rank test
        alone; the others say how the difference is spread over time.
    """
    time, status = np.asarray(time, dtype=float), np.asarray(status, dtype=float)
    rows = []
    for by, labels in groups.items():
        values = pd.Series(np.asarray(labels, dtype=object))
        kept = values.map(values.value_counts()).fillna(0).to_numpy() >= FEWEST
        left = values[kept].astype(str).to_numpy()
        if len(np.unique(left)) < 2 or not (status[kept] == 1).any():
            continue
        stratum = None if strata is None or by not in strata else np.asarray(strata[by])[kept]
        about = {"stratum": stratum}
        came = None if entry is None else np.asarray(entry, dtype=float)[kept]
        event = (status[kept] == 1).astype(float)
        found = {
            name: logrank_test(time[kept], event, left, entry=came, **about, **how)
            for name, how in FAMILY.items()
        }
        if (status[kept] > 1).any():
            found[GRAY] = grays_test(time[kept], status[kept], left, entry=came, **about)
        within = "" if stratum is None else "stratified by site"
        rows += [
            {
                "by": by, "quantity": name, "groups": "; ".join(map(str, test.groups)),
                "statistic": test.statistic, "df": test.df, "p_value": test.p_value, "q_value": np.nan,
                "n": int(kept.sum()), "events": int(event.sum()),
                "note": "; ".join(filter(None, [within, test.note])),
            }
            for name, test in found.items()
        ]  # fmt: skip
    table = pd.DataFrame(rows, columns=COLUMNS)
    first = table["quantity"] == LOG_RANK
    table.loc[first, "q_value"] = benjamini_hochberg(table.loc[first, "p_value"].to_numpy(dtype=float))
    return table
