"""What is gathered for one outcome on the way to its rows of the marker table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.screen import Screen
from discovery.markers.bootstrap import BootstrapDraws
from discovery.markers.gain import CorrectedGain
from discovery.markers.refit import OutcomeRefit
from discovery.markers.site_check import SiteCheck


@dataclass(kw_only=True)
class OutcomeParts:
    """What is gathered for one outcome on the way; indices `ranked` are into the design's features,
    in the order of their names: chance and ties then do not depend on the order of columns.

    wide : the design of the patients that estimates and ranks are of; `design` itself, unless covariates were
    imputed.
    number, family (p,) : the family of each feature and its central member. The rows name a family after
    its best ranked feature, and after the central one only where none of it could be ranked.
    """

    design: Design
    wide: Design
    screen: Screen
    ranked: np.ndarray
    missing: np.ndarray
    number: np.ndarray
    family: np.ndarray
    refit: OutcomeRefit | None = None
    site: SiteCheck | None = None
    draws: BootstrapDraws | None = None
    gain: CorrectedGain | None = None
    apparent: np.ndarray | None = None
    base_measure: np.ndarray | None = None
    completed: tuple[Design, ...] = ()  # gaps filled, perhaps with more patients than `design`

    def spread(self, values, fill: float | str = np.nan) -> np.ndarray:
        """Values of the `ranked` features in the places of all (p,), `fill` elsewhere; None has no values."""
        out = np.full(len(self.design.feature_names), fill, dtype=object if fill == "" else float)
        if values is not None:
            out[self.ranked] = values
        return out
