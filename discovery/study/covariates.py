"""The base model's columns, the site and the etiology: typed, and refused where they would mislead."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.problems import named
from discovery.study.numbers import same_value, varies, written_otherwise
from discovery.study.settings import Patients
from discovery.study.source import Source, doubt_writing, first_places

MOST_LEVELS = 30
MOST_NAMED = 10
FEWEST_DISTINCT_FOR_NUMBER = 3
MOST_DISTINCT_FOR_CODE = 6


def read_covariates(
    source: Source, settings: Patients, outcome_columns: dict[str, str], kept: np.ndarray, index: pd.Index
) -> pd.DataFrame:
    """The `adjust_for` columns of the kept patients: float, or categorical with sorted text labels.

    A column with one value only is left out with a warning; a column that cannot be in a base model
    (the id, the site, an outcome, free text) is a fault.
    """
    columns: dict[str, pd.Series] = {}
    for column in settings.adjust_for:
        if column in columns or not source.require(column, "adjust_for under [patients]"):
            continue
        if not allowed_covariate(column, "adjust_for", source, settings, outcome_columns):
            continue
        series = read_covariate(
            source, column, categorical=column in settings.categorical, kept=kept, index=index
        )
        if series is None:
            continue
        missing = int(series.isna().sum())
        if missing == len(series):
            source.findings.error(
                "empty covariate", source.file, "at least one value is wanted", column=column
            )
            continue
        if missing:
            wanted = f"a value is missing in {missing} of {len(series)} patients"
            source.findings.warn("missing covariate", source.file, wanted, column=column)
        if series.nunique() < 2 or (series.dtype == np.float64 and not varies(series.to_numpy())):
            same = same_value(len(series) - missing, len(series))
            wanted = f"{same}; the column is left out of the base model"
            source.findings.warn(
                "constant covariate", source.file, wanted, found=series.dropna().iloc[0], column=column
            )
            continue
        columns[column] = series
    for column in settings.categorical:
        source.require(column, "categorical under [patients]")
    for column in settings.adjust_more:
        if source.require(column, "adjust_more under [patients]"):
            allowed_covariate(column, "adjust_more", source, settings, outcome_columns)
    frame = pd.DataFrame(columns, index=index)
    report_collinear(frame, source)
    return frame


def allowed_covariate(
    column: str, key: str, source: Source, settings: Patients, outcome_columns: dict[str, str]
) -> bool:
    """Whether a column that `key` names may be in a base model; a fault is noted if not."""
    reason = ""
    if column == settings.id:
        reason = "the id of the patients cannot be adjusted for"
    elif column == settings.site:
        reason = f"the site is in every model already; take it out of {key}"
    elif column in outcome_columns:
        reason = (
            f"the outcome {outcome_columns[column]!r} is made from this column; it cannot be adjusted for"
        )
    elif column == settings.etiology and any(";" in cell for cell in source.labels(column)):
        reason = f"an etiology with several labels in a cell cannot be adjusted for; take it out of {key}"
    if reason:
        source.findings.error("no covariate", source.file, reason, column=column)
    return not reason


def read_covariate(
    source: Source, column: str, *, categorical: bool, kept: np.ndarray, index: pd.Index
) -> pd.Series | None:
    numbers = source.numbers(column)
    if numbers.numeric and not categorical:
        values = source.require_numbers(column)[kept]
        doubt_code_numbers(values, source, column)
        return pd.Series(values, index=index, name=column)
    cells = source.labels(column)
    labels = [cells[position] for position in kept]
    source.doubt_labels(column, cells)
    counts = pd.Series([label for label in labels if label], dtype=object).value_counts()
    if len(counts) > MOST_LEVELS or (len(counts) > 5 and 2 * len(counts) > len(labels)):
        wanted = f"a number, or at most {MOST_LEVELS} different labels, is wanted; here are {len(counts)}"
        place = written_otherwise(cells)
        found, row = (counts.index[0], None) if place is None else (cells[place[0]], source.row(place[0]))
        wanted += "" if place is None else f" ({place[1]})"
        source.findings.error("too many labels", source.file, wanted, found=found, row=row, column=column)
        return None
    if not categorical:
        doubt_writing(source, column, f"{len(counts)} labels; name it in categorical if it holds labels")
    single = sorted(counts.index[counts == 1])
    if single and len(counts) > 1:
        wanted = "a single patient has this label; the model spends a coefficient on it"
        for label in single:
            source.findings.warn("label of one patient", source.file, wanted, found=label, column=column)
    return as_category(labels, index, column)


def as_category(labels: list[str], index: pd.Index, name: str) -> pd.Series:
    """Text labels as a categorical series, categories sorted, '' missing."""
    values = np.array([label or None for label in labels], dtype=object)
    categories = sorted({label for label in labels if label})
    return pd.Series(pd.Categorical(values, categories=categories), index=index, name=name)


def doubt_code_numbers(values: np.ndarray, source: Source, column: str) -> None:
    known = np.unique(values[np.isfinite(values)])
    few = FEWEST_DISTINCT_FOR_NUMBER <= known.size <= MOST_DISTINCT_FOR_CODE
    if few and len(values) > 4 * known.size and (known == np.round(known)).all():
        wanted = (
            f"this is read as a number ({', '.join(f'{value:g}' for value in known)}); if these are codes "
            "of groups, add it to categorical under [patients]"
        )
        source.findings.warn("number or code", source.file, wanted, column=column)


def report_collinear(frame: pd.DataFrame, source: Source) -> None:
    """Note base-model columns that the columns before them determine (on the complete rows).

    As many columns as there are rows determine any other: then nothing can be said of it.
    """
    complete = frame.dropna()
    if len(frame.columns) < 2 or len(complete) < 3:
        return
    basis = np.full((len(complete), 1), len(complete) ** -0.5)
    for column in frame.columns:
        series = complete[column]
        if isinstance(series.dtype, pd.CategoricalDtype):
            block = np.asarray(pd.get_dummies(series, drop_first=True), dtype=np.float64)
            block = block[:, block.any(axis=0)]
        else:
            block = series.to_numpy(dtype=np.float64)[:, None]
        for values in block.T:
            if basis.shape[1] >= len(complete):
                return
            centred = values - values.mean()
            size = np.linalg.norm(centred)
            if size == 0:
                continue
            rest = centred / size
            for _ in range(2):  # a second pass removes what rounding left of the first
                rest = rest - basis @ (basis.T @ rest)
            length = np.linalg.norm(rest)
            if length < 1e-7:
                wanted = "the columns before it in adjust_for determine this one; take one of them out"
                source.findings.error("collinear covariates", source.file, wanted, column=column)
                break
            basis = np.column_stack([basis, rest / length])


def read_site(source: Source, settings: Patients, kept: np.ndarray, index: pd.Index) -> pd.Series | None:
    """The site of each kept patient as a category; every patient needs one."""
    column = settings.site
    if column is None or not source.require(column, "site under [patients]"):
        return None
    if column == settings.id:
        source.findings.error(
            "no site", source.file, "another column than the id is wanted as site", column=column
        )
        return None
    cells = source.labels(column)
    empty = np.array([position for position in kept if not cells[position]], dtype=np.int64)
    source.error_rows(
        "no site",
        "a site is wanted for every patient; where it is not known, a label such as unknown",
        column,
        empty,
        cells,
    )
    source.doubt_labels(column, cells)
    labels = [cells[position] for position in kept]
    counts = pd.Series([label for label in labels if label], dtype=object).value_counts()
    if len(counts) == 1:
        wanted = "all patients are of one site; the site plays no part"
        source.findings.warn("one site", source.file, wanted, found=counts.index[0], column=column)
    if len(counts) > 1:
        for label in sorted(counts.index[counts == 1]):
            wanted = "a site with one patient tells nothing within the site"
            source.findings.warn("site with one patient", source.file, wanted, found=label, column=column)
    if len(counts) > 5 and 2 * len(counts) > len(labels):
        wanted = (
            f"sites with several patients are wanted, here are {len(counts)} sites for {len(labels)} patients"
        )
        source.findings.error("no site", source.file, wanted, found=counts.index[0], column=column)
    return as_category(labels, index, "site")


def check_names(settings: Patients, source: Source) -> None:
    """Every column of `labels` and `levels` is there; a code that no patient has is warned of, where another
    has no name."""
    for column in settings.labels:
        source.require(column, "labels under [patients]")
    for column, names in settings.levels.items():
        if not source.require(column, "levels under [patients]"):
            continue
        several = column == settings.etiology
        labels = source.labels(column)
        cells = {part.strip() for cell in labels for part in (cell.split(";") if several else [cell])}
        unnamed = sorted(cells - names.keys() - {""})
        for code in names if unnamed else ():
            if code not in cells:
                wanted = f"no patient has this code; without a name {'are' if len(unnamed) > 1 else 'is'} "
                wanted += ", ".join(map(named, unnamed[:MOST_NAMED]))
                source.findings.warn("name without code", source.file, wanted, found=code, column=column)


def read_etiology(source: Source, settings: Patients, kept: np.ndarray, index: pd.Index) -> pd.Series | None:
    """The etiology of each kept patient as text, None where missing; labels stand with ';' between."""
    column = settings.etiology
    if column is None or not source.require(column, "etiology under [patients]"):
        return None
    cells = source.labels(column)
    texts = [
        ";".join(part.strip() for part in cells[position].split(";") if part.strip()) for position in kept
    ]
    if any(not part.strip() for cell in first_places(cells) for part in cell.split(";")):
        wanted = "an empty label between semicolons is left out"
        source.findings.warn("empty etiology label", source.file, wanted, column=column)
    parts = [(part.strip(), position) for position, cell in enumerate(cells) for part in cell.split(";")]
    source.doubt_labels(column, [part for part, _ in parts], [position for _, position in parts])
    missing = sum(not text for text in texts)
    if missing:
        wanted = f"the etiology is missing in {missing} of {len(texts)} patients"
        source.findings.warn("missing etiology", source.file, wanted, column=column)
    counts = pd.Series(
        [part for text in texts for part in text.split(";") if part], dtype=object
    ).value_counts()
    if len(counts) < 2:
        wanted = "two etiologies or more are wanted to compare; nothing is compared"
        source.findings.warn(
            "one etiology", source.file, wanted, found=", ".join(counts.index), column=column
        )
    for label in sorted(counts.index[counts == 1]):
        wanted = "a single patient has this etiology"
        source.findings.warn("etiology of one patient", source.file, wanted, found=label, column=column)
    if len(counts) > 5 and 2 * len(counts) > len(texts):
        wanted = (
            f"labels that several patients share are wanted, here are {len(counts)} for {len(texts)} patients"
        )
        source.findings.error("too many labels", source.file, wanted, found=counts.index[0], column=column)
    return pd.Series(
        np.array([text or None for text in texts], dtype=object), index=index, name="etiology", dtype=object
    )
