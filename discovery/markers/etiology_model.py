"""Can the features tell the etiologies apart: probabilities for patients the model never saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design, build_design
from discovery.association.etiology import SEPARATOR
from discovery.association.scaling import WINSOR
from discovery.markers.families import find_families
from discovery.problems import InputError
from discovery.seeds import named_rng
from discovery.study import Outcome

LEAST_PATIENTS = 10  # an etiology with fewer is not told apart
FOLDS, REPEATS, INNER = 5, 2, 3
PENALTIES = (0.001, 0.01, 0.1, 1.0)  # inverse strengths of the ridge penalty
SILENT_SLOPE = 0.2  # probabilities to this power are nearly all alike
CHANCE = 0.5  # of a pairwise AUC
COVARIATES, BOTH = "covariates and site", "covariates, site and features"


@dataclass(frozen=True, kw_only=True)
class EtiologyModel:
    """What a multinomial model with a ridge penalty says of patients left out of it.

    classes : a row an etiology: n, auc of its probability against the others with DeLong interval, the same
    of the covariates alone and with each site left out, sensitivity and precision of the most probable
    class. confusion : etiology, said, n, share (of the etiology). overall : a row a model: mean log loss,
    Brier score, accuracy, mean pairwise AUC (Hand & Till 2001), calibration slope.
    """

    classes: pd.DataFrame
    confusion: pd.DataFrame
    overall: pd.DataFrame
    n: int
    left_out: tuple[str, ...]
    sentence: str


def etiology_model(
    etiology: pd.Series,
    covariates: pd.DataFrame,
    features: pd.DataFrame,
    *,
    site: pd.Series | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
    seed: int,
    workers: int = 1,
) -> EtiologyModel | None:
    """Judge the model out of sample; None with fewer than two etiologies of 10 patients with one label.

    Every fold learns by itself: fill of missing features (their expectation given covariates and
    site), scale, and the penalty by log loss in 3 inner folds. Each family of correlated features has
    the weight of one. The model with covariates and site alone shows how much of the difference is
    case mix. Probabilities are averaged over 2 times 5 folds, and made anew with each site left out.

    References
    ----------
    Hand & Till, Mach Learn 2001;45:171-186; DeLong, DeLong & Clarke-Pearson, Biometrics 1988;44:837-845.
    """
    single = _single_labels(etiology)
    design = _class_design(single, covariates, features, site, winsor)
    if design is None:
        return None
    assert design.y is not None
    present, y = np.unique(design.y.astype(int), return_inverse=True)
    names = [design.categories[k] for k in present]
    if len(names) < 2 or np.bincount(y).min() < FOLDS:
        return None
    x = np.where(design.observed, design.features, np.nan)
    family = find_families(x).number
    weight = 1 / np.sqrt(np.bincount(family)[family])
    data = _Data(base=design.base, features=x, weight=weight, y=y, classes=len(names))
    folds = [
        fold
        for repeat in range(REPEATS)
        for fold in _folds(y, FOLDS, named_rng(seed, "etiology model", repeat))
    ]
    both, alone = (_left_out(data, folds, with_features, seed, workers) for with_features in (True, False))
    without_site = np.array([term.covariate != "site" for term in design.terms], dtype=bool)
    moved = _sites_left_out(replace(data, base=design.base[:, without_site]), design.site, seed, workers)
    classes, confusion = _classes(names, y, both, alone, moved)
    overall = pd.DataFrame(
        [_overall(name, y, probability) for name, probability in ((COVARIATES, alone), (BOTH, both))]
    )
    return EtiologyModel(
        classes=classes,
        confusion=confusion,
        overall=overall,
        n=len(y),
        left_out=tuple(sorted(set(single) - set(names))),
        sentence=_sentence(overall, len(y), len(names)),
    )


def _single_labels(etiology: pd.Series) -> pd.Series:
    """Of the patients with one label."""
    known = etiology.dropna().astype(str)
    return known[~known.str.contains(SEPARATOR, regex=False)].str.strip()


def _class_design(single: pd.Series, covariates, features, site, winsor) -> Design | None:
    """The etiologies with enough patients as an outcome of classes; None where there are no two."""
    counts = single.value_counts()
    kept = sorted(counts.index[counts >= LEAST_PATIENTS])
    if len(kept) < 2:
        return None
    chosen = single[single.isin(kept)]
    outcome = Outcome(
        name="etiology",
        kind="multiclass",
        label="etiology",
        patient_id=chosen.index.to_numpy(),
        value=chosen.map({name: k for k, name in enumerate(kept)}).to_numpy(dtype=float),
        categories=tuple(kept),
    )
    try:
        return build_design(
            outcome,
            covariates.loc[chosen.index],
            features.loc[chosen.index],
            site=None if site is None else site.loc[chosen.index],
            winsor=winsor,
        )
    except InputError:
        return None


@dataclass(frozen=True, kw_only=True)
class _Data:
    """n patients: base columns (n, q), features (n, p) with gaps, their weights (p,), classes (n,) from 0."""

    base: np.ndarray
    features: np.ndarray
    weight: np.ndarray
    y: np.ndarray
    classes: int

    def columns(self, train: np.ndarray, with_features: bool) -> np.ndarray:
        """Columns of all patients as the patients `train` teach them: filled, scaled, weighted."""
        if not with_features:
            return self.base if self.base.shape[1] else np.zeros((len(self.y), 1))
        terms = np.column_stack([np.ones(len(self.y)), self.base])
        x = self.features.copy()
        for j in np.flatnonzero(np.isnan(x).any(axis=0)):
            seen = train & np.isfinite(x[:, j])
            if seen.sum() > terms.shape[1]:
                fill = terms @ np.linalg.lstsq(terms[seen], x[seen, j], rcond=None)[0]
            else:
                fill = np.zeros(len(self.y))
            x[:, j] = np.where(np.isnan(x[:, j]), fill, x[:, j])
        mean, sd = x[train].mean(axis=0), x[train].std(axis=0)
        return np.column_stack([self.base, (x - mean) / np.where(sd > 0, sd, 1.0) * self.weight])


def _folds(y: np.ndarray, count: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Bool (n,) of who is left out, each class spread evenly."""
    order = rng.permutation(len(y))
    order = order[np.argsort(y[order], kind="stable")]
    fold = np.empty(len(y), dtype=int)
    fold[order] = np.arange(len(y)) % count
    return [fold == k for k in range(count)]


