"""Degradation curves: `python tests/benchmarks/bench_degradation.py` writes shared/degradation anew.

Records: the six of the published circulation model (shared/waveforms), and the same with an exponential fall
of 60 ms towards 0 mmHg put in, whose corner is rounded by 8 ms: the model's own relaxation is slower than in
life and no exponential (tests/beats/test_relaxation_published_model.py). The falls serve what lives in
relaxation and early diastole; everything else is measured on the model's own beats.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from discovery.beats.degradation import degradation_table, over_records, with_exponential_fall
from discovery.beats.gates import gate_table
from discovery.beats.registry import FEATURES
from discovery.figures.degradation import draw_degradation_curves, draw_line_errors
from discovery.figures.save import save_figure
from discovery.seeds import named_rng

SHARED = Path(__file__).resolve().parents[2] / "shared"
SEED = 20261125
FALL = {"tau_s": 0.060, "asymptote": 0.0, "rounding_s": 0.008}
KEYS = [
    key
    for key, f in FEATURES.items()
    if f.level in ("beat", "ensemble") and set(f.channels) <= {"RVP", "PAP"} and not f.classes
    and not key.startswith("sq_")
]  # fmt: skip
# On the falls: relaxation, the start of diastole, and the single-beat maximum (the model's own fall meets a
# bound of its fit). The knee is left out: putting a fall in makes a second bend.
ON_FALLS = [
    key
    for key in KEYS
    if FEATURES[key].family == "relaxation" or FEATURES[key].gate == "diastolic"
    or key in ("rv_end_diastolic_pressure", "rv_pmax", "rv_pmax_4p", "rv_coupling_ratio_rvsp")
]  # fmt: skip
ON_BEATS = [key for key in KEYS if FEATURES[key].family != "relaxation"]


def record_tables(name: str, row: pd.Series, **options) -> list[pd.DataFrame]:
    """The tables of one published-model record: its own beats, and those with the falls."""
    source = pd.read_csv(SHARED / "waveforms" / "published_model" / f"{name}.csv.gz")
    rv, pa = source["rvp"].to_numpy(), source["pap"].to_numpy()
    falls, rate = with_exponential_fall(
        rv, 250.0, first_s=row["first_onset"], cycle_s=60.0 / row["hr"], **FALL
    )
    rng = named_rng(SEED, "degradation", name)
    own = degradation_table(rv, 250.0, ON_BEATS, rng, pa=pa, **options)
    return [own, degradation_table(falls, rate, ON_FALLS, rng, **options)]


def full_table() -> pd.DataFrame:
    truth = pd.read_csv(SHARED / "waveforms" / "published_model" / "truth.csv").set_index("record")
    tables = [table for name, row in truth.iterrows() for table in record_tables(str(name), row)]
    return over_records(tables)


def main() -> None:
    table = full_table()
    today = datetime.now(UTC).date().isoformat()
    folder = SHARED / "degradation"
    folder.mkdir(exist_ok=True)
    said = table.assign(seed=SEED, date=today)
    said.to_csv(folder / "degradation.csv", index=False, float_format="%.6g", lineterminator="\n")
    gates = gate_table(pd.read_csv(folder / "degradation.csv"))
    gates.to_csv(folder / "gates.csv", index=False, float_format="%.6g", lineterminator="\n")
    for name, draw in (("curves", draw_degradation_curves), ("lines", draw_line_errors)):
        saved = save_figure(f"degradation_{name}", draw, table, SHARED / "pictures")
        saved.pdf.unlink()
        saved.csv.unlink()
    print(gates.to_string(index=False))


if __name__ == "__main__":
    main()
