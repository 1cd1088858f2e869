"""Eligibility rules and their flow."""

from __future__ import annotations

import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.study.eligibility import Rule, eligible


@pytest.fixture
def patients():
    return pd.DataFrame(
        {"age": [17.0, 45, None, 80, 60], "kind": ["a", "b", "a", None, "c"], "egfr": [90.0, 20, 50, 70, 10]},
        index=list("pqrst"),
    )


def test_rules_in_order_count_each_patient_once(patients):
    before = patients.copy()
    rules = [
        Rule(column="age", comparison=">=", value=18, reason="under 18"),
        Rule(column="kind", comparison="in", value=["a", "b"]),
        Rule(column="egfr", comparison=">", value=15, reason="kidney failure"),
    ]
    kept, flow = eligible(patients, rules)
    assert kept[kept].index.tolist() == ["q"]
    assert flow["n"].tolist() == [5, 4, 3, 2, 1]
    assert flow["n_left_out"].tolist() == [0, 1, 1, 1, 1]
    assert flow["reason"].tolist() == [
        "",
        "age is missing",
        "under 18",
        "kind is missing",
        "not kind in a, b",
    ]
    assert (flow["n"].diff().iloc[1:] == -flow["n_left_out"].iloc[1:]).all()
    pd.testing.assert_frame_equal(patients, before)


def test_known_and_unequal(patients):
    kept, flow = eligible(
        patients, [Rule(column="kind", comparison="known"), Rule(column="kind", comparison="!=", value="a")]
    )
    assert kept.tolist() == [False, True, False, False, True]
    assert flow["reason"].tolist() == ["", "kind is missing", "not kind != a"]
    nobody, flow = eligible(patients, [])
    assert nobody.all()
    assert flow["n"].tolist() == [5]


def test_every_fault_is_named(patients):
    rules = [
        Rule(column="agee", comparison=">", value=1),
        Rule(column="age", comparison="=>", value=1),
        Rule(column="kind", comparison="<", value=3),
        Rule(column="kind", comparison="in", value="a"),
        Rule(column="age", comparison=">", value="old"),
        Rule(column="kind", comparison="=", value=3),
    ]
    with pytest.raises(InputError) as caught:
        eligible(patients, rules)
    wanted = [problem.wanted for problem in caught.value.problems]
    assert wanted[0] == "did you mean 'age'?"
    assert wanted[1] == "did you mean '>='?"
    assert wanted[2] == 'the rule of eligibility "kind < 3" wants a column of numbers'
    assert wanted[3] == "wanted a list of values"
    assert wanted[4] == 'the rule of eligibility "age > old" wants a number, as in the column'
    assert wanted[5] == 'the rule of eligibility "kind = 3" wants text, as in the column'
