"""What a feature adds once the leading member of its family is known."""

from __future__ import annotations

import numpy as np

from discovery.association.design import Design
from discovery.association.outcome_models import fit_columns, standardised_outcome

ADDS_NOTHING = 0.05


def p_given_lead(design: Design, lead) -> np.ndarray:
    """Likelihood-ratio p (p,) of each feature given the base model and its family's lead.

    Parameters
    ----------
    design : Design
    lead : int array (p,)
        Index of each feature's family lead (`families.family_leads`). The lead itself, and a feature
        with lead -1, has NaN. The patients are those who have both features.
    """
    design = standardised_outcome(design)
    lead = np.asarray(lead)
    p = np.full(lead.size, np.nan)
    for first in np.unique(lead[lead >= 0]):
        members = np.flatnonzero((lead == first) & (np.arange(lead.size) != first))
        if not members.size:
            continue
        base = np.column_stack([design.base, design.features[:, first]])
        both = design.observed[:, members] & design.observed[:, [first]]
        fits = fit_columns(design.response, base, design.features[:, members], observed=both, intervals=False)
        p[members] = np.where(fits.fit.code == 0, fits.p_value, np.nan)
    return p
