"""A run with small counts masked: nothing small is printed, and nothing masked can be worked out."""

from __future__ import annotations

import re
import shutil
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import brentq, linprog

import discovery
from discovery.association.etiology import without_rare
from discovery.cohort.masked_counts import mask_flow, mask_rows
from discovery.cohort.masked_means import tells_a_few
from discovery.markers.frozen_file import read_frozen
from discovery.pipeline.analysis import analyse
from discovery.pipeline.masked_measures import coarse_net_benefit
from discovery.pipeline.masking import masked_survival, said
from discovery.pipeline.progress import Silent
from discovery.pipeline.survival_wing import HAZARD
from discovery.study import read_study
from discovery.survival.coarse_curves import coarse_at_risk, coarse_curves, coarse_roc
from discovery.survival.curve_tables import at_risk_table, curve_table

LIMIT = 5
SMALL_SITES = {"North": 900, "South": 560, "East": 30, "Isle": 3, "Cape": 7}
COUNTS = (
    "n", "events", "n_event", "n_left_out", "missing", "n_missing", "count", "n_at_risk", "n_censored",
    "n_with_outcome", "group_n", "n_analysed",
)  # fmt: skip


@pytest.fixture(scope="module")
def run(root, tmp_path_factory):
    """1500 patients of the open Rotterdam cohort in invented hospitals, some tiny; few values missing."""
    folder = tmp_path_factory.mktemp("masked")
    shutil.copytree(root / "cohorts" / "rotterdam", folder / "cohort")
    patients = pd.read_csv(folder / "cohort" / "patients.csv").head(1500)
    features = pd.read_csv(folder / "cohort" / "features.csv").head(1500)
    patients["hospital"] = np.repeat(list(SMALL_SITES), list(SMALL_SITES.values()))
    patients.loc[[5, 700], "age_years"] = np.nan  # two left out of every model
    names = list(features.columns[1:])
    features[names] = features[names].astype(float)
    features.loc[[1, 2, 1000], names[0]] = np.nan
    features.loc[100:160, names[1]] = np.nan
    features.loc[[1495, 1470], names[1]] = np.nan
    patients.to_csv(folder / "cohort" / "patients.csv", index=False)
    features.to_csv(folder / "cohort" / "features.csv", index=False)
    text = (folder / "cohort" / "study.toml").read_text(encoding="utf-8")
    text = text.replace("adjust_for", 'site = "hospital"\nadjust_for')
    few = "\n[analysis]\nreplicates = 0\npermutations = 20\nimputations = 0\nphenotypes = false\n"
    (folder / "cohort" / "study.toml").write_text(
        text + few + f"suppress_below = {LIMIT}\n", encoding="utf-8"
    )
    result = discovery.run(folder / "cohort", out=folder / "out", workers=1)
    (folder / "cohort" / "study.toml").write_text(text + few, encoding="utf-8")
    plain = analyse(read_study(folder / "cohort"), workers=1, progress=Silent())[0]
    return result, plain, patients, features


def tables(folder):
    return {path.name: pd.read_csv(path) for path in sorted(folder.rglob("*.csv"))}


def test_no_small_count_is_printed_in_any_table_of_the_folder(run):
    masked, plain, *_ = run
    small_ones = 0
    for name, table in tables(masked.folder).items():
        for column in set(COUNTS) & set(table.columns):
            values = pd.to_numeric(table[column], errors="coerce").dropna()
            assert not values.between(1, LIMIT - 1).any(), (
                name,
                column,
                values[values.between(1, 4)].iloc[0],
            )
    for table in plain.values():
        for column in set(COUNTS) & set(table.columns):
            values = pd.to_numeric(table[column], errors="coerce").dropna()
            small_ones += int(values.between(1, LIMIT - 1).sum())
    assert small_ones > 50  # without the setting there are many: the test can fail


def test_no_two_totals_differ_by_a_small_number(run):
    masked, *_ = run
    shown = tables(masked.folder)
    totals = {1500.0}
    for name in ("markers.csv", "associations.csv", "survival.csv", "follow_up.csv", "prediction.csv"):
        totals |= set(shown[name]["n"].dropna())
    for a, b in pairwise(sorted(totals)):
        assert b - a >= LIMIT, (a, b)
    flow = shown["attrition.csv"]
    chain = flow["n"].dropna().to_numpy()
    assert all(a == b or abs(a - b) >= LIMIT for a, b in pairwise(chain))
    both = flow.dropna(subset=["n", "n_left_out"])
    assert not (both["n_left_out"].between(1, LIMIT - 1)).any()


