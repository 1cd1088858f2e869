"""The methods text says what was run: each setting changes its words, in every combination."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import pytest

from discovery.figures.people import outcome_people
from discovery.report.methods_models import sensitivity_paragraphs
from discovery.report.methods_ranking import ranking_paragraphs
from discovery.report.methods_text import CAUTION, methods_markdown, methods_parts
from discovery.report.settings import ANALYSES

MULTIPLICITY = ("bh", "by", "storey", "selected-cells", "features-first", "holm")
KINDS = ("survival", "binary", "continuous", "ordinal", "multiclass", "count", "recurrent")


def text_of(made, **changes):
    return "\n".join(p for part in methods_parts(made.run_settings(**changes)) for p in part.paragraphs)


@pytest.mark.parametrize("multiplicity", MULTIPLICITY)
def test_every_combination_reads_as_whole_sentences(made, multiplicity):
    outcomes = made.run_settings().outcomes
    for winsor, shape, replicates, permutations, imputations, site, covariates, kind in itertools.product(
        (None, (0.01, 0.99)),
        ("linear", "flexible"),
        (0, 200),
        (0, 999),
        (0, 20),
        (None, "site"),
        ((), ("age",)),
        KINDS,
    ):
        some = ANALYSES if replicates else ANALYSES[::2]
        settings = made.run_settings(
            multiplicity=multiplicity,
            winsor=winsor,
            shape=shape,
            replicates=replicates,
            permutations=permutations,
            imputations=imputations,
            site=site,
            covariates=covariates,
            analyses=some if permutations else (),
            outcomes=(replace(outcomes[1], kind=kind),),
        )
        for part in methods_parts(settings):
            for text in part.paragraphs:
                assert text.endswith((".", ";")), text
                assert not re.search(r"None|nan\b|\{|\}|  |\.\.|,\s*,|\( ", text), text
                assert text[0].isupper() or part.heading == "Notes from the run"


@pytest.mark.parametrize(
    ("changes", "there", "gone"),
    [
        ({"winsor": None}, "without winsorising", "winsorised at"),
        ({"winsor": (0.025, 0.975)}, "2.5th and 97.5th percentiles", ""),
        ({"winsor": (0.02, 0.93)}, "2nd and 93rd percentiles", ""),
        ({"shape": "flexible"}, "restricted cubic spline", "taken as linear"),
        ({"replicates": 0}, "were not resampled", "bootstrap"),
        ({"replicates": 250}, "In 250 bootstrap samples", ""),
        ({"permutations": 0}, "No permutation p-value", "Freedman"),
        ({"imputations": 20}, "Rubin's rules", "no imputation"),
        ({"imputations": 0}, "same patients", "Rubin"),
        ({"site": None, "sites": 0}, "", "site as a fixed effect"),
        ({"covariates": ()}, "without covariates", "adjusted for age"),
        ({"multiplicity": "holm"}, "Holm's procedure", "Bogomolov"),
        ({"multiplicity": "by"}, "Yekutieli", "Bogomolov"),
        ({"fdr": 0.1}, "candidate: q at most 0.1", "q at most 0.05"),
        ({"analyses": ("shrinkage",)}, "empirical Bayes", "was not given"),
        ({"analyses": ("shrinkage",)}, "strong candidate: ", "not transport"),
        (
            {"analyses": ()},
            "“strong candidate” was not given: it needs the local false sign",
            "strong candidate:",
        ),
        ({"analyses": ()}, "", "empirical Bayes"),
        ({"analyses": ()}, "", "false sign rate at most"),
        ({"analyses": ("shrinkage",), "replicates": 0}, "needs resampled ranks", "strong candidate:"),
        ({"analyses": ("site checks",)}, "“does not transport across sites”", ""),
        ({"analyses": ("site checks",)}, "more than 0.02 above", ""),
        ({"analyses": ("stability",)}, "distinct_share", ""),
        ({"analyses": ("confirmed order",)}, "ranks beyond doubt", "distinct_share"),
        ({"analyses": ("confirmed order",)}, "Mogstad M, Romano JP", "Stephens"),
        ({"analyses": ()}, "", "ranks beyond doubt"),
        ({"analyses": ("stability",)}, "Shah RD, Samworth RJ", "Stephens"),
        ({"analyses": ("redundancy",)}, "redundant with that feature", ""),
        ({"analyses": ("redundancy", "shrinkage")}, "a sign that turns given the best feature", ""),
        ({"analyses": ("proportional hazards",)}, "Grambsch and Therneau 1994", "by period"),
        ({"analyses": ("proportional hazards", "by period")}, "is given by period", ""),
        ({"analyses": ("subdistribution",)}, "Fine and Gray (1999)", "Grambsch"),
        ({"analyses": ()}, "", "Fine and Gray"),
        ({"analyses": ("missing tests",)}, "tested by likelihood ratio against site and each outcome", ""),
        (
            {"analyses": ("missing tests", "joint etiologies")},
            "A patient with several etiologies counts in each of them",
            "",
        ),
        ({"analyses": ("few events",)}, "permutation p at most 0.05", ""),
        ({"analyses": ()}, "", "fewer than 30 events"),
        (
            {"analyses": ("etiologies",)},
            "deviation of an etiology from the equal-weight mean",
            "several labels",
        ),
        ({"analyses": ("etiologies",)}, "DeLong interval", ""),
        ({"analyses": ("etiologies", "joint etiologies")}, "patients carry several labels", "equal-weight"),
        ({"analyses": ("etiologies", "joint etiologies")}, "where these were fewer than 30", ""),
        ({"analyses": ("etiologies",)}, "equal-weight", "fewer than 30, the row"),
        ({"top": 4, "top_families": 1}, "among the first 4, for a family the first of the families", ""),
        (
            {"covariates": (), "site": None, "sites": 0},
            "not adjusted (the base model was empty)",
            "adjusted for",
        ),
        ({"covariates": (), "site": None, "sites": 0}, "the gain is that over chance", "and all feature"),
        ({}, "Schoenfeld 1983", ""),
        ({"replicates": 200, "analyses": ("shrinkage",)}, "suspected leak (alone it orders the outcome", ""),
        ({"seed": 7}, "seed 7;", ""),
        ({"notes": ("One site had no event.",)}, "One site had no event.", ""),
        ({"transforms": {"a": "log", "b": "log"}}, "log to 2 features", ""),
    ],
)
def test_a_setting_changes_its_words(made, changes, there, gone):
    text = text_of(made, **changes)
    assert there in text
    assert not gone or gone not in text


def test_residuals_are_said_to_be_permuted_within_sites_where_these_are_strata(made):
    """Where sites are fixed effects they are part of the predicted risk, whose neighbours change places."""
    survival, binary, _ = made.run_settings().outcomes
    said = "permuted{} among patients of like predicted risk{} against"
    for outcomes, before, after in (
        ((survival,), " within sites", ""),
        ((binary,), "", ""),
        ((survival, binary), "", " (survival: of one site too)"),
    ):
        assert said.format(before, after) in text_of(made, outcomes=outcomes)


def test_each_outcome_gets_its_model(made):
    survival, binary, continuous = made.run_settings().outcomes
    text = text_of(made)
    assert "Cox proportional hazards" in text
    assert "cause-specific hazard" in text
    assert "stratified by site" in text
    assert "logistic regression" in text
    assert "with site as a fixed effect" in text
    assert "Firth" in text
    assert "exact t interval" in text
    alone = text_of(made, outcomes=(replace(survival, competing={}, delayed_entry=True),))
    assert "delayed entry" in alone
    assert "cause-specific" not in alone
    assert "logistic" not in alone
    late = replace(survival, delayed_entry=True)
    for analyses in (("subdistribution", "sensitivity"), ()):
        assert ("Geskus" in text_of(made, outcomes=(late,), analyses=analyses)) == bool(analyses)
    assert "Geskus RB. Biometrics 2011" in text_of(made, outcomes=(late,), analyses=("subdistribution",))
    assert "Geskus" not in text_of(made, analyses=("subdistribution", "sensitivity"))
    both = text_of(made, analyses=("subdistribution",))
    assert "Its interval and p-value are by t" in both
    assert "Pan W, Wall MM" in both
    assert "Pan and Wall" not in alone
    plain = text_of(made, outcomes=(replace(binary, firth=False),), interval_kind="Wald")
    assert "95 % Wald interval" in plain
    assert "fewer than 20 patients in the rarer class for each coefficient" in plain
    assert "was fitted with Firth" in plain
    assert "Firth" not in text_of(made, outcomes=(continuous,))
    named = text_of(made, outcomes=(replace(continuous, model="quantile regression"),))
    assert "in quantile regression" in named


def test_one_outcome_says_that_selected_cells_are_plain(made):
    one = made.run_settings().outcomes[:1]
    assert "With a single outcome" in text_of(made, outcomes=one)
    assert "With a single outcome" not in text_of(made)
    assert "With a single outcome" not in text_of(made, outcomes=one, multiplicity="bh")


def test_markdown_holds_the_caution_and_makes_names_harmless(made):
    text = methods_markdown(
        made.run_settings(hostile=True, covariates=("<b>x</b>", "a_b*c", "[x](http://y)"))
    )
    assert CAUTION in text
    assert not re.search(r"(?<!\\)<", text)
    assert "a\\_b\\*c" in text
    assert "\\[x\\](http" in text


def test_versions_and_references_follow_the_run(made):
    text = methods_markdown(made.run_settings())
    assert "numpy 2.4.6" in text
    assert "Bogomolov M. J R Stat Soc B 2014" in text
    one = methods_markdown(made.run_settings(outcomes=made.run_settings().outcomes[:1]))
    assert "Bogomolov" not in one  # the two-step procedure is the one-step one
    assert "Hochberg Y. J R Stat Soc B 1995" in one
    both = methods_markdown(made.run_settings(analyses=("etiologies",)))
    assert both.count("Bogomolov M. J R Stat Soc B 2014") == 1
    assert "White IR" not in text
    assert "White IR" in methods_markdown(made.run_settings(imputations=5))


def test_the_banned_words_never_appear(made):
    for multiplicity in MULTIPLICITY:
        text = methods_markdown(made.run_settings(multiplicity=multiplicity)).lower()
        for banned in ("natural cluster", "distinct endotype", "discovered"):
            assert banned not in text


def test_gain_with_competing_events_is_named_by_its_pairs(made):
    competing = made.run_settings().outcomes[0]
    assert competing.competing
    text = text_of(made, outcomes=(competing,))
    assert "Wolbers et al. (2009)" in text
    assert "Wolbers M, et al." in text
    assert "Harrell" not in text
    plain = text_of(made, outcomes=(replace(competing, competing={}),))
    assert "Harrell's C" in plain
    assert "Wolbers" not in plain


def test_the_board_says_that_its_alternatives_impute_nothing(made):
    some = made.run_settings(imputations=33, adjust_more=("ventilation",), etiology=None)
    some = replace(some, analyses=(*some.analyses, "sensitivity"))
    text = " ".join(sensitivity_paragraphs(some))
    assert "adjusted for ventilation too" in text
    assert "the same model in the complete cases stands beside it" in text
    assert "complete cases stands" not in " ".join(sensitivity_paragraphs(replace(some, imputations=0)))


def test_outcomes_with_one_measure_of_gain_are_named_together(made):
    one = made.run_settings().outcomes[0]
    both = (replace(one, name="a", label="First", kind="binary", competing={}),
            replace(one, name="b", label="Second", kind="binary", competing={}))  # fmt: skip
    text = " ".join(ranking_paragraphs(replace(made.run_settings(replicates=200), outcomes=both)))
    assert "curve (First and Second)" in text


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_of_imputed_features_are_called_pooled(made, kind):
    outcomes = (replace(made.run_settings().outcomes[1], kind=kind),)
    said = "interval and p-value are pooled over the imputations instead"
    own = "Intervals of imputed features are of the variance between 100 bootstrap draws"
    assert (own if kind == "recurrent" else said) in text_of(made, imputations=20, outcomes=outcomes)
    for words in (said, own):
        assert words not in text_of(made, imputations=0, outcomes=outcomes)


def test_standard_errors_of_episodes_are_told_apart(made):
    outcomes = (replace(made.run_settings().outcomes[1], kind="recurrent"),)
    said = "The standard error of an imputed feature, in markers.csv and imputation.csv alike, is that of its"
    assert said in text_of(made, imputations=20, outcomes=outcomes)
    assert said not in text_of(made, imputations=20)


def test_median_follow_up_has_its_interval(made):
    first = made.run_settings().outcomes[0]
    assert "median follow-up 812 (95 % interval 745 to 861) days by the reverse" in text_of(made)
    open_end = replace(first, follow_up_limits=(745.0, math.nan), time_unit="")
    assert "follow-up 812 (95 % interval 745 to not reached) by" in text_of(made, outcomes=(open_end,))


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("multiclass", "For classes without an order it is the likelihood-ratio test over all classes"),
        ("recurrent", "For recurrent episodes it is Wald's test with errors robust by patient"),
    ],
)
def test_the_test_of_an_interaction_is_that_of_the_kind_of_outcome(made, kind, words):
    first = made.run_settings().outcomes[0]
    asked = {"analyses": ("effect modification",)}
    assert words in text_of(made, outcomes=(replace(first, kind=kind),), **asked)
    assert words not in text_of(made, outcomes=(replace(first, kind="binary"),), **asked)
    assert words not in text_of(made, outcomes=(replace(first, kind=kind),), analyses=())


@pytest.mark.parametrize(("kind", "said"), [("count", "61 events"), ("binary", "61 positive cases")])
def test_what_is_counted_is_called_after_the_outcome(made, kind, said):
    outcome = replace(made.run_settings().outcomes[1], kind=kind)
    assert f"236 patients analysed, {said}." in text_of(made, outcomes=(outcome,))
    assert outcome_people(outcome) == f"n = 236, {said.replace('positive ', '')}"
