"""No text lies on another or is cut, in any chart, for awkward reviews and captures."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial

import numpy as np
import pytest
from capture_samples import capture_of, measured, sample_capture
from chart_reading import outside, overlaps, shown_texts
from matplotlib.figure import Figure
from matplotlib.text import Text
from review_samples import sample_review

from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.drawings import Drawing, review_figures
from frametime.render.charts.frame_times import draw_frame_times
from frametime.render.charts.matrix import draw_verdict_matrix
from frametime.render.charts.review_view import ReviewView
from frametime.render.charts.run_charts import draw_distribution, draw_frame_time_panels, draw_percentiles
from frametime.render.charts.run_traces import RunTrace, labels_of, trace_of_series
from frametime.render.charts.theme import Theme
from frametime.review.result import ReviewResult

REVIEWS = {
    "usual": {"missing": True, "bad_run": True, "n_cuts": 5, "exclude": True},
    "one cell, one run": {"n_scenes": 1, "resolutions": ("2160p",), "n_runs": 1, "n_cards": 2, "n_cuts": 1},
    "forty cells, long labels": {"n_scenes": 14, "n_runs": 2, "long_labels": True, "n_cuts": 3},
    "forty scenes, one resolution": {"n_scenes": 40, "resolutions": ("1440p",), "long_labels": True},
    "no interval": {"n_scenes": 4, "n_runs": 1},
    "runs that disagree": {"n_scenes": 3, "n_runs": 2, "noise": 0.3, "n_cuts": 3},
    "five fps": {"fps": 5.0, "n_scenes": 3},
    "nine hundred fps, eight cards": {"fps": 900.0, "n_cards": 8, "n_scenes": 3, "long_labels": True},
    "sixteen cards": {"n_cards": 16, "n_scenes": 2, "resolutions": ("1440p",)},
    "frame time as headline": {"metrics": ("p99_frame_time_ms",), "n_scenes": 3, "power": False},
    "five resolutions": {"resolutions": ("720p", "1080p", "1440p", "2160p", "4320p"), "n_scenes": 6, "n_cards": 2},
    "no prices, no power": {"prices": False, "power": False, "n_scenes": 2},
}

TIGHTEST = ("forty cells, long labels", "nine hundred fps, eight cards")
"""Reviews whose charts have least room; the others are for the slow sweep."""


@cache
def review_of(name: str) -> ReviewResult:
    return sample_review(**REVIEWS[name])  # type: ignore[arg-type]


THEMES = (Theme.of("light", "web"), Theme.of("light", "print-85mm"))


def assert_fits(figure: Figure, theme: Theme) -> None:
    texts = shown_texts(figure, theme)
    assert texts
    assert min(text.get_fontsize() for text in figure.findobj(Text)) >= 6.0  # points: the least that print can hold
    assert overlaps(texts) == []
    assert outside(figure, texts) == []


@pytest.mark.parametrize("figure", [-1, pytest.param(0, marks=pytest.mark.slow)], ids=["last", "first"])
@pytest.mark.parametrize("size", ["web", pytest.param("print-85mm", marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    "name", [name if name in TIGHTEST else pytest.param(name, marks=pytest.mark.slow) for name in REVIEWS]
)
def test_texts_of_review_charts(name: str, size: str, figure: int) -> None:
    """Of each chart the last figure, and where it has several the first: the others differ in their numbers only."""
    result, theme = review_of(name), Theme.of("light", size)
    for chart, drawing in one_of_each(review_figures(result, theme), figure):
        try:
            assert_fits(drawing(), theme)
        except AssertionError as error:
            raise AssertionError(f"{chart}: {error}") from error


def one_of_each(drawings: list[tuple[str, Drawing]], figure: int) -> list[tuple[str, Drawing]]:
    """The figure of each chart at this place; the first only of those whose last is another."""
    found: dict[str, list[tuple[str, Drawing]]] = {}
    for name, drawing in drawings:
        key = next(key for key in sorted(CATALOG, key=len, reverse=True) if name.startswith(key))
        found.setdefault(key, []).append((name, drawing))
    return [pairs[figure] for pairs in found.values() if figure == -1 or len(pairs) > 1]


@cache
def traces_of(n_runs: int, *, label: str = "") -> list[RunTrace]:
    rates = np.geomspace(5.0, 900.0, n_runs)
    captures = [
        sample_capture(900, fps=float(fps), seed=number, card=f"Card {number + 1}{label}")
        for number, fps in enumerate(rates)
    ]
    runs = [measured(capture) for capture in captures]
    _, labels = labels_of(runs)
    return [
        trace_of_series(FrameSeries.of(capture, run.options), run, n_columns=600, label=name)
        for capture, run, name in zip(captures, runs, labels, strict=True)
    ]


@pytest.mark.parametrize("n_runs", [1, 8, *(pytest.param(n, marks=pytest.mark.slow) for n in (3, 4))])
@pytest.mark.parametrize("label", ["", " with the factory overclock, the quiet fan profile and a 320 W power limit"])
@pytest.mark.parametrize("draw", [draw_frame_time_panels, draw_percentiles, draw_distribution])
@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.size.key)
def test_texts_of_charts_of_several_runs(theme: Theme, draw: Callable[..., Figure], label: str, n_runs: int) -> None:
    assert_fits(draw(traces_of(n_runs, label=label), theme), theme)


CAPTURES: dict[str, Callable[[], Capture]] = {
    "two frames": lambda: capture_of(np.array([10.0, 12.0])),
    "one frame": lambda: capture_of(np.array([10.0])),
    "five fps": lambda: sample_capture(100, fps=5.0),
    "nine hundred fps": lambda: sample_capture(30_000, fps=900.0),
    "sensors": lambda: sample_capture(4500, with_sensors=True),
    "many freezes": lambda: sample_capture(9000, n_hitches=60, hitch_ms=900.0),
    "equal frames": lambda: capture_of(np.full(600, 16.0)),
    "long names": lambda: sample_capture(
        500, card="A card whose name goes on " * 8, scene="A scene whose name goes on " * 8
    ),
    "foreign names": lambda: sample_capture(
        500, card="<script>$a_1^{2}$\n\x1b[31m港 \u202eab", scene="\\frac{1}{2} 100 % $"
    ),
}


@cache
def run_of(name: str) -> tuple[Capture, MeasuredRun]:
    capture = CAPTURES[name]()
    return capture, measured(capture, MeasureOptions(temperature_limit_c=85.0, power_limit_w=260.0))


@pytest.mark.parametrize("name", CAPTURES)
@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.size.key)
def test_texts_of_frame_times(theme: Theme, name: str) -> None:
    assert_fits(draw_frame_times(*run_of(name), theme), theme)


def test_a_narrow_chart_is_as_wide_as_a_column_and_grows_in_height() -> None:
    theme = THEMES[1]
    few, many = (draw_frame_time_panels(traces_of(count), theme) for count in (2, 8))
    for figure in (few, many):
        assert figure.get_figwidth() * 25.4 == pytest.approx(85.0)
    assert few.get_figheight() == theme.size.height_in
    assert many.get_figheight() > theme.size.height_in
    # Other sizes are what they are named for.
    assert draw_frame_time_panels(traces_of(8), THEMES[0]).get_figheight() == THEMES[0].size.height_in


def test_a_narrow_matrix_shows_no_more_resolutions_than_fit() -> None:
    result = review_of("five resolutions")
    shown = [resolutions for _, resolutions in draw_verdict_matrix.pages(ReviewView(result, THEMES[1]))]
    assert shown == [("720p", "1080p", "1440p"), ("2160p", "4320p")]
    wide = draw_verdict_matrix.pages(ReviewView(result, THEMES[0]))
    assert {resolutions for _, resolutions in wide} == {tuple(result.resolutions)}


@pytest.mark.slow
@pytest.mark.parametrize("size", ["web-2x", "video-1080p", "video-4k", "print-180mm"])
@pytest.mark.parametrize("palette", ["light", "dark"])
def test_texts_at_other_sizes(size: str, palette: str) -> None:
    theme = Theme.of(palette, size)
    capture = sample_capture(4500, with_sensors=True)
    run = measured(capture)
    result = sample_review(n_scenes=5, n_cuts=3, bad_run=True)
    drawings = dict(review_figures(result, theme))
    wanted = ("standings-all", "scene-bars-scene-1", "ratios-card-1", "matrix-card-1", "value-all", "repeatability")
    for drawing in (partial(draw_frame_times, capture, run, theme), *(drawings[name] for name in wanted)):
        assert_fits(drawing(), theme)
