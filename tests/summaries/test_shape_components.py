"""Shape components against scikit-learn's principal components, and what freezing must keep."""

from __future__ import annotations

import json

import numpy as np
import pytest
from sklearn.decomposition import PCA

from discovery.beats import measure
from discovery.problems import InputError
from discovery.summaries.shape import ShapeComponents, normalised_beat


@pytest.fixture(scope="module")
def beats():
    """Beats that vary along two known forms."""
    rng = np.random.default_rng(0)
    u = np.linspace(0, 1, 100)
    forms = np.stack([np.sin(np.pi * u), np.sin(2 * np.pi * u)]) / np.sqrt(50)
    return (
        np.sin(np.pi * u) ** 2
        + rng.normal(size=(60, 2)) * [3.0, 1.0] @ forms
        + rng.normal(0, 0.003, (60, 100))
    )


def test_components_and_variance_are_those_of_a_reference(beats):
    ours, reference = ShapeComponents(3).fit(beats), PCA(3).fit(beats)
    np.testing.assert_allclose(ours.explained_variance_ratio_, reference.explained_variance_ratio_, rtol=1e-8)
    np.testing.assert_allclose(np.abs(ours.components_), np.abs(reference.components_), atol=1e-7)
    scores = ours.transform(beats) * ours.score_sd_
    np.testing.assert_allclose(np.abs(scores), np.abs(reference.transform(beats)), atol=1e-7)


def test_known_forms_are_found_and_scores_are_standardised(beats):
    model = ShapeComponents().fit(beats)
    assert model.components_.shape[0] == 2
    u = np.linspace(0, 1, 100)
    assert abs(np.corrcoef(model.components_[0], np.sin(np.pi * u))[0, 1]) > 0.99
    scores = model.transform(beats)
    np.testing.assert_allclose(scores.std(axis=0, ddof=1), 1, rtol=1e-9)
    np.testing.assert_allclose(scores.mean(axis=0), 0, atol=1e-9)
    assert (model.components_[np.arange(2), np.abs(model.components_).argmax(axis=1)] > 0).all()


def test_frozen_components_give_the_same_scores(beats):
    model = ShapeComponents(2).fit(beats)
    again = ShapeComponents.from_dict(json.loads(json.dumps(model.to_dict())))
    np.testing.assert_array_equal(model.transform(beats), again.transform(beats))
    assert "patient" not in json.dumps(model.to_dict())
    with pytest.raises(InputError, match="version 99"):
        ShapeComponents.from_dict({"kind": "shape components", "version": 99})


def test_waveforms_to_draw_are_mean_plus_and_minus(beats):
    model = ShapeComponents(2).fit(beats)
    low, mean, high = model.waveforms(0)
    np.testing.assert_allclose((low + high) / 2, mean)
    np.testing.assert_allclose(model.transform(high[None])[0], [2, 0], atol=1e-9)
    np.testing.assert_allclose(model.inverse_transform([[2, 0]])[0], high)


def test_missing_beats_stay_missing_and_faults_are_named(beats):
    broken = beats.copy()
    broken[3, 5] = np.nan
    model = ShapeComponents(2).fit(broken)
    assert model.n_beats_ == 59
    assert np.isnan(model.transform(broken)[3]).all()
    for call, words in (
        (lambda: ShapeComponents().fit(beats[:2]), "at least 3"),
        (lambda: ShapeComponents(99).fit(beats[:20]), "from 1 to 19"),
        (lambda: model.transform(beats[:, :50]), "100 points"),
        (lambda: model.transform(beats[0]), "one beat a row"),
    ):
        with pytest.raises(InputError, match=words):
            call()


def test_a_normalised_beat_knows_neither_size_nor_zero_nor_rate(shared):
    import pandas as pd

    record = pd.read_csv(shared / "waveforms" / "published_model" / "pub03_pah_adapted.csv.gz")
    p = record["rvp"].to_numpy()
    first = normalised_beat(measure(p, 250.0, site="RV").ensembles[0])
    other = normalised_beat(measure(0.6 * p + 7, 250.0, site="RV").ensembles[0])
    np.testing.assert_allclose(first, other, atol=2e-3)
    assert first[0] == pytest.approx(0, abs=0.02)
    assert first.max() == pytest.approx(1, abs=0.01)
    assert np.isfinite(first).all()
