"""The model as plain numbers for JSON, and back: centres, loadings, scales, no patient rows."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from discovery.phenotypes.novelty import Novelty
from discovery.phenotypes.prepare import Preparation
from discovery.phenotypes.reduce import Components
from discovery.phenotypes.turned import Axes
from discovery.phenotypes.verdict import Verdict
from discovery.problems import InputError, Problem

SCHEMA, VERSION = "frozen phenotypes", 1
NUMBERS = (
    "k", "sizes", "preparation", "components", "centres", "profile", "vote_centres", "novelty", "mixture",
    "axes", "axis_turn",
)  # fmt: skip
WORDS = ("feature", "transform", "note", "family", "left_out", "axis", "beyond_chance")  # keys within these
AS_WRITTEN = "the numbers as the run wrote them are wanted"
MOST_LISTED = 20


def to_dict(model: Any) -> dict[str, Any]:
    """Numbers that `from_dict` needs, with the verdict and the tests' results beside them."""
    return {
        "schema": SCHEMA,
        "version": VERSION,
        "settings": {name: getattr(model, name) for name in ("method", "starts", "seed")},
        "k": model.k_,
        "sizes": model.sizes_.tolist(),
        "preparation": model.preparation_.to_dict(),
        "components": model.components_.to_dict(),
        "centres": model.centres_.tolist(),
        "profile": model.profile_.tolist(),
        "vote_centres": _gaps_to_none(model.vote_centres_),
        "novelty": model.novelty_.to_dict(),
        "mixture": None if model.mixture_ is None else {n: v.tolist() for n, v in model.mixture_.items()},
        "verdict": {
            "word": model.verdict_.word,
            "clearly_separated": model.verdict_.clearly_separated,
            "reasons": list(model.verdict_.reasons),
        },
        "axes": model.axes_.to_dict("records"),
        "axis_turn": None if model.directions_.turn is None else model.directions_.turn.tolist(),
    }


def from_dict(model: Any, kept: Mapping[str, Any]) -> Any:
    """Fill an empty `model` from `kept`.

    Raises
    ------
    InputError : `kept` is no frozen model of this version, or parts are missing or no numbers.
    """
    if kept.get("schema") != SCHEMA or kept.get("version") != VERSION:
        found = f"{kept.get('schema')} {kept.get('version')}"
        raise InputError([Problem(file="phenotypes", found=found, wanted=f"{SCHEMA} {VERSION} is wanted")])
    problems = [
        Problem(file="phenotypes", column=place, found=json.dumps(value), wanted=AS_WRITTEN)
        for key in NUMBERS
        for place, value in _no_numbers(key, kept.get(key))
    ]
    if problems:
        raise InputError(problems[:MOST_LISTED])
    try:
        model.set_params(**kept["settings"])
        model.k_ = int(kept["k"])
        model.sizes_ = np.asarray(kept["sizes"], dtype=np.int64)
        model.preparation_ = Preparation.from_dict(kept["preparation"])
        model.components_ = Components.from_dict(kept["components"])
        model.centres_ = np.asarray(kept["centres"], dtype=float)
        model.profile_ = np.asarray(kept["profile"], dtype=float)
        model.vote_centres_ = np.array(kept["vote_centres"], dtype=float)
        model.novelty_ = Novelty.from_dict(kept["novelty"])
        kept_mixture = kept["mixture"]
        model.mixture_ = (
            None if kept_mixture is None else {n: np.asarray(v, float) for n, v in kept_mixture.items()}
        )
        word = kept["verdict"]
        model.verdict_ = Verdict(
            word=word["word"], clearly_separated=word["clearly_separated"], reasons=tuple(word["reasons"])
        )
        model.axes_ = pd.DataFrame(kept["axes"])
        turn = kept.get("axis_turn")
        model.directions_ = Axes(
            components=model.components_, turn=None if turn is None else np.asarray(turn, dtype=float)
        )
    except KeyError as missing:
        raise InputError(
            [Problem(file="phenotypes", column=str(missing.args[0]), wanted="this key is wanted")]
        ) from None
    return model


def _no_numbers(place: str, value: Any) -> Iterator[tuple[str, Any]]:
    """What is neither a number nor a gap in `value` and all its parts, with its place."""
    if isinstance(value, Mapping):
        for key, part in value.items():
            if key not in WORDS:
                yield from _no_numbers(f"{place}.{key}", part)
    elif isinstance(value, list):
        for at, part in enumerate(value):
            yield from _no_numbers(f"{place}[{at + 1}]", part)
    elif isinstance(value, str | bool):
        yield place, value


def _gaps_to_none(centres: np.ndarray) -> list:
    """NaN has no place in JSON."""
    return [[[None if v != v else v for v in row] for row in one] for one in centres.tolist()]
