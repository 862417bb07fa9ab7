"""Distributions of the frame times of several runs: percentile curves that open the slow tail, and shares in bins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from frametime.render.charts.axis_scales import round_ticks, set_tail_scale, set_x_ticks, set_y_ticks
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, x_caption, y_caption
from frametime.render.charts.frame_time_panels import check_count
from frametime.render.charts.run_traces import RunTrace, styles_of
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import SeriesStyle, Theme
from frametime.render.numbers import format_number, format_quantity, significant_digits
from frametime.words import counted

FEW_FRAMES: Final = 10
"""A quantile with fewer frames beyond it says little about the next run."""

_MOST_TIMES_USUAL: Final = 5.0


def draw_percentiles(
    traces: Sequence[RunTrace], theme: Theme, *, title: str = "Frame-time percentiles", note: str = ""
) -> Figure:
    """One curve a run: how long a frame is that so many percent of frames do not exceed.

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
    with theme.settings():
        highest_pct = max(last_share_pct(trace.n_frames) for trace in traces)
        top_ms = percentile_top(traces)
        leaves = [trace.label for trace in traces if _ending_ms(trace, highest_pct) > top_ms]
        sheet = Sheet(
            theme,
            title=title,
            lead="A lower curve is better: shorter frames. The right side is the slowest frames.",
            notes=[
                note,
                f"{counted(len(traces), 'run')}, {_frames(traces)}; one run each, so there is no interval to show. "
                f"Thin: fewer than {FEW_FRAMES} frames lie beyond.",
                f"Above the axis: {len(leaves)} of {len(traces)} curves." if leaves else "",
            ],
            full=[
                "Read: at 99 %, all but the slowest 1 % of frames are as short as the curve or shorter; 1000 over that "
                "time is the 1 % low (percentile) in fps. The frame-time axis starts at 0 ms; each step of the lower "
                "axis from 90 % on holds a tenth of the frames of the step before."
            ],
        )
        styles = styles_of(traces, theme)
        sheet.key(
            [
                KeyEntry(trace.label, style.color, "line", line=style.line)
                for trace, style in zip(traces, styles, strict=True)
            ]
        )
        axes = sheet.plot(right=sheet.right - 1.5 * sheet.em)
        axes.set_ylim(0.0, top_ms)
        for index, (trace, style) in enumerate(zip(traces, styles, strict=True)):
            plot_percentiles(axes, trace, theme, style, index)
        set_tail_scale(axes, highest_pct, sheet.em)
        set_y_ticks(axes, sheet.em)
        axes.grid(axis="both")
        y_caption(axes, "frame time, ms", theme)
        x_caption(axes, "share of frames that are as short or shorter", theme)
        return sheet.figure


def last_share_pct(n_frames: int) -> float:
    """Share of frames that all but one do not exceed, at least 90 %."""
    return max(90.0, 100.0 * (1.0 - 1.0 / n_frames))


def _ending_ms(trace: RunTrace, highest_pct: float) -> float:
    return float(np.interp(min(highest_pct, last_share_pct(trace.n_frames)), trace.share_pct, trace.quantile_ms))


def percentile_top(traces: Sequence[RunTrace]) -> float:
    """Upper end of the frame-time axis: all of each curve, unless its end is five times its 99 % value."""
    greatest = max(_ending_ms(trace, 100.0) for trace in traces)
    usual = max(float(np.interp(99.0, trace.share_pct, trace.quantile_ms)) for trace in traces)
    return 1.06 * min(greatest, _MOST_TIMES_USUAL * usual)


def _frames(traces: Sequence[RunTrace]) -> str:
    least, most = min(trace.n_frames for trace in traces), max(trace.n_frames for trace in traces)
    return counted(least, "frame") if least == most else f"{least:,} to {most:,} frames"


def plot_percentiles(axes: Axes, trace: RunTrace, theme: Theme, style: SeriesStyle, index: int) -> None:
    """The curve up to its last frame but one; thin where few frames lie beyond."""
    last_pct = last_share_pct(trace.n_frames)
    thick_pct = 100.0 * (1.0 - FEW_FRAMES / trace.n_frames)
    for part, width in ((trace.share_pct <= thick_pct, 1.5), ((trace.share_pct > thick_pct), 0.6)):
        share_pct, quantile_ms = trace.share_pct[part], trace.quantile_ms[part]
        if width < 1.0:
            # Joined to the thick part, and ended where the last frame but one stands.
            ends = np.array([max(thick_pct, 0.0), last_pct])
            inside = (share_pct > ends[0]) & (share_pct < last_pct)
            share_pct = np.concatenate([ends[:1], share_pct[inside], ends[1:]])
            quantile_ms = np.interp(share_pct, trace.share_pct, trace.quantile_ms)
        if share_pct.size > 1:
            axes.plot(
                share_pct,
                quantile_ms,
                color=style.color,
                linestyle=style.line,
                linewidth=width * theme.line_pt,
                gid=f"percentiles-{index}" + ("-few" if width < 1.0 else ""),
            )


_MOST_BINS: Final = 160
_SHOWN_PCT: Final = 99.5
_NEAR_ZERO: Final = 0.2


