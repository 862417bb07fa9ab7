"""The report in a real browser, opened from disk with the network off."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser

LINE = "document.querySelector('.uplot canvas')"
# Contrast of every visible piece of text with the ground that lies behind it, by the formula of WCAG 2.2.
LOW_CONTRAST = """
() => {
  const parse = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const linear = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const luminance = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const color = parse(getComputedStyle(at).backgroundColor);
      if (color.length === 3 || color[3] === 1) return color;
    }
    return [255, 255, 255];
  };
  const found = [];
  let count = 0;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !element.getClientRects().length) continue;
    if (["SCRIPT", "STYLE", "OPTION"].includes(element.tagName)) continue;
    count += 1;
    const pair = [luminance(parse(getComputedStyle(element).color)), luminance(ground(element))].sort((a, b) => b - a);
    const ratio = (pair[0] + 0.05) / (pair[1] + 0.05);
    if (ratio < 4.5) found.push([ratio, element.className, walker.currentNode.textContent.trim().slice(0, 40)]);
  }
  return { count, found };
}
"""

Open = Callable[..., Any]


def column(page: Any, heading: str) -> list[str]:
    """Visible texts of a column of the first table of cells, by the beginning of its heading."""
    texts: list[str] = page.evaluate(
        """(heading) => {
          const table = document.querySelector('#cells-1 table');
          const at = [...table.tHead.rows[0].cells].findIndex((cell) => cell.textContent.trim().startsWith(heading));
          return [...table.tBodies[0].rows].filter((row) => !row.hidden).map((row) => row.cells[at].textContent.trim());
        }""",
        heading,
    )
    return texts


def change_of(text: str) -> float:
    """The change that a cell begins with; its interval may follow."""
    return float(re.split(r"\s%", text, maxsplit=1)[0].replace("\N{MINUS SIGN}", "-"))


@pytest.mark.parametrize("name", ["small", "hostile", "tuning"])
def test_it_opens_from_disk_without_network_and_without_complaint(opened: Open, name: str) -> None:
    result = opened(name)
    result.page.wait_for_selector(".tools" if name == "tuning" else ".uplot canvas")
    assert result.messages == []
    assert [url for url in result.requests if not url.startswith(("file:", "data:", "blob:"))] == []


def test_a_table_sorts_both_ways_by_number(opened: Open) -> None:
    page = opened().page
    button = page.locator("#cells-1 thead button", has_text="Difference")
    button.click()
    rising = [change_of(text) for text in column(page, "Difference")]
    assert rising == sorted(rising)
    assert len(set(rising)) > 5
    button.press("Enter")
    falling = [change_of(text) for text in column(page, "Difference")]
    assert falling == sorted(falling, reverse=True)
    heading = page.locator("#cells-1 thead th", has_text="Difference")
    assert heading.get_attribute("aria-sort") == "descending"


def test_what_has_no_number_sorts_last_whichever_way(opened: Open) -> None:
    page = opened("hostile").page
    page.locator("details.fold summary", has_text="rows)").first.click()
    for _ in range(2):
        page.locator("#cells-1 thead button", has_text="p (Holm)").click()
        texts = column(page, "p (Holm)")
        with_number = [not text.startswith("n/a") for text in texts]
        assert with_number == sorted(with_number, reverse=True)


def test_a_table_filters_by_choice_and_by_words(opened: Open) -> None:
    page = opened().page
    tools = page.locator("#cells-1 .tools")
    tools.locator("label", has_text="Card").locator("select").select_option("Cedar 12")
    assert set(column(page, "Card")) == {"Cedar 12"}
    assert tools.locator("output").inner_text() == "5 of 11 rows"
    tools.locator("input[type=search]").fill("pavilion 2160p")
    assert column(page, "Scene") == ["Pavilion"]
    assert column(page, "Resolution") == ["2160p"]
    tools.locator("input[type=search]").fill("")
    tools.locator("label", has_text="Card").locator("select").select_option("")
    tools.locator("label", has_text="Verdict").locator("select").select_option("tied")
    assert len(column(page, "Verdict")) == 3


def ends(page: Any) -> tuple[float, float]:
    """What part of the run the chart shows, read from the words beside it when the pointer is at its two ends."""
    found = []
    for share in (0.002, 0.998):
        box = page.locator(".uplot .u-over").bounding_box()
        page.mouse.move(box["x"] + share * box["width"], box["y"] + box["height"] / 2)
        words = page.locator(".trace-where").inner_text()
        found.append(float(words.split("At ")[1].split(" s.")[0]))
    return found[0], found[1]


def test_the_axis_of_the_traces_follows_the_frame_times_in_view(opened: Open) -> None:
    page = opened().page
    page.wait_for_selector(".uplot canvas")
    page.evaluate(
        """() => {
          window.written = [];
          const own = CanvasRenderingContext2D.prototype.fillText;
          CanvasRenderingContext2D.prototype.fillText = function (words, ...place) {
            window.written.push(words);
            window.align = this.textAlign;
            own.call(this, words, ...place);
          };
        }"""
    )
    page.emulate_media(color_scheme="dark")  # draws the chart anew
    written = page.evaluate(
        """async () => {
          const isDone = () => window.written.some((words) => words.startsWith('longest'));
          for (let turn = 0; turn < 100 && !isDone(); turn += 1) await new Promise((done) => setTimeout(done, 20));
          return window.written;
        }"""
    )
    first, last = written.index("Frame time (ms), lower is better"), len(written) - 1
    ticks_ms = [float(words) for words in written[first + 1 : last]]
    longest_ms = float(written[last].removeprefix("longest ").removesuffix(" ms"))
    assert 0.3 * longest_ms < max(ticks_ms) <= 1.3 * longest_ms
    assert page.evaluate("window.align") == "left"  # of the longest, whose place is that of its left end


def test_a_box_to_check_keeps_its_size_beside_a_long_name(opened: Open) -> None:
    page = opened("hostile", width=390).page
    page.wait_for_selector(".uplot canvas")
    boxes = page.locator(".reader [type=checkbox], .trace-runs [type=checkbox]")
    widths = boxes.evaluate_all("(boxes) => boxes.map((box) => box.getBoundingClientRect().width)")
    assert widths and min(widths) == max(widths) >= 12.0


def test_a_trace_zooms_by_dragging_by_button_and_by_key(opened: Open) -> None:
    page = opened().page
    page.wait_for_selector(".uplot canvas")
    page.locator(".trace-chart").scroll_into_view_if_needed()
    whole = ends(page)
    box = page.locator(".uplot .u-over").bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + 0.05 * box["width"], middle)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.15 * box["width"], middle, steps=5)
    page.mouse.up()
    dragged = ends(page)
    assert dragged[1] - dragged[0] < 0.3 * (whole[1] - whole[0])
    page.get_by_role("button", name="Whole run").click()
    assert ends(page) == whole
    page.get_by_role("button", name="Zoom in").click()
    assert ends(page) != whole
    page.locator(".trace-chart").focus()
    page.keyboard.press("0")
    assert ends(page) == whole
    page.keyboard.press("+")
    page.keyboard.press("ArrowLeft")
    moved = ends(page)
    assert moved[0] >= whole[0]
    assert moved != whole


def test_the_values_under_the_pointer_are_those_of_the_run(opened: Open) -> None:
    page = opened().page
    page.wait_for_selector(".uplot canvas")
    page.locator(".trace-chart").scroll_into_view_if_needed()
    box = page.locator(".uplot .u-over").bounding_box()
    page.mouse.move(box["x"] + 0.1 * box["width"], box["y"] + 20)
    readings = page.locator(".trace-runs output").all_inner_texts()
    assert len(readings) == 9
    for reading in readings:
        low, high = reading.removesuffix(" ms").split(" to ")
        assert 3.0 < float(low) <= float(high) < 60.0


def test_runs_can_be_switched_and_scenes_chosen(opened: Open) -> None:
    page = opened().page
    page.wait_for_selector(".uplot canvas")
    picture = f"{LINE}.toDataURL()"
    before = page.evaluate(picture)
    boxes = page.locator(".trace-runs input")
    assert [boxes.nth(number).is_checked() for number in range(9)] == [True, False, False] * 3
    boxes.nth(1).check()
    after = page.evaluate(picture)
    assert before != after
    page.locator(".trace-controls select").select_option(label="Canyon, 2160p")
    page.wait_for_selector(".trace-runs label:nth-of-type(6):last-child")
    assert "Cedar 12" not in page.locator(".trace-runs").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_reaches_a_contrast_of_4p5(opened: Open, scheme: str) -> None:
    page = opened(color_scheme=scheme).page
    page.wait_for_selector(".uplot canvas")
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    outcome = page.evaluate(LOW_CONTRAST)
    assert outcome["count"] > 1000
    assert outcome["found"] == []


def test_the_dark_scheme_is_dark(opened: Open) -> None:
    ground = "getComputedStyle(document.body).backgroundColor"
    colors = [opened(color_scheme=scheme).page.evaluate(ground) for scheme in ("light", "dark")]
    light, dark = ([int(part) for part in color[4:-1].split(",")] for color in colors)
    assert min(light) > 240
    assert max(dark) < 40


@pytest.mark.parametrize("name", ["small", "hostile", "tuning"])
@pytest.mark.parametrize("width", [320, 380, 768, 1280, 1920])
def test_no_width_scrolls_the_page_sideways(opened: Open, name: str, width: int) -> None:
    page = opened(name, width=width).page
    page.wait_for_selector(".tools" if name == "tuning" else ".uplot canvas")
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    widths = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert widths[0] <= widths[1]


def test_it_prints_with_everything_unfolded(opened: Open, tmp_path: Path) -> None:
    page = opened().page
    page.wait_for_selector(".uplot canvas")
    page.emulate_media(media="print")
    assert page.locator(".tools").first.is_hidden()
    assert page.locator("nav").is_hidden()
    sizes = page.evaluate(
        """() => ['body', 'caption', 'figcaption', '.notes', 'td'].map((name) =>
          [...document.querySelectorAll(name)].map((one) => parseFloat(getComputedStyle(one).fontSize)))"""
    )
    assert all(sizes) and max(map(max, sizes[1:])) <= sizes[0][0], "no caption is larger than the text around it"
    # On the second page of a table its headings are drawn again, but not what is in boxes of their own.
    headings = page.locator("thead th:has(button)")
    displays = page.locator("thead button").evaluate_all("(all) => all.map((one) => getComputedStyle(one).display)")
    assert headings.count() == len(displays) > 10 and set(displays) == {"contents"}
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("#files").is_visible()
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    target = tmp_path / "report.pdf"
    page.pdf(path=str(target), format="A4")
    content = target.read_bytes()
    assert content.startswith(b"%PDF-")
    assert content.count(b"/Type /Page\n") + content.count(b"/Type /Page ") + content.count(b"/Type/Page") > 3


def test_the_frame_times_are_printed_as_wide_as_the_paper_with_the_runs_that_are_shown(opened: Open) -> None:
    page = opened().page
    page.wait_for_selector(".uplot canvas")
    page.emulate_media(media="print")
    # Paper is narrower than the screen, and a page is printed before scripts hear of it.
    chart_px, canvas_px = page.evaluate(
        """() => {
          const chart = document.querySelector('.trace-chart');
          chart.style.width = '500px';
          return [chart, chart.querySelector('canvas')].map((one) => one.getBoundingClientRect().width);
        }"""
    )
    assert 0.9 * chart_px < canvas_px <= chart_px
    runs = page.locator(".trace-runs label")
    shown = runs.evaluate_all("(all) => all.map((run) => run.checkVisibility() === run.querySelector('input').checked)")
    assert all(shown) and not page.locator(".trace-where").is_visible()


@pytest.mark.parametrize("name", ["small", "hostile"])
def test_no_text_of_a_printed_table_runs_into_the_next_cell(opened: Open, name: str) -> None:
    page = opened(name, width=690).page  # A4 less its margins
    page.emulate_media(media="print")
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    too_wide = page.evaluate(
        """() => [...document.querySelectorAll(':is(td, th) code')].filter((code) => {
          const [text, cell] = [code.getBoundingClientRect(), code.parentElement.getBoundingClientRect()];
          return text.width && text.right > cell.right + 0.5;
        }).map((code) => code.textContent)"""
    )
    assert too_wide == []
    assert page.locator(":is(td, th) code").count() > 10


def test_notes_have_room_for_the_digits_of_their_numbers(opened: Open) -> None:
    page = opened().page
    room_px = page.evaluate(
        """() => [9, 99, 100, 700].map((count) => {
          const list = Object.assign(document.createElement('ol'), { className: 'notes' });
          list.append(...Array.from({ length: count }, () => document.createElement('li')));
          document.querySelector('main > section').append(list);
          const pen = document.createElement('canvas').getContext('2d');
          pen.font = getComputedStyle(list).font;
          return parseFloat(getComputedStyle(list).paddingLeft) - pen.measureText(`${count}. `).width;
        })"""
    )
    assert min(room_px) >= 0.0, room_px


def test_charts_take_the_colors_of_the_scheme(opened: Open) -> None:
    color = "getComputedStyle(document.querySelector('.chart [fill^=var]')).fill"
    pages = [opened(color_scheme=scheme).page for scheme in ("light", "dark")]
    assert pages[0].locator(".chart").count() >= 6
    assert pages[0].evaluate(color) != pages[1].evaluate(color)


def test_everything_but_the_zoom_is_there_without_scripts(opened: Open) -> None:
    result = opened(java_script_enabled=False)
    page = result.page
    assert page.locator(".verdict").count() == 2
    assert page.locator("#cells-1 tbody tr").count() == 11
    assert page.locator(".trace-message").is_visible()
    assert page.locator(".tools").count() == 0
    page.locator("details.fold summary", has_text="Standings by every other metric").click()
    assert page.locator("#standings-all").is_visible()
    assert result.messages == []


def test_a_link_to_a_folded_note_unfolds_it(opened: Open) -> None:
    page = opened().page
    page.locator("details.fold summary", has_text="All 51 runs").click()
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = false; })")
    page.evaluate("location.hash = '#files'")
    page.wait_for_selector("#files", state="visible")
    assert page.locator("#files").is_visible()


def test_the_page_can_be_walked_by_keyboard(opened: Open) -> None:
    page = opened().page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.tagName"))
    assert {"A", "SUMMARY", "DIV"} <= reached
