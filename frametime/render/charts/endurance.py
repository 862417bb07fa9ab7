"""A long run on one time axis: frame times, power, temperature, clock, and the verdict criterion by criterion."""

from __future__ import annotations

import math
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametime.capture import Capture
from frametime.metrics.metric import MeasuredRun
from frametime.render.charts.axis_scales import round_ticks, size_of, tick_labels
from frametime.render.charts.chart_sheet import Sheet, x_caption
from frametime.render.charts.frame_times import (
    beyond_words,
    draw_run,
    frame_time_top,
    pixel_columns,
    places_beyond,
    trace_key,
    traced,
)
from frametime.render.charts.run_traces import FRAME_TIME, run_figures
from frametime.render.charts.sensor_lanes import LANE_EM
from frametime.render.charts.text_fit import shorten, wrap
from frametime.render.charts.theme import Theme
from frametime.tuning.judging.criterion import Criterion
from frametime.tuning.judging.endurance_verdict import EnduranceVerdict
from frametime.words import counted

_TABLE_EM: Final = 27.0
_LINE_EM: Final = 1.35
_NARROW_TIMES_EM: Final = 42.0
_NARROW_ROW_EM: Final = 4.1
_LONG_S: Final = 300.0
_MARKERS: Final = {"passed": "s", "failed": "X", "not measurable": "o"}


def draw_endurance(
    source: Capture | None, run: MeasuredRun, verdict: EnduranceVerdict, theme: Theme, *, n_columns: int | None = None
) -> Figure:
    """Frame times and sensors of a long run, with the criteria beside them.

    Parameters
    ----------
    source : Capture or None
        The capture of the run, for its sensors and every frame.
    run : MeasuredRun
    verdict : EnduranceVerdict
        Of the run.
    theme : Theme
    n_columns : int or None
        As in ``draw_frame_times``.

    Returns
    -------
    Figure
        The first axes hold the frame times, the others one sensor quantity each.
    """
    trace, lanes = traced(source, run, pixel_columns(theme) if n_columns is None else n_columns)
    criteria_em = _NARROW_ROW_EM * len(verdict.criteria) + 1.5
    theme = theme.at_least(_NARROW_TIMES_EM + len(lanes) * LANE_EM + criteria_em)
    with theme.settings():
        top_ms = frame_time_top([trace])
        beyond = places_beyond(trace, top_ms).size
        changes = [] if run.findings.drift is None else run.findings.drift.changes
        sheet = Sheet(
            theme,
            title=f"Endurance run: {verdict.word}",
            lead=f"{trace.label} · {run_figures(trace)}",
            notes=[
                f"{verdict.sentence} Lower and more even is better. One run of {counted(trace.n_frames, 'frame')}: no "
                "interval.",
                beyond_words(beyond, top_ms),
                "Shaded: the clock fell while temperature or power stood at its limit."
                if run.findings.throttling
                else "",
                "Upright line: the frame times change to another level or spread." if changes else "",
            ],
            full=[FRAME_TIME],
        )
        sheet.key(trace_key([trace], theme, beyond=beyond > 0))
        table, room = (sheet.right - _TABLE_EM * sheet.em, sheet.top), sheet.height
        right = table[0] - 2.0 * sheet.em
        if theme.is_narrow:
            room, right = (criteria_em - 1.0) * sheet.em, sheet.right
            table = sheet.left, sheet.below(room) - 0.5 * sheet.em
        lowest = draw_run(sheet, trace, lanes, top_ms, right)
        for panel in sheet.figure.axes:
            _events(panel, run, theme)
        _time_axis(lowest, trace.duration_s, theme)
        _criteria(sheet, verdict.criteria, table, room)
        return sheet.figure


def _events(axes: Axes, run: MeasuredRun, theme: Theme) -> None:
    """Throttling as shaded stretches, change points as upright lines."""
    for stretch in run.findings.throttling:
        axes.axvspan(
            stretch.start_s, stretch.end_s, color=theme.palette.behind_ground, linewidth=0.0, zorder=0, gid="throttling"
        )
    drift = run.findings.drift
    for change in () if drift is None else drift.changes:
        axes.axvline(
            change.time_s, color=theme.palette.muted, linewidth=theme.line_pt, linestyle=(0, (1.2, 1.2)), gid="change"
        )


def _time_axis(axes: Axes, duration_s: float, theme: Theme) -> None:
    """Ticks in minutes for a long run; the axes themselves stay in seconds."""
    if duration_s < _LONG_S:
        x_caption(axes, "time since the first frame, s", theme)
        return
    most = max(2, int(size_of(axes)[0] / (5.0 * theme.em_pt)))
    minutes = round_ticks(0.0, duration_s / 60.0, most)
    for panel in axes.figure.axes:
        panel.set_xticks([60.0 * minute for minute in minutes], tick_labels(minutes))
    x_caption(axes, "time since the first frame, min", theme)


def _criteria(sheet: Sheet, criteria: tuple[Criterion, ...], corner: tuple[float, float], room: float) -> None:
    """Each criterion with a mark, its state in words, and its number: on two lines as far as there is room."""
    em, palette = sheet.em, sheet.theme.palette
    colors = {"passed": palette.ahead, "failed": palette.behind, "not measurable": palette.ground}
    left, top = corner
    width = sheet.right - left - 1.8 * em
    found = [wrap(item.sentence, width, em, max_lines=2) for item in criteria]
    spare = math.floor(room / (_LINE_EM * em) - 2.5 * len(criteria) + 1e-9)
    y = top - 0.6 * em
    for item, wrapped in zip(criteria, found, strict=True):
        lines = wrapped if len(wrapped) == 1 or spare > 0 else [shorten(item.sentence, width, em)]
        spare -= len(lines) - 1
        sheet.mark(left + 0.6 * em, y, _MARKERS[item.state], colors[item.state])
        sheet.text(left + 1.8 * em, y, shorten(f"{item.label}: {item.state}", width, em, bold=True), bold=True)
        for number, line in enumerate(lines):
            sheet.text(left + 1.8 * em, y - _LINE_EM * (number + 1) * em, line, color=palette.muted)
        y -= (_LINE_EM * (len(lines) + 1) + 0.5 * _LINE_EM) * em
