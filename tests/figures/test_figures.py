"""Every figure: drawn from its table and nothing else, the same bytes twice, whatever the names are."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from functools import partial

import numpy as np
import pandas as pd
import pytest

from discovery.figures import style
from discovery.figures.correlation import draw_correlation_map
from discovery.figures.curves import draw_curves
from discovery.figures.flow import draw_attrition
from discovery.figures.forest import draw_marker_forest
from discovery.figures.group_forest import GROUP, HEADING, HEADING_LETTERS, draw_group_forest
from discovery.figures.labels import distinct, drawable, row_labels, short
from discovery.figures.missing import draw_missing_map
from discovery.figures.ranks import draw_gain, draw_rank_intervals
from discovery.figures.residual import draw_partial_residual
from discovery.figures.roc import draw_roc
from discovery.figures.save import file_name, picture, save_figure
from discovery.figures.scales import MOST_SPREAD, ratio_ticks, time_axis
from discovery.figures.standard import draw_study_figures
from discovery.figures.volcano import draw_volcano

DRAWS = [
    draw_marker_forest,
    draw_rank_intervals,
    draw_gain,
    draw_volcano,
    draw_correlation_map,
    draw_curves,
    draw_roc,
    draw_partial_residual,
    draw_missing_map,
    draw_attrition,
]


@pytest.fixture(scope="module")
def rows(made):
    return made.markers_for("death", "survival").dropna(subset=["estimate"]).head(12)


def table_for(draw, made, rows):
    tables = {
        draw_correlation_map: made.correlations(*made.feature_names(14)),
        draw_curves: made.curves(competing=True),
        draw_roc: made.roc(),
        draw_partial_residual: made.residual(),
        draw_attrition: made.attrition(),
        draw_missing_map: made.study_tables()["missing"].head(40),
    }
    return tables.get(draw, rows)


def axes():
    return style.new_axes()


def in_style(draw, table, **words):
    with style.house_style():
        return draw(table, axes(), **words)


@pytest.mark.parametrize("draw", DRAWS, ids=lambda draw: draw.__name__)
def test_the_same_table_gives_the_same_bytes_and_the_csv_is_the_table(draw, made, rows, tmp_path):
    table = table_for(draw, made, rows)
    before = table.copy(deep=True)
    one = save_figure("a", draw, table, tmp_path / "one")
    two = save_figure("a", draw, table, tmp_path / "two")
    for kind in ("svg", "pdf", "csv"):
        assert getattr(one, kind).read_bytes() == getattr(two, kind).read_bytes()
    pd.testing.assert_frame_equal(table, before)
    back = pd.read_csv(one.csv, keep_default_na=False, na_values=[""], float_precision="round_trip")
    assert list(back.columns) == list(table.columns)
    assert len(back) == len(table)
    for name in table.select_dtypes("number"):
        np.testing.assert_array_equal(back[name].to_numpy(float), table[name].to_numpy(float))
    assert sorted(p.name for p in one.svg.parent.iterdir()) == [
        "a.csv",
        "a.pdf",
        "a.svg",
    ]  # nothing half written
    assert not re.search(rb"20\d\d-\d\d-\d\dT", one.svg.read_bytes())
    assert b"CreationDate" not in one.pdf.read_bytes()


@pytest.mark.parametrize("draw", DRAWS, ids=lambda draw: draw.__name__)
def test_an_empty_table_is_a_sentence(draw, made, rows):
    ax = in_style(draw, table_for(draw, made, rows).head(0))
    words = [text.get_text() for text in ax.texts]
    assert len(words) == 1
    assert words[0].endswith(".")


def test_another_process_with_other_hash_seed_and_locale_gives_the_same_bytes(made, rows, tmp_path):
    rows.to_pickle(tmp_path / "rows.pickle")
    code = (
        "import sys, pandas as pd; from pathlib import Path; from discovery.figures.save import save_figure;"
        "from discovery.figures.forest import draw_marker_forest as d;"
        "save_figure('a', d, pd.read_pickle(sys.argv[1]), Path(sys.argv[2]))"
    )
    for k, seed in enumerate(("0", "77")):
        subprocess.run(
            [sys.executable, "-c", code, tmp_path / "rows.pickle", tmp_path / str(k)],
            check=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": f"UTC+{k}", "LC_ALL": "C"},
        )
    for kind in ("svg", "pdf", "csv"):
        assert (tmp_path / "0" / f"a.{kind}").read_bytes() == (tmp_path / "1" / f"a.{kind}").read_bytes()


def test_settings_of_the_process_are_put_back_and_do_not_leak_in(rows, tmp_path):
    import matplotlib as mpl

    plain = save_figure("a", draw_gain, rows, tmp_path / "one").svg.read_bytes()
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "pink"}):
        assert save_figure("a", draw_gain, rows, tmp_path / "two").svg.read_bytes() == plain
        assert mpl.rcParams["font.size"] == 30


def test_figures_drawn_in_threads_do_not_mix(rows, tmp_path):
    alone = save_figure("a", draw_gain, rows, tmp_path).svg.read_bytes()
    jobs = [
        threading.Thread(target=save_figure, args=("a", draw, rows, tmp_path / str(k)))
        for k, draw in enumerate((draw_gain, draw_marker_forest, draw_gain))
    ]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join()
    assert (tmp_path / "0" / "a.svg").read_bytes() == (tmp_path / "2" / "a.svg").read_bytes() == alone


def test_importing_the_figures_loads_no_matplotlib():
    loaded = "any(name.startswith('matplotlib') for name in sys.modules)"
    code = f"import sys, discovery.figures.standard; sys.exit({loaded})"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_forest_draws_each_number_of_its_rows(rows):
    ax = in_style(draw_marker_forest, rows)
    lines = {line.get_label(): line.get_xdata() for line in ax.lines}
    np.testing.assert_array_equal(lines["estimate, 95 % interval"], rows["estimate"])
    np.testing.assert_array_equal(lines["shrunk for having been selected"], rows["shrunk_estimate"])
    spans = [
        tuple(line.get_xdata())
        for line in ax.lines
        if len(line.get_xdata()) == 2 and line.get_marker() == "None"
    ]
    assert set(zip(rows["ci_low"], rows["ci_high"])) <= set(spans)
    assert [t.get_text().replace("\n", " ") for t in ax.get_yticklabels()] == rows["label"].tolist()


def test_ranks_and_probabilities_are_drawn_as_given(rows):
    ax = in_style(draw_rank_intervals, rows, top=10, features=29)
    share = ax.get_figure().axes[1]
    np.testing.assert_array_equal([bar.get_width() for bar in share.patches], rows["probability_in_top"])
    assert ax.get_xlabel().startswith("Rank of 29")


def test_an_interval_without_an_end_or_far_out_gets_an_arrow_at_the_edge(rows):
    wild = rows.head(3).assign(ci_high=[np.inf, np.nan, 40.0], ci_low=[-0.1, -np.inf, -50.0])
    ax = in_style(draw_marker_forest, wild)
    left, right = ax.get_xlim()
    assert max(abs(left), right) <= MOST_SPREAD
    markers = [line.get_marker() for line in ax.lines]
    assert markers.count(">") == 3
    assert markers.count("<") == 2


def test_correlation_map_is_symmetric_and_blank_where_unknown(made):
    table = made.correlations(*made.feature_names(6)).iloc[:-1]  # without the last diagonal cell
    square = np.asarray(in_style(draw_correlation_map, table).images[0].get_array().filled(np.nan))
    np.testing.assert_array_equal(square, square.T)
    assert np.isnan(square[-1, -1])
    assert np.isnan(square).sum() == 1
    row = table.iloc[7]
    order = table["feature"].drop_duplicates().tolist()
    assert square[order.index(row["feature"]), order.index(row["other"])] == row["correlation"]


def test_the_line_of_the_volcano_parts_found_from_not_found(rows):
    ax = in_style(draw_volcano, rows, fdr=0.05)
    cut = next(
        line.get_ydata()[0]
        for line in ax.lines
        if len(line.get_ydata()) == 2 and line.get_ydata()[0] == line.get_ydata()[1]
    )
    height = -np.log10(rows["p_value"])
    found = rows["q_value"] <= 0.05
    assert ((height >= cut - 1e-12) == found).all()
    assert cut == pytest.approx(height[found].min())  # at the largest p that passes, not in the gap below it
    assert 0 < found.sum() < len(rows)
    none = in_style(draw_volcano, rows.assign(q_value=0.2), fdr=0.05)
    assert not any("from here up" in text.get_text() for text in none.get_legend().get_texts())
    assert sum("q ≤ 0.05 from here up" in text.get_text() for text in ax.get_legend().get_texts()) == 1


def test_a_roc_is_a_line_without_points_that_mean_nothing(made):
    ax = in_style(draw_roc, made.roc())
    assert {line.get_marker() for line in ax.lines} == {"None"}
    assert len({str(line.get_linestyle()) + str(line.get_color()) for line in ax.lines}) == 3


def test_curves_name_every_cause_and_print_the_numbers_at_risk(made):
    table = made.curves(competing=True)
    ax = in_style(draw_curves, table)
    figure = ax.get_figure()
    titles = [a.get_title(loc="left") for a in figure.axes]
    assert "death or RV failure" in titles
    assert "transplant" in titles
    assert ax.get_ylabel() == "Cumulative incidence"
    printed = [text.get_text() for a in figure.axes for text in a.texts]
    numbers = table.loc[table["part"] == "at risk", "n_at_risk"].astype(int).astype(str)
    for value in numbers:
        printed.remove(value)  # each of them once
    assert in_style(draw_curves, made.curves()).get_ylabel() == "Event-free probability"


def test_curves_without_any_event_have_a_whole_axis(made):
    table = made.curves(competing=True)
    table = table.assign(
        **{name: table[name].where(table[name].isna(), 0.0) for name in ("estimate", "ci_low", "ci_high")}
    )
    figure = in_style(draw_curves, table).get_figure()
    assert (0, 1) in {a.get_ylim() for a in figure.axes}


def test_no_colour_stands_alone():
    for group in (style.GROUPS, style.THIRDS):
        for part in zip(*group):
            assert len(set(map(str, part))) == len(group)


def contrast(colour: str) -> float:
    """Contrast against white, by the relative luminance of WCAG 2.1."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 1.05 / (0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05)


