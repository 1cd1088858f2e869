"""Open a table by its name: CSV or Parquet, or words for why it is neither."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from discovery.problems import InputError, Problem
from discovery.study.csv_tables import read_csv
from discovery.study.findings import Findings
from discovery.study.paths import read_bytes
from discovery.study.tables import A_TABLE, Table

TEXT_ENDINGS = (".csv", ".tsv", ".txt")
PARQUET_ENDINGS = (".parquet", ".pq")


def read_table(path: Path, name: str, findings: Findings) -> Table | None:
    """The table at `path`, called `name` in messages; None if it is broken, the faults in `findings`."""
    ending, known = path.suffix.casefold(), False
    try:
        with suppress(OSError, ValueError):  # opening it says what is wrong
            known = path.is_dir() or path.exists()
        if known and ending not in TEXT_ENDINGS + PARQUET_ENDINGS:
            hint = "; save the sheet as CSV UTF-8" if ending in {".xlsx", ".xls", ".ods"} else ""
            raise InputError([Problem(file=name, wanted=A_TABLE + hint)])
        content = read_bytes(path, name, wanted=A_TABLE)
        if not content:
            raise InputError([Problem(file=name, found="an empty file", wanted=A_TABLE)])
        if ending in PARQUET_ENDINGS:
            from discovery.study.parquet_tables import read_parquet

            return read_parquet(content, name, findings)
        return read_csv(content, name, findings)
    except InputError as error:
        findings.extend(error.problems)
        return None
