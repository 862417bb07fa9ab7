"""Charts of up to eight runs: frame times side by side or on one axis, percentile curves, shares in bins."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from frametime.render.charts.chart_sheet import Chart, KeyEntry, ListEntry
from frametime.render.charts.frame_times import frame_time_limits, start_words, times_axes, times_plot, times_values
from frametime.render.charts.plots import Curve, Plot, Plots, Rule
from frametime.render.charts.run_traces import MOST_RUNS, RunTrace, run_figures, run_numbers
from frametime.render.charts.text_fit import round_steps
from frametime.render.charts.theme import SeriesStyle, Theme
from frametime.render.numbers import format_number, format_quantity, significant_digits
from frametime.words import counted

FEW_FRAMES: Final = 10
"""A quantile with fewer frames beyond it says little about the next run."""

_MOST_TIMES_USUAL: Final = 5.0
_MOST_IN_ONE_COLUMN: Final = 3
_MOST_BINS: Final = 160
_SHOWN_PCT: Final = 99.5
_NEAR_ZERO: Final = 0.2


@dataclass(frozen=True)
class RunsChart:
    """One kind of chart of several runs: its title, and what makes it of the runs and their styles."""

    title: str
    chart: Callable[[Sequence[RunTrace], Sequence[SeriesStyle], Theme], Chart]

    def __call__(self, traces: Sequence[RunTrace], theme: Theme, *, title: str | None = None, note: str = "") -> Figure:
        """Draw 1 to 8 runs.

        Parameters
        ----------
        traces : sequence of RunTrace
        theme : Theme
        title, note : str
            The note is said first at the foot.

        Raises
        ------
        ValueError
            If there is no run, or there are more than fit.
        """
        if not 1 <= len(traces) <= MOST_RUNS:
            raise ValueError(f"traces must hold 1 to {MOST_RUNS} runs, got {len(traces)!r}")
        styles = [theme.style(place if trace.card is None else trace.card) for place, trace in enumerate(traces)]
        chart = self.chart(traces, styles, theme)
        values = {"title": title or self.title, "note": note, "runs": counted(len(traces), "run"), **chart.values}
        return replace(chart, values=values).draw(theme)


def _panels(traces: Sequence[RunTrace], styles: Sequence[SeriesStyle], theme: Theme) -> Chart:
    limits, span_s = frame_time_limits(traces), max(trace.run.duration_s for trace in traces)
    n_columns = 1 if len(traces) <= _MOST_IN_ONE_COLUMN or theme.is_narrow else 2
    plots = [
        replace(
            times_plot(trace, theme, style.color, limits),
            x_limits=(0.0, span_s),
            y_label=start_words("ms", limits[0]),
            name=trace.label,
            remark=run_figures(trace, short=n_columns > 1 or theme.is_narrow),
        )
        for trace, style in zip(traces, styles, strict=True)
    ]
    n_rows = -(-len(plots) // n_columns)
    body = Plots(columns=[plots[start : start + n_rows] for start in range(0, len(plots), n_rows)])
    return Chart(kind="frame-time-panels", values=times_values(traces, limits[1]), body=body)


draw_frame_time_panels: Final = RunsChart("Frame times", _panels)
"""One panel a run, all on the same scales, so that what looks higher is slower."""


def _overlay(traces: Sequence[RunTrace], styles: Sequence[SeriesStyle], theme: Theme) -> Chart:
    curves, entries = [], []
    for number, (trace, style) in enumerate(zip(traces, styles, strict=True)):
        xs, ys = (trace.middle_s, trace.middle_ms) if trace.middle_s.size > 1 else (trace.times_s, trace.high_ms)
        curves.append(Curve(xs, ys, style.color, f"middle-{number}", width=1.2, line=style.line))
        entries.append(ListEntry(trace.label, run_numbers(trace), color=style.color, line=style.line))
    low_ms, high_ms = (float(end([end(curve.ys) for curve in curves])) for end in (np.min, np.max))
    axes = times_axes(low_ms, high_ms, max(trace.run.duration_s for trace in traces))
    body = Plots(columns=[[Plot(marks=curves, **axes)]], entries=entries)
    return Chart(kind="frame-time-overlay", values={"middle": traces[0].middle_name}, body=body)


draw_frame_time_overlay: Final = RunsChart("Frame times", _overlay)
"""The middle of the frame times of each run on one axis, which follows them, and a list of the main numbers."""


def _percentiles(traces: Sequence[RunTrace], styles: Sequence[SeriesStyle], theme: Theme) -> Chart:
    highest_pct = max(last_share_pct(trace.run.n_frames) for trace in traces)
    # All of each curve, unless its end is five times its 99 % value.
    greatest = max(_ending_ms(trace, 100.0) for trace in traces)
    usual = max(trace.quantile_at_ms(99.0) for trace in traces)
    top_ms = 1.06 * min(greatest, _MOST_TIMES_USUAL * usual)
    n_frames = [trace.run.n_frames for trace in traces]
    least = "" if min(n_frames) == max(n_frames) else f"{min(n_frames):,} to "
    values = {
        "frames": f"{least}{counted(max(n_frames), 'frame')}",
        "few": FEW_FRAMES,
        "n_leave": sum(_ending_ms(trace, highest_pct) > top_ms for trace in traces) or None,
        "n_runs": len(traces),
    }
    pairs = [*zip(traces, styles, strict=True)]
    key = [KeyEntry(trace.label, style.color, "line", line=style.line) for trace, style in pairs]
    plot = Plot(
        marks=[curve for index, pair in enumerate(pairs) for curve in percentile_curves(*pair, f"percentiles-{index}")],
        x_limits=(0.0, highest_pct),
        y_limits=(0.0, top_ms),
        x_label="share of frames that are as short or shorter",
        y_label="frame time, ms",
        x_ticks="tail",
        grid="both",
    )
    return Chart(kind="percentiles", values=values, key=key, body=Plots(columns=[[plot]]))


draw_percentiles: Final = RunsChart("Frame-time percentiles", _percentiles)
"""One curve a run: how long a frame is that so many percent of frames do not exceed."""


def last_share_pct(n_frames: int) -> float:
    """Share of frames that all but one do not exceed, at least 90 %."""
    return max(90.0, 100.0 * (1.0 - 1.0 / n_frames))


def _ending_ms(trace: RunTrace, highest_pct: float) -> float:
    return trace.quantile_at_ms(min(highest_pct, last_share_pct(trace.run.n_frames)))


def percentile_curves(trace: RunTrace, style: SeriesStyle, gid: str) -> Iterator[Curve]:
    """The curve up to its last frame but one; thin where few frames lie beyond."""
    last_pct = last_share_pct(trace.run.n_frames)
    thick_pct = max(0.0, 100.0 * (1.0 - FEW_FRAMES / trace.run.n_frames))
    for low_pct, high_pct, width, name in ((0.0, thick_pct, 1.5, gid), (thick_pct, last_pct, 0.6, f"{gid}-few")):
        inside = (trace.share_pct > low_pct) & (trace.share_pct < high_pct)
        share_pct = np.concatenate([[low_pct], trace.share_pct[inside], [high_pct]])
        if high_pct > low_pct:
            quantile_ms = np.interp(share_pct, trace.share_pct, trace.quantile_ms)
            yield Curve(share_pct, quantile_ms, style.color, name, width=width, line=style.line)


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
    return np.array(round_steps(low_ms, high_ms + room_ms, _MOST_BINS))


def _distribution(traces: Sequence[RunTrace], styles: Sequence[SeriesStyle], theme: Theme) -> Chart:
    edges_ms = bin_edges_ms(traces)
    rows, steps = [shares_pct(trace, edges_ms) for trace in traces], {"step": "post"}
    tallest_pct = max(float(row.max()) for row in rows)
    plots = [
        Plot(
            marks=[
                Curve(edges_ms, np.append(shares, 0.0), style.color, f"shares-{index}", 0.0, 0.7, style=steps),
                Rule(_median_ms(trace), theme.palette.ink, f"median-{index}"),
            ],
            x_limits=(float(edges_ms[0]), float(edges_ms[-1])),
            y_limits=(0.0, 1.05 * tallest_pct),
            x_label=start_words("frame time, ms", float(edges_ms[0])),
            name=trace.label,
            remark=_remark(trace, 100.0 - float(shares.sum())),
            y_ticks="none",
            grid="x",
        )
        for index, (trace, shares, style) in enumerate(zip(traces, rows, styles, strict=True))
    ]
    values = {"width_ms": float(edges_ms[1] - edges_ms[0]), "tallest": format_number(tallest_pct, digits=2)}
    return Chart(kind="distribution", values=values, body=Plots(columns=[plots]))


draw_distribution: Final = RunsChart("Spread of frame times", _distribution)
"""One row a run: share of its frames in each bin of frame time."""


def _median_ms(trace: RunTrace) -> float:
    """The measured median, so that every output shows the same; from the curve where a run has none."""
    measured = trace.value("median_frame_time_ms")
    return trace.quantile_at_ms(50.0) if measured is None else measured


def _remark(trace: RunTrace, beyond_pct: float) -> str:
    median = format_quantity(_median_ms(trace), "ms", digits=significant_digits(trace.run.n_frames))
    beyond = f"{beyond_pct:.2f} %" if beyond_pct >= 0.005 else "none"
    return f"median {median} · beyond the axis: {beyond} of {trace.run.n_frames:,} frames"


RUN_CHARTS: Final[Mapping[str, RunsChart]] = {
    "frame-time-panels": draw_frame_time_panels,
    "frame-time-overlay": draw_frame_time_overlay,
    "percentiles": draw_percentiles,
    "distribution": draw_distribution,
}
"""The charts of several runs, by their keys in the catalog."""
