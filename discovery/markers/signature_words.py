"""What is in a signature: its terms as a table, its linear predictor and its worth in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.markers.signature import SignatureFit
from discovery.terms import SEPARATES, SUSPECTED


def signature_terms(
    design: Design, fit: SignatureFit, chosen: np.ndarray, labels: Mapping[str, str]
) -> pd.DataFrame:
    """A row a term; `chosen` (draws, p) bool says which features entered in each bootstrap draw."""
    first = 1 if design.kind != "survival" else 0
    coef = fit.coef[first:]
    rows = [
        {
            "term": term.name,
            "role": "covariate",
            "label": term.name,
            "coefficient": coef[k],
            "per": term.contrast,
            "mean": term.mean if not term.level else np.nan,
            "sd": term.sd if not term.level else np.nan,
            "selected_share": np.nan,
        }
        for k, term in enumerate(design.terms)
    ]
    for k, j in enumerate(fit.markers):
        name = design.feature_names[j]
        scale = design.scaling.table.loc[name]
        rows.append(
            {
                "term": name,
                "role": "marker",
                "label": labels.get(name, name),
                "coefficient": coef[len(design.terms) + k],
                "per": "per 1 SD",
                "mean": float(scale["mean"]),
                "sd": float(scale["sd"]),
                "selected_share": float(chosen[:, j].mean()),
            }
        )
    columns = ["term", "role", "label", "coefficient", "per", "mean", "sd", "selected_share"]
    table = pd.DataFrame(rows, columns=columns)
    table.insert(0, "outcome", design.outcome)
    return table


def equation(design: Design, fit: SignatureFit, labels: Mapping[str, str]) -> str:
    """The linear predictor in words: coefficient times (value - mean) / SD, one term after another.

    Then the limits that a marker's value is pulled in to before.
    """
    first = 1 if design.kind != "survival" else 0
    parts = [(fit.coef[0], "")] if first else []
    limits = []
    for term, value in zip(design.terms, fit.coef[first:]):
        what = f"[{term.name}]" if term.level else f"({term.covariate} {_less(term.mean)}) / {term.sd:.4g}"
        parts.append((value, what))
    for k, j in enumerate(fit.markers):
        name = design.feature_names[j]
        scale, label = design.scaling.table.loc[name], labels.get(name, name)
        what = f"({label} {_less(scale['mean'])}) / {scale['sd']:.4g}"
        parts.append((fit.coef[first + len(design.terms) + k], what))
        if np.isfinite([scale["low"], scale["high"]]).all():
            limits.append(f"{label} {signed(scale['low'], '.4g')} to {signed(scale['high'], '.4g')}")
    words: list[str] = []
    for value, what in parts:
        sign = "− " if value < 0 else "+ " if words else ""
        words.append(f"{sign}{abs(value):.3g}" + (f" × {what}" if what else ""))
    inside = f"; values outside are pulled in to: {', '.join(limits)}" if limits else ""
    return (" ".join(words) or "0") + inside


def _less(value: float) -> str:
    """ "− 3" of a 3, "+ 3" of a -3: what is taken off."""
    return f"{'+' if value < 0 else '−'} {abs(value):.4g}"


def signed(value: float, form: str) -> str:
    """`value` in the format `form`, with a true minus sign."""
    return format(value, form).replace("-", "−")


def signature_sentence(
    design: Design, fit: SignatureFit, performance: pd.DataFrame, verdict: str, labels: Mapping[str, str]
) -> str:
    row = performance.set_index("model").loc["signature"]
    names = [labels.get(design.feature_names[j], design.feature_names[j]) for j in fit.markers]
    if not names:
        return "No marker entered the signature: cross-validation preferred the base model alone."
    many = f"{len(names)} markers" if len(names) > 1 else "1 marker"
    gain, low, high = (signed(row[name], "+.3f") for name in ("gain", "gain_low", "gain_high"))
    text = f"A signature of {many} ({', '.join(names)}) is {verdict}: {row['measure']} {gain} "
    text += f"({low} to {high}), corrected"
    if len(names) > 1:
        over = row["gain_over_single_low"] > 0
        text += f"; it is {'better' if over else 'no better'} than the best single marker"
    return f"{text}."


def without_part(
    design: Design, separating: Sequence[int], barred: Sequence[str], labels: Mapping[str, str]
) -> str:
    """Sentences on the features that had no part in the search; the table of markers may be led by one.

    separating : indices of those that separate the outcome; barred : names of suspected leaks
    """
    text = ""
    names = [labels.get(name, name) for name in design.feature_names if name in barred]
    if names:
        which = "is a suspected leak" if len(names) == 1 else "are suspected leaks"
        text += (
            f" {', '.join(names)} {which} and had no part in the search; such a feature takes part only if "
            "the study file names it in freeze."
        )
    names = [labels.get(design.feature_names[j], design.feature_names[j]) for j in separating]
    if names:
        verb = "separates" if len(names) == 1 else "separate"
        text += f" {', '.join(names)} {verb} the outcome and had no part in the search: no estimate exists."
    return text


def without_part_note(design: Design, separating: Sequence[int], barred: Sequence[str]) -> str:
    """The same in short, for a table: "no part in the search: NAME (suspected leak), ..."."""
    why = {design.feature_names[j]: SEPARATES for j in separating}
    why |= {name: SUSPECTED for name in design.feature_names if name in barred}
    named = ", ".join(f"{name} ({why[name]})" for name in design.feature_names if name in why)
    return f"no part in the search: {named}" if named else ""
