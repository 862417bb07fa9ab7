"""Frame times over time: of one run with its sensors, of several runs side by side or on one axis, of a long run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun, Missing
from frametime.metrics.sensors.sensor_values import channel
from frametime.render.charts.chart_sheet import Chart, ListEntry
from frametime.render.charts.plots import Curve, Dots, Drawn, Plot, Plots, Rule, Span
from frametime.render.charts.run_traces import RunTrace, quantile_band, run_values, trace_of_run, trace_of_series
from frametime.render.charts.text_fit import round_steps
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_quantity
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.units import NS_PER_S
from frametime.words import counted

VECTOR_COLUMNS: Final = 1200
_MOST_TIMES_USUAL: Final = 2.5
_CUT_TIMES_USUAL: Final = 2.0
_MOST_STEPS: Final = 600
_NEAR_ZERO: Final = 0.25


def pixel_columns(theme: Theme) -> int:
    """Columns of pixels of the widest axes of a figure, and enough for a file that has no pixels."""
    return max(VECTOR_COLUMNS, int(0.9 * theme.size.width_in * theme.size.dpi))


def draw_frame_times(
    source: Capture, run: MeasuredRun, theme: Theme, *, label: str | None = None, n_columns: int | None = None
) -> Figure:
    """Every frame of a run at its place.

    Parameters
    ----------
    source : Capture
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
    series = FrameSeries.of(source, run.options)
    trace = trace_of_series(series, run, n_columns=n_columns or pixel_columns(theme), label=label)
    limits = frame_time_limits([trace])
    values = {
        **run_values(trace, run),
        "judged": run.judgement.word,
        **times_values([trace], limits[1]),
        "if_every": trace.is_complete,
        "n_steps": None if trace.is_complete else trace.times_s.size,
    }
    plots = [times_plot(trace, theme, theme.palette.series[0], limits), *sensor_lanes(series, theme)]
    return Chart(kind="frame-times", values=values, body=Plots(columns=[plots])).draw(theme)


def frame_time_top(traces: Sequence[RunTrace]) -> float:
    """Upper end of a frame-time axis in ms.

    All frames fit, unless the longest is more than 2.5 times the 99 % quantile: then one freeze would press the rest
    into a line. The axis ends at twice the quantile instead, and the frames beyond are named at the edge.
    """
    greatest = max(float(trace.high_ms.max()) for trace in traces)
    usual = max(trace.quantile_at_ms(99.0) for trace in traces)
    return 1.08 * (greatest if greatest <= _MOST_TIMES_USUAL * usual else _CUT_TIMES_USUAL * usual)


def frame_time_limits(traces: Sequence[RunTrace]) -> tuple[float, float]:
    """Ends of a frame-time axis in ms: from a little below the shortest frames, 0 where that is near."""
    top_ms, least = frame_time_top(traces), min(float(trace.low_ms.min()) for trace in traces)
    return _axis_start(least - 0.12 * (top_ms - least), top_ms), top_ms


def _axis_start(start_ms: float, top_ms: float) -> float:
    """A round number at or below a start, 0 where that is near."""
    if start_ms < _NEAR_ZERO * top_ms:
        return 0.0
    step_ms = 10.0 ** np.floor(np.log10((top_ms - start_ms) / 5.0))
    return float(np.floor(start_ms / step_ms) * step_ms)


def start_words(caption: str, start: float) -> str:
    """The caption of an axis, which says where it starts if not at 0."""
    return f"{caption} (axis from {start:g})" if start else caption


def places_beyond(trace: RunTrace, top_ms: float) -> NDArray[np.int64]:
    """Points beyond the axis: every such frame, or of steps in a row, which may be one freeze, the last."""
    beyond = trace.high_ms > top_ms
    if not trace.is_complete:
        beyond &= ~np.append(beyond[1:], False)
    return np.flatnonzero(beyond)


def times_values(traces: Sequence[RunTrace], top_ms: float) -> dict[str, object]:
    """What the key and the notes of a chart of frame times say of its marks."""
    count = sum(int(places_beyond(trace, top_ms).size) for trace in traces)
    return {
        "beyond": f"Over {top_ms:.0f} ms: {counted(count, 'place')}, marked at the upper edge." if count else "",
        "middle": next((trace.middle_name for trace in traces if trace.middle_s.size > 1), None),
        "pointing_up": " (pointing up: beyond the axis)" if count else "",
        "if_stutters": any(trace.run.findings.stutters for trace in traces),
        "if_one": len(traces) == 1,
    }


