"""Numbers as words: the one place where a number is rounded for a reader.

Undefined (NaN, None) is a dash, a p-value is never 0, and a ratio is the exponential of a log ratio.
"""

from __future__ import annotations

import math
import re

DASH = "–"
MINUS = "\u2212"
RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
SMALLEST_P = 0.001


class Rounded(int):
    """A count that was rounded so as not to tell a small one; it says so wherever it is printed."""

    def __str__(self) -> str:
        return f"about {int(self)}"


def missing(value: object) -> bool:
    """True for None, NaN, NaT and the missing marker of pandas."""
    if value is None:
        return True
    if isinstance(value, str):
        return value == ""
    try:
        return bool(value != value)
    except (TypeError, ValueError):  # the pandas marker refuses to be a truth value
        return True


def number(value: object, digits: int = 3) -> str:
    """`value` to `digits` significant digits, without an exponent between 1e-4 and 1e6."""
    if missing(value):
        return DASH
    x = float(value)  # type: ignore[arg-type]
    if math.isinf(x):
        return "∞" if x > 0 else f"{MINUS}∞"
    if x == 0:
        return "0"
    magnitude = math.floor(math.log10(abs(x)))
    if -5 < magnitude < 6:
        text = f"{x:.{max(digits - 1 - magnitude, 0)}f}"
        if abs(float(text)) >= 10 ** (magnitude + 1) and digits - 1 - magnitude > 0:
            text = f"{x:.{digits - 2 - magnitude}f}"  # 9.996 became 10.00: one digit fewer
    else:
        mantissa, exponent = f"{x:.{digits - 1}e}".split("e")
        text = f"{mantissa}×10{str(int(exponent)).translate(RAISED)}"
    return text.replace("-", MINUS)


def fixed(value: object, places: int = 2) -> str:
    """`value` with `places` decimals; a value that rounds to zero carries no minus sign."""
    if missing(value):
        return DASH
    x = float(value)  # type: ignore[arg-type]
    if math.isinf(x):
        return "∞" if x > 0 else f"{MINUS}∞"
    text = f"{x:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def whole(value: object) -> str:
    """A count, with a thin space between thousands from 10 000 on."""
    if missing(value):
        return DASH
    n = round(float(value))  # type: ignore[arg-type]
    text = f"{n:,}".replace(",", "\u2009") if abs(n) >= 10_000 else str(n)
    return ("about " if isinstance(value, Rounded) else "") + text.replace("-", MINUS)


def p_value(value: object) -> str:
    """A p-value (or q-value) as journals print it: <0.001, three decimals below 0.1, else two."""
    if missing(value):
        return DASH
    p = float(value)  # type: ignore[arg-type]
    if p < SMALLEST_P:
        return f"<{SMALLEST_P}"
    if p > 0.99:
        return ">0.99"
    if round(p, 3) < 0.1:
        return f"{p:.3f}"
    return f"{p:.2f}"


def p_phrase(value: object, symbol: str = "p") -> str:
    """`p = 0.012`, `p < 0.001`, or `p not available`."""
    text = p_value(value)
    if text == DASH:
        return f"{symbol} not available"
    if text[0] in "<>":
        return f"{symbol} {text[0]} {text[1:]}"
    return f"{symbol} = {text}"


def with_printed_p(sentence: str) -> str:
    """A sentence of another room with its p-values (`p = 0.2551`) as they are printed."""
    return re.sub(r"\bp = (\d+(?:\.\d+)?(?:e-?\d+)?)", lambda found: p_phrase(found[1]), sentence)


def measure(name: object) -> str:
    """A measure of discrimination as it is printed."""
    return "R²" if name == "R2" else str(name)


def with_measures(sentence: str) -> str:
    """A sentence with measures of discrimination in it, as they are printed."""
    return sentence.replace("R2 ", "R² ")


def unit(text: object) -> str:
    """A unit as it is printed: `L/min/m²` for the `L/min/m2` of the tables."""
    return (
        ""
        if missing(text)
        else re.sub(r"(?<=m)([23])(?!\d)", lambda power: power[1].translate(RAISED), str(text))
    )


RULE_WORDS = (  # of the verdict rules in the tables, in the words of the page
    ("gain_low <= 0", "the interval of the gain reaches 0"),
    ("gain_low > 0", "the interval of the gain above 0"),
    ("family probability in top", "probability that its family is {top}"),
    ("lfsr needs 20 features", "the local false sign rate needs 20 features"),
    ("lfsr", "local false sign rate"),
    ("<=", "≤"),
    (">=", "≥"),
)


def plain_rule(rule: str, top: object = None) -> str:
    """The rule behind a verdict without the names of columns; `top`: the k of the first k families."""
    first = (
        "among the first" if missing(top) else "the first" if top == 1 else f"among the first {whole(top)}"
    )
    for short, plain in RULE_WORDS:
        rule = rule.replace(short, plain.format(top=first))
    return with_minus(rule)


def with_minus(sentence: str) -> str:
    """A sentence of another room with the sign of its numbers (`reliability -0.15`) as it is printed."""
    return re.sub(r"(?<![^\s(\[])-(?=\d|\.\d)", MINUS, sentence)


def discrimination(value: object) -> str:
    """A C, an AUC or an R²: two decimals wherever it is printed; a gain in it has three, see `gain`."""
    return fixed(value, 2)


