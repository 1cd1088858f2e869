"""What every file format offers: a list of tracks, and consecutive pieces of some of them."""

from __future__ import annotations

import contextlib
import math
import warnings
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.problems import InputError, Problem

HIGHEST_RATE_HZ = 100_000.0
LONGEST_SAMPLES = 2**36


@dataclass(frozen=True)
class Track:
    """One signal of a file as it stands there: `unit` is the file's own text, "" where it has none.

    `rate_hz` is NaN where the file gives none; `n_samples` is -1 until a table has been read through.
    """

    name: str
    unit: str
    rate_hz: float
    n_samples: int
    start_s: float = 0.0


class Reader(ABC):
    """An open file. `problems` collects doubts (warnings) met while reading."""

    def __init__(self, path: Path):
        self.path = path
        self.file = path.name
        self.tracks: tuple[Track, ...] = ()
        self.started: str | None = None
        self.problems: list[Problem] = []

    @abstractmethod
    def pieces(
        self, places: Sequence[int], rates: Sequence[float], seconds: float
    ) -> Iterator[list[np.ndarray]]:
        """Consecutive pieces of the tracks at `places`, float64 in the file's unit, NaN for gaps.

        Piece k of a track holds its samples from second k x `seconds` up to the next.
        """

    def doubt(
        self, wanted: str, *, found: str = "", row: int | None = None, column: str | None = None
    ) -> None:
        """Note a fault that does not stop the reading; the same words are kept once."""
        problem = Problem(
            file=self.file, wanted=wanted, found=found, row=row, column=column, severity="warning"
        )
        if problem not in self.problems:
            self.problems.append(problem)

    def refuse(self, wanted: str, *, found: str = "", row: int | None = None) -> InputError:
        """The error for a file that cannot be used."""
        return InputError([Problem(file=self.file, wanted=wanted, found=found, row=row)])

    def close(self) -> None:  # noqa: B027 - most formats hold nothing open
        """Let go of the file."""


class RandomAccessReader(Reader):
    """A file whose tracks can be read from any sample to any other."""

    @abstractmethod
    def read(self, place: int, start: int, stop: int) -> np.ndarray:
        """Samples start to stop of the track at `place`, float64 in the file's unit."""

    def pieces(
        self, places: Sequence[int], rates: Sequence[float], seconds: float
    ) -> Iterator[list[np.ndarray]]:
        tracks = [self.tracks[place] for place in places]
        ends = [t.start_s + t.n_samples / rate for t, rate in zip(tracks, rates)]
        for k in range(math.ceil(max(ends, default=0.0) / seconds - 1e-9)):
            piece = []
            for place, track, rate in zip(places, tracks, rates):
                start = first_sample(k * seconds, track.start_s, rate, track.n_samples)
                stop = first_sample((k + 1) * seconds, track.start_s, rate, track.n_samples)
                samples = np.empty(0)
                if stop > start:
                    with foreign_faults(self):
                        samples = np.asarray(self.read(place, start, stop), dtype=np.float64)
                    if samples.size != stop - start:
                        raise self.refuse(
                            "the data are as long as the header says",
                            found=f"{samples.size} samples of {track.name} where {stop - start} were due",
                        )
                piece.append(samples)
            yield piece


def first_sample(second: float, start_s: float, rate_hz: float, n_samples: int) -> int:
    """Index of the first sample taken at or after `second`, kept within 0 to `n_samples`."""
    place = math.ceil((second - start_s) * rate_hz - 1e-6)
    return min(max(place, 0), n_samples)


@contextlib.contextmanager
def foreign_faults(reader: Reader) -> Iterator[None]:
    """Turn what a format's package raises into an `InputError`, what it warns of into a doubt.

    A damaged file can make a parser fail in ways its makers never listed, so every `Exception` inside
    counts as the file's fault; only reading happens inside.
    """
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        try:
            yield
        except InputError:
            raise
        except MemoryError as err:
            raise reader.refuse(
                "the file fits its own header (it asks for more memory than there is)"
            ) from err
        except Exception as err:
            words = " ".join(str(err).split())[:200] or type(err).__name__
            raise reader.refuse("a whole, undamaged file", found=words) from err
    for warning in heard:
        if not issubclass(warning.category, (DeprecationWarning, FutureWarning, ResourceWarning)):
            reader.doubt("the file follows its format", found=" ".join(str(warning.message).split())[:200])


def sane_rate(rate_hz: float) -> bool:
    """Whether `rate_hz` can be a sampling rate at all."""
    return bool(np.isfinite(rate_hz)) and 0 < rate_hz <= HIGHEST_RATE_HZ
