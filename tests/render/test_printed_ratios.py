"""Whatever runs are missing, every printed ratio is that of the absolute numbers printed beside it.

Nothing of the product's own arithmetic is used: the numbers are read back from the terminal, Markdown, page, CSV and
JSON, divided, and compared as far as their last digits go.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache

import pytest
from report_page_reading import own_text, parsed, read_number
from review_samples import sample_review

from frametime.pipeline.review_outputs import cells_frame, review_json, standings_frame
from frametime.render.report.html import render_html
from frametime.render.report.markdown import render_markdown
from frametime.render.report.review_blocks import chart_words
from frametime.render.report.review_report import review_report
from frametime.render.review_text import review_text
from frametime.review.result import ReviewResult

Rows = list[dict[str, str]]
Read = Callable[[ReviewResult], Iterator[Rows]]
EMPTY = ("", "\N{EN DASH}")


@pytest.fixture(scope="module", params=[0, 3, *(pytest.param(number, marks=pytest.mark.slow) for number in (1, 2))])
def result(request: pytest.FixtureRequest) -> ReviewResult:
    """Five cards with random holes in their runs and sensor logs, one with so many that it may stand apart."""
    return with_holes(request.param)


@cache
def with_holes(number: int) -> ReviewResult:
    return sample_review(n_cards=5, n_scenes=4, n_cuts=4, holes=0.06 + 0.07 * number, seed=20 + number)


def from_terminal(result: ReviewResult) -> Iterator[Rows]:
    """Tables with a line of dashes under their headings: as many columns as dashes."""
    lines = review_text(result).splitlines()
    for at, line in enumerate(lines):
        if not re.fullmatch(r" +-+(  -+)+", line):
            continue
        spans = [match.span() for match in re.finditer("-+", line)]
        rows = []
        for row in lines[at + 1 :]:
            if not row or row.startswith("  ...") or len(row) < spans[1][0] or row[spans[1][0] - 1] != " ":
                break
            rows.append({lines[at - 1][low:high].strip(): row[low:high].strip() for low, high in spans})
        yield rows


def from_markdown(result: ReviewResult) -> Iterator[Rows]:
    """Tables between bars, without the references to notes."""
    for block in re.findall(r"(?:^\|.*\n)+", render_markdown(review_report(result)), re.MULTILINE):
        lines = [
            [re.sub(r"( \[\d+\])+$", "", part.strip()).replace("\\", "") for part in line[1:-1].split("|")]
            for line in block.splitlines()
        ]
        yield [dict(zip(lines[0], line, strict=True)) for line in lines[2:]]


def from_page(result: ReviewResult) -> Iterator[Rows]:
    """Tables of the page as people read them."""
    for table in parsed(render_html(review_report(result))).iter("table"):
        headings = [own_text(item).strip() for item in next(table.iter("thead")).findall("tr/th")]
        yield [
            dict(zip(headings, ("".join(_texts(item)).strip() for item in row), strict=True))
            for row in table.findall("tbody/tr")
        ]


def _texts(element: object) -> Iterator[str]:
    for child in element.iter():  # type: ignore[attr-defined]
        if child.get("class") in {"ref", "refs"}:
            continue
        yield child.text or ""


def bounds(text: str) -> tuple[float, float] | None:
    """Between what a printed number may lie; nothing where there is none."""
    if text.startswith(("n/a", "baseline", *EMPTY[1:])) or not text:
        return None
    value, half = read_number(text)
    return value - half, value + half


def quotient_fits(shown: str, over: str, under: str, *, as_change: bool) -> bool | None:
    """Whether a printed ratio can be that of two printed numbers; nothing where one of them is missing."""
    ratio, top, bottom = bounds(shown), bounds(over), bounds(under)
    if ratio is None or top is None or bottom is None:
        return None
    low, high = top[0] / bottom[1], top[1] / bottom[0]
    if as_change:
        low, high = (low - 1.0) * 100.0, (high - 1.0) * 100.0
    slack = 1e-9 * abs(high)
    return low - slack <= ratio[1] and ratio[0] <= high + slack


def column(row: Mapping[str, str], *starts: str) -> str | None:
    """The heading of a row that begins so."""
    return next((name for start in starts for name in row if name.startswith(start)), None)


MEANS = ("Mean", "Average FPS (fps)", "Average rate")


def laws(rows: Rows) -> Iterator[tuple[str, bool | None]]:
    """Every ratio of a table with what it must be the ratio of, by the headings."""
    base = {(row.get("Cut"), row.get("Metric")): row for row in rows if "baseline" in row.values()}
    for row in rows:
        same = base.get((row.get("Cut"), row.get("Metric")), {})

        def of_baseline(name: str, row: Mapping[str, str] = row, same: Mapping[str, str] = same) -> str:
            there = column(row, "Baseline there")
            return row[there] if there and row[there] not in EMPTY else same.get(name, "")

        pairs = [
            ("Against ", MEANS, True),
            ("Frames per joule, against", ("Frames per joule",), True),
        ]
        for ratio, means, as_change in pairs:
            mean = column(row, *means)
            if (shown := column(row, ratio)) and mean:
                yield shown, quotient_fits(row[shown], row[mean], of_baseline(mean), as_change=as_change)
        if (shown := column(row, "Difference")) and "Baseline" in row:
            yield shown, quotient_fits(row[shown], row["Value"], row["Baseline"], as_change=True)
        if (shown := column(row, "Speed for the money")) and "fps/EUR" in row:
            speed, base_speed = row["fps/EUR"], same.get("fps/EUR", "")
            yield shown, quotient_fits(row[shown], speed, base_speed, as_change=True)
        if (price := column(row, "Price (EUR)")) and (mean := column(row, *MEANS)):
            yield "money", quotient_fits(row["EUR per fps"], row[price], row[mean], as_change=False)
            yield "fps", quotient_fits(row["fps per EUR"], row[mean], row[price], as_change=False)
            if "Baseline there (fps)" not in row:
                shown = "Speed for the money, against the baseline"
                yield shown, quotient_fits(row[shown], row["fps per EUR"], same["fps per EUR"], as_change=True)
        if (rate := column(row, "Average rate")) and (power := column(row, "Average power")):
            yield "joule", quotient_fits(row["Frames per joule"], row[rate], row[power], as_change=False)
            yield "energy", quotient_fits(row["Energy per frame (J)"], row[power], row[rate], as_change=False)


@pytest.mark.parametrize(
    ("read", "kinds"),
    [(from_terminal, 2), (from_markdown, 6), (from_page, 6)],
    ids=["terminal", "markdown", "page"],
)
def test_what_people_read(result: ReviewResult, read: Read, kinds: int) -> None:
    found = [(rows, law, fits) for rows in read(result) for law, fits in laws(rows) if fits is not None]
    assert [(law, rows) for rows, law, fits in found if not fits] == []
    assert len({law for _, law, _ in found}) >= kinds
    assert len(found) >= 3


def test_the_words_of_a_chart(result: ReviewResult) -> None:
    told = chart_words(result, "standings", {})
    found = re.findall(
        r"Average FPS \(fps\) ([\d.]+), (?:Baseline there ([\d.]+), )?Against Amber 6 (baseline|\S+ %)", told
    )
    (base,) = [mean for mean, _, change in found if change == "baseline"]
    fits = [quotient_fits(change, mean, there or base, as_change=True) for mean, there, change in found]
    assert fits.count(True) >= 3 and False not in fits


def test_csv(result: ReviewResult) -> None:
    standings = standings_frame(result)
    prices = {row["card"]: row["price"] for row in standings.iter_rows(named=True) if row["price"]}
    n_checked = 0
    for row in standings.iter_rows(named=True):
        if row["ratio"] is None:
            continue
        assert row["mean_value"] / row["baseline_mean_value"] == pytest.approx(row["ratio"], rel=1e-9)
        n_checked += 1
        if row["fps_per_money"] is not None:
            own, base = row["mean_value"] / row["price"], row["baseline_mean_value"] / prices[row["baseline"]]
            assert row["fps_per_money"] == pytest.approx(own, rel=1e-9)
            assert row["value_ratio"] == pytest.approx(own / base, rel=1e-9)
    for row in cells_frame(result).iter_rows(named=True):
        if row["ratio"] is not None:
            assert row["value"] / row["baseline_value"] == pytest.approx(row["ratio"], rel=1e-9)
            n_checked += 1
    assert n_checked > 50


def test_json(result: ReviewResult) -> None:
    document = json.loads(review_json(result))
    for row in document["standings"]:
        if row["ratio_to_baseline"] is not None:
            shown = row["mean_value"] / row["baseline_mean_value"]
            assert row["ratio_to_baseline"] == pytest.approx(shown, rel=1e-9)
    for row in document["efficiency"]:
        if row["frames_per_joule"] is not None:
            assert row["frames_per_joule"] == pytest.approx(row["mean_rate_fps"] / row["average_power_w"], rel=1e-9)
        if row["efficiency_ratio"] is not None:
            shown = row["frames_per_joule"] / row["baseline_frames_per_joule"]
            assert row["efficiency_ratio"] == pytest.approx(shown, rel=1e-9)
    prices = {row["card"]: row["price"] for row in document["value"]}
    for row in document["value"]:
        if row["value_ratio"] is not None:
            base = row["baseline_mean_value"] / prices[document["baseline"]]
            assert row["value_ratio"] == pytest.approx(row["fps_per_money"] / base, rel=1e-9)
    for row in document["comparisons"]:
        if row["ratio"] is not None:
            assert row["ratio"] == pytest.approx(row["candidate_value"] / row["baseline_value"], rel=1e-9)


def test_some_card_stands_apart_in_some_of_these_reviews() -> None:
    made = [with_holes(number) for number in (0, 3)]
    apart = [any(item.stands_apart and item.ratio_to_baseline for item in result.standings) for result in made]
    assert any(apart) and not all(apart)
    assert all(any(item.left_out for item in result.table_cells) for result in made)
