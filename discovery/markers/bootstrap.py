"""Refit bootstrap: patients drawn again within their sites, every model refitted in every draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.markers.imputed_refit import in_draw
from discovery.markers.refit import OutcomeRefit
from discovery.seeds import drawn_weights, named_rng

CHUNKS_PER_WORKER = 16


@dataclass(frozen=True, kw_only=True)
class BootstrapDraws:
    """B draws of one outcome, arrays (B, p); NaN where a model could not be fitted in a draw.

    z : signed-root likelihood ratio in the draw; estimate : the feature's coefficient.
    apparent : gain of the draw's models in the draw; tested : of the same coefficients on the
        original patients. apparent - tested is the optimism that the draw shows.
    """

    z: np.ndarray
    estimate: np.ndarray
    apparent: np.ndarray
    tested: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Resampling:
    """Who is drawn: the patients of all outcomes together, in the order of their ids.

    One draw serves every outcome, so that ranks across outcomes see the dependence between them;
    and since a weight belongs to an id, the order of the rows changes nothing.
    """

    sites: tuple[np.ndarray, ...]  # places of the patients of each site
    places: tuple[np.ndarray, ...]  # for each outcome, the place of each of its rows
    size: int

    def weights(self, rng: np.random.Generator) -> np.ndarray:
        """Multinomial case weights (size,), the number of patients of each site kept."""
        return drawn_weights(rng, self.sites, self.size)


def resampling_of(designs: Sequence[Design]) -> Resampling:
    """The patients of `designs`, and their sites (the first outcome that names a patient's site decides)."""
    ids = [np.asarray(d.patient_id).astype(str) for d in designs]
    everyone = np.unique(np.concatenate(ids))
    places = tuple(np.searchsorted(everyone, own) for own in ids)
    site = np.full(everyone.size, "", dtype=object)
    for design, place in zip(designs[::-1], places[::-1]):
        if design.site is not None:
            site[place] = design.site
    labels, codes = np.unique(site.astype(str), return_inverse=True)
    sites = tuple(np.flatnonzero(codes == k) for k in range(labels.size))
    return Resampling(sites=sites, places=places, size=everyone.size)


def bootstrap_refits(
    refits: Sequence[OutcomeRefit],
    *,
    replicates: int,
    seed: int,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> list[BootstrapDraws]:
    """Draws of all outcomes, one `BootstrapDraws` each.

    Parameters
    ----------
    refits : prepared outcomes
    replicates : number of draws; draw b has its own generator, so the answer does not depend on `workers`
    seed : the study's seed
    workers : threads over compiled loops that release the interpreter lock
    progress : called with (draws done, draws in all)

    Notes
    -----
    Missing feature values: an `ImputedRefit` imputes them anew inside each draw; otherwise a feature is
    judged in each draw on the drawn patients that have it (complete cases for that feature).
    """
    from joblib import Parallel, delayed

    resampling = resampling_of([r.design for r in refits])
    size = max(1, -(-replicates // max(1, workers * CHUNKS_PER_WORKER)))
    chunks = [range(start, min(start + size, replicates)) for start in range(0, replicates, size)]
    pool = Parallel(n_jobs=workers, prefer="threads", return_as="generator", pre_dispatch="all")
    parts, done = [], 0
    for part in pool(delayed(_draw_chunk)(refits, resampling, seed, chunk) for chunk in chunks):
        parts.append(part)
        done += part[0].z.shape[0]
        if progress is not None:
            progress(done, replicates)
    return [_stacked([part[k] for part in parts]) for k in range(len(refits))]


def _draw_chunk(refits, resampling, seed, chunk) -> list[BootstrapDraws]:
    rows: list[list] = [[] for _ in refits]
    for draw in chunk:
        weights = resampling.weights(named_rng(seed, "bootstrap", draw))
        for own, refit, place in zip(rows, refits, resampling.places):
            w = weights[place]
            own.append(in_draw(refit, w, draw)(w, np.column_stack([w, np.ones(w.size)])))
    return [
        BootstrapDraws(
            z=np.array([r.z for r in own]),
            estimate=np.array([r.estimate for r in own]),
            apparent=np.array([r.gain[:, 0] for r in own]),
            tested=np.array([r.gain[:, 1] for r in own]),
        )
        for own in rows
    ]


def _stacked(parts: list[BootstrapDraws]) -> BootstrapDraws:
    names = ("z", "estimate", "apparent", "tested")
    return BootstrapDraws(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})