def discrimination_interval(value: object, low: object, high: object) -> str:
    """`0.71 (0.64 to 0.78)`."""
    span = "" if missing(value) or (missing(low) and missing(high)) else f" ({interval(low, high)})"
    return discrimination(value) + span


def percent(share: object, places: int = 0) -> str:
    """A share in [0, 1] as a percentage; a small one is never printed as 0 %, nor a large one as 100 %."""
    if missing(share):
        return DASH
    x = 100 * float(share)  # type: ignore[arg-type]
    least = 10.0**-places
    if 0 < x < least / 2:
        return f"<{least:.{places}f} %"
    if 100 - least / 2 < x < 100:
        return f">{100 - least:.{places}f} %"
    return f"{x:.{places}f} %"


def probability(value: object) -> str:
    """An estimated probability with two decimals, never 0.00 or 1.00: all of some draws is not certain."""
    if missing(value):
        return DASH
    p = float(value)  # type: ignore[arg-type]
    if p < 0.005:
        return "<0.01"
    if p >= 0.995:
        return ">0.99"
    return f"{p:.2f}"


def is_log_ratio(effect_measure: object) -> bool:
    """Whether an effect is on a log ratio scale, so that its exponential is a ratio."""
    return str(effect_measure).startswith("log ")


def ratio_name(effect_measure: object) -> str:
    """`Hazard ratio per 1 SD` for `log hazard ratio per 1 SD`; any other measure with a capital."""
    text = str(effect_measure)
    text = text.removeprefix("log ")
    return text[:1].upper() + text[1:]


def effect(value: object, effect_measure: object) -> str:
    """An effect as read: the ratio for a log ratio, the slope otherwise; two decimals, fewer from 10 on."""
    if missing(value):
        return DASH
    x = float(value)  # type: ignore[arg-type]
    if not is_log_ratio(effect_measure):
        return fixed(x)
    if x > math.log(1e4):
        return ">10\u2009000"
    ratio = math.exp(x)
    if ratio < 0.005:
        return "<0.01"
    return fixed(ratio) if ratio < 10 else fixed(ratio, 1) if ratio < 100 else whole(ratio)


def interval(low: object, high: object, effect_measure: object = "") -> str:
    """`low to high`; an open end is said to be one."""
    if missing(low) and missing(high):
        return DASH
    lower, upper = (
        "no limit" if missing(end) or math.isinf(float(end)) else effect(end, effect_measure)  # type: ignore
        for end in (low, high)
    )
    return f"{lower} to {upper}"


def effect_interval(estimate: object, low: object, high: object, effect_measure: object) -> str:
    """`1.45 (1.20 to 1.75)`, the estimate with its interval."""
    if missing(estimate):
        return DASH
    span = interval(low, high, effect_measure)
    return effect(estimate, effect_measure) + ("" if span == DASH else f" ({span})")


def gain(value: object) -> str:
    """A gain in discrimination: three decimals with its sign, since 0.01 matters."""
    text = fixed(value, 3)
    return text if text == DASH or text.startswith(MINUS) or float(text) == 0 else f"+{text}"


def gain_interval(value: object, low: object, high: object) -> str:
    """`+0.021 (+0.004 to +0.038)`."""
    if missing(value):
        return DASH
    span = "" if missing(low) or missing(high) else f" ({gain(low)} to {gain(high)})"
    return gain(value) + span


def rank(value: object) -> str:
    """A rank; that of tied features, which share the mean of their places, with one decimal."""
    if missing(value) or float(value).is_integer():  # type: ignore[arg-type]
        return whole(value)
    return fixed(value, 1)


def rank_interval(place: object, low: object, high: object) -> str:
    """`3 (1 to 12)`."""
    if missing(place):
        return DASH
    span = "" if missing(low) or missing(high) else f" ({whole(low)} to {whole(high)})"
    return rank(place) + span


def plural(count: int, one: str, many: str | None = None) -> str:
    """`1 patient`, `2 patients`, `no patient`."""
    if count == 0:
        return f"no {one}"
    return f"{whole(count)} {one if count == 1 else many or one + 's'}"


TIED = re.compile(
    r"(?<=\d) (?=%)|(?<=\bn) (?==)|(?<=\bn =) (?=\d)|(?<=\b[pq]) (?=[=<>≤]? ?\d)|(?<=[pq] [=<>≤]) (?=\d)"
)


def unbroken(text: object) -> str:
    """`text` for a narrow cell: `60 %`, `n = 24` and `p 0.005` stay on one line."""
    return TIED.sub("\u00a0", str(text))


def counted(kind: str) -> str:
    """What the events of an outcome of this kind are called, in the plural."""
    return f"{counted_one(kind)}s"


def counted_one(kind: str) -> str:
    """What one of the events of an outcome of this kind is called."""
    return "event" if kind in ("survival", "recurrent", "count") else "case"


def listed_apart(items: list[str], *, limit: int = 5) -> str:
    """`a; b; c`, for names that may hold a comma; what goes beyond `limit` is counted."""
    shown = items[:limit] if len(items) <= limit else items[: limit - 1]
    more = [] if len(items) <= limit else [f"and {len(items) - limit + 1} more"]
    return "; ".join([*shown, *more])


def listed(items: list[str], *, limit: int = 6) -> str:
    """`a, b and c`; what goes beyond `limit` is counted."""
    if len(items) > limit:
        return ", ".join(items[: limit - 1]) + f" and {len(items) - limit + 1} more"
    if len(items) <= 1:
        return "".join(items)
    return ", ".join(items[:-1]) + f" and {items[-1]}"
