"""Take a CSV file apart: encoding, delimiter, quotes, header and rows, each fault with its line."""

from __future__ import annotations

import csv
import hashlib
import io
import re

import numpy as np

from discovery.problems import InputError, Problem
from discovery.study.findings import Findings
from discovery.study.tables import A_TABLE, LONGEST_CELL, Table, check_header, normal_name

DELIMITERS = (",", ";", "\t")


def read_csv(content: bytes, name: str, findings: Findings) -> Table | None:
    """A table from the bytes of a CSV file: UTF-8, comma, semicolon or tab, one header line."""
    text = decode(content, name)
    stated = re.match(r"sep=([,;\t])(?=\r?\n)", text)  # a line that spreadsheets put on top
    if stated:
        text = text[stated.end() :]
    delimiter = stated[1] if stated else find_delimiter(text)
    lines, records = split_records(text, delimiter, name)
    if not records:
        raise InputError([Problem(file=name, found="no text", wanted=A_TABLE)])
    header = [normal_name(cell) for cell in records[0]]
    kept_columns = check_header(header, name, lines[0], findings)
    body, rows = check_records(records[1:], lines[1:], len(header), delimiter, name, findings)
    if kept_columns is None:
        return None
    if not body:
        if not any(any(cell.strip() for cell in record) for record in records[1:]):
            found = f"a header of {len(header)} column{'s' if len(header) != 1 else ''}"
            findings.error("no rows", name, "a row or more under the header is wanted", found=found)
        return None
    by_column = list(zip(*body))
    cells = {header[position]: [cell.strip() for cell in by_column[position]] for position in kept_columns}
    return Table(
        file=name,
        columns=tuple(header[position] for position in kept_columns),
        rows=np.array(rows, dtype=np.int64),
        sha256=hashlib.sha256(content).hexdigest(),
        cells=cells,
        comma=delimiter != ",",
        decimal_commas=delimiter != "," and has_decimal_commas(text, delimiter),
    )


def decode(content: bytes, name: str) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        wanted = 'UTF-8 is wanted; the file looks like UTF-16: save it again as "CSV UTF-8"'
        raise InputError([Problem(file=name, found="UTF-16", wanted=wanted)])
    if content[:4] in (b"PK\x03\x04", b"PAR1") or content[:2] == b"\x1f\x8b":
        kind = {b"PK": "a spreadsheet or archive", b"PA": "Parquet", b"\x1f\x8b": "a compressed file"}[
            content[:2]
        ]
        wanted = f"text is wanted; the file is {kind} under the name of a CSV"
        raise InputError([Problem(file=name, found=repr(content[:4]), wanted=wanted)])
    if b"\0" in content:
        place = content.index(b"\0")
        half = content[:2000].count(b"\0") * 3 > len(content[:2000])
        hint = '; the file looks like UTF-16: save it again as "CSV UTF-8"' if half else ""
        row = content.count(b"\n", 0, place) + 1
        wanted = f"text without NUL bytes is wanted (byte {place}){hint}"
        raise InputError([Problem(file=name, row=row, found="a NUL byte", wanted=wanted)])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start + (3 if content[:3] == b"\xef\xbb\xbf" else 0)
        row = content.count(b"\n", 0, start) + 1
        begin = max(content.rfind(b"\n", 0, start), content.rfind(b"\r", 0, start), start - 30) + 1
        near = content[begin : start + 30].decode("latin-1").splitlines()
        wanted = (
            f"UTF-8 is wanted; byte {start} is not, the file looks like Latin-1 or Windows-1252: "
            'save it again as "CSV UTF-8"'
        )
        raise InputError(
            [Problem(file=name, row=row, found=near[0] if near else "", wanted=wanted)]
        ) from None


def find_delimiter(text: str) -> str:
    """Comma, semicolon or tab: the one that stands most often in the header outside quotes."""
    header = ""
    for line in io.StringIO(text, newline=None):
        if line.strip():
            header = re.sub(r'"[^"]*"', "", line[:1_000_000])
            break
    counts = {delimiter: header.count(delimiter) for delimiter in DELIMITERS}
    return max(DELIMITERS, key=lambda delimiter: counts[delimiter])


def split_records(text: str, delimiter: str, name: str) -> tuple[list[int], list[list[str]]]:
    """The non-blank records and the line on which each begins."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    lines, records = [], []
    line = 1
    try:
        for record in reader:
            if record and (len(record) > 1 or record[0].strip()):
                lines.append(line)
                records.append(record)
            line = reader.line_num + 1
    except csv.Error as error:
        raise InputError([broken_record(text, line, str(error), delimiter, name)]) from None
    return lines, records


def broken_record(text: str, line: int, message: str, delimiter: str, name: str) -> Problem:
    stands = next((found for row, found in enumerate(io.StringIO(text), start=1) if row == line), "")
    stands = stands.rstrip("\r\n")
    if "field limit" in message:
        longest = max(stands.split(delimiter), key=len)
        found = longest if len(longest) > LONGEST_CELL else text[text.find(stands) :]
        wanted = f"a cell of at most {LONGEST_CELL} characters is wanted; is a quote never closed?"
        header = next(io.StringIO(text), "").rstrip("\r\n").split(delimiter)
        position = stands.split(delimiter).index(longest)
        column = (
            header[position].strip('"') if len(longest) > LONGEST_CELL and position < len(header) else None
        )
        return Problem(file=name, row=line, column=column if line > 1 else None, found=found, wanted=wanted)
    if "unexpected end" in message:
        wanted = "a quote that opens a cell must be closed; none closes the one that opens here"
    elif "expected after" in message:
        wanted = 'a quote inside a quoted cell must be doubled ("")'
    else:
        wanted = f"this row cannot be split into cells ({message})"
    return Problem(file=name, row=line, found=stands, wanted=wanted)


def check_records(
    records: list[list[str]], lines: list[int], width: int, delimiter: str, name: str, findings: Findings
) -> tuple[list[list[str]], list[int]]:
    """The rows with the right number of cells; others are faults, rows without any value are left out."""
    body, rows, blank = [], [], []
    for record, line in zip(records, lines):
        if len(record) == width and any(record):
            body.append(record)
            rows.append(line)
        elif not any(cell.strip() for cell in record):
            blank.append(line)
        else:
            comma = delimiter == "," and len(record) > width
            hint = "; a cell with a comma must stand in quotes" if comma else ""
            span = sum(cell.count("\n") for cell in record)
            if span:
                hint = f"; it runs over {span + 1} lines: is a quote never closed?"
            found = delimiter.join(record)
            wanted = f"{width} cells as in the header are wanted, here are {len(record)}{hint}"
            findings.error("ragged row", name, wanted, row=line, found=found)
    if blank:
        wanted = f"rows without any value are not read ({len(blank)} in all)"
        findings.warn("blank row", name, wanted, row=blank[0])
    return body, rows


def has_decimal_commas(text: str, delimiter: str) -> bool:
    edge = re.escape(delimiter)
    return re.search(rf'(?:^|[\n\r{edge}"])\s*[+-]?\d+,\d+\s*(?:$|[\n\r{edge}"])', text) is not None
