"""The first sentence of a replication: what came back, of which outcome, and what could not be asked."""

from __future__ import annotations

import pandas as pd
import pytest

from discovery.report.replication_page import (
    ReplicationRun,
    figure_caption,
    methods_sentences,
    replication_headline,
)

LABELS = {"death": "Death", "failure": "RV failure"}


@pytest.mark.parametrize(
    ("verdicts", "outcomes", "sentence"),
    [
        (
            ["replicated", "not replicated", "replicated, smaller than announced"],
            ["death", "death", "failure"],
            "2 of 3 frozen findings replicated: mark_0 for Death; mark_2 for RV failure.",
        ),
        (
            ["replicated", "contradicted"],
            ["death"] * 2,
            "1 of 2 frozen findings replicated: mark_0 for Death.",
        ),
        (["replicated"], ["death"], "The frozen finding replicated: mark_0 for Death."),
        (["not replicated"] * 2, ["death"] * 2, "None of 2 frozen findings replicated."),
        (["not replicated"], ["death"], "The one frozen finding did not replicate."),
        (["not assessable"] * 3, ["death"] * 3, "None of 3 frozen findings could be assessed here."),
        (["not assessable"], ["death"], "The one frozen finding could not be assessed here."),
        (
            ["not replicated", "not assessable"],
            ["death", "failure"],
            "None of 2 frozen findings replicated. One could not be assessed here.",
        ),
        (
            ["replicated", "not assessable", "not assessable"],
            ["death", "failure", "failure"],
            "1 of 3 frozen findings replicated: mark_0 for Death. 2 could not be assessed here.",
        ),
    ],
)
def test_the_first_sentence_of_a_replication(verdicts, outcomes, sentence):
    labels = [f"mark_{k}" for k in range(len(verdicts))]
    findings = pd.DataFrame({"verdict": verdicts, "outcome": outcomes, "label": labels})
    assert replication_headline(findings, LABELS) == sentence


def test_nothing_frozen_is_not_a_failure():
    assert replication_headline(pd.DataFrame(), LABELS).startswith("No finding was frozen")


@pytest.mark.parametrize(
    ("n", "start"),
    [([180, 200], "n = 180 to 200. "), ([200, 200], "n = 200. "), ([None, None], "")],
)
def test_the_caption_of_the_picture_says_n_and_model_but_no_masked_n(n, start):
    methods = ["Cox regression, likelihood-ratio test", "Cox regression, Firth penalty, profile interval"]
    findings = pd.DataFrame({"n": pd.array(n, dtype="Int64"), "method": methods})
    assert figure_caption(findings).startswith(
        f"{start}Cox regression, each finding by itself, in the base model"
    )


@pytest.mark.parametrize("completed", [True, False])
def test_patients_are_said_to_be_completed_only_from_what_was_written_down(completed):
    """A masked first cohort freezes no covariance, and a masked second one hides how many were imputed."""
    run = ReplicationRun(
        name="b", title="b", first="a", n_first=150, n_second=130, alpha=0.05, labels={}, remarks=(),
        problems=(), input_hashes={}, frozen_hash="", versions={}, completed=completed,
    )  # fmt: skip
    models = pd.DataFrame({"n_imputed": [float("nan")]})
    text = " ".join(methods_sentences(run, pd.DataFrame(), models, pd.DataFrame()))
    assert ("by their mean and covariance in the first cohort" in text) == completed
    assert ("judged in the patients who have all covariates" in text) != completed