def facts(masked_folder, sites, variables):
    """Every printed number about hospitals as a linear equation over sizes, events and missing values."""
    shown = tables(masked_folder)
    unknown = [("size", s) for s in sites] + [("event", s) for s in sites]
    unknown += [("missing", v, s) for v in variables for s in sites]
    place = {key: k for k, key in enumerate(unknown)}
    rows, values = [], []

    def fact(value, *keys, sign=None):
        if pd.isna(value):
            return
        row = np.zeros(len(unknown))
        for key, weight in zip(keys, sign or [1] * len(keys)):
            row[place[key]] += weight
        rows.append(row)
        values.append(float(value))

    for row in shown["sites.csv"].itertuples():
        fact(row.n, ("size", row.site))
        fact(row.events, ("event", row.site))
        if not pd.isna(row.percent_of_patients):
            fact(row.percent_of_patients * 15, ("size", row.site))
        assert pd.isna(row.percent_events) or not pd.isna(row.events)
    baseline = shown["baseline.csv"]
    overall = baseline[baseline["group"] == "overall"]
    for row in overall[overall["variable"] == "hospital"].itertuples():
        fact(row[baseline.columns.get_loc("count") + 1], ("size", row.level))
        if not pd.isna(row.percent):
            fact(row.percent * 15, ("size", row.level))
    missing = shown["missing.csv"]
    for row in missing[missing["by"] == "hospital"].itertuples():
        if row.variable in variables:
            fact(row.n, ("size", row.level))
            fact(row.n_missing, ("missing", row.variable, row.level))
    for row in missing[missing["by"] == "all"].itertuples():
        if row.variable in variables:
            fact(row.n_missing, *[("missing", row.variable, s) for s in sites])
    for row in shown["site_shift.csv"].itertuples():
        if row.feature in variables:
            fact(row.missing, ("missing", row.feature, row.site))
            fact(row.n, ("size", row.site), ("missing", row.feature, row.site), sign=[1, -1])
    fact(1500, *[("size", s) for s in sites])
    happened = shown["sites.csv"]
    assert len(happened)
    return unknown, place, np.array(rows), np.array(values)


def test_nothing_masked_about_a_hospital_can_be_worked_out_from_all_tables_together(run):
    masked, _, patients, features = run
    sites, variables = list(SMALL_SITES), list(features.columns[1:3])
    unknown, place, rows, values = facts(masked.folder, sites, variables)
    total = int((patients["relapse_or_death"] == 1).sum())
    events = np.zeros(len(unknown))
    for s in sites:
        events[place["event", s]] = 1
    rows, values = np.vstack([rows, events]), np.append(values, total)
    # events and missing values lie within a hospital's patients
    limits = []
    for key in unknown:
        if key[0] != "size":
            row = np.zeros(len(unknown))
            row[place[key]], row[place["size", key[-1]]] = 1, -1
            limits.append(row)
    truth = {("size", s): n for s, n in SMALL_SITES.items()}
    for s in sites:
        here = patients["hospital"] == s
        truth["event", s] = int((patients.loc[here, "relapse_or_death"] == 1).sum())
        for v in variables:
            truth["missing", v, s] = int(features.loc[here.to_numpy(), v].isna().sum())
    np.testing.assert_allclose(rows @ np.array([truth[key] for key in unknown]), values)  # nothing false
    checked = 0
    for key in unknown:
        if not 0 < truth[key] < LIMIT:
            continue
        aim = np.zeros(len(unknown))
        aim[place[key]] = 1
        found = [
            linprog(sign * aim, A_eq=rows, b_eq=values, A_ub=limits, b_ub=np.zeros(len(limits)))
            for sign in (1, -1)
        ]
        low, high = found[0].fun, -found[1].fun
        assert high - low >= 2, (key, truth[key], low, high)
        checked += 1
    assert checked >= 4


def test_a_test_stands_only_where_its_counts_do(run):
    masked, plain, *_ = run
    shown = pd.read_csv(masked.folder / "missing.csv").fillna({"level": "", "test": ""})
    counts = shown[["n", "n_missing"]].isna().any(axis=1)
    gone = counts.groupby([shown["variable"], shown["by"]], sort=False).transform("any")
    assert shown.loc[gone, "statistic"].isna().all()
    before = plain["missing"]["statistic"].notna().to_numpy()
    assert (before & gone).sum() > 5
    kept = before & ~gone
    np.testing.assert_allclose(shown.loc[kept, "statistic"], plain["missing"].loc[kept, "statistic"])


