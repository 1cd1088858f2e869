"""The feature dictionary page, written from the registry so that the two cannot differ."""

from __future__ import annotations

from discovery.beats.burden import LEVELS_OF
from discovery.beats.feature import LABELS, Feature
from discovery.beats.filters import curvature_window, derivative_gain, derivative_window, level_cutoff_hz
from discovery.beats.registry import FEATURES, RELATIONS

HEADING = """# Feature dictionary

Written from the registry in `discovery/beats`; do not edit this page, edit the entry. Research only: no
number here is a threshold for care, and every reading defers to clinical judgement and local practice.

Pressures are mmHg, times ms, slopes mmHg/s, flow L/min, resistance Wood units. "Valid" is the range outside
which a value is missing; it is never clipped. "Offset-free" features do not move when the zero of the
transducer does. "Line" says what a fluid-filled line must be able to carry. "Low confidence below" is the
sampling rate under which a value is still given but marked; below the first rate it is missing.
"""

MARKS = (
    (
        "dP/dt max",
        "largest slope within 30 ms of the steepest point of the upstroke below 8 Hz; of two within 10 % the "
        "earlier",
    ),
    (
        "end-diastole",
        "corner of greatest curvature before it (pressure over pulse pressure, time over 0.1 s, 50 ms "
        "filter); on a gentle take-off the half-height of the curvature's rise",
    ),
    (
        "systolic peak",
        "top of the low-passed pressure; the middle of the samples within 1 % of developed pressure",
    ),
    ("shoulder", "first dip of the slope between dP/dt max and the peak, at least 5 % of dP/dt max deep"),
    (
        "knee",
        "straightest point before the last downward bend of systole; the bend's flank marks the end of "
        "ejection",
    ),
    ("dP/dt min", "most negative slope after the peak; of two within 5 % the earlier"),
    (
        "early-diastolic minimum",
        "lowest pressure in the first half of diastole, at most 350 ms after dP/dt min",
    ),
    (
        "tricuspid opening",
        "pressure falls to the venous pressure, or to 2 mmHg above end-diastolic pressure",
    ),
    ("pulmonary opening", "RV pressure reaches the pressure at the PA foot"),
    (
        "PA notch",
        "first dip within 150 ms of the PA's steepest fall that it climbs out of by 0.3 mmHg, else its "
        "sharpest bend",
    ),
)
RULES = """
A beat whose marks are out of order is left out, as is one with missing or clipped samples, outside the hard
limits of rate, pressure or slope, unlike the median beat of its minute (correlation below 0.9), or recorded
while the lumen was not in the chamber. Each says why. Beats off the usual interval by more than a fifth, and
the beat after each, count for levels but not for averaged beats.
"""


def dictionary_page() -> str:
    """The page as Markdown text."""
    parts = [HEADING, _filters(), _landmarks()]
    families: dict[str, list[Feature]] = {}
    for feature in FEATURES.values():
        families.setdefault(feature.family, []).append(feature)
    for family, features in families.items():
        parts.append(f"## {family.replace('_', ' ').capitalize()}\n")
        parts += [_entry(feature) for feature in features]
    parts += [_levels(), _relations(), _circularity()]
    return "\n".join(parts).rstrip() + "\n"


def _landmarks() -> str:
    rows = [f"| {name} | {where} |" for name, where in MARKS]
    return "## Landmarks\n\n| mark | where |\n| --- | --- |\n" + "\n".join(rows) + "\n" + RULES


def _filters() -> str:
    rates = (60, 100, 125, 200, 250, 500, 1000)
    rows = [
        f"| {rate} | {level_cutoff_hz(rate):g} | {derivative_window(rate)} | {curvature_window(rate)} | "
        f"{derivative_gain(10, rate):.3f} | {derivative_gain(20, rate):.3f} |"
        for rate in rates
    ]
    head = (
        "## Filters\n\n"
        "Levels: Butterworth, second order, forward and backward. Slopes: Savitzky-Golay, order 3.\n\n"
        "| samples/s | level cut-off, Hz | slope window | curvature window | gain at 10 Hz | at 20 Hz |\n"
        "| --- | --- | --- | --- | --- | --- |\n"
    )
    return head + "\n".join(rows) + "\n"


def _entry(feature: Feature) -> str:
    facts = [
        f"level: {feature.level}",
        f"channels: {' + '.join(feature.channels)}",
        f"valid: {feature.limits}",
        "offset-free" if feature.offset_free else "moves with the zero",
        f"direction in dysfunction: {feature.direction.replace('_', ' ')}",
        f"group: {feature.group}",
        f"line: {feature.gate}",
    ]
    if feature.sure_rate_hz > feature.least_rate_hz:
        facts.append(
            f"from {feature.least_rate_hz:g} samples/s, low confidence below {feature.sure_rate_hz:g}"
        )
    else:
        facts.append(f"from {feature.least_rate_hz:g} samples/s")
    if feature.variant_of:
        facts.append(f"variant of `{feature.variant_of}`")
    if feature.circular_with:
        facts.append("circular with " + "; ".join(LABELS[name] for name in feature.circular_with))
    text = f"### `{feature.key}`: {feature.label} ({feature.unit})\n\n{feature.definition}\n\n"
    text += "- " + " · ".join(facts) + "\n"
    if feature.applies_to:
        text += "- measured for " + ", ".join(f"`{key}`" for key in feature.applies_to) + "\n"
    if feature.caution:
        text += f"- mind: {feature.caution}\n"
    return text + f"- source: {feature.source}\n"


def _levels() -> str:
    rows = [
        f"| `{key}` | {'above' if above else 'below'} | {level:g} {FEATURES[key].unit} |"
        for key, (level, above) in LEVELS_OF.items()
    ]
    return "## Levels of the burden features\n\n| quantity | beyond is | level |\n| --- | --- | --- |\n" + (
        "\n".join(rows) + "\n"
    )


def _relations() -> str:
    rows = [f"| `{out}` | {', '.join(f'`{i}`' for i in inputs)} | {how} |" for out, inputs, how in RELATIONS]
    return "## Exact relations\n\n| feature | from | how |\n| --- | --- | --- |\n" + "\n".join(rows) + "\n"


def _circularity() -> str:
    rows = []
    for name, words in LABELS.items():
        keys = [f"`{key}`" for key, feature in FEATURES.items() if name in feature.circular_with]
        rows.append(f"- **{words}**: {', '.join(keys)}")
    return "## Circular with a label\n\nNot to be discovered for that label:\n\n" + "\n".join(rows) + "\n"
