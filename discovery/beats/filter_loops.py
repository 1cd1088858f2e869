"""Compiled recursion of the zero-phase filter: one second-order section, forward and backward."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def forward_backward(x, b0, b1, b2, a1, a2, z0, z1, pad):
    """`x` (n,) filtered forward and backward by one section, without shift of phase, (n,).

    Ends are extended by `pad` < n samples turned about the end point, and each pass begins in the steady
    state (z0, z1) of its first sample: what scipy's `sosfiltfilt` does, in the same order of operations and
    without its copies.
    """
    n = x.size
    out = np.empty(n + 2 * pad)
    first, last = 2.0 * x[0], 2.0 * x[n - 1]
    head = first - x[pad]
    s0, s1 = z0 * head, z1 * head
    for i in range(n + 2 * pad):
        if i < pad:
            v = first - x[pad - i]
        elif i < n + pad:
            v = x[i - pad]
        else:
            v = last - x[2 * n + pad - 2 - i]
        y = b0 * v + s0
        s0 = b1 * v - a1 * y + s1
        s1 = b2 * v - a2 * y
        out[i] = y
    tail = out[n + 2 * pad - 1]
    s0, s1 = z0 * tail, z1 * tail
    for i in range(n + 2 * pad - 1, pad - 1, -1):
        v = out[i]
        y = b0 * v + s0
        s0 = b1 * v - a1 * y + s1
        s1 = b2 * v - a2 * y
        out[i] = y
    return out[pad : n + pad].copy()
