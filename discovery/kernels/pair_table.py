"""Comparable pairs of few patients as a table, so that many score columns are judged side by side.

A merge sort counts the pairs of one column in n log n steps, each of them a guess for the processor. Where
there are no more than some ten thousand pairs of patients, all of them are gone through for eight columns
at once instead. Sums of whole weights are exact, whichever way they are added up.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from llvmlite import ir
from numba import extending, types
from numba.core import cgutils

from .compiled import compiled

MOST_PATIENTS = 1000
PAIRS_A_STEP = 20  # of a table that cost less than a step of the sort, for several columns
_LANES = 8
_DOUBLES = ir.VectorType(ir.DoubleType(), _LANES)
intrinsic: Any = extending.intrinsic


class PairTable(NamedTuple):
    """Pairs by leading patient: those of patient i are first[i] to first[i + 1] - 1, each with who follows
    (other) and how often the two are compared (times)."""

    first: np.ndarray
    other: np.ndarray
    times: np.ndarray


def pair_table(counted, excluded, n: int) -> PairTable | None:
    """The pairs of two layouts (`concordance.PairLayout`), those of `excluded` taken off.

    None where so many patients or pairs are better merged.
    """
    if n > MOST_PATIENTS:
        return None
    layouts = [counted] if excluded is None else [counted, excluded]
    steps = sum(each.row.size * np.log2(max(each.row.size, 2)) for each in layouts)
    times = np.zeros((n, n))
    _add_pairs(times, *counted, 1.0)
    if excluded is not None:
        _add_pairs(times, *excluded, -1.0)
    leader, other = (np.ascontiguousarray(at) for at in np.nonzero(times))
    if other.size > PAIRS_A_STEP * steps:
        return None
    first = np.searchsorted(leader, np.arange(n + 1))
    return PairTable(first, other, times[leader, other])


def against_by_table(table: PairTable, columns: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Pair weight with the lower score leading, plus half the ties: (m, v) of scores (n, m), weights (n, v).

    A row whose score is NaN is in no pair of that column.
    """
    n, m = columns.shape
    tiles = np.full((-(-m // _LANES), n, _LANES), np.nan)
    for k, tile in enumerate(tiles):
        part = columns[:, k * _LANES : (k + 1) * _LANES]
        tile[:, : part.shape[1]] = part
    total = _against_by_table(*table, tiles.reshape(-1), np.ascontiguousarray(weights), len(tiles))
    return total[:m]


@compiled
def _add_pairs(times, row, leads, follows, run, block, sign):
    """Add `sign` to times[i, j] for each pair of items of a layout, led by one of patient i."""
    for b in range(block.size - 1):
        stop = run[block[b + 1]]
        for r in range(block[b], block[b + 1]):
            for k in range(run[r], run[r + 1]):
                if leads[k]:
                    for q in range(run[r + 1], stop):
                        if follows[q]:
                            times[row[k], row[q]] += sign


@intrinsic
def _add_higher(typing, sums, own, scores, other, weight, second, begin, end):
    """Add to sums[l], by `weight` of each pair from `begin` to `end`, 2 where the follower's score is above
    scores[own + l], 1 where it is the same; to sums[8 + l] by `second`. Flat arrays."""
    signature = types.void(sums, own, scores, other, weight, second, begin, end)

    def generate(context, builder, sig, args):
        def data(k):
            return context.make_array(sig.args[k])(context, builder, args[k]).data

        def vector(pointer, at):
            return builder.bitcast(builder.gep(pointer, [at]), _DOUBLES.as_pointer())

        def everywhere(value):
            none = ir.Constant(_DOUBLES, ir.Undefined)
            one = builder.insert_element(none, value, ir.Constant(ir.IntType(32), 0))
            every = ir.Constant(ir.VectorType(ir.IntType(32), _LANES), [0] * _LANES)
            return builder.shuffle_vector(one, none, every)

        whole = args[1].type
        into, table, who, by = data(0), data(2), data(3), (data(4), data(5))
        places = [vector(into, ir.Constant(whole, k * _LANES)) for k in range(2)]
        totals = [cgutils.alloca_once(builder, _DOUBLES) for _ in range(2)]
        for place, total in zip(places, totals):
            builder.store(builder.load(place, align=8), total)
        mine = builder.load(vector(table, args[1]), align=8)
        one, none = (ir.Constant(_DOUBLES, [value] * _LANES) for value in (1.0, 0.0))
        with cgutils.for_range(builder, args[7], start=args[6], intp=whole) as loop:
            row = builder.load(builder.gep(who, [loop.index]))
            theirs = builder.load(vector(table, builder.mul(row, ir.Constant(whole, _LANES))), align=8)
            above = builder.select(builder.fcmp_ordered("<", mine, theirs), one, none)
            same = builder.select(builder.fcmp_ordered("<=", mine, theirs), one, none)
            points = builder.fadd(above, same)
            for factor, total in zip(by, totals):
                share = everywhere(builder.load(builder.gep(factor, [loop.index])))
                builder.store(builder.fadd(builder.load(total), builder.fmul(share, points)), total)
        for place, total in zip(places, totals):
            builder.store(builder.load(total), place, align=8)
        return context.get_dummy_value()

    return signature, generate


@compiled
def _against_by_table(first, other, times, tiles, weights, how_many):
    n, v = weights.shape
    total = np.zeros((how_many * _LANES, v))
    by = np.empty((2, other.size))
    sums = np.empty(2 * _LANES)
    for u in range(0, v, 2):
        then = min(u + 1, v - 1)
        for e in range(other.size):
            by[0, e] = times[e] * weights[other[e], u]
            by[1, e] = times[e] * weights[other[e], then]
        for t in range(how_many):
            scores = tiles[t * n * _LANES : (t + 1) * n * _LANES]
            for i in range(n):
                mine, second = weights[i, u], weights[i, then]
                if first[i] == first[i + 1] or (mine == 0.0 and second == 0.0):
                    continue
                sums[:] = 0.0
                _add_higher(sums, i * _LANES, scores, other, by[0], by[1], first[i], first[i + 1])
                for lane in range(_LANES):
                    total[t * _LANES + lane, u] += mine * (0.5 * sums[lane])
                    if then > u:
                        total[t * _LANES + lane, then] += second * (0.5 * sums[_LANES + lane])
    return total
