"""What a chart prints fits what it prints beside it, and the first charts of a review of any size are few."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import pytest
from chart_reading import all_text, by_gid, gids
from matplotlib.figure import Figure
from review_samples import sample_review

from frametime.pipeline.chart_files import ChartRequest, left_out_words
from frametime.render.charts.card_bars import draw_pair, draw_scene_bars, draw_standings
from frametime.render.charts.drawings import MOST_CHARTS, left_out, review_figures
from frametime.render.charts.matrix import draw_verdict_matrix
from frametime.render.charts.points import draw_efficiency, draw_ratios, draw_value
from frametime.render.charts.text_fit import ELLIPSIS
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_quantity
from frametime.review.result import ReviewResult

THEME = Theme.of("light", "web")
CHANGE = re.compile("([+\N{MINUS SIGN}]?[0-9.]+) %")


def with_holes(*, seed: int, n_apart: int = 0) -> ReviewResult:
    """A review in which the cards lack cells, and sensor logs in others; the last ones stand apart."""
    holes = [("card-1", "scene-2", "1440p"), ("card-2", "scene-0", "1080p"), ("card-0", "scene-3", "2160p")]
    holes += [(f"card-{3 - card}", f"scene-{n}", "1080p") for card in range(n_apart) for n in range(5)]
    holes += [(f"card-{3 - card}", f"scene-{n}", "1440p") for card in range(n_apart) for n in range(4)]
    return sample_review(n_cards=4, seed=seed, lacking=holes, without_power=[("card-1", "scene-1", "2160p")])


def change(words: str) -> float:
    """The first change in percent, as a ratio."""
    found = CHANGE.search(words)
    assert found is not None, words
    return 1.0 + float(found[1].replace("\N{MINUS SIGN}", "-")) / 100.0


def card_lines(figure: Figure, result: ReviewResult) -> dict[str, list[str]]:
    """The lines that stand below each card's name in the table of a plane."""
    texts = [text.get_text() for text in figure.texts]
    return {
        card.key: texts[texts.index(card.label) + 1 : texts.index(card.label) + 4]
        for card in result.cards
        if card.label in texts
    }


def digits_apart(one: float, other: float, printed: Sequence[str]) -> bool:
    """Whether two numbers are equal to the rounding of the printed ones from which they come."""
    slack = math.fsum(0.5 * 10.0 ** -len(text.partition(".")[2]) / float(text) for text in printed)
    return abs(one / other - 1.0) <= slack * 1.01


@pytest.mark.parametrize(("seed", "n_apart"), [(1, 0), (2, 1), (3, 2)])
def test_frames_per_joule_are_the_printed_rate_over_the_printed_power(seed: int, n_apart: int) -> None:
    result = with_holes(seed=seed, n_apart=n_apart)
    figure = draw_efficiency(result, THEME)
    lines = card_lines(figure, result)
    assert len(lines) == 4 - n_apart
    for card, (means, per_joule, compared) in lines.items():
        rate, power = re.findall(r"[0-9.]+", means)
        (joule,) = re.findall(r"[0-9.]+", per_joule)
        assert digits_apart(float(rate) / float(power), float(joule), (rate, power, joule))
        if card != result.baseline:
            base = re.findall(r"[0-9.]+", lines[result.baseline][1])[0]
            assert digits_apart(float(joule) / float(base), change(compared), (joule, base, "1.000"))
    text = all_text(figure)
    n_cells = len(result.cells_of("all", "power").cells)
    assert n_cells < len(result.cells_of("all").cells)
    assert text.count(f"{n_cells} of 15 cells, those in which every card of the table has power") == 1
    for card in result.cells_of("all", "power").apart:
        assert (
            f"Not drawn, for want of cells in common with the others: {result.card(card).label} (" in text
            or n_apart > 1
        )


