"""The words for the search for groups and axes, as it was run."""

from __future__ import annotations

from discovery.report.settings import RunSettings, SearchRun

CUT = {"kmeans": "k-means", "ward": "Ward's linkage", "mixture": "a mixture of normals with full covariances"}
FAMILIES = {
    "declared": ", each declared family given the weight of one feature",
    "correlated": ", each family of correlated features given the weight of one",
    "none": "",
}


def phenotype_paragraphs(s: RunSettings) -> list[str]:
    """The search for groups; nothing where there was none."""
    if "phenotypes" not in s.analyses:
        return []
    search = s.search
    return [_search(s, search), _description(search)]


def _search(s: RunSettings, search: SearchRun) -> str:
    which = f"{search.features} features" if search.features else "all features"
    scale = "winsorised, z-scores" if s.winsor else "z-scores"
    if search.transforms:
        changed = "; ".join(f"{name}: {how}" for name, how in search.transforms.items())
        scale = f"{scale.replace('z-scores', 'transformed')} ({changed}), z-scores"
    centred = ", with the means of the sites taken out" if search.site_centred else ""
    tried = ", ".join(map(str, search.groups))
    text = (
        f"Groups of patients were sought among {which} ({scale}{FAMILIES[search.families]}, missing values "
        f"drawn from the multivariate normal distribution{centred}): principal components up to 85 % of the "
        f"variance, at most 10, then {CUT[search.method]} for {tried} groups. The silhouette is standardised "
        "by 199 cohorts without groups, of a normal distribution with the same covariance. The number of "
        "groups is the smallest that the best number does not beat by more than 95 % of those cohorts show "
        "between the two. The largest standardised silhouette tests for any structure, there and in 199 "
        "cohorts of a normal copula with the same margins; the larger p-value counts. Whether there is a gap "
        "between groups was tested by the dip (Hartigan and Hartigan 1985) of the margins of patients left "
        "out (distance from the nearest boundary with another group), against normal samples, three groups "
        "and more together by the sum of log p; where the cohort bends, or the groups lie turned against "
        "each other (permutation test of one covariance), two groups had to show the gap along the bend too, "
        "against uniform samples, and more groups against the cohort with its gaps filled by "
        "random moves; the p-value of this second test counts 2.5 times. Stability is the Jaccard index over "
        "100 bootstrap samples (Hennig 2007)."
    )
    if s.site and s.sites > 1:
        text += (
            " Groups that follow the sites, or vanish once site means are taken out, are called site-driven."
        )
    return text


def _description(search: SearchRun) -> str:
    text = (
        "Only groups that pass structure, gap and stability are called phenotypes. The features that made "
        "the groups are described by effect sizes and not tested; outcomes, which had no part in it, are "
        "tested as the features are. Continuous axes are the principal components, compared with shuffled "
        "features (Horn 1965) and with resamples, whose percentiles are the intervals of the correlations of "
        "features with the axes."
    )
    if search.rotation == "varimax":
        text += " The axes beyond chance were turned by varimax (Kaiser 1958), which leaves the groups alone."
    if search.profile_test == "null" and not search.site_centred:
        text = text.replace(
            "described by effect sizes and not tested;",
            "described by effect sizes; the share of each feature's variance between the groups was held "
            "against 199 cohorts of the normal copula without groups, cut the same way (Benjamini-Hochberg);",
        )
    return text