def test_means_have_three_digits_of_the_sd_and_their_own_value(run):
    masked, plain, _, features = run
    shift = pd.read_csv(masked.folder / "site_shift.csv").set_index(["feature", "site"])
    before = plain["site_shift"].set_index(["feature", "site"])
    for name in features.columns[1:]:
        sd = features[name].std()
        large = [site for site in SMALL_SITES if SMALL_SITES[site] >= 30]
        here, there = shift.loc[name].loc[large], before.loc[name].loc[large]
        if tells_a_few(features[name].dropna().to_numpy(), LIMIT):
            continue
        np.testing.assert_allclose(here["mean"], there["mean"], atol=0.05 * sd + 0.05)
        digits = here["mean"] / 10.0 ** np.floor(np.log10(sd) - 3)
        np.testing.assert_allclose(digits, np.round(digits), atol=1e-6)
    assert shift.loc[(slice(None), "Isle"), ["mean", "sd", "median", "smd"]].isna().all(axis=None)
    assert shift["p_value"].isna().all()  # with the others' means it would tell the three patients'


def test_texts_tell_no_small_number_of_patients(run):
    masked, *_ = run
    for name in ("index.html", "methods.md", "checklist.csv"):
        text = (masked.folder / name).read_text(encoding="utf-8")
        found = re.findall(r"\b([1-4]) (?:patients?|events?|cases?)\b", text)
        assert not found, (name, found)
        assert "Masked counts" in (masked.folder / "methods.md").read_text(encoding="utf-8")
    assert "about 1500 patients" in (masked.folder / "methods.md").read_text(encoding="utf-8")


def test_what_is_frozen_for_replication_tells_no_small_count_either(run):
    import json

    masked, *_ = run
    frozen = json.loads((masked.folder / "frozen.json").read_text(encoding="utf-8"))
    assert all(feature["n"] % LIMIT == 0 for feature in frozen["features"])
    events = pd.read_csv(masked.folder / "survival.csv")
    assert events.loc[events["part"] == "curve", "n_event"].isna().all()
    base = frozen["outcomes"][0]["base"]
    assert 0 < len(base["times"]) <= 1500 / LIMIT
    shares = [term["share"] for term in frozen["outcomes"][0]["terms"] if term["level"]]
    counts = np.array(shares) * frozen["n_patients"] / LIMIT
    np.testing.assert_allclose(counts, np.round(counts), atol=1e-9)
    assert len(counts)


def test_estimates_are_those_of_all_patients(run):
    masked, plain, *_ = run
    columns = ["feature", "estimate", "ci_low", "ci_high", "p_value", "q_value"]
    pd.testing.assert_frame_equal(
        pd.read_csv(masked.folder / "markers.csv")[columns],
        plain["markers"][columns].reset_index(drop=True),
        check_dtype=False,
    )


def test_curves_rise_in_steps_of_the_limit():
    rng = np.random.default_rng(7)
    time, status = rng.exponential(1, 300), rng.integers(0, 2, 300)
    table = curve_table(time, status, outcome="o").assign(feature="")
    coarse = coarse_curves(table, LIMIT)
    assert coarse[["n_at_risk", "n_event", "n_censored"]].isna().all(axis=None)
    events = np.sort(time[status == 1])
    between = np.diff(np.searchsorted(events, coarse["time"], side="right"))
    assert (between >= LIMIT).all()
    assert (time > coarse["time"].max()).sum() >= LIMIT
    whole = table.set_index("time")["estimate"]
    np.testing.assert_array_equal(coarse["estimate"], whole[coarse["time"]].round(3))
    marks = coarse_at_risk(at_risk_table(time, status, np.linspace(0, 3, 40), outcome="o"), LIMIT)
    shown = marks["n_at_risk"].dropna().to_numpy()
    gaps = -np.diff(shown)
    assert ((gaps == 0) | (gaps >= LIMIT)).all()
    assert ((shown == 0) | (shown >= LIMIT)).all()


def test_of_cumulative_hazards_alone_nothing_is_left():
    table = pd.DataFrame({"outcome": ["death"], "part": [HAZARD], "time": [1.0], "estimate": [0.1]})
    found = masked_survival({"survival": table}, None, LIMIT, {}, {})
    assert found["survival"].empty
    assert list(found["survival"].columns) == list(table.columns)


