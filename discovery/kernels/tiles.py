"""What the passes over rows are made of: sums over eight rows at a time for a tile of lanes, and exp.

A tile holds `WIDE` features side by side, in chunks of eight rows: element (row i, lane l) of a chunk stands
at i WIDE + l of a flat array. Numbers that belong to a row stand in chunks too, all eight of one column, then
those of the next. Written as vectors of eight, which LLVM cuts to the width of any processor; the order of
every sum is the written one.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import extending, njit, types
from numba.core import cgutils

from .compiled import compiled

WIDE = 16
CHUNK = 8
BLOCK = 128  # rows of one model side by side
_VECTOR = 8
FEW_SUMS = 3
intrinsic: Any = extending.intrinsic
_DOUBLES = ir.VectorType(ir.DoubleType(), _VECTOR)


def _start(context, builder, sig, args, k):
    """Pointer into the flat array `args[k]` at element `args[k + 1]`."""
    data = context.make_array(sig.args[k])(context, builder, args[k]).data
    return builder.gep(data, [args[k + 1]])


def _offset(builder, pointer, k):
    return builder.gep(pointer, [ir.Constant(ir.IntType(64), k)])


def _vector(builder, pointer, k):
    return builder.bitcast(_offset(builder, pointer, k), _DOUBLES.as_pointer())


def _everywhere(builder, value):
    none = ir.Constant(_DOUBLES, ir.Undefined)
    one = builder.insert_element(none, value, ir.Constant(ir.IntType(32), 0))
    every = ir.Constant(ir.VectorType(ir.IntType(32), _VECTOR), [0] * _VECTOR)
    return builder.shuffle_vector(one, none, every)


def _fused(builder, left, right, more):
    """left right + more, rounded once: one instruction where the processor has it, else the same digits."""
    name, kind = "llvm.fma.v8f64", ir.FunctionType(_DOUBLES, [_DOUBLES] * 3)
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), (left, right, more))


@intrinsic(prefer_literal=True)
def add_products(typing, into, at, factor, factor_at, rows, rows_at, sums, terms, step, stride):
    """Add to into[at + s WIDE + l] the sum of factor[.. + s step + i stride] rows[.. + i WIDE + l].

    Over i below `terms`, for s below `sums` and every lane l. Flat float64 arrays; the last four arguments
    are written as numbers, since they are compiled in.
    """
    how_many, each, by_sum, by_term = (k.literal_value for k in (sums, terms, step, stride))
    signature = types.void(into, at, factor, factor_at, rows, rows_at, sums, terms, step, stride)

    def generate(context, builder, sig, args):
        to, by, of = (_start(context, builder, sig, args, k) for k in (0, 2, 4))
        halves = list(range(0, WIDE, _VECTOR))
        # a factor is fetched once for all lanes where there are registers enough
        for lanes in [halves] if how_many <= FEW_SUMS else [[lane] for lane in halves]:
            places = [_vector(builder, to, s * WIDE + lane) for s in range(how_many) for lane in lanes]
            totals = [builder.load(place, align=8) for place in places]
            for i in range(each):
                values = [builder.load(_vector(builder, of, i * WIDE + lane), align=8) for lane in lanes]
                for s in range(how_many):
                    share = builder.load(_offset(builder, by, s * by_sum + i * by_term))
                    share = _everywhere(builder, share)
                    for h, value in enumerate(values):
                        at = s * len(lanes) + h
                        totals[at] = _fused(builder, share, value, totals[at])
            for place, total in zip(places, totals):
                builder.store(total, place, align=8)
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
        to, one, other = (_start(context, builder, sig, args, k) for k in (0, 2, 4))
        places = [_vector(builder, to, s * _VECTOR) for s in range(how_many)]
        totals = [builder.load(place, align=8) for place in places]
        for r in range(0, BLOCK, _VECTOR):
            value = builder.load(_vector(builder, one, r), align=8)
            for s in range(how_many):
                factor = builder.load(_vector(builder, other, s * BLOCK + r), align=8)
                totals[s] = _fused(builder, value, factor, totals[s])
        for place, total in zip(places, totals):
            builder.store(total, place, align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def multiply_block(typing, into, at, left, left_at, right, right_at):
    """into[at + r] = left[left_at + r] right[right_at + r] for r below `BLOCK`; flat arrays."""
    signature = types.void(into, at, left, left_at, right, right_at)

    def generate(context, builder, sig, args):
        to, one, other = (_start(context, builder, sig, args, k) for k in (0, 2, 4))
        for r in range(0, BLOCK, _VECTOR):
            value, factor = (builder.load(_vector(builder, p, r), align=8) for p in (one, other))
            builder.store(builder.fmul(value, factor), _vector(builder, to, r), align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def add_block(typing, into, at, column, column_at, share):
    """into[at + r] += share column[column_at + r] for r below `BLOCK`; flat arrays."""
    signature = types.void(into, at, column, column_at, share)

    def generate(context, builder, sig, args):
        to, of = (_start(context, builder, sig, args, k) for k in (0, 2))
        factor = _everywhere(builder, args[4])
        for r in range(0, BLOCK, _VECTOR):
            place = _vector(builder, to, r)
            value = builder.load(_vector(builder, of, r), align=8)
            builder.store(_fused(builder, value, factor, builder.load(place, align=8)), place, align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def scale_row(typing, into, at, table, place, centre, centre_at, scale, scale_at, sign):
    """into[at + l] = sign * ((table[place + l] - centre[l]) * scale[l]) for every lane l; flat arrays."""
    signature = types.void(into, at, table, place, centre, centre_at, scale, scale_at, sign)

    def generate(context, builder, sig, args):
        to, of, less, times = (_start(context, builder, sig, args, k) for k in (0, 2, 4, 6))
        turn = _everywhere(builder, args[8])
        for lane in range(0, WIDE, _VECTOR):
            value, middle, factor = (
                builder.load(_vector(builder, p, lane), align=8) for p in (of, less, times)
            )
            gap = builder.fmul(builder.fsub(value, middle), factor)
            builder.store(builder.fmul(turn, gap), _vector(builder, to, lane), align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def scale_rows(typing, into, factor, factor_at):
    """into[i WIDE + l] *= factor[factor_at + i] for eight rows i and every lane l; flat arrays."""
    signature = types.void(into, factor, factor_at)

    def generate(context, builder, sig, args):
        to = context.make_array(sig.args[0])(context, builder, args[0]).data
        by = _start(context, builder, sig, args, 1)
        for i in range(CHUNK):
            share = _everywhere(builder, builder.load(_offset(builder, by, i)))
            for lane in range(0, WIDE, _VECTOR):
                place = _vector(builder, to, i * WIDE + lane)
                builder.store(builder.fmul(share, builder.load(place, align=8)), place, align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def add_by_lane(typing, into, at, left, right, right_at):
    """into[at + l] += sum of left[i WIDE + l] right[right_at + i WIDE + l] over eight rows i; flat arrays."""
    signature = types.void(into, at, left, right, right_at)

    def generate(context, builder, sig, args):
        to, other = (_start(context, builder, sig, args, k) for k in (0, 3))
        one = context.make_array(sig.args[2])(context, builder, args[2]).data
        for lane in range(0, WIDE, _VECTOR):
            place = _vector(builder, to, lane)
            total = builder.load(place, align=8)
            for i in range(CHUNK):
                value, factor = (
                    builder.load(_vector(builder, p, i * WIDE + lane), align=8) for p in (one, other)
                )
                total = _fused(builder, value, factor, total)
            builder.store(total, place, align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def add_scaled(typing, into, level, level_at, x, x_at, slope, slope_at):
    """into[e] = level[level_at + e] + x[x_at + e] slope[slope_at + l] for e = i WIDE + l of eight rows."""
    signature = types.void(into, level, level_at, x, x_at, slope, slope_at)

    def generate(context, builder, sig, args):
        to = context.make_array(sig.args[0])(context, builder, args[0]).data
        start, of, times = (_start(context, builder, sig, args, k) for k in (1, 3, 5))
        for lane in range(0, WIDE, _VECTOR):
            factor = builder.load(_vector(builder, times, lane), align=8)
            for i in range(CHUNK):
                first = builder.load(_vector(builder, start, i * WIDE + lane), align=8)
                value = builder.load(_vector(builder, of, i * WIDE + lane), align=8)
                total = _fused(builder, value, factor, first)
                builder.store(total, _vector(builder, to, i * WIDE + lane), align=8)
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def _power_of_two(typing, shifted):
    """2^n of the whole number n in the last bits of `shifted` = n + 1.5 2^52."""

    def generate(context, builder, sig, args):
        whole = ir.IntType(64)
        bits = builder.add(builder.bitcast(args[0], whole), ir.Constant(whole, 1023))
        return builder.bitcast(builder.shl(bits, ir.Constant(whole, 52)), ir.DoubleType())

    return types.float64(types.float64), generate


@intrinsic
def fused(typing, left, right, more):
    """left right + more, rounded once."""

    def generate(context, builder, sig, args):
        return builder.fma(*args)

    return types.float64(types.float64, types.float64, types.float64), generate


@njit(nogil=True, error_model="numpy", inline="always")
def exp_of_negative(x):
    """exp(x) for x <= 0 to 2e-16 of its value, in instructions that work on vectors; e^-708 below -708.

    x = n log 2 + r, and exp(r) from its Taylor series to r^13 (|r| < .35), added by Estrin's scheme.
    """
    x = max(x, -708.0)
    shifted = fused(x, 1.4426950408889634, 6755399441055744.0)
    n = shifted - 6755399441055744.0
    r = fused(n, -1.90821492927058770002e-10, fused(n, -6.93147180369123816490e-01, x))
    r2 = r * r
    r4 = r2 * r2
    low = fused(fused(1 / 720, r, 1 / 120), r2, fused(1 / 24, r, 1 / 6))
    middle = fused(fused(1 / 3628800, r, 1 / 362880), r2, fused(1 / 40320, r, 1 / 5040))
    high = fused(1 / 6227020800, r2, fused(1 / 479001600, r, 1 / 39916800))
    series = fused(fused(high, r4, middle), r4, low)
    return (1.0 + fused(fused(r, series, 0.5), r2, r)) * _power_of_two(shifted)


@compiled
def add_columns(into, at, weighted, first, values, there, q):
    """Sums of a chunk's `values` times each of its q weighted base columns."""
    a = 0
    while a + 3 <= q:
        add_products(into, at + a * WIDE, weighted, first + a * CHUNK, values, there, 3, 8, 8, 1)
        a += 3
    while a < q:
        add_products(into, at + a * WIDE, weighted, first + a * CHUNK, values, there, 1, 8, 8, 1)
        a += 1
