"""The words for a search for groups, and why each was chosen."""

from __future__ import annotations

from dataclasses import dataclass

from discovery.phenotypes.site_check import SiteCheck
from discovery.phenotypes.stability import STABLE

NO_GROUPS = "no evidence of groups; report continuous axes"
CONTINUUM = "a continuum cut into strata"
UNSTABLE = "separated but unstable"
SITE_DRIVEN = "site-driven"
SUPPORTED = "supported phenotypes"
REPLICATED = "replicated phenotypes"
VERDICTS = (NO_GROUPS, CONTINUUM, UNSTABLE, SITE_DRIVEN, SUPPORTED, REPLICATED)
LEVEL = 0.05
SITE_V, SITE_RAND = 0.3, 0.5
SMALLEST, SMALLEST_SHARE = 10, 0.05


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """`word`, one of VERDICTS; `clearly_separated`, the strict dip passes too (only when supported);
    `reasons`, plain sentences, one for each rule that was looked at."""

    word: str
    clearly_separated: bool
    reasons: tuple[str, ...]

    @property
    def groups(self) -> bool:
        """Whether the groups may be called phenotypes."""
        return self.word in (SUPPORTED, REPLICATED)

    @property
    def text(self) -> str:
        return f"{self.word}, clearly separated" if self.clearly_separated else self.word


def judge(
    *, p_structure: float, p_separation: float, p_strict: float, jaccard, sizes, site: SiteCheck | None
) -> Verdict:
    """The first rule that fits: the sites before all, then structure, separation, stability and size.

    "The groups vanish after site centring" needs groups in the first place: it counts where there is
    structure and it goes with the site.
    """
    n, smallest = int(sum(sizes)), int(min(sizes))
    needed = max(SMALLEST, SMALLEST_SHARE * n)
    reasons = [
        f"structure: p = {p_structure:.3g} against cohorts without groups",
        f"separation: p = {p_separation:.3g} (dip of scores of patients left out)",
        f"stability: lowest Jaccard index {min(jaccard):.2f} ({STABLE} needed)",
        f"smallest group: {smallest} patients ({needed:.0f} needed)",
    ]
    driven = False
    if site is not None:
        with_site = site.p_value <= LEVEL
        vanished = p_structure <= LEVEL and with_site and site.adjusted_rand < SITE_RAND
        driven = (site.cramer_v >= SITE_V and with_site) or vanished
        reasons.append(
            f"site: Cramer V {site.cramer_v:.2f}, p = {site.p_value:.3g}; adjusted Rand index "
            f"{site.adjusted_rand:.2f} with the groups found after centring sites"
        )
    if driven:
        word = SITE_DRIVEN
    elif p_structure > LEVEL:
        word = NO_GROUPS
    elif p_separation > LEVEL:
        word = CONTINUUM
    elif min(jaccard) < STABLE or smallest < needed:
        word = UNSTABLE
    else:
        word = SUPPORTED
    return Verdict(
        word=word, clearly_separated=word == SUPPORTED and p_strict <= LEVEL, reasons=tuple(reasons)
    )
