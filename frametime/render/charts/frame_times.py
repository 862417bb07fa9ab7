"""Frame times of one run over time, with its stutters, and what the sensors say below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun
from frametime.render.charts.axis_scales import set_x_ticks, set_y_ticks
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, dots, x_caption, y_caption
from frametime.render.charts.run_traces import (
    FRAME_TIME,
    RunTrace,
    run_figures,
    stutter_words,
    trace_of_run,
    trace_of_series,
)
from frametime.render.charts.sensor_lanes import LANE_EM, LANE_QUANTITIES, Lane, draw_lanes, lanes_of
from frametime.render.charts.text_fit import text_width_pt
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_quantity
from frametime.words import counted

_VECTOR_COLUMNS: Final = 1200
_MOST_TIMES_USUAL: Final = 2.5
_CUT_TIMES_USUAL: Final = 2.0
_MOST_NAMED: Final = 4


def draw_frame_times(
    source: Capture | None, run: MeasuredRun, theme: Theme, *, label: str | None = None, n_columns: int | None = None
) -> Figure:
    """Every frame of a run at its place.

    Parameters
    ----------
    source : Capture or None
        The capture of the run, for every frame and the sensors; with ``None`` the extremes are drawn that the run
        itself keeps.
    run : MeasuredRun
    theme : Theme
    label : str or None
        Name of the run; by default from its conditions or its file.
    n_columns : int or None
        Steps of time into which more than 4000 frames are gathered, by their least and greatest frame time; by
        default as many as there are pixels.

    Returns
    -------
    Figure
        The first axes hold the frame times, the others one sensor quantity each.
    """
    columns = pixel_columns(theme) if n_columns is None else n_columns
    with theme.settings():
        return _draw(*traced(source, run, columns, label=label), run.judgement.word, theme)


def traced(
    source: Capture | None, run: MeasuredRun, n_columns: int, *, label: str | None = None
) -> tuple[RunTrace, tuple[Lane, ...]]:
    """A run ready to be drawn, with a lane for each quantity of its sensors."""
    if source is None:
        return trace_of_run(run, label=label), ()
    series = FrameSeries.of(source, run.options)
    return trace_of_series(series, run, n_columns=n_columns, label=label), lanes_of(series, LANE_QUANTITIES)


def pixel_columns(theme: Theme) -> int:
    """Columns of pixels of the widest axes of a figure, and enough for a file that has no pixels."""
    return max(_VECTOR_COLUMNS, int(0.9 * theme.size.width_in * theme.size.dpi))


def _draw(trace: RunTrace, lanes: tuple[Lane, ...], judged: str, theme: Theme) -> Figure:
    top_ms = frame_time_top([trace])
    beyond = places_beyond(trace, top_ms)
    sheet = Sheet(
        theme,
        title=f"Frame times: {trace.label}",
        lead=f"{run_figures(trace)} · lower and more even is better · judged: {judged}",
        notes=[
            f"One run, {counted(trace.n_frames, 'frame')} in {trace.duration_s:.1f} s, so there is no interval.",
            stutter_words(len(trace.stutters), trace.rule),
            beyond_words(int(beyond.size), top_ms),
        ],
        full=[FRAME_TIME, _gathering(trace)],
        head_lines=(2, 2),
    )
    sheet.key(trace_key([trace], theme, beyond=bool(beyond.size)))
    x_caption(draw_run(sheet, trace, lanes, top_ms, sheet.right), "time since the first frame, s", theme)
    return sheet.figure


def draw_run(sheet: Sheet, trace: RunTrace, lanes: tuple[Lane, ...], top_ms: float, right: float) -> Axes:
    """Frame times as far as ``right``, and the lanes below them; gives the lowest axes."""
    theme, em = sheet.theme, sheet.em
    axes = sheet.plot(right=right, foot_em=3.5 + len(lanes) * LANE_EM)
    draw_trace(axes, trace, theme, color=theme.palette.series[0], top_ms=top_ms)
    name_beyond(axes, trace, theme)
    y_caption(axes, "frame time, ms", theme)
    if not lanes:
        return axes
    axes.tick_params(labelbottom=False)
    left = sheet.left + 3.6 * em
    return draw_lanes(sheet, lanes, (left, sheet.bottom + 3.5 * em, right - left), trace.duration_s)


def trace_key(traces: Sequence[RunTrace], theme: Theme, *, beyond: bool) -> list[KeyEntry]:
    """What the marks of frame times mean; ``beyond`` where some frames lie above the axis."""
    palette = theme.palette
    entries = [KeyEntry("frame time", palette.series[0], "line")] if len(traces) == 1 else []
    if middle := next((trace.middle_name for trace in traces if trace.middle_s.size > 1), None):
        entries.append(KeyEntry(middle, palette.ink, "line", line=(0, (3.0, 1.2))))
    if any(trace.stutters for trace in traces):
        label = "stutter (pointing up: beyond the axis)" if beyond else "stutter"
        entries.append(KeyEntry(label, palette.behind, "marker", "v", edge=palette.ink))
    return entries


def _gathering(trace: RunTrace) -> str:
    if trace.is_complete:
        return "Every frame is drawn, as wide as it lasts."
    return (
        f"Drawn: the least to the greatest of each of {trace.times_s.size:,} steps of time; no frame is averaged away."
    )


def beyond_words(count: int, top_ms: float) -> str:
    if count == 0:
        return ""
    return f"Over {top_ms:.0f} ms: {counted(count, 'place')}, marked at the upper edge."


def frame_time_top(traces: list[RunTrace]) -> float:
    """Upper end of a frame-time axis in ms.

    All frames fit, unless the longest is more than 2.5 times the 99 % quantile: then one freeze would press the rest
    into a line. The axis ends at twice the quantile instead, and the frames beyond are named at the edge.
    """
    greatest = max(float(trace.high_ms.max()) for trace in traces)
    usual = max(_usual_ms(trace) for trace in traces)
    return 1.08 * (greatest if greatest <= _MOST_TIMES_USUAL * usual else _CUT_TIMES_USUAL * usual)


def _usual_ms(trace: RunTrace) -> float:
    if trace.share_pct.size:
        return float(np.interp(99.0, trace.share_pct, trace.quantile_ms))
    return float(np.quantile(trace.high_ms, 0.99))


def places_beyond(trace: RunTrace, top_ms: float) -> NDArray[np.int64]:
    """Points beyond the axis: every such frame, or of steps in a row, which may be one freeze, the last."""
    beyond = trace.high_ms > top_ms
    if not trace.is_complete:
        beyond &= ~np.append(beyond[1:], False)
    return np.flatnonzero(beyond)


def draw_trace(axes: Axes, trace: RunTrace, theme: Theme, *, color: str, top_ms: float) -> None:
    """Frame times, the line through their middle, and the stutters, on axes from 0 ms."""
    palette = theme.palette
    axes.set_xlim(0.0, trace.duration_s)
    axes.set_ylim(0.0, top_ms)
    axes.grid(axis="y")
    width = 0.6 * theme.line_pt if trace.n_frames > 600 else theme.line_pt
    if trace.is_complete:
        # Each frame is as wide as it lasts, from the end of the one before; the first begins at 0.
        axes.plot(
            np.append(0.0, trace.times_s),
            np.minimum(np.append(trace.high_ms[:1], trace.high_ms), top_ms),
            drawstyle="steps-pre",
            color=color,
            linewidth=width,
            solid_joinstyle="bevel",
            gid="frame-times",
        )
    else:
        # One area from the least to the greatest of each step; its edge keeps a lone spike as wide as a line.
        axes.fill_between(
            trace.times_s,
            trace.low_ms,
            np.minimum(trace.high_ms, top_ms),
            facecolor=color,
            edgecolor=color,
            linewidth=width,
            gid="frame-times",
        )
    if trace.middle_s.size > 1:
        axes.plot(
            trace.middle_s,
            np.minimum(trace.middle_ms, top_ms),
            color=palette.ink,
            linewidth=0.9 * theme.line_pt,
            linestyle=(0, (3.0, 1.2)),
            gid="middle",
        )
    inside = [stutter for stutter in trace.stutters if stutter.frame_time_ms <= top_ms]
    if inside:
        times_s, longs_ms = zip(*((stutter.time_s, stutter.frame_time_ms) for stutter in inside), strict=True)
        look = {"mfc": palette.behind, "mec": palette.ink, "clip_on": False, "gid": "stutters"}
        dots(axes, times_s, longs_ms, "v", theme, size=0.62, line=0.5, **look)
    set_x_ticks(axes, theme.em_pt)
    set_y_ticks(axes, theme.em_pt)


def name_beyond(axes: Axes, trace: RunTrace, theme: Theme) -> None:
    """Arrows at the upper edge for frames beyond the axis, the longest with their length; else the longest of all."""
    top_ms = axes.get_ylim()[1]
    beyond = places_beyond(trace, top_ms)
    if beyond.size:
        look = {"mfc": theme.palette.behind, "mec": theme.palette.ink, "clip_on": False, "zorder": 4, "gid": "beyond"}
        dots(axes, trace.times_s[beyond], np.full(beyond.size, top_ms), "^", theme, size=0.7, line=0.5, **look)
    named = beyond if beyond.size else np.array([int(np.argmax(trace.high_ms))])
    times_s, high_ms = trace.times_s[named], trace.high_ms[named]
    width_pt = axes.get_position().width * theme.size.width_pt
    taken: list[tuple[float, float]] = [(0.0, text_width_pt("frame time, ms", theme.em_pt) + theme.em_pt)]
    for place in np.argsort(-high_ms, kind="stable")[:_MOST_NAMED]:
        text = ("" if beyond.size else "longest ") + format_quantity(float(high_ms[place]), "ms", digits=3)
        half = text_width_pt(text, theme.em_pt) / 2.0
        middle = min(max(float(times_s[place]) / axes.get_xlim()[1] * width_pt, half), width_pt - half)
        if any(
            middle - half < end + 0.5 * theme.em_pt and start - 0.5 * theme.em_pt < middle + half
            for start, end in taken
        ):
            continue
        taken.append((middle - half, middle + half))
        axes.annotate(
            text,
            (middle / width_pt, 1.0),
            xycoords="axes fraction",
            xytext=(0.0, 0.55 * theme.em_pt),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=theme.em_pt,
            annotation_clip=False,
        )
