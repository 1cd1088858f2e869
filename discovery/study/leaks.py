"""Features that give the outcome away, or say again what a covariate says."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from discovery.seeds import named_rng
from discovery.study.outcome import Outcome
from discovery.terms import SUSPECTED

SUSPECT_ABOVE = 0.98
SCREEN_ABOVE = 0.95  # a sampled C below this is never checked exactly; its standard error is about .002
SAMPLED_PAIRS = 20_000
EXACT_PAIRS = 50_000_000  # above it (10,000 patients) the sampled C stands; its standard error is .001
FEWEST_ROWS = 10
FEWEST_A_SIDE = 5  # two patients of 25 stand apart in 1 of 150 features by chance: 2 of 300 orders
REPEATS_ABOVE = 0.999


def suspected_leaks(
    features: pd.DataFrame, outcomes: Iterable[Outcome], seed: int
) -> dict[tuple[str, str], str]:
    """(outcome, feature) -> a flag, where the feature alone all but reproduces an outcome not made of it."""
    found = {}
    for outcome in outcomes:
        own = features.drop(columns=list(outcome.excluded_features), errors="ignore")
        for at, (measure, _) in suspects(own.to_numpy(dtype=np.float64), outcome, seed).items():
            found[outcome.name, str(own.columns[at])] = (
                f"{SUSPECTED}: alone it all but reproduces the outcome ({measure} above {SUSPECT_ABOVE:g})"
            )
    return found


def suspects(columns: np.ndarray, outcome: Outcome, seed: int) -> dict[int, tuple[str, float]]:
    """Position -> (measure, its value) of each of `columns` (n, p) that alone all but reproduces the outcome.

    By the measure of `suspicion`; of counts, ordered classes and episodes also by how they order the patients
    (`orderings`), which ties do not weaken; of times also by the area under the ROC curve for the event,
    whenever it came, where ten patients or more have it and ten have not: a copy of the status need not order
    the times.
    """
    found: dict[int, tuple[str, float]] = {}
    measures = [suspicion(columns, outcome, seed), *orderings(columns, outcome, seed)]
    if outcome.kind == "survival" and outcome.status is not None:
        event = outcome.status[outcome.known] == 1
        known = columns[outcome.known]
        enough = [(np.isfinite(known) & mine[:, None]).sum(axis=0) >= FEWEST_ROWS for mine in (event, ~event)]
        measures.append(("AUC of the event", np.where(np.all(enough, axis=0), areas(known, event), np.nan)))
    for measure, strength in measures:
        for at in np.flatnonzero(strength > SUSPECT_ABOVE):
            found.setdefault(int(at), (measure, float(strength[at])))
    return found


def equal_features(features: np.ndarray, outcome: Outcome) -> np.ndarray:
    """Columns of `features` (n, p) that hold the very numbers of one of the outcome's columns, (p,) bool.

    Rows in which either is missing are not compared; at least two different values must be shared. How long
    episodes were counted for is no part of the outcome.
    """
    same = np.zeros(features.shape[1], dtype=bool)
    time = None if outcome.kind == "recurrent" else outcome.time
    for target in (outcome.value, time, outcome.status, had_event(outcome)):
        if target is None:
            continue
        both = np.isfinite(features) & np.isfinite(target)[:, None]
        differs = both & (features != target[:, None])
        values = np.where(both, features, np.nan)
        spread = np.fmax.reduce(values, axis=0) > np.fmin.reduce(values, axis=0)
        same |= ~differs.any(axis=0) & spread
    return same


def had_event(outcome: Outcome) -> np.ndarray | None:
    """1 for the event, 0 for anything else and NaN where the status is missing, (n,); None without status."""
    status = outcome.status
    return None if status is None else np.where(np.isnan(status), np.nan, status == 1)


def repeats(features: np.ndarray, covariate: pd.Series) -> np.ndarray:
    """How closely each column of `features` (n, p) follows a covariate (n,), as |r| (p,); NaN if not known.

    |Pearson r| with a number; with groups the correlation ratio (the multiple correlation with their
    indicators, which for two groups is |r|). Only where ten rows and two rows a group are known.
    """
    known = covariate.notna().to_numpy()
    columns = features[known]
    observed = np.isfinite(columns)
    count = observed.sum(axis=0)
    if not isinstance(covariate.dtype, pd.CategoricalDtype):
        target = covariate.to_numpy(dtype=np.float64)[known]
        return np.where(
            count >= FEWEST_ROWS, pearson(columns, np.where(observed, target[:, None], np.nan)), np.nan
        )
    groups = covariate.cat.codes.to_numpy()[known]
    size = np.max(np.where(observed, np.abs(columns), 0.0), axis=0, initial=0.0)
    scaled = np.where(observed, columns / np.where(size > 0, size, 1.0), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = scaled.sum(axis=0) / count
        total = (np.where(observed, scaled - mean, 0.0) ** 2).sum(axis=0)
        within = np.zeros(features.shape[1])
        levels = np.zeros(features.shape[1])
        for group in np.unique(groups):
            here = observed & (groups == group)[:, None]
            of_group = np.where(here, scaled, 0.0).sum(axis=0) / here.sum(axis=0)
            within += (np.where(here, scaled - of_group, 0.0) ** 2).sum(axis=0)
            levels += here.any(axis=0)
        ratio = np.sqrt(np.maximum(0.0, 1 - within / total))
    return np.where((count >= FEWEST_ROWS) & (count >= 2 * levels), ratio, np.nan)


def suspicion(features: np.ndarray, outcome: Outcome, seed: int) -> tuple[str, np.ndarray]:
    """How well each column of `features` (n, p) alone orders the outcome: the measure's name and (p,) values.

    The area under the ROC curve (binary; the largest one-against-rest for several classes), the
    larger of |Pearson r| and |Spearman rho| (numbers, ordered classes, episodes), or Harrell's C (times),
    each turned to the better direction, 1 at most; NaN where fewer than 10 rows are known, and of classes
    where fewer than 5 rows are in the class or outside it.
    """
    known = outcome.known
    columns = features[known]
    if outcome.time is not None and outcome.status is not None and outcome.kind == "survival":
        rng = named_rng(seed, "study", "suspected leak", outcome.name)
        measure, values = "C", concordances(columns, outcome.time[known], outcome.status[known] == 1, rng)
    elif outcome.value is None:
        return "", np.full(features.shape[1], np.nan)
    elif outcome.kind == "binary":
        measure, values = "AUC", areas(columns, outcome.value[known] == 1, FEWEST_A_SIDE)
    elif outcome.kind == "multiclass":
        target = outcome.value[known]
        classes = range(len(outcome.categories))
        by_class = [areas(columns, target == code, FEWEST_A_SIDE) for code in classes]
        measure, values = "AUC", np.fmax.reduce(by_class)
    else:
        measure, values = "|r|", correlations(columns, outcome.value[known])
    enough = np.isfinite(columns).sum(axis=0) >= FEWEST_ROWS
    return measure, np.where(enough, values, np.nan)


def orderings(columns: np.ndarray, outcome: Outcome, seed: int) -> list[tuple[str, np.ndarray]]:
    """How well each column (n, p) alone orders counts, ordered classes or episodes: measures, each (p,).

    The share of pairs of patients with different outcomes that it orders alike, a tie counting half (Somers'
    D of the column given the outcome is 2 C - 1), turned to the better direction; of counts over an exposure
    and of episodes also for the rate, unless the time alone orders the rates. NaN where fewer than 10 rows
    are known, or fewer than 5 beside those with the commonest value.
    """
    if outcome.value is None or outcome.kind not in ("count", "ordinal", "recurrent"):
        return []
    known = outcome.known
    columns, value = columns[known], outcome.value[known]
    found = [("C", ordered_pairs(columns, value, named_rng(seed, "study", "order of values", outcome.name)))]
    if (watched := time_watched(outcome)) is not None:
        watched = watched[known]
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            rate = np.where(watched > 0, value / watched, np.nan)
        rated = np.isfinite(rate)
        columns, rate, watched, value = columns[rated], rate[rated], watched[rated], value[rated]
        rng = named_rng(seed, "study", "order of rates", outcome.name)
        both = ordered_pairs(np.column_stack([columns, watched]), rate, rng)
        if not both[-1] > SCREEN_ABOVE:
            found.append(("C of the rate", _beyond_the_commonest(columns, value, both[:-1])))
    return found


def time_watched(outcome: Outcome) -> np.ndarray | None:
    """The time (n,) over which a patient's events were counted; None of other outcomes."""
    if outcome.kind == "recurrent" and outcome.time is not None:
        return outcome.time if outcome.entry is None else outcome.time - outcome.entry
    return outcome.exposure