def times_plot(trace: RunTrace, theme: Theme, color: str, limits: tuple[float, float]) -> Plot:
    """Frame times, the line through their middle, the stutters, and the longest frames named at the upper edge."""
    palette, (start_ms, top_ms) = theme.palette, limits
    width = 0.6 if trace.run.n_frames > 600 else 1.0
    marks: list[Drawn] = []
    if trace.is_complete:
        # Each frame is as wide as it lasts, from the end of the one before; the first begins at 0.
        ys = np.minimum(np.append(trace.high_ms[:1], trace.high_ms), top_ms)
        steps = {"drawstyle": "steps-pre", "solid_joinstyle": "bevel"}
        marks.append(Curve(np.append(0.0, trace.times_s), ys, color, "frame-times", width=width, style=steps))
    else:
        ys = np.minimum(trace.high_ms, top_ms)
        marks.append(Curve(trace.times_s, ys, color, "frame-times", lows=trace.low_ms, width=width))
    if trace.middle_s.size > 1:
        ys = np.minimum(trace.middle_ms, top_ms)
        marks.append(Curve(trace.middle_s, ys, palette.ink, "middle", width=0.9, line="--"))
    inside = [(item.time_s, item.frame_time_ms) for item in trace.run.findings.stutters if item.frame_time_ms <= top_ms]
    if inside:
        times_s, longs_ms = zip(*inside, strict=True)
        marks.append(Dots(times_s, longs_ms, "v", palette.behind, palette.ink, "stutters", 0.62))
    beyond = places_beyond(trace, top_ms)
    if beyond.size:
        at_top = np.full(beyond.size, top_ms)
        marks.append(Dots(trace.times_s[beyond], at_top, "^", palette.behind, palette.ink, "beyond", 0.7))
    named = beyond if beyond.size else np.array([int(np.argmax(trace.high_ms))])
    named = named[np.argsort(-trace.high_ms[named], kind="stable")]
    start = "" if beyond.size else "longest "
    top_words = [
        (float(trace.times_s[place]), start + format_quantity(float(trace.high_ms[place]), "ms", digits=3))
        for place in named[:20]
    ]
    caption = start_words("frame time, ms", start_ms)
    return Plot(marks=marks, y_limits=limits, y_label=caption, top_words=top_words, **_time_axis(trace.run.duration_s))


def _time_axis(duration_s: float) -> dict[str, Any]:
    return {"x_limits": (0.0, duration_s), "x_label": "time since the first frame", "x_ticks": "time"}


def times_axes(low_ms: float, high_ms: float, duration_s: float) -> dict[str, Any]:
    """Axes of frame times that follow the data, from 0 where that is near; the caption says where they start."""
    room_ms = max(0.12 * (high_ms - low_ms), 0.03 * high_ms)
    start_ms = _axis_start(low_ms - room_ms, high_ms)
    limits = {"y_limits": (start_ms, high_ms + room_ms), "y_label": start_words("frame time, ms", start_ms)}
    return {**limits, **_time_axis(duration_s)}


def draw_frame_time_band(source: Capture, run: MeasuredRun, theme: Theme, *, label: str | None = None) -> Figure:
    """Quantiles of the frame times of each second of a long run, and its stutters as ticks below.

    Parameters
    ----------
    source : Capture
    run : MeasuredRun
    theme : Theme
    label : str or None
        Name of the run; by default from its conditions or its file.
    """
    values, plots = _band(source, run, theme, label)
    return Chart(kind="frame-time-band", values=values, body=Plots(columns=[plots])).draw(theme)


def _band(source: Capture, run: MeasuredRun, theme: Theme, label: str | None) -> tuple[dict[str, object], list[Plot]]:
    """The band with a rug of the stutters at its foot and the sensors below, and what the texts say of it."""
    series, trace, palette = FrameSeries.of(source, run.options), trace_of_run(run, label=label), theme.palette
    times_s, quantiles_ms, step_s = quantile_band(series, most_steps=_MOST_STEPS)
    color, (ends, middle) = palette.series[0], ({"alpha": 0.25}, {"alpha": 0.55})
    axes = times_axes(float(quantiles_ms[0].min()), float(quantiles_ms[-1].max()), series.duration_s)
    marks: list[Drawn] = [
        Curve(times_s, quantiles_ms[4], color, "band", lows=quantiles_ms[0], width=0.0, style=ends),
        Curve(times_s, quantiles_ms[3], color, "middle-half", lows=quantiles_ms[1], width=0.0, style=middle),
        Curve(times_s, quantiles_ms[2], palette.ink, "median", width=0.9),
    ]
    if stutters := run.findings.stutters:
        foot = np.full(len(stutters), axes["y_limits"][0])
        rug_s = [stutter.time_s for stutter in stutters]
        marks.append(Dots(rug_s, foot, "|", palette.behind, palette.behind, "stutters", 0.9, 1.2))
    longest = int(np.argmax(series.frame_times_ms))
    named = f"longest {format_quantity(float(series.frame_times_ms[longest]), 'ms', digits=3)}"
    longest_s = float(series.timestamps_ns[longest + 1] - series.timestamps_ns[0]) / NS_PER_S
    step = "each second" if step_s == 1.0 else f"each step of {step_s:.3g} s"
    words = f"Bands: the middle 90 % and the middle half of the frame times of {step}."
    plot = Plot(marks=marks, top_words=[(longest_s, named)], **axes)
    return {**run_values(trace, run), "band": words}, [plot, *sensor_lanes(series, theme)]


