"""The tables that a study file names, each read once."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from discovery.problems import InputError
from discovery.study.findings import Findings
from discovery.study.paths import one_line, resolve
from discovery.study.settings import Codes, RecurrentOutcome, StudyFile
from discovery.study.source import Source, missing_codes
from discovery.study.table_files import read_table
from discovery.study.tables import Table


@dataclass
class Shelf:
    """The tables of one study, each read once."""

    folder: Path
    findings: Findings
    tables: dict[str, Table | None] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)

    def source(self, name: str, section: str, codes: Codes) -> Source | None:
        """The table called `name`, or None with its faults noted (once)."""
        if name not in self.tables:
            try:
                path = resolve(self.folder, name)
                self.tables[name] = read_table(path, one_line(name), self.findings)
            except InputError as error:
                self.findings.extend(error.problems)
                self.tables[name] = None
        table = self.tables[name]
        if table is None:
            return None
        self.hashes[name] = table.sha256
        return Source(table, section, missing_codes(codes), self.findings)


def features_source(settings: StudyFile, shelf: Shelf) -> Source | None:
    """The table of features; None where the study has none, or it cannot be read."""
    if settings.features is None:
        return None
    return shelf.source(settings.features.file, "features", settings.features.missing)


def event_tables(settings: StudyFile, shelf: Shelf) -> dict[str, Source]:
    """The table of each recurrent outcome, by the outcome's name."""
    tables = {}
    for section in settings.outcomes:
        if isinstance(section, RecurrentOutcome):
            source = shelf.source(section.file, "patients", settings.patients.missing)
            if source is not None:
                tables[section.name] = source
    return tables


def labels_table(settings: StudyFile, shelf: Shelf) -> Table | None:
    if settings.features is None or settings.features.labels is None:
        return None
    source = shelf.source(settings.features.labels, "features", ())
    return None if source is None else source.table
