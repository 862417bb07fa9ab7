"""Charts of a review show the numbers of the result: values, intervals, verdicts, limits, units, definitions."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from chart_reading import all_text, by_gid, gids, words_beside, x_labels
from example_result import METRICS, design, placed_run
from matplotlib.collections import Collection
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from review_samples import sample_review

from frametime.render.charts.card_bars import (
    Bar,
    BarRow,
    Bars,
    _columns,
    _number_style,
    bar_layout,
    draw_costs,
    draw_pair,
    draw_scene_bars,
    draw_standings,
    metrics_that_fit,
)
from frametime.render.charts.chart_catalog import CATALOG, keys_for
from frametime.render.charts.chart_sheet import Sheet
from frametime.render.charts.drawings import review_figures, safe_name, typical_runs
from frametime.render.charts.matrix import Matrix, draw_verdict_matrix
from frametime.render.charts.plots import Curve, Dots, Plot, Plots, Row, Whisker
from frametime.render.charts.points import draw_efficiency, draw_ratios, draw_repeatability, draw_value, ratio_limits
from frametime.render.charts.review_view import ReviewView, verdict_mark
from frametime.render.charts.text_fit import round_ticks, tail_position, tail_share_pct, text_width_pt, tick_labels
from frametime.render.charts.theme import Theme
from frametime.render.review_words import change_words
from frametime.review.result import ReviewResult
from frametime.review.result_tables import Verdict
from frametime.review.reviewing import review_runs
from frametime.statistics.interval import Interval
from frametime.words import percent_change

THEME = Theme.of("light", "web")


@pytest.fixture(scope="module")
def result() -> ReviewResult:
    return sample_review(missing=True, bad_run=True, n_cuts=3, exclude=True, with_curves=True)


@pytest.fixture
def without_bodies(monkeypatch: pytest.MonkeyPatch) -> None:
    """Charts have head and foot alone: bars and lines take most of the time, and are drawn into what these leave."""
    for body in (Bars, Matrix, Plots):
        monkeypatch.setattr(body, "draw", lambda _body, _sheet: None)


def test_ratios_are_those_of_the_cells(result: ReviewResult) -> None:
    figure = draw_ratios(result, THEME, candidate="card-1")
    panel = figure.axes[0]
    rows = {line.get_gid(): line for line in panel.lines if line.get_gid()}
    compared = ReviewView(result, THEME).compared("card-1", "average_fps")
    assert len(compared) == 15
    for (scene, resolution), item in compared.items():
        mark = rows[f"cell-{scene}-{resolution}"]
        assert mark.get_xdata()[0] == pytest.approx(item.ratio)
        assert mark.get_marker() == verdict_mark(item.verdict, THEME.palette).marker
        assert item.interval_95 is not None
        low, high = panel.get_xlim()
        drawn = rows[f"cell-{scene}-{resolution}-interval"].get_xdata()
        assert drawn == pytest.approx([max(item.interval_95.low, low), min(item.interval_95.high, high)])


def test_rows_of_ratios_stand_in_the_order_of_the_plan_from_the_top(result: ReviewResult) -> None:
    panel = draw_ratios(result, THEME, candidate="card-1").axes[0]
    heights = [
        float(line.get_ydata()[0])
        for cell in result.cuts[0].cells
        for line in panel.lines
        if line.get_gid() == f"cell-{cell[0]}-{cell[1]}"
    ]
    assert heights == sorted(heights)
    assert panel.get_ylim()[0] > panel.get_ylim()[1]


def test_the_margin_is_a_band_that_lies_evenly_on_the_scale(result: ReviewResult) -> None:
    (band, *_) = by_gid(draw_ratios(result, THEME, candidate="card-1"), "band")
    left, right = band.get_x(), band.get_x() + band.get_width()
    assert (left, right) == pytest.approx((1.0 / 1.03, 1.03))
    assert math.log(left) == pytest.approx(-math.log(right))


def test_overall_ratios_stand_at_the_foot_of_each_cut(result: ReviewResult) -> None:
    for cut in ("all", "traced", "plain"):
        figure = draw_ratios(result, THEME, candidate="card-2", cut=cut)
        (panel,) = figure.axes
        overall = ReviewView(result, THEME).overall("card-2", "average_fps", cut)
        assert overall is not None
        rows = {line.get_gid(): line for line in panel.lines if line.get_gid()}
        assert rows["overall-these"].get_xdata()[0] == pytest.approx(overall.ratio)
        assert rows["overall-like"].get_xdata()[0] == pytest.approx(overall.ratio)
        assert overall.interval_these_scenes is not None
        drawn = rows["overall-these-interval"].get_xdata()
        assert drawn == pytest.approx([overall.interval_these_scenes.low, overall.interval_these_scenes.high])
        lowest = max(line.get_ydata()[0] for gid, line in rows.items() if str(gid).startswith("cell-"))
        assert rows["overall-these"].get_ydata()[0] > lowest
        assert change_words(overall.ratio, overall.interval_these_scenes) in all_text(figure)


def test_a_cut_shows_its_cells_alone(result: ReviewResult) -> None:
    for cut in result.cuts:
        (panel,) = draw_ratios(result, THEME, candidate="card-1", cut=cut.key).axes
        drawn = {
            str(line.get_gid()).removeprefix("cell-")
            for line in panel.lines
            if re.fullmatch(r"cell-scene-\d+-\d+p", str(line.get_gid()))
        }
        assert drawn == {f"{scene}-{resolution}" for scene, resolution in cut.cells}


def test_better_is_right_for_a_metric_of_which_less_is_better() -> None:
    result = sample_review(metrics=("p99_frame_time_ms",), n_cuts=1)
    figure = draw_ratios(result, THEME, candidate="card-2")
    low, high = figure.axes[0].get_xlim()
    assert low > high
    assert "Lower is better (axis turned round)" in all_text(figure)
    # The faster card has the lower frame time, so its marks stand right of the baseline's 0 %.
    line = next(line for line in figure.axes[0].lines if line.get_gid() == "overall-these")
    to_pixels = figure.axes[0].transData.transform
    assert to_pixels((line.get_xdata()[0], 1.0))[0] > to_pixels((1.0, 1.0))[0]


def test_equal_stands_in_the_middle_of_twice_and_half() -> None:
    result = sample_review(n_runs=1)
    panel = draw_ratios(result, THEME, candidate="card-1").axes[0]
    half, equal, twice = (panel.transData.transform((ratio, 1.0))[0] for ratio in (0.5, 1.0, 2.0))
    assert equal - half == pytest.approx(twice - equal)
    assert x_labels(panel)[1.0] == "0 %"


def test_without_intervals_the_ratio_chart_says_so() -> None:
    figure = draw_ratios(sample_review(n_runs=1, n_cuts=1), THEME, candidate="card-1")
    assert gids(figure, "cell-scene-0-1080p-interval") == []
    assert "(no interval)" in all_text(figure)
    assert "too few runs for an interval" in all_text(figure)


def test_an_interval_far_wider_than_the_rest_is_cut_and_marked() -> None:
    result = sample_review(n_runs=2, noise=0.2, n_scenes=3, n_cuts=1, spread="own")
    compared = list(ReviewView(result, THEME).compared("card-1", "average_fps").values())
    low, high = ratio_limits(compared, [], result.margin)
    assert all(item.ratio is not None and low < item.ratio < high for item in compared)
    assert any(item.interval_95 is not None and item.interval_95.high > high for item in compared)
    figure = draw_ratios(result, THEME, candidate="card-1")
    assert any("-on-" in gid for gid in gids(figure, "cell-"))
    assert "An arrowhead: the interval goes on." in all_text(figure)


def test_pages_and_cuts_that_are_not_there_are_refused(result: ReviewResult) -> None:
    with pytest.raises(ValueError, match="page must be 0 to 0, got 1"):
        draw_ratios(result, THEME, candidate="card-1", page=1)
    for draw in (draw_standings, draw_repeatability):
        with pytest.raises(ValueError, match="page must be 0 to 0, got 7"):
            draw(result, THEME, page=7)


def test_the_matrix_tells_each_verdict_by_shape_and_place(result: ReviewResult) -> None:
    figure = draw_verdict_matrix(result, THEME, candidate="card-1")
    with THEME.settings():
        figure.draw_without_rendering()
    places: dict[str, set[float]] = {}
    for (scene, resolution), item in ReviewView(result, THEME).compared("card-1", "average_fps").items():
        (mark,) = by_gid(figure, f"verdict-{scene}-{resolution}")
        assert mark.get_marker() == verdict_mark(item.verdict, THEME.palette).marker
        column = result.resolutions.index(resolution)
        if column == 0 and item.verdict != "undecided":
            places.setdefault(item.verdict, set()).add(round(mark.get_xdata()[0], 3))
        # Few scenes leave room for two lines a cell: the difference, and under it its interval.
        number, _, span = change_words(item.ratio, item.interval_95).partition(" (")
        shown = [text.get_text() for text in figure.texts]
        star = "" if (scene, resolution) in result.cells_of("all").cells else " *"
        assert (span.removesuffix(")"), number + star) in pairwise(shown)
    assert all(len(found) == 1 for found in places.values())
    assert places["ahead"] > places["tied"] or min(places["ahead"]) > max(places["tied"])


def test_the_matrix_names_cells_without_runs(result: ReviewResult) -> None:
    said = all_text(draw_verdict_matrix(result, THEME, candidate="card-2"))
    assert "not compared" in said
    assert "of 14 cells; 1 without runs on both sides" in said


def test_the_matrix_names_cells_that_cannot_be_named(result: ReviewResult) -> None:
    sure = tuple(replace(item, stands_after_holm=True) for item in result.comparisons)
    assert "Not enough runs to name" not in all_text(
        draw_verdict_matrix(replace(result, comparisons=sure), THEME, candidate="card-1")
    )
    doubtful = tuple(
        replace(item, verdict="ahead", stands_after_holm=False)
        if (item.candidate, item.metric, item.scene) == ("card-1", "average_fps", result.scenes[0].key)
        else item
        for item in sure
    )
    said = all_text(draw_verdict_matrix(replace(result, comparisons=doubtful), THEME, candidate="card-1"))
    label = result.scenes[0].label
    assert (
        f"Not enough runs to name single cells here: {label} at 1080p, {label} at 1440p and {label} at 2160p." in said
    )


def test_nothing_is_drawn_of_a_cut_without_a_common_cell_or_of_runs_without_a_repeat(result: ReviewResult) -> None:
    cut = result.cuts[-1].key
    bare = replace(
        result,
        standings=tuple(replace(i, mean_value=None) if i.cut == cut else i for i in result.standings),
        overall=tuple(replace(i, ratio=None) if i.cut == cut else i for i in result.overall),
        cells=tuple(replace(cell, run_names=cell.run_names[:1]) for cell in result.cells),
    )
    before = {name for name, _ in review_figures(result, THEME)}
    after = review_figures(bare, THEME)
    assert before - {name for name, _ in after} >= {f"standings-{cut}", "repeatability"}
    cuts = [drawing.keywords["cut"] for name, drawing in after if name.startswith("ratios")]  # type: ignore[attr-defined]
    assert cuts
    assert cut not in cuts


def test_a_baseline_without_runs_in_a_cell_says_so(result: ReviewResult) -> None:
    scene, resolution = result.scenes[0].key, result.resolutions[0]
    cells = tuple(c for c in result.cells if (c.card, c.scene, c.resolution) != (result.baseline, scene, resolution))
    said = all_text(draw_scene_bars(replace(result, cells=cells), THEME, scene=scene))
    assert "no usable run" in said
    assert "…" not in said
    assert "no usable run" not in all_text(draw_scene_bars(result, THEME, scene=scene))


def test_bars_of_the_standings(result: ReviewResult) -> None:
    figure = draw_standings(result, THEME)
    panel = figure.axes[0]
    assert panel.get_xlim()[0] == 0.0
    assert panel.get_xlabel() == "fps"
    bars = {patch.get_gid(): patch for patch in panel.patches if patch.get_gid()}
    rows = [item for item in result.standings if item.cut == "all"]
    for number, metric in enumerate(("average_fps", "low_1pct_percentile_fps", "low_0p1pct_percentile_fps")):
        for item in (item for item in rows if item.metric == metric):
            bar = bars[f"bar-{number}-{result.card(item.card).label}"]
            assert bar.get_x() == 0.0
            assert bar.get_width() == pytest.approx(item.mean_value)
    best_first = sorted(
        (item for item in rows if item.metric == "average_fps"), key=lambda item: -(item.mean_value or 0.0)
    )
    tops = [bars[f"bar-0-{result.card(item.card).label}"].get_y() for item in best_first]
    assert tops == sorted(tops)
    assert "Mean over 14 of 15 cells, those in which every card of the table has runs" in all_text(figure)


def test_whiskers_of_the_standings_are_the_interval_of_the_ratio_times_the_mean(result: ReviewResult) -> None:
    figure = draw_standings(result, THEME)
    for item in result.standings:
        if (item.cut, item.metric) != ("all", "average_fps"):
            continue
        found = by_gid(figure, f"interval-0-{result.card(item.card).label}")
        if item.interval is None:
            assert item.card == result.baseline
            assert found == []
            continue
        assert item.mean_value is not None
        assert item.ratio_to_baseline is not None
        ends = np.array([item.interval.low, item.interval.high]) * item.mean_value / item.ratio_to_baseline
        assert np.asarray(found[0].get_xdata()) == pytest.approx(ends)


def test_ties_are_named_in_the_standings() -> None:
    result = sample_review(n_runs=1)
    assert all(item.best_place == 1 and item.worst_place == 3 for item in result.standings)
    text = all_text(draw_standings(result, THEME))
    assert "place 1 to 3" in text
    assert "not told apart from Basalt 9 and Cinder 4" in text


def test_bars_of_a_scene_are_the_estimates_of_its_cells(result: ReviewResult) -> None:
    figure = draw_scene_bars(result, THEME, scene="scene-2")
    assert len(figure.axes) == 3
    for panel, resolution in zip(figure.axes, result.resolutions, strict=True):
        for summary in result.cells:
            if (summary.scene, summary.resolution) != ("scene-2", resolution):
                continue
            label = result.card(summary.card).label
            estimate = summary.estimates["average_fps"]
            (bar,) = (patch for patch in panel.patches if patch.get_gid() == f"bar-0-{label}")
            assert bar.get_width() == pytest.approx(estimate.value)
            (whisker,) = (line for line in panel.lines if line.get_gid() == f"interval-0-{label}")
            assert estimate.interval is not None
            assert list(whisker.get_xdata()) == pytest.approx([estimate.interval.low, estimate.interval.high])
    text = all_text(figure)
    assert "Whisker, ± or brackets: 95 % interval of the mean, from the scatter of the runs." in text
    for candidate in ("card-1", "card-2"):
        verdict = ReviewView(result, THEME).compared(candidate, "average_fps")["scene-2", "1080p"].verdict
        assert verdict in text


@pytest.mark.parametrize(
    ("n_cards", "n_metrics", "is_left"), [(1, 3, False), (5, 2, False), (8, 2, True), (16, 1, True)]
)
def test_as_many_metrics_as_there_is_room_for(n_cards: int, n_metrics: int, is_left: bool) -> None:
    result = sample_review(n_scenes=1, n_runs=1, n_cards=2)
    metrics = metrics_that_fit(result, n_cards)
    assert metrics[0] == result.headline
    assert len(metrics) == n_metrics
    assert bar_layout(n_cards, 3) == (n_metrics, is_left)


@pytest.mark.parametrize("size", ["web", "video-1080p"])
def test_one_chart_holds_sixteen_cards_with_the_subject_marked(size: str) -> None:
    theme = Theme.of("light", size)
    result = replace(sample_review(n_cards=16, n_scenes=2, n_cuts=1), subject=("card-5",))
    for key in ("standings", "scene-bars"):
        ((name, drawing),) = review_figures(result, theme, only=(key,))[:1]
        figure = drawing()
        assert "page" not in name
        assert "(1 of" not in all_text(figure)
        assert len(gids(figure, "bar-0-")) == 16 * len(figure.axes)
        subject = [text for text in figure.texts if text.get_text() == result.card("card-5").label]
        assert [text.get_fontweight() for text in subject] == ["bold"] * len(figure.axes)
        assert "what this review is about" in all_text(figure)


def test_a_card_has_its_color_in_every_chart_and_its_metrics_shades_of_it() -> None:
    result = sample_review(n_cards=3, with_curves=True)
    theme = replace(THEME, card_colors=(None, "#123456", None))
    standings, planes = draw_standings(result, theme), [draw(result, theme) for draw in (draw_value, draw_efficiency)]
    panels = dict(review_figures(result, theme, only=("frame-time-panels",)))["frame-time-panels-scene-0-1080p"]()
    for number, card in enumerate(result.cards):
        own = to_rgba(theme.style(number).color)
        bars = [by_gid(standings, f"bar-{metric}-{card.label}")[0] for metric in range(3)]
        assert {bar.get_facecolor()[:3] for bar in bars} == {own[:3]}
        assert [bar.get_facecolor()[3] for bar in bars] == sorted({1.0, 0.5, 0.25}, reverse=True)
        for plane in planes:
            (mark,) = by_gid(plane, f"card-{number}")
            assert to_rgba(mark.get_markerfacecolor()) == own
        (line,) = [item for item in by_gid(panels, "frame-times") if item.axes is panels.axes[number]]
        assert to_rgba(line.get_facecolor()[0] if isinstance(line, Collection) else line.get_color()) == own
    assert theme.style(1).color == "#123456"


def test_two_cards_stand_scene_by_scene_and_are_told_apart_where_they_have_one_color() -> None:
    result = sample_review(n_cards=9, n_scenes=3)
    for candidate, shade in (("card-1", 0), ("card-8", 1)):  # the ninth card has the color of the first again
        figure = draw_pair(result, THEME, candidate=candidate)
        assert len(figure.axes) == len(result.resolutions)
        values = {
            item.scene: item.estimates[result.headline].value
            for item in result.cells
            if (item.card, item.resolution) == (result.baseline, result.resolutions[0])
        }
        for scene in result.scenes:
            bars = [bar for bar in figure.axes[0].patches if str(bar.get_gid()).endswith(f"-{scene.label}")]
            assert [bar.get_facecolor()[3] for bar in bars] == [1.0, (1.0, 0.5)[shade]]
            assert bars[1].get_width() == pytest.approx(values[scene.key])
            item = ReviewView(result, THEME).compared(candidate, result.headline)[scene.key, result.resolutions[0]]
            assert item.ratio is not None
            assert f"{percent_change(item.ratio)} · {item.verdict}" in all_text(figure)


@pytest.mark.usefixtures("without_bodies")
@pytest.mark.parametrize(
    ("ratio", "verdict", "words"),
    [
        (1.079, "ahead", "Basalt 9 is 8 % faster than Amber 6"),
        (0.957, "behind", "Basalt 9 is 4.3 % slower than Amber 6"),
        (1.001, "tied", "Basalt 9 is as fast as Amber 6"),
        (1.04, "undecided", "Basalt 9 against Amber 6"),
        (None, "undecided", "Basalt 9 against Amber 6"),
    ],
)
def test_the_title_of_two_cards_is_a_sentence(
    result: ReviewResult, ratio: float | None, verdict: Verdict, words: str
) -> None:
    overall = tuple(
        replace(item, ratio=ratio, verdict=verdict) if item.candidate == "card-1" else item for item in result.overall
    )
    for draw in (draw_ratios, draw_verdict_matrix):
        assert draw(replace(result, overall=overall), THEME, candidate="card-1").texts[0].get_text().startswith(words)


@pytest.mark.usefixtures("without_bodies")
def test_long_names_of_two_cards_are_cut_in_the_title_and_never_what_stands_between_them(result: ReviewResult) -> None:
    for script in ("Brae Fell ", "Βράχος Κύμα ", "Гранит Волна "):
        named = replace(
            result, cards=tuple(replace(card, label=f"{script * 3}{at}") for at, card in enumerate(result.cards))
        )
        pair = draw_pair(named, THEME, candidate="card-1").texts[0].get_text()
        assert pair.startswith("Scene by scene: ") and pair.endswith(" overall") and " faster than " in pair, pair
        assert draw_verdict_matrix(named, THEME, candidate="card-1").texts[0].get_text().endswith(", cell by cell")


LENGTHS = (("Brae Fell ", range(20, 44, 4)), ("Βράχος Κύμα ", range(21, 44, 4)), ("Гранит Волна ", range(22, 44, 4)))
ALL_LENGTHS = [pytest.param(script, range(20, 44), marks=pytest.mark.slow) for script, _ in LENGTHS]


@pytest.mark.usefixtures("without_bodies")
@pytest.mark.parametrize(("script", "lengths"), [*LENGTHS, *ALL_LENGTHS])
def test_of_a_title_of_two_cards_the_names_alone_are_shortened(script: str, lengths: range) -> None:
    result = sample_review(n_cards=2, n_scenes=40, n_runs=2, resolutions=("1440p",))
    overall = tuple(replace(item, ratio=1.39, verdict="ahead") for item in result.overall)
    for length in lengths:
        cards = tuple(replace(card, label=(script * 5)[: length - 1] + card.key[-1]) for card in result.cards)
        named = replace(result, cards=cards, overall=overall)
        for draw, start, end in ((draw_pair, "Scene by scene: ", " overall (2 of 4)"), (draw_ratios, "", " (2 of 3)")):
            title = draw(named, THEME, candidate="card-1", page=1).texts[0].get_text()
            assert title.startswith(start) and title.endswith(end), title
            assert " is 39 % faster than " in title


def test_the_plan_sets_colors_notes_titles_and_author(result: ReviewResult) -> None:
    plan = {
        "author": "N. N.",
        "cards": [{"key": "card-0", "color": None}, {"key": "card-1", "color": "#123456"}],
        "publish": {"notes": "full", "titles": {"standings-all": "A title of our own", "matrix": "Every cell"}},
    }
    drawn = dict(review_figures(replace(result, plan=plan), THEME))
    figure = drawn["standings-all"]()
    assert figure.texts[0].get_text() == "A title of our own"
    assert "Frames over time." in all_text(figure).replace("frames over", "Frames over")
    assert "By N. N." in all_text(figure)
    assert to_rgba("#123456")[:3] == by_gid(figure, f"bar-0-{result.card('card-1').label}")[0].get_facecolor()[:3]
    assert to_rgba(THEME.style(2).color) == by_gid(figure, f"bar-0-{result.card('card-2').label}")[0].get_facecolor()
    assert drawn["matrix-card-1"]().texts[0].get_text() == "Every cell"
    assert "Every cell" not in all_text(drawn["ratios-card-1"]())


def test_bars_of_price_and_power_are_the_rows_of_value_and_efficiency(result: ReviewResult) -> None:
    hot = (replace(run, values={**run.values, "peak_temperature_c": 60.0 + n}) for n, run in enumerate(result.runs))
    result = replace(result, runs=tuple(hot))
    figure = draw_costs(result, THEME)
    assert [axes.get_xlabel() for axes in figure.axes] == ["EUR per fps", "W", "frames/J", "°C"]
    value = {row.card: row.money_per_fps for row in result.value if row.cut == "all"}
    power = {row.card: row for row in result.efficiency if row.cut == "all"}
    for card in result.cards:
        bars = by_gid(figure, f"bar-0-{card.label}")
        row = power[card.key]
        peaks_c = [
            run.values["peak_temperature_c"]
            for run in result.runs
            if (run.card, run.excluded_reason) == (card.key, None)
            and (run.scene, run.resolution) in result.cells_of("all", "power").cells
        ]
        expected = [value[card.key], row.average_power_w, row.frames_per_joule, max(filter(None, peaks_c))]
        assert [bar.get_width() for bar in bars] == pytest.approx(expected)
        assert f"{expected[-1]:.0f}" in {text.get_text() for text in figure.axes[-1].texts}  # of whole degrees
    with pytest.raises(ValueError, match="page must be"):
        draw_costs(sample_review(n_scenes=1, prices=False, power=False), THEME)


def test_a_chart_of_power_alone_says_nothing_of_prices() -> None:
    unpriced = all_text(draw_costs(sample_review(n_scenes=1, prices=False), THEME))
    assert "Power: all cells" in unpriced and "Means over" in unpriced
    assert "Prices by" not in unpriced and "Price and" not in unpriced
    priced = all_text(draw_costs(sample_review(n_scenes=1, power=False), THEME))
    assert "Price: all cells" in priced and "Whisker" not in priced  # a price has none
    assert "Whisker" in unpriced


def test_a_short_interval_of_power_is_written_beside_it_and_the_note_says_so(result: ReviewResult) -> None:
    hot = tuple(replace(run, values={**run.values, "peak_temperature_c": 60.0}) for run in result.runs)
    for shown, n_panels in ((replace(result, runs=hot), 4), (sample_review(n_cards=12, n_scenes=2), 3)):
        figure = draw_costs(shown, THEME)
        assert len(figure.axes) == n_panels
        numbers = [text.get_text() for text in words_beside(figure.axes[1])]
        assert numbers and all(re.fullmatch(r"\d+\.\d ± \d+\.\d", number) for number in numbers), numbers
        assert "Whisker, ± or brackets: 95 % interval" in all_text(figure)


def test_of_one_panel_all_intervals_are_written_or_none() -> None:
    long, short = (Interval(low=50.0 - half, high=50.0 + half, level=0.95, method="mean") for half in (8.0, 0.5))
    rows = [BarRow(str(n), "", "", [Bar(50.0, each, n)]) for n, each in enumerate((long, short))]
    number = _number_style(rows, 50.0, 20.0, 1)
    assert [number(row.bars[0]) for row in rows] == ["50.0 ± 8.0", "50.0 ± 0.5"]
    assert _number_style(rows[:1], 50.0, 20.0, 1)(rows[0].bars[0]) == "50.0"


def test_price_and_power_of_twelve_cards_stand_in_one_chart() -> None:
    figure = draw_costs(sample_review(n_cards=12, n_scenes=1), THEME)
    assert [axes.get_xlabel() for axes in figure.axes] == ["EUR per fps", "W", "frames/J"]


def test_an_interval_too_short_to_be_seen_is_a_mark() -> None:
    figure = Figure(figsize=(6.0, 3.0), dpi=100)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, 600.0)
    for length, is_mark in ((5.0, True), (8.0, False)):  # pixels; at web size 0.4 em are 6 pixels
        Whisker((100.0, 100.0 + length), 0.5, "#000000", f"w{length:g}").draw(axes, THEME)
        assert bool(by_gid(figure, f"w{length:g}-small")) == is_mark


def test_a_break_even_price_close_to_the_price_is_a_ring_around_the_card(result: ReviewResult) -> None:
    row = next(row for row in result.value if (row.cut, row.card) == ("all", "card-1"))
    assert row.price is not None
    near = replace(row, break_even_price=1.004 * row.price)
    close = replace(result, value=tuple(near if item is row else item for item in result.value))
    (ring,), (card,) = (by_gid(draw_value(close, THEME), gid) for gid in ("other-card-1", "card-1"))
    assert ring.get_markersize() > 1.5 * card.get_markersize()
    assert ring.get_zorder() > card.get_zorder()
    assert ring.get_markerfacecolor() == "none"


def test_a_break_even_price_on_the_mark_of_another_card_is_a_ring_around_it(result: ReviewResult) -> None:
    rows = {row.card: row for row in result.value if row.cut == "all"}
    on = replace(rows["card-1"], break_even_price=rows["card-2"].price, mean_value=rows["card-2"].mean_value)
    moved = replace(result, value=tuple(on if item is rows["card-1"] else item for item in result.value))
    (ring,) = by_gid(draw_value(moved, THEME), "other-card-1")
    (card,) = by_gid(draw_value(moved, THEME), "card-2")
    assert ring.get_markersize() > 1.5 * card.get_markersize()


def test_value_puts_each_card_at_its_price_and_speed(result: ReviewResult) -> None:
    figure = draw_value(result, THEME)
    axes = figure.axes[0]
    assert axes.get_xlim()[0] == 0.0
    assert axes.get_ylim()[0] == 0.0
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("price, EUR", "average FPS, fps")
    for row in (row for row in result.value if row.cut == "all"):
        number = [card.key for card in result.cards].index(row.card)
        (mark,) = by_gid(figure, f"card-{number}")
        assert (mark.get_xdata()[0], mark.get_ydata()[0]) == pytest.approx((row.price, row.mean_value))
        if row.card == result.baseline:
            continue
        (other,) = by_gid(figure, f"other-card-{number}")
        assert (other.get_xdata()[0], other.get_ydata()[0]) == pytest.approx((row.break_even_price, row.mean_value))
        (interval,) = by_gid(figure, f"other-interval-card-{number}")
        assert row.break_even_interval is not None
        ends = [row.break_even_interval.low, row.break_even_interval.high]
        assert list(interval.get_xdata()) == pytest.approx(ends)
        assert row.break_even_price is not None
        assert f"break-even {row.break_even_price:.0f}" in all_text(figure)


def test_break_even_prices_lie_on_the_baselines_line_of_value(result: ReviewResult) -> None:
    figure = draw_value(result, THEME)
    base = next(row for row in result.value if (row.cut, row.card) == ("all", result.baseline))
    assert base.fps_per_money is not None
    (other,) = by_gid(figure, "other-card-1")
    assert other.get_ydata()[0] / other.get_xdata()[0] == pytest.approx(base.fps_per_money)


def test_lines_of_equal_value_go_through_the_origin_with_their_slope(result: ReviewResult) -> None:
    for figure in (draw_value(result, THEME), draw_efficiency(result, THEME)):
        names = gids(figure, "slope-")
        assert len(names) >= 2
        for name in names:
            (line,) = by_gid(figure, name)
            assert (line.get_xdata()[0], line.get_ydata()[0]) == (0.0, 0.0)
            slope = line.get_ydata()[1] / line.get_xdata()[1]
            assert slope == pytest.approx(float(name.removeprefix("slope-")), rel=1e-5)


@pytest.mark.parametrize("dearest", [6.0, 18.0, 100.0])
def test_cards_of_very_unlike_value_have_lines_of_equal_value(result: ReviewResult, dearest: float) -> None:
    prices = dict(zip((card.key for card in result.cards), (100.0, 30.0 * dearest, 100.0 * dearest), strict=True))
    rows = tuple(replace(row, price=prices[row.card], break_even_price=None) for row in result.value)
    slopes = [
        float(name.removeprefix("slope-")) for name in gids(draw_value(replace(result, value=rows), THEME), "slope-")
    ]
    assert len(slopes) >= 2
    assert max(slopes) < 5.0 * min(slopes)


def test_efficiency_puts_each_card_at_its_power_and_speed(result: ReviewResult) -> None:
    figure = draw_efficiency(result, THEME)
    assert figure.axes[0].get_xlabel() == "average power, W"
    for row in (row for row in result.efficiency if row.cut == "all"):
        number = [card.key for card in result.cards].index(row.card)
        (mark,) = by_gid(figure, f"card-{number}")
        assert mark.get_xdata()[0] == pytest.approx(row.average_power_w)
        assert row.frames_per_joule is not None
        assert f"{row.frames_per_joule:.3f} frames/J" in all_text(figure)


def test_the_lists_of_value_and_efficiency_begin_with_the_fastest_card(result: ReviewResult) -> None:
    for draw in (draw_value, draw_efficiency):
        figure = draw(result, THEME)
        heights = {text.get_text(): text.get_position()[1] for text in figure.texts}
        fastest = [card.label for card in sorted(result.cards, key=lambda card: -_speed(figure, result, card.key))]
        assert sorted(fastest, key=lambda label: -heights[label]) == fastest
        assert fastest != [card.label for card in result.cards]


def _speed(figure: Figure, result: ReviewResult, card: str) -> float:
    """Height of the mark of a card."""
    (mark,) = by_gid(figure, f"card-{[item.key for item in result.cards].index(card)}")
    return float(mark.get_ydata()[0])


def test_value_and_efficiency_need_prices_and_power() -> None:
    bare = sample_review(n_scenes=1, prices=False, power=False)
    with pytest.raises(ValueError, match="page must be 0 to -1"):
        draw_value(bare, THEME)
    with pytest.raises(ValueError, match="page must be 0 to -1"):
        draw_efficiency(bare, THEME)
    names = [name for name, _ in review_figures(bare, THEME)]
    assert not any(name.startswith(("value", "efficiency")) for name in names)


def test_every_run_is_a_mark_around_the_mean_of_its_set(result: ReviewResult) -> None:
    figure = draw_repeatability(result, THEME)
    means = {(item.card, item.scene, item.resolution): item.estimates["average_fps"].value for item in result.cells}
    for run in result.runs:
        (mark,) = by_gid(figure, f"run-{run.name}")
        mean, value = means[run.card, run.scene, run.resolution], run.values["average_fps"]
        assert mean is not None
        assert value is not None
        assert mark.get_xdata()[0] == pytest.approx(100.0 * (value / mean - 1.0))
        kind = "x" if run.excluded_reason is not None else "D" if run.flag is not None else "|"
        assert mark.get_marker() == kind
    assert sum(run.flag is not None for run in result.runs) >= 1
    assert "run 2" in all_text(figure)


def test_the_band_of_repeatability_is_two_s_r(result: ReviewResult) -> None:
    figure = draw_repeatability(result, THEME)
    bands = by_gid(figure, "band")
    flagged = {run.card for run in result.runs if run.flag}
    spreads = [item for item in result.repeatability if item.metric == "average_fps"]
    spreads.sort(key=lambda item: item.card not in flagged)
    for band, spread in zip(bands, spreads, strict=True):
        assert spread.s_r_pct is not None
        assert band.get_x() == pytest.approx(-2.0 * spread.s_r_pct)
        assert band.get_width() == pytest.approx(4.0 * spread.s_r_pct)


def test_the_first_page_of_repeatability_has_the_card_with_a_flagged_run() -> None:
    """The report shows that page alone."""
    many = sample_review(n_cards=7, n_scenes=2, resolutions=("1440p",))
    last = many.cards[-1].key
    run = next(run for run in many.runs if run.card == last)
    flag = next(run.flag for run in sample_review(bad_run=True).runs if run.flag)
    flagged = replace(many, runs=tuple(replace(one, flag=flag) if one is run else one for one in many.runs))
    for result, is_shown in ((many, False), (flagged, True)):
        first = next(figure() for name, figure in review_figures(result, THEME) if name == "repeatability-page1")
        assert (many.cards[-1].label in all_text(first)) is is_shown


def test_efficiency_says_of_how_many_runs_its_power_is(result: ReviewResult) -> None:
    assert "of the runs with a sensor log (3 runs each)" in all_text(draw_efficiency(sample_review(), THEME))
    whole = sample_review()
    spoiled = whole.runs[4]
    without = {key: value for key, value in spoiled.values.items() if key != "average_power_w"}
    runs = tuple(replace(run, values=without) if run is spoiled else run for run in whole.runs)
    assert "(2 to 3 runs each)" in all_text(draw_efficiency(replace(whole, runs=runs), THEME))
    runs = tuple(replace(run, excluded_reason="a call") if run is spoiled else run for run in whole.runs)
    assert "(2 to 3 runs each)" in all_text(draw_efficiency(replace(whole, runs=runs), THEME))


def test_every_chart_of_a_review_says_what_its_numbers_are(result: ReviewResult) -> None:
    for name, drawing in review_figures(result, Theme.of("light", "web", notes="full")):
        text = all_text(drawing())
        assert "better" in text, name
        assert re.search(r"\b\d+ runs?\b", text), name
        assert re.search(r"95 % |s_r", text), name
        assert (
            "rames over time." in text
            or "rate that all but the slowest" in text
            or "Rate that all but the slowest" in text
        ), name
        assert re.search(r"\b0 (?:%|fps)|start at 0|from 0", text), name


@pytest.mark.usefixtures("without_bodies")
@pytest.mark.slow
def test_notes_are_short_unless_all_or_none_are_asked_for(result: ReviewResult) -> None:
    full = Theme.of("light", "web", notes="full")
    bare = dict(review_figures(result, replace(full, notes="none")))
    long = dict(review_figures(result, full))
    for name, drawing in review_figures(result, THEME):
        texts = [[text.get_text() for text in draw().texts] for draw in (bare[name], drawing, long[name])]
        short = [text for text in texts[1] if text not in texts[0]]
        bare_length, length, full_length = (len("".join(found)) for found in texts)
        assert bare_length < length < full_length, name
        assert 1 <= len(short) <= 3, (name, short)
        assert re.search(r"\b\d+ runs?\b", " ".join(short)), (name, short)


def test_names_of_figures_are_unique_and_begin_with_the_key(result: ReviewResult) -> None:
    names = [name for name, _ in review_figures(result, THEME)]
    assert len({name.lower() for name in names}) == len(names)
    for name in names:
        assert any(name.startswith(key) for key in keys_for("review")), name
        assert re.fullmatch(r"[A-Za-z0-9.-]+", name)
    chosen = [name for name, _ in review_figures(result, THEME, only=("matrix",))]
    assert sorted(chosen) == ["matrix-card-1", "matrix-card-2"]
    assert chosen[0] == "matrix-card-2"  # the faster one first


def test_charts_of_single_runs_are_made_for_each_cell_when_asked_for(result: ReviewResult) -> None:
    found = review_figures(result, THEME, only=("percentiles",))
    assert len(found) == len(result.cuts[0].cells)
    text = all_text(found[0][1]())
    assert "Harbor · 1080p" in text
    assert "Of each card the run closest to its mean." in text


@pytest.fixture(scope="module")
def many_cards() -> ReviewResult:
    """Twelve cards with long names that differ in their last letters, about the last one."""
    found = sample_review(n_cards=12, n_scenes=2, bad_run=True, with_curves=True)
    cards = tuple(
        replace(card, label=("Brae Fell " * 4)[: 40 - len(str(number))] + str(number))
        for number, card in enumerate(found.cards, 1)
    )
    return replace(found, cards=cards, subject=(cards[-1].key,))


def test_of_many_cards_the_subject_and_the_baseline_are_among_the_runs_drawn(many_cards: ReviewResult) -> None:
    for key in ("frame-time-panels", "frame-time-overlay"):
        text = all_text(dict(review_figures(many_cards, THEME, only=(key,)))[f"{key}-scene-0-1080p"]())
        assert "Of 8 of 12 cards the run closest to its mean." in text
        told = set(re.findall(r"(\d+) · run \d", text))
        assert len(told) == 8, text
        assert {"1", "12"} <= told


@pytest.mark.parametrize("script", ["Brae Fell ", "Βράχος Κύμα ", "Гранит Волна "])
def test_a_long_name_is_shortened_once_in_the_list_of_an_overlay(script: str) -> None:
    few = sample_review(n_cards=2, n_scenes=1, with_curves=True)
    named = replace(few, cards=tuple(replace(card, label=(script * 5)[:39] + card.key[-1]) for card in few.cards))
    figure = review_figures(named, THEME, only=("frame-time-overlay",))[0][1]()
    runs = [text.get_text() for text in figure.texts if " · run " in text.get_text()]
    assert [run.count("…") for run in runs] == [1, 1], runs


def test_of_many_cards_the_subject_alone_has_its_break_even_price_drawn(many_cards: ReviewResult) -> None:
    figure = draw_value(many_cards, THEME)
    assert set(gids(figure, "other-card")) == {"other-card-11"}
    assert "break-even price" in all_text(figure)
    figure = draw_value(replace(many_cards, subject=()), THEME)
    assert not set(gids(figure, "other-card"))
    assert "break-even price" not in all_text(figure)


def test_one_narrow_page_holds_what_a_few_cards_cost_panel_below_panel() -> None:
    theme = Theme.of("light", "print-85mm")
    (page,) = review_figures(sample_review(n_cards=3, n_scenes=2), theme, only={"costs"})
    panels = [axes.get_position() for axes in page[1]().axes]
    assert len(panels) >= 3
    assert all(above.y0 > below.y1 and above.x0 == below.x0 for above, below in pairwise(panels))
    assert len(review_figures(sample_review(n_cards=12, n_scenes=2), theme, only={"costs"})) == len(panels)


def test_names_of_scenes_are_whole_where_smaller_letters_have_room_for_them() -> None:
    names = ("Bottling Hall", "Harbor Regatta", "Paper Lanterns", "Fern Pavilion", "Orchard Lane")
    result = sample_review(n_cards=2, n_scenes=5)
    scenes = tuple(replace(scene, label=name) for scene, name in zip(result.scenes, names, strict=True))
    pages = review_figures(replace(result, scenes=scenes), Theme.of("light", "print-85mm"), only={"pair"})
    told = [text.get_text() for text in pages[0][1]().findobj(Text)]
    assert {*names} <= {*told} and not [text for text in told if "…" in text]


def test_a_name_that_just_fits_is_whole_at_every_size() -> None:
    """Letters are as large as the longest name allows: rounding must not cut it."""
    few = sample_review(n_cards=3, n_scenes=2)
    for length in (20, 24, 28, 32, 36, 39):
        named = ("Brae Fell " * 4)[:length]
        cards = tuple(replace(card, label=named + card.key[-1]) for card in few.cards)
        for size in ("web", "video-1080p", "print"):
            figure = draw_costs(replace(few, cards=cards), Theme.of("light", size))
            texts = [text for text in figure.texts if text.get_text().startswith("Brae")]
            if texts[0].get_fontsize() > 1.001 * Theme.of("light", size).em_pt:
                assert {text.get_text() for text in texts} == {card.label for card in cards}


@pytest.mark.parametrize("key", ["standings", "pair", "scene-bars"])
def test_no_interval_beside_a_bar_is_written_as_none(key: str) -> None:
    """A card a hundred times as fast sets the scale, and left ``12 (12 to 12)`` to the other."""
    runs = [
        placed_run(card, "harbor", "1440p", str(number), {"average_fps": fps * factor})
        for card, fps in (("amber-6", 1200.0), ("birch-9", 12.0))
        for number, factor in enumerate((0.998, 1.0, 1.002), start=1)
    ]
    result = review_runs(design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=METRICS[:1]), runs)
    told = all_text(review_figures(result, THEME, only={key})[0][1]())
    intervals = re.findall(r"(1[12]\.?\d*) \((\S+) to (\S+)\)", told)
    assert intervals and all(float(low) < float(value) < float(high) for value, low, high in intervals), told


def test_which_way_is_better_is_said_of_the_panels_that_are_shown() -> None:
    told = all_text(draw_costs(sample_review(n_cards=3, n_scenes=2), Theme.of("light", "web")))
    assert "Lower is better for price per frame and average power. Higher is better for frames per joule." in told


def test_where_the_baseline_has_no_runs_nothing_is_judged_and_twelve_short_names_stay_whole() -> None:
    lacking = [("card-0", f"scene-{number}", "2160p") for number in range(2)]
    review = sample_review(n_cards=12, n_scenes=2, n_cuts=6, lacking=lacking)
    labels = [f"Vela {100 + 10 * number}" for number in range(12)]
    cards = tuple(replace(card, label=label) for card, label in zip(review.cards, labels, strict=True))
    review = replace(review, cards=cards)
    texts = [text.get_text() for text in draw_scene_bars(review, THEME, scene="scene-0").findobj(Text)]
    assert all(texts.count(label) == 3 for label in labels) and not [text for text in texts if "…" in text]
    assert texts.count("n/a") == 11 and texts.count("no runs") == 1
    place = next(
        at for at, item in enumerate(review.comparisons) if (item.scene, item.resolution) == ("scene-0", "1080p")
    )
    one_less = [replace(item, ratio=None) if at == place else item for at, item in enumerate(review.comparisons)]
    drawn = draw_scene_bars(replace(review, comparisons=tuple(one_less)), THEME, scene="scene-0")
    assert [text.get_text() for text in drawn.findobj(Text)].count("n/a") == 12
    without, with_all = (all_text(draw_standings(review, THEME, cut=cut)) for cut in ("2160p", "1080p"))
    assert "Whisker" in with_all and "Whisker" not in without and "Apart" not in without


def test_a_chart_of_two_cards_counts_the_runs_of_these() -> None:
    """In the whole review are cells of two runs, and none of them is of these cards."""
    review = sample_review(n_cards=3, n_scenes=2)
    last = [item.card == "card-2" for item in review.cells]
    cells = [
        replace(item, run_names=item.run_names[:2]) if at else item for item, at in zip(review.cells, last, strict=True)
    ]
    changed = replace(review, cells=tuple(cells))
    assert "Mean of 3 runs." in all_text(draw_pair(changed, THEME, candidate="card-1"))
    assert "2 to 3 runs each" in all_text(draw_standings(changed, THEME))


def test_short_names_come_before_long_remarks_and_long_names_leave_room_for_them() -> None:
    def columns(label: str, remark: str) -> tuple[float, float]:
        return _columns([BarRow(label, remark, remark, [])], 200.0, 10.0, 10.0)

    remark = "neither ahead nor behind of any other"
    assert columns("Vela 240", remark)[0] - 9.0 == pytest.approx(text_width_pt("Vela 240", 10.0), rel=1e-9)
    long = columns("Vela 240 with a long name and a quiet fan", "not told apart")
    assert long[1] - 9.0 == pytest.approx(min(text_width_pt("not told apart", 10.0), 72.0))
    for found in (columns("Vela 240", remark), long):
        assert sum(found) <= 0.64 * 200.0 + 9.0 + 1e-9
    # Names of a usual length are whole beside the longest verdict of a cell.
    usual = columns("Vela 24 Plus", "undecided")
    assert usual[0] - 9.0 == pytest.approx(text_width_pt("Vela 24 Plus", 10.0))


@pytest.mark.parametrize("size", ["web", "print-85mm"])
def test_verdicts_and_places_beside_long_names_are_not_cut(many_cards: ReviewResult, size: str) -> None:
    theme = Theme.of("light", size)
    for draw, said in (
        (draw_standings(many_cards, theme), "place 1"),
        (draw_scene_bars(many_cards, theme, scene="scene-0"), "undecided"),
    ):
        texts = [text.get_text() for text in draw.findobj(Text)]
        assert said in texts
        assert not [text for text in texts if "…" in text and not text.startswith("Brae")]


def test_scenes_stand_once_left_of_the_panels_of_a_pair_which_are_equally_wide() -> None:
    review = sample_review(n_cards=2, n_scenes=6)
    figure = draw_pair(review, THEME, candidate="card-1")
    texts = [text.get_text() for text in figure.texts]
    assert [texts.count(scene.label) for scene in review.scenes] == [1] * 6
    assert sum(text[:1] in "+−" and text.endswith(" %") for text in texts) == 18
    places = [axes.get_position() for axes in figure.axes]
    assert [place.width for place in places] == pytest.approx([places[0].width] * 3)
    assert places[0].x1 < places[1].x0 and places[1].x1 < places[2].x0 and places[2].x1 < 1.0
    narrow = draw_pair(review, Theme.of("light", "print-85mm"), candidate="card-1")
    texts = [text.get_text() for text in narrow.texts]
    assert {texts.count(scene.label) for scene in review.scenes} == {len(narrow.axes)}


def test_long_names_left_of_the_bars_leave_them_room_and_are_alike_in_all_panels(many_cards: ReviewResult) -> None:
    first, second = (draw_scene_bars(many_cards, THEME, scene="scene-0", page=page) for page in (0, 1))
    assert [len(figure.axes) for figure in (first, second)] == [2, 1]
    assert len(draw_scene_bars(sample_review(n_cards=12, n_scenes=2), THEME, scene="scene-0").axes) == 3
    for figure in (first, draw_costs(many_cards, THEME)):
        names = [text.get_text() for text in figure.texts if text.get_text().startswith("Brae")]
        assert {names.count(name) for name in names} == {len(figure.axes)}
        for axes in figure.axes:
            longest = max(axes.transData.transform((bar.get_width(), 0.0))[0] for bar in axes.patches)
            assert longest - axes.transData.transform((0.0, 0.0))[0] > 5.0 * THEME.em_pt * figure.dpi / 72.0


def test_typical_runs_lie_closest_to_the_mean(result: ReviewResult) -> None:
    chosen = typical_runs(result, ("scene-1", "1440p"))
    for summary in result.cells:
        if (summary.scene, summary.resolution) != ("scene-1", "1440p"):
            continue
        estimate = summary.estimates["average_fps"]
        assert estimate.value is not None
        distances = [abs((value or 0.0) - estimate.value) for value in estimate.run_values]
        best = summary.run_names[int(np.argmin(distances))]
        entry = chosen[summary.card]
        assert entry is not None
        assert entry.name == best


def test_two_keys_that_look_alike_in_a_file_name_are_kept_apart() -> None:
    assert safe_name("night/market") == safe_name("night:market")
    assert safe_name("CON...") == "CON"
    assert len(safe_name("x" * 300)) == 40


def test_change_words_have_one_decimal_whatever_the_interval() -> None:
    assert change_words(1.032, Interval(low=1.01, high=1.054, level=0.95, method="")) == "+3.2 % (+1.0 to +5.4 %)"
    assert change_words(0.5, Interval(low=0.01, high=9.0, level=0.95, method="")) == "−50.0 % (−99.0 to +800.0 %)"
    assert change_words(1.5, None) == "+50.0 % (no interval)"
    assert change_words(None, None) == "n/a"


@pytest.mark.parametrize(("span", "most", "step"), [(100.0, 5, 20.0), (7.0, 4, 2.0), (0.35, 5, 0.1), (9.0, 4, 2.5)])
def test_round_ticks(span: float, most: int, step: float) -> None:
    ticks = round_ticks(0.0, span, most)
    assert ticks[0] == 0.0
    assert ticks[1] == pytest.approx(step)
    assert len(ticks) <= most + 1


def test_two_ticks_at_least_unless_one_is_enough() -> None:
    assert len(round_ticks(0.9, 2.1, 1)) >= 2
    assert len(round_ticks(0.9, 2.1, 1, least=1)) < 2


def test_tick_labels_have_equal_decimals_and_a_true_minus() -> None:
    assert tick_labels([-0.25, 0.0, 0.5]) == ["−0.25", "0.00", "0.50"]


def test_the_tail_scale_and_its_inverse() -> None:
    shares = np.array([0.0, 12.5, 90.0, 99.0, 99.99])
    assert tail_position(shares)[[0, 2, 3, 4]] == pytest.approx([0.0, 1.0, 2.0, 4.0])
    assert tail_share_pct(tail_position(shares)) == pytest.approx(shares)


def test_the_catalog_names_each_chart_once() -> None:
    assert all(chart.key == key and chart.caption.endswith(".") for key, chart in CATALOG.items())


def test_few_rows_use_the_room_above_the_foot() -> None:
    few = sample_review(n_scenes=5, n_cards=3)
    for size in ("web", "video-1080p", "print-85mm"):
        theme = Theme.of("light", size)
        (axes,) = draw_standings(few, theme).axes
        drawn_em = [
            axes.get_position().height * theme.size.height_pt / theme.em_pt,
            max(patch.get_height() for patch in axes.patches if patch.get_gid()),
        ]
        assert drawn_em[0] > 22.0
        assert drawn_em[1] > 1.4
    # What is left between the lowest cell of the matrix and the rule above its foot, as a share of the figure.
    figure, height_pt = draw_verdict_matrix(few, THEME, candidate="card-1"), THEME.size.height_pt
    lowest = min(box.get_y() for box in figure.findobj(Rectangle) if 0.03 < box.get_height() / height_pt < 0.5)
    rule = max(line.get_ydata()[0] for line in figure.findobj(Line2D) if len(line.get_xdata()) == 2)
    assert 0.0 < (lowest - rule) / height_pt < 0.05


def test_every_line_of_equal_value_has_its_label() -> None:
    for theme in (THEME, Theme.of("light", "print-85mm")):
        for n_cards, draw in ((2, draw_value), (3, draw_value), (8, draw_value), (16, draw_efficiency)):
            review = sample_review(n_cards=n_cards, n_scenes=2, n_runs=1, resolutions=("1440p",))
            figure = draw(review, theme)
            lines = gids(figure, "slope-")
            assert lines
            labels = [text.get_text().split(" ")[0] for text in words_beside(figure.axes[0])]
            for line in lines:
                slope = float(line.removeprefix("slope-"))
                assert any(
                    label.replace(".", "", 1).isdigit() and float(label) == pytest.approx(slope) for label in labels
                )


def test_a_card_alone_is_not_compared_placed_or_set_off() -> None:
    alone = replace(sample_review(n_cards=1, n_scenes=2), subject=("card-0",))
    drawn = {name: drawing() for name, drawing in review_figures(alone, THEME)}
    assert {name.partition("-")[0] for name in drawn} == {"standings", "scene", "costs", "repeatability"}
    said = {name: all_text(figure) for name, figure in drawn.items()}
    for text in said.values():
        assert not re.search(r"best first|place 1|baseline|[Vv]erdict|what this review is about", text, re.IGNORECASE)
    assert "nothing is compared" in said["standings-all"]
    # Without a flagged run there is none to look for.
    assert "flagged" not in said["repeatability"].lower()
    assert "Names mark" not in said["repeatability"]
    flagged = all_text(draw_repeatability(sample_review(n_cards=2, n_scenes=2, bad_run=True), THEME))
    assert "Flagged: 1 of 36 runs" in flagged
    assert "Names mark runs to look at." in flagged


def test_words_beside_a_mark_lie_on_no_line() -> None:
    looks = {"marker": "o", "face": "none", "edge": "#000000", "gid": "mark", "size": 1.1}
    places = [(2.0, 2.0), (5.0, 4.0), (8.0, 7.0)]
    line = Curve(*zip(*places, strict=True), "#000000", "line")
    marks = [line, *(Dots(x, y, words=f"setting {x:g}", **looks) for x, y in places)]  # type: ignore[arg-type]
    plot = Plot(marks=marks, x_limits=(0.0, 10.0), y_limits=(0.0, 10.0), grid="both")
    with THEME.settings():
        sheet = Sheet(THEME, replace(CATALOG["tuning-power"], title="", lead="", notes=(), full=()))
        Plots(columns=[[plot]]).draw(sheet)
        sheet.figure.draw_without_rendering()
        (axes,) = sheet.figure.axes
        assert [text.get_text() for text in words_beside(axes)] == ["setting 8", "setting 5", "setting 2"]
        ends = np.linspace(places[:-1], places[1:], 500).reshape(-1, 2)
        on_line = axes.transData.transform(ends)
        for text in words_beside(axes):
            (x0, y0), (x1, y1) = text.get_window_extent().get_points()
            assert not np.any((x0 < on_line[:, 0]) & (on_line[:, 0] < x1) & (y0 < on_line[:, 1]) & (on_line[:, 1] < y1))


def test_names_of_flagged_runs_lie_on_no_mark() -> None:
    looks = {"ys": 0.5, "marker": "|", "face": "none", "edge": "#000000", "gid": "run", "size": 0.6}
    marks = [*(Dots(xs=x, **looks) for x in (0.2, 0.4)), Dots(xs=-0.6, words="run 2", **looks)]  # type: ignore[arg-type]
    plot = Plot(marks=marks, x_limits=(-8.0, 8.0), y_limits=(1.0, 0.0), name="card", y_ticks="none")
    with THEME.settings():
        sheet = Sheet(THEME, replace(CATALOG["repeatability"], title="", lead="", notes=(), full=()))
        Plots(columns=[[plot]], rows=[Row(0.5, "cell")]).draw(sheet)
        sheet.figure.draw_without_rendering()
        (axes,) = sheet.figure.axes
        (name,) = words_beside(axes)
        box = name.get_window_extent()
        places = [
            axes.transData.transform((np.ravel(line.get_xdata())[0], 0.5))[0] for line in by_gid(sheet.figure, "run")
        ]
    assert len(places) == 3
    assert not [x for x in places if box.x0 <= x <= box.x1]


def test_one_cell_is_not_spoken_of_as_several() -> None:
    result = sample_review(n_scenes=1, resolutions=("2160p",), n_cards=2)
    assert re.search(r"of 1 cell\b", all_text(draw_verdict_matrix(result, THEME, candidate="card-1")))
    figure = draw_standings(sample_review(n_cards=1), THEME)
    box = figure.axes[0].get_position()
    assert 0.3 < (box.y0 + box.y1) / 2.0 < 0.6  # one card stands in the middle
