"""A number of the result is written with the same digits on the terminal, in Markdown, page and charts."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import pytest
from chart_reading import all_text
from example_result import example_design, example_runs
from report_page_reading import parsed, shown_numbers
from review_samples import sample_review

from frametime.render.charts.matrix import draw_verdict_matrix
from frametime.render.charts.points import draw_efficiency, draw_ratios, draw_value
from frametime.render.charts.theme import Theme
from frametime.render.report.html import render_html
from frametime.render.report.markdown import render_markdown
from frametime.render.report.page_data import reader_choice
from frametime.render.report.review_blocks import chart_words
from frametime.render.report.review_report import review_report
from frametime.render.review_text import review_text
from frametime.render.tables.review_comparisons import value_table
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.words import money, money_range, money_words, percent_change, percent_change_range, percent_change_words


def one_line(text: str) -> str:
    return " ".join(text.split())


def markdown(result: ReviewResult) -> str:
    return render_markdown(review_report(result))


@pytest.fixture(scope="module", params=[0.0002, 0.008, 0.2], ids=["hundredths", "tenths", "whole"])
def result(request: pytest.FixtureRequest) -> ReviewResult:
    """Two cards whose runs scatter so that changes carry two decimals, one or none."""
    return sample_review(n_cards=2, n_scenes=3, resolutions=("1440p", "2160p"), noise=request.param, n_cuts=1)


def test_an_overall_change(result: ReviewResult) -> None:
    item = next(item for item in result.overall if item.metric == result.headline)
    assert item.ratio is not None
    expected = percent_change_words(item.ratio, item.interval_these_scenes)
    assert expected in item.sentence
    assert expected in one_line(result.paragraphs["all"])
    assert expected in one_line(review_text(result))
    assert expected in one_line(markdown(result))
    assert expected in chart_words(result, "ratios", {"candidate": item.candidate})
    figure = draw_ratios(result, Theme.of("light", "web"), candidate=item.candidate)
    assert percent_change_words(item.ratio, item.interval_these_scenes) in all_text(figure)


def test_the_change_of_every_cell(result: ReviewResult) -> None:
    told = markdown(result)
    figure = draw_verdict_matrix(result, Theme.of("light", "web"), candidate="card-1")
    for item in result.comparisons:
        assert item.ratio is not None
        expected = percent_change_words(item.ratio, item.interval_95)
        assert expected in told or expected.replace(" (", " | ").removesuffix(")") in told
        if item.metric == result.headline:
            assert expected in chart_words(result, "matrix", {"candidate": "card-1"})
            assert item.interval_95 is not None
            assert percent_change(item.ratio) in all_text(figure)
            assert percent_change_range(item.interval_95).removesuffix(" %") in all_text(figure)


def test_speed_for_the_money_and_efficiency(result: ReviewResult) -> None:
    value = next(row for row in result.value if row.card == "card-1")
    saved = next(row for row in result.efficiency if row.card == "card-1")
    assert value.value_ratio is not None and value.break_even_price is not None and saved.efficiency_ratio is not None
    change = percent_change_words(value.value_ratio, value.value_ratio_interval)
    price = money_words(value.break_even_price, value.break_even_interval)
    assert value.break_even_price is not None and value.break_even_interval is not None
    amount, span = money(value.break_even_price, value.break_even_interval), money_range(value.break_even_interval)
    assert f"would break even at {amount} EUR ({span})" in result.paragraphs["all"]
    for text in (review_text(result), markdown(result)):
        assert change in one_line(text)
        assert price in one_line(text)
    assert price in all_text(draw_value(result, Theme.of("light", "web")))
    saving = percent_change_words(saved.efficiency_ratio, saved.efficiency_interval)
    assert saving.replace(" (", " | ").removesuffix(")") in markdown(result)
    drawn = all_text(draw_efficiency(result, Theme.of("light", "web")))
    assert percent_change_words(saved.efficiency_ratio, saved.efficiency_interval) in drawn


def test_the_page(result: ReviewResult) -> None:
    """The page shows change and interval apart, each with the address of its number."""
    report = review_report(result)
    shown: dict[str, set[str]] = {}
    for number in shown_numbers(parsed(render_html(report))):
        shown.setdefault(number.pointer, set()).add(number.text.removesuffix(" %"))
    markdown = render_markdown(report)
    found = [(f"overall/{n}", item.ratio, item.interval_these_scenes) for n, item in enumerate(result.overall)]
    intervals = ["interval_these_scenes"] * len(found) + ["interval_95"] * len(result.comparisons)
    found += [(f"comparisons/{n}", item.ratio, item.interval_95) for n, item in enumerate(result.comparisons)]
    for (place, ratio, interval), key in zip(found, intervals, strict=True):
        assert ratio is not None and interval is not None
        assert shown[f"{place}/ratio"] == {percent_change(ratio).removesuffix(" %")}
        low, high = percent_change_range(interval).removesuffix(" %").split(" to ")
        assert (shown[f"{place}/{key}/low"], shown[f"{place}/{key}/high"]) == ({low}, {high})
        assert percent_change_range(interval) in markdown
    for number, row in enumerate(result.value):
        if row.break_even_price is not None and row.break_even_interval is not None:
            assert money(row.break_even_price, row.break_even_interval) in shown[f"value/{number}/break_even_price"]
            assert money_range(row.break_even_interval) in markdown


def test_a_price_in_another_currency_stands_beside_no_other() -> None:
    """Under a heading of euros, 579 dollars would be read as euros."""
    cards = [replace(card, currency="USD" if card.key == "birch-9" else "EUR") for card in example_design().cards]
    result = review_runs(replace(example_design(), cards=tuple(cards)), example_runs(7))
    value, (power,) = (
        value_table(result),
        (row for row in result.efficiency if (row.cut, row.card) == ("all", "birch-9")),
    )
    assert {str(value.exact(row, "card")) for row in value.rows} == {"amber-6", "cedar-12"}
    assert power.running_cost is not None and power.total_cost is None
    chart = all_text(draw_value(result, Theme.of("light", "web")))
    assert "579" not in chart and "Without a price to compare: Birch 9." in chart
    choice = cast("list[dict[str, object]]", reader_choice(result).data["cards"])
    assert [card["price"] for card in choice] == [499.0, None, 489.0]
    told = "No comparable price is given for Birch 9."
    assert told in result.paragraphs["all"] and "579" not in result.paragraphs["all"]
    assert "Best value among 2 cards with a price in EUR is the " in result.paragraphs["all"]
