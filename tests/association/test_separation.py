"""Features that separate the two classes of an outcome are called so in their rows."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.association.screen import screen
from discovery.association.separation import SEPARATES
from discovery.terms import BASE_TELLS

N = 200


def notes(design_from_arrays, base, features, y) -> list[str]:
    design = design_from_arrays("binary", base, features, y=y)
    found = screen(design, permutations=0).table
    main = found[(found["model"] == "adjusted") & (found["term"] == found["feature"])]
    parts = [[part for part in note.split("; ") if part.startswith(SEPARATES)] for note in main["note"]]
    return [part[0] if part else "" for part in parts]


@pytest.fixture
def made():
    rng = np.random.default_rng(8)
    y = (np.arange(N) < 60).astype(float)
    noise = rng.normal(size=N)
    apart = np.abs(noise) + 0.1
    ties = np.where(y == 1, np.maximum(noise, 0.0), np.minimum(noise, 0.0))
    nearly = noise + 3.6 * y
    mark = np.where(y == 1, 1.0, rng.integers(0, 2, N))
    strong = noise + 2 * y
    return y, np.column_stack([np.where(y == 1, apart, -apart), ties, nearly, mark, strong, noise]), rng


def test_each_degree_of_separation_has_its_words(made, design_from_arrays):
    y, features, rng = made
    got = notes(design_from_arrays, rng.normal(size=(N, 2)), features, y)
    assert got[0].startswith(f"{SEPARATES}: completely, every patient with it has a higher value than every")
    assert got[1].startswith(
        f"{SEPARATES}: completely but for ties at one value, no patient with it has a lower"
    )
    assert got[2] == f"{SEPARATES}: nearly, with an AUC above 0.98 by itself"
    assert got[3].startswith(f"{SEPARATES}: completely but for ties at one value")
    assert got[4:] == ["", ""]


def test_a_mark_of_few_patients_all_of_one_class_separates(design_from_arrays):
    """It explains little, and yet has no finite estimate but for the penalty."""
    rng = np.random.default_rng(6)
    y = (np.arange(N) < 80).astype(float)
    mark = (np.arange(N) < 6).astype(float)
    got = notes(design_from_arrays, rng.normal(size=(N, 1)), np.column_stack([mark, rng.normal(size=N)]), y)
    assert got[0].startswith(
        f"{SEPARATES}: completely but for ties at one value, no patient with it has a lower"
    )
    assert got[1] == ""


def test_the_side_turns_with_the_sign(made, design_from_arrays):
    y, features, rng = made
    base = rng.normal(size=(N, 2))
    got = notes(design_from_arrays, base, -features[:, :2], y)
    assert "has a lower value than every patient without it" in got[0]
    assert "no patient with it has a higher value" in got[1]
    got = notes(design_from_arrays, base, features[:, :2], 1 - y)
    assert "has a lower value than every patient without it" in got[0]


def test_with_a_covariate_a_feature_may_separate_what_neither_does_alone(design_from_arrays):
    """x - z is 0.5 or more in one class and -0.5 or less in the other; z is common to both."""
    rng = np.random.default_rng(3)
    y = (np.arange(N) < 80).astype(float)
    z = rng.normal(0, 5, N)
    x = z + np.where(y == 1, 1, -1) * (0.5 + rng.random(N))
    got = notes(design_from_arrays, z[:, None], np.column_stack([x, rng.normal(size=N)]), y)
    assert got[0].startswith(f"{SEPARATES}: completely together with the covariates, not alone")
    assert got[1] == ""


def test_what_the_covariates_separate_by_themselves_is_not_put_on_a_feature(design_from_arrays):
    rng = np.random.default_rng(4)
    y = (np.arange(N) < 80).astype(float)
    z = np.where(y == 1, 1, -1) * (0.5 + rng.random(N))
    got = notes(design_from_arrays, z[:, None], rng.normal(size=(N, 2)), y)
    assert got == ["", ""]


def test_missing_values_are_not_taken_for_low_or_high_ones(made, design_from_arrays):
    y, features, rng = made
    features[rng.random(features.shape) < 0.2] = np.nan
    got = notes(design_from_arrays, rng.normal(size=(N, 2)), features, y)
    assert [bool(text) for text in got] == [True, True, True, True, False, False]


@pytest.mark.parametrize("n", [1, 3])
def test_patients_of_one_class_are_not_separated(design_from_arrays, n):
    """As where few have all covariates: nothing is tested, and nothing said of separation."""
    rng = np.random.default_rng(5)
    assert notes(design_from_arrays, rng.normal(size=(n, 1)), rng.normal(size=(n, 2)), np.ones(n)) == ["", ""]


COPIED = {
    "binary": np.arange(N) % 2,
    "ordinal": np.arange(N) % 3,
    "multiclass": np.arange(N) % 3,
    "continuous": np.random.default_rng(3).normal(size=N),
}


@pytest.mark.parametrize("kind", COPIED)
def test_a_base_model_that_copies_the_outcome_is_the_reason_of_every_row(kind, design_from_arrays):
    rng = np.random.default_rng(5)
    y = COPIED[kind].astype(float)
    features = np.column_stack([rng.normal(size=(N, 2)), y + rng.normal(size=N)])

    def rows(covariate):
        base = np.column_stack([rng.normal(size=N), covariate])
        table = screen(design_from_arrays(kind, base, features, y=y), permutations=0).table
        return table[(table["model"] == "adjusted") & (table["term"] == table["feature"])]

    copied = rows(3 * y - 1)
    assert copied["p_value"].isna().all()
    assert set(copied["note"]) == {f"not assessed: {BASE_TELLS}"}
    near = np.where(np.arange(N) < 80, rng.permutation(y), y)  # of some patients it tells nothing
    kept = rows(near)
    assert kept["p_value"].notna().all()
    assert not kept["note"].str.contains(BASE_TELLS).any()
