"""The report in a browser: it asks nothing of a network, works by keyboard, and is accessible."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe

from discovery.figures.flow import draw_attrition
from discovery.figures.save import save_figure
from discovery.report.html import write_report

pytestmark = pytest.mark.browser
BAR = 15  # pixels of a bar to scroll with, which this browser does not show


def report(made, folder, *, count, hostile):
    tables = made.study_tables(count=count, hostile=hostile)
    figures = [
        save_figure("flow", draw_attrition, made.attrition(), folder / "figures", title="Flow of patients")
    ]
    write_report(tables, made.run_settings(count=count, hostile=hostile), figures, folder)
    return folder / "index.html"


@pytest.fixture(scope="module")
def small(made, tmp_path_factory):
    return report(made, tmp_path_factory.mktemp("small"), count=30, hostile=False)


@pytest.fixture(scope="module")
def large(made, tmp_path_factory):
    return report(made, tmp_path_factory.mktemp("large"), count=300, hostile=True)


@pytest.fixture
def opened(page):
    """Open a report; the test fails on any script error, dialog, or request that leaves the page."""
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: message.type in ("error", "warning") and faults.append(message.text))
    page.on("dialog", lambda dialog: (faults.append("dialog"), dialog.dismiss()))

    def open_report(path, *, width=1440):
        page.on("request", lambda request: faults.append(request.url) if leaves(request.url, path) else None)
        page.set_viewport_size({"width": width, "height": 1000})
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready]", timeout=30_000)
        return page

    yield open_report
    assert faults == []


def leaves(address: str, path) -> bool:
    return address != path.as_uri() and not address.startswith(("data:", "blob:"))


@pytest.mark.parametrize(
    ("size", "width", "views"),
    [
        ("large", 1440, ("Effect and evidence", "Gain")),
        ("small", 400, ("Effect and evidence", "Effects", "Ranks")),
    ],
)
def test_no_accessibility_fault_and_no_sideways_scroll(opened, request, size, width, views):
    page = opened(request.getfixturevalue(size), width=width)
    for view in views:
        page.get_by_role("group", name="Picture").get_by_role("button", name=view, exact=True).click()
        result = Axe().run(page)
        assert result.violations_count == 0, result.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_hostile_names_are_shown_as_letters(opened, large, made):
    page = opened(large)
    page.get_by_role("button", name="Show all 300 features").click()
    names = page.locator("#rows th button").all_inner_texts()
    assert len(names) == 300
    shown = {" ".join(name.split()) for name in names}
    wanted = {" ".join(name.split()) for name in made.HOSTILE}
    assert wanted <= shown
    page.locator("#search").fill("<script>")
    assert page.locator("#rows tr").count() == 1
    assert page.locator("#detail-head").inner_text() == "<script>alert(1)</script>"
    assert page.evaluate("document.scripts.length") == 3


def test_filters_count_and_clear(opened, small, made):
    page = opened(small)
    markers = made.study_tables(count=30)["markers"]
    mine = markers[markers["outcome"] == "death_or_rv_failure"]
    page.get_by_label("Verdict").select_option("candidate")
    wanted = int((mine["verdict"] == "candidate").sum())
    assert page.locator("#rows tr").count() == wanted
    assert page.locator("#count").inner_text() == f"{wanted} of 30 features"
    assert page.locator('#picture [role="option"]').count() == wanted
    page.get_by_label("Search").fill("no such feature")
    assert page.locator("#rows tr").count() == 0
    assert page.locator("#detail-head").inner_text() == "No feature"
    page.get_by_role("button", name="Clear").click()
    assert page.locator("#rows tr").count() == 30
    family = mine["family"].iloc[0]
    page.get_by_label("Family").select_option(family)
    assert page.locator("#rows tr").count() == (mine["family"] == family).sum()


def test_sorting_follows_the_numbers_and_keeps_the_undefined_last(opened, small, made):
    page = opened(small)
    markers = made.study_tables(count=30)["markers"]
    mine = markers[markers["outcome"] == "death_or_rv_failure"].set_index("feature")
    for head, column in (("Gain", "gain"), ("Hazard ratio", "estimate"), ("Shrunk", "shrunk_estimate")):
        button = page.locator("#heads button").filter(has_text=head)
        button.click()
        heading = page.locator("#heads th").filter(has_text=head)
        assert heading.get_attribute("aria-sort") == "ascending"
        assert page.evaluate("document.activeElement.textContent").startswith(head)
        keys = page.evaluate("[...document.querySelectorAll('#rows tr')].map(r => r.dataset.feature)")
        values = mine.loc[keys, column]
        assert values.iloc[:-1].is_monotonic_increasing
        assert values.isna().tolist() == [False] * 29 + [True]
        button.click()
        assert heading.get_attribute("aria-sort") == "descending"
        keys = page.evaluate("[...document.querySelectorAll('#rows tr')].map(r => r.dataset.feature)")
        assert mine.loc[keys, column].iloc[:-1].is_monotonic_decreasing
        assert mine.loc[keys, column].isna().iloc[-1]


def test_another_outcome_brings_its_own_rows_and_scale(opened, small, made):
    page = opened(small)
    page.get_by_role("button", name="Change of 6-minute walk").click()
    markers = made.study_tables(count=30)["markers"]
    mine = markers[markers["outcome"] == "walk_change"].sort_values("rank")
    assert page.locator("#rows th button").first.inner_text() == mine["label"].iloc[0]
    assert "Standardised slope" in page.locator("#heads").inner_text()
    assert page.get_by_role("button", name="Change of 6-minute walk").get_attribute("aria-pressed") == "true"
    assert page.get_by_role("button", name="Death or RV failure").get_attribute("aria-pressed") == "false"


def test_the_picture_is_walked_by_keyboard_and_tied_to_the_table(opened, small):
    page = opened(small)
    features = page.evaluate("[...document.querySelectorAll('#rows tr')].map(r => r.dataset.feature)")
    chosen = "document.querySelector('#picture [aria-selected=true]').dataset.feature"
    marked = "[...document.querySelectorAll('#rows tr[data-chosen]')].map(r => r.dataset.feature)"
    page.locator('#picture [role="option"][tabindex="0"]').focus()
    for key, place in (
        ("ArrowDown", 1),
        ("ArrowRight", 2),
        ("ArrowUp", 1),
        ("End", 28),
        ("ArrowDown", 28),
        ("Home", 0),
    ):
        page.keyboard.press(key)
        assert page.evaluate(chosen) == features[place], key
        assert page.evaluate(marked) == [features[place]]
        assert page.evaluate("document.activeElement.dataset.feature") == features[place]
        assert page.locator('#picture [tabindex="0"]').count() == 1
    label = page.evaluate("document.activeElement.getAttribute('aria-label')")
    assert page.locator("#detail-head").inner_text() in label


def test_tab_walks_through_every_control_in_reading_order(opened, small):
    page = opened(small)
    seen = []
    for _ in range(60):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(
                "document.activeElement.id || document.activeElement.textContent.trim().slice(0, 30)"
            )
        )
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none", seen[-1]
        if "RV" in seen[-1] and len(seen) > 30:
            break
    order = [
        "Skip to the findings",
        "In short",
        "Provenance",
        "Death or RV failure",
        "search",
        "family",
        "verdict",
        "clear",
    ]
    places = [seen.index(name) for name in order]
    assert places == sorted(places)
    assert places[0] == 0


def test_rows_are_walked_by_arrow_keys_and_opened_by_enter(opened, small):
    page = opened(small)
    page.locator("#rows th button").first.focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    third = page.locator("#rows th button").nth(2).inner_text()
    assert page.locator("#detail-head").inner_text() == third
    assert page.locator('#picture [aria-selected="true"]').get_attribute("aria-label").startswith(third)
    page.locator(".kin button").first.click()
    assert page.locator("#detail-head").inner_text() != third


def test_pictures_draw_each_row_with_the_words_of_the_table(opened, small):
    page = opened(small)
    for view, column in (("Effects", 2), ("Gain", 6)):
        page.get_by_role("group", name="Picture").get_by_role("button", name=view, exact=True).click()
        drawn = page.locator('#picture [role="option"]').evaluate_all(
            "all => all.map(o => o.getAttribute('aria-label'))"
        )
        cells = f"[r.querySelector('button').textContent, r.children[{column}].textContent]"
        rows = page.evaluate(f"[...document.querySelectorAll('#rows tr')].map(r => {cells})")
        assert drawn == [f"{name}: {text}" for name, text in rows[:25]]


def test_the_volcano_is_in_the_right_place(opened, small, made):
    """A mark's place, turned back through the axis ticks, is the estimate of its row."""
    page = opened(small)
    ticks = page.evaluate("""() => [...document.querySelectorAll('#picture svg > g[aria-hidden] text')]
        .filter(t => t.getAttribute('text-anchor') === 'middle' && !t.classList.contains('quiet'))
        .map(t => [+t.getAttribute('x'), Math.log(+t.textContent)])""")
    (x1, v1), (x2, v2) = ticks[0], ticks[-1]
    markers = made.study_tables(count=30)["markers"]
    mine = markers[markers["outcome"] == "death_or_rv_failure"].set_index("feature")["estimate"]
    marks = page.evaluate("""() => [...document.querySelectorAll('#picture [role=option]')]
        .map(o => [o.dataset.feature, +o.getAttribute('transform').match(/[-\\d.]+/)[0]])""")
    assert len(marks) == 29
    for feature, x in marks:
        assert v1 + (x - x1) * (v2 - v1) / (x2 - x1) == pytest.approx(mine[feature], abs=0.02)


