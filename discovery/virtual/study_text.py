"""The study file and the README of a virtual cohort."""

from __future__ import annotations

STUDY = """# Invented: a virtual registry with known truth (truth.json). No such patients, no such hospitals.

[study]
name = "demo"
title = "Virtual right-heart catheter registry, four fictional hospitals"
seed = {seed}

[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
etiology = "etiology"
adjust_for = ["age_years", "sex", "body_surface_area_m2", "heart_rate_bpm"]

[patients.labels]
age_years = "Age (years)"
sex = "Sex"
body_surface_area_m2 = "Body surface area (m²)"
heart_rate_bpm = "Heart rate (beats/min)"

[patients.levels.etiology]
no_rv_disease = "No RV disease"
pre_capillary_ph = "Pre-capillary pulmonary hypertension"
left_heart_disease = "Left-heart disease"
thromboembolic_disease = "Thromboembolic disease"
rv_infarction = "Right-ventricular infarction"
restrictive_disease = "Infiltrative or restrictive disease"
volume_overload = "Volume overload"
chronic_lung_disease = "Chronic lung disease"

[patients.levels.site]
alder = "Alder"
birch = "Birch"
cedar = "Cedar"
fir = "Fir"

[recordings]
folder = "recordings"
channels = {{ rv = "RVP", pa = "PAP", cvp = "CVP", ecg = "ECG", svo2 = "SvO2" }}
units = "mmHg"
least_windows = 1  # a recording is one minute

[analysis]
replicates = 200  # bootstrap draws; 1000 unless said otherwise: a demonstration should not take long

[[outcomes]]
name = "rv_failure"
label = "RV failure within a year"
kind = "binary"
column = "rv_failure"
positive = 1

[[outcomes]]
name = "death"
label = "Death, transplant competing"
kind = "survival"
time = "time_days"
status = "status"
event = 1
competing = [2]
competing_labels = ["Transplant"]
entry = "entry_days"
unit = "days"

[[outcomes]]
name = "walk_distance"
label = "Walk distance in six minutes"
kind = "continuous"
column = "walk_distance_m"
unit = "m"

[[outcomes]]
name = "desaturation"
label = "Episodes of venous desaturation"
kind = "recurrent"
file = "desaturations.csv"
time = "hours"
followup = "monitored_hours"
unit = "hours"
defined_from = ["*svo2*", "venous_desaturation_*"]

[[outcomes]]
name = "site_bruise"
label = "Bruise at the puncture site (by chance alone)"
kind = "binary"
column = "site_bruise"
positive = 1

[[outcomes]]
name = "long_stay"
label = "Stay over ten days (by hospital alone)"
kind = "binary"
column = "long_stay"
positive = 1
"""

README = """# demo: a virtual right-heart catheter registry

Everything here is invented by a computer model: the patients, the four hospitals and every number. No such
patient or hospital exists. For testing and teaching; no result is a threshold for care.

    discovery demo

makes the patients and their recordings here on first use (`--patients N` for another number than 240),
then measures and analyses them; later runs take what stands here. The study file may be edited: the demo uses
it as it stands. Once made, the folder is a cohort like any other (`discovery run`, `check`, `measure`).

| file | one row is |
| --- | --- |
| `study.toml` | the study |
| `patients.csv` | a patient: covariates, notes of the visit, outcomes |
| `recordings/index.csv` | a WFDB record of a minute: RV pressure; in most, PA, CVP, ECG, SvO2 |
| `desaturations.csv` | an episode of venous desaturation, hours from the start of monitoring |
| `svo2_trends.parquet` | a sample of the monitoring from which the episodes were counted |
| `latent.csv` | what is true of a visit: contractility, load, coupling, relaxation |
| `truth.json` | what drives each outcome, which features carry it, which are decoys; number and seed |

A quarter of the patients come a second time, 80 to 300 days later. The first visit is analysed; the second
tells how well each feature is repeated. The hospitals differ in case mix, in their lines and in how high they
hang the transducer; two outcomes are traps: one is chance, the other goes with the hospital alone.
"""
