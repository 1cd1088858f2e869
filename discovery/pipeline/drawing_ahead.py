"""Pictures of recordings drawn by the processes that measured, while one core would wait for the other.

Patients are summed up and the cohort is described on one core. What is drawn meanwhile lies in a private
temporary folder, since the results folder is opened only when the analysis has succeeded.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from discovery.pipeline.folder import ResultsFolder
from discovery.pipeline.measure import Measured
from discovery.pipeline.measured_files import draw_into, draw_pictures, place_of_pictures

if TYPE_CHECKING:
    import pandas as pd


class DrawingAhead:
    """`begin`, then `into` a results folder; a context that stops what is under way and leaves nothing.

    With one worker nothing is begun, and `into` draws.
    """

    def __init__(self, workers: int):
        self.workers = workers
        self._place: Path | None = None
        self._thread: Thread | None = None
        self._stopped = False
        self._fault: BaseException | None = None

    def __enter__(self) -> DrawingAhead:
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped = True
        if self._thread is not None:
            self._thread.join()
        if self._place is not None:
            shutil.rmtree(self._place, ignore_errors=True)

    def begin(self, pictures: Mapping[str, dict[str, pd.DataFrame]]) -> None:
        """Draw `pictures`, tables by kind for each recording, beside whatever comes next."""
        if min(self.workers, len(pictures)) > 1:  # a single one would be drawn in this process
            self._place = Path(tempfile.mkdtemp(prefix="discovery-pictures-"))
            self._thread = Thread(target=self._draw, args=(pictures, self._place), daemon=True)
            self._thread.start()

    def _draw(self, pictures: Mapping[str, dict[str, pd.DataFrame]], place: Path) -> None:
        try:
            draw_into(place, pictures, self.workers, paper=False, go_on=lambda: not self._stopped)
        except BaseException as fault:  # told where the pictures are wanted
            self._fault = fault

    def into(self, folder: ResultsFolder, measured: Measured) -> None:
        """Put the pictures into the private part of `folder`, in place of those of an earlier run."""
        if self._thread is None or self._place is None:
            draw_pictures(folder, measured, self.workers, paper=False)
            return
        self._thread.join()
        if self._fault is not None:
            raise self._fault
        place = place_of_pictures(folder)
        for picture in sorted(self._place.iterdir()):
            shutil.move(picture, place / picture.name)
