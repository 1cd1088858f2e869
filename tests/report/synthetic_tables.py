"""Finished tables as the stages would hand them over, made up; only the shapes and the columns matter.

The numbers follow one plan: 12 families, a few real ones, estimates with noise. Nothing is fitted.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

MEASURES = {
    "survival": "log hazard ratio per 1 SD",
    "binary": "log odds ratio per 1 SD",
    "continuous": "standardised slope (outcome SD per 1 SD)",
}
GAINS = {"survival": "C", "binary": "AUC", "continuous": "R2"}
QUANTITIES = (
    "RV end-diastolic pressure",
    "RV systolic pressure",
    "RV maximum dP/dt",
    "RV minimum dP/dt",
    "Relaxation time constant",
    "PA pulse pressure",
    "PA diastolic pressure",
    "Heart rate",
    "RV developed pressure",
    "Pressure–time area",
    "Respiratory swing",
    "Beat-to-beat variability",
)
STATISTICS = (
    "median",
    "interquartile range",
    "5th percentile",
    "95th percentile",
    "trend per hour",
    "burden above limit",
    "coefficient of variation",
    "longest episode",
)
HOSTILE = (
    "<script>alert(1)</script>",
    "\"quoted\" & 'single' </script><img src=x onerror=alert(2)>",
    '=HYPERLINK("a")',
    "$\\frac{1}{x$_{unclosed",
    "右室圧 dP/dt 最大値",
    "Größe_der_höchsten_Druckanstiegsgeschwindigkeit_im_rechten_Ventrikel_je_Herzschlag",
    "javascript:alert(3)",
    "--><b>x</b>",
    "{{ 7*7 }}",
    "\u202ereversed\x07bell",
)


def benjamini_hochberg(p: np.ndarray) -> np.ndarray:
    order = np.argsort(p)
    scaled = p[order] * len(p) / np.arange(1, len(p) + 1)
    q = np.empty(len(p))
    q[order] = np.minimum.accumulate(scaled[::-1])[::-1]
    return np.minimum(q, 1.0)


def feature_names(count: int, *, hostile: bool = False) -> tuple[list[str], list[str], list[str]]:
    """Keys, labels and families of `count` features."""
    keys, labels, families = [], [], []
    for k in range(count):
        quantity, statistic = QUANTITIES[k % 12], STATISTICS[(k // 12) % 8]
        keys.append(f"f{k:03d}_" + quantity.lower().replace(" ", "_").replace("/", "_").replace("–", "_"))
        more = f", window {k // 96 + 1}" if k >= 96 else ""
        labels.append(f"{quantity}, {statistic}{more}")
        families.append(quantity)
    if hostile:
        for k, name in enumerate(HOSTILE):
            keys[k] = labels[k] = name
            families[k] = name if k % 2 else families[k]
    return keys, labels, families


def markers_for(
    outcome: str,
    kind: str,
    *,
    count: int = 30,
    n: int = 240,
    events: int | None = 90,
    seed: int = 1,
    signal: float = 1.0,
    hostile: bool = False,
) -> pd.DataFrame:
    from statistics import NormalDist

    rng = np.random.default_rng([seed, len(outcome)])
    keys, labels, families = feature_names(count, hostile=hostile)
    group = np.arange(count) % 12
    truth = signal * np.select([group == 2, group == 6, group == 4], [0.55, -0.4, 0.25], 0.0)
    size = events if events else n / 3
    se = rng.uniform(0.9, 1.15, count) / np.sqrt(size)
    estimate = truth + se * (0.8 * rng.standard_normal(12)[group] + 0.6 * rng.standard_normal(count))
    z = estimate / se
    p = np.array([max(2 * NormalDist().cdf(-abs(value)), 1e-300) for value in z])
    q = benjamini_hochberg(p)
    weight = 0.06 / (0.06 + se**2)
    shrunk = estimate * weight * (1 - 0.8 * np.minimum(q, 1))
    order = np.argsort(-np.abs(z), kind="stable")
    rank = np.empty(count, int)
    rank[order] = np.arange(1, count + 1)
    spread = np.clip(count * 0.5 * np.exp(-np.abs(z) / 3) + 1, 1, count)
    top = 1 / (1 + np.exp((rank - 10) / 3))
    gain = 0.012 * (np.abs(z) - 2.2) / 2
    word = np.select(
        [(q <= 0.05) & (gain > 0.012), q <= 0.05, q <= 0.1],
        ["strong candidate", "candidate", "suggestive"],
        "not supported",
    ).astype(object)
    lead = pd.Series(np.abs(z)).groupby(group).transform("max").to_numpy() == np.abs(z)
    table = pd.DataFrame(
        {
            "outcome": outcome,
            "rank": rank,
            "feature": keys,
            "label": labels,
            "family": families,
            "effect_measure": MEASURES[kind],
            "estimate": estimate,
            "ci_low": estimate - 1.96 * se,
            "ci_high": estimate + 1.96 * se,
            "p_value": p,
            "q_value": q,
            "shrunk_estimate": shrunk,
            "gain_measure": GAINS[kind],
            "gain": gain,
            "gain_low": gain - 0.02,
            "gain_high": gain + 0.022,
            "rank_low": np.clip(rank - spread, 1, count).round(),
            "rank_high": np.clip(rank + spread, 1, count).round(),
            "probability_in_top": top,
            "redundancy_group": [f"group {g + 1}" for g in group],
            "n": n - (rank % 7),
            "events": np.nan if events is None else events - rank % 3,
            "n_left_out": rank % 7,
            "verdict": word,
            "se_null": se,
            "detectable_effect": se
            * (NormalDist().inv_cdf(1 - 0.025 / count / 3) + NormalDist().inv_cdf(0.8)),
            "detectable_level": 0.05 / count / 3,
            "flags": np.where(rank % 9 == 0, "nonlinear; fewer than 10 events per parameter", ""),
        }
    ).iloc[order]
    table["lead"] = lead[order]
    failed = table.index[-1]  # the last one could not be fitted
    table.loc[
        failed,
        [
            "estimate",
            "ci_low",
            "ci_high",
            "p_value",
            "q_value",
            "shrunk_estimate",
            "gain",
            "gain_low",
            "gain_high",
            "rank",
            "rank_low",
            "rank_high",
            "probability_in_top",
        ],
    ] = np.nan
    table.loc[failed, "verdict"] = "not assessable"
    return table.drop(columns="lead").reset_index(drop=True)


def study_tables(*, count: int = 30, hostile: bool = False, signal: float = 1.0) -> dict[str, pd.DataFrame]:
    """Every table of a run with three outcomes (survival with competing events, binary, continuous)."""
    plan = (
        ("death_or_rv_failure", "survival", 240, 88),
        ("responder", "binary", 236, 61),
        ("walk_change", "continuous", 201, None),
    )
    markers = pd.concat(
        [
            markers_for(name, kind, count=count, n=n, events=events, hostile=hostile, signal=signal)
            for name, kind, n, events in plan
        ],
        ignore_index=True,
    )
    rows = []
    for row in markers.itertuples():
        common = {
            "outcome": row.outcome,
            "feature": row.feature,
            "effect_measure": row.effect_measure,
            "n": row.n,
            "events": row.events,
            "n_left_out": row.n_left_out,
            "p_familywise": min(1.0, 20 * (row.p_value or 1)),
        }
        rows.append(
            {
                **common,
                "model": "main",
                "term": row.feature,
                "estimate": row.estimate,
                "ci_low": row.ci_low,
                "ci_high": row.ci_high,
                "p_value": row.p_value,
                "q_value": row.q_value,
                "method": "likelihood ratio; profile interval",
                "note": "" if row.estimate == row.estimate else "not converged after 30 steps",
            }
        )
        rows.append(
            {
                **common,
                "model": "without site",
                "term": row.feature,
                "estimate": row.estimate * 1.08,
                "ci_low": row.ci_low * 1.08,
                "ci_high": row.ci_high * 1.08,
                "p_value": row.p_value,
                "q_value": np.nan,
                "method": "likelihood ratio; Wald interval",
                "note": "sensitivity",
            }
        )
    sites = ("North", "East", "South", "West")
    keys, labels, families = feature_names(count, hostile=hostile)
    miss = [
        {
            "variable": key,
            "label": label,
            "by": "site" if level else "all",
            "level": level,
            "n": 60 if level else 240,
            "n_missing": (3 * k + 5 * s) % 17,
            "percent_missing": 100 * ((3 * k + 5 * s) % 17) / (60 if level else 240),
        }
        for k, (key, label) in enumerate(zip(keys, labels))
        for s, level in enumerate(("", *sites))
    ]
    return {
        "markers": markers,
        "associations": pd.DataFrame(rows),
        "missing": pd.DataFrame(miss),
        "baseline": baseline(sites),
        "families": families_of(markers),
        "attrition": attrition(),
        "excluded_features": pd.DataFrame(
            {"feature": ["rv_flag", "batch"], "reason": ["constant", "all values missing"]}
        ),
        "correlations": correlations(keys[:60], labels[:60], families[:60]),
    }


def families_of(markers: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for (outcome, group), block in markers.groupby(["outcome", "redundancy_group"], sort=False):
        best = block.sort_values("rank").iloc[0]
        rows.append(
            {
                "outcome": outcome,
                "family": best["feature"],
                "redundancy_group": group,
                "lead": best["feature"],
                "size": len(block),
                "members": "; ".join(block["feature"]),
                "best": best["rank"],
            }
        )
    table = pd.DataFrame(rows).sort_values(["outcome", "best"], kind="stable")
    place = table.groupby("outcome").cumcount() + 1
    return table.assign(
        family_rank=place,
        family_rank_low=np.maximum(place - 2, 1),
        family_rank_high=place + 3,
        family_probability_in_top=1 / (1 + np.exp(place - 3)),
        family_top_k=3,
        candidates=0,
    )


def baseline(sites: tuple[str, ...]) -> pd.DataFrame:
    """A tidy baseline table: continuous, binary, categorical, with a masked cell."""
    rows = []
    for g, group in enumerate(("overall", *sites)):
        size = 60 if g else 240
        common = {
            "group": group,
            "group_n": size,
            "n": size,
            "missing": 0,
            "suppressed": False,
            "smd": 0.08 * g,
        }
        rows.append(
            {
                **common,
                "variable": "age_years",
                "label": "Age",
                "unit": "years",
                "statistic": "continuous",
                "level": "",
                "mean": 63.2 + g,
                "sd": 11.4,
                "median": 64.0 + g,
                "q1": 55.0,
                "q3": 72.0,
            }
        )
        for level, share in (("female", 0.46), ("male", 0.54)):
            rows.append(
                {
                    **common,
                    "variable": "sex",
                    "label": "Sex",
                    "unit": "",
                    "statistic": "categorical",
                    "level": level,
                    "count": round(share * size),
                    "percent": 100 * share,
                }
            )
        rows.append(
            {
                **common,
                "variable": "dialysis",
                "label": "On dialysis",
                "unit": "",
                "statistic": "binary",
                "level": "1",
                "count": None if g == 2 else 7,
                "percent": None if g == 2 else 700 / size,
                "suppressed": g == 2,
                "missing": 3,
            }
        )
    return pd.DataFrame(rows)


def attrition() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "step": [
                "Rows in the patient table",
                "With a feature row",
                "Outcome known",
                "Covariates complete",
            ],
            "n": [262, 251, 243, 240],
            "n_left_out": [0, 11, 8, 3],
            "reason": [
                "",
                "no row in the feature table",
                "lost before the first visit",
                "body surface area missing",
            ],
        }
    )


def correlations(keys: list[str], labels: list[str], families: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(5)
    order = sorted(range(len(keys)), key=lambda k: (families[k], k))
    codes = {f: k for k, f in enumerate(dict.fromkeys(families))}
    shared = rng.standard_normal((80, len(codes)))
    x = np.column_stack([shared[:, codes[families[k]]] + 0.6 * rng.standard_normal(80) for k in order])
    rho = np.corrcoef(x, rowvar=False)
    return pd.DataFrame(
        [
            {
                "feature": keys[a],
                "other": keys[b],
                "correlation": rho[i, j],
                "label": labels[a],
                "family": families[a],
            }
            for i, a in enumerate(order)
            for j, b in enumerate(order)
            if j <= i
        ]
    )


def curves(*, competing: bool = False, seed: int = 3) -> pd.DataFrame:
    """Step curves by third; the formula is the product-limit one, written out slowly."""
    rng = np.random.default_rng(seed)
    rows = []
    for g, group in enumerate(("lowest third", "middle third", "highest third")):
        time = rng.exponential(1400 / (1 + 0.8 * g), 80).round()
        stop = rng.uniform(200, 1800, 80).round()
        t, event = np.minimum(time, stop), np.where(time <= stop, 1 + (rng.random(80) < 0.35) * competing, 0)
        for curve, code in (
            (("death or RV failure", 1), ("transplant", 2)) if competing else (("survival", 1),)
        ):
            s, f = 1.0, 0.0
            rows.append(
                {
                    "part": "curve",
                    "group": group,
                    "curve": curve,
                    "time": 0.0,
                    "estimate": 0.0 if competing else 1.0,
                    "ci_low": 0.0 if competing else 1.0,
                    "ci_high": 0.0 if competing else 1.0,
                }
            )
            for at in np.unique(t[event > 0]):
                risk = (t >= at).sum()
                f += s * ((t == at) & (event == code)).sum() / risk
                s *= 1 - ((t == at) & (event > 0)).sum() / risk
                value = f if competing else s
                half = 1.96 * np.sqrt(value * (1 - value) / 80)
                rows.append(
                    {
                        "part": "curve",
                        "group": group,
                        "curve": curve,
                        "time": at,
                        "estimate": value,
                        "ci_low": max(value - half, 0),
                        "ci_high": min(value + half, 1),
                    }
                )
        rows += [
            {"part": "at risk", "group": group, "time": at, "n_at_risk": int((t >= at).sum())}
            for at in range(0, 1801, 300)
        ]
    return pd.DataFrame(rows)


def roc(seed: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for name, shift in (("base model", 0.6), ("base model + RV maximum dP/dt, median", 1.1)):
        case, control = rng.normal(shift, 1, 61), rng.normal(0, 1, 175)
        auc = (case[:, None] > control).mean()
        for cut in [np.inf, *np.sort(np.r_[case, control])[::-1]]:
            rows.append(
                {
                    "marker": name,
                    "fpr": (control >= cut).mean(),
                    "tpr": (case >= cut).mean(),
                    "auc": auc,
                    "auc_low": auc - 0.07,
                    "auc_high": auc + 0.06,
                }
            )
    return pd.DataFrame(rows)


def residual(seed: int = 6) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    bins = [
        {"part": "bin", "x": x, "y": 0.35 * x + rng.normal(0, 0.12), "n": 20}
        for x in np.linspace(-1.8, 1.8, 10)
    ]
    for row in bins:
        row |= {"ci_low": row["y"] - 0.35, "ci_high": row["y"] + 0.35}
    line = [
        {
            "part": "line",
            "x": x,
            "y": 0.35 * x,
            "ci_low": 0.35 * x - 0.1 - 0.06 * abs(x),
            "ci_high": 0.35 * x + 0.1 + 0.06 * abs(x),
            "n": np.nan,
        }
        for x in np.linspace(-2.4, 2.4, 41)
    ]
    return pd.DataFrame(bins + line)


def leading(markers: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Curves, receiver operating characteristic and residuals of each outcome's first feature."""
    first = markers.sort_values("rank").drop_duplicates("outcome").set_index("outcome")["feature"]
    both = curves(competing=True)
    at = {"outcome": "death_or_rv_failure", "feature": first["death_or_rv_failure"]}
    return {
        "curves": both[both["part"] == "curve"].drop(columns=["part", "n_at_risk"]).assign(**at),
        "at_risk": both.loc[both["part"] == "at risk", ["group", "time", "n_at_risk"]].assign(**at),
        "roc": roc().assign(outcome="responder", feature=first["responder"]),
        "residuals": residual().assign(outcome="walk_change", feature=first["walk_change"]),
    }