def ordered_pairs(columns: np.ndarray, value: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The C (p,) of each column (n, p) for `value` (n,), every patient's known; NaN where too few differ."""
    share = concordances(columns, value, np.ones(len(value), dtype=bool), rng)
    return _beyond_the_commonest(columns, value, share)


def _beyond_the_commonest(columns: np.ndarray, value: np.ndarray, share: np.ndarray) -> np.ndarray:
    """`share` (p,) where 10 rows of a column (n, p) are known, and 5 beside those of the commonest value."""
    if not len(value):
        return np.full(columns.shape[1], np.nan)
    order = np.argsort(value, kind="stable")
    _, first = np.unique(value[order], return_index=True)
    by_value = np.add.reduceat(np.isfinite(columns[order]), first, axis=0, dtype=np.int64)
    rows = by_value.sum(axis=0)
    enough = (rows >= FEWEST_ROWS) & (rows - by_value.max(axis=0) >= FEWEST_A_SIDE)
    return np.where(enough, share, np.nan)


def areas(columns: np.ndarray, positive: np.ndarray, fewest: int = 2) -> np.ndarray:
    """The area under the ROC curve of each column (n, p) for `positive` (n,), or 1 minus it if larger.

    NaN where fewer than `fewest` patients with a value are positive, or are not.
    """
    ranks = pd.DataFrame(columns).rank().to_numpy()
    observed = np.isfinite(columns)
    ones = (observed & positive[:, None]).sum(axis=0).astype(np.float64)
    zeros = (observed & ~positive[:, None]).sum(axis=0).astype(np.float64)
    rank_sum = np.where(observed & positive[:, None], ranks, 0.0).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        area = (rank_sum - ones * (ones + 1) / 2) / (ones * zeros)
    area = np.where(np.minimum(ones, zeros) >= fewest, area, np.nan)
    return np.maximum(area, 1 - area)


def correlations(columns: np.ndarray, target: np.ndarray) -> np.ndarray:
    """The larger of |Pearson r| and |Spearman rho| of each column (n, p) with `target` (n,)."""
    observed = np.isfinite(columns)
    targets = np.where(observed, target[:, None], np.nan)
    ranked = pd.DataFrame(columns).rank().to_numpy(), pd.DataFrame(targets).rank().to_numpy()
    return np.fmax(pearson(columns, targets), pearson(*ranked))


def pearson(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    observed = np.isfinite(left)
    count = observed.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        centred = []
        for values in (left, right):
            size = np.max(np.where(observed, np.abs(values), 0.0), axis=0, initial=0.0)
            filled = np.where(observed, values / np.where(size > 0, size, 1.0), 0.0)
            mean = filled.sum(axis=0) / count
            centred.append(np.where(observed, filled - mean, 0.0))
        product = (centred[0] * centred[1]).sum(axis=0)
        norm = np.sqrt((centred[0] ** 2).sum(axis=0) * (centred[1] ** 2).sum(axis=0))
        return np.abs(product / norm)


def concordances(
    columns: np.ndarray, time: np.ndarray, event: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Harrell's C of each column (n, p), or 1 minus it if larger.

    From a sample of comparable pairs; exact for the columns that come near suspicion. A pair is
    comparable when the shorter time ends in an event; tied scores count one half.
    """
    order = np.argsort(time, kind="stable")
    time, event, columns = time[order], event[order], columns[order]
    later = np.searchsorted(time, time, side="right")
    reach = np.where(event, len(time) - later, 0)
    total = int(reach.sum())
    if not total:
        return np.full(columns.shape[1], np.nan)
    ends = np.cumsum(reach)
    pair = rng.integers(0, total, size=SAMPLED_PAIRS)
    first = np.searchsorted(ends, pair, side="right")
    second = later[first] + (pair - (ends[first] - reach[first]))
    result = np.full(columns.shape[1], np.nan)
    for position, scores in enumerate(columns.T):
        result[position] = better_side(scores[first], scores[second])
        if result[position] > SCREEN_ABOVE and total <= EXACT_PAIRS:
            result[position] = exact_concordance(scores, later, event)
    return result


def better_side(first: np.ndarray, second: np.ndarray) -> float:
    observed = np.isfinite(first) & np.isfinite(second)
    if not observed.any():
        return float("nan")
    share = float(
        (first[observed] > second[observed]).mean() + (first[observed] == second[observed]).mean() / 2
    )
    return max(share, 1 - share)


def exact_concordance(scores: np.ndarray, later: np.ndarray, event: np.ndarray) -> float:
    """Harrell's C over all comparable pairs; rows sorted by time, `later` the first with a longer time."""
    wins, pairs = 0.0, 0
    for position in np.flatnonzero(event & np.isfinite(scores)):
        after = scores[later[position] :]
        after = after[np.isfinite(after)]
        wins += int((scores[position] > after).sum()) + int((scores[position] == after).sum()) / 2
        pairs += after.size
    if not pairs:
        return float("nan")
    return max(wins / pairs, 1 - wins / pairs)