@pytest.mark.parametrize("at_start", [1, 4, 5])
@pytest.mark.parametrize("competing", [False, True])
def test_events_at_the_start_are_no_step_of_a_few(at_start, competing):
    """Of 84 patients some have the event at time 0: the curve there is their share of 84, exactly."""
    rng = np.random.default_rng(2)
    time, status = rng.exponential(1, 84), rng.integers(0, 3 if competing else 2, 84)
    time[:at_start], status[:at_start] = 0, 1
    table = curve_table(time, status, outcome="o").assign(feature="")
    before = 0.0 if competing else 1.0
    mine = table["curve"] == table["curve"].iloc[0]
    first = table[mine].iloc[0]
    assert abs(first["estimate"] - before) == pytest.approx(at_start / 84)
    coarse = coarse_curves(table[mine], LIMIT)
    start = coarse.iloc[0]
    assert start["time"] == 0
    if at_start >= LIMIT:
        assert start["estimate"] == round(first["estimate"], 3)
    else:
        assert (start[["estimate", "ci_low", "ci_high"]] == before).all()
    events = np.sort(time[status == 1])
    shown = np.searchsorted(events, coarse["time"], side="right") * (coarse["estimate"] != before)
    assert (np.diff(shown) >= LIMIT).all()
    later = table[mine].set_index("time")["estimate"]
    np.testing.assert_array_equal(coarse["estimate"][1:], later[coarse["time"][1:]].round(3))


def test_points_of_a_roc_have_the_limit_between_them():
    rng = np.random.default_rng(1)
    truth, score = rng.integers(0, 2, 200), rng.normal(size=200)
    from discovery.association.roc_points import roc_points

    points = roc_points(truth.astype(float), {"a": score})
    coarse = coarse_roc(points, LIMIT, int(truth.sum()), int((1 - truth).sum()))
    cases = np.diff(np.rint(coarse["tpr"] * truth.sum()))
    controls = np.diff(np.rint(coarse["fpr"] * (1 - truth).sum()))
    assert (np.maximum(cases, controls) >= LIMIT).all()
    assert (((cases == 0) | (cases >= LIMIT)) & ((controls == 0) | (controls >= LIMIT))).all()
    assert coarse["tpr"].iloc[-1] == 1


def test_the_flow_keeps_what_can_be_kept():
    flow = pd.DataFrame(
        [("", "rows", 103, 0, ""), ("", "with features", 100, 3, "none"), ("a", "usable", 98, 2, "age"),
         ("a", "analysed", 60, 38, "site"), ("b", "analysed", 97, 3, "age")],
        columns=["outcome", "step", "n", "n_left_out", "reason"],
    )  # fmt: skip
    found = mask_flow(flow, LIMIT, {"a": True, "b": False})
    assert found["n"].isna().tolist() == [True, False, True, False, True]
    assert found["n_left_out"].isna().tolist() == [False, True, True, True, True]


def test_rows_without_a_patient_are_few_too():
    flow = pd.DataFrame(
        [("", "rows", 100, 0, ""), ("", "rows of features with a patient", 100, 2, "no such id"),
         ("", "patients with a row of features", 100, 0, "")],
        columns=["outcome", "step", "n", "n_left_out", "reason"],
    )  # fmt: skip
    found = mask_flow(flow, LIMIT, {})
    assert found["n_left_out"].isna().tolist() == [False, True, False]
    assert found["n"].tolist() == [100, 100, 100]


def test_a_row_near_a_total_loses_its_counts():
    table = pd.DataFrame(
        {"outcome": "o", "n": [100, 98, 90], "events": [40, 40, 37], "n_left_out": [0, 2, 10]}
    )
    found = mask_rows(table, LIMIT, n={"o": (100.0,)}, events={"o": (40.0,)})
    assert found["n"].isna().tolist() == [False, True, True]  # the third: 3 events are left out


def test_competing_events_are_held_against_their_own_total():
    table = pd.DataFrame({"outcome": "o", "n": [np.nan] * 3, "events": [115, 856, 850]})
    found = mask_rows(table, LIMIT, n={"o": (1384.0,)}, events={"o": (115.0, 115.0, 860.0)})
    assert found["events"].isna().tolist() == [False, True, False]


def test_small_numbers_in_sentences():
    assert said("site Isle has only 3 patients", 5) == "site Isle has only fewer than 5 patients"
    assert said("imputed in 1 patient", 5) == "imputed in fewer than 5 patients"
    assert said("imputed in 1 patient", 0) == "imputed in 1 patient"
    assert said("a single patient has this label", 5) == "fewer than 5 patients have this label"
    assert (
        said("a site with one patient tells nothing", 5) == "a site with fewer than 5 patients tells nothing"
    )
    assert said("one patient alone has a value", 5) == "fewer than 5 patients have a value"
    assert said("a single patient has this label", 0) == "a single patient has this label"
    assert said("not assessed: 3 events, fewer than 5; flat", 5) == "not assessed: fewer than 5 events; flat"
    assert said("3 events, fewer than 10", 5) == "fewer than 5 events, fewer than 10"
    assert said("60 patients; knots at 3 places; 0 events", 5) == "60 patients; knots at 3 places; 0 events"


