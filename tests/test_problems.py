"""Hints for mistyped names: only what a slip of the hand could have made of them."""

from __future__ import annotations

from itertools import pairwise, product

import pytest

from discovery.problems import edits, near_miss, nearest

LETTERS = "ab"


def neighbours(word: str) -> set[str]:
    """Every word over `LETTERS` that is one edit away."""
    places = range(len(word) + 1)
    found = {word[:at] + letter + word[at:] for at, letter in product(places, LETTERS)}
    found |= {word[:at] + word[at + 1 :] for at in places}
    found |= {word[:at] + letter + word[at + 1 :] for at, letter in product(places[:-1], LETTERS)}
    found |= {word[:at] + word[then] + word[at] + word[then + 1 :] for at, then in pairwise(places[:-1])}
    return found - {word}


def test_edits_are_the_steps_of_the_shortest_way_from_word_to_word():
    """Against a search, one edit a step; beyond one, no letter that was put in may be edited again."""
    words = ["".join(letters) for n in range(4) for letters in product(LETTERS, repeat=n)]
    for one, other in product(words, words):
        if one == other:
            steps = 0
        elif other in neighbours(one):
            steps = 1
        elif any(other in neighbours(between) for between in neighbours(one)):
            steps = 2
        else:
            steps = 3
        found = edits(one, other)
        assert (found == steps) if steps < 2 else (steps <= found), (one, other)
    assert (edits("kitten", "sitting"), edits("ca", "abc"), edits("abcd", "badc")) == (3, 3, 2)


@pytest.mark.parametrize(
    ("name", "known", "meant"),
    [
        ("imputations", ["rotation", "columns"], None),
        ("mutliplicity", ["multiplicity", "permutations"], "multiplicity"),
        ("patient", ["patient_id", "site"], "patient_id"),
        ("colum", ["columns", "column"], "column"),
        ("", ["a"], None),
        ("weight", ["height_cm", "age"], None),
    ],
)
def test_a_near_miss_is_a_slip_and_no_other_word(name, known, meant):
    assert near_miss(name, known) == meant


def test_without_a_near_miss_the_known_names_are_listed():
    assert nearest("imputations", ["rotation", "columns"]) == "known: rotation, columns"
    assert nearest("=>", ["<", ">="]) == "did you mean '>='?"
