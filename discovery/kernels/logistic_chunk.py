"""What a chunk of eight rows adds for a tile of logistic models, once their linear predictors are there.

Element (row i, lane l) stands at i WIDE + l, as in `tiles`; all arrays are flat.
"""

from __future__ import annotations

from llvmlite import ir
from numba import types

from .tiles import CHUNK, HALVES, WIDE
from .vectors import Running, Vectors, intrinsic, number


def each_vector(vec: Vectors, sums, several: int):
    """Over half of the lanes, then the other, row by row: the row, its first element, and the running sums.

    The `several` sums by lane stand at `sums`, each WIDE apart.
    """
    wide = ir.Constant(ir.IntType(64), WIDE)
    for lane in HALVES:
        places = [s * WIDE + lane for s in range(several)]
        running = Running(vec, [vec.load(sums, place) for place in places])
        with vec.count_up(CHUNK) as loop:
            place = vec.builder.mul(loop.index, wide)
            yield loop.index, vec.builder.add(place, ir.Constant(ir.IntType(64), lane)), running
        for place, total in zip(places, running.get()):
            vec.store(total, sums, place)


@intrinsic
def judge_rows(typing, sums, ratio, u, x, at, residual, v, vx, weight, first):
    """Residual and variance of a chunk at the linear predictor `u` in favour of the outcome seen.

    residual, v : 1 - mu and mu (1 - mu), from element `at` on, as `x`.
    ratio, vx : 1 + exp(-|u|) and v x, of the chunk alone.
    sums (4 WIDE) : by lane the product of `ratio`, and sums of w min(u, 0), w residual x and w v x^2 go on.
    weight : w, from `first` on.
    """
    signature = types.void(sums, ratio, u, x, at, residual, v, vx, weight, first)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        above, predictor, scaled = (vec.array(k) for k in (1, 2, 7))
        of, wrong, variance = (vec.array(k, args[4]) for k in (3, 5, 6))
        by = vec.array(8, args[9])
        one = number(1.0)
        for row, k, running in each_vector(vec, vec.array(0), 4):
            product, short, score, square = running.get()
            eta, value, w = vec.load(predictor, k), vec.load(of, k), vec.spread(by, row)
            shrunk = vec.exp_of_negative(builder.fneg(vec.magnitude(eta)))
            both = builder.fadd(one, shrunk)
            high = builder.fdiv(one, both)
            low = vec.times(shrunk, high)
            residual = vec.where(eta, ">=", number(0.0), low, high)
            v = vec.times(low, high)
            vx = vec.times(v, value)
            vec.store(both, above, k)
            vec.store(residual, wrong, k)
            vec.store(v, variance, k)
            vec.store(vx, scaled, k)
            weighted = vec.times(w, value)
            running.set(
                vec.times(product, both),
                vec.fused(w, vec.where(eta, ">", number(0.0), number(0.0), eta), short),
                vec.fused(weighted, residual, score),
                vec.fused(weighted, vx, square),
            )
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def bend_rows_at_base(typing, values, by_fourth, u, third, third_at, fourth, fourth_at):
    """values = third u^2, and by_fourth[l] += the sum of fourth u^4; `third` and `fourth` by row."""
    signature = types.void(values, by_fourth, u, third, third_at, fourth, fourth_at)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        into, total, step = (vec.array(k) for k in range(3))
        third, fourth = vec.arrays(3, 5)
        for row, k, running in each_vector(vec, total, 1):
            along = vec.load(step, k)
            square = vec.times(along, along)
            vec.store(vec.times(vec.spread(third, row), square), into, k)
            running.set(vec.fused(vec.spread(fourth, row), vec.times(square, square), *running.get()))
        return context.get_dummy_value()

    return signature, generate


@intrinsic
def bend_rows(typing, values, spread, along, across, residual, v, at, weight, first):
    """With T = w v (1 - 2 residual): values = T along^2, and spread[l] += the sum of T along across^2.

    `v` and `residual` from element `at` on, the weight w from `first` on.
    """
    signature = types.void(values, spread, along, across, residual, v, at, weight, first)

    def generate(context, builder, sig, args):
        vec = Vectors(context, builder, sig, args)
        into, total, step, other = (vec.array(k) for k in range(4))
        wrong, variance, by = vec.array(4, args[6]), vec.array(5, args[6]), vec.array(7, args[8])
        for row, k, running in each_vector(vec, total, 1):
            lean = vec.fused(-2.0, vec.load(wrong, k), 1.0)
            third = vec.times(vec.times(vec.spread(by, row), vec.load(variance, k)), lean)
            moved, aside = vec.load(step, k), vec.load(other, k)
            bent = vec.times(third, moved)
            vec.store(vec.times(bent, moved), into, k)
            running.set(vec.fused(bent, vec.times(aside, aside), *running.get()))
        return context.get_dummy_value()

    return signature, generate