def run_settings(*, count: int = 30, hostile: bool = False, **changes):
    from dataclasses import replace

    from discovery.problems import Problem
    from discovery.report.settings import OutcomeRun, RunSettings

    odd = HOSTILE[1] if hostile else "Pre-planned test registry"
    settings = RunSettings(
        name="synthetic",
        title=f"Right-heart catheter registry: {odd}",
        seed=20261125,
        n_patients=240,
        n_features=count,
        outcomes=(
            OutcomeRun(
                name="death_or_rv_failure",
                label=HOSTILE[0] if hostile else "Death or RV failure",
                kind="survival",
                n=240,
                events=88,
                competing={"transplant": 21},
                time_unit="days",
                base_terms=3,
                median_follow_up=812.0,
                follow_up_limits=(745.0, 861.0),
            ),
            OutcomeRun(
                name="responder",
                label="Responder at 6 months",
                kind="binary",
                n=236,
                events=61,
                base_terms=6,
                firth=True,
            ),
            OutcomeRun(
                name="walk_change",
                label="Change of 6-minute walk",
                kind="continuous",
                n=201,
                unit="m",
                base_terms=6,
            ),
        ),
        covariates=("age_years", "sex", "body_surface_area_m2"),
        site="site",
        sites=4,
        replicates=1000,
        permutations=10_000,
        files=("patients.csv", "features.csv"),
        input_hashes={"patients.csv": "0" * 64, "features.csv": "1" * 64},
        versions={"python": "3.11.2", "numpy": "2.4.6", "pandas": "2.3.3", "discovery": "0.1.0"},
        problems=(
            Problem(
                file="features.csv",
                row=17,
                column=HOSTILE[0] if hostile else "rv_flag",
                found="=1+1",
                wanted="a number is wanted; the cell was left empty",
                severity="warning",
            ),
        ),
    )
    return replace(settings, **changes)
