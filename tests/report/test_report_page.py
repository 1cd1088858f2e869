"""The page as a file: self-contained, the same bytes twice, harmless whatever the names are."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from discovery.association import etiology
from discovery.figures.flow import draw_attrition
from discovery.figures.save import save_figure
from discovery.report.html import unpacked, write_report
from discovery.report.methods_text import CAUTION
from discovery.report.saved_figure import SavedFigure

VOID = {"meta", "link", "img", "br", "input", "hr", "col", "wbr"}


class Page(HTMLParser):
    """Tags with their attributes, the visible text, and whether every tag is closed in order."""

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.tags, self.open, self.words, self.scripts = [], [], [], []
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data):
        (self.scripts if self.open[-1:] in (["script"], ["style"]) else self.words).append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def write(made, folder, *, hostile=False, count=20, tables=None, **changes):
    tables = made.study_tables(count=count, hostile=hostile) if tables is None else tables
    settings = made.run_settings(count=count, hostile=hostile, **changes)
    figures = [save_figure("flow", draw_attrition, made.attrition(), folder / "figures", title="Flow")]
    write_report(tables, settings, figures, folder)
    return (folder / "index.html").read_text("utf-8")


@pytest.fixture(scope="module")
def written(made, tmp_path_factory):
    return write(made, tmp_path_factory.mktemp("report"))


def data_of(text, name="data"):
    return json.loads(unpacked(re.search(rf'id="{name}">([A-Za-z0-9+/=]+)</script>', text)[1]))


def test_the_same_inputs_give_the_same_bytes(made, tmp_path):
    write(made, tmp_path / "a")
    write(made, tmp_path / "b")
    for name in ("index.html", "methods.md", "checklist.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_no_request_can_leave(written):
    page = Page(written)
    for tag, attributes in page.tags:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = attributes.get(name) or ""
            assert not re.match(r"\s*(https?:|//|javascript:|ftp:)", value, re.I), (tag, value)
        assert not any(name.startswith("on") for name in attributes), attributes
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    assert "connect-src" not in policy
    style_and_script = "".join(page.scripts)
    assert not re.search(
        r"url\(|@import|fetch\(|XMLHttpRequest|innerHTML|document\.write|eval\(", style_and_script
    )
    addresses = set(re.findall(r"https?://[^\"' ]+", style_and_script))
    assert addresses == {"http://www.w3.org/2000/svg"}  # a name, not an address


def test_links_lead_to_files_that_exist(made, tmp_path):
    page = Page(write(made, tmp_path))
    ids = {a["id"] for _, a in page.tags if "id" in a}
    links = [a["href"] for t, a in page.tags if t == "a"]
    for link in links:
        if link.startswith("#"):
            assert link[1:] in ids
        elif link != "manifest.json":  # written last
            assert (tmp_path / link).is_file(), link
    assert "figures/flow.pdf" in links
    assert len([a["id"] for _, a in page.tags if "id" in a]) == len(ids)


def test_it_opens_with_caution_and_the_headline_of_each_outcome(made, written):
    text = Page(written).text
    assert "Research only." in text
    assert CAUTION in text
    for outcome in made.run_settings().outcomes:
        assert outcome.label in text
    assert "order inside the list is not established" in text
    assert "If wrong, wrong by the family" in text
    assert text.index("assessed features are candidates") < text.index("Ranked features")
    for words in ("natural cluster", "distinct endotype", "discovered"):
        assert words not in text.lower()
    assert text.count("no effect") == text.count("does not mean that there is no effect")
    assert "(which rows: discovery check)" in text
    assert "TO BE WRITTEN" in text


def test_hostile_names_are_text_and_nothing_else(made, tmp_path):
    text = write(made, tmp_path, hostile=True)
    page = Page(text)
    assert sum(tag == "script" for tag, _ in page.tags) == 3
    assert {tag for tag, _ in page.tags}.isdisjoint({"b x", "iframe", "object", "embed", "form"})
    assert not [a for t, a in page.tags if t == "img" and "data-figure" not in a]
    assert "<script>alert(1)</script>" in page.text
    assert "{{ 7*7 }}" in page.text
    assert " 49 " not in page.text.split("{{ 7*7 }}")[0][-5:]
    labels = {row["label"] for row in data_of(text)["outcomes"][0]["rows"]}
    assert set(made.HOSTILE) <= labels
    for line in (tmp_path / "checklist.csv").read_text("utf-8").splitlines():
        assert not line.startswith(("=", "+", "-", "@"))


def test_the_data_is_the_table(made, written):
    markers = made.study_tables(count=20)["markers"]
    data = data_of(written)
    assert [o["name"] for o in data["outcomes"]] == list(dict.fromkeys(markers["outcome"]))
    for outcome in data["outcomes"]:
        mine = markers[markers["outcome"] == outcome["name"]].sort_values("rank", na_position="last")
        assert [row["feature"] for row in outcome["rows"]] == mine["feature"].tolist()
        for row, (_, want) in zip(outcome["rows"], mine.iterrows()):
            for key, value in row["number"].items():
                if value is None:
                    assert np.isnan(want[key])
                else:
                    assert value == pytest.approx(want[key], rel=1e-5)
    last = data["outcomes"][0]["rows"][-1]
    assert last["text"]["estimate"] == "–"
    assert last["sentence"].startswith("Not estimated")
    assert data["outcomes"][0]["ratio"] is True
    assert data["outcomes"][2]["ratio"] is False


def test_ratio_in_the_text_is_the_exponential_of_the_estimate(made, written):
    row = data_of(written)["outcomes"][0]["rows"][0]
    shown = [float(x) for x in re.findall(r"[\d.]+", row["text"]["estimate"])]
    want = [np.exp(row["number"][k]) for k in ("estimate", "ci_low", "ci_high")]
    assert shown == pytest.approx(want, abs=0.005001)


def test_no_patient_row_comes_through(made, tmp_path):
    """Whatever else is in the dictionary of tables, only the named ones are read."""
    tables = made.study_tables(count=20)
    tables["patients"] = pd.DataFrame({"patient_id": ["SECRET-1", "SECRET-2"], "age": [1, 2]})
    tables["features"] = tables["patients"]
    text = write(made, tmp_path, tables=tables)
    assert "SECRET" not in text
    assert b"SECRET" not in unpacked(re.search(r'id="data">([A-Za-z0-9+/=]+)<', text)[1])


def test_small_counts_of_missing_values_are_not_told_apart(made, tmp_path):
    tables = made.study_tables(count=20)
    tables["missing"] = tables["missing"].assign(n_missing=3, percent_missing=1.25)
    text = Page(write(made, tmp_path, tables=tables)).text
    assert "fewer than 5" in text
    assert "1 %" not in text.split("Missing values")[-1].split("Features left out")[0]


def test_a_masked_count_in_the_baseline_table_stays_masked(written):
    text = Page(written).text
    assert "masked" in text
    assert "On dialysis" in text


def test_nothing_found_nothing_given(made, tmp_path):
    tables = {"markers": made.study_tables(count=20)["markers"].head(0)}
    text = Page(
        write(made, tmp_path, tables=tables, problems=(), replicates=0, site=None, sites=0, covariates=())
    ).text
    assert "No feature could be tested" in text
    assert "Nothing: every check of the input passed" in text
    assert "No site was declared" in text
    assert "every association is unadjusted" in text


def test_no_outcome_at_all(made, tmp_path):
    tables = {
        "markers": made.study_tables(count=20)["markers"].head(0),
        "baseline": made.study_tables(count=20)["baseline"],
    }
    text = Page(write(made, tmp_path, tables=tables, outcomes=())).text
    assert "No outcome was declared" in text


def test_figures_are_inside_as_they_are_on_disk(made, tmp_path):
    text = write(made, tmp_path)
    assert data_of(text, "pictures")["flow"] == (tmp_path / "figures" / "flow.svg").read_text("utf-8")


def test_caller_tables_are_left_alone(made, tmp_path):
    tables = made.study_tables(count=20)
    before = {name: table.copy(deep=True) for name, table in tables.items()}
    write(made, tmp_path, tables=tables)
    for name, table in tables.items():
        pd.testing.assert_frame_equal(table, before[name])


def test_a_family_called_by_a_column_gets_the_label_of_that_feature(made, tmp_path):
    tables = made.study_tables(count=20)
    markers = tables["markers"]
    lead = (
        markers.sort_values("rank")
        .drop_duplicates("redundancy_group")
        .set_index("redundancy_group")["feature"]
    )
    tables["markers"] = markers.assign(family=markers["redundancy_group"].map(lead))
    labels = markers.drop_duplicates("feature").set_index("feature")["label"]
    rows = data_of(write(made, tmp_path, tables=tables))["outcomes"][0]["rows"]
    groups = dict(zip(markers["feature"], markers["redundancy_group"]))
    assert [row["family"] for row in rows] == [labels[lead[groups[row["feature"]]]] for row in rows]


def test_families_come_first_with_their_rank_intervals(made, written):
    families = made.study_tables(count=20)["families"]
    first = families[families["outcome"] == "responder"].iloc[0]
    text = Page(written).text
    assert "Family, by its best feature" in text
    assert f"{first['family_rank']} ({first['family_rank_low']} to {first['family_rank_high']})" in text
    assert text.index("Family, by its best feature") < text.index("Ranked features")


def test_a_feature_that_is_not_assessable_is_not_named_as_the_best_of_a_family(made, tmp_path):
    tables = made.study_tables(count=20)
    families = tables["families"]
    first, second = families.loc[families["outcome"] == "responder", "lead"].iloc[:2]
    markers = tables["markers"]
    gone = (markers["outcome"] == "responder") & (markers["feature"] == first)
    tables["markers"] = markers.assign(verdict=markers["verdict"].mask(gone, "not assessable"))
    label = made.run_settings(count=20).outcome("responder").label
    text = write(made, tmp_path, tables=tables)
    table = text.split(f'aria-label="Table: Leading families for {label}"')[1].split("</article>")[0]
    labels = markers.drop_duplicates("feature").set_index("feature")["label"]
    assert labels[second] in table
    assert labels[first] not in table
    assert "Left out: 1 family with the rank of a feature that could not be assessed." in table


def test_what_a_run_knows_beyond_the_contract_is_in_the_details(made, tmp_path):
    tables = made.study_tables(count=20)
    more = {
        "verdict_rule": "q <= 0.05; not strong: lfsr > 0.01",
        "lfsr": 0.003,
        "detectable_effect": np.log(1.4),
        "detectable_level": 0.05,
        "missing_share": 0.125,
        "top_k": 7.0,
        "p_given_lead": 0.2,
        "family_lead": "X",
        "shrunk_low": 0.0,
        "shrunk_high": 0.5,
    }
    tables["markers"] = tables["markers"].assign(**more)
    outcome = data_of(write(made, tmp_path, tables=tables))["outcomes"][0]
    found = dict(outcome["rows"][0]["more"])
    assert found["Why this verdict"] == "q ≤ 0.05; not strong: local false sign rate > 0.01"
    assert found["Probability of the wrong sign"] == "<0.01"
    assert found["Effect seen with 80 % power at p = 0.050"] == "1.40 or 0.71"
    assert found["Missing"] == "12 %"
    assert found["Beyond its family's best (X)"] == "p = 0.20"
    assert outcome["top"] == "In the first 7"
    assert outcome["rows"][0]["text"]["shrunk_estimate"].endswith("(1.00 to 1.65)")


def test_etiologies_are_a_readable_table_with_a_sentence(made, tmp_path):
    rows = [
        {
            "feature": feature,
            "etiology": etiology,
            "contrast": "deviation from the mean of etiologies, SD",
            "estimate": (-1) ** k * 0.1 * k,
            "ci_low": (-1) ** k * 0.1 * k - 0.2,
            "ci_high": (-1) ** k * 0.1 * k + 0.2,
            "p_value": 0.5 / (k + 1),
            "q_value": 0.04 if k == 11 else 0.6,
            "auc": 0.6,
            "auc_low": 0.5,
            "auc_high": 0.7,
            "shrunk_estimate": -0.0,
            "n": 61,
        }
        for etiology in ("group 2", "left heart disease")
        for k, feature in enumerate(made.feature_names(12)[0])
    ]
    tables = made.study_tables(count=12) | {"etiologies": pd.DataFrame(rows)}
    page = write(made, tmp_path, tables=tables)
    section = page[page.index('<h3 id="etiologies">') :]
    section = section[: section.index("</table>")]
    assert "Each etiology against the mean of all etiologies" in section
    assert "2 of 24 comparisons have q ≤ 0.05" in section
    assert section.count("<tr>") == 1 + 2 * 8
    cells = re.findall(r"<t[hd][^>]*>([^<]+)<", section[section.index("<tbody>") :].replace("\u00a0", " "))
    label = made.feature_names(12)[1][11]
    first = ["group 2 (n = 61)", label, "−1.10 (−1.30 to −0.90)", "0.00", "0.042", "0.040"]
    assert cells[:7] == [*first, "0.60 (0.50 to 0.70)"]


def test_nothing_missing_no_table_of_it(made, tmp_path):
    tables = made.study_tables()
    assert 'id="missing"' in write(made, tmp_path, tables=tables)
    tables["missing"] = tables["missing"].assign(n_missing=0, percent_missing=0.0)
    assert 'id="missing"' not in write(made, tmp_path, tables=tables)


def test_an_empty_base_model_is_called_not_adjusted(made, tmp_path):
    tables = made.study_tables(count=12)
    tables["associations"]["model"] = tables["associations"]["model"].replace("main", "adjusted")
    page = write(made, tmp_path, tables=tables, count=12, covariates=(), site=None, sites=0)
    assert "not adjusted: the base model is empty" in page
    assert data_of(page)["outcomes"][0]["rows"][0]["models"][0][0] == "not adjusted"
    plain = write(made, tmp_path, tables=tables)
    assert data_of(plain)["outcomes"][0]["rows"][0]["models"][0][0] == "adjusted"


def test_a_title_that_asks_gets_no_full_stop(made, tmp_path):
    figures = [
        SavedFigure(figure_id=f"f{k}", svg=path, pdf=path, csv=path, title=title, caption="n = 3.")
        for k, title in enumerate(("How many groups?", "Leading features"))
        for path in [tmp_path / "f.svg"]
    ]
    (tmp_path / "f.svg").write_text('<svg viewBox="0 0 10 10"></svg>', encoding="utf-8")
    write_report(made.study_tables(count=12), made.run_settings(count=12), figures, tmp_path)
    text = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "<b>How many groups?</b> n = 3." in text
    assert "<b>Leading features.</b> n = 3." in text


def test_a_suspected_leak_stands_beside_its_verdict_and_in_the_headline(made, tmp_path):
    tables = made.study_tables()
    markers = tables["markers"]
    first = markers[markers["outcome"] == "death_or_rv_failure"].sort_values("rank").index[0]
    flags = markers["flags"].astype(object)
    flags[first] = "suspected leak: alone it all but reproduces the outcome (C above 0.98)"
    text = write(made, tmp_path, tables=tables | {"markers": markers.assign(flags=flags)})
    label = markers.loc[first, "label"]
    assert f'<p class="warn">Beware of {label}: it tells the outcome so well' in text
    rows = data_of(text)["outcomes"][0]["rows"]
    brief = {row["feature"]: row["brief"] for row in rows}
    assert brief[markers.loc[first, "feature"]].endswith("candidate (suspected leak)")
    assert sum("leak" in word for word in brief.values()) == 1


def test_the_page_warns_where_few_patients_tell_an_etiology_from_none(made, tmp_path):
    row = {
        "contrast": f"{etiology.JOINT}, SD",
        "estimate": 0.4, "ci_low": 0.1, "ci_high": 0.7, "p_value": 0.01, "q_value": 0.04, "auc": 0.6,
        "auc_low": 0.5, "auc_high": 0.7, "shrunk_estimate": 0.2, "n": 61, "etiology": "group 2",
    }  # fmt: skip
    notes = [f"{etiology.RESTS_ON_FEW}: only 9 patients", ""]
    rows = [row | {"feature": name, "note": note} for name, note in zip(made.feature_names(12)[0], notes)]
    for kept, words in ((rows, "1 of them rest on few patients"), (rows[:1], "All of them rest on few")):
        page = write(made, tmp_path, tables=made.study_tables() | {"etiologies": pd.DataFrame(kept)})
        assert words in page
        assert "see the pairs of etiologies" in page
    page = write(made, tmp_path, tables=made.study_tables() | {"etiologies": pd.DataFrame(rows[1:])})
    assert "on few patients" not in page
