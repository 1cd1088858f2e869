"""Methods text of outcomes in classes, with an order and without."""

from __future__ import annotations

KINDS_OF_CLASSES = ("ordinal", "multiclass")


def class_test(kind: str, interval_kind: str) -> str:
    """How a feature was tested, estimated, and what was checked of the model."""
    if kind == "ordinal":
        return (
            "One odds ratio stands for every cut between lower and higher classes (McCullagh 1980); above 1 "
            "it goes with a higher class. It is given per 1 SD with its 95 % "
            f"{interval_kind} interval; the two-sided p-value is that of the likelihood-ratio test of the "
            "coefficient. Whether one odds ratio does for every cut was tested for each feature by a Wald "
            "test over logistic regressions at the single cuts (Brant 1990), with the Benjamini–Hochberg "
            "adjustment over features; q at most 0.05 flags it as “odds not proportional”. Events per "
            "coefficient are counted as patients outside the commonest class. No penalised fit was "
            "available: a feature with fewer than 5 of them for each coefficient is not assessable, and one "
            "whose likelihood has no maximum (separation) has no estimate."
        )
    return (
        "A feature has one coefficient for every class but the first. It was tested by the likelihood ratio "
        "over all of them together, with as many degrees of freedom, and the ranks follow this test; the "
        "statistic is carried as the normal deviate with the same p-value. Such an effect has no direction "
        "and no single size: tables of all features give the gain in its place, and the odds ratio of each "
        "class against the first is given per 1 SD with its Wald interval. No local false sign rate "
        "applies, and no verdict asks for one. Findings of such an outcome are not written into frozen.json: "
        "a replication is judged one-sidedly in the direction first seen, and they have none. No penalised "
        "fit was available: a feature with fewer than 5 patients in the rarest class for each coefficient is "
        "not assessable, and one that separates classes has no estimate."
    )
