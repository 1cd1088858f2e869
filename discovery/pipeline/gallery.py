"""The picture of virtual strips beside recorded ones: each etiology next to an open recording."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    import pandas as pd

SEED, SECONDS, QUIET_START_S = 6, 6.0, 3.0
TITLE = "Pressure of the right ventricle: invented on the left, recorded on the right"


def gallery(folder: Path | str, recorded: Path | str, *, seed: int = SEED) -> tuple[Path, Path]:
    """Draw `gallery.svg`, with the table of what was drawn beside it, into `folder`.

    Parameters
    ----------
    folder : where the two files go; made if absent
    recorded : a cohort folder with `recordings/` in WFDB and `labels.csv` (record, t0_s, t1_s, site, note),
        such as `cohorts/bedside`. Drawn are 6 s of stretches of RV pressure, from 3 s after they begin,
        one a record first, and one panel for each etiology of the virtual registry.
    seed : of the virtual strips

    Returns
    -------
    Paths of the picture and of the table.

    Raises
    ------
    InputError
        No labels there, or no stretch of RV pressure that is long enough.
    """
    from discovery.figures.gallery import draw_gallery
    from discovery.figures.save import save_screen_figure
    from discovery.virtual.etiologies import ETIOLOGIES

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    rows = side_by_side(seed, recorded_strips(Path(recorded), len(ETIOLOGIES)))
    return save_screen_figure("gallery", partial(draw_gallery, title=TITLE), rows, folder)


def side_by_side(seed: int, recorded: pd.DataFrame) -> pd.DataFrame:
    """Rows of `draw_gallery`: an etiology, then a recording, and so on."""
    import pandas as pd

    from discovery.virtual.gallery import virtual_strips

    virtual = virtual_strips(seed, seconds=SECONDS, signals=("RV",))
    left = [rows for _, rows in virtual.groupby("panel", sort=False)]
    right = [rows for _, rows in recorded.groupby("panel", sort=False)]
    pairs = [part for pair in zip(left, right) for part in pair]
    rest = [*left[len(right) :], *right[len(left) :]]
    return pd.concat([*pairs, *rest], ignore_index=True)


def recorded_strips(cohort: Path, most: int) -> pd.DataFrame:
    """Up to `most` strips of RV pressure, one of each record before a second of any."""
    import pandas as pd

    from discovery.recordings.source import open_recording
    from discovery.virtual.gallery import strip_rows

    try:
        labels = pd.read_csv(cohort / "labels.csv")
    except OSError as fault:
        wanted = "labels.csv of a cohort of recordings, with record, t0_s, t1_s and site"
        raise InputError([Problem(file=str(cohort), wanted=wanted)]) from fault
    long_enough = labels["t1_s"] - labels["t0_s"] >= QUIET_START_S + SECONDS
    stretches = labels[(labels["site"] == "RV") & long_enough].copy()
    if stretches.empty:
        wanted = "a stretch of RV pressure of 9 s or more"
        raise InputError([Problem(file="labels.csv", column="site", wanted=wanted)])
    stretches["turn"] = stretches.groupby("record").cumcount()
    parts = []
    for row in stretches.sort_values(["turn", "record"]).head(most).itertuples():
        path = cohort / "recordings" / f"{row.record}.hea"
        with open_recording(path, {"rv": "PAP"}) as source:
            channel = source.read()["rv"]
        start = float(row.t0_s) + QUIET_START_S  # type: ignore[arg-type]
        first, count = round(start * channel.rate_hz), round(SECONDS * channel.rate_hz)
        samples = np.asarray(channel.samples[first : first + count], dtype=float)
        name = f"{row.record}, from {start:g} s"
        parts.append(strip_rows(name, "recorded", "RV", samples, channel.rate_hz))
    return pd.concat(parts, ignore_index=True)
