"""Who is alike, or the plain verdict that nobody is.

    from discovery.phenotypes import Phenotypes
    found = Phenotypes(seed=1).fit(features, site=site)      # DataFrame (n, p), NaN missing

The fitted object holds (n patients, p features that take part, d components, k groups):

verdict_        Verdict: word (one of `verdict.VERDICTS`), clearly_separated, text, groups, reasons
k_, sizes_      number of groups by the Gaussian null; patients in each, largest first (P1, P2, ...)
labels_         (n,) 0 to k - 1; -1 for a patient with under half of the features
scores_         (n, d) component scores; NaN rows where labels_ is -1 (see measured_, bool (n,))
probability_    (n, k) share of bootstrap solutions that put the patient in each group
patients_       the index of the features given
preparation_    Preparation: table (transform, low, high, mean, sd, family, weight), left_out, covariance
components_     Components: loadings (p, d), variance (all eigenvalues), ratio, kept
centres_        (k, d) in the component space; profile_ (k, p) mean z-score by group and feature
structure_      StructureTest: ks, silhouette, null and null_statistic by kind, p_value by kind, p_structure
separation_     SeparationTest: dip, p_group, p_separation, p_strict, scores (n measured, k) held out
stability_      Stability: jaccard, each (draws, k), words(), consensus() (n measured, n measured)
site_           SiteCheck or None: cramer_v, p_value, r2, p_r2, adjusted_rand after centring sites
axes_           one row a component: share, parallel_95, beyond_chance, congruence over resamples
comparison_     other ways to cut at the same k, with adjusted Rand index; None with compare=False
novelty_, vote_centres_, mixture_   what assignment needs

and does: predict, predict_proba, transform, assign (a table with "unlike anyone seen"), replicate (a second
cohort), embedding (UMAP, for drawing only), to_dict / from_dict (JSON, no patient rows).

`profiles.profile_table` describes the groups; with profile_test="null" each feature is also held against
cohorts without groups that were clustered the same way.
"""

from __future__ import annotations

from typing import Any

__all__ = ["Phenotypes"]


def __getattr__(name: str) -> Any:
    if name == "Phenotypes":  # scikit-learn is loaded only by those who look for groups
        from discovery.phenotypes.model import Phenotypes

        return Phenotypes
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