def _fit(columns: np.ndarray, data: _Data, train: np.ndarray, strength: float) -> np.ndarray:
    """Probabilities (n, classes) of all patients; a class that is not among `train` has 0."""
    from sklearn.linear_model import LogisticRegression

    out = np.zeros((len(data.y), data.classes))
    present = np.unique(data.y[train])
    if present.size == 1:
        out[:, present[0]] = 1.0
        return out
    model = LogisticRegression(C=strength, max_iter=2000, tol=1e-5)
    model.fit(columns[train], data.y[train])
    out[:, model.classes_] = model.predict_proba(columns)
    return out


def _learn(data: _Data, train: np.ndarray, with_features: bool, rng: np.random.Generator) -> np.ndarray:
    """Probabilities of all patients by the model of `train`, its penalty tuned inside."""
    loss = np.zeros(len(PENALTIES))
    rows = np.flatnonzero(train)
    for out in _folds(data.y[rows], INNER, rng):
        inner = np.zeros(len(data.y), dtype=bool)
        inner[rows[~out]] = True
        columns, held = data.columns(inner, with_features), rows[out]
        for k, strength in enumerate(PENALTIES):
            p = _fit(columns, data, inner, strength)[held, data.y[held]]
            loss[k] -= np.log(np.clip(p, 1e-6, 1)).sum()
    best = PENALTIES[int(np.argmin(loss))]
    return _fit(data.columns(train, with_features), data, train, best)


def _left_out(
    data: _Data, folds: Sequence[np.ndarray], with_features: bool, seed: int, workers: int
) -> np.ndarray:
    """Probabilities (n, classes) of each patient by models of the others, averaged over the `folds` (n,) bool
    that leave him out."""
    from joblib import Parallel, delayed
    from threadpoolctl import threadpool_limits

    def one(at: int) -> np.ndarray:
        rng = named_rng(seed, "etiology model", "inside", at)
        return _learn(data, ~folds[at], with_features, rng)

    with threadpool_limits(1):
        found = Parallel(n_jobs=workers, prefer="threads")(delayed(one)(at) for at in range(len(folds)))
    total = np.zeros((len(data.y), data.classes))
    for out, probability in zip(folds, found):
        total[out] += probability[out]
    return total / np.sum(folds, axis=0)[:, None]


def _sites_left_out(data: _Data, site: np.ndarray | None, seed: int, workers: int) -> np.ndarray | None:
    """Probabilities by the model of the other sites, which knows no site; None with fewer than two."""
    if site is None or len(np.unique(site)) < 2:
        return None
    return _left_out(data, [site == name for name in np.unique(site)], True, seed, workers)


