"""Vectors of eight float64 in the code of a loop, which LLVM cuts to the width of any processor."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import extending
from numba.core import cgutils

EIGHT = 8
intrinsic: Any = extending.intrinsic
_DOUBLES = ir.VectorType(ir.DoubleType(), EIGHT)


def number(value: float, kind=_DOUBLES) -> ir.Constant:
    """A written number, in all eight places of a vector."""
    return ir.Constant(kind, [value] * EIGHT if isinstance(kind, ir.VectorType) else value)


class Vectors:
    """Writes the instructions of one intrinsic, whose arguments are flat arrays and places in them."""

    def __init__(self, context, builder, sig, args):
        self.context, self.builder, self.sig, self.args = context, builder, sig, args

    def array(self, k: int, first=None):
        """Pointer into the array that is argument `k`, at its start or at the element `first`."""
        data = self.context.make_array(self.sig.args[k])(self.context, self.builder, self.args[k]).data
        return data if first is None else self.builder.gep(data, [first])

    def arrays(self, *which: int):
        """Pointers into these arguments, each an array at the element that is the next argument."""
        return [self.array(k, self.args[k + 1]) for k in which]

    def element(self, pointer, k):
        return self.builder.gep(pointer, [ir.Constant(ir.IntType(64), k) if isinstance(k, int) else k])

    def _place(self, pointer, k):
        return self.builder.bitcast(self.element(pointer, k), _DOUBLES.as_pointer())

    def load(self, pointer, k):
        """The vector that starts `k` elements after the pointer."""
        return self.builder.load(self._place(pointer, k), align=8)

    def store(self, value, pointer, k):
        self.builder.store(value, self._place(pointer, k), align=8)

    def everywhere(self, value):
        """One number in all eight places."""
        none = ir.Constant(_DOUBLES, ir.Undefined)
        one = self.builder.insert_element(none, value, ir.Constant(ir.IntType(32), 0))
        every = ir.Constant(ir.VectorType(ir.IntType(32), EIGHT), [0] * EIGHT)
        return self.builder.shuffle_vector(one, none, every)

    def spread(self, pointer, k):
        """The one element that stands `k` after the pointer, in all eight places."""
        return self.everywhere(self.builder.load(self.element(pointer, k)))

    def times(self, left, right):
        return self.builder.fmul(left, right)

    def fused(self, left, right, more):
        """left right + more, rounded once: one instruction where there is one, else the same digits."""
        return self._call("fma", left, right, more)

    def magnitude(self, value):
        return self._call("fabs", value)

    def _call(self, name, *values):
        kind = next(value.type for value in values if not isinstance(value, float))
        given = [number(value, kind) if isinstance(value, float) else value for value in values]
        name = f"llvm.{name}.{'v8f64' if kind == _DOUBLES else 'f64'}"
        to_call = ir.FunctionType(kind, [kind] * len(given))
        return self.builder.call(cgutils.get_or_insert_function(self.builder.module, to_call, name), given)

    def where(self, left, sign, right, then, otherwise):
        """`then` where the comparison holds, else, and where one side is NaN, `otherwise`."""
        return self.builder.select(self.builder.fcmp_ordered(sign, left, right), then, otherwise)

    def exp_of_negative(self, x):
        """exp(x) for x <= 0 to 2e-16 of its value, of a vector or one number; e^-708 below -708.

        x = n log 2 + r, and exp(r) from its Taylor series to r^13 (|r| < .35), added by Estrin's scheme.
        """
        fused, times, build = self.fused, self.times, self.builder
        least, magic, one = (number(value, x.type) for value in (-708.0, 6755399441055744.0, 1.0))
        x = self.where(x, "<", least, least, x)
        shifted = fused(x, 1.4426950408889634, magic)
        n = build.fsub(shifted, magic)
        r = fused(n, -1.90821492927058770002e-10, fused(n, -6.93147180369123816490e-01, x))
        r2 = times(r, r)
        r4 = times(r2, r2)
        low = fused(fused(1 / 720, r, 1 / 120), r2, fused(1 / 24, r, 1 / 6))
        middle = fused(fused(1 / 3628800, r, 1 / 362880), r2, fused(1 / 40320, r, 1 / 5040))
        high = fused(1 / 6227020800, r2, fused(1 / 479001600, r, 1 / 39916800))
        series = fused(fused(high, r4, middle), r4, low)
        near_one = build.fadd(one, fused(fused(r, series, 0.5), r2, r))
        return times(near_one, self._power_of_two(shifted))

    def _power_of_two(self, shifted):
        """2^n of the whole number n in the last bits of `shifted` = n + 1.5 2^52."""
        kind = ir.IntType(64) if shifted.type == ir.DoubleType() else ir.VectorType(ir.IntType(64), EIGHT)
        bits = self.builder.add(self.builder.bitcast(shifted, kind), number(1023, kind))
        return self.builder.bitcast(self.builder.shl(bits, number(52, kind)), shifted.type)

    def count_up(self, times):
        """As a `with` block: a loop of so many turns in the compiled code."""
        end = ir.Constant(ir.IntType(64), times) if isinstance(times, int) else times
        return cgutils.for_range(self.builder, end)


class Running:
    """Vectors that a loop changes at each turn, in registers: taken from memory before, put back after it."""

    def __init__(self, vec: Vectors, values):
        self.builder = vec.builder
        self.slots = [cgutils.alloca_once(self.builder, _DOUBLES) for _ in values]
        self.set(*values)

    def get(self):
        return [self.builder.load(slot) for slot in self.slots]

    def set(self, *values):
        for slot, value in zip(self.slots, values):
            self.builder.store(value, slot)
