"""The baseline table: against pandas, by laws, and at the edges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from discovery.cohort.baseline import baseline_table, group_members
from discovery.cohort.standardised_difference import smd_binary, smd_categorical, smd_continuous
from discovery.problems import InputError


@pytest.fixture
def patients():
    rng = np.random.default_rng(7)
    n = 60
    table = pd.DataFrame(
        {
            "age": rng.normal(60, 10, n),
            "female": rng.integers(0, 2, n),
            "class": rng.choice(["I", "II", "III"], n),
            "site": rng.choice(["north", "south"], n),
        },
        index=[f"p{i:02d}" for i in range(n)],
    )
    table.loc[table.index[:5], "age"] = np.nan
    table.loc[table.index[3:6], "class"] = np.nan
    return table


def test_numbers_are_those_of_pandas(patients):
    before = patients.copy()
    table = baseline_table(patients[["age", "female", "class"]], group=patients["site"])
    pd.testing.assert_frame_equal(patients, before)
    for site, mine in patients.groupby("site"):
        age = table[(table.variable == "age") & (table.group == site)].iloc[0]
        got = age[["n", "missing", "mean", "sd", "median", "q1", "q3"]].astype(float)
        column = mine["age"]
        want = [column.count(), column.isna().sum(), column.mean(), column.std(), column.median(),
                column.quantile(0.25), column.quantile(0.75)]  # fmt: skip
        np.testing.assert_allclose(got, want)
        female = table[(table.variable == "female") & (table.group == site)]
        assert female["level"].tolist() == ["1"]
        assert female["count"].iloc[0] == mine["female"].sum()
        counts = table[(table.variable == "class") & (table.group == site)].set_index("level")["count"]
        assert counts.to_dict() == mine["class"].value_counts().sort_index().to_dict()


def test_no_p_values_unless_asked_for(patients):
    data, site = patients[["age", "female", "class"]], patients["site"]
    assert baseline_table(data, group=site)["p_value"].isna().all()
    asked = baseline_table(data, group=site, p_values=True)
    shown = asked[asked.group == "overall"].drop_duplicates("variable").set_index("variable")
    assert shown["p_value"].between(0, 1).all()
    assert shown.loc["age", "test"] == "Welch t"
    assert asked[asked.group != "overall"]["p_value"].isna().all()


def test_a_patient_with_two_etiologies_counts_in_both():
    data = pd.DataFrame({"age": [50.0, 60.0, 70.0, 80.0]})
    etiology = pd.Series(["a;b", "a", "b", None])
    table = baseline_table(data, group=etiology, separator=";", p_values=True).set_index("group")
    assert table.loc["a", "mean"] == 55
    assert table.loc["b", "mean"] == 60
    assert table.loc["overall", "mean"] == 65
    assert np.isnan(table.loc["overall", "smd"])
    assert table["p_value"].isna().all()


def test_group_against_the_rest_and_largest_pair():
    rng = np.random.default_rng(3)
    data = pd.DataFrame({"x": rng.normal(size=90) + np.repeat([0, 1, 2], 30)})
    group = pd.Series(np.repeat(["a", "b", "c"], 30))
    table = baseline_table(data, group=group).set_index("group")
    x = data["x"].to_numpy()
    assert table.loc["c", "smd"] == pytest.approx(smd_continuous(x[60:], x[:60]))
    assert table.loc["overall", "smd"] == pytest.approx(smd_continuous(x[60:], x[:30]))


def test_an_empty_column_and_a_constant_one_do_not_break_the_table():
    data = pd.DataFrame({"none": [np.nan] * 4, "same": [2.5] * 4, "text": [None] * 4, "zero": [0, 0, 0, 0]})
    table = baseline_table(data, group=pd.Series(["a", "a", "b", "b"]), p_values=True)
    none = table[table.variable == "none"]
    assert (none["n"] == 0).all()
    assert none["mean"].isna().all()
    same = table[(table.variable == "same") & (table.group == "overall")].iloc[0]
    assert same["smd"] == 0
    assert same["sd"] == 0
    assert (table[table.variable == "zero"]["percent"] == 0).all()


def test_unknown_names_are_all_reported(patients):
    with pytest.raises(InputError) as caught:
        baseline_table(patients, variables=["agee", "clas"], kinds={"age": "continous"})
    sentences = [problem.sentence() for problem in caught.value.problems]
    assert len(sentences) == 3
    assert "did you mean 'age'?" in sentences[0]
    assert "did you mean 'class'?" in sentences[1]
    assert "did you mean 'continuous'?" in sentences[2]


def test_ordered_categories_keep_their_order():
    values = pd.Series(pd.Categorical(["low", "high", "low", "mid"], categories=["low", "mid", "high"]))
    table = baseline_table(pd.DataFrame({"dose": values}))
    assert table["level"].tolist() == ["low", "mid", "high"]
    assert list(group_members(values)) == ["low", "mid", "high"]


def test_text_stored_as_the_string_type_of_pandas_3(patients):
    with pd.option_context("future.infer_string", True):
        data = pd.DataFrame({"class": patients["class"].tolist()}, index=patients.index)
        site = pd.Series(patients["site"].tolist(), index=patients.index)
        table = baseline_table(data, group=site)
    plain = baseline_table(patients[["class"]], group=patients["site"])
    assert table["count"].tolist() == plain["count"].tolist()
    assert table["group"].tolist() == plain["group"].tolist()


# Laws of the standardised difference

numbers = st.lists(st.floats(-1e3, 1e3).map(lambda x: round(x, 3)), min_size=2, max_size=20)


@given(numbers, numbers, st.floats(-100, 100), st.floats(0.1, 10))
def test_difference_ignores_shift_and_scale_and_turns_with_the_groups(a, b, shift, scale):
    plain = smd_continuous(a, b)
    if np.std(a) + np.std(b) < 1e-2:
        return
    moved = smd_continuous(np.multiply(a, scale) + shift, np.multiply(b, scale) + shift)
    assert moved == pytest.approx(plain, rel=1e-6, abs=1e-8)
    assert smd_continuous(b, a) == pytest.approx(-plain)


@given(st.integers(0, 30), st.integers(1, 30), st.integers(0, 30), st.integers(1, 30))
def test_two_levels_are_the_binary_form(a1, a0, b1, b0):
    a, b = [1] * a1 + [0] * a0, [1] * b1 + [0] * b0
    assert smd_categorical([a0, a1], [b0, b1]) == pytest.approx(abs(smd_binary(a, b)), nan_ok=True, abs=1e-12)


@given(
    st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=2, max_size=6),
    st.randoms(use_true_random=False),
)
def test_order_of_levels_is_nothing(pairs, random):
    a, b = zip(*pairs)
    mixed = list(pairs)
    random.shuffle(mixed)
    first, second = smd_categorical(a, b), smd_categorical(*zip(*mixed))
    assert second == pytest.approx(first, nan_ok=True, abs=1e-7, rel=1e-7)


def test_groups_that_share_no_level_have_no_finite_distance():
    assert np.isnan(smd_categorical([5, 0, 3], [0, 4, 0]))
    assert np.isnan(smd_binary([1, 1], [0, 0]))