_LANES: Final = (
    ("power_w", "power, W", 20.0),
    ("temperature_c", "temperature, °C", 10.0),
    ("core_clock_mhz", "core clock, MHz", 100.0),
)
"""Quantities of the sensors, with the caption of their axis and the least that it spans."""

_MOST_SAMPLES: Final = 2000
_LANE_EM: Final = 3.0


def sensor_lanes(series: FrameSeries, theme: Theme) -> list[Plot]:
    """A low plot for each quantity of which the sensor log has samples, with its limit where one is known."""
    limits = {"power_w": series.options.power_limit_w, "temperature_c": series.options.temperature_limit_c}
    lanes = []
    for name, caption, least_span in _LANES:
        if isinstance(found := channel(series, name), Missing):
            continue
        limit = limits.get(name)
        places = _kept_samples(found.values)
        low, high = _lane_limits(found.values, limit, least_span)
        words = start_words(caption, low)
        marks: list[Drawn] = [Curve(found.times_s[places], found.values[places], theme.palette.ink, name, width=0.8)]
        if limit is not None:
            marks.append(Rule(limit, theme.palette.behind, f"{name}-limit", line=(0, (5.0, 1.6)), is_level=True))
            beyond = " above the axis" if limit > high else " below the axis" if limit < low else ""
            words += f", {'' if beyond else 'dashed: '}limit {limit:g}{beyond}"
        axes = {"y_limits": (low, high), "y_ticks": "few", **_time_axis(series.duration_s)}
        lanes.append(Plot(marks=marks, y_label=words, height_em=_LANE_EM, **axes))
    return lanes


def _kept_samples(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """All places, or of very many the least and greatest of each of a thousand steps, in their order."""
    places = np.arange(values.size)
    if values.size <= _MOST_SAMPLES:
        return places
    parts = np.array_split(places, _MOST_SAMPLES // 2)
    ends = [(part[values[part].argmin()], part[values[part].argmax()]) for part in parts]
    return np.unique([0, values.size - 1, *np.ravel(ends)])


def _lane_limits(values: NDArray[np.float64], limit: float | None, least_span: float) -> tuple[float, float]:
    """Round limits around the values: few of these quantities start at 0, and the caption says where the axis does."""
    low, high = float(values.min()), float(values.max())
    if limit is not None and limit < high + max(high - low, least_span):
        high = max(high, limit)
    middle, half = (low + high) / 2.0, max(high - low, least_span) / 2.0
    steps = round_steps(middle - half, middle + half, 2)
    return max(0.0, steps[0]), steps[-1]


def draw_endurance(source: Capture, run: MeasuredRun, verdict: EnduranceVerdict, theme: Theme) -> Figure:
    """Frame times and sensors of a long run, with the criteria beside them.

    Parameters
    ----------
    source : Capture
    run : MeasuredRun
    verdict : EnduranceVerdict
        Of the run.
    theme : Theme

    Returns
    -------
    Figure
        The first axes hold the frame times, the others one sensor quantity each.
    """
    palette, (values, plots) = theme.palette, _band(source, run, theme, None)
    changes = [] if run.findings.drift is None else run.findings.drift.changes
    events: list[Drawn] = [
        *(Span(item.start_s, item.end_s, palette.behind_ground, "throttling") for item in run.findings.throttling),
        *(Rule(item.time_s, palette.muted, "change", line=(0, (1.2, 1.2))) for item in changes),
    ]
    looks = {"passed": ("s", palette.ahead), "failed": ("X", palette.behind), "not measurable": ("o", palette.ground)}
    entries = [ListEntry(f"{one.label}: {one.state}", [one.sentence], *looks[one.state]) for one in verdict.criteria]
    values |= {
        "verdict": verdict.word,
        "sentence": verdict.sentence,
        "if_throttling": bool(run.findings.throttling),
        "if_changes": bool(changes),
    }
    body = Plots(columns=[[replace(plot, marks=[*events, *plot.marks]) for plot in plots]], entries=entries)
    return Chart(kind="endurance", values=values, body=body).draw(theme)
