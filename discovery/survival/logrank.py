"""The log-rank family of tests, and Gray's test for cumulative incidence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from discovery.survival.follow_up import FollowUp, as_follow_up, one_event, risk_sets
from discovery.survival.jackknife import product_limit
from discovery.survival.refusals import refuse, require_choice
from discovery.survival.truncation import refills

TESTS = ("logrank", "gehan", "tarone-ware", "peto", "fleming-harrington")
SMALLEST_P = float(np.finfo(float).tiny)
STRETCH = "compared while every group is under observation without a break; other events are left out"


@dataclass(frozen=True, kw_only=True)
class GroupTest:
    """A test that groups have the same hazard (or cumulative incidence).

    `observed`, `expected` (n_groups,) and `covariance` (n_groups, n_groups) are weighted when the
    test is. NaN with a `note`: nothing could be compared. `trend_*` is the 1-df test along the order
    of the groups, equally spaced.
    """

    method: str
    groups: tuple[object, ...]
    n: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    covariance: np.ndarray
    statistic: float
    df: int
    p_value: float
    trend_statistic: float
    trend_p_value: float
    note: str = ""


def logrank_test(
    time, event, group, *, entry=None, stratum=None, test="logrank", rho=0.0, gamma=0.0
) -> GroupTest:
    """Log-rank test of k groups and its weighted relatives.

    Parameters
    ----------
    time, event, entry : array (n,), as in `kaplan_meier`
    group : array (n,)
        Labels of the groups, sorted for the answer (a categorical keeps its own order).
    stratum : array (n,), optional
        Observed minus expected and covariances are added over strata; the survival that the weights
        use is that of the stratum.
    test : str
        Weight at an event time, n at risk and d events, S the pooled Kaplan-Meier: "logrank" 1;
        "gehan" n; "tarone-ware" sqrt(n); "peto" the product of 1 - d/(n + 1) through t;
        "fleming-harrington" S(t-)^rho (1 - S(t-))^gamma.

    Raises
    ------
    InputError
        See `as_follow_up`; lengths differ; a label is missing; an unknown test.

    References
    ----------
    Mantel, Cancer Chemother Rep 1966;50:163-170; Fleming & Harrington, Counting Processes and
    Survival Analysis, 1991. Hypergeometric covariance. Oracle: SV06-SV10.
    """
    require_choice("log-rank test", "test", test, TESTS)
    follow_up = one_event(time, event, entry=entry)
    labels, codes = group_codes(group, len(follow_up.time), name="group")
    k = len(labels)
    difference, covariance, expected = np.zeros(k), np.zeros((k, k)), np.zeros(k)
    for rows in _strata(stratum, len(codes)):
        weight, d, n = _group_totals(_rows(follow_up, rows), codes[rows], k, test, rho, gamma)
        total_d, total_n = d.sum(axis=0), n.sum(axis=0)
        share = n / total_n
        expected += share @ (weight * total_d)
        difference += (d - share * total_d) @ weight
        left = np.divide(total_n - total_d, total_n - 1, out=np.zeros_like(total_n), where=total_n > 1)
        spread = weight**2 * total_d * left
        covariance += np.diag(share @ spread) - (share * spread) @ share.T
    name = f"{test} ({rho:g}, {gamma:g})" if test == "fleming-harrington" else test
    return _group_test(name, labels, codes, difference, expected, covariance)


def _group_totals(follow_up: FollowUp, codes, k, test, rho, gamma):
    """Weight (m,), events (k, m) and numbers at risk (k, m) at the m event times of one stratum."""
    pooled = risk_sets(follow_up)
    at_event = pooled.n_event > 0
    times = pooled.time[at_event]
    total_n, total_d = pooled.n_at_risk[at_event], pooled.n_event[at_event]
    d, n = np.empty((k, len(times))), np.empty((k, len(times)))
    for code in range(k):
        d[code], n[code] = _totals_at(follow_up, codes == code, times, follow_up.status == 1)
    if test == "gehan":
        weight = total_n
    elif test == "tarone-ware":
        weight = np.sqrt(total_n)
    elif test == "peto":
        weight = np.cumprod(1 - total_d / (total_n + 1))
    elif test == "fleming-harrington":
        survival, _ = product_limit(total_n, total_d)
        before = np.concatenate([[1.0], survival])[:-1]
        weight = before**rho * (1 - before) ** gamma
    else:
        weight = np.ones_like(total_n)
    return weight, d, n


def _totals_at(follow_up: FollowUp, mine: np.ndarray, times: np.ndarray, event: np.ndarray):
    """Events and numbers at risk of the rows `mine` at `times` (distinct event times of the pool)."""
    ends, entries = np.sort(follow_up.time[mine]), np.sort(follow_up.entry[mine])
    at_risk = np.searchsorted(entries, times) - np.searchsorted(ends, times)
    events = np.bincount(np.searchsorted(times, follow_up.time[mine & event]), minlength=len(times))
    return events.astype(float), at_risk.astype(float)


def grays_test(time, status, group, *, entry=None, cause=1, stratum=None, rho=0.0) -> GroupTest:
    """Gray's test that k groups have the same cumulative incidence of one cause.

    At an event time the groups are compared in numbers R = Y (1 - F(t-))/S(t-), with Y at risk, F the
    incidence of the cause and S event-free survival in the group; the weight is (1 - F0(t-))^rho with
    F0 the pooled incidence. Hypergeometric correction for ties in the variance.

    With delayed entry Y counts who has entered, and F and S are product-limits with such risk sets. R is then
    the risk set weighted for censoring and entry, estimated in the group itself: both may differ between
    groups. Gray's variance rests on the intensity, Y times a hazard, which delayed entry leaves as it is.
    Nothing is known of the incidence in a group before somebody of it is watched, nor across a time at which
    nobody is. What is compared is the incidence, among those without an event till then, in the stretch of
    time with most events in which every group is watched; `note` says so if events lie outside. How often it
    errs: shared/operating_gray.csv.

    Parameters
    ----------
    time, status : array (n,), status 0 censored, 1, 2, … the causes
    entry : array (n,), optional; at risk while entry < t <= time
    group, stratum : as in `logrank_test`

    References
    ----------
    Gray, Ann Stat 1988;16:1141-1154. Weighted risk sets with delayed entry: Geskus, Biometrics 2011;67:39-49;
    intensities: Andersen, Borgan, Gill & Keiding, Statistical Models Based on Counting Processes, 1993, ch.
    III.3. Oracle: CR05, CR06.
    """
    follow_up = as_follow_up(time, status, entry=entry)
    labels, codes = group_codes(group, len(follow_up.time), name="group")
    k = len(labels)
    difference, covariance, expected = np.zeros(k), np.zeros((k, k)), np.zeros(k)
    outside = False
    for rows in _strata(stratum, len(codes)):
        part, own = _rows(follow_up, rows), codes[rows]
        if entry is not None:
            events, (part, own) = (part.status > 0).sum(), _watched(part, own, cause)
            outside |= bool((part.status > 0).sum() < events)
        one, spread, expect = _gray_stratum(part, own, k, cause, rho)
        difference, covariance, expected = difference + one, covariance + spread, expected + expect
    test = _group_test(f"gray ({rho:g})", labels, codes, difference, expected, covariance)
    return replace(test, note="; ".join(filter(None, [test.note, STRETCH]))) if outside else test


def _watched(follow_up: FollowUp, codes: np.ndarray, cause: int) -> tuple[FollowUp, np.ndarray]:
    """Rows, entries and ends within the stretch of time that is compared, with the rows' groups."""
    entry, time, status = follow_up.entry, follow_up.time, follow_up.status
    start, stop = _stretch(entry, time, codes, np.sort(time[status == cause]))
    entry, end = np.maximum(entry, start), np.minimum(time, stop)
    seen = entry < end
    part = follow_up._replace(entry=entry, time=end, status=np.where(time > stop, 0, status))
    return _rows(part, seen), codes[seen]


