"""The baseline table as a Word, a LaTeX and a web file, ready for a paper; the same bytes every time."""

from __future__ import annotations

import html
import io
import zipfile
from datetime import datetime
from pathlib import Path

import pandas as pd

from discovery.files import write_bytes
from discovery.report.page_tables import Table, baseline_view
from discovery.report.settings import RunSettings

NAMES = ("baseline.docx", "baseline.tex", "baseline.html")
LEGEND = "SD: standard deviation. SMD: standardised mean difference, {what}. "
TWO, MORE = "second group less first", "the largest between any two groups"
RESEARCH = "Research only: no value is a threshold for care; defers to clinical judgement and local practice."
EPOCH = (1980, 1, 1, 0, 0, 0)  # the first time that a zip file can hold
TEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{",
    "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "≤": r"$\le$", "≥": r"$\ge$",
    "−": "$-$", "–": "--", "²": r"\textsuperscript{2}", "\u2009": r"\,", "<": r"\textless{}",
    ">": r"\textgreater{}", "|": r"\textbar{}",
}  # fmt: skip


def write_baseline_files(table: pd.DataFrame, settings: RunSettings, folder: Path) -> list[Path]:
    """Write the baseline table (tidy, as in baseline.csv) as `NAMES` into `folder`; returns the paths."""
    view = baseline_view(table)
    title = f"Baseline characteristics: {settings.title or settings.name}"
    note = legend(table) + (f"{view.note} " if view.note else "") + RESEARCH
    return [
        write_bytes(folder / "baseline.docx", as_word(view, title, note)),
        write_bytes(folder / "baseline.tex", as_latex(view, title, note).encode("utf-8")),
        write_bytes(folder / "baseline.html", as_web(view, title, note).encode("utf-8")),
    ]


def legend(table: pd.DataFrame) -> str:
    """What the abbreviations mean."""
    if table["group"].nunique() < 3 or not table.drop_duplicates("variable")["smd"].notna().any():
        return "SD: standard deviation. "
    return LEGEND.format(what=TWO if table["group"].nunique() == 3 else MORE)


def as_web(view: Table, title: str, note: str) -> str:
    """A page of its own without script."""
    heads = "".join(f"<th scope='col'>{html.escape(head)}</th>" for head in view.heads)
    rows = "\n".join(
        f"<tr><th scope='row'>{html.escape(row[0])}</th>"
        + "".join(f"<td>{html.escape(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in view.rows
    )
    style = (
        "body{font:15px/1.4 sans-serif;margin:2em;color:#1b1f24}table{border-collapse:collapse}"
        "caption{font-weight:bold;text-align:left;padding:.4em 0}th,td{padding:.25em .8em;text-align:left;"
        "border-bottom:1px solid #c9ced6;vertical-align:top}thead th{border-top:2px solid;"
        "border-bottom:2px solid}tbody th{font-weight:normal}p{max-width:50em;font-size:.9em}"
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        f"<style>{style}</style></head>\n<body><table><caption>{html.escape(title)}</caption>\n"
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}\n</tbody></table>\n<p>{html.escape(note)}</p>"
        "</body></html>\n"
    )


def as_latex(view: Table, title: str, note: str) -> str:
    """A `longtable` with rules of `booktabs`; the preamble that it needs stands in its first lines."""
    columns = "p{5cm}" + "l" * (len(view.heads) - 1)
    lines = [
        r"% \usepackage{booktabs,longtable}",
        rf"\begin{{longtable}}{{{columns}}}",
        rf"\caption{{{tex(title)}}}\\",
        r"\toprule",
        " & ".join(tex(head) for head in view.heads) + r" \\",
        r"\midrule",
        r"\endfirsthead",
        r"\toprule",
        " & ".join(tex(head) for head in view.heads) + r" \\",
        r"\midrule",
        r"\endhead",
        *(" & ".join(tex(cell) for cell in row) + r" \\" for row in view.rows),
        r"\bottomrule",
        rf"\multicolumn{{{len(view.heads)}}}{{p{{\linewidth}}}}{{\footnotesize {tex(note)}}}\\",
        r"\end{longtable}",
    ]
    return "\n".join(lines) + "\n"


def tex(text: str) -> str:
    """`text` with every sign that LaTeX reads as a command written out."""
    return "".join(TEX.get(letter, letter) for letter in clean(text))


def as_word(view: Table, title: str, note: str) -> bytes:
    """A document with one table whose head repeats on every page; no clock and no user in it."""
    from docx import Document
    from docx.enum.section import WD_ORIENT
    from docx.oxml import OxmlElement
    from docx.shared import Pt

    document = Document()
    about = document.core_properties
    about.author, about.title, about.comments = "", title[:250], ""
    about.created = about.modified = datetime(*EPOCH)
    about.last_modified_by, about.revision = "", 1
    if len(view.heads) > 5:
        page = document.sections[0]
        page.orientation = WD_ORIENT.LANDSCAPE
        page.page_width, page.page_height = page.page_height, page.page_width
    document.add_paragraph().add_run(clean(title)).bold = True
    table = document.add_table(rows=0, cols=len(view.heads))
    table.style = "Table Grid"
    for number, cells in enumerate((view.heads, *view.rows)):
        row = table.add_row()
        for cell, text in zip(row.cells, cells):
            run = cell.paragraphs[0].add_run(clean(text))
            run.font.size = Pt(9)
            run.bold = number == 0
        if number == 0:
            properties = row._tr.get_or_add_trPr()
            properties.append(OxmlElement("w:tblHeader"))
    document.add_paragraph().add_run(clean(note)).font.size = Pt(8)
    out = io.BytesIO()
    document.save(out)
    return without_clock(out.getvalue())


def clean(text: str) -> str:
    """`text` without the control characters that XML cannot hold."""
    return "".join(letter for letter in text if letter >= " " or letter in "\t\n")


def without_clock(archive: bytes) -> bytes:
    """A zip file with the same members, in order of name, all dated alike."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(out, "w") as new:
        for name in sorted(old.namelist()):
            member = zipfile.ZipInfo(name, date_time=EPOCH)
            member.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(member, old.read(name))
    return out.getvalue()
