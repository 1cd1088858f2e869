"""What the page says beside a signature."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.report.signature_view import signature_views

WORDS = pd.DataFrame({"outcome": ["died"], "equation": ["0.5 × x"], "sentence": ["Better."]})
MARKERS = pd.DataFrame(
    {"outcome": ["died"], "role": ["covariate"], "label": ["age"], "selected_share": [0.5]}
)
NUMBERS = (
    "apparent", "corrected", "ci_low", "ci_high", "gain", "gain_low", "gain_high", "gain_over_single",
    "gain_over_single_low", "gain_over_single_high", "calibration_slope", "slope_low", "slope_high",
)  # fmt: skip


@pytest.mark.parametrize(
    ("n", "left_out", "words"),
    [
        (117, 3, "117 patients; 3 patients without the outcome or a covariate left out. Linear predictor"),
        (120, 0, "120 patients. Linear predictor"),
        (np.nan, np.nan, "Linear predictor"),
    ],
)
def test_how_many_patients_a_signature_was_judged_in(n, left_out, words):
    row = {"outcome": "died", "model": "signature", "measure": "AUC", "n": n, "n_left_out": left_out}
    rows = pd.DataFrame([row | dict.fromkeys(NUMBERS, 0.5)])
    tables = {"signature_words": WORDS, "signature_performance": rows, "signature": MARKERS}
    [(_, table)] = signature_views(tables, {})
    assert table.note.startswith(words)
    assert table.rows[0][1:4] == ("0.50", "0.50 (0.50 to 0.50)", "+0.500 (+0.500 to +0.500)")
