"""Distributions of the frame times of several runs: percentile curves that open the slow tail, and shares in bins."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from frametime.render.charts.axis_scales import round_ticks
from frametime.render.charts.chart_sheet import Chart, KeyEntry, draw
from frametime.render.charts.plots import Curve, Plot, Plots, Rule, Steps
from frametime.render.charts.run_traces import RunTrace, check_count, styles_of
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
    highest_pct = max(last_share_pct(trace.n_frames) for trace in traces)
    top_ms = percentile_top(traces)
    n_leave = sum(_ending_ms(trace, highest_pct) > top_ms for trace in traces)
    styles = styles_of(traces, theme)
    curves = [
        curve
        for index, (trace, style) in enumerate(zip(traces, styles, strict=True))
        for curve in percentile_curves(trace, style, f"percentiles-{index}")
    ]
    n_frames = [trace.n_frames for trace in traces]
    least = "" if min(n_frames) == max(n_frames) else f"{min(n_frames):,} to "
    values = {
        "title": title,
        "note": note,
        "runs": counted(len(traces), "run"),
        "frames": f"{least}{counted(max(n_frames), 'frame')}",
        "few": FEW_FRAMES,
        "n_leave": n_leave or None,
        "n_runs": len(traces),
    }
    plot = Plot(
        marks=curves,
        x_limits=(0.0, highest_pct),
        y_limits=(0.0, top_ms),
        x_label="share of frames that are as short or shorter",
        y_label="frame time, ms",
        x_ticks="tail",
    )
    key = [
        KeyEntry(trace.label, style.color, "line", line=style.line) for trace, style in zip(traces, styles, strict=True)
    ]
    return draw(Chart(kind="percentiles", values=values, key=key, body=Plots(columns=[[plot]])), theme)


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


def percentile_curves(trace: RunTrace, style: SeriesStyle, gid: str) -> Iterator[Curve]:
    """The curve up to its last frame but one; thin where few frames lie beyond."""
    last_pct = last_share_pct(trace.n_frames)
    thick_pct = max(0.0, 100.0 * (1.0 - FEW_FRAMES / trace.n_frames))
    for low_pct, high_pct, width, name in ((0.0, thick_pct, 1.5, gid), (thick_pct, last_pct, 0.6, f"{gid}-few")):
        inside = (trace.share_pct > low_pct) & (trace.share_pct < high_pct)
        share_pct = np.concatenate([[low_pct], trace.share_pct[inside], [high_pct]])
        if high_pct > low_pct:
            quantile_ms = np.interp(share_pct, trace.share_pct, trace.quantile_ms)
            yield Curve(share_pct, quantile_ms, style.color, name, width=width, line=style.line)


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
    edges_ms = bin_edges_ms(traces)
    rows = [shares_pct(trace, edges_ms) for trace in traces]
    tallest_pct = max(float(row.max()) for row in rows)
    start = "" if edges_ms[0] <= 0.0 else f" (axis from {edges_ms[0]:g})"
    plots = [
        Plot(
            marks=[
                Steps(shares, edges_ms, style.color, f"shares-{index}"),
                Rule(_median_ms(trace), theme.palette.ink, f"median-{index}"),
            ],
            x_limits=(float(edges_ms[0]), float(edges_ms[-1])),
            y_limits=(0.0, 1.05 * tallest_pct),
            x_label=f"frame time, ms{start}",
            name=trace.label,
            remark=_remark(trace, 100.0 - float(shares.sum())),
            y_ticks="none",
        )
        for index, (trace, shares, style) in enumerate(zip(traces, rows, styles_of(traces, theme), strict=True))
    ]
    width_ms, tallest = float(edges_ms[1] - edges_ms[0]), format_number(tallest_pct, digits=2)
    values = {"title": title, "note": note, "width_ms": width_ms, "tallest": tallest}
    return draw(Chart(kind="distribution", values=values, body=Plots(columns=[plots])), theme)


def _median_ms(trace: RunTrace) -> float:
    """The measured median, so that every output shows the same; from the curve where a run has none."""
    measured = trace.values.get("median_frame_time_ms")
    return float(np.interp(50.0, trace.share_pct, trace.quantile_ms)) if measured is None else measured


def _remark(trace: RunTrace, beyond_pct: float) -> str:
    median = format_quantity(_median_ms(trace), "ms", digits=significant_digits(trace.n_frames))
    beyond = f"{beyond_pct:.2f} %" if beyond_pct >= 0.005 else "none"
    return f"median {median} · beyond the axis: {beyond} of {trace.n_frames:,} frames"
