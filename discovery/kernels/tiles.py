"""What the passes over rows are made of: sums over eight rows at a time for a tile of lanes, and exp.

A tile holds `WIDE` features side by side, in chunks of eight rows: element (row i, lane l) of a chunk stands
at i WIDE + l of a flat array. Numbers that belong to a row stand in chunks too, all eight of one column, then
those of the next. Written as vectors of eight, which LLVM cuts to the width of any processor; the order of
every sum is the written one.
"""

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba import types

from .compiled import compiled, inlined
from .vectors import EIGHT, Running, Vectors, intrinsic

WIDE = 16
CHUNK = 8
BLOCK = 128  # rows of one model side by side
HALVES = range(0, WIDE, EIGHT)
FEW_SUMS = 3  # whose running totals for all lanes are held in registers
FEW_ROWS = 4  # the same for half of the lanes


@intrinsic(prefer_literal=True)
def add_products(typing, into, at, factor, factor_at, rows, rows_at, sums, terms, step, stride):
    """Add to into[at + s WIDE + l] the sum of factor[.. + s step + i stride] rows[.. + i WIDE + l].

    Over i below `terms`, for s below `sums` and every lane l. Flat float64 arrays; the last four arguments
    are written as numbers, since they are compiled in.
    """
    how_many, each, by_sum, by_term = (k.literal_value for k in (sums, terms, step, stride))
    signature = types.void(into, at, factor, factor_at, rows, rows_at, sums, terms, step, stride)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, by, of = vec.arrays(0, 2, 4)
        # a factor is fetched once for all lanes where there are registers enough
        for lanes in [list(HALVES)] if how_many <= FEW_SUMS else [[lane] for lane in HALVES]:
            places = [s * WIDE + lane for s in range(how_many) for lane in lanes]
            totals = [vec.load(to, place) for place in places]
            for i in range(each):
                values = [vec.load(of, i * WIDE + lane) for lane in lanes]
                for s in range(how_many):
                    share = vec.spread(by, s * by_sum + i * by_term)
                    for h, value in enumerate(values):
                        at = s * len(lanes) + h
                        totals[at] = vec.fused(share, value, totals[at])
            for place, total in zip(places, totals):
                vec.store(total, to, place)
        return context.get_dummy_value()

    return signature, generate