def _stretch(entry, time, codes, events) -> tuple[float, float]:
    """Between two times at which a group's observation begins, anew or at all, with most of `events`."""
    groups = [codes == code for code in np.unique(codes)]
    groups = [mine for mine in groups if events.size and entry[mine].min() < events[-1]]
    if not groups:
        return -np.inf, np.inf
    breaks = [refills(entry[mine], time[mine]) for mine in groups]
    at = np.unique(np.concatenate(breaks))
    at = at[at >= max(own[0] for own in breaks)]
    stop = np.append(at[1:], np.inf)
    inside = np.searchsorted(events, stop, side="right") - np.searchsorted(events, at, side="right")
    all_there = [all(((entry[mine] <= t) & (t < time[mine])).any() for mine in groups) for t in at]
    best = int(np.argmax(np.where(all_there, inside + 1, 0)))
    return float(at[best]), float(stop[best])


def _gray_stratum(follow_up: FollowUp, codes, k, cause, rho):
    times = np.unique(follow_up.time[follow_up.status > 0])
    m = len(times)
    if m == 0:
        return np.zeros(k), np.zeros((k, k)), np.zeros(k)
    mine, other, y = np.empty((k, m)), np.empty((k, m)), np.empty((k, m))
    for code in range(k):
        mine[code], y[code] = _totals_at(follow_up, codes == code, times, follow_up.status == cause)
        competing = (follow_up.status > 0) & (follow_up.status != cause)
        other[code], _ = _totals_at(follow_up, codes == code, times, competing)
    here = y > 0
    per_y = np.divide(1.0, y, out=np.zeros_like(y), where=here)
    survival = np.cumprod(1 - (mine + other) * per_y, axis=1)
    before = np.hstack([np.ones((k, 1)), survival[:, :-1]])
    incidence = np.cumsum(before * mine * per_y, axis=1)
    incidence_before = np.hstack([np.zeros((k, 1)), incidence[:, :-1]])

    # Pooled under the null hypothesis: groups weigh by what they would have at risk without competing events.
    size = np.divide(y, before, out=np.zeros_like(y), where=here & (before > 0))
    total = size.sum(axis=0)
    d = mine.sum(axis=0)
    per_total = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
    pooled = np.cumsum(d * per_total)
    pooled_before = np.concatenate([[0.0], pooled[:-1]])
    weight = (1 - pooled_before) ** rho
    risk = size * (1 - incidence_before)
    risk_total = risk.sum(axis=0)
    share = np.divide(risk, risk_total, out=np.zeros_like(risk), where=risk_total > 0)
    expected = share @ (weight * d)
    difference = (mine - share * d) @ weight

    # a[i, g]: derivative of the statistic of group i by the incidence step of group g; c its integral.
    a = weight * size * (np.eye(k)[:, :, None] - (size * per_total)[:, None, :])
    rate = np.divide(d * per_total, 1 - pooled_before, out=np.zeros(m), where=pooled_before < 1)
    c = np.cumsum(a * rate, axis=2)
    later = c[:, :, -1:] - c
    ratio = np.divide(1 - pooled, survival, out=np.zeros_like(survival), where=survival > 0)
    own = np.where(survival > 0, 1 - ratio, 1.0)
    tie = _tie_factor(np.broadcast_to(d, (k, m)), total * before)
    variance_own = tie * before * (d * per_total) * per_y
    tie = _tie_factor(other, y)
    variance_other = np.where(survival > 0, tie * before**2 * other * per_y**2, 0.0)
    along_own, along_other = a + own * later, ratio * later
    covariance = np.einsum("igm,jgm,gm->ij", along_own, along_own, variance_own)
    covariance += np.einsum("igm,jgm,gm->ij", along_other, along_other, variance_other)
    return difference, covariance, expected


