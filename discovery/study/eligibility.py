"""Eligibility rules: who may be in the study, asked one after another, each patient counted once."""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem, nearest

COMPARISONS: dict[str, Callable[..., pd.Series] | None] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "=": operator.eq,
    "!=": operator.ne,
    "in": lambda values, wanted: values.isin(wanted),
    "not in": lambda values, wanted: ~values.isin(wanted),
    "known": None,
}
ORDERED = ("<", "<=", ">", ">=")
FLOW_COLUMNS = ["step", "n", "n_left_out", "reason"]


@dataclass(frozen=True, kw_only=True)
class Rule:
    """Keep patients whose `column` compares with `value`; a missing value is not eligible.

    `comparison` is <, <=, >, >=, =, !=, "in", "not in" (a list of values) or "known" (any value).
    `reason` says in words why the others are left out.
    """

    column: str
    comparison: str
    value: object = None
    reason: str = ""


def eligible(patients: pd.DataFrame, rules: Sequence[Rule]) -> tuple[pd.Series, pd.DataFrame]:
    """Apply the rules in order.

    Returns
    -------
    Series of bool on the index of `patients`, and a DataFrame (step, n, n_left_out, reason)
        One row a rule that left somebody out for not fulfilling it, and one for a missing value; n is
        what is left after it.

    Raises
    ------
    InputError
        Every rule at fault: an unknown column or comparison, an order asked of text, a value that is not a
        list for "in", a value of another kind than the column.
    """
    problems = [problem for rule in rules for problem in _faults(patients, rule)]
    if problems:
        raise InputError(problems)
    left = pd.Series(True, index=patients.index)
    rows = [{"step": "patients", "n": len(patients), "n_left_out": 0, "reason": ""}]
    for rule in rules:
        values = patients[rule.column]
        unknown = left & values.isna()
        left = left & ~unknown
        fulfilled = pd.Series(True, index=patients.index)
        compare = COMPARISONS[rule.comparison]
        if compare is not None:
            fulfilled = compare(values, rule.value).fillna(False).astype(bool)
        failed = left & ~fulfilled
        left = left & ~failed
        step = f"{rule.column} {rule.comparison}" + ("" if compare is None else f" {_shown(rule.value)}")
        n = int(left.sum())
        reasons = [(unknown, f"{rule.column} is missing"), (failed, rule.reason or f"not {step}")]
        for gone, reason in reasons:
            if gone.any():
                after = n + (int(failed.sum()) if gone is unknown else 0)
                rows.append({"step": step, "n": after, "n_left_out": int(gone.sum()), "reason": reason})
    return left, pd.DataFrame(rows, columns=FLOW_COLUMNS)


def _faults(patients: pd.DataFrame, rule: Rule) -> list[Problem]:
    def fault(wanted: str, found: object) -> Problem:
        return Problem(file="eligibility", column=rule.column, found=str(found), wanted=wanted)

    if rule.column not in patients.columns:
        return [fault(nearest(rule.column, map(str, patients.columns)), rule.column)]
    if rule.comparison not in COMPARISONS:
        return [fault(nearest(rule.comparison, COMPARISONS), rule.comparison)]
    values = patients[rule.column]
    numeric = pd.api.types.is_numeric_dtype(values)
    if rule.comparison in ("in", "not in"):
        if not isinstance(rule.value, (list, tuple)) or not rule.value:
            return [fault("wanted a list of values", rule.value)]
        given = list(rule.value)
    elif rule.comparison == "known":
        return []
    else:
        given = [rule.value]
    asked = f'the rule of eligibility "{rule.column} {rule.comparison} {_shown(rule.value)}"'
    if rule.comparison in ORDERED and not numeric:
        known = values.dropna()
        return [fault(f"{asked} wants a column of numbers", known.iloc[0] if len(known) else "")]
    wrong = [value for value in given if _is_number(value) != numeric]
    if wrong:
        return [fault(f"{asked} wants {'a number' if numeric else 'text'}, as in the column", wrong[0])]
    return []


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float, np.number)) and not pd.isna(value)


def _shown(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)
