"""Which measured features carry a latent quantity, and which only look as if they did."""

from __future__ import annotations

CARRIERS = {
    "coupling": [
        "rv_coupling_ratio", "rv_coupling_ratio_notch", "rv_coupling_ratio_mpap", "rv_coupling_ratio_rvsp",
    ],
    "tau": ["rv_tau_exponential", "rv_tau_logistic", "rv_tau_dpdt_p", "rv_tau_weiss", "rv_tau_half"],
}  # fmt: skip
DECOYS = {
    "heart_rate": "follows age, sex and drugs alone; adjusting for the rate in the notes explains it",
    "rr_interval": "as heart_rate",
    "body_surface_area": "scales volumes and flows; adjusting for size explains it",
    "respiratory_swing": "set by breathing alone",
}
