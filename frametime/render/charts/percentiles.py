"""Percentile curves of several runs, on a scale that opens the slow tail."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametime.render.charts.frame_time_panels import check_count
from frametime.render.charts.scales import set_tail_scale, set_y_ticks
from frametime.render.charts.sheet import KeyEntry, Sheet, x_caption, y_caption
from frametime.render.charts.traces import RunTrace
from frametime.render.theme import Theme
from frametime.words import counted

FEW_FRAMES: Final = 10
"""A quantile with fewer frames beyond it says little about the next run."""

_MOST_TIMES_USUAL: Final = 5.0


def draw_percentiles(traces: Sequence[RunTrace], theme: Theme, *, title: str = "Frame-time percentiles") -> Figure:
    """One curve a run: how long a frame is that so many percent of frames do not exceed.

    Parameters
    ----------
    traces : sequence of RunTrace
        1 to 8 runs.
    theme : Theme
    title : str

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
                "Read: at 99 %, all but the slowest 1 % of frames are as short as the curve or shorter; 1000 over that "
                "time is the 1 % low (percentile) in fps.",
                "The frame-time axis starts at 0 ms; each step of the lower axis from 90 % on holds a tenth of the "
                "frames of the step before.",
                f"{counted(len(traces), 'run')}, {_frames(traces)}; one run each, so there is no interval to show.",
                f"Thin where fewer than {FEW_FRAMES} frames lie beyond: the next run may differ much there.",
                f"Above the axis: {len(leaves)} of {len(traces)} curves." if leaves else "",
            ],
        )
        sheet.key([_entry(trace, theme, index) for index, trace in enumerate(traces)])
        left = sheet.left + 3.6 * sheet.em
        foot = sheet.bottom + 3.5 * sheet.em
        axes = sheet.axes(left, foot, sheet.right - left - 1.5 * sheet.em, sheet.top - 1.7 * sheet.em - foot)
        axes.set_ylim(0.0, top_ms)
        for index, trace in enumerate(traces):
            plot_percentiles(axes, trace, theme, index)
        set_tail_scale(axes, highest_pct, sheet.em)
        set_y_ticks(axes, sheet.em)
        axes.grid(axis="both")
        y_caption(axes, "frame time, ms", theme)
        x_caption(axes, "share of frames that are as short or shorter", theme)
        return sheet.figure


def _entry(trace: RunTrace, theme: Theme, index: int) -> KeyEntry:
    style = theme.style(index)
    return KeyEntry(label=trace.label, kind="line", color=style.color, line=style.line)


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


def plot_percentiles(axes: Axes, trace: RunTrace, theme: Theme, index: int) -> None:
    """The curve up to its last frame but one; thin where few frames lie beyond."""
    style = theme.style(index)
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
