"""Columns and codes by the names that a study gives them, in what people read; data files keep the codes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial

import pandas as pd

from discovery.report.settings import RunSettings

OF_ETIOLOGIES = ("etiology", "against", "said")
OF_SITES = ("site", "site_left_out")
OF_VARIABLES = ("variable", "by", "modifier")  # columns that say which column a level is one of
LEVELS = ("level", "group")
OF_DEFINITION = "part of the definition of "
TEXTS = (
    "note", "flags", "reason", "sentence", "verdict_rule", "alternative", "equation", "label", "per",
)  # fmt: skip


def with_names(
    tables: Mapping[str, pd.DataFrame], settings: RunSettings
) -> tuple[dict[str, pd.DataFrame], RunSettings]:
    """Tables and settings as report and figures show them; the same where the study gives no names."""
    names = _Names(settings)
    tables = dict(tables)
    if "excluded_features" in tables:
        tables["excluded_features"] = names.in_excluded(tables["excluded_features"])
    if "associations" in tables:
        tables["associations"] = names.in_models(tables["associations"])
    settings = replace(settings, notes=tuple(map(names.in_note, settings.notes)))
    if not settings.level_names and not settings.column_names:
        return tables, settings
    shown = replace(
        settings,
        covariates=tuple(map(names.column, settings.covariates)),
        imputed_covariates=tuple(map(names.column, settings.imputed_covariates)),
        adjust_more=tuple(map(names.column, settings.adjust_more)),
        notes=tuple(map(names.in_text, settings.notes)),
    )
    return {name: names.in_table(table) for name, table in tables.items()}, shown


@dataclass(frozen=True)
class _Names:
    settings: RunSettings

    def column(self, name: str) -> str:
        return self.settings.column_names.get(name, name)

    def levels(self, column: str | None) -> Mapping[str, str]:
        return self.settings.level_names.get(column or "", {})

    def in_table(self, table: pd.DataFrame) -> pd.DataFrame:
        table = table.copy()
        for columns, of in ((OF_ETIOLOGIES, self.settings.etiology), (OF_SITES, self.settings.site)):
            for column in (name for name in columns if name in table):
                table[column] = _mapped(table[column], self.levels(of))
        if "group" in table and "group_n" in table:  # the baseline table: a column for each etiology
            table["group"] = _mapped(table["group"], self.levels(self.settings.etiology))
        for which in (name for name in OF_VARIABLES if name in table):
            self._levels_of(table, which)
        if "feature" in table:
            names = self.settings.column_names.items()
            covariates = {f"covariate {column}": f"covariate {name}" for column, name in names}
            table["feature"] = _mapped(table["feature"], covariates)
        for column in (name for name in TEXTS if name in table):
            known = {text: self.in_text(str(text)) for text in table[column].dropna().unique()}
            table[column] = _mapped(table[column], known)
        return table

    def _levels_of(self, table: pd.DataFrame, which: str) -> None:
        """Levels and groups by the column that `which` names, in place."""
        for name in set(table[which].dropna().astype(str)) & self.settings.level_names.keys():
            rows = table[which] == name
            for column in (level for level in LEVELS if level in table):
                table[column] = table[column].astype(object)
                table.loc[rows, column] = _mapped(table.loc[rows, column], self.levels(name))
            if "groups" in table:
                listed = table.loc[rows, "groups"].dropna()
                table.loc[listed.index, "groups"] = [self._listed(name, text) for text in listed]
        if which == "modifier" or (which == "by" and "groups" in table):
            table[which] = _mapped(table[which], self.settings.column_names)

    def _listed(self, column: str, text: str) -> str:
        return "; ".join(self.levels(column).get(part, part) for part in text.split("; "))

    def in_text(self, text: str) -> str:
        """`text` with the codes that stand behind the name of their column, and columns that stand alone."""
        if text in self.settings.column_names:
            return self.column(text)
        for pattern, levels in self._patterns:
            text = pattern.sub(partial(_named, levels), text)
        return self._alone.sub(lambda found: self.column(found[0]), text) if self._alone else text

    def in_note(self, note: str) -> str:
        """A note of the run with outcomes and features by their labels: `NAME, NAME: …` and codes within."""
        before, colon, after = note.partition(": ")
        outcomes = {outcome.name: outcome.label for outcome in self.settings.outcomes}
        of = before.split(", ")
        if colon and set(of) <= set(outcomes):
            everyone = len(of) > 1 and len(of) == len(outcomes)
            before = "All outcomes" if everyone else "; ".join(outcomes[name] for name in of)
        return self._in_features(before + colon + after)

    def in_excluded(self, table: pd.DataFrame) -> pd.DataFrame:
        """The features left out, by their labels."""
        outcomes = {f"{OF_DEFINITION}{outcome.name}": outcome.label for outcome in self.settings.outcomes}
        reasons = {reason: OF_DEFINITION + label for reason, label in outcomes.items()}
        return table.assign(
            feature=_mapped(table["feature"], self.settings.feature_names),
            reason=_mapped(table["reason"], reasons),
        )

    def in_models(self, table: pd.DataFrame) -> pd.DataFrame:
        """The models of competing events by the labels of these."""
        table = table.copy()
        for outcome in self.settings.outcomes:
            for code, name in outcome.cause_models.items():
                mine = (table["outcome"] == outcome.name) & table["model"].str.startswith(code)
                table.loc[mine, "model"] = name + table.loc[mine, "model"].str[len(code) :]
        return table

    def _in_features(self, text: str) -> str:
        return self._codes.sub(lambda found: self.settings.feature_names[found[0]], text)

    @cached_property
    def _codes(self) -> re.Pattern:
        """The name of a feature, where it is no word of the language and no file."""
        names = {name: "" for name in self.settings.feature_names if "_" in name}
        return re.compile(rf"(?<![\w./])(?:{_any_of(names)})(?![\w/]|\.\w)" if names else r"(?!)")

    @cached_property
    def _patterns(self) -> list[tuple[re.Pattern, Mapping[str, str]]]:
        """ "etiology CODE", "sex=CODE", "CODE against CODE" and "CODE: 9"."""
        out = []
        roles = {self.settings.etiology: "etiology", self.settings.site: "site"}
        for column, levels in self.settings.level_names.items():
            said = "|".join(re.escape(word) for word in {column, roles.get(column, column)})
            codes = _any_of(levels)
            out.append((re.compile(rf"(?<!\w)((?:{said})(?: |=))({codes})(?!\w)"), levels))
            out.append((re.compile(rf"(?<!\w)()({codes})(?= against |: \d)"), levels))
            out.append((re.compile(rf"(?<= against)( )({codes})(?!\w)"), levels))
        return out

    @cached_property
    def _alone(self) -> re.Pattern | None:
        """A column's name: where it is no word of the language, or where an equation has it."""
        names = self.settings.column_names
        told = {name: "" for name in names if "_" in name}
        parts = [rf"(?<!\w)(?:{_any_of(told)})(?!\w)"] if told else []
        parts += [rf"(?<=[(\[])(?:{_any_of(names)})(?= [−+] |=)"] if names else []
        return re.compile("|".join(parts)) if parts else None


def _named(levels: Mapping[str, str], found: re.Match) -> str:
    return found[1] + levels[found[2]]


def _any_of(names: Mapping[str, str]) -> str:
    return "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))


def _mapped(column: pd.Series, names: Mapping[str, str]) -> pd.Series:
    if not names:
        return column
    return column.astype(object).map(lambda value: names.get(str(value), value), na_action="ignore")
