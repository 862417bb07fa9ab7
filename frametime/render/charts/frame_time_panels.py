"""Frame times of several runs side by side: small multiples on one scale of time and one of frame time."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from frametime.render.charts.axis_scales import set_x_ticks
from frametime.render.charts.chart_sheet import Sheet, x_caption, y_caption
from frametime.render.charts.frame_times import (
    beyond_words,
    draw_trace,
    frame_time_top,
    name_beyond,
    places_beyond,
    trace_key,
)
from frametime.render.charts.run_traces import FRAME_TIME, RunTrace, run_figures, styles_of
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.words import counted

MOST_RUNS = 8
"""Runs that one figure of several runs can show; more are drawn on further figures."""

_MOST_IN_ONE_COLUMN = 3


def draw_frame_time_panels(
    traces: Sequence[RunTrace], theme: Theme, *, title: str = "Frame times", note: str = ""
) -> Figure:
    """One panel a run, all on the same scales, so that what looks higher is slower.

    Parameters
    ----------
    traces : sequence of RunTrace
        1 to 8 runs.
    theme : Theme
    title, note : str
        The note is said first at the foot.

    Raises
    ------
    ValueError
        If there is no run, or there are more than fit.
    """
    check_count(traces)
    theme = theme.at_least(22.0 + 9.0 * len(traces))
    with theme.settings():
        top_ms = frame_time_top(list(traces))
        span_s = max(trace.duration_s for trace in traces)
        beyond = sum(places_beyond(trace, top_ms).size for trace in traces)
        sheet = Sheet(
            theme,
            title=title,
            lead=f"{counted(len(traces), 'run')} on one scale · lower and more even is better",
            notes=[note, "One run each, so there is no interval to show.", beyond_words(beyond, top_ms)],
            full=[
                FRAME_TIME,
                "The trace spans the least and the greatest frame time of each step of time. Averages are frames over "
                "time; the 1 % low is the rate that all but the slowest 1 % of frames reach.",
            ],
        )
        sheet.key(trace_key(traces, theme, beyond=beyond > 0))
        _panels(sheet, traces, top_ms=top_ms, span_s=span_s)
        return sheet.figure


def check_count(traces: Sequence[RunTrace]) -> None:
    """Refuse none and too many runs."""
    if not 1 <= len(traces) <= MOST_RUNS:
        raise ValueError(f"traces must hold 1 to {MOST_RUNS} runs, got {len(traces)!r}")


def _panels(sheet: Sheet, traces: Sequence[RunTrace], *, top_ms: float, span_s: float) -> None:
    theme, em = sheet.theme, sheet.em
    n_columns = 1 if len(traces) <= _MOST_IN_ONE_COLUMN or theme.is_narrow else 2
    n_rows = -(-len(traces) // n_columns)
    tick_room, gap = 3.4 * em, 2.2 * em
    foot, head = 3.4 * em, 4.0 * em
    width = (sheet.width - n_columns * tick_room - (n_columns - 1) * gap) / n_columns
    cell = (sheet.height - foot) / n_rows
    for place, (trace, style) in enumerate(zip(traces, styles_of(traces, theme), strict=True)):
        row, column = place % n_rows, place // n_rows
        left = sheet.left + tick_room + column * (width + tick_room + gap)
        bottom = sheet.bottom + foot + (n_rows - 1 - row) * cell
        axes = sheet.axes(left, bottom, width, cell - head)
        draw_trace(axes, trace, theme, color=style.color, top_ms=top_ms)
        axes.set_xlim(0.0, span_s)
        set_x_ticks(axes, em)
        name_beyond(axes, trace, theme)
        y_caption(axes, "ms", theme)
        figures = run_figures(trace, short=n_columns > 1 or theme.is_narrow)
        shown = shorten(
            trace.label, width + tick_room - text_width_pt(figures, em) - 1.5 * em, theme.label_pt, bold=True
        )
        y = bottom + cell - head + 2.6 * em
        sheet.text(left - tick_room, y, shown, size_pt=theme.label_pt, bold=True)
        sheet.text(left + width, y, figures, color=theme.palette.muted, ha="right")
        is_lowest = row == n_rows - 1 or place == len(traces) - 1
        axes.tick_params(labelbottom=is_lowest)
        if is_lowest:
            x_caption(axes, "time since the first frame, s", theme)
