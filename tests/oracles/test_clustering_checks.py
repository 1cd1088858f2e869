"""The clustering rows of statistical_checks.csv, each through our own functions."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import adjusted_rand_score, calinski_harabasz_score

from discovery.kernels.kmeans import kmeans
from discovery.phenotypes.cluster import cut, mean_silhouettes, mixture, ward, ward_tree
from discovery.phenotypes.gower import gower_dissimilarity
from discovery.phenotypes.reduce import component_counts, learn_components


@pytest.fixture(scope="module")
def iris(dataset):
    table = dataset("iris.csv")
    return table.drop(columns="class").to_numpy(float), table["class"].to_numpy()


def best(x, k, starts=60):
    return kmeans(np.ascontiguousarray(x.T), k, np.random.default_rng(1).random((starts, k)))


def standardised(x):
    return (x - x.mean(axis=0)) / x.std(axis=0, ddof=1)


def near(found, row):
    np.testing.assert_allclose(np.asarray(found, float), row["expected"], rtol=0, atol=row["tolerance"])


def test_cl01_kmeans_of_iris(check, iris):
    x, species = iris
    labels, _, inertia = best(x, 3)
    near(
        [inertia, adjusted_rand_score(species, labels), calinski_harabasz_score(x, labels)],
        check("CL01"),
    )


def test_cl02_silhouettes_of_iris(check, iris):
    labels = np.array([best(iris[0], k)[0] for k in (2, 3)])
    near(mean_silhouettes(iris[0], labels), check("CL02"))


def test_cl03_kmeans_of_standardised_iris(check, iris):
    labels, _, inertia = best(standardised(iris[0]), 3)
    near([inertia, adjusted_rand_score(iris[1], labels)], check("CL03"))


def test_cl04_components_of_iris(check, iris):
    found = learn_components(iris[0], exactly=4)
    near([*found.variance, *found.ratio], check("CL04"))


def test_cl05_components_of_wine_and_how_many(check, dataset):
    x = standardised(dataset("wine.csv").drop(columns="class").to_numpy(float))
    found = learn_components(x)
    near([*found.ratio, *component_counts(found.variance).values()], check("CL05"))


def test_cl06_ward_of_iris(check, iris):
    heights = ward_tree(iris[0])[-3:, 2]
    near([*heights, adjusted_rand_score(iris[1], ward(iris[0], [3])[0])], check("CL06"))


def test_cl07_mixture_of_iris(check, iris):
    found = mixture(iris[0], 3, np.random.default_rng(1))
    near([found.score(iris[0]) * len(iris[0]), found.bic(iris[0])], check("CL07"))


def test_cl08_gower(check):
    row = check("CL08")
    table = pd.DataFrame(json.loads(row["dataset_or_inputs"]))
    near(gower_dissimilarity(table)[np.triu_indices(len(table), 1)], row)


def test_cl09_kmeans_of_biopsies(check, dataset):
    table = dataset("wdbc.csv")
    truth = table["malignant"].to_numpy()
    x = standardised(table.drop(columns="malignant").to_numpy(float))
    labels = cut(x, 2, np.random.default_rng(1), method="kmeans", starts=20)
    agree = int((labels == truth).sum())
    near(
        [adjusted_rand_score(truth, labels), np.bincount(labels).min(), max(agree, len(x) - agree)],
        check("CL09"),
    )
