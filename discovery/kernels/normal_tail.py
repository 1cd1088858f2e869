"""The normal distribution function and its inverse, for compiled loops."""

from __future__ import annotations

import math

from .compiled import compiled

# Wichura, Appl Stat 1988;37:477-484 (algorithm AS 241), relative accuracy about 1e-16
_A = (
    3.3871328727963666080, 1.3314166789178437745e2, 1.9715909503065514427e3, 1.3731693765509461125e4,
    4.5921953931549871457e4, 6.7265770927008700853e4, 3.3430575583588128105e4, 2.5090809287301226727e3,
)  # fmt: skip
_B = (
    1.0, 4.2313330701600911252e1, 6.8718700749205790830e2, 5.3941960214247511077e3,
    2.1213794301586595867e4, 3.9307895800092710610e4, 2.8729085735721942674e4, 5.2264952788528545610e3,
)  # fmt: skip
_C = (
    1.42343711074968357734, 4.63033784615654529590, 5.76949722146069140550, 3.64784832476320460504,
    1.27045825245236838258, 2.41780725177450611770e-1, 2.27238449892691845833e-2, 7.74545014278341407640e-4,
)  # fmt: skip
_D = (
    1.0, 2.05319162663775882187, 1.67638483018380384940, 6.89767334985100004550e-1,
    1.48103976427480074590e-1, 1.51986665636164571966e-2, 5.47593808499534494600e-4,
    1.05075007164441684324e-9,
)  # fmt: skip
_E = (
    6.65790464350110377720, 5.46378491116411436990, 1.78482653991729133580, 2.96560571828504891230e-1,
    2.65321895265761230930e-2, 1.24266094738807843860e-3, 2.71155556874348757815e-5,
    2.01033439929228813265e-7,
)  # fmt: skip
_F = (
    1.0, 5.99832206555887937690e-1, 1.36929880922735805310e-1, 1.48753612908506148525e-2,
    7.86869131145613259100e-4, 1.84631831751005468180e-5, 1.42151175831644588870e-7,
    2.04426310338993978564e-15,
)  # fmt: skip


@compiled
def normal_below(z):
    """P(Z <= z), accurate in the lower tail."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


@compiled
def _ratio(over, under, r):
    top, bottom = over[7], under[7]
    for k in range(6, -1, -1):
        top = top * r + over[k]
        bottom = bottom * r + under[k]
    return top / bottom


@compiled
def normal_quantile(p):
    """The z with P(Z <= z) = p, for 0 < p < 1."""
    q = p - 0.5
    if abs(q) <= 0.425:
        return q * _ratio(_A, _B, 0.180625 - q * q)
    tail = p if q < 0.0 else 1.0 - p
    r = math.sqrt(-math.log(tail))
    value = _ratio(_C, _D, r - 1.6) if r <= 5.0 else _ratio(_E, _F, r - 5.0)
    return -value if q < 0.0 else value


@compiled
def draw_below(limit, mean, sd, u):
    """A normal draw known to be at most `limit`, from a uniform `u` in (0, 1)."""
    share = normal_below((limit - mean) / sd)
    if share * u < 1e-300:  # the mean is so far above that the draw sits at the limit
        return limit
    return min(mean + sd * normal_quantile(share * u), limit)
