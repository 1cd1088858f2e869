"""How much of a summary's spread between patients is the patients: from separate sessions, never beats alone.

Beats of one session share the state of the day, so agreement inside a session says nothing about
another day; it is reported as an upper bound and must not be used for correction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

APART_S = 3600.0
SEGMENT_S = 1800.0
LEAST_PATIENTS = 10
LOW_RELIABILITY = 0.6
SEPARATE_VISITS = "separate visits"
SEPARATE_SEGMENTS = "segments at least 1 h apart"
WITHIN_SESSION = "within one session, upper bound"


@dataclass(frozen=True, kw_only=True)
class Reliability:
    """Reliability of the summary of one session, for one feature."""

    feature: str
    reliability: float
    ci_low: float
    ci_high: float
    conf_level: float
    n_patients: int
    n_sessions: int
    source: str
    usable_for_correction: bool
    low: bool
    method: str
    note: str = ""


def pair_reliability(
    first: np.ndarray, second: np.ndarray, *, conf_level: float = 0.95
) -> tuple[float, float, float]:
    """Correlation of two session means over patients, with its Fisher interval.

    first, second : arrays (n_patients,); pairs with a missing value are left out. NaN below 4 pairs.
    """
    from scipy.stats import norm

    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    good = np.isfinite(a) & np.isfinite(b)
    a, b = a[good], b[good]
    if a.size < 4 or a.std() == 0 or b.std() == 0:
        return np.nan, np.nan, np.nan
    r = float(np.corrcoef(a, b)[0, 1])
    half = norm.ppf(0.5 + conf_level / 2) / np.sqrt(a.size - 3)
    z = np.arctanh(np.clip(r, -1 + 1e-12, 1 - 1e-12))
    return r, float(np.tanh(z - half)), float(np.tanh(z + half))


def intraclass_correlation(
    value: np.ndarray, patient: np.ndarray, *, conf_level: float = 0.95
) -> tuple[float, float, float]:
    """ICC(1) from a one-way analysis of variance, any number of sessions a patient, with its F interval.

    value : array (n_sessions,); patient : labels (n_sessions,). Patients with one session count towards
    neither mean square within nor degrees of freedom there. Shrout and Fleiss 1979, Psychol Bull 86:420;
    unequal numbers by the usual n0.
    """
    from scipy.stats import f as f_law

    x = np.asarray(value, dtype=float)
    good = np.isfinite(x)
    x, who = x[good], np.unique(np.asarray(patient)[good], return_inverse=True)[1]
    count = np.bincount(who)
    groups, n = count.size, x.size
    if groups < 3 or n - groups < 2:
        return np.nan, np.nan, np.nan
    mean = np.bincount(who, x) / count
    between = (count * (mean - x.mean()) ** 2).sum() / (groups - 1)
    within = ((x - mean[who]) ** 2).sum() / (n - groups)
    if within == 0:
        return (1.0, np.nan, np.nan) if between > 0 else (np.nan, np.nan, np.nan)
    size = (n - (count**2).sum() / n) / (groups - 1)
    ratio = between / within
    tail = (1 - conf_level) / 2
    low = ratio / f_law.ppf(1 - tail, groups - 1, n - groups)
    high = ratio * f_law.ppf(1 - tail, n - groups, groups - 1)

    def icc(f: float) -> float:
        return float((f - 1) / (f + size - 1))

    return icc(ratio), icc(low), icc(high)


def averaged_reliability(reliability: float, sessions: float) -> float:
    """Reliability of the mean of so many sessions (Spearman-Brown)."""
    return sessions * reliability / (1 + (sessions - 1) * reliability)


def reliability_table(
    windows: pd.DataFrame, features: Iterable[str], *, conf_level: float = 0.95
) -> pd.DataFrame:
    """Reliability of each feature's session median, one row a feature.

    Sessions are visits where patients have more than one; else segments of 30 min of valid windows at
    least 1 h apart within a recording; else odd against even windows, as an upper bound only. At least 10
    patients with two sessions are needed. Two sessions: correlation; more: ICC(1).

    windows : columns recording, patient_id, visit, start_s, end_s, valid and the features.
    """
    import pandas as pd

    valid = windows[windows["valid"].to_numpy(dtype=bool)]
    sources = (
        (SEPARATE_VISITS, _visits(valid)),
        (SEPARATE_SEGMENTS, _segments(valid)),
        (WITHIN_SESSION, _halves(valid)),
    )
    patient = np.unique(valid["patient_id"].to_numpy(), return_inverse=True)[1]
    values = {name: valid[name].to_numpy(dtype=float) for name in features}
    rows = []
    for name in values:
        row = None
        for source, session in sources:
            row = _one(patient, values[name], name, source, session, conf_level)
            if row is not None:
                break
        if row is None:
            row = Reliability(
                feature=name,
                reliability=np.nan,
                ci_low=np.nan,
                ci_high=np.nan,
                conf_level=conf_level,
                n_patients=0,
                n_sessions=0,
                source="",
                usable_for_correction=False,
                low=False,
                method="",
                note=f"fewer than {LEAST_PATIENTS} patients with two sessions",
            )
        rows.append(asdict(row))
    return pd.DataFrame(rows)


def _one(
    patient: np.ndarray, value: np.ndarray, name: str, source: str, session: np.ndarray, conf_level: float
) -> Reliability | None:
    """From one value a window; `patient` numbers the patients, `session` (-1: none) their sessions."""
    who, medians = _session_medians(patient, value, session)
    count = np.bincount(who)
    several = count[who] > 1
    who, medians = who[several], medians[several]
    patients = np.unique(who).size
    if patients < LEAST_PATIENTS:
        return None
    if count.max() == 2:
        r, low, high = pair_reliability(medians[::2], medians[1::2], conf_level=conf_level)
        method = "correlation of two session medians"
    else:
        r, low, high = intraclass_correlation(medians, who, conf_level=conf_level)
        method = "ICC(1) of session medians"
    inside = source == WITHIN_SESSION
    if inside:  # two halves together are twice as long
        r, low, high = (averaged_reliability(v, 2) for v in (r, low, high))
        method = "odd and even windows, Spearman-Brown"
    return Reliability(
        feature=name,
        reliability=r,
        ci_low=low,
        ci_high=high,
        conf_level=conf_level,
        n_patients=int(patients),
        n_sessions=len(medians),
        source=source,
        usable_for_correction=not inside and bool(np.isfinite(r)),
        low=bool(r < LOW_RELIABILITY),
        method=method,
        note="shares the state of the day; not for correction" if inside else "",
    )


def _session_medians(
    patient: np.ndarray, value: np.ndarray, session: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Patient and median value of each session with a value, by patient, then by session."""
    used = (session >= 0) & np.isfinite(value)
    who, which, x = patient[used], session[used], value[used]
    order = np.lexsort((x, which, who))
    who, which, x = who[order], which[order], x[order]
    new = np.ones(x.size, dtype=bool)
    new[1:] = (who[1:] != who[:-1]) | (which[1:] != which[:-1])
    first = np.flatnonzero(new)
    stop = np.append(first, x.size)[1:]
    return who[first], 0.5 * (x[(first + stop - 1) // 2] + x[(first + stop) // 2])


def _visits(valid: pd.DataFrame) -> np.ndarray:
    """Session number by visit; -1 where the visit is unknown."""
    visit = valid["visit"]
    codes = np.full(len(valid), -1)
    known = visit.notna().to_numpy()
    if known.any():
        codes[known] = np.unique(visit[known].to_numpy(), return_inverse=True)[1]
    return codes


def _segments(valid: pd.DataFrame) -> np.ndarray:
    """Session number of 30 min segments that start at least 1 h after the one before ended; -1 between."""
    codes = np.full(len(valid), -1)
    start = valid["start_s"].to_numpy(dtype=float)
    for _, index in valid.groupby(["patient_id", "recording"], sort=False).indices.items():
        order = index[np.argsort(start[index], kind="stable")]
        number, begin = 0, start[order[0]]
        for i in order.tolist():
            if start[i] >= begin + SEGMENT_S:
                if start[i] < begin + SEGMENT_S + APART_S:
                    continue
                number, begin = number + 1, start[i]
            codes[i] = number
    return codes


def _halves(valid: pd.DataFrame) -> np.ndarray:
    """Odd and even windows of each recording."""
    return valid.groupby(["patient_id", "recording"], sort=False).cumcount().to_numpy() % 2
