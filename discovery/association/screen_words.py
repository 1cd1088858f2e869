"""Words beside the numbers of a screen: why there are none, and what weakens them."""

from __future__ import annotations

from discovery.association.kinds import kind_of
from discovery.terms import ENOUGH, PERMUTATION_FIRST

RANKED_MISSING = 0.40  # a feature with a larger share missing is listed, not ranked
UNRANKED = ": listed, not ranked"
FAMILYWISE_FIRST = ": the familywise p is the primary one"
FAMILYWISE_BELOW = "the familywise p is below p:"
LEANS = "p leans on the distribution"
FEW = ("exploratory: ", "few events: ", "small: ")


def too_few(kind: str, size: int) -> str:
    """Why a model of so little is not fitted."""
    return f"not assessed: {kind_of(kind).said_size(size)}, fewer than {kind_of(kind).least}"


def percent_missing(share: float) -> str:
    """`45 % missing`; with a digit more where a share above the limit would be rounded to it."""
    digits = 1 if share > RANKED_MISSING and round(100 * share) == round(100 * RANKED_MISSING) else 0
    return f"{100 * share:.{digits}f} % missing"


def familywise_first(kind: str, size: int) -> str:
    """A remark where so few limit the model that tests that lean on large samples are doubtful; else ""."""
    if not kind_of(kind).limited or size >= PERMUTATION_FIRST:
        return ""
    return f"fewer than {PERMUTATION_FIRST} {kind_of(kind).counted}{FAMILYWISE_FIRST}"


def familywise_below(why: str) -> str:
    """A remark where the familywise p-value is the smaller one.

    Of one statistic in the same patients it cannot be: the largest of all features' statistics is never below
    the own one. The two p-values of a row differ in one or both. Each is kept as it is, since their maximum,
    though still a valid familywise p, would be the answer of neither.
    """
    return f"{FAMILYWISE_BELOW} it {why}"


def leans_on_distribution(p: float) -> str:
    """A remark where p is small and that of a test which asks less of the outcome's distribution is not."""
    return f"{LEANS} that the model gives the outcome: without it, by signs of patients' scores, p = {p:.2g}"


def few_words(kind: str, size: int, parameters: int) -> str:
    """A warning where fewer than `ENOUGH` of what limits the model are there a coefficient; else ""."""
    each = size / parameters
    if each >= ENOUGH:
        return ""
    word = FEW[0] if each < 5 else FEW[1] if kind_of(kind).limited else FEW[2]
    return f"{word}{kind_of(kind).said_size(size)} for {parameters} coefficients"
