"""What a feature adds once the leading member of its family is known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.association.design import Design
from discovery.association.outcome_models import fit_columns, standardised_outcome

ADDS_NOTHING = 0.05


class GivenLead(NamedTuple):
    """Of each feature (p,), given the base model and its family's lead; NaN for the lead itself.

    p : of the likelihood ratio (t for a continuous outcome), 1 for what the lead and the base model tell in
    full. estimate : per 1 SD of the feature.
    """

    p: np.ndarray
    estimate: np.ndarray

    def turns(self, alone) -> np.ndarray:
        """Where (p,) the effect is real given the lead but of the other sign than `alone` (p,)."""
        with np.errstate(invalid="ignore"):
            return (self.p <= ADDS_NOTHING) & (self.estimate * np.asarray(alone) < 0)


def given_lead(design: Design, lead) -> GivenLead:
    """Each feature's effect given the base model and its family's lead.

    Parameters
    ----------
    design : Design
    lead : int array (p,)
        Index of each feature's family lead (`families.family_leads`). The lead itself, and a feature
        with lead -1, has NaN. The patients are those who have both features.
    """
    from discovery.kernels.screen_fit import COLLINEAR

    design = standardised_outcome(design)
    lead = np.asarray(lead)
    p, estimate = np.full(lead.size, np.nan), np.full(lead.size, np.nan)
    for first in np.unique(lead[lead >= 0]):
        members = np.flatnonzero((lead == first) & (np.arange(lead.size) != first))
        if not members.size:
            continue
        base = np.column_stack([design.base, design.features[:, first]])
        both = design.observed[:, members] & design.observed[:, [first]]
        fits = fit_columns(design.response, base, design.features[:, members], observed=both, intervals=False)
        fine, told = fits.fit.code == 0, fits.fit.code == COLLINEAR
        p[members] = np.where(fine, fits.p_value, np.where(told, 1.0, np.nan))
        estimate[members] = np.where(fine, fits.fit.coef[:, -1], np.nan)
    return GivenLead(p, estimate)
