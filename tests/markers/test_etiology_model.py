"""Telling etiologies apart: open data of known kinds, noise, and the measures against scikit-learn."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.markers.etiology_model import _sentence, calibration_slope, etiology_model, pairwise_auc


@pytest.fixture(scope="module")
def wine(dataset):
    table = dataset("wine.csv")
    table.index = [f"p{k}" for k in range(len(table))]
    kind = table.pop("class" if "class" in table else table.columns[-1]).astype(str).radd("kind ")
    return kind, table.select_dtypes("number").astype(float)


def test_wines_are_told_apart_as_published(wine):
    """Aeberhard, Coomans & de Vel 1992, from memory: discriminant analysis, one left out, 98.9 to 100 %."""
    kind, features = wine
    empty = pd.DataFrame(index=features.index)
    found = etiology_model(kind, empty, features, seed=1)
    overall = found.overall.set_index("model")
    assert overall.loc["covariates, site and features", "accuracy"] > 0.95
    assert overall.loc["covariates, site and features", "pairwise_auc"] > 0.99
    assert overall.loc["covariates and site", "pairwise_auc"] < 0.6
    assert found.confusion["n"].sum() == found.n == len(kind)
    assert "better than covariates" in found.sentence
    assert "no better" not in found.sentence
    assert "must not be read" not in found.sentence


def test_noise_tells_nothing_and_says_so():
    rng = np.random.default_rng(3)
    ids = [f"p{k}" for k in range(150)]
    kind = pd.Series(rng.choice(list("uvw"), 150), index=ids)
    features = pd.DataFrame(rng.normal(size=(150, 12)), index=ids, columns=[f"f{k}" for k in range(12)])
    found = etiology_model(kind, pd.DataFrame(index=ids), features, seed=2)
    table = found.overall.set_index("model").loc["covariates, site and features"]
    assert table["pairwise_auc"] == pytest.approx(0.5, abs=0.1)
    assert table["log_loss"] < table["log_loss_of_shares"] + 0.1
    assert (found.classes["auc_low"] < 0.62).all()
    assert (table["calibration_slope"] < 0.2) == ("must not be read as probabilities" in found.sentence)
    no_better = table["log_loss"] >= table["log_loss_of_shares"]
    assert no_better == ("no better than the shares of the etiologies" in found.sentence)
    assert no_better or table["calibration_slope"] < 0.2


def test_what_is_case_mix_of_the_sites_does_not_stand_when_sites_are_left_out():
    """Each site has its own device offset and its own mix: within no site do the features tell anything."""
    rng = np.random.default_rng(4)
    ids = [f"p{k}" for k in range(240)]
    site = pd.Series(np.repeat(list("abcd"), 60), index=ids)
    chance = site.map({"a": 0.8, "b": 0.6, "c": 0.4, "d": 0.2}).to_numpy()
    kind = pd.Series(np.where(rng.random(240) < chance, "u", "v"), index=ids)
    level = site.map({"a": 3.0, "b": 1.0, "c": 2.0, "d": 0.0}).to_numpy()
    features = pd.DataFrame({f"f{k}": level + rng.normal(size=240) for k in range(4)}, index=ids)
    found = etiology_model(kind, pd.DataFrame(index=ids), features, site=site, seed=2)
    overall = found.overall.set_index("model")["log_loss"]
    assert overall["covariates, site and features"] > overall["covariates and site"] - 0.02
    assert (found.classes["auc_site_left_out"] < 0.62).all()


def test_missing_features_several_labels_and_rare_etiologies(wine):
    kind, features = wine
    gaps = features.mask(np.random.default_rng(1).random(features.shape) < 0.1)
    labels = kind.copy()
    labels.iloc[:4] = ["rare"] * 4
    labels.iloc[4:9] = "kind 0;rare"
    found = etiology_model(labels, pd.DataFrame(index=gaps.index), gaps, seed=1)
    assert found.n == len(kind) - 9
    assert found.left_out == ("rare",)
    assert found.overall["accuracy"].max() > 0.85
    assert etiology_model(kind.head(12), pd.DataFrame(index=kind.index), features, seed=1) is None


def test_the_same_seed_gives_the_same_probabilities_with_any_number_of_workers(wine):
    kind, features = wine
    empty = pd.DataFrame(index=features.index)
    one, two = (etiology_model(kind, empty, features.iloc[:, :4], seed=5, workers=k) for k in (1, 2))
    pd.testing.assert_frame_equal(one.classes, two.classes)


def test_pairwise_auc_is_scikit_learns():
    from sklearn.metrics import roc_auc_score

    rng = np.random.default_rng(6)
    y, p = rng.integers(0, 4, 200), rng.dirichlet(np.ones(4), 200)
    assert pairwise_auc(y, p) == pytest.approx(roc_auc_score(y, p, multi_class="ovo", average="macro"))


def test_calibration_slope_finds_the_power_that_was_put_in():
    rng = np.random.default_rng(7)
    truth = rng.dirichlet(np.ones(3) * 2, 20_000)
    y = (truth.cumsum(axis=1) > rng.random((20_000, 1))).argmax(axis=1)
    sharpened = truth**2 / (truth**2).sum(axis=1, keepdims=True)
    assert calibration_slope(y, truth) == pytest.approx(1, abs=0.05)
    assert calibration_slope(y, sharpened) == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize(
    ("area", "said"), [(0.48, "do not tell them apart"), (0.62, "tell them apart better than")]
)
def test_what_is_no_better_than_chance_is_not_called_better(area, said):
    """A model that beats covariates alone may still tell nothing: an area of 0.5 is chance."""
    overall = pd.DataFrame(
        {
            "model": ["covariates, site and features", "covariates and site"], "pairwise_auc": [area, 0.46],
            "log_loss": [1.10, 1.11], "log_loss_of_shares": 1.12, "calibration_slope": 0.9,
        }
    )  # fmt: skip
    sentence = _sentence(overall, 150, 3)
    assert f"the features {said}" in sentence
    assert ("better than covariates" in sentence) == (area > 0.5)