def test_a_phone_and_a_page_that_is_made_narrower(opened, small):
    page = opened(small)
    page.set_viewport_size({"width": 400, "height": 800})
    page.wait_for_function("document.querySelector('#picture svg').getBoundingClientRect().width < 390")
    assert page.locator("#ranked th.verdict").is_hidden()
    assert page.locator("#rows .narrow").first.is_visible()
    page.locator("#rows th button").nth(1).click()
    assert page.evaluate("document.activeElement.id") == "detail"


def test_figures_are_shown_from_inside_the_page(opened, small):
    page = opened(small)
    image = page.locator("img[data-figure=flow]")
    assert image.get_attribute("src").startswith("blob:")
    page.wait_for_function("document.querySelector('img[data-figure]').naturalWidth > 0")
    assert image.get_attribute("alt") == "Flow of patients"


def test_on_paper_every_ranked_row_is_there(opened, large):
    page = opened(large)
    assert page.locator("#rows tr:visible").count() == 50
    page.emulate_media(media="print")
    assert page.locator("#rows tr:visible").count() == 300


def test_every_model_fitted_is_a_row_of_few_lines(opened, small):
    page = opened(small)
    box = page.locator("#detail tbody tr").first.bounding_box()
    assert box["height"] < 80
    page.get_by_text("sensitivity").first.wait_for()


