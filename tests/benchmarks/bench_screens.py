"""How fast the compiled screens are, as ratios to loops over general packages measured in the same run.

    python tests/benchmarks/bench_screens.py

Processor time of one thread, except where threads are named. The packages are timed on a sample of the
features and scaled up. Both sides alternate and the best of a few repeats counts, so that a busy machine
slows both. A loop does for each feature what the screen does: a model without the feature, one with it, the
p-value of the likelihood ratio, and an interval; making the plan (checks, scales) counts for the screen.
The libraries are loaded before their threads are counted out: spinning threads of an algebra library once
tripled the time of the logistic loop.

Ratios of 26 November 2026, two shared cores, the last of three runs; patients x features, 4 or 5 covariates:

    loop                                        150 x 60   500 x 300   2,000 x 1,000   aim
    Cox, lifelines                                 2,232       1,656             837   300
    logistic, statsmodels                            242         230             162   100
    logistic, profile intervals on both sides        718         663             484   100
    multinomial, statsmodels                         196         176             104    50
    least squares, statsmodels                       142         212             119   100

A whole `screen()` call, from the tables of a study to a table with q-values, against the same loops:

    survival, intervals of the loop are Wald's       319         521             359   300
    binary, profile intervals on both sides           80         317             287   100
    binary, intervals of the loop are Wald's           9          34              32
    multiclass                                        45          91              74    50
    continuous                                         5          14              19   100

Calls of a second and 16 MB feel their neighbours more than the loops do, least squares most (157 beside
fewer jobs): in three runs, six jobs on the two cores, the largest logistic fit had 163, 163 and 162, the
multinomial 91, 110 and 104, least squares 126, 119 and 119.

What bounds whole screens: 150 patients are so few for their covariates that the binary screen is Firth's,
which the loop is not; of its 10 ms 3 go to the screen and its intervals and 3 to one model a covariate, of
the 5.5 ms of classes 1.6 and 1.3; the rest waits for tables. A loop over least squares takes .7 ms a feature
of 2,000 patients, 350 ns a value, so that 100 times as fast were 3.5 ns a value. The winsor limits (the 21
smallest and largest of each column) take 4, the scaling 3 and its sums 1, the fit 2, and the rest is the
checks of what is there and finite, each of which walks through 16 MB.

What bounds the logistic fit: of 8 ns a value, evaluating the rows takes 3, of which 450 cycles in 1,000 are
one exponential and one division, and 590 sums of products; series before and after take 2, filling the tiles
.7 and what is done once a lane 2. With vectors of four (AVX2) evaluating takes 1.4 times as long.

Slopes of log cost on log n and on log p: Cox 1.01, .94; logistic .90, .81; multinomial .91, .94; least
squares .95, .81 (aim: at most 1.1). At 2,000 patients lifelines takes 15 times as long for Kaplan-Meier, 50
for Aalen-Johansen, 5.6 for concordance.
"""

from __future__ import annotations

import sys
import time
import warnings

import numpy as np

PATIENTS, FEATURES, COVARIATES = 2000, 1000, 5
SIZES = ((150, 60, 4), (500, 300, 4), (PATIENTS, FEATURES, COVARIATES))
SAMPLED = 12
PROFILE = "logistic, profile intervals on both sides"
WHOLE = (  # whole screens, and the loop that stands for what a user would write
    ("survival", "Cox, against lifelines"),
    ("binary", PROFILE),
    ("binary", "logistic, statsmodels Logit"),
    ("multiclass", "multinomial, statsmodels MNLogit"),
    ("continuous", "least squares, statsmodels OLS"),
)


