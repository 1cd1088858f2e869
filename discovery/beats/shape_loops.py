"""Compiled moments of a chain of straight lines."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def moments(w):
    """Area, mean, variance and third central moment of the chain `w` (n,) over 0..1, taken as a density.

    Three-point Gauss-Legendre, which is exact for a straight line times a cubic.
    """
    h = 1.0 / (w.size - 1)
    nodes = np.array([-np.sqrt(0.6), 0.0, np.sqrt(0.6)])
    weights = np.array([5.0 / 9.0, 8.0 / 9.0, 5.0 / 9.0])
    total = 0.0
    for i in range(w.size - 1):
        total += h * (w[i] + w[i + 1]) / 2
    centre = 0.0
    for i in range(w.size - 1):
        for q in range(3):
            share = 0.5 * (1.0 + nodes[q])
            centre += weights[q] * (i * h + share * h) * (w[i] + share * (w[i + 1] - w[i]))
    centre *= h / 2 / total
    variance = 0.0
    third = 0.0
    for i in range(w.size - 1):
        for q in range(3):
            share = 0.5 * (1.0 + nodes[q])
            off = i * h + share * h - centre
            density = weights[q] * off * off * (w[i] + share * (w[i + 1] - w[i]))
            variance += density
            third += density * off
    return total, centre, variance * h / 2 / total, third * h / 2 / total