def test_printed_on_a4_the_head_of_the_table_is_on_every_page(opened, small, tmp_path):
    page = opened(small)
    page.emulate_media(media="print")
    assert page.locator("#rows tr:visible").count() == 30
    assert page.locator(".controls").is_hidden()
    assert page.locator("#detail").is_hidden()
    content = page.pdf(format="A4", path=tmp_path / "report.pdf")
    assert page.locator("details.key").evaluate("key => key.open")
    pages = [int(n) for n in re.findall(rb"/Type /Pages\s*/Count (\d+)", content)]
    assert max(pages) <= 20
    boxes = {tuple(float(v) for v in box.split()) for box in re.findall(rb"/MediaBox \[([\d. ]+)\]", content)}
    assert all(abs(b[2] - 595) < 2 and abs(b[3] - 842) < 2 for b in boxes)


def test_without_script_the_head_of_each_ranking_is_there(browser, small, made):
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto(small.as_uri())
    for outcome in made.run_settings().outcomes:
        table = page.get_by_role("region", name=f"Table: Ranking for {outcome.label}")
        assert table.locator("tbody tr").count() == 25
    assert page.locator("#explorer").is_hidden()
    context.close()


def test_three_hundred_features_are_ready_soon_and_redrawn_at_once(opened, large):
    page = opened(large)
    ready = page.evaluate("performance.now()")
    took = page.evaluate("""() => { const start = performance.now();
        document.querySelectorAll('#outcomes button')[1].click();
        document.body.offsetHeight; return performance.now() - start; }""")
    assert ready < 8000  # 0.6 s on a free machine; tests share theirs
    assert took < 1500  # 0.05 s on a free machine


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1280, 1000), (1440, 1400), (1900, 1000)])
def test_the_ranking_leaves_no_hole_beside_picture_and_details(opened, small, width, height):
    """The column beside the table is as high as the table and scrolls inside; its row ends with the table."""
    page = opened(small, width=width)
    page.set_viewport_size({"width": width, "height": height})
    boxes = page.evaluate("""() => ['.left', '.right', '.split'].map(name => {
        const box = document.querySelector(name).getBoundingClientRect(); return [box.top, box.bottom]; })""")
    assert boxes[0] == boxes[1] == boxes[2]
    last = page.evaluate("document.querySelector('.left .scroll').getBoundingClientRect().bottom")
    assert boxes[0][1] - last < 60  # the button that shows all rows
    assert page.evaluate("""() => { const r = document.querySelector('.right');
        r.scrollTop = 1e6; return r.scrollTop > 0 && r.scrollTop + r.clientHeight >= r.scrollHeight - 1; }""")