def test_numbers_that_leave_a_small_one_are_no_number_either():
    """78 of 80 without a value are two with one."""
    assert (
        said("a value is missing in 78 of 80 patients", 5)
        == "a value is missing in more than 75 of 80 patients"
    )
    assert said("only 3 of 6 patients", 5) == "only fewer than 5 of 6 patients"
    assert said("75 of 80 patients, 80 of 80 patients", 5) == "75 of 80 patients, 80 of 80 patients"
    assert said("missing in 78 of 80 patients", 0) == "missing in 78 of 80 patients"
    assert said("78 patients would be left, with 78 events", 5, (80, 120)) == (
        "more than 75 patients would be left, with 78 events"
    )
    assert said("116 patients, 80 patients", 5, (80, 120)) == "more than 115 patients, 80 patients"
    assert said("not assessed: 98 % missing, more than 40 %; 45 % missing", 5, (120, 80)) == (
        "not assessed: nearly all missing, more than 40 %; 45 % missing"
    )
    assert said("2 % missing; 7 % missing", 5, (80,)) == "few missing; 7 % missing"


def test_what_few_have_is_told_nowhere(tmp_path):
    """78 of 80 patients lack one feature and one covariate: no file says of how many."""
    rng = np.random.default_rng(8)
    ids = [f"P{i:02d}" for i in range(80)]
    rare = np.where(np.arange(80) < 2, [1.0, 2.0] * 40, np.nan)
    patients = pd.DataFrame(
        {"patient_id": ids, "age": rng.normal(60, 9, 80), "died": np.resize([0, 1, 1], 80)}
    )
    patients.assign(seldom=rare).to_csv(tmp_path / "patients.csv", index=False)
    features = pd.DataFrame({"patient_id": ids, "rv_a": rng.normal(size=80), "rv_rare": rare})
    features.to_csv(tmp_path / "features.csv", index=False)
    text = (
        '[study]\nname = "few"\nseed = 1\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n'
        'adjust_for = ["age"]\nadjust_more = ["seldom"]\n[features]\nfile = "features.csv"\n'
        '[[outcomes]]\nname = "death"\nkind = "binary"\ncolumn = "died"\n'
        "[analysis]\nreplicates = 0\npermutations = 0\nphenotypes = false\nsuppress_below = "
    )
    telling = re.compile(r"\b78\b|\b9[78](\.5)? ?%|\b0?\.97")
    found = []
    for limit in (0, 5):
        (tmp_path / "study.toml").write_text(f"{text}{limit}\n")
        result = discovery.run(tmp_path, out=tmp_path / f"out {limit}", workers=1)
        files = [
            result.folder / name for name in ("methods.md", "markers.csv", "associations.csv", "missing.csv")
        ]
        texts = [re.sub(r"0\.\d{4,}", "", path.read_text(encoding="utf-8")) for path in files]
        page = (result.folder / "index.html").read_text(encoding="utf-8")
        texts.append("; ".join(re.findall(r"missing in [^<;]*|[^<>; ]* % missing", page)))
        found.append(" ".join(texts))
    assert telling.search(found[0])
    assert not telling.search(found[1]), telling.search(found[1])
    assert "missing in more than 75 of 80 patients" in found[1]
    assert "nearly all missing" in found[1]


def test_a_run_without_sensitivity_analyses_is_masked_too(tmp_path):
    """Classes that are too small to be assessed leave that table without a column."""
    rng = np.random.default_rng(5)
    ids = [f"P{i:02d}" for i in range(12)]
    grade = ["I"] * 3 + ["II"] * 3 + ["III"] * 6
    pd.DataFrame({"patient_id": ids, "grade": grade}).to_csv(tmp_path / "patients.csv", index=False)
    pd.DataFrame({"patient_id": ids, "rv_a": rng.normal(size=12), "rv_b": rng.normal(size=12)}).to_csv(
        tmp_path / "features.csv", index=False
    )
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "few"\nseed = 1\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n'
        '[features]\nfile = "features.csv"\nid = "patient_id"\n'
        '[[outcomes]]\nname = "grade"\nkind = "ordinal"\ncolumn = "grade"\nlevels = ["I", "II", "III"]\n'
        "[analysis]\nreplicates = 0\npermutations = 0\nphenotypes = false\nsuppress_below = 5\n"
    )
    result = discovery.run(tmp_path, out=tmp_path / "out", workers=1)
    assert set(result.tables["markers"]["verdict"]) == {"not assessable"}


