"""Why measured features are missing, and in how many patients for each reason."""

from __future__ import annotations

import pandas as pd

from discovery.pipeline.measure import Measured
from discovery.pipeline.measured_files import feature_table, first_visits
from discovery.summaries.patient_rows import REASONS

COLUMNS = ("feature", "reason", "n", "n_patients")
NO_RECORDING = "no recording could be measured"
RECORD_FEATURE = "the recording as a whole did not allow it"


def why_missing(measured: Measured, patients: pd.Index) -> pd.DataFrame:
    """A row a feature and reason (`COLUMNS`): `n` of the study's `patients` have no value for it.

    Of the first visits, as they are analysed. A feature is left out if nobody lacks it; a burden or trend of
    the whole recording has one reason for all.
    """
    rows = first_visits(measured).reindex(patients)
    unmeasured = pd.Series(~patients.isin(measured.patients["patient_id"]), index=patients)
    found = []
    for feature in feature_table(measured).columns:
        gone = rows[feature].isna()
        reasons = pd.Series(RECORD_FEATURE, index=patients)
        if f"{feature}__reason" in rows:
            reasons = rows[f"{feature}__reason"].map(REASONS).fillna(RECORD_FEATURE)
        counts = reasons.mask(unmeasured, NO_RECORDING)[gone].value_counts()
        found += [
            (feature, reason, int(n), len(patients))
            for reason, n in sorted(counts.items(), key=lambda item: (-item[1], str(item[0])))
        ]
    return pd.DataFrame(found, columns=list(COLUMNS))
