"""Masking of small cells before a table leaves the house, with the cells that would give them away."""

from __future__ import annotations

import numpy as np

from discovery.problems import InputError, Problem

# A margin is hidden only when nothing inside can be.
MARGIN_LAST = 1e12


def suppression_mask(
    counts,
    limit: int,
    *,
    rows_add_up: bool = True,
    columns_add_up: bool = True,
    already=None,
    unprinted: int | None = None,
) -> np.ndarray:
    """Which cells of a table with its margins must be masked.

    Parameters
    ----------
    counts : array (n_levels + 1, n_groups + 1)
        Cells with the totals as last row and last column; NaN for a cell that is not printed.
    limit : int
        A count of 1 to limit - 1 is masked; 0 is shown.
    rows_add_up, columns_add_up : bool
        Whether the cells of a row (a column) add up to its printed total: not so for groups that overlap.
    already : bool array like `counts`, optional
        Cells that are masked for another reason.
    unprinted : int, optional
        A column that is known by subtraction only: it is the first to help to hide another.

    Returns
    -------
    bool array like `counts`
        Besides the small cells themselves: in every line that adds up and holds a masked cell,
        further cells, smallest first and totals last, until two or more are masked and they make
        up at least `limit` together, so that subtraction reveals none of them.
    """
    counts = np.asarray(counts, dtype=float)
    if counts.ndim != 2 or min(counts.shape) < 2 or limit < 1:
        wanted = "wanted a table with its totals and a limit of 1 or more"
        raise InputError([Problem(file="suppression", found=f"{counts.shape}, {limit}", wanted=wanted)])
    mask = (counts > 0) & (counts < limit)
    if already is not None:
        mask |= np.asarray(already, dtype=bool)
    printed = ~np.isnan(counts)
    rank = np.where(counts == 0, MARGIN_LAST / 2, counts)
    rank[-1, :] += MARGIN_LAST
    rank[:, -1] += MARGIN_LAST
    if unprinted is not None:
        rank[:, unprinted] -= 4 * MARGIN_LAST
    lines: list[tuple] = []
    if rows_add_up:
        lines += [(i, slice(None)) for i in range(counts.shape[0])]
    if columns_add_up:
        lines += [(slice(None), j) for j in range(counts.shape[1])]
    changed = True
    while changed:
        changed = False
        for line in lines:
            hidden = mask[line]
            if not hidden.any():
                continue
            while (hidden.sum() < 2 or np.nansum(counts[line][hidden]) < limit) and (
                ~hidden & printed[line]
            ).any():
                hidden[np.argmin(np.where(hidden | ~printed[line], np.inf, rank[line]))] = True
                changed = True
    return mask


def mask_beside_others(counts, limit: int, *, overlapping: bool = False, already=None) -> np.ndarray:
    """`suppression_mask` for groups (columns) that do not add up to the last column.

    What the total has beyond its groups is known to who subtracts: the patients without a group or, where
    groups are `overlapping`, those outside each one of them. A small number of these hides with a cell of
    its row.
    """
    counts = np.asarray(counts, dtype=float)
    mask = np.zeros(counts.shape, dtype=bool) if already is None else np.array(already, dtype=bool)
    groups = list(range(counts.shape[1] - 1))
    settled = False
    while not settled:
        before = mask.copy()
        for own in [[j] for j in groups] if overlapping else [groups]:
            at, others = [*own, -1], len(own)
            rest = counts[:, -1] - counts[:, own].sum(axis=1)
            found = suppression_mask(
                np.insert(counts[:, at], others, rest, axis=1),
                limit,
                already=np.insert(mask[:, at], others, False, axis=1),
                unprinted=others,
            )
            mask[:, at] |= np.delete(found, others, axis=1)
        settled = bool((mask == before).all())
    return mask
