"""`[phenotypes]` of the study file, and what a run makes of it; shares, curves against other libraries."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import design_of
from discovery.pipeline.phenotype_masking import masked_phenotypes
from discovery.pipeline.phenotypes import find_phenotypes, search_run
from discovery.problems import InputError
from discovery.report.methods_phenotypes import phenotype_paragraphs
from discovery.report.phenotype_view import phenotype_views
from discovery.report.settings import RunSettings
from discovery.study import read_study

TEXT = """[study]
name = "search"
seed = 5
[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
etiology = "etiology"
[features]
file = "features.csv"
labels = "labels.csv"
[[outcomes]]
name = "death"
kind = "survival"
time = "time"
status = "status"
event = 1
[[outcomes]]
name = "cleared"
kind = "binary"
column = "cleared"
[[outcomes]]
name = "stay"
kind = "continuous"
column = "stay"
[[outcomes]]
name = "class"
kind = "ordinal"
column = "class"
levels = ["I", "II", "III"]
[[outcomes]]
name = "visits"
kind = "count"
column = "visits"
exposure = "years"
"""
N, P = 90, 9


def write(folder, x: np.ndarray, search: str = ""):
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(2)
    ids = [f"person_{k:03d}" for k in range(N)]
    names = [f"f{j}" for j in range(P)]
    pd.DataFrame(x, columns=names).assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    labels = pd.DataFrame(
        {"feature": names, "label": names, "unit": "", "family": [f"F{j // 3}" for j in range(P)]}
    )
    labels.to_csv(folder / "labels.csv", index=False)
    pd.DataFrame(
        {
            "patient_id": ids, "site": rng.choice(["a", "b"], N), "etiology": rng.choice(["u", "v"], N),
            "time": rng.exponential(400, N).round(1) + 1, "status": rng.integers(0, 2, N),
            "cleared": rng.integers(0, 2, N), "stay": rng.normal(10, 3, N).round(2),
            "class": rng.choice(["I", "II", "III"], N), "visits": rng.poisson(3, N),
            "years": rng.uniform(0.5, 4, N).round(2),
        }
    ).to_csv(folder / "patients.csv", index=False)  # fmt: skip
    (folder / "study.toml").write_text(TEXT + search, encoding="utf-8")
    return folder / "study.toml"


def searched(path):
    study = read_study(path)
    notes: list[str] = []
    designs = [design_of(study, outcome) for outcome in study.outcomes]
    return study, find_phenotypes(study, designs, workers=1, notes=notes), notes


def three_groups():
    rng = np.random.default_rng(1)
    where = np.arange(N) % 3
    return rng.normal(size=(N, P)) + 3.2 * np.repeat(np.eye(3), 3, axis=1)[where]


SEARCH = '[phenotypes]\nrotation = "varimax"\nprofile_test = "null"\ntransforms = { f0 = "rank-normal" }\n'


@pytest.fixture(scope="module")
def groups(tmp_path_factory):
    return searched(write(tmp_path_factory.mktemp("groups"), three_groups(), SEARCH))


@pytest.fixture(scope="module")
def nobody(tmp_path_factory):
    rng = np.random.default_rng(3)
    common = np.repeat(rng.normal(size=(N, 3)), 3, axis=1)
    return searched(write(tmp_path_factory.mktemp("nobody"), 0.8 * common + 0.6 * rng.normal(size=(N, P))))


def test_the_settings_reach_the_search(groups):
    study, found, _ = groups
    table = found.model.preparation_.table
    assert table["transform"].tolist() == ["rank-normal"] + ["none"] * 8
    # three features of each declared family have the weight of one
    np.testing.assert_allclose(table["weight"], 1 / np.sqrt(3))
    assert found.tables["phenotype_axes"]["axis"].iloc[:2].tolist() == ["RC1", "RC2"]
    assert {"RC1", "RC2"} <= set(found.patients)
    profiles = found.tables["phenotype_profiles"]
    assert (profiles["p_null"] <= 0.05).all()  # every feature was planted
    assert found.tables["phenotype_methods"]["method"].tolist() == ["kmeans", "ward", "mixture", "density"]
    assert search_run(study).families == "declared"


def test_every_column_and_method_can_be_chosen(tmp_path):
    search = '[phenotypes]\ncolumns = ["f[0-5]"]\nmethod = "ward"\ngroups = [3, 2]\nfamilies = "none"\n'
    study, found, _ = searched(write(tmp_path, three_groups(), search))
    assert found.model.preparation_.names == [f"f{j}" for j in range(6)]
    assert found.model.method == "ward"
    assert found.tables["phenotype_choice"]["k"].tolist() == [2, 3]
    assert (found.model.preparation_.table["weight"] == 1).all()
    assert search_run(study).groups == (2, 3)


def test_wrong_names_and_values_are_named_all_at_once(tmp_path):
    search = '[phenotypes]\ncolumns = ["g*", "f1"]\ntransforms = { f2 = "log", f33 = "log" }\n'
    with pytest.raises(InputError) as caught:
        read_study(write(tmp_path / "a", three_groups(), search))
    line = (TEXT + "[phenotypes]").count("\n") + 1
    lowest = f"{three_groups()[:, 2].min():g}"
    assert [p.sentence() for p in caught.value.problems] == [
        f"study.toml, row {line + 1}, column 'phenotypes.columns[1]': found 'g*'; there is no such feature; "
        "known: f0, f1, f2, f3, f4, f5, f6, f7, f8",
        f"study.toml, row {line + 2}, column 'phenotypes.transforms.f33': found 'f33'; there is no such "
        "feature; did you mean 'f3'?",
        f"study.toml, row {line + 1}, column 'phenotypes.columns': found '1'; 3 features or more are wanted "
        "to look for groups",
        f"study.toml, row {line + 2}, column 'phenotypes.transforms.f2': found 'log'; values above 0 are "
        f"wanted for a logarithm, the lowest of 'f2' is {lowest}; rank-normal takes any",
    ]
    search = '[phenotypes]\nrotation = "oblimin"\nmethods = "ward"\ngroups = [1]\nprofile_test = true\n'
    with pytest.raises(InputError) as caught:
        read_study(write(tmp_path / "b", three_groups(), search))
    named = {p.column: p.wanted for p in caught.value.problems}
    assert set(named) == {f"phenotypes.{k}" for k in ("rotation", "methods", "groups[1]", "profile_test")}
    assert named["phenotypes.methods"].endswith("did you mean 'method'?")
    assert "none, varimax" in named["phenotypes.rotation"]


def test_a_scale_has_the_line_of_its_own_key_and_a_doubt_the_name_of_the_file(tmp_path):
    """Also where the study file has another name, and a feature one that cannot stand in a place."""
    x = three_groups()
    x[:, 4] = 1.0
    search = '[phenotypes]\ncolumns = ["f*"]\n[phenotypes.transforms]\nf0 = "log"\n"f 9" = "log"\n'
    path = write(tmp_path, x, search).rename(tmp_path / "groups.toml")
    with pytest.raises(InputError) as caught:
        read_study(path)
    line = (TEXT + "[phenotypes]").count("\n") + 1
    places = [p.sentence().split(":")[0] for p in caught.value.problems]
    assert places == [
        f"groups.toml, row {line + 2}, column 'phenotypes.transforms'",
        f"groups.toml, row {line + 3}, column 'phenotypes.transforms.f0'",
    ]
    path.write_text(TEXT + '[phenotypes]\ncolumns = ["f4", "f[0-3]"]\n')
    assert (
        f"groups.toml, row {line + 1}, column 'phenotypes.columns[1]': found 'f4'; a feature is wanted"
        in [doubt.sentence().rpartition(";")[0] for doubt in read_study(path).warnings]
    )


def test_shares_means_and_rates_by_group_are_those_of_other_libraries(groups):
    from scipy.stats import t
    from statsmodels.stats.proportion import proportion_confint

    study, found, _ = groups
    table = found.tables["phenotype_levels"].set_index(["outcome", "by", "group", "level"]).sort_index()
    own = found.patients["phenotype"].to_numpy()
    people = study.patients[own == "P1"]
    row = table.loc[("cleared", "phenotype", "P1", "")]
    low, high = proportion_confint((people["cleared"] == 1).sum(), len(people), method="wilson")
    assert row[["n", "estimate", "ci_low", "ci_high"]].tolist() == pytest.approx(
        [len(people), (people["cleared"] == 1).mean(), low, high]
    )
    row = table.loc[("stay", "phenotype", "P1", "")]
    mean, se = people["stay"].mean(), people["stay"].sem()
    expected = [mean, *t.interval(0.95, len(people) - 1, mean, se)]
    assert row[["estimate", "ci_low", "ci_high"]].tolist() == pytest.approx(expected)
    shares = table.loc[("class", "phenotype", "P2")]["estimate"]
    assert shares.sum() == pytest.approx(1)
    rate = table.loc[("visits", "phenotype", "P3", "")]
    people = study.patients[own == "P3"]
    assert rate["estimate"] == pytest.approx(people["visits"].sum() / people["years"].sum())
    assert rate["measure"] == "rate"


def test_curves_of_the_groups_are_those_of_lifelines(groups):
    from lifelines import KaplanMeierFitter

    study, found, _ = groups
    curves = found.tables["phenotype_curves"]
    mine = curves[(curves["feature"] == "phenotype") & (curves["group"] == "P2")]
    people = study.patients[found.patients["phenotype"].to_numpy() == "P2"]
    other = KaplanMeierFitter().fit(people["time"], people["status"])
    at = mine["time"].to_numpy()
    np.testing.assert_allclose(mine["estimate"], other.survival_function_at_times(at).to_numpy(), atol=1e-9)
    assert set(curves["feature"]) == {"phenotype", "RC1", "RC2"}


def test_groups_come_first_where_there_are_some_and_axes_where_there_are_none(groups, nobody):
    labels = {name: name for name in ("death", "cleared", "stay", "class", "visits")}
    heads = [head for _, head, _ in phenotype_views(groups[1].tables, labels)]
    assert (
        heads.index("Phenotypes") < heads.index("Continuous axes") < heads.index("Axes, groups and outcomes")
    )
    views = {head: view for _, head, view in phenotype_views(nobody[1].tables, labels)}
    assert next(iter(views)) == "Continuous axes"
    assert "the continuous axes are what to report" in views["Continuous axes"].lead
    assert "Etiologies along the axes" in views
    told = {head: view for _, head, view in phenotype_views(groups[1].tables, labels)}
    assert "9 of 9 features at 0.05" in told["Phenotypes"].note
    assert told["How the groups were cut"].rows[0][0] == "Cut by k-means"


def test_without_groups_the_axes_have_profile_outcomes_curves_and_etiologies(nobody):
    tables = nobody[1].tables
    assert not tables["phenotype_words"]["groups"].iloc[0]
    axes = tables["phenotype_axes"].loc[tables["phenotype_axes"]["beyond_chance"], "axis"].tolist()
    assert len(axes) == 3
    assert set(tables["phenotype_curves"]["feature"]) == set(axes)
    assert set(tables["phenotype_levels"]["by"]) == set(axes)
    assert set(tables["phenotype_axis_mix"]["axis"]) == set(axes)
    loadings = tables["phenotype_loadings"]
    assert (loadings["ci_low"] <= loadings["correlation"] + 1e-9).mean() > 0.95
    assert not {"phenotype_profiles", "phenotype_mix", "phenotype_map"} & set(tables)
    assert (
        tables["phenotype_biplot"].loc[tables["phenotype_biplot"]["part"] == "patient", "name"].eq("").all()
    )


def test_biplot_is_sorted_and_without_ids(groups):
    table = groups[1].tables["phenotype_biplot"]
    people = table[table["part"] == "patient"]
    assert people["x"].is_monotonic_increasing
    assert len(people) == N
    assert people[["x", "y"]].std().tolist() == pytest.approx([1, 1])
    assert not table.astype(str).apply(lambda column: column.str.contains("person_")).any(axis=None)
    loadings = groups[1].tables["phenotype_loadings"]
    first = loadings[(loadings["axis"] == "RC1") & loadings["label"].isin(table["name"])]
    arrows = table[table["part"] == "feature"].set_index("name")["x"]
    np.testing.assert_allclose(arrows[first["label"]], first["correlation"])


def test_a_masked_run_shows_no_patient_and_no_step_of_a_few(groups):
    tables = groups[1].tables
    out = masked_phenotypes(tables, 5)
    assert set(out["phenotype_biplot"]["part"]) == {"feature"}
    assert out["phenotype_levels"].empty
    kept, whole = out["phenotype_curves"], tables["phenotype_curves"]
    key = ["feature", "group"]
    steps = whole[whole["n_event"] > 0].groupby(key).size()
    assert (kept.groupby(key).size() - 1 <= steps / 5).all()
    assert kept["n_at_risk"].isna().all()
    assert len(tables["phenotype_levels"]) > 0
    assert out["phenotype_map"].empty
    # with a limit above the size of the groups, no size, mix or mean of a group is left
    members = groups[1].patients
    out = masked_phenotypes(tables, 40, features=groups[0].features, members=members)
    assert out["phenotypes"]["size"].isna().all()
    assert out["phenotype_mix"].empty
    assert out["phenotype_consensus"].empty
    assert out["phenotype_profiles"][["n", "mean"]].isna().all(axis=None)
    assert out["phenotype_profiles"]["effect"].notna().all()
    sizes = tables["phenotype_axis_mix"].drop_duplicates("etiology").set_index("etiology")["n"]
    assert set(out["phenotype_axis_mix"]["etiology"]) == set(sizes[sizes >= 40].index)
    assert out["phenotype_methods"]["smallest"].isna().all()


def test_sizes_of_etiologies_along_the_axes_are_only_those_of_other_tables(groups):
    """One that is hidden beside a rare one would tell that one by subtraction."""
    tables = groups[1].tables
    sizes = tables["phenotype_axis_mix"].drop_duplicates("etiology").set_index("etiology")["n"]
    first, other = sizes.index[:2]
    out = masked_phenotypes(tables, 5, {first: sizes[first], other: sizes[other] + 1})["phenotype_axis_mix"]
    assert (out.loc[out["etiology"] == first, "n"] == sizes[first]).all()
    assert out.loc[out["etiology"] != first, "n"].isna().all()
    assert out["mean"].notna().all()


def test_methods_say_what_was_done(groups):
    study = groups[0]
    settings = SimpleNamespace(
        analyses=("phenotypes",), search=search_run(study), winsor=(0.01, 0.99), site="site", sites=2
    )
    text = " ".join(phenotype_paragraphs(settings))
    for piece in ("9 features", "f0: rank-normal", "each declared family given the weight of one", "k-means",
                  "turned by varimax (Kaiser 1958)", "held against 199 cohorts"):  # fmt: skip
        assert piece in text
    plain = RunSettings(
        name="x", title="x", seed=1, n_patients=9, n_features=9, outcomes=(), analyses=("phenotypes",)
    )
    text = " ".join(phenotype_paragraphs(plain))
    assert "family" not in text
    assert "Kaiser" not in text
    assert "site-driven" not in text


def test_a_cohort_too_small_for_a_search_is_told_in_one_sentence(tmp_path):
    path = write(tmp_path, three_groups())
    for name in ("patients.csv", "features.csv"):
        pd.read_csv(tmp_path / name).head(12).to_csv(tmp_path / name, index=False)
    _, found, notes = searched(path)
    assert found is None
    assert notes == ["No search for groups: it needs 20 patients or more, and this cohort has 12 patients."]
