"""The measured pairs that every comparison of two methods starts from."""

from __future__ import annotations

import numpy as np

from discovery.problems import InputError, Problem

LEAST_PAIRS = 3
PLACE = "the two methods"


def as_pairs(test, reference, subject=None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Complete pairs of two methods and whose they are; a pair with a missing value is left out.

    test, reference : arrays (n,), NaN where missing; subject : labels (n,), each pair its own otherwise.

    Returns
    -------
    test, reference : float arrays (m,); subject : int codes (m,) from 0

    Raises
    ------
    InputError
        Lengths that differ, an infinite value, or fewer than 3 complete pairs.
    """
    first, second = np.asarray(test, dtype=float), np.asarray(reference, dtype=float)
    who = np.arange(first.size) if subject is None else np.asarray(subject)
    if first.ndim != 1 or not first.shape == second.shape == who.shape:
        shapes = f"shapes {first.shape}, {second.shape}, {who.shape}"
        raise InputError([Problem(file=PLACE, wanted="wanted: arrays of one length", found=shapes)])
    endless = int((np.isinf(first) | np.isinf(second)).sum())
    whole = np.isfinite(first) & np.isfinite(second)
    problems = []
    if endless:
        problems.append(Problem(file=PLACE, wanted="wanted: finite values", found=f"{endless} infinite"))
    if whole.sum() < LEAST_PAIRS:
        wanted = f"wanted: at least {LEAST_PAIRS} complete pairs"
        problems.append(Problem(file=PLACE, wanted=wanted, found=str(whole.sum())))
    if problems:
        raise InputError(problems)
    return first[whole], second[whole], np.unique(who[whole], return_inverse=True)[1]