def test_colours_hold_on_white():
    assert contrast("#ffffff") == pytest.approx(1)
    assert contrast("#000000") == pytest.approx(21)
    assert all(contrast(colour) >= 3 for colour, _, _ in (*style.GROUPS, *style.THIRDS))
    assert all(contrast(colour) >= 4.5 for colour in (style.INK, style.QUIET))


@pytest.mark.parametrize(("low", "high"), [(-0.1, 0.12), (-0.7, 0.9), (-3.0, 4.0), (-6.9, 6.9), (0.0, 0.02)])
def test_ratio_ticks_lie_inside_and_hold_one(low, high):
    ticks = ratio_ticks(low, high)
    assert 1 in ticks
    assert len(ticks) <= 7
    assert all(low - 1e-9 <= np.log(t) <= high + 1e-9 for t in ticks)


def test_a_masked_step_of_the_flow_says_that_its_number_is_not_shown():
    rows = pd.DataFrame(
        {"step": ["rows", "age below 80", "analysed"], "n": [90, pd.NA, 84], "n_left_out": [0, pd.NA, 20],
         "reason": ["", "age is missing", "old"]}
    ).astype({"n": "Int64", "n_left_out": "Int64"})  # fmt: skip
    said = [text.get_text().replace("\n", " ") for text in in_style(draw_attrition, rows).texts]
    assert "age below 80 number not shown" in said
    assert "patients (number not shown) left out: age is missing" in said
    assert {"rows n = 90", "analysed n = 84", "20 patients left out: old"} <= set(said)
    assert not any("NA" in text for text in said)


