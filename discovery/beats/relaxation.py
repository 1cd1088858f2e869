"""Relaxation of the averaged beat: entries of the time constants (the fits are in `relaxation_fits`)."""

from __future__ import annotations

from discovery.beats.feature import Feature
from discovery.beats.pressures import identity

_COMMON = {
    "level": "ensemble",
    "family": "relaxation",
    "group": "relaxation",
    "unit": "ms",
    "channels": ("RVP",),
    "gate": "strict",
    "offset_free": True,
    "least_rate_hz": 250.0,
    "sure_rate_hz": 250.0,
    "direction": "higher",
    "function": identity,
    "low": 5,
    "high": 200,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


_WINDOW = "from the steepest fall until pressure is within 2 mmHg of the next end-diastolic pressure"
FEATURES = (
    _entry(
        "rv_tau_exponential",
        "RV relaxation time constant, free asymptote",
        f"Time constant of an exponential with free start and asymptote fitted by least squares {_WINDOW}; "
        "at least 6 samples and R2 of 0.97.",
        needs=("tau_exponential",),
        source="Pasipoularides AD et al., J Thorac Cardiovasc Surg "
        "2002;124:964-972; Thompson DS et al., Br Heart J 1983;49:250-258; Murch 2015 for values",
        caution="wide interval when the window is short; missing where the fall is no exponential (half a "
        "cosine, as in many models); where atrial pressure exceeds end-diastolic pressure by more than "
        "2 mmHg the window runs into filling",
    ),
    _entry(
        "rv_tau_weiss",
        "RV relaxation time constant, zero asymptote",
        "Minus one over the slope of the logarithm of pressure against time in the same window, samples "
        "above 1 mmHg.",
        needs=("tau_weiss",),
        offset_free=False,
        source="Weiss JL et al., J Clin Invest 1976;58:751-760",
        caution="moves with any zeroing error",
        gate="derivative",
    ),
    _entry(
        "rv_tau_logistic",
        "RV logistic relaxation time constant",
        "Time constant of a logistic fall with free amplitude and asymptote in the same window.",
        needs=("tau_logistic",),
        low=2,
        high=150,
        source="Matsubara H et al., Circulation 1995;92:2318-2326 (left ventricle, dog)",
        caution="about half of the exponential constant",
    ),
    _entry(
        "rv_tau_dpdt_p",
        "RV relaxation time constant, slope against pressure",
        "Minus one over the slope of dP/dt regressed on pressure in the same window.",
        needs=("tau_dpdt_p",),
        source="Raff GL, Glantz SA, Circ Res 1981;48:813-824",
    ),
    _entry(
        "rv_tau_half",
        "RV pressure half-time of relaxation",
        "Time from the steepest fall until pressure is half of what it was there; missing when filling "
        "starts first.",
        needs=("tau_half",),
        low=3,
        high=140,
        offset_free=False,
        source="half-pressure method; Mirsky 1984",
        gate="derivative",
    ),
    _entry(
        "rv_relaxation_asymptote",
        "RV relaxation pressure asymptote",
        "Asymptote of the exponential fit.",
        unit="mmHg",
        low=-40,
        high=30,
        direction="unknown",
        offset_free=False,
        needs=("tau_asymptote",),
        source="Pasipoularides AD et al., J Thorac Cardiovasc Surg 2002;124:964-972 (dog)",
    ),
)