@pytest.mark.parametrize(("seed", "n_apart"), [(1, 0), (2, 1)])
def test_value_is_the_printed_rate_over_the_printed_price(seed: int, n_apart: int) -> None:
    result = with_holes(seed=seed, n_apart=n_apart)
    figure = draw_value(result, THEME)
    lines = card_lines(figure, result)
    assert len(lines) == 4 - n_apart
    base_rate, base_price = re.findall(r"[0-9.]+", lines[result.baseline][0])
    for card, (means, per_money, break_even) in lines.items():
        rate, price = re.findall(r"[0-9.]+", means)
        (value,) = re.findall(r"[0-9.]+", per_money)
        assert digits_apart(float(rate) / float(price), float(value), (rate, "1.0000", value))
        if card != result.baseline:
            even = re.findall(r"[0-9.]+", break_even)[0]
            expected = float(base_price) * float(rate) / float(base_rate)
            assert digits_apart(expected, float(even), (rate, base_rate, even))


@pytest.mark.parametrize(("seed", "n_apart"), [(1, 0), (2, 1)])
def test_the_overall_ratio_is_the_mean_of_the_printed_ratios_that_have_no_star(seed: int, n_apart: int) -> None:
    result = with_holes(seed=seed, n_apart=n_apart)
    for card in ("card-1", "card-2", "card-3"):
        figure = draw_ratios(result, THEME, candidate=card)
        words = [text.get_text() for text in figure.texts if CHANGE.match(text.get_text())]
        overall = [text for text in words if text.endswith(("ahead", "tied", "behind", "undecided"))]
        cells = [change(text) for text in words if text not in overall and not text.endswith(" *")]
        assert len(overall) == 2
        assert any(text.endswith(" *") for text in words) == (card not in result.cells_of("all").apart)
        assert len(cells) == len(result.cells_of("all").of(card))
        mean = math.exp(math.fsum(map(math.log, cells)) / len(cells))
        assert mean == pytest.approx(change(overall[0]), abs=0.0011)


def test_the_ratio_of_two_bars_is_that_of_the_overall_chart() -> None:
    result = with_holes(seed=2, n_apart=1)
    figure = draw_standings(result, THEME)
    widths = {card.key: by_gid(figure, f"bar-0-{card.label}")[0].get_width() for card in result.cards}
    for item in result.overall:
        if (item.cut, item.metric) == ("all", result.headline) and item.candidate not in result.cells_of("all").apart:
            assert widths[item.candidate] / widths[result.baseline] == pytest.approx(item.ratio)


def test_a_card_that_stands_apart_is_drawn_below_with_the_baseline_in_its_cells() -> None:
    result = with_holes(seed=2, n_apart=1)
    figure = draw_standings(result, THEME)
    (apart,) = (
        item for item in result.standings if (item.cut, item.metric, item.card) == ("all", result.headline, "card-3")
    )
    assert apart.stands_apart
    there = format_quantity(apart.baseline_mean_value, "{frame}/s")
    assert f"apart · {apart.n_cells} cells · {result.card('card-0').label} there {there}" in all_text(figure)
    tops = {card.key: by_gid(figure, f"bar-0-{card.label}")[0].get_y() for card in result.cards}
    assert max(tops, key=lambda card: tops[card]) == "card-3"


def test_a_review_of_any_size_draws_few_charts_and_says_how_to_get_the_others() -> None:
    large = sample_review(n_cards=12, n_scenes=9, n_runs=1, n_cuts=6)
    names = [name for name, _ in review_figures(large, THEME)]
    assert len(names) <= MOST_CHARTS
    kinds = ("standings", "scene-bars", "ratios", "matrix", "value", "efficiency", "costs")
    assert all(any(name.startswith(kind) for name in names) for kind in kinds)
    fastest = next(item.card for item in large.standings if item.best_place == 1 and item.card != large.baseline)
    assert any(name.startswith(f"ratios-{fastest}") for name in names)
    more = left_out(large, THEME)
    asked = {key: len(review_figures(large, THEME, only=(key,))) for key in more}
    assert all(asked[key] > number > 0 for key, number in more.items())
    said = left_out_words(large, ChartRequest())
    assert said is not None
    n_all = len(names) + sum(more.values())
    assert f"{len(names)} charts drawn of {n_all}; for all of a kind use --only KEY" in said
    assert f"scene-bars ({more['scene-bars']})" in said
    assert left_out_words(large, ChartRequest(only=("matrix",))) is None
    named = replace(large, plan={"charts": ["scene-bars"]})
    found = [name for name, _ in review_figures(named, THEME)]
    assert len([name for name in found if name.startswith("scene-bars")]) == asked["scene-bars"]
    assert set(names) < set(found)
    about = replace(large, subject=("card-5",))
    drawn = [name for name, _ in review_figures(about, THEME) if name.startswith(("ratios", "matrix"))]
    assert drawn
    assert all("card-5" in name for name in drawn)


