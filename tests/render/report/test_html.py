"""The page: valid, closed in itself, safe with any text, and built for everyone."""

from __future__ import annotations

import base64
import hashlib
import re
from itertools import pairwise
from pathlib import Path
from xml.etree.ElementTree import Element

import pytest
import report_samples as samples
from once_a_run import made_once
from report_page_reading import own_text, parsed, parsed_once

from frametime.pipeline.review_outputs import report_texts
from frametime.render.report.document import Paragraph, Report, Section, Strip
from frametime.render.report.html import render_html, strip_places
from frametime.render.report.markdown import readable
from frametime.render.report.review_blocks import chosen_charts
from frametime.render.tables.parts import reach_ends
from frametime.review.result import ReviewResult


@pytest.fixture(scope="module", params=["small", "hostile", pytest.param("hundred", marks=pytest.mark.slow)])
def folder(request: pytest.FixtureRequest) -> Path:
    folder: Path = request.getfixturevalue(f"{request.param}_folder")
    return folder


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    return (folder / "report.html").read_text("utf-8")


@pytest.fixture(scope="module")
def tree(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Element:
    return parsed_once(tmp_path_factory, folder)


def test_a_strict_parser_finds_no_error(tree: Element) -> None:
    assert tree.find("head/title") is not None


def test_nothing_is_fetched_from_anywhere(tree: Element, page: str) -> None:
    for element in tree.iter():
        for name in ("src", "href", "srcset", "action", "data", "poster", "background", "formaction"):
            value = element.get(name)
            assert value is None or value.startswith(("#", "data:")), (element.tag, name, value)
        assert element.tag not in {"iframe", "object", "embed", "base", "form"}
    styles = "".join(element.text or "" for element in tree.iter("style"))
    assert "url(" not in styles
    assert "@import" not in styles
    for script in tree.iter("script"):
        for call in ("fetch(", "XMLHttpRequest", "WebSocket", "import(", "sendBeacon", "EventSource", "eval("):
            assert call not in (script.text or "")
    # One address stands in the page: in the head comment of the library, for people.
    outside = re.sub(r"<script type=.application/json.*?</script>", "", page, flags=re.S)
    assert set(re.findall(r"https?://[^\s\"'<>)]+", outside)) <= {
        "https://github.com/leeoniya/uPlot",
        "http://www.w3.org/2000/svg",
        "https://elsewhere.example",
    }


def test_the_policy_allows_what_is_there_and_nothing_else(tree: Element) -> None:
    policy = next(element for element in tree.iter("meta") if element.get("http-equiv"))
    rules = dict(rule.strip().split(" ", 1) for rule in policy.attrib["content"].split(";"))
    assert rules["default-src"] == "'none'"
    scripts = [item.text or "" for item in tree.iter("script") if item.get("type") is None]
    assert rules["script-src"].split() == [_digest(text) for text in scripts]
    assert rules["style-src"].split() == [_digest(item.text or "") for item in tree.iter("style")]
    for element in tree.iter():
        assert not [name for name in element.attrib if name == "style" or name.startswith("on")], element.tag


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_headings_are_in_order(tree: Element) -> None:
    levels = [int(element.tag[1]) for element in tree.iter() if re.fullmatch(r"h[1-6]", str(element.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_tables_have_captions_and_headings(tree: Element) -> None:
    tables = list(tree.iter("table"))
    assert len(tables) >= 10
    for table in tables:
        caption = table.find("caption")
        assert caption is not None
        assert own_text(caption).strip()
        assert all(cell.get("scope") == "col" and own_text(cell).strip() for cell in table.findall("thead/tr/th"))
        for row in table.findall("tbody/tr"):
            assert row[0].tag == "th"
            assert row[0].get("scope") == "row"
            assert all(cell.tag == "td" for cell in row[1:])


def test_names_are_unique_and_every_reference_has_its_target(tree: Element) -> None:
    ids = [element.attrib["id"] for element in tree.iter() if "id" in element.attrib]
    names = set(ids)
    assert len(ids) == len(names)
    for element in tree.iter():
        if element.get("href", "").startswith("#"):
            assert element.attrib["href"][1:] in names
        for label in element.get("aria-labelledby", "").split():
            assert label in names


def test_scroll_boxes_can_be_reached_by_keyboard_and_have_a_name(tree: Element) -> None:
    boxes = [element for element in tree.iter("div") if element.get("class") == "scroll"]
    assert boxes
    for box in boxes:
        assert (box.get("tabindex"), box.get("role")) == ("0", "region")
        assert box.get("aria-labelledby")


def test_pictures_say_in_words_what_they_show(tree: Element) -> None:
    charts = [drawing for drawing in tree.iter("{http://www.w3.org/2000/svg}svg") if drawing.get("role") == "img"]
    assert len(charts) >= 6
    for drawing in charts:
        assert len(drawing.get("aria-label", "")) > 40
        assert re.search(r"\d", drawing.attrib["aria-label"])
    others = [drawing for drawing in tree.iter("{http://www.w3.org/2000/svg}svg") if drawing not in charts]
    assert all(drawing.get("aria-hidden") == "true" for drawing in others)


def test_hostile_text_stays_text(
    hostile: ReviewResult, hostile_folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    tree = parsed_once(tmp_path_factory, hostile_folder)
    assert all("alert" not in (item.text or "") for item in tree.iter("script") if item.get("type") is None)
    assert not [item for item in tree.iter("img") if item.get("src") == "x"]
    assert len(list(tree.iter("style"))) == 1
    words = " ".join(own_text(tree).split())
    for text in samples.HOSTILE:
        assert " ".join(readable(text).split()) in words
    title = tree.find("head/title")
    assert title is not None
    assert title.text == readable(hostile.title)
    data = next(item for item in tree.iter("script") if item.get("type") == "application/json")
    assert "<" not in (data.text or "")


def test_no_line_ends_between_a_number_and_its_percent_sign(tree: Element) -> None:
    shown = [element for element in tree.iter() if element.tag.rpartition("}")[2] not in ("script", "style")]
    texts = [text for element in shown for text in (element.text, element.tail) if text is not None]
    assert sum("\u00a0%" in text for text in texts) > 10
    assert [text for text in texts if re.search(r"\d\s+%", text.replace("\u00a0", ""))] == []


@pytest.mark.slow
def test_a_hundred_cells_stay_below_three_megabytes(hundred_folder: Path) -> None:
    size_bytes = (hundred_folder / "report.html").stat().st_size
    assert 1_000_000 < size_bytes < 3_000_000


@pytest.mark.slow
def test_twelve_metrics_in_a_hundred_cells_stay_below_three_megabytes() -> None:
    result = samples.hundred_cells(many_metrics=True)
    page = report_texts(result, charts_folder="charts")["report.html"]
    assert 2_000_000 < len(page.encode("utf-8")) < 3_000_000
    assert 'class="trace-data"' in page
    assert "The other 6 metrics of each run are in result.json." in page
    # Mailed alone the page would have dead links.
    assert {link[:1] for link in re.findall(r'<a\b[^>]* href="?([^" >]*)', page)} == {"#"}


def test_a_phone_has_every_chart_in_a_form_of_its_own(
    small_folder: Path, small: ReviewResult, tmp_path_factory: pytest.TempPathFactory
) -> None:
    page = parsed_once(tmp_path_factory, small_folder)
    boxes = [(item.get("class") or "").split() for item in page.iter("div")]
    assert len([box for box in boxes if "narrow" in box]) == len([box for box in boxes if "wide" in box])
    assert len([box for box in boxes if "wide" in box]) == len(chosen_charts(small)) > 6


def test_the_same_review_gives_the_same_bytes(small_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    review = samples.example.example_result.__wrapped__()  # made anew, and equal
    again = made_once(tmp_path_factory, "small again", lambda folder: samples.example.write_report(review, folder))
    for name in ("report.html", "report.md"):
        assert (again / name).read_bytes() == (small_folder / name).read_bytes()


def test_a_strip_is_logarithmic_with_no_difference_in_the_middle() -> None:
    strip = Strip(value=1.0, low=1.0 / 1.1, high=1.1, margin=0.1, reach=1.21, tone="tied")
    places = strip_places(strip)
    assert (places["value"], places["low"], places["high"]) == ("100.0", "50.0", "150.0")
    assert (places["band_left"], places["band_width"]) == ("50.0", "100.0")
    assert not places["cut_low"]
    assert not places["cut_high"]
    assert reach_ends(1.21) == ("\N{MINUS SIGN}17 %", "+21 %")


def test_a_strip_says_where_it_is_cut_off() -> None:
    places = strip_places(Strip(value=1.3, low=0.5, high=3.0, margin=0.03, reach=1.5, tone="ahead"))
    assert (places["low"], places["high"]) == ("0.0", "200.0")
    assert places["cut_low"]
    assert places["cut_high"]


def test_cautions_come_before_everything_else() -> None:
    report = Report(
        title="A tuned card",
        subtitle="",
        lead=(Paragraph(content=("It holds.",)),),
        cautions=("Stop on smell or smoke.",),
        sections=(Section(key="trials", heading="Trials"),),
        colophon="",
    )
    page = render_html(report)
    assert page.index("Stop on smell or smoke.") < page.index("It holds.")
    assert "uPlot" not in page
    parsed(page)
