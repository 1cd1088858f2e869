"""What `check` and `run` say of outcomes that a run would not test."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.cli.main import main
from discovery.problems import InputError

OUTCOMES = {
    "nyha": 'kind = "ordinal"\ncolumn = "nyha"',
    "cause": 'kind = "multiclass"\ncolumn = "cause"',
    "visits": 'kind = "count"\ncolumn = "visits"',
    "stays": 'kind = "recurrent"\nfile = "stays.csv"\ntime = "day"\nfollowup = "days"',
    "responder": 'kind = "binary"\ncolumn = "responder"',
    "walk": 'kind = "continuous"\ncolumn = "walk"',
    "death": 'kind = "survival"\ntime = "time"\nstatus = "died"\nevent = 1',
}
KINDS = {"visits": "count", "stays": "recurrent"}


@pytest.fixture
def folder(tmp_path, study_text):
    """Write a study of 60 patients with some of the outcomes; `change` may alter the patient table."""

    def write(*names: str, change=lambda patients: None):
        rng = np.random.default_rng(3)
        n = 60
        patients = pd.DataFrame(
            {
                "patient_id": [f"P{k:02d}" for k in range(n)],
                "age": rng.normal(60, 10, n).round(1),
                "nyha": np.resize([1, 2, 3], n),
                "cause": np.resize(["a", "b", "c"], n),
                "visits": rng.poisson(2, n),
                "days": 400,
                "responder": np.resize([0, 1, 0], n),
                "walk": rng.normal(400, 80, n).round(),
                "time": np.arange(1, n + 1),
                "died": np.resize([1, 0], n),
            }
        )
        change(patients)
        patients.to_csv(tmp_path / "patients.csv", index=False)
        stays = pd.DataFrame({"patient_id": patients["patient_id"][:30], "day": rng.integers(1, 300, 30)})
        stays.to_csv(tmp_path / "stays.csv", index=False)
        features = pd.DataFrame(rng.normal(size=(n, 3)), columns=["f1", "f2", "f3"])
        features.insert(0, "patient_id", patients["patient_id"])
        features.to_csv(tmp_path / "features.csv", index=False)
        outcomes = "".join(f'\n[[outcomes]]\nname = "{name}"\n{OUTCOMES[name]}\n' for name in names)
        (tmp_path / "study.toml").write_text(study_text(outcomes, replicates=0, permutations=0))
        return tmp_path

    return write


def doubts(folder) -> list[str]:
    return [problem.sentence() for problem in discovery.check(folder).warnings]


def untested(name: str) -> str:
    return (
        f"study.toml: found '{KINDS[name]}'; the outcome '{name}' is described, not tested: "
        "no model for this kind yet"
    )


@pytest.fixture
def without_models(monkeypatch):
    """As if there were no model for counts and recurrent episodes."""
    import discovery.association.kinds as kinds
    import discovery.markers.table  # noqa: F401  (keeps the kinds it is first loaded with)

    left = tuple(kind for kind in kinds.SCREENED_KINDS if kind not in KINDS.values())
    monkeypatch.setattr(kinds, "SCREENED_KINDS", left)


def test_every_kind_has_a_model(folder):
    assert doubts(folder(*OUTCOMES)) == []


def test_a_kind_without_a_model_is_named(folder, without_models):
    assert doubts(folder(*OUTCOMES)) == [untested(name) for name in KINDS]


def test_without_an_outcome_to_test_check_says_that_run_refuses_and_it_does(folder, without_models, capsys):
    study = folder("stays", "visits")
    assert main(["check", str(study)]) == 0
    said = capsys.readouterr().err
    for name in ("stays", "visits"):
        assert untested(name) in said
    assert "found 'stays (recurrent), visits (count)'; `discovery run` would refuse this study" in said
    assert main(["run", str(study), "--out", str(study / "out")]) == 2
    assert (
        "a run needs an outcome of one of the kinds survival, binary, continuous, ordinal"
        in capsys.readouterr().err
    )
    assert not (study / "out").exists()
    assert "found 'no outcome'; `discovery run` would refuse" in doubts(folder())[0]


def test_run_says_what_it_does_not_test_on_the_terminal_and_first_in_the_report(
    folder, without_models, capsys
):
    study = folder("responder", "visits")
    assert main(["run", str(study), "--out", str(study / "out"), "--quiet"]) == 0
    assert untested("visits") in capsys.readouterr().err
    page = (study / "out" / "index.html").read_text(encoding="utf-8")
    short = page[page.index('<section id="short"') :]
    short = short[: short.index("</section>")]
    assert "visits (count) is described, not tested: there is no model for this kind of outcome yet." in short
    assert "visits (count) is described, not tested" in (study / "out" / "methods.md").read_text(
        encoding="utf-8"
    )


def test_too_few_events_are_said_with_what_follows(folder):
    def nine(patients):
        patients["responder"] = (np.arange(60) < 9).astype(int)

    assert doubts(folder("responder", change=nine)) == [
        "patients.csv, column 'responder'; only 9 patients in the smaller class for 'responder': too few to "
        "fit any regression: no feature will be tested"
    ]


def test_too_few_among_the_complete_patients_are_said(folder):
    def hidden(patients):
        patients["responder"] = (np.arange(60) < 14).astype(int)
        patients.loc[:4, "age"] = np.nan

    imputed = folder("responder", "walk", change=hidden)
    assert len(doubts(imputed)) == 1
    tested = discovery.run(imputed, out=imputed / "out").tables["markers"]
    assert "not assessable" not in set(tested["verdict"])
    said = doubts(complete_cases(folder("responder", "walk", change=hidden)))
    assert len(said) == 2
    assert "a value is missing in 5 of 60 patients" in said[0]
    assert said[1] == (
        "study.toml: found '9'; the outcome 'responder' has too few patients in the rarer class to fit any "
        "regression: no feature will be tested (left out: covariate age is missing: 5)"
    )
    study = complete_cases(folder("responder", change=hidden))
    markers = discovery.run(study, out=study / "out").tables["markers"]
    assert set(markers["verdict"]) == {"not assessable"}


def test_a_covariate_that_too_many_lack_is_not_taken_to_be_imputed(folder):
    """Missing in 36 of 60 it is not imputed, and the other 24 patients have 8 responders."""

    def hidden(patients):
        patients.loc[:35, "age"] = np.nan

    study = folder("responder", change=hidden)
    said = doubts(study)
    assert said[-2] == (
        "study.toml, column 'adjust_for'; 'age' is missing in 36 of 60 patients with the outcome "
        "'responder': in more than 40 % it is not imputed, and those without it are left out of all adjusted "
        "models; leave it out of adjust_for to keep them"
    )
    assert said[-1].startswith("study.toml: found '8'; the outcome 'responder' has too few patients in the")
    assert set(discovery.run(study, out=study / "out").tables["markers"]["verdict"]) == {"not assessable"}


def test_a_base_model_without_a_fit_is_said_and_the_other_outcomes_are_tested(folder):
    def empty(patients):
        patients["age"] = np.where(np.arange(60) % 6 == 0, 50.0, 70.0)
        patients.loc[patients["age"] == 50, "visits"] = 0

    study = folder("visits", "walk", change=empty)
    why = (
        "the base model has no stable fit (fewer adjust_for covariates, or more patients with a count, are "
        "wanted)"
    )
    assert doubts(study) == [f"study.toml; the outcome 'visits': {why}: no feature will be tested"]
    result = discovery.run(study, out=study / "out")
    markers = result.tables["markers"].set_index("outcome")["p_value"]
    assert markers["visits"].isna().all()
    assert markers["walk"].notna().all()
    assert result.headlines[0] == f"visits: No feature could be tested against this outcome: {why}."


def test_nobody_left_to_analyse_is_a_problem_of_the_input(folder):
    def apart(patients):
        patients.loc[:29, "age"] = np.nan
        patients.loc[30:, "walk"] = np.nan

    study = folder("walk", change=apart)
    with pytest.raises(InputError, match="no patient left to analyse") as caught:
        discovery.check(study)
    assert str(caught.value).endswith(
        "(outcome is missing: 30; covariate age is missing: 30); covariates are imputed only beside "
        "patients who have them all: without 'age' in adjust_for 30 patients would be left"
    )
    beside = [problem.sentence() for problem in caught.value.warnings]
    assert beside[0] == "patients.csv, column 'age'; a value is missing in 30 of 60 patients"
    with pytest.raises(InputError, match="no patient left to analyse"):
        discovery.run(study, out=study / "out")


def with_base_model(study, keys: str):
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(text.replace('adjust_for = ["age"]', keys))
    return study


def test_where_nobody_has_all_covariates_the_fewest_to_leave_out_are_named(folder):
    """Without `walk` the half with an age is left, without `visits` nobody more."""

    def apart(patients):
        patients.loc[:29, "age"] = np.nan
        patients.loc[25:, "walk"] = np.nan
        patients.loc[:4, "visits"] = np.nan

    study = with_base_model(folder("responder", change=apart), 'adjust_for = ["age", "walk", "visits"]')
    with pytest.raises(InputError, match="no patient left") as caught:
        discovery.check(study)
    assert str(caught.value).endswith("without 'walk' in adjust_for 30 patients would be left")
    with pytest.raises(InputError) as caught:
        discovery.check(complete_cases(study))
    assert "are imputed" not in str(caught.value)


def test_where_sites_fall_silent_among_the_complete_the_covariate_to_leave_out_is_named(folder):
    def silent(patients):
        patients["cause"] = np.resize(["a", "b"], 60)
        patients["responder"] = np.repeat([0, 1], 30)
        patients.loc[(patients["cause"] == "a") == (patients["responder"] == 1), "age"] = np.nan

    study = with_base_model(folder("responder", change=silent), 'adjust_for = ["age"]\nsite = "cause"')
    with pytest.raises(InputError, match="cannot speak on a feature") as caught:
        discovery.check(study)
    assert str(caught.value).endswith("without 'age' in adjust_for 60 patients would be left")


def few_complete(complete: int):
    """Everybody but the last `complete` lacks one of three covariates, each missing in a third or so."""

    def change(patients):
        patients["visits"] = patients["visits"].astype(float)
        for third, name in enumerate(("age", "visits", "time")):
            rows = np.arange(60) % 3 == third
            patients.loc[rows & (np.arange(60) < 60 - complete), name] = np.nan

    return change


def test_terms_that_too_few_complete_patients_lose_are_said_and_lost(folder):
    """The last three have the same number of visits."""
    keys = 'adjust_for = ["age", "visits", "time"]'
    study = with_base_model(folder("walk", change=few_complete(3)), keys)
    said = [doubt for doubt in doubts(study) if "have all covariates" in doubt]
    assert len(said) == 1
    assert "only 3 of 60 patients with the outcome 'walk' have all covariates: curves" in said[0]
    assert "frozen for a second cohort do without 'visits': without " in said[0]
    assert said[0].endswith("in adjust_for 22 patients would be left")
    discovery.run(study, out=study / "out")
    frozen = json.loads((study / "out" / "frozen.json").read_text())["outcomes"][0]
    assert [term["name"] for term in frozen["terms"]] == ["age", "time"]
    enough = with_base_model(folder("walk", change=few_complete(30)), keys)
    assert not [doubt for doubt in doubts(enough) if "have all covariates" in doubt]


def test_one_patient_with_all_covariates_is_a_problem_of_the_input(folder):
    study = complete_cases(
        with_base_model(folder("walk", change=few_complete(1)), 'adjust_for = ["age", "visits", "time"]')
    )
    with pytest.raises(
        InputError, match="two patients or more with all covariates are wanted for 'walk': without"
    ):
        discovery.check(study)


def complete_cases(study):
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(text.replace("replicates = 0", "replicates = 0\nimputations = 0"))
    return study


def early_deaths(patients, last: int):
    """Everybody who dies does so at time 0, but for some, whose age is not known."""
    patients.loc[(patients["died"] == 1) & (np.arange(60) < last), "time"] = 0
    patients.loc[last:, "age"] = np.nan


def test_events_at_time_0_alone_among_the_complete_patients_are_a_problem_of_the_input(folder):
    study = complete_cases(folder("death", change=lambda patients: early_deaths(patients, 50)))
    with pytest.raises(InputError, match="an event after time 0 is wanted for 'death' among those with"):
        discovery.check(study)


def test_where_most_events_are_at_time_0_predictions_are_judged_later(folder):
    study = folder("death", change=lambda patients: early_deaths(patients, 52))
    result = discovery.run(study, out=study / "out")
    assert (result.tables["survival"]["part"] == "restricted mean").any()
    frozen = json.loads((study / "out" / "frozen.json").read_text())["outcomes"][0]
    assert frozen["horizon"] == pytest.approx(np.quantile([53, 55, 57, 59], 0.9))


def test_the_summary_counts_in_words(folder):
    summary = discovery.check(folder(*OUTCOMES)).summary
    assert summary[0] == "small: 60 patients, 3 features"
    assert "outcome nyha (ordinal): 60 patients: 1 20, 2 20, 3 20" in summary
    assert "outcome responder (binary): 60 patients, 20 with the outcome" in summary
    assert "outcome stays (recurrent): 60 patients, 30 events" in summary
    assert summary[-1] == "no warning; no problem stands in the way"
    features = folder("walk") / "features.csv"
    table = pd.read_csv(features)
    table.assign(note="text", old=table["f1"].round()).to_csv(features, index=False)
    assert "1 column is not used as a feature: note" in discovery.check(features.parent).summary
    table.assign(note="text", more="text").to_csv(features, index=False)
    assert "2 columns are not used as features: note and more" in discovery.check(features.parent).summary
    assert discovery.check(features.parent).summary[-1] == "no warning; no problem stands in the way"


def test_check_masks_the_counts_that_a_run_masks(folder, capsys):
    """On the terminal, in warnings and summary; the study that a run goes on with keeps its own."""

    def few(patients):
        patients.loc[:2, "age"] = np.nan
        patients.loc[:1, "walk"] = np.nan
        patients["cause"] = np.where(patients.index < 3, "rare", patients["cause"])
        patients["died"] = np.where(patients.index < 57, 1, 0)
        patients["responder"] = np.where(patients.index < 4, 1, 0)

    study = folder("cause", "responder", "walk", "death", "nyha", change=few)
    plain = discovery.check(study)
    assert "outcome responder (binary): 60 patients, 4 with the outcome" in plain.summary
    text = (study / "study.toml").read_text()
    assert "[analysis]\n" in text
    (study / "study.toml").write_text(text.replace("[analysis]\n", "[analysis]\nsuppress_below = 5\n"))
    checked = discovery.check(study)
    said = [line for line in checked.summary if line.startswith("outcome")]
    assert said == [
        "outcome cause (multiclass): 60 patients: a about 20, b about 20, c about 20, rare fewer than 5",
        "outcome responder (binary): 60 patients, fewer than 5 with the outcome",
        "outcome walk (continuous): about 60 patients",
        "outcome death (survival): 60 patients, about 55 events",
        "outcome nyha (ordinal): 60 patients: 1 about 20, 2 about 20, 3 about 20",
    ]
    doubts = "\n".join(problem.sentence() for problem in checked.warnings)
    assert "a value is missing in fewer than 5 of 60 patients" in doubts
    assert "the outcome 'walk' is not known for fewer than 5 of 60 patients" in doubts
    assert "only fewer than 5 patients have this class of 'cause'" in doubts
    assert not re.search(r"\b[1-4] (?:of 60 )?(?:patients?|events?)\b", doubts)
    assert [p.wanted for p in checked.study.warnings] == [p.wanted for p in plain.warnings]
    assert main(["check", str(study)]) == 0
    told = capsys.readouterr()
    assert "about 55 events" in told.out
    assert "fewer than 5 of 60 patients" in told.err


def test_a_name_to_freeze_that_is_no_feature_is_refused_before_any_work(root, tmp_path):
    import discovery
    from discovery.problems import InputError

    text = (root / "cohorts" / "rotterdam" / "study.toml").read_text()
    for name in ("patients.csv", "features.csv", "labels.csv"):
        text = text.replace(f'"{name}"', f'"{root}/cohorts/rotterdam/{name}"')
    (tmp_path / "study.toml").write_text(text + '\n[analysis]\nfreeze = ["nodes", "pgrr"]\n')
    with pytest.raises(InputError, match="did you mean 'pgr'"):
        discovery.run(tmp_path / "study.toml", out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_suspected_leak_is_flagged_in_the_table_on_the_page_and_on_the_terminal(folder):
    study = folder("responder", "walk")
    features = pd.read_csv(study / "features.csv")
    responder = pd.read_csv(study / "patients.csv")["responder"]
    features.assign(score=features["f1"] + 9 * responder).to_csv(study / "features.csv", index=False)
    result = discovery.run(study, out=study / "out")
    markers = pd.read_csv(study / "out" / "markers.csv").set_index(["outcome", "feature"])
    flags = markers["flags"].fillna("")
    assert flags["responder", "score"].startswith(
        "suspected leak: alone it all but reproduces the outcome (AUC"
    )
    assert markers.loc[("responder", "score"), "note"].startswith("separates the outcome: completely, every")
    assert not flags.drop(("responder", "score")).str.contains("suspected|separates").any()
    assert "Beware of score: it tells the outcome so well" in result.headlines[0]
    assert "Beware" not in result.headlines[1]
    assert "Beware of score" in (study / "out" / "index.html").read_text(encoding="utf-8")


def test_a_suspected_leak_is_frozen_and_in_a_signature_only_where_the_study_names_it(folder):
    """What is kept back is said on the terminal and in the report, with why."""
    study = folder("responder", "walk")
    features, patients = (pd.read_csv(study / f"{name}.csv") for name in ("features", "patients"))
    features["score"] = features["f1"] + 9 * patients["responder"]
    features["paced"] = patients["walk"] + 5 * features["f2"]
    features["fit"] = patients["walk"] / 40 + features["f3"] * 3
    features.to_csv(study / "features.csv", index=False)
    text = (study / "study.toml").read_text().replace("replicates = 0", "replicates = 30")
    kept = "is not written to frozen.json; a second cohort tests such a feature only if the study file names"
    why = [
        f"responder: score, a suspected leak, {kept} it in freeze",
        f"walk: paced, a suspected leak, {kept} it in freeze",
    ]
    for names, found, leads in (
        ([], [[], ["fit"]], "fit"),
        (["score", "paced"], [["score", "paced"], ["paced", "score"]], "paced"),
    ):
        (study / "study.toml").write_text(
            text.replace("[analysis]", f"[analysis]\nfreeze = {json.dumps(names)}")
        )
        result = discovery.run(study, out=study / "out")
        outcomes = json.loads((study / "out" / "frozen.json").read_text())["outcomes"]
        assert [[one["feature"] for one in outcome["candidates"]] for outcome in outcomes] == found
        terms = pd.read_csv(study / "out" / "signature.csv").query("role == 'marker'")
        signed = list(terms.loc[terms["outcome"] == "walk", "term"])
        assert signed[0] == leads
        assert ("paced" in signed) == bool(names)
        assert "score" not in set(terms.loc[terms["outcome"] == "responder", "term"])
        assert outcomes[1]["signature"]["markers"] == signed
        judged = pd.read_csv(study / "out" / "signature_performance.csv").set_index(["outcome", "model"])[
            "note"
        ]
        assert (judged["walk", "signature"] == "no part in the search: paced (suspected leak)") == (not names)
        assert [remark for remark in result.remarks if "frozen" in remark] == ([] if names else why)
        page = (study / "out" / "index.html").read_text(encoding="utf-8")
        assert ("walk: paced, a suspected leak, is not written to frozen.json" in page) == (not names)
        assert ("paced is a suspected leak and had no part in the search" in page) == (not names)
    assert "Held under every alternative: score (suspected leak, separates the outcome)." in page
