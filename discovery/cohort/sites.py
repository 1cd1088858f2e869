"""Sites side by side: patients, events, and how far features are shifted between them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.stats import f as f_distribution

from discovery.cohort.baseline import group_members
from discovery.cohort.group_tests import SMALLEST_P
from discovery.cohort.standardised_difference import smd_continuous

SITE_COLUMNS = ["site", "outcome", "n", "percent_of_patients", "n_with_outcome", "events", "percent_events"]
SHIFT_COLUMNS = [
    "feature", "label", "site", "n", "missing", "mean", "sd", "median", "smd",
    "largest_smd", "variance_share", "p_value",
]  # fmt: skip


def site_table(site: pd.Series, outcomes: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Patients and events at each site.

    Parameters
    ----------
    site : Series (n,), one label a patient; missing counts as the site "unknown"
    outcomes : mapping name -> Series (n,) of 1 (event), 0 (none, or another event), NaN (unknown)

    Returns
    -------
    DataFrame
        One row a site and outcome: site, outcome, n, percent_of_patients, n_with_outcome, events,
        percent_events (of those with the outcome known). Percentages of events ignore length of
        follow-up: for survival they are no rates.
    """
    members = group_members(site.astype("object").where(site.notna(), "unknown"))
    rows = []
    for label, mine in members.items():
        for name, outcome in outcomes.items():
            known = outcome.to_numpy(dtype=float, na_value=np.nan)[mine]
            known = known[np.isfinite(known)]
            events = int((known == 1).sum())
            share = 100 * events / known.size if known.size else np.nan
            rows.append(
                dict(
                    zip(
                        SITE_COLUMNS,
                        [label, name, int(mine.sum()), 100 * mine.mean(), known.size, events, share],
                    )
                )
            )
    return pd.DataFrame(rows, columns=SITE_COLUMNS)


def site_feature_shift(
    features: pd.DataFrame, site: pd.Series, *, labels: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """How far every feature is shifted at each site against all others.

    Returns
    -------
    DataFrame
        One row a feature and site: feature, label, site, n, missing, mean, sd, median, smd (site minus
        the rest); and repeated over the sites of a feature: largest_smd (its largest size),
        variance_share (the part of the variance that lies between sites, omega squared, at least
        0) and p_value (analysis of variance).
    """
    members = group_members(site)
    some = np.any(list(members.values()), axis=0) if members else np.zeros(len(site), dtype=bool)
    rows = []
    for feature in features.columns:
        values = features[feature].to_numpy(dtype=float, na_value=np.nan)
        share, p = _between_sites([values[mine] for mine in members.values()])
        mine_rows = []
        for label, mine in members.items():
            here = values[mine]
            here = here[np.isfinite(here)]
            mine_rows.append(
                {
                    "feature": feature,
                    "label": (labels or {}).get(feature, feature),
                    "site": label,
                    "n": here.size,
                    "missing": int(mine.sum()) - here.size,
                    "mean": here.mean() if here.size else np.nan,
                    "sd": here.std(ddof=1) if here.size > 1 else np.nan,
                    "median": np.median(here) if here.size else np.nan,
                    "smd": smd_continuous(here, values[some & ~mine]),
                    "variance_share": share,
                    "p_value": p,
                }
            )
        sizes = np.abs([row["smd"] for row in mine_rows])
        largest = float(np.nanmax(sizes)) if np.isfinite(sizes).any() else np.nan
        rows += [row | {"largest_smd": largest} for row in mine_rows]
    return pd.DataFrame(rows, columns=SHIFT_COLUMNS)


def _between_sites(groups: list[np.ndarray]) -> tuple[float, float]:
    known = [values[np.isfinite(values)] for values in groups]
    known = [values for values in known if values.size]
    k, n = len(known), sum(values.size for values in known)
    if k < 2 or n <= k:
        return float("nan"), float("nan")
    mean = np.concatenate(known).mean()
    between = sum(values.size * (values.mean() - mean) ** 2 for values in known)
    within = sum(((values - values.mean()) ** 2).sum() for values in known)
    if within <= 0:
        return float("nan"), float("nan")
    error = within / (n - k)
    share = max(0.0, (between - (k - 1) * error) / (between + within + error))
    p = float(f_distribution.sf(between / (k - 1) / error, k - 1, n - k))
    return float(share), max(p, SMALLEST_P)