def sizes_that_explain(areas, most):
    """(n, cases) with which each of the `areas` is a whole number over 2 n1 n0, to the digits that it has."""
    step = 1e-9 if (np.abs(areas - np.round(areas, 3)) > 1e-9).any() else 0.005
    explained = []
    for n in range(most - 10, most + 1):
        for cases in range(10, n // 2 + 1):
            pairs = 2 * cases * (n - cases)
            if (np.abs(np.round(areas * pairs) / pairs - areas) < step).all():
                explained.append((n, cases))
    return explained


def plain_and_masked(folder, study):
    """What a run makes of the study whose tables stand in `folder`, by its limit, 0 or LIMIT."""
    found = {}
    for limit in (0, LIMIT):
        (folder / "study.toml").write_text(study + f"suppress_below = {limit}\n", encoding="utf-8")
        found[limit] = discovery.run(folder, out=folder / str(limit), workers=1).tables
    return found


def test_measures_of_a_ranking_do_not_tell_how_many_lack_the_outcome(tmp_path):
    rng = np.random.default_rng(13)
    n = 60
    ids = [f"p{k:02d}" for k in range(n)]
    known = pd.Series(rng.permutation(np.repeat([0, 1, -1], [31, 26, 3]))).astype("Int64").replace(-1, pd.NA)
    site = np.repeat(["u", "v"], n // 2)
    pd.DataFrame({"patient_id": ids, "site": site, "age": rng.normal(size=n), "y": known}).to_csv(
        tmp_path / "patients.csv", index=False
    )
    values = pd.DataFrame(rng.normal(size=(n, 6)), columns=[f"f{k}" for k in range(6)])
    values.assign(patient_id=ids).to_csv(tmp_path / "features.csv", index=False)
    study = (
        '[study]\nname = "few"\n[patients]\nfile = "patients.csv"\nid = "patient_id"\nsite = "site"\n'
        'adjust_for = ["age"]\n[features]\nfile = "features.csv"\nid = "patient_id"\n[[outcomes]]\n'
        'name = "y"\nkind = "binary"\ncolumn = "y"\n[analysis]\nreplicates = 0\npermutations = 0\n'
        "imputations = 0\nphenotypes = false\n"
    )
    found = plain_and_masked(tmp_path, study)
    plain, shared = (found[k]["markers"].dropna(subset="base_measure") for k in (0, LIMIT))
    areas = (plain["base_measure"] + plain["apparent_gain"]).to_numpy()
    assert sizes_that_explain(areas, n) == [(57, 26)]
    assert len(sizes_that_explain(shared["base_measure"].to_numpy(), n)) > 100
    columns = ("base_measure", "apparent_gain", "gain_random_folds", "gain_left_out_sites")
    kept = [shared[column] for column in columns] + [found[LIMIT]["leave_one_site_out"]["gain"]]
    for values in kept:
        assert values.notna().any()
        assert (values == values.round(2)).all()
    # 31 in the table of missing values and 26 in a text are 57 of 60
    missing = found[LIMIT]["missing"]
    sizes = missing.loc[(missing["by"] == "y") & (missing["variable"] == "age"), "n"].dropna()
    assert sizes.isin([31, 26]).any()
    for text in ("methods.md", "index.html"):
        words = (tmp_path / str(LIMIT) / text).read_text(encoding="utf-8")
        assert re.search(r"about 25 (?:positive )?cases", words), text
        assert not re.search(r"\b26 (?:positive )?cases|\b31 (?:patients|without)", words), text


def test_net_benefits_do_not_tell_the_share_of_events():
    """Those of all shares that are .38 in two digits are the same, and stay those of the rule."""
    threshold = np.arange(0.02, 0.6, 0.02)
    odds = threshold / (1 - threshold)
    shown = []
    for events, n in ((59, 157), (60, 157), (60, 158), (57, 150)):
        curves = pd.DataFrame(
            {"outcome": "y", "model": "everybody", "threshold": threshold, "share_above": 1.0,
             "net_benefit": events / n - (1 - events / n) * odds}
        )  # fmt: skip
        shown.append(coarse_net_benefit(pd.concat([curves, curves.assign(model="base model")])))
    for one in shown:
        pd.testing.assert_frame_equal(one, shown[0])
        everybody = one.loc[one["model"] == "everybody", "net_benefit"]
        np.testing.assert_allclose(everybody, 0.38 - 0.62 * odds, atol=1e-11)


def test_frozen_scales_do_not_tell_how_many_values_they_are_of(run):
    """A mean in full times their number is a sum of values as they are recorded, here of whole numbers."""
    masked, _, _, features = run
    frozen = read_frozen(masked.folder / "frozen.json")
    scale = next(each for each in frozen.features if each.name == "nodes")
    assert scale.sd > 0
    for value in (scale.mean, scale.sd):
        assert value == round(value, 2)
    assert scale.mean == pytest.approx(features["nodes"].clip(scale.low, scale.high).mean(), abs=0.006)
    assert all(term.mean == round(term.mean, 2) for o in frozen.outcomes for term in o.terms)


def test_scores_over_time_do_not_tell_single_events(run):
    """That of one risk for all is F (1 - F): in full the incidence, and with it every event."""
    scores = run[0].tables["prediction"]
    assert (scores["model"] == "everybody at one risk").any()
    for column in ("estimate", "ci_low", "ci_high"):
        known = scores[column].dropna()
        assert (known == known.round(2)).all()


def test_points_of_a_marker_that_some_lack_are_as_far_apart():
    """A receiver operating characteristic of 40 of 57 cases and 60 of 90 controls."""
    from discovery.association.roc_points import roc_points

    rng = np.random.default_rng(3)
    truth = rng.permutation(np.repeat([0.0, 1.0], [60, 40]))
    coarse = coarse_roc(roc_points(truth, {"a": truth + rng.normal(size=100)}), LIMIT, 57, 90)
    for column, size in (("tpr", 40), ("fpr", 60)):
        steps = np.diff(np.rint(coarse[column] * size))
        assert ((steps == 0) | (steps >= LIMIT)).all()


def test_areas_under_the_curve_do_not_tell_the_sizes_of_groups(tmp_path):
    """An area in full is a whole number over 2 n (N - n); with two digits many sizes n explain it."""
    rng = np.random.default_rng(12)
    n, names = 60, [f"f{k}" for k in range(6)]
    groups = rng.permutation(np.repeat(["a", "b", "rare"], [32, 25, 3]))
    ids = [f"p{k:02d}" for k in range(n)]
    values = rng.normal(size=(n, 6)) + 0.5 * (groups == "a")[:, None]
    pd.DataFrame({"patient_id": ids, "etiology": groups, "y": rng.normal(size=n)}).to_csv(
        tmp_path / "patients.csv", index=False
    )
    pd.DataFrame(values, columns=names).assign(patient_id=ids).to_csv(tmp_path / "features.csv", index=False)
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "few"\n[patients]\nfile = "patients.csv"\nid = "patient_id"\netiology = "etiology"\n'
        '[features]\nfile = "features.csv"\nid = "patient_id"\n[[outcomes]]\nname = "y"\n'
        'kind = "continuous"\ncolumn = "y"\n[analysis]\nreplicates = 0\npermutations = 0\n'
        "imputations = 0\nphenotypes = false\n"
        f"suppress_below = {LIMIT}\n",
        encoding="utf-8",
    )
    discovery.run(tmp_path, out=tmp_path / "out", workers=1)
    seen = 0
    for name in ("etiologies", "etiology_classes", "etiology_model"):
        table = pd.read_csv(tmp_path / "out" / f"{name}.csv")
        for column in [c for c in table if c.startswith("auc") or c == "pairwise_auc"]:
            known = table[column].dropna()
            assert (known == known.round(2)).all(), (name, column)
            seen += len(known)
        for column in {"log_loss", "log_loss_of_shares", "brier"} & set(table):
            assert (table[column] == table[column].round(2)).all(), column
        for column in {"sensitivity", "precision", "accuracy", "largest_class"} & set(table):
            assert table[column].isna().all(), (name, column)
    assert seen > 6
    # deviations sum to 0, and a difference beside a mean that is printed tells that of the three
    assert set(pd.read_csv(tmp_path / "out" / "etiologies.csv")["etiology"]) == {"a", "b"}
    pairs = pd.read_csv(tmp_path / "out" / "etiology_contrasts.csv")
    assert set(pairs["etiology"]) | set(pairs["against"]) == {"a", "b"}


def test_labels_of_few_are_taken_out_of_their_cells():
    cells = pd.Series(["a", "a;rare", "rare", None, "b", "b; a", "b"])
    assert without_rare(cells, 2).tolist() == ["a", "a;rare", "rare", None, "b", "b; a", "b"]
    assert without_rare(cells, 3).tolist() == ["a", "a", None, None, "b", "b;a", "b"]
    assert without_rare(cells, 0) is cells


def degrees_of_freedom(row):
    """The only ones with which estimate, 95 % interval and p of a t test go together."""
    half = (row.ci_high - row.ci_low) / 2

    def too_much(freedom):
        return 2 * stats.t.sf(abs(row.estimate) / half * stats.t.ppf(0.975, freedom), freedom) - row.p_value

    return brentq(too_much, 5, 1000, xtol=1e-9)


def printed_step(values):
    """The coarsest power of ten that `values` are whole numbers of; 1e-9 where they are in full."""
    steps = 10.0 ** np.arange(1, -9, -1)
    whole = [np.abs(np.round(values / step) - values / step).max() < 1e-6 for step in steps]
    return steps[np.argmax(whole)] if any(whole) else 1e-9


def explains(freedom, row):
    """Whether a t test with so many degrees of freedom may print the digits of `row`, p rounded upwards."""
    half = (row.ci_high - row.ci_low) / 2
    unit = printed_step(np.array([row.estimate, row.ci_low, row.ci_high]))
    least, most = (abs(row.estimate) + sign * unit / 2 for sign in (-1, 1))
    quantile = stats.t.ppf(0.975, freedom)
    high = 2 * stats.t.sf(max(least, 0) / (half + unit / 2) * quantile, freedom)
    low = 2 * stats.t.sf(most / (half - unit / 2) * quantile, freedom)
    power = 10.0 ** np.floor(np.log10(row.p_value))
    step = power * printed_step(np.array([row.p_value / power]))
    return low <= row.p_value and row.p_value - step <= high


def test_tests_by_t_do_not_tell_how_many_lack_a_value(tmp_path):
    rng = np.random.default_rng(21)
    n = 90
    ids = [f"p{k:02d}" for k in range(n)]
    values = pd.DataFrame(rng.normal(size=(n, 8)), columns=[f"f{k}" for k in range(8)])
    walk = pd.Series(300 + np.round(20 * values["f0"] + rng.normal(0, 30, n)))
    walk[[3, 40]] = np.nan
    values.loc[[7, 11, 60], "f1"] = np.nan
    kind = np.repeat(["x", "y", "z"], n // 3)
    pd.DataFrame({"patient_id": ids, "kind": kind, "walk": walk}).to_csv(
        tmp_path / "patients.csv", index=False
    )
    values.assign(patient_id=ids).to_csv(tmp_path / "features.csv", index=False)
    study = (
        '[study]\nname = "few"\n[patients]\nfile = "patients.csv"\nid = "patient_id"\netiology = "kind"\n'
        '[features]\nfile = "features.csv"\nid = "patient_id"\n[[outcomes]]\nname = "walk"\n'
        'kind = "continuous"\ncolumn = "walk"\n[analysis]\nreplicates = 0\npermutations = 0\n'
        "imputations = 0\nphenotypes = false\n"
    )
    found = plain_and_masked(tmp_path, study)
    for name, parameters, whole in (
        ("markers", 2, n - 2),
        ("etiologies", 3, n),
        ("etiology_contrasts", 3, n),
    ):
        plain, shared = (found[k][name].dropna(subset=["estimate", "p_value"]) for k in (0, LIMIT))
        freedom = np.array([degrees_of_freedom(row) for row in plain.itertuples()])
        lacking = np.where(plain["feature"] == "f1", 3, 0)
        np.testing.assert_allclose(freedom, whole - lacking - parameters, atol=1e-4)
        assert len(shared) == len(plain)
        assert not any(explains(freedom[0] - 1, row) for row in plain.itertuples() if row.feature == "f0")
        possible = range(n - 10 - parameters, n + 1 - parameters)
        for _, rows in shared.groupby("feature"):
            assert all(explains(freedom, row) for freedom in possible for row in rows.itertuples())
        assert (shared["p_value"].to_numpy() >= plain["p_value"].to_numpy()).all()
    shown = read_frozen(tmp_path / str(LIMIT) / "frozen.json").outcomes[0]
    assert (shown.mean, shown.sd) == (round(shown.mean, 1), round(shown.sd, 1))
    said_so = (tmp_path / str(LIMIT) / "methods.md").read_text(encoding="utf-8")
    assert "in full they would tell the degrees of freedom" in said_so