def _tie_factor(d, n):
    return 1 - np.divide(d - 1, n - 1, out=np.zeros_like(n), where=(d > 1) & (n > 1))


def group_codes(group, n: int, *, name: str) -> tuple[tuple[object, ...], np.ndarray]:
    """Labels in order and the code of each row; a missing label is refused."""
    import pandas as pd

    values = pd.Series(np.asarray(group) if not isinstance(group, pd.Series) else group.to_numpy())
    if isinstance(getattr(group, "dtype", None), pd.CategoricalDtype):
        values = pd.Series(group.array if isinstance(group, pd.Series) else group)
    if len(values) != n:
        refuse("groups", f"wanted one label a row, {n}", column=name, found=str(len(values)))
    if values.isna().any():
        refuse("groups", "wanted a label in every row", column=name, found=f"{values.isna().sum()} missing")
    categorical = values.astype("category").cat.remove_unused_categories()
    return tuple(categorical.cat.categories.tolist()), categorical.cat.codes.to_numpy(dtype=np.int64)


def _strata(stratum, n: int):
    if stratum is None:
        return [np.arange(n)]
    labels, codes = group_codes(stratum, n, name="stratum")
    return [np.flatnonzero(codes == code) for code in range(len(labels))]


def _rows(follow_up: FollowUp, rows: np.ndarray) -> FollowUp:
    return FollowUp(*(values[rows] for values in follow_up))


def _group_test(method, labels, codes, difference, expected, covariance) -> GroupTest:
    """Chi-square of the differences; groups that were never at risk when somebody had an event stay out."""
    compared = np.flatnonzero(np.diag(covariance) > 1e-12)
    statistic = p_value = trend = trend_p = float("nan")
    df, note = max(len(compared) - 1, 0), ""
    if df:
        kept = compared[:-1]
        u, v = difference[kept], covariance[np.ix_(kept, kept)]
        statistic = float(u @ np.linalg.solve(v, u))
        p_value = max(float(chi2.sf(statistic, df)), SMALLEST_P)
        score = np.arange(len(labels), dtype=float)
        trend = float((score @ difference) ** 2 / (score @ covariance @ score))
        trend_p = max(float(chi2.sf(trend, 1)), SMALLEST_P)
    if len(compared) < len(labels):
        without = [str(label) for i, label in enumerate(labels) if i not in set(compared)]
        note = "not compared, nobody at risk beside others at an event: " + ", ".join(without)
    return GroupTest(
        method=method, groups=labels, n=np.bincount(codes, minlength=len(labels)),
        observed=expected + difference, expected=expected, covariance=covariance,
        statistic=statistic, df=df, p_value=p_value, trend_statistic=trend, trend_p_value=trend_p, note=note,
    )  # fmt: skip