def cohort(n: int, p: int, q: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Correlated features, one in ten of them with an effect; about 60 % events; continuous time."""
    rng = np.random.default_rng(seed)
    base = rng.normal(size=(n, q))
    features = 0.5 * rng.normal(size=(n, p)) + 0.5 * rng.normal(size=(n, 1)) + 0.2 * base[:, :1]
    risk = 0.4 * base[:, 0] + 0.3 * features[:, : p // 10].mean(axis=1)
    event_time, censoring = rng.exponential(np.exp(-risk)), rng.exponential(1.5, n)
    return {
        "time": np.minimum(event_time, censoring),
        "event": (event_time <= censoring).astype(float),
        "y": (rng.random(n) < 1 / (1 + np.exp(0.5 - risk))).astype(float),
        "value": risk + rng.normal(size=n),
        "class": (np.outer(risk, [0.0, 1.0, -0.7]) + rng.gumbel(size=(n, 3))).argmax(axis=1),
        "level": np.digitize(risk + rng.logistic(size=n), [-1.0, 0.0, 1.5]),
        "base": base,
        "features": features,
    }


def seconds(run, clock=time.process_time) -> float:
    start = clock()
    run()
    return clock() - start


def calls_of(run) -> int:
    """A short job is timed over several calls, as the loop is."""
    return 1 + int(0.02 / max(seconds(run), 1e-4))


def best_of(run, *, repeats: int = 3, calls: int = 1) -> float:
    return min(seconds(lambda: [run() for _ in range(calls)]) for _ in range(repeats)) / calls


def against(name: str, screen, loop_one, repeats: int = 3, features: int = FEATURES) -> float:
    """Print seconds of `screen()` for all features and of `loop_one(j)` scaled to all, and their ratio.

    The loop's seconds are handed back.
    """
    sample = np.linspace(0, features - 1, SAMPLED).astype(int)
    screen()  # compiles, or reads what was compiled
    loop_one(0)
    calls, ours, theirs = calls_of(screen), [], []
    for _ in range(repeats):
        ours.append(best_of(screen, repeats=1, calls=calls))
        theirs.append(np.median([seconds(lambda j=j: loop_one(j)) for j in sample]) * features)
    show(name, min(ours), min(theirs))
    return min(theirs)


def show(name: str, ours: float, theirs: float) -> None:
    print(f"{name:<42} {ours:8.4f} s {theirs:9.2f} s {theirs / ours:8.0f} x", flush=True)


def compare_screens(n: int, p: int, q: int) -> None:
    import pandas as pd
    import statsmodels.api as sm
    from lifelines import CoxPHFitter
    from scipy.optimize import brentq
    from scipy.stats import chi2
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    from discovery.kernels.cox import screen_cox
    from discovery.kernels.linear import LinearPlan
    from discovery.kernels.logistic import LogisticPlan, screen_logistic
    from discovery.kernels.multinomial import screen_multinomial
    from discovery.kernels.ordinal import screen_ordinal

    data = cohort(n, p, q)
    base, features = data["base"], data["features"]
    table = pd.DataFrame(base, columns=[f"z{a}" for a in range(q)])
    table = table.assign(time=data["time"], event=data["event"])
    with_one = sm.add_constant(np.column_stack([base, features[:, 0]]))
    without = with_one[:, :-1].copy()

    def design(j: int) -> np.ndarray:
        with_one[:, -1] = features[:, j]
        return with_one

    def cox(j: int):
        short = CoxPHFitter().fit(table, "time", "event")
        whole = CoxPHFitter().fit(table.assign(x=features[:, j]), "time", "event")
        return chi2.sf(2 * (whole.log_likelihood_ - short.log_likelihood_), 1), whole.confidence_intervals_

    def logit(j: int):
        short, whole = (sm.Logit(data["y"], x).fit(disp=0) for x in (without, design(j)))
        return whole, chi2.sf(2 * (whole.llf - short.llf), 1), whole.conf_int()

    def logit_profile(j: int):
        whole = logit(j)[0]
        limit, x = whole.llf - chi2.ppf(0.95, 1) / 2, features[:, j].copy()

        def height(at: float) -> float:
            return sm.Logit(data["y"], without, offset=at * x).fit(disp=0).llf - limit

        middle, reach = whole.params[-1], 4 * whole.bse[-1]
        return [brentq(height, middle, middle + side * reach, xtol=1e-8) for side in (-1, 1)]

    def screen_and_profile():
        plan = LogisticPlan(data["y"], base, features)
        return plan.profile_interval(plan.screen())

    def multinomial(j: int):
        short, whole = (sm.MNLogit(data["class"], x).fit(disp=0) for x in (without, design(j)))
        return chi2.sf(2 * (whole.llf - short.llf), 2), whole.conf_int()

    def least_squares():
        plan = LinearPlan(data["value"], base, features)
        return plan.interval(plan.screen())

    def ols(j: int):
        whole = sm.OLS(data["value"], design(j)).fit()
        return whole.pvalues, whole.conf_int()

    print(f"\n{p} features, {n} patients, {q} covariates; loops on {SAMPLED} features")
    print(f"{'':<42} {'screen':>10} {'loop':>11} {'ratio':>10}")
    pairs = {
        "Cox, against lifelines": (lambda: screen_cox(data["time"], data["event"], base, features), cox),
        "logistic, statsmodels Logit": (lambda: screen_logistic(data["y"], base, features), logit),
        PROFILE: (screen_and_profile, logit_profile),
        "multinomial, statsmodels MNLogit": (
            lambda: screen_multinomial(data["class"], base, features),
            multinomial,
        ),
        "least squares, statsmodels OLS": (least_squares, ols),
    }
    taken = {name: against(name, *pair, features=p) for name, pair in pairs.items()}
    print("whole screen() calls, from tables to q-values, and the loop beside each")
    for kind, name in WHOLE:
        run = whole_screen(kind, data)
        run()
        show(f"{kind}: {name}", best_of(run, calls=calls_of(run)), taken[name])
    if n < PATIENTS:
        return
    against(
        "proportional odds, one fit of OrderedModel",
        lambda: screen_ordinal(data["level"], base, features),
        lambda j: OrderedModel(data["level"], design(j)[:, 1:], distr="logit").fit(method="bfgs", disp=0),
        repeats=1,
    )


def whole_screen(kind: str, data: dict[str, np.ndarray]):
    """What a user calls: tables in, one tidy table out; winsorised, scaled, tested, with q-values.

    Intervals are profile-likelihood ones but for least squares, and classes have none. Without permutations,
    which the loops do not have either.
    """
    import pandas as pd

    from discovery.association.design import build_design
    from discovery.association.screen import screen
    from discovery.study import Outcome

    patient_id = np.array([f"p{i}" for i in range(len(data["y"]))])
    tables = [
        pd.DataFrame(data[name], index=patient_id).add_prefix(f"{name}_") for name in ("base", "features")
    ]
    column = {"survival": "event", "binary": "y", "multiclass": "class", "continuous": "value"}[kind]
    outcome = Outcome(
        name="outcome",
        kind=kind,
        label="outcome",
        patient_id=patient_id,
        value=None if kind == "survival" else data[column].astype(float),
        categories=("a", "b", "c") if kind == "multiclass" else (),
        time=data["time"] if kind == "survival" else None,
        status=data["event"] if kind == "survival" else None,
    )
    return lambda: screen(build_design(outcome, *tables), permutations=0)


def growth(q: int = 4) -> None:
    """Slopes of log cost on log size: 1 is proportional."""
    from discovery.kernels.cox import screen_cox
    from discovery.kernels.linear import screen_linear
    from discovery.kernels.logistic import screen_logistic
    from discovery.kernels.multinomial import screen_multinomial

    screens = {
        "Cox": lambda d: screen_cox(d["time"], d["event"], d["base"], d["features"]),
        "logistic": lambda d: screen_logistic(d["y"], d["base"], d["features"]),
        "multinomial": lambda d: screen_multinomial(d["class"], d["base"], d["features"]),
        "least squares": lambda d: screen_linear(d["value"], d["base"], d["features"]),
    }
    by_n, by_p = (500, 1000, 2000, 4000, 8000), (64, 128, 256, 512, 1024)
    print(f"\nlog-log slopes of cost: n of {by_n} at 96 features, p of {by_p} at 500 patients")
    for name, screen in screens.items():
        slopes = []
        for sizes, shapes in ((by_n, [(n, 96) for n in by_n]), (by_p, [(500, p) for p in by_p])):
            taken = []
            for n, p in shapes:
                data = cohort(n, p, q)
                screen(data)
                taken.append(min(seconds(lambda d=data, run=screen: run(d)) for _ in range(3)))
            slopes.append(np.polyfit(np.log(sizes), np.log(taken), 1)[0])
        print(f"{name:<42} n {slopes[0]:.2f}   p {slopes[1]:.2f}", flush=True)


def compare_episodes(n: int = 500, q: int = 3) -> None:
    """Counts against a loop over statsmodels, recurrent episodes against one over lifelines."""
    import pandas as pd
    from lifelines import CoxPHFitter
    from statsmodels.discrete.discrete_model import NegativeBinomial

    from discovery.association.episodes import Episodes
    from discovery.association.kind_recurrent import EpisodePlan
    from discovery.association.response import Response
    from discovery.kernels.count import CountPlan

    rng = np.random.default_rng(3)
    base, features = rng.normal(size=(n, q)), rng.normal(size=(n, FEATURES))
    watched = rng.uniform(0.5, 1.5, n)
    rate = 1.5 * np.exp(0.4 * base[:, 0]) * rng.gamma(1.25, 0.8, n)
    times = [np.sort(rng.uniform(0, watched[i], rng.poisson(rate[i] * watched[i]))) for i in range(n)]
    y = np.array([len(t) for t in times], dtype=float)
    with_one = np.column_stack([np.ones(n), base, features[:, 0]])

    def design(j: int) -> np.ndarray:
        with_one[:, -1] = features[:, j]
        return with_one

    print(f"\n{FEATURES} features, {n} patients, {q} covariates, {y.sum():.0f} episodes")
    against(
        "negative binomial, against statsmodels",
        lambda: CountPlan(y, watched, base, features).screen(),
        lambda j: NegativeBinomial(y, design(j), offset=np.log(watched)).fit(disp=0, maxiter=200),
        repeats=1,
    )
    patient = np.repeat(np.arange(n), [len(t) + 1 for t in times])
    start = np.concatenate([np.append(0.0, t) for t in times])
    stop = np.concatenate([np.append(t, end) for t, end in zip(times, watched)])
    event = np.concatenate([np.append(np.ones(len(t)), 0.0) for t in times])
    rows = Episodes(patient=patient, start=start, stop=stop, event=event, end=watched, terminal=None)
    response = Response(kind="recurrent", y=y, episodes=rows)
    table = pd.DataFrame(base[patient], columns=[f"z{a}" for a in range(q)])
    table = table.assign(start=start, stop=stop, event=event, patient=patient)
    against(
        "recurrent, robust by patient, lifelines",
        lambda: EpisodePlan(response, base, features, None).screen(),
        lambda j: CoxPHFitter().fit(
            table.assign(x=features[patient, j]), "stop", "event", entry_col="start", cluster_col="patient"
        ),
        repeats=1,
    )


def time_bootstrap(draws: int = 1000, n: int = 500, p: int = 60, q: int = 4, threads: int = 2) -> None:
    from joblib import Parallel, delayed

    from discovery.kernels.cox import CoxPlan
    from discovery.kernels.logistic import LogisticPlan

    data = cohort(n, p, q)
    rng = np.random.default_rng(2)
    weights = rng.multinomial(n, np.full(n, 1 / n), size=draws).astype(float)
    plans = {
        "Cox": CoxPlan(data["time"], data["event"], data["base"], data["features"]),
        "logistic": LogisticPlan(data["y"], data["base"], data["features"]),
    }
    print(f"\n{draws} bootstrap refits of {p} features, {n} patients, {q} covariates, {threads} threads")
    for name, plan in plans.items():
        plan.screen(weights[0])
        taken = seconds(
            lambda plan=plan: Parallel(n_jobs=threads, prefer="threads")(
                delayed(plan.screen)(w) for w in weights
            ),
            time.perf_counter,
        )
        alone = seconds(lambda plan=plan: [plan.screen(w) for w in weights[:100]]) / 100
        print(f"{name:<42} {taken:8.2f} s   ({1e3 * alone:.2f} ms a refit in one thread)", flush=True)


def time_small_jobs() -> None:
    from discovery.kernels.cox import CoxPlan, profile_interval_cox, screen_cox
    from discovery.kernels.score import score_cox

    print()
    for n, p, q in ((150, 60, 4), (500, 60, 4), (500, 300, 4), (5000, 300, 6)):
        data = cohort(n, p, q)
        rows = (data["time"], data["event"], data["base"], data["features"])
        plan = CoxPlan(*rows)
        fit = plan.screen()
        profile_interval_cox(*rows, fit)
        score_cox(*rows)
        parts = [
            min(seconds(run) for _ in range(5))
            for run in (
                plan.screen,
                lambda rows=rows: screen_cox(*rows, firth=True),
                lambda rows=rows: score_cox(*rows),
            )
        ]
        profile = seconds(lambda rows=rows, fit=fit: profile_interval_cox(*rows, fit))
        print(
            f"n {n:>5} p {p:>4} q {q}: screen {1e3 * parts[0]:8.1f} ms, Firth {1e3 * parts[1]:8.1f} ms, "
            f"score {1e3 * parts[2]:7.1f} ms, profile intervals {1e3 * profile:8.1f} ms",
            flush=True,
        )


def main() -> int:
    import lifelines  # noqa: F401 - libraries that are loaded later would not be limited to one thread
    import statsmodels.api  # noqa: F401
    from bench_survival import beside_lifelines
    from threadpoolctl import threadpool_limits

    warnings.simplefilter("ignore")
    with threadpool_limits(1):
        for size in SIZES:
            compare_screens(*size)
        growth()
        print()
        beside_lifelines()
        compare_episodes()
    time_bootstrap()
    time_small_jobs()
    return 0


if __name__ == "__main__":
    sys.exit(main())