def shares_pct(trace: RunTrace, edges_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of the frames in each bin, in percent, from the percentile curve.

    Parameters
    ----------
    trace : RunTrace
    edges_ms : ndarray of float64, shape (n_bins + 1,)

    Returns
    -------
    ndarray of float64, shape (n_bins,)
        Frames shorter than the first edge and longer than the last are in none.
    """
    below_pct = np.interp(edges_ms, trace.quantile_ms, trace.share_pct, left=0.0, right=100.0)
    return np.asarray(np.diff(below_pct), dtype=np.float64)


def bin_edges_ms(traces: Sequence[RunTrace]) -> NDArray[np.float64]:
    """Edges of equal bins around 99 % of the frames of each run, of a round width; from 0 ms where that is near."""
    ends = (100.0 - _SHOWN_PCT, _SHOWN_PCT)
    found = np.array([np.interp(ends, trace.share_pct, trace.quantile_ms) for trace in traces])
    low_ms, high_ms = float(found[:, 0].min()), float(found[:, 1].max())
    room_ms = max(0.08 * (high_ms - low_ms), 0.02 * high_ms)
    low_ms = 0.0 if low_ms - room_ms < _NEAR_ZERO * high_ms else low_ms - room_ms
    ticks_ms = round_ticks(low_ms, high_ms + room_ms, _MOST_BINS)
    width_ms = ticks_ms[1] - ticks_ms[0]
    first, last = math.floor(low_ms / width_ms), math.ceil((high_ms + room_ms) / width_ms)
    return np.asarray(np.arange(first, last + 1) * width_ms, dtype=np.float64)


def draw_distribution(
    traces: Sequence[RunTrace], theme: Theme, *, title: str = "Spread of frame times", note: str = ""
) -> Figure:
    """One row a run: share of its frames in each bin of frame time.

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
    with theme.settings():
        edges_ms = bin_edges_ms(traces)
        rows = [shares_pct(trace, edges_ms) for trace in traces]
        width_ms = float(edges_ms[1] - edges_ms[0])
        sheet = Sheet(
            theme,
            title=title,
            lead="Farther left is better: shorter frames. Narrower is better: more even frames.",
            notes=[
                note,
                f"Height: share of a run's frames in a bin of {width_ms:g} ms; the tallest holds "
                f"{format_number(max(float(row.max()) for row in rows), digits=2)} %. Line: median. One run each, so "
                "there is no interval to show.",
            ],
            full=[
                "Frame time: from the end of one frame to the end of the next. "
                "Heights start at 0 % and are on one scale. Frames beyond the axis are counted."
            ],
        )
        _rows(sheet, traces, rows, edges_ms)
        return sheet.figure


def _rows(
    sheet: Sheet, traces: Sequence[RunTrace], rows: Sequence[NDArray[np.float64]], edges_ms: NDArray[np.float64]
) -> None:
    theme, em = sheet.theme, sheet.em
    foot = 3.4 * em
    cell = (sheet.height - foot) / len(traces)
    head = 2.3 * em
    tallest_pct = max(float(row.max()) for row in rows)
    for index, (trace, shares, style) in enumerate(zip(traces, rows, styles_of(traces, theme), strict=True)):
        bottom = sheet.bottom + foot + (len(traces) - 1 - index) * cell
        axes = sheet.axes(sheet.left + 0.5 * em, bottom, sheet.width - 1.5 * em, cell - head)
        axes.set_xlim(float(edges_ms[0]), float(edges_ms[-1]))
        axes.set_ylim(0.0, 1.05 * tallest_pct)
        axes.stairs(shares, edges_ms, fill=True, facecolor=style.color, linewidth=0.0, gid=f"shares-{index}")
        axes.stairs(shares, edges_ms, color=style.color, linewidth=0.7 * theme.line_pt)
        median_ms = _median_ms(trace)
        axes.axvline(median_ms, color=theme.palette.ink, linewidth=theme.line_pt, gid=f"median-{index}")
        axes.set_yticks([])
        axes.grid(axis="x")
        set_x_ticks(axes, em)
        axes.tick_params(labelbottom=index == len(traces) - 1)
        _caption(sheet, trace, median_ms, 100.0 - float(shares.sum()), bottom + cell - 1.3 * em)
    start = "" if edges_ms[0] <= 0.0 else f" (axis from {edges_ms[0]:g})"
    x_caption(axes, f"frame time, ms{start}", theme)


def _median_ms(trace: RunTrace) -> float:
    """The measured median, so that every output shows the same; from the curve where a run has none."""
    measured = trace.values.get("median_frame_time_ms")
    return float(np.interp(50.0, trace.share_pct, trace.quantile_ms)) if measured is None else measured


def _caption(sheet: Sheet, trace: RunTrace, median_ms: float, beyond_pct: float, y: float) -> None:
    median = format_quantity(median_ms, "ms", digits=significant_digits(trace.n_frames))
    beyond = f"{beyond_pct:.2f} %" if beyond_pct >= 0.005 else "none"
    figures = f"median {median} · beyond the axis: {beyond} of {trace.n_frames:,} frames"
    room = sheet.width - text_width_pt(figures, sheet.em) - 1.5 * sheet.em
    sheet.text(
        sheet.left,
        y,
        shorten(trace.label, room, sheet.theme.label_pt, bold=True),
        size_pt=sheet.theme.label_pt,
        bold=True,
    )
    sheet.text(sheet.right, y, figures, color=sheet.theme.palette.muted, ha="right")
