"""Which measured features carry a latent quantity, and which only look as if they did."""

from __future__ import annotations

# Each follows from the equations: end-systole on a line of slope Ees against the slope Ea, and activation
# that dies out with tau. Minimum diastolic pressure carries both, so it stands in both lists.
CARRIERS = {
    "coupling": [
        "rv_coupling_ratio",
        "rv_coupling_ratio_notch",
        "rv_coupling_ratio_mpap",
        "rv_coupling_ratio_rvsp",
        "rv_systolic_skewness",
        "rv_systolic_centroid",
        "rv_fractional_time_to_half_area",
        "rv_time_to_peak_fraction",
        "rv_minimum_diastolic_pressure",
        "stroke_volume",
        "stroke_volume_index",
        "cardiac_output",
        "cardiac_index",
        "svo2",
        "pa_effective_elastance",
    ],
    "tau": [
        "rv_tau_exponential",
        "rv_tau_weiss",
        "rv_tau_logistic",
        "rv_tau_dpdt_p",
        "rv_tau_half",
        "rv_minimum_diastolic_pressure",
        "rv_diastolic_pressure_gradient",
        "rv_early_diastolic_rise_fraction",
    ],
}
DECOYS = {
    "heart_rate": "follows age, sex and drugs alone; adjusting for the rate in the notes explains it",
    "rr_interval": "as heart_rate",
    "body_surface_area": "scales volumes and flows; adjusting for size explains it",
    "respiratory_swing": "set by breathing alone",
}
