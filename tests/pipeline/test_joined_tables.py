"""Tables of several outcomes one below the other."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.pipeline.leading import joined


def test_a_column_that_one_outcome_lacks_keeps_its_place_and_the_others_type():
    """Warnings are errors here: pandas warns where an all-missing column would set the type."""
    first = pd.DataFrame({"feature": ["a", "b"], "estimate": [0.1, 0.2], "unit": ["mmHg", "s"]})
    second = pd.DataFrame({"feature": ["c"], "estimate": [np.nan], "unit": [np.nan]})
    both = joined([first, second])
    assert list(both.columns) == ["feature", "estimate", "unit"]
    assert both["estimate"].dtype == float
    assert both["unit"].isna().tolist() == [False, False, True]
    assert both["feature"].tolist() == ["a", "b", "c"]
    assert joined([]).empty
