"""The model that tells the etiologies apart, in a run."""

from __future__ import annotations

import pandas as pd

from discovery.study import Study

TABLES = ("etiology_model", "etiology_confusion", "etiology_classes")


def identification_tables(study: Study, *, workers: int) -> dict[str, pd.DataFrame]:
    """`TABLES` and the sentence ("etiology_words"); nothing where the study has too few etiologies."""
    from discovery.markers.etiology_model import etiology_model

    if study.etiology is None or not study.features.shape[1]:
        return {}
    found = etiology_model(
        study.etiology,
        study.covariates,
        study.features,
        site=study.site,
        winsor=study.settings.analysis.winsor,
        seed=study.settings.study.seed,
        workers=workers,
    )
    if found is None:
        return {}
    return {
        "etiology_model": found.overall,
        "etiology_confusion": found.confusion,
        "etiology_classes": found.classes,
        "etiology_words": pd.DataFrame([{"sentence": found.sentence, "left_out": ", ".join(found.left_out)}]),
    }
