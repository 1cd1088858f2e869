"""Which features differ between the groups more than clustering alone makes them.

Groups are cut where the features differ, so a test that forgets this calls most features different in a
cohort without any groups. Here each feature is held against what the same clustering makes of it in cohorts
without groups: a normal copula with the correlations and margins of the cohort, cut into as many groups.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.phenotypes.cluster import cut
from discovery.phenotypes.filling import Filling
from discovery.phenotypes.reduce import learn_components
from discovery.phenotypes.structure import NullCohorts
from discovery.problems import InputError, Problem
from discovery.seeds import named_rng

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes

DRAWS = 199
NULL_NOTE = "made the groups: p against cohorts without groups, clustered the same way"


def null_profile_table(
    found: Phenotypes, features: pd.DataFrame, *, draws: int = DRAWS, workers: int = 1
) -> pd.DataFrame:
    """One row a feature: feature, between (share of its variance that lies between the groups, of complete
    z-scores), between_null (median over the draws), p_null, q_null (Benjamini-Hochberg).

    found : fitted on `features` (n, p), and not with `site_centred`
    draws : cohorts without groups; each is clustered from the components on

    On normal and skewed cohorts without groups at most about .05 of the features have p at or below .05; more
    (.15 in the project's notes) where a curved continuum is cut, since a copula has no bends.

    Raises
    ------
    InputError : fewer than 19 draws, other patients than the model was fitted on, or a site-centred model.
    """
    from joblib import Parallel, delayed
    from threadpoolctl import threadpool_limits

    from discovery.association.multiplicity import benjamini_hochberg

    problems = []
    if draws < 19:
        problems.append(Problem(file="draws", found=str(draws), wanted="19 or more"))
    if len(features) != len(found.labels_):
        wanted = f"the {len(found.labels_)} patients of the fit"
        problems.append(Problem(file="features", found=f"{len(features)} patients", wanted=wanted))
    if found.site_centred:
        wanted = "False for a test of profiles"
        problems.append(Problem(file="site_centred", found="True", wanted=wanted))
    if problems:
        raise InputError(problems)
    z = found.preparation_.scaled(features)[found.measured_]
    filling = Filling(np.isnan(z), found.preparation_.covariance)
    full = filling.expected(z)
    cohorts = NullCohorts(full, "copula", filling)
    observed = between_share(full, found.labels_[found.measured_], found.k_)

    def one(draw: int) -> np.ndarray:
        rng = named_rng(found.seed, "phenotypes", "profiles", draw)
        drawn = cohorts.draw(rng)
        x = drawn * found.preparation_.weight
        scores = learn_components(x, variance=found.variance, most=found.most_components).scores(x)
        labels = cut(scores, found.k_, rng, method=found.method, starts=found.starts)
        return between_share(drawn, labels, found.k_)

    with threadpool_limits(1):
        null = np.array(Parallel(n_jobs=workers, prefer="threads")(delayed(one)(d) for d in range(draws)))
    p = (1 + (null >= observed).sum(axis=0)) / (draws + 1)
    return pd.DataFrame(
        {
            "feature": found.preparation_.names,
            "between": observed,
            "between_null": np.median(null, axis=0),
            "p_null": p,
            "q_null": benjamini_hochberg(p),
        }
    )


def between_share(z: np.ndarray, labels: np.ndarray, k: int) -> np.ndarray:
    """Share (p,) of the variance of each column of z (n, p) that lies between the groups `labels` (n,).

    It orders features as the F statistic of an analysis of variance does.
    """
    member = np.eye(k)[labels]
    size = np.maximum(member.sum(axis=0), 1.0)
    away = z - z.mean(axis=0)
    between = ((member.T @ away) ** 2 / size[:, None]).sum(axis=0)
    total = (away**2).sum(axis=0)
    return between / np.where(total > 0, total, 1.0)