def test_few_features_have_picture_and_details_below_them(opened, made, tmp_path):
    page = opened(report(made, tmp_path, count=5, hostile=False), width=1280)
    table, picture, detail = (
        page.locator(name).bounding_box() for name in ("#ranked", "#picture", "#detail")
    )
    assert table["width"] > 1200
    assert picture["y"] > table["y"] + table["height"]
    assert detail["y"] > table["y"] + table["height"]
    assert detail["x"] > picture["x"] + picture["width"]


@pytest.mark.parametrize("width", [1440, 1280, 1100, 820, 700, 400])
def test_every_column_of_the_ranking_is_inside_its_frame(opened, small, width):
    bar = BAR if width > 780 else 0  # on a phone the bar lies over the page
    page = opened(small, width=width - bar)
    page.add_style_tag(content=f".left .scroll {{ padding-right: {bar}px; }}")
    wide, seen = page.evaluate(
        "[document.querySelector('#ranked').scrollWidth, document.querySelector('.left .scroll').clientWidth]"
    )
    assert wide <= seen - bar


def test_a_name_of_a_column_breaks_at_its_underscores(opened, small, made):
    page = opened(small)
    page.evaluate("breakable(document.querySelector('#detail-head'), 'rv_dpdt_max')")
    assert page.locator("#detail-head").inner_html() == "rv_<wbr>dpdt_<wbr>max"
    assert page.locator("#detail-head").inner_text() == "rv_dpdt_max"


def test_flags_and_notes_of_a_feature_stand_apart(opened, made, tmp_path):
    tables = made.study_tables(count=12)
    tables["markers"] = tables["markers"].assign(flags="nonlinear", note="imputed in 4 patients")
    write_report(tables, made.run_settings(count=12), [], tmp_path)
    page = opened(tmp_path / "index.html")
    pairs = page.evaluate("""() => Object.fromEntries([...document.querySelectorAll('#detail .pairs dt')]
        .map(dt => [dt.textContent, dt.nextElementSibling.textContent]))""")
    assert pairs["Flags"] == "nonlinear"
    assert pairs["Notes"] == "imputed in 4 patients"


def test_the_words_of_the_ranking_are_explained(opened, small):
    page = opened(small)
    key = page.locator("details.key")
    key.locator("summary").click()
    heads = page.locator("#heads th").all_inner_texts()
    words = " ".join(key.locator("dt").all_inner_texts())
    for head in ("Rank", "q", "Shrunk", "Gain", "Verdict"):
        assert any(text.startswith(head) for text in heads)
        assert head in words
    assert Axe().run(page).violations_count == 0


def test_a_figure_keeps_a_readable_size_on_a_phone_and_is_scrolled_by_keyboard(opened, small):
    page = opened(small, width=390)
    plate = page.locator(".plate").first
    page.wait_for_function("document.querySelector('.plate').tabIndex === 0")
    sizes = plate.evaluate("p => [p.firstElementChild.getBoundingClientRect().width, p.clientWidth]")
    assert sizes[0] > 600  # 511 points of the figure at four thirds of a pixel
    assert sizes[1] <= 390
    assert Axe().run(page).violations_count == 0
    page.set_viewport_size({"width": 1280, "height": 900})
    page.wait_for_function("document.querySelector('.plate').tabIndex === -1")
    fits = "p => p.firstElementChild.getBoundingClientRect().width <= p.clientWidth"
    assert plate.evaluate(fits)


def test_on_paper_the_ranking_has_its_verdicts_and_what_is_shrunk(opened, small):
    page = opened(small)
    page.set_viewport_size({"width": 690, "height": 1000})  # A4 less its margins, at 96 dots an inch
    page.emulate_media(media="print")
    assert page.locator("#ranked th.verdict").is_visible()
    assert page.locator("#heads th").filter(has_text="Shrunk").is_visible()
    assert not page.locator("#rows .narrow").first.is_visible()
    assert page.locator("#ranked").evaluate("t => t.scrollWidth <= document.documentElement.clientWidth")