def test_a_small_review_draws_all_its_charts() -> None:
    small = sample_review(n_scenes=2, n_cards=2)
    every = review_figures(small, THEME, only=("standings", "scene-bars", "ratios", "matrix", "value", "efficiency"))
    drawn = {name for name, _ in review_figures(small, THEME)}
    assert {name for name, _ in every} < drawn
    assert left_out_words(small, ChartRequest()) is None


def test_a_kind_that_was_asked_for_and_has_nothing_to_show_is_named() -> None:
    alone = sample_review(n_scenes=1, n_cards=1)
    said = left_out_words(alone, ChartRequest(only=("costs", "value", "pair")))
    assert said == "The runs and prices of this review give no chart of value and pair."
    assert left_out_words(alone, ChartRequest(only=("costs",))) is None


def test_a_short_list_is_as_wide_as_its_lines_and_leaves_the_rest_to_the_plot() -> None:
    many = sample_review(n_cards=16, n_scenes=1, n_runs=1)
    named = replace(many, cards=tuple(replace(card, label=f"C{at}") for at, card in enumerate(many.cards)))
    wide = replace(
        many, cards=tuple(replace(card, label=f"{at} {'Basalt ' * 6}") for at, card in enumerate(many.cards))
    )
    short, long = (draw_efficiency(result, THEME).axes[0].get_position().width for result in (named, wide))
    assert short > 1.15 * long
    assert ELLIPSIS not in all_text(draw_value(named, THEME)) + all_text(draw_efficiency(named, THEME))


def test_a_matrix_without_room_for_intervals_does_not_promise_them() -> None:
    result, narrow = sample_review(n_scenes=5), Theme.of("light", "print-85mm")
    for theme, shows_them in ((THEME, True), (narrow, False)):
        figure = draw_verdict_matrix(result, theme, candidate="card-1")
        spans = [text for text in (text.get_text() for text in figure.texts) if re.fullmatch(r"\S+ to \S+ %", text)]
        assert bool(spans) is shows_them
        assert "95 % interval where there is room" in all_text(figure)


def test_a_short_interval_leaves_the_verdict_mark_as_it_is() -> None:
    result = sample_review(n_cards=2, n_scenes=3, noise=0.0003, bad_run=True)
    figure = draw_ratios(result, Theme.of("light", "print-85mm"), candidate="card-1")
    assert gids(figure, "overall-these-interval")
    assert not [gid for gid in gids(figure, "") if gid.endswith("-small")]


@pytest.mark.parametrize("n_cards", [3, 12])
def test_panels_of_one_unit_lie_on_one_scale(n_cards: int) -> None:
    result = sample_review(n_cards=n_cards, n_scenes=2, bad_run=True, missing=True)
    for figure in (draw_scene_bars(result, THEME, scene="scene-1"), draw_pair(result, THEME, candidate="card-1")):
        scales = [(axes.get_xlim()[1], axes.get_position().width) for axes in figure.axes]
        assert len(scales) == 3
        assert scales == [pytest.approx(scales[0])] * 3


def test_cards_of_a_cut_that_needs_two_pages_are_drawn_on_one_scale() -> None:
    large = sample_review(n_cards=22, n_scenes=2, n_runs=1, resolutions=("1440p",))
    pages = [draw_standings(large, THEME, page=page) for page in range(2)]
    assert pages[0].axes[0].get_xlim() == pages[1].axes[0].get_xlim()
    assert [len(gids(page, "bar-0-")) for page in pages] == [11, 11]