@pytest.fixture(scope="module")
def crowded(made, tmp_path_factory):
    """All figures of 300 features, some with hostile names, by their id."""
    tables = made.study_tables(count=300, hostile=True)
    tables |= made.leading(tables["markers"])
    settings = made.run_settings(count=300, hostile=True)
    figures = draw_study_figures(tables, settings, tmp_path_factory.mktemp("crowded"))
    return {figure.figure_id: figure for figure in figures}


def test_any_number_of_processes_draws_the_same_files(made, tmp_path):
    tables = made.study_tables(count=20)
    settings = made.run_settings(count=20)
    for workers in (1, 2):
        draw_study_figures(tables, settings, tmp_path / str(workers), workers=workers)
    one, two = (sorted((tmp_path / str(workers)).iterdir()) for workers in (1, 2))
    assert [path.name for path in one] == [path.name for path in two]
    assert all(a.read_bytes() == b.read_bytes() for a, b in zip(one, two))


def test_a_pdf_carries_its_letters_and_few_bytes(rows, tmp_path):
    """Journals ask for embedded TrueType letters; the whole font would be 370 kB."""
    pdf = save_figure("forest", draw_marker_forest, rows, tmp_path).pdf.read_bytes()
    assert b"/FontFile2" in pdf
    assert b"+FigureSans" in pdf
    assert b"/Type3" not in pdf
    assert len(pdf) < 150_000


