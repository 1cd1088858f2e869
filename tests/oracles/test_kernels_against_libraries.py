"""The compiled screens against general packages on the open cohorts, feature by feature.

Cox: lifelines (weights, strata, delayed entry) and statsmodels PHReg; logistic and linear: statsmodels;
Firth: firthmodels. Every comparison is to 1e-6 on coefficients, standard errors and log likelihoods.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.kernels.cox import fit_cox, screen_cox
from discovery.kernels.linear import fit_linear, screen_linear
from discovery.kernels.logistic import fit_logistic, screen_logistic

TIGHT = {"rtol": 0, "atol": 1e-6}


def number(frame: pd.DataFrame) -> np.ndarray:
    return frame.to_numpy(dtype=float)


@pytest.fixture(scope="module")
def cohorts(dataset):
    """name -> (time, event, base, features, entry, stratum), rows complete in the base."""
    made = {}

    def put(name, frame, time, event, base, features, *, entry=None, stratum=None):
        keep = frame[base].notna().all(axis=1)
        frame, event = frame[keep], np.asarray(event, dtype=float)[keep]
        made[name] = (
            frame[time].to_numpy(float),
            event,
            number(frame[base]),
            number(frame[features]),
            None if entry is None else frame[entry].to_numpy(float),
            None if stratum is None else pd.factorize(frame[stratum])[0],
        )

    rossi = dataset("rossi.csv")
    put("rossi", rossi, "week", rossi.arrest == 1, ["age", "fin"], ["race", "wexp", "mar", "paro", "prio"])
    lung = dataset("lung.csv")
    put(
        "lung",
        lung,
        "time",
        lung.status == 2,
        ["age", "sex"],
        ["ph.ecog", "ph.karno", "pat.karno", "meal.cal", "wt.loss"],
    )
    veteran = dataset("veteran.csv")
    put(
        "veteran by cell type",
        veteran,
        "time",
        veteran.status == 1,
        ["trt", "age"],
        ["karno", "diagtime", "prior"],
        stratum="celltype",
    )
    rotterdam = dataset("rotterdam.csv").assign(
        large=lambda d: (d["size"] == ">50").astype(float), log_pgr=lambda d: np.log1p(d.pgr)
    )
    put(
        "rotterdam",
        rotterdam,
        "rtime",
        rotterdam.recur == 1,
        ["age", "meno", "hormon"],
        ["grade", "nodes", "pgr", "er", "large", "log_pgr"],
    )
    gbsg = dataset("gbsg.csv")
    put(
        "gbsg by hormone",
        gbsg,
        "rfstime",
        gbsg.status == 1,
        ["age", "meno"],
        ["size", "grade", "nodes", "pgr", "er"],
        stratum="hormon",
    )
    mgus2 = dataset("mgus2.csv").assign(male=lambda d: (d.sex == "M").astype(float))
    for cause, name in ((1, "mgus2 progression"), (2, "mgus2 death")):
        put(name, mgus2, "etime", mgus2.event == cause, ["age", "male"], ["hgb", "creat", "mspike"])
    colon = dataset("colon.csv")
    colon = colon[colon.etype == 1].assign(
        lev=lambda d: (d.rx == "Lev").astype(float), lev5fu=lambda d: (d.rx == "Lev+5FU").astype(float)
    )
    put(
        "colon by extent",
        colon,
        "time",
        colon.status == 1,
        ["lev", "lev5fu", "age"],
        ["sex", "obstruct", "adhere", "nodes", "differ"],
        stratum="extent",
    )
    channing = dataset("channing.csv").assign(male=lambda d: (d.sex == "Male").astype(float))
    channing = channing[channing.entry < channing.exit]
    rng = np.random.default_rng(3)
    channing = channing.assign(
        noise=rng.normal(size=len(channing)), late=(channing.entry > 900).astype(float)
    )
    put(
        "channing from entry",
        channing,
        "exit",
        channing.cens == 1,
        ["male"],
        ["noise", "late"],
        entry="entry",
    )
    heart = dataset("heart.csv")
    put(
        "heart start-stop",
        heart,
        "stop",
        heart.event == 1,
        ["age", "year"],
        ["surgery", "transplant"],
        entry="start",
    )
    return made


COHORTS = [
    "rossi",
    "lung",
    "veteran by cell type",
    "rotterdam",
    "gbsg by hormone",
    "mgus2 progression",
    "mgus2 death",
    "colon by extent",
    "channing from entry",
    "heart start-stop",
]


def lifelines_fit(time, event, columns, *, weights=None, entry=None, stratum=None):
    from lifelines import CoxPHFitter

    # lifelines works on columns of unlike size less exactly than it promises: scale, then undo
    spread = columns.std(axis=0)
    spread[spread == 0] = 1
    names = [f"x{a}" for a in range(columns.shape[1])]
    table = pd.DataFrame((columns - columns.mean(axis=0)) / spread, columns=names)
    table = table.assign(time=time, event=event)
    options = {}
    for name, values in (("weights", weights), ("entry", entry), ("stratum", stratum)):
        if values is not None:
            table[name] = values
    if weights is not None:
        options["weights_col"] = "weights"
    if entry is not None:
        options["entry_col"] = "entry"
    if stratum is not None:
        options["strata"] = ["stratum"]
    fit = CoxPHFitter().fit(table, "time", "event", fit_options={"precision": 1e-12}, **options)
    return (
        fit.params_[names].to_numpy() / spread,
        fit.standard_errors_[names].to_numpy() / spread,
        fit.log_likelihood_,
    )


@pytest.mark.parametrize("name", COHORTS)
@pytest.mark.parametrize("weighted", [False, True], ids=["plain", "weighted"])
def test_cox_screen_equals_lifelines(cohorts, name, weighted):
    time, event, base, features, entry, stratum = cohorts[name]
    weights = np.random.default_rng(7).integers(0, 4, time.size).astype(float) if weighted else None
    fit = screen_cox(time, event, base, features, weights=weights, entry=entry, stratum=stratum)
    assert (fit.code == 0).all()
    for j in range(features.shape[1]):
        keep = np.isfinite(features[:, j]) & (np.ones(time.size) if weights is None else weights > 0).astype(
            bool
        )
        own = {
            "weights": None if weights is None else weights[keep],
            "entry": None if entry is None else entry[keep],
            "stratum": None if stratum is None else stratum[keep],
        }
        columns = np.column_stack([base, features[:, j]])[keep]
        coef, se, loglik = lifelines_fit(time[keep], event[keep], columns, **own)
        np.testing.assert_allclose(fit.coef[j], coef, **TIGHT)
        np.testing.assert_allclose(fit.se[j], se[-1], **TIGHT)
        np.testing.assert_allclose(fit.loglik[j], loglik, **TIGHT)
        _, _, loglik_base = lifelines_fit(time[keep], event[keep], base[keep], **own)
        np.testing.assert_allclose(fit.loglik_base[j], loglik_base, **TIGHT)
        assert fit.n[j] == keep.sum()
        assert fit.events[j] == event[keep].sum()


@pytest.mark.parametrize("name", COHORTS)
@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cox_model_equals_phreg(cohorts, name, ties):
    """PHReg counts entry == time as at risk, R and we do not: its entry is moved on by a little."""
    from statsmodels.duration.hazard_regression import PHReg

    time, event, base, features, entry, stratum = cohorts[name]
    columns = np.column_stack([base, features])
    keep = np.isfinite(columns).all(axis=1)
    spread = columns[keep].std(axis=0)
    model = PHReg(
        time[keep],
        (columns[keep] - columns[keep].mean(axis=0)) / spread,
        status=event[keep],
        entry=None if entry is None else entry[keep] + 1e-6,
        strata=None if stratum is None else stratum[keep],
        ties=ties,
    )
    reference = model.fit(maxiter=200, tol=1e-14)
    fit = fit_cox(
        time[keep],
        event[keep],
        columns[keep],
        entry=None if entry is None else entry[keep],
        stratum=None if stratum is None else stratum[keep],
        ties=ties,
    )
    assert fit.code == 0
    np.testing.assert_allclose(fit.coef, reference.params / spread, **TIGHT)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), reference.bse / spread, **TIGHT)
    np.testing.assert_allclose(fit.loglik, reference.llf, **TIGHT)
    np.testing.assert_allclose(fit.loglik_null, model.loglike(np.zeros(columns.shape[1])), **TIGHT)


@pytest.fixture(scope="module")
def binaries(dataset):
    """name -> (y, base, features)."""
    birthwt = dataset("birthwt.csv").assign(
        race2=lambda d: (d.race == 2).astype(float), race3=lambda d: (d.race == 3).astype(float)
    )
    pima, asah = dataset("pima_tr2.csv"), dataset("asah.csv")
    wdbc = dataset("wdbc.csv")
    columns = [c for c in wdbc.columns if c not in ("malignant", "id")]
    return {
        "birthwt": (
            birthwt.low.to_numpy(float),
            number(birthwt[["age", "lwt", "race2", "race3"]]),
            number(birthwt[["smoke", "ptl", "ht", "ui", "ftv"]]),
        ),
        "pima": (
            (pima.type == "Yes").to_numpy(float),
            number(pima[["age", "npreg"]]),
            number(pima[["glu", "bp", "skin", "bmi", "ped"]]),
        ),
        "asah": (
            (asah.outcome == "Poor").to_numpy(float),
            number(asah[["age"]]),
            number(asah[["wfns", "s100b", "ndka"]]),
        ),
        "wdbc": (wdbc.malignant.to_numpy(float), number(wdbc[columns[:1]]), number(wdbc[columns[1:]])),
    }


@pytest.mark.parametrize("name", ["birthwt", "pima", "asah", "wdbc"])
@pytest.mark.parametrize("weighted", [False, True], ids=["plain", "weighted"])
def test_logistic_screen_equals_statsmodels(binaries, name, weighted):
    import statsmodels.api as sm

    y, base, features = binaries[name]
    weights = np.random.default_rng(8).integers(0, 4, y.size).astype(float) if weighted else np.ones(y.size)
    fit = screen_logistic(y, base, features, weights=weights)
    assert (fit.code == 0).all()
    for j in range(features.shape[1]):
        keep = np.isfinite(features[:, j]) & (weights > 0)
        columns = np.column_stack([base, features[:, j]])[keep]
        spread = columns.std(axis=0)
        design = sm.add_constant((columns - columns.mean(axis=0)) / spread)
        family = sm.families.Binomial()
        reference = sm.GLM(y[keep], design, family=family, freq_weights=weights[keep]).fit(tol=1e-14)
        null = sm.GLM(y[keep], design[:, :-1], family=family, freq_weights=weights[keep]).fit(tol=1e-14)
        coef = np.append(0.0, reference.params[1:] / spread)
        coef[0] = reference.params[0] - coef[1:] @ columns.mean(axis=0)
        np.testing.assert_allclose(fit.coef[j], coef, rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(fit.se[j], reference.bse[-1] / spread[-1], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(fit.loglik[j], reference.llf, **TIGHT)
        np.testing.assert_allclose(fit.loglik_base[j], null.llf, **TIGHT)
        assert (fit.n[j], fit.events[j]) == (keep.sum(), y[keep].sum())


def test_wdbc_as_one_model_is_separated_and_firth_has_an_answer(binaries):
    """Thirty features separate 569 biopsies: no finite maximum likelihood estimate exists."""
    y, base, features = binaries["wdbc"]
    columns = np.column_stack([base, features])
    plain = fit_logistic(y, columns)
    assert plain.code == 3
    assert np.isnan(plain.coef).all()
    penalised = fit_logistic(y, columns, firth=True)
    assert penalised.code == 0
    assert np.isfinite(penalised.covariance).all()


def test_linear_screen_equals_statsmodels(dataset):
    import statsmodels.api as sm

    table = dataset("diabetes_lars.csv")
    y = table.progression.to_numpy(float)
    base, features = (
        number(table[["age", "sex", "bmi"]]),
        number(table[["bp", "s1", "s2", "s3", "s4", "s5", "s6"]]),
    )
    fit = screen_linear(y, base, features)
    for j in range(features.shape[1]):
        reference = sm.OLS(y, sm.add_constant(np.column_stack([base, features[:, j]]))).fit()
        null = sm.OLS(y, sm.add_constant(base)).fit()
        np.testing.assert_allclose(fit.coef[j], reference.params, rtol=1e-9)
        np.testing.assert_allclose(fit.se[j], reference.bse[-1], rtol=1e-9)
        np.testing.assert_allclose(fit.coef[j, -1] / fit.se[j], reference.tvalues[-1], rtol=1e-9)
        np.testing.assert_allclose(fit.loglik[j], reference.llf, rtol=1e-12)
        np.testing.assert_allclose(fit.loglik_base[j], null.llf, rtol=1e-12)
    whole = fit_linear(y, np.column_stack([base, features]))
    reference = sm.OLS(y, sm.add_constant(np.column_stack([base, features]))).fit()
    np.testing.assert_allclose(whole.coef, reference.params, rtol=1e-7)
    np.testing.assert_allclose(whole.covariance, reference.cov_params(), rtol=1e-7, atol=1e-9)
    assert whole.r_squared == pytest.approx(reference.rsquared, rel=1e-10)
    assert whole.df == reference.df_resid


def test_linear_screen_with_weights_equals_repeated_patients(dataset):
    import statsmodels.api as sm

    table = dataset("diabetes_lars.csv")
    y, columns = table.progression.to_numpy(float), number(table[["age", "bmi", "bp"]])
    weights = np.random.default_rng(9).integers(0, 4, y.size).astype(float)
    fit = screen_linear(y, columns[:, :2], columns[:, 2:], weights=weights)
    reference = sm.GLM(y, sm.add_constant(columns), freq_weights=weights).fit()
    np.testing.assert_allclose(fit.coef[0], reference.params, rtol=1e-9)
    np.testing.assert_allclose(fit.se[0], reference.bse[-1], rtol=1e-9)


@pytest.mark.parametrize("name", ["birthwt", "asah"])
def test_firth_logistic_equals_firthmodels(binaries, name):
    from firthmodels import FirthLogisticRegression

    y, base, features = binaries[name]
    columns = np.column_stack([base, features])
    columns = (columns - columns.mean(axis=0)) / columns.std(axis=0)
    reference = FirthLogisticRegression(backend="numpy", gtol=1e-6, xtol=1e-8, max_iter=200).fit(columns, y)
    reference.lrt()
    fit = fit_logistic(y, columns, firth=True)
    np.testing.assert_allclose(fit.coef, np.append(reference.intercept_, reference.coef_), **TIGHT)
    np.testing.assert_allclose(fit.loglik, reference.loglik_, **TIGHT)
    screen = screen_logistic(y, columns[:, :-1], columns[:, -1:], firth=True)
    from scipy.stats import chi2

    np.testing.assert_allclose(
        chi2.sf(screen.z[0] ** 2, 1), reference.lrt_pvalues_[columns.shape[1] - 1], atol=1e-7
    )


@pytest.mark.parametrize("name", ["rossi", "lung", "gbsg by hormone"])
def test_firth_cox_equals_firthmodels(cohorts, name):
    """firthmodels takes tied events by Breslow's rule and has no strata."""
    from firthmodels import FirthCoxPH
    from scipy.stats import chi2

    time, event, base, features, _, _ = cohorts[name]
    columns = np.column_stack([base, features])
    keep = np.isfinite(columns).all(axis=1)
    time, event, columns = time[keep], event[keep], columns[keep]
    columns = (columns - columns.mean(axis=0)) / columns.std(axis=0)
    options = {"backend": "numpy", "gtol": 1e-6, "xtol": 1e-8, "max_iter": 200}
    reference = FirthCoxPH(**options).fit(columns, (event == 1, time))
    fit = fit_cox(time, event, columns, ties="breslow", firth=True)
    np.testing.assert_allclose(fit.coef, reference.coef_, **TIGHT)
    np.testing.assert_allclose(fit.loglik, reference.loglik_, **TIGHT)
    untied = time + 1e-6 * np.arange(time.size)  # no ties left: Efron's rule is Breslow's
    reference = FirthCoxPH(**options).fit(columns, (event == 1, untied))
    reference.lrt()
    screen = screen_cox(untied, event, columns[:, :-1], columns[:, -1:], firth=True)
    np.testing.assert_allclose(screen.coef[0], reference.coef_, **TIGHT)
    np.testing.assert_allclose(chi2.sf(screen.z[0] ** 2, 1), reference.lrt_pvalues_[-1], atol=1e-7)
