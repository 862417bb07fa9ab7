"""Charts of tuning show the numbers of the summary and of the verdict, and no text lies on another."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from capture_samples import capture_of, measured, sample_capture, sample_sensors, sample_times_ms
from chart_reading import all_text, by_gid, gids, outside, overlaps, shown_texts, x_labels

from frametime.capture import Capture
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.tuning_record import summarize_file
from frametime.render.charts.frame_times import draw_endurance
from frametime.render.charts.theme import Theme
from frametime.render.charts.tuning_charts import (
    draw_tuning_gain,
    draw_tuning_map,
    draw_tuning_power,
    gain_lines,
    powered,
    tuning_figures,
)
from frametime.tuning.endurance_verdict import judge_endurance
from frametime.tuning.record import STOCK
from frametime.tuning.tuning_summary import TuningSummary

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

RECORD = Path(__file__).parents[3] / "reference_logs" / "review" / "tuning" / "tuning.toml"
THEMES = [Theme.of("light", "web"), Theme.of("dark", "video-1080p"), Theme.of("light", "print-85mm")]
THEME = THEMES[0]


@cache
def summary() -> TuningSummary:
    return summarize_file(str(RECORD))


def test_the_map_has_a_mark_for_every_setting_tried() -> None:
    figure = draw_tuning_map(summary(), THEME)
    axes = figure.axes[0]
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("core offset, MHz", "memory offset, MHz")
    edge = {item.setting for item in summary().past_edge}
    for cell in summary().map:
        core, memory = cell.setting.core_offset_mhz, cell.setting.memory_offset_mhz
        (mark,) = by_gid(figure, f"{cell.status}-{core}-{memory}")
        assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (core, memory)
        assert (mark.get_marker() in "PXdhp*") == (cell.status == "failed")
        assert (mark.get_marker() == "v") == (cell.setting in edge and cell.status != "failed")
    ends = {row.outcome for row in summary().trials if row.failure is not None}
    assert ends
    assert all(f"failed: {end.replace('-', ' ')}" in all_text(figure) for end in ends)
    for setting, gid in ((summary().best, "best"), (summary().everyday, "everyday")):
        assert setting is not None
        (ring,) = by_gid(figure, gid)
        assert (ring.get_xdata()[0], ring.get_ydata()[0]) == (setting.core_offset_mhz, setting.memory_offset_mhz)


def test_the_map_names_workload_gain_and_dangers() -> None:
    text = all_text(draw_tuning_map(summary(), THEME))
    assert f"under {summary().workloads[-1]}, the heaviest workload" in text
    gain = summary().best_gain
    assert gain is not None
    assert f"{100.0 * (gain.value - 1.0):+.1f} %" in text
    assert "unstable" in text


def test_gains_are_those_of_the_settings() -> None:
    figure = draw_tuning_gain(summary(), THEME)
    lines = gain_lines(summary(), "core") + gain_lines(summary(), "memory")
    assert lines
    for number, line in enumerate(lines):
        (drawn,) = by_gid(figure, f"gain-{number}")
        expected = [
            0.0 if row.setting == STOCK else 100.0 * (row.gain.value - 1.0)
            for row in line.rows
            if row.gain or row.setting == STOCK
        ]
        assert list(drawn.get_ydata()) == pytest.approx(expected)
        assert list(drawn.get_xdata()) == sorted(drawn.get_xdata())
        for row in line.rows:
            if row.gain is not None and row.gain.interval is not None:
                offset = getattr(row.setting, f"{line.clock}_offset_mhz")
                (whisker,) = by_gid(figure, f"interval-{number}-{offset}")
                ends = [100.0 * (row.gain.interval.low - 1.0), 100.0 * (row.gain.interval.high - 1.0)]
                assert list(whisker.get_ydata()) == pytest.approx(ends)
    assert {axes.get_xlabel() for axes in figure.axes} == {"core offset, MHz", "memory offset, MHz"}
    assert all(axes.get_ylabel() == "gain over stock" for axes in figure.axes)


def with_power() -> TuningSummary:
    rows = [row for row in summary().settings if row.workload == summary().workloads[-1]]
    rows = [
        replace(row, average_power_w=200.0 + 7.0 * number, is_frontier=number % 2 == 0)
        for number, row in enumerate(rows)
    ]
    return replace(summary(), settings=tuple(rows))


def test_speed_stands_against_power_with_stock_and_the_frontier_marked() -> None:
    figure = draw_tuning_power(with_power(), THEME)
    drawn = powered(with_power())
    assert 1 < len(drawn) < len(with_power().settings), "of the demo's settings one has failed since"
    for row in drawn:
        (mark,) = by_gid(figure, f"power-{row.setting}")
        assert (mark.get_xdata()[0], mark.get_ydata()[0]) == pytest.approx((row.average_power_w, row.average_fps))
        assert mark.get_marker() == ("s" if row.setting == STOCK else "o")
    of_note = {STOCK, summary().best, summary().everyday}
    beaten, kept = (
        [by_gid(figure, f"power-{row.setting}")[0] for row in drawn if is_kept(row)]
        for is_kept in (
            lambda row: not row.is_frontier and row.setting not in of_note,
            lambda row: row.is_frontier or row.setting in of_note,
        )
    )
    assert min(mark.get_zorder() for mark in beaten) > max(mark.get_zorder() for mark in kept)
    assert max(mark.get_markersize() for mark in beaten) < min(mark.get_markersize() for mark in kept)
    (line,) = by_gid(figure, "frontier")
    frontier = sorted((row.average_power_w, row.average_fps) for row in drawn if row.is_frontier)
    assert np.column_stack([line.get_xdata(), line.get_ydata()]) == pytest.approx(np.array(frontier))
    assert "stock" in all_text(figure)
    assert f"axis from {figure.axes[0].get_xlim()[0]:.0f}" in figure.axes[0].get_xlabel()
    bare = replace(summary(), settings=tuple(replace(row, average_power_w=None) for row in summary().settings))
    with pytest.raises(ValueError, match="two settings with power"):
        draw_tuning_power(bare, THEME)
    assert "tuning-power" not in dict(tuning_figures(bare, THEME))
    assert "tuning-power" in dict(tuning_figures(with_power(), THEME))


def test_settings_past_the_edge_are_marked() -> None:
    assert summary().past_edge
    gain = draw_tuning_gain(summary(), THEME)
    assert gids(gain, "edge-")
    assert "past the edge" in [text.get_text() for text in gain.texts]
    none = draw_tuning_gain(replace(summary(), past_edge=()), THEME)
    assert "past the edge" not in [text.get_text() for text in none.texts]


def test_a_line_needs_two_settings() -> None:
    alone = replace(summary(), settings=summary().settings[:1])
    with pytest.raises(ValueError, match="two measured settings that differ in one clock"):
        draw_tuning_gain(alone, THEME)
    assert [name for name, _ in tuning_figures(alone, THEME)] == ["tuning-map"]
    assert tuning_figures(replace(alone, map=()), THEME) == []


@cache
def long_run(*, minutes: float = 12.0, with_sensors: bool = True) -> Capture:
    times_ms = sample_times_ms(int(60 * 100 * minutes), fps=100.0, n_hitches=4, hitch_ms=300.0)
    return capture_of(times_ms, sensors=sample_sensors(60.0 * minutes) if with_sensors else None)


def test_an_endurance_run_has_one_time_axis_and_every_criterion() -> None:
    capture, run = long_runs()[0]
    verdict = judge_endurance(capture, run)
    figure = draw_endurance(capture, run, verdict, THEME)
    assert len(figure.axes) == 4
    assert len({axes.get_xlim() for axes in figure.axes}) == 1
    assert figure.axes[-1].get_xlabel() == "time since the first frame, min"
    labels = x_labels(figure.axes[-1])
    assert len(labels) > 2
    assert list(labels) == pytest.approx([60.0 * float(label) for label in labels.values()])
    text = all_text(figure)
    assert verdict.word in text
    for item in verdict.criteria:
        assert f"{item.label}: {item.state}" in text
    shaded = by_gid(figure, "throttling")
    assert len(shaded) == 4 * len(run.findings.throttling)
    assert run.findings.throttling
    assert shaded[0].get_x() == pytest.approx(run.findings.throttling[0].start_s)


@cache
def long_runs() -> list[tuple[Capture, MeasuredRun]]:
    options = MeasureOptions(temperature_limit_c=70.0, power_limit_w=240.0)
    captures = (long_run(), sample_capture(600), long_run(minutes=8.0, with_sensors=False))
    return [(capture, measured(capture, options)) for capture in captures]


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.size.key)
def test_texts_fit(theme: Theme) -> None:
    drawn = [drawing() for _, drawing in tuning_figures(with_power(), theme)]
    for capture, run in long_runs():
        drawn.append(draw_endurance(capture, run, judge_endurance(capture, run), theme))
    for figure in drawn:
        texts = shown_texts(figure, theme)
        assert overlaps(texts) == []
        assert outside(figure, texts) == []


@pytest.mark.parametrize(("limit_c", "words"), [(150.0, "limit 150 above the axis"), (70.0, "dashed: limit 70")])
def test_a_limit_that_is_not_drawn_is_not_called_dashed(limit_c: float, words: str) -> None:
    capture = long_run(minutes=8.0)
    run = measured(capture, MeasureOptions(temperature_limit_c=limit_c))
    text = all_text(draw_endurance(capture, run, judge_endurance(capture, run), THEME))
    assert words in text
    assert ("dashed" in text) == words.startswith("dashed")