def test_a_letter_that_the_common_font_lacks_comes_from_the_whole_one(rows, tmp_path):
    """Armenian: in the whole font alone, which is cut only where it is needed, since that takes time."""
    plain = save_figure("plain", draw_marker_forest, rows, tmp_path).pdf.read_bytes()
    assert set(re.findall(rb"\+(FigureSans\w*)", plain)) == {b"FigureSansCommon"}
    named = rows.assign(label=["\u0531\u0532\u0533", *rows["label"][1:]])
    pdf = save_figure("named", draw_marker_forest, named, tmp_path).pdf.read_bytes()
    assert b"FigureSans" in set(re.findall(rb"\+(FigureSans\w*)", pdf))


def test_both_fonts_draw_a_letter_alike():
    from matplotlib.ft2font import FT2Font, LoadFlags

    from discovery.figures.letters import FAMILIES, FOLDER

    for small, whole in zip(*FAMILIES.values()):
        fonts = [FT2Font(str(FOLDER / name)) for name in (small, whole)]
        maps = [font.get_charmap() for font in fonts]
        assert set(range(0x20, 0x7F)) | set(map(ord, "äéß−×≥≤²…µΔ□")) <= set(maps[0]) <= set(maps[1])
        for code in list(maps[0])[::7]:
            advance, outline = [], []
            for font, glyphs in zip(fonts, maps):
                advance.append(font.load_glyph(glyphs[code], flags=LoadFlags.NO_SCALE).horiAdvance)
                outline.append(font.get_path()[0])
            assert advance[0] == advance[1]
            np.testing.assert_array_equal(*outline)


def test_hostile_names_are_drawn_as_letters(crowded):
    assert len(crowded) == 18
    for figure in crowded.values():
        assert "<script" not in figure.svg.read_text(encoding="utf-8").lower()
        for line in figure.csv.read_text(encoding="utf-8").splitlines():
            assert not re.search(r'(^|,)"?[=@]', line)


def test_names_become_drawable_and_stay_apart():
    assert drawable("a\x07b\u202ec\n d") == "abc d"
    assert drawable("右室 dP/dt") == "□□ dP/dt"
    assert drawable("Größe_é_λ_Ж") == "Größe_é_λ_Ж"
    assert len(short("x" * 500, 40)) <= 40
    assert short("prefix " * 10 + "THE END", 30).endswith("THE END")
    names = distinct(["long " * 30 + "tail", "long " * 29 + "long tail", "other"], 40)
    assert len(set(names)) == 3
    assert all(
        len(line) <= 36 for label in row_labels(["word " * 40, "x" * 300]) for line in label.split("\n")
    )
    assert distinct([""]) == ["(no name)"]


def test_file_names_are_safe():
    assert file_name("../../etc/passwd") == "etc_passwd"
    assert file_name("右室") == "figure"
    assert len(file_name("x" * 300)) == 100


def test_three_hundred_features_are_cut_and_it_says_so(crowded):
    forest = crowded["death_or_rv_failure_forest"]
    assert len(pd.read_csv(forest.csv)) == 20
    assert "First 20 of 299 features" in forest.caption
    assert len(pd.read_csv(crowded["death_or_rv_failure_volcano"].csv)) == 299
    assert "First 60 of 300 features" in crowded["correlation"].caption
    assert pd.read_csv(crowded["correlation"].csv)["feature"].nunique() == 60
    assert pd.read_csv(crowded["missing"].csv)["variable"].nunique() == 40