def _classes(names, y, both, alone, moved) -> tuple[pd.DataFrame, pd.DataFrame]:
    from discovery.association.roc import auc_with_interval

    said, rows = both.argmax(axis=1), []
    for k, name in enumerate(names):
        mine = y == k
        found = auc_with_interval(mine.astype(float), both[:, k])
        others = [
            np.nan if p is None else auc_with_interval(mine.astype(float), p[:, k]).auc
            for p in (alone, moved)
        ]
        rows.append(
            {
                "etiology": name,
                "n": int(mine.sum()),
                "auc": found.auc,
                "auc_low": found.ci_low,
                "auc_high": found.ci_high,
                "auc_covariates": others[0],
                "auc_site_left_out": others[1],
                "sensitivity": float((said[mine] == k).mean()),
                "precision": float(mine[said == k].mean()) if (said == k).any() else np.nan,
            }
        )
    counts = pd.crosstab(
        pd.Categorical.from_codes(y, names), pd.Categorical.from_codes(said, names), dropna=False
    )
    long = counts.stack().rename("n").reset_index()
    long.columns = ["etiology", "said", "n"]
    long["share"] = long["n"] / long.groupby("etiology", observed=True)["n"].transform("sum")
    return pd.DataFrame(rows), long.astype({"etiology": str, "said": str})


def _overall(name: str, y: np.ndarray, probability: np.ndarray) -> dict:
    own = np.clip(probability[np.arange(len(y)), y], 1e-6, 1)
    truth = np.eye(probability.shape[1])[y]
    return {
        "model": name,
        "n": len(y),
        "log_loss": float(-np.log(own).mean()),
        "log_loss_of_shares": float(-(np.bincount(y) / len(y) * np.log(np.bincount(y) / len(y))).sum()),
        "brier": float(((probability - truth) ** 2).sum(axis=1).mean()),
        "accuracy": float((probability.argmax(axis=1) == y).mean()),
        "largest_class": float(np.bincount(y).max() / len(y)),
        "pairwise_auc": pairwise_auc(y, probability),
        "calibration_slope": calibration_slope(y, probability),
    }


def pairwise_auc(y: np.ndarray, probability: np.ndarray) -> float:
    """Mean over pairs of classes of the AUC of each one's probability between the two (Hand & Till 2001)."""
    from discovery.kernels.concordance import auc

    found, classes = [], probability.shape[1]
    for a in range(classes):
        for b in range(a + 1, classes):
            rows = (y == a) | (y == b)
            for k in (a, b):
                found.append(auc((y[rows] == k).astype(float), probability[rows, k]).value[0])
    return float(np.mean(found))


def calibration_slope(y: np.ndarray, probability: np.ndarray) -> float:
    """The power to which the probabilities should be raised: 1 where neither too sure nor too timid.

    The maximum likelihood exponent t of p^t / sum p^t over the patients left out (temperature scaling).
    """
    from scipy.optimize import minimize_scalar

    log = np.log(np.clip(probability, 1e-6, 1))

    def loss(slope: float) -> float:
        scaled = slope * log
        top = scaled.max(axis=1, keepdims=True)
        total = top[:, 0] + np.log(np.exp(scaled - top).sum(axis=1))
        return float((total - scaled[np.arange(len(y)), y]).sum())

    return float(minimize_scalar(loss, bounds=(0.0, 10.0), method="bounded").x)


def _sentence(overall: pd.DataFrame, n: int, classes: int) -> str:
    table = overall.set_index("model")
    both, alone = table.loc[BOTH], table.loc[COVARIATES]
    better = both["log_loss"] < alone["log_loss"]
    found = f"tell them apart {'better' if better else 'no better'} than covariates and site alone"
    if both["pairwise_auc"] <= CHANCE:
        found = "do not tell them apart: a pairwise AUC of 0.5 is chance"
    warning = ""
    if both["log_loss"] >= both["log_loss_of_shares"]:
        warning += " The probabilities are no better than the shares of the etiologies in the study."
    if both["calibration_slope"] < SILENT_SLOPE:
        warning += (
            f" With a calibration slope of {both['calibration_slope']:.2f} (1 is right) they say hardly "
            "anything of a new patient and must not be read as probabilities."
        )
    return (
        f"{classes} etiologies in {n} patients, each judged by models that never saw the patient: the "
        f"features {found} "
        f"(pairwise AUC {both['pairwise_auc']:.2f} against {alone['pairwise_auc']:.2f}; log loss "
        f"{both['log_loss']:.2f} against {alone['log_loss']:.2f}, {both['log_loss_of_shares']:.2f} for one "
        f"who knows only how frequent each is).{warning}"
    )