@intrinsic(prefer_literal=True)
def add_inner(typing, into, at, left, left_at, right, right_at, several):
    """Inner products of a block of `left` with each of `several` (a written number) blocks of `right`.

    In eight parts: into[at + 8 s + l] += the sum of left[left_at + r] right[right_at + BLOCK s + r] over
    every eighth row r from l on. Flat float64 arrays.
    """
    how_many = several.literal_value
    signature = types.void(into, at, left, left_at, right, right_at, several)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, one, other = vec.arrays(0, 2, 4)
        totals = [vec.load(to, s * EIGHT) for s in range(how_many)]
        for r in range(0, BLOCK, EIGHT):
            value = vec.load(one, r)
            for s in range(how_many):
                totals[s] = vec.fused(value, vec.load(other, s * BLOCK + r), totals[s])
        for s, total in enumerate(totals):
            vec.store(total, to, s * EIGHT)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def multiply_block(typing, into, at, left, left_at, right, right_at):
    """into[at + r] = left[left_at + r] right[right_at + r] for r below `BLOCK`; flat arrays."""
    signature = types.void(into, at, left, left_at, right, right_at)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, one, other = vec.arrays(0, 2, 4)
        for r in range(0, BLOCK, EIGHT):
            vec.store(vec.times(vec.load(one, r), vec.load(other, r)), to, r)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def add_block(typing, into, at, column, column_at, share):
    """into[at + r] += share column[column_at + r] for r below `BLOCK`; flat arrays."""
    signature = types.void(into, at, column, column_at, share)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, of = vec.arrays(0, 2)
        factor = vec.everywhere(args[4])
        for r in range(0, BLOCK, EIGHT):
            vec.store(vec.fused(vec.load(of, r), factor, vec.load(to, r)), to, r)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def exp_block(typing, into, at, of, of_at):
    """into[at + r] = exp(of[of_at + r]) for r below `BLOCK`, of numbers that are not above 0; flat arrays."""
    signature = types.void(into, at, of, of_at)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, source = vec.arrays(0, 2)
        with vec.count_up(BLOCK // EIGHT) as loop:
            r = builder.mul(loop.index, ir.Constant(ir.IntType(64), EIGHT))
            vec.store(vec.exp_of_negative(vec.load(source, r)), to, r)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def scale_row(typing, into, at, table, place, centre, centre_at, scale, scale_at, sign):
    """into[at + l] = sign * ((table[place + l] - centre[l]) * scale[l]) for every lane l; flat arrays."""
    signature = types.void(into, at, table, place, centre, centre_at, scale, scale_at, sign)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, of, less, by = vec.arrays(0, 2, 4, 6)
        turn = vec.everywhere(args[8])
        for lane in HALVES:
            gap = builder.fsub(vec.load(of, lane), vec.load(less, lane))
            vec.store(vec.times(turn, vec.times(gap, vec.load(by, lane))), to, lane)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def add_by_lane(typing, into, at, left, right, right_at):
    """into[at + l] += sum of left[i WIDE + l] right[right_at + i WIDE + l] over eight rows i; flat arrays."""
    signature = types.void(into, at, left, right, right_at)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        (to, other), one = vec.arrays(0, 3), vec.array(2)
        for lane in HALVES:
            total = vec.load(to, lane)
            for i in range(CHUNK):
                total = vec.fused(vec.load(one, i * WIDE + lane), vec.load(other, i * WIDE + lane), total)
            vec.store(total, to, lane)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def add_squares(typing, into, at, factor, factor_at, x, x_at):
    """into[at + l] += sum of factor[factor_at + i] x[x_at + i WIDE + l]^2 over eight rows i; flat arrays."""
    signature = types.void(into, at, factor, factor_at, x, x_at)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, by, of = vec.arrays(0, 2, 4)
        for lane in HALVES:
            total = vec.load(to, lane)
            for i in range(CHUNK):
                value = vec.load(of, i * WIDE + lane)
                total = vec.fused(vec.spread(by, i), vec.times(value, value), total)
            vec.store(total, to, lane)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def predict_rows(typing, into, start, start_at, x, x_at, z, z_at, beta, q):
    """Linear predictor of eight rows from q columns of theirs and the one of each lane; flat arrays.

    into[i WIDE + l] = start[start_at + i WIDE + l] + x[x_at + i WIDE + l] beta[q WIDE + l] + the sum over
    a < q of z[z_at + a CHUNK + i] beta[a WIDE + l].
    """
    signature = types.void(into, start, start_at, x, x_at, z, z_at, beta, q)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        to, slope = vec.array(0), vec.array(7)
        level, of, by = vec.arrays(1, 3, 5)
        wide, chunk = (ir.Constant(ir.IntType(64), k) for k in (WIDE, CHUNK))
        last = vec.element(slope, builder.mul(args[8], wide))
        for first in range(0, CHUNK, FEW_ROWS):
            for lane in HALVES:
                rows = range(first, first + FEW_ROWS)
                factor, at = vec.load(last, lane), [i * WIDE + lane for i in rows]
                total = Running(vec, [vec.fused(vec.load(of, k), factor, vec.load(level, k)) for k in at])
                with vec.count_up(args[8]) as loop:
                    own = vec.element(by, builder.mul(loop.index, chunk))
                    factor = vec.load(vec.element(slope, builder.mul(loop.index, wide)), lane)
                    each = zip(rows, total.get())
                    total.set(*[vec.fused(vec.spread(own, i), factor, value) for i, value in each])
                for k, value in zip(at, total.get()):
                    vec.store(value, to, k)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def exp_of_negative(typing, x):
    """exp(x) for x <= 0 to 2e-16 of its value, in instructions that work on vectors; e^-708 below -708."""

    def generate(context, builder, sig, args):
        return Vectors(context, builder, sig, args).exp_of_negative(args[0])

    return types.float64(types.float64), generate


@inlined
def add_columns(into, at, weighted, first, values, there, q):
    """Sums of a chunk's `values` times each of its q weighted base columns."""
    a = 0
    while a + 3 <= q:
        add_products(into, at + a * WIDE, weighted, first + a * CHUNK, values, there, 3, 8, 8, 1)
        a += 3
    while a < q:
        add_products(into, at + a * WIDE, weighted, first + a * CHUNK, values, there, 1, 8, 8, 1)
        a += 1


@compiled
def zeros_at_line(size):
    """(size,) of 0 that begins with a line of the cache, so that no vector of eight lies on two of them."""
    room = np.zeros(size + EIGHT - 1)
    first = (-(room.ctypes.data // 8)) % EIGHT
    return room[first : first + size]