def test_small_groups_are_not_drawn(made, tmp_path):
    settings = made.run_settings()
    settings = made.run_settings(outcomes=settings.outcomes[2:], replicates=0)
    tables = made.study_tables()
    few = tables["missing"].assign(n=np.where(tables["missing"]["level"] == "East", 4, 60))
    tables |= {"missing": few, **made.leading(tables["markers"])}
    tables["residuals"] = tables["residuals"].assign(n=4)
    figures = {f.figure_id: f for f in draw_study_figures(tables, settings, tmp_path)}
    assert set(pd.read_csv(figures["missing"].csv)["level"]) == {"all", "North", "South", "West"}
    assert set(pd.read_csv(figures["walk_change_residuals_1"].csv)["part"]) == {"line"}


def test_a_curve_over_a_few_patients_is_not_drawn(made, tmp_path):
    tables = made.study_tables()
    tables |= made.leading(tables["markers"])
    risk = tables["at_risk"]
    few = np.where(risk["group"] == "middle third", np.minimum(risk["n_at_risk"], 4), risk["n_at_risk"])
    settings = made.run_settings()
    figures = draw_study_figures(
        {
            "markers": tables["markers"].head(0),
            "curves": tables["curves"],
            "at_risk": risk.assign(n_at_risk=few),
        },
        made.run_settings(outcomes=settings.outcomes[:1], replicates=0),
        tmp_path,
    )
    groups = pd.read_csv(figures[-1].csv)["group"]
    assert figures[-1].figure_id == "death_or_rv_failure_curves_1"
    assert set(groups) == {"lowest third", "highest third"}


def test_an_outcome_with_steps_of_its_own_gets_its_own_flow(made, tmp_path):
    steps = made.attrition().assign(outcome=["", "", "responder", "walk_change"])
    figures = draw_study_figures(
        {"attrition": steps, "markers": made.study_tables()["markers"].head(0)},
        made.run_settings(replicates=0),
        tmp_path,
    )
    flow = {f.outcome: pd.read_csv(f.csv)["step"].tolist() for f in figures if "attrition" in f.figure_id}
    assert flow["responder"] == steps["step"].tolist()[:3]
    assert flow["death_or_rv_failure"] == steps["step"].tolist()[:2]


def test_a_run_without_resampling_or_findings_still_draws(made, tmp_path):
    tables = {"markers": made.study_tables()["markers"].head(0)}
    figures = draw_study_figures(tables, made.run_settings(replicates=0), tmp_path)
    assert [f.figure_id for f in figures] == [
        f"{o.name}_{k}" for o in made.run_settings().outcomes for k in ("volcano", "forest")
    ]
    assert all(f.caption.startswith("No feature could be estimated; n = ") for f in figures)


def test_a_png_for_a_quick_look(rows):
    assert picture(partial(draw_gain, title="Gain"), rows).startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("unit", "words"),
    [
        ("days", "Time (days)"),
        ("days from the landmark at 7", "Time (days from the landmark at 7)"),
        ("", "Time (unit not stated)"),
        ("from the landmark at 7", "Time (unit not stated, from the landmark at 7)"),
    ],
)
def test_every_time_axis_has_its_unit_or_says_that_none_was_stated(unit, words):
    assert time_axis(unit) == words


def test_a_heading_of_a_forest_keeps_what_the_groups_are_by():
    name = "RV early-diastolic minimum pressure: end-expiratory value"
    rows = pd.DataFrame(
        {
            "kind": [HEADING, GROUP, GROUP],
            "label": [f"{name}, by etiology", "Pulmonary hypertension, by and large", "none"],
            "effect_measure": "log odds ratio per 1 SD",
            "estimate": [np.nan, 0.1, 0.3],
            "ci_low": [np.nan, -0.2, 0.1],
            "ci_high": [np.nan, 0.4, 0.5],
            "people": ["q = 0.82", "n = 30", "n = 40"],
        }
    )
    drawn = in_style(draw_group_forest, rows)
    assert [tick.get_text() for tick in drawn.get_yticklabels()] == [
        "",
        "Pulmonary hypertension, by and large",
        "none",
    ]
    assert [text.get_text() for text in drawn.texts] == [f"{name}, by etiology"]
    long = rows.assign(label=[f"{'word ' * 40}, by etiology", *rows["label"][1:]])
    heading = in_style(draw_group_forest, long).texts[-1].get_text()
    assert heading.endswith(", by etiology")
    assert len(heading) <= HEADING_LETTERS
