"""The baseline table as Word, LaTeX and a web page: the same cells, nothing that runs, the same bytes."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from docx import Document

from discovery.cohort.baseline import baseline_table
from discovery.report.baseline_files import as_latex, as_web, as_word, tex, write_baseline_files
from discovery.report.page_tables import baseline_view
from discovery.report.settings import RunSettings

NASTY = "Ward_1 & 5 % <b>$x$</b> \\cmd{} ~ ^ # \x0b"


@pytest.fixture
def table(dataset):
    """The open Rotterdam patients by menopausal state, one label as bad as labels come."""
    data = dataset("rotterdam.csv")
    by = data["meno"].map({0: "before menopause", 1: "after menopause"})
    chosen = data[["age", "nodes", "size", "grade"]].assign(grade=data["grade"].astype(str))
    return baseline_table(chosen, group=by, labels={"age": NASTY, "nodes": "Positive nodes"})


class Cells(HTMLParser):
    def __init__(self):
        super().__init__()
        self.rows, self.inside, self.tags = [], False, set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        if tag == "tr":
            self.rows.append([])
        self.inside = tag in ("td", "th")
        if self.inside:
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        self.inside = False if tag in ("td", "th") else self.inside

    def handle_data(self, data):
        if self.inside:
            self.rows[-1][-1] += data


def test_word_and_web_hold_the_cells_of_the_table(table):
    view = baseline_view(table)
    wanted = [list(view.heads), *map(list, view.rows)]
    assert view.heads[-1] == "SMD"
    document = Document(io.BytesIO(as_word(view, "Baseline", "note")))
    in_word = [[cell.text for cell in row.cells] for row in document.tables[0].rows]
    assert in_word == [[cell.replace("\x0b", "") for cell in row] for row in wanted]
    page = Cells()
    page.feed(as_web(view, "Baseline", "note"))
    assert page.rows == wanted
    assert "script" not in page.tags
    assert "b" not in page.tags


def test_latex_has_a_cell_for_each_and_escapes_commands(table):
    view = baseline_view(table)
    text = as_latex(view, NASTY, "note")
    body = text.split("\\endhead")[1].split("\\bottomrule")[0].strip().splitlines()
    assert len(body) == len(view.rows)
    for line in body:
        assert len(re.findall(r"(?<!\\)&", line)) == len(view.heads) - 1
        assert line.endswith(r"\\")
    assert tex(NASTY).startswith(r"Ward\_1 \& 5 \% \textless{}b\textgreater{}\$x\$")
    assert text.count("{") == text.count("}")


def test_differences_are_those_of_the_definition(table, dataset):
    data = dataset("rotterdam.csv")
    late, early = (data.loc[data["meno"] == k, "nodes"] for k in (1, 0))
    # groups stand in the order of their names: after, before
    smd = (early.mean() - late.mean()) / ((early.var() + late.var()) / 2) ** 0.5
    row = next(row for row in baseline_view(table).rows if row[0].startswith("Positive nodes"))
    assert row[-1].replace("\u2212", "-") == f"{smd:.2f}"


def test_files_are_the_same_bytes_every_time_and_name_no_user(table, tmp_path):
    settings = RunSettings(name="s", title="A study", seed=1, n_patients=3, n_features=1, outcomes=())
    made = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        made.append([path.read_bytes() for path in write_baseline_files(table, settings, tmp_path / name)])
    assert made[0] == made[1]
    assert Document(io.BytesIO(made[0][0])).core_properties.author == ""
    assert b"Research only" in made[0][2]


def test_groups_that_overlap_have_no_difference_column():
    data = pd.DataFrame({"age": [1.0, 2, 3, 4, 5, 6]})
    group = pd.Series(["a;b", "a", "b", "a", "b", "c"])
    assert "SMD" not in baseline_view(baseline_table(data, group=group, separator=";")).heads


def test_numbers_of_a_characteristic_have_the_same_decimals_in_every_group():
    """Three digits of its standard deviation, whether a mean lies above or below 10."""
    low, high = np.linspace(2.0, 9.0, 40), np.linspace(8.0, 22.0, 40)
    group = pd.Series(["a"] * 40 + ["b"] * 40)
    data = pd.DataFrame(
        {"pressure": np.concatenate([low, high]), "large": np.linspace(100, 9000, 80), "same": 5.0}
    )
    rows = {row[0]: row[1:4] for row in baseline_view(baseline_table(data, group=group)).rows}
    for name, places in (("pressure", 2), ("large", 0)):
        for kind in ("mean (SD)", "median (quartiles)"):
            numbers = re.findall(r"[\d.]+", " ".join(rows[f"{name}: {kind}"]))
            assert {len(number.partition(".")[2]) for number in numbers} == {places}
