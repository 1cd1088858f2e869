"""The tail of a sum over all signs of its terms, as the normal deviate with the same tail.

Terms that are symmetric about 0 may have either sign; the distribution of their sum over all patterns of
signs is the reference of a test that needs no normality (Hemerik, Goeman & Finos, J R Stat Soc B 2020;
82:841-864). Its tail is had without drawing by the saddlepoint (Lugannani & Rice, Adv Appl Probab 1980;
12:475-490; in the form r* of Barndorff-Nielsen, Biometrika 1986;73:307-322).
"""

from __future__ import annotations

import numpy as np

from .compiled import compiled

LOG_2 = np.log(2.0)
SMALL = 1e-3  # standard errors; below, the root is its first term
LARGEST = 0.97  # of the largest sum; beyond, hardly a pattern of signs is left and the tail is taken as flat
MOST_STEPS = 200


@compiled
def sign_root(total, terms, weights):
    """Signed deviate whose normal tail is that of `total` among the sums of `terms` (n,) with random signs.

    A term of weight 2 is two terms. NaN where all terms are 0.
    """
    second, fourth, most = 0.0, 0.0, 0.0
    for i in range(terms.size):
        size = abs(terms[i])
        second += weights[i] * size**2
        fourth -= 2.0 * weights[i] * size**4
        most += weights[i] * size
    if not second > 0.0:
        return np.nan
    side = -1.0 if total < 0.0 else 1.0
    top = min(abs(total), LARGEST * most)
    plain = top / np.sqrt(second)
    if plain < SMALL:
        return side * plain * (1.0 + fourth / (8.0 * second**2))
    at = top / second  # not beyond the solution, from where Newton's steps never pass it
    for _ in range(MOST_STEPS):
        slope, spread = 0.0, 0.0
        for i in range(terms.size):
            share = np.tanh(at * abs(terms[i]))
            slope += weights[i] * abs(terms[i]) * share
            spread += weights[i] * terms[i] ** 2 * (1.0 - share**2)
        step = (top - slope) / spread
        at += step
        if not abs(step) > 1e-9 * at:
            break
    height, spread = 0.0, 0.0
    for i in range(terms.size):
        far = at * abs(terms[i])
        height += weights[i] * (far + np.log1p(np.exp(-2.0 * far)) - LOG_2)
        spread += weights[i] * terms[i] ** 2 * (1.0 - np.tanh(far) ** 2)
    root = np.sqrt(2.0 * (at * top - height))
    return side * (root + np.log(at * np.sqrt(spread) / root) / root)


@compiled
def sign_roots(totals, terms, weights):
    """`sign_root` (p,) of each of `totals` (p,) among the sums of its row of `terms` (p, n)."""
    roots = np.empty(totals.size)
    for j in range(totals.size):
        roots[j] = sign_root(totals[j], terms[j], weights)
    return roots
