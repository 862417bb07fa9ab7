"""One run as the charts of frame times need it, from a capture in full or from the curves of a measured run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun, MetricValue
from frametime.metrics.stutter import local_medians_ms
from frametime.render.numbers import format_quantity, significant_digits
from frametime.review.result import RunEntry
from frametime.units import FRAMES_PER_SECOND, NS_PER_S
from frametime.words import counted

MOST_RUNS = 8
"""Runs that one figure of several runs can show; more are drawn on further figures."""

MOST_POINTS = 4000
"""Up to so many frames every frame is a point; beyond, each column of pixels spans from its least to its greatest."""

_MIDDLE_POINTS = 300
_NAMING_FIELDS = ("card", "card_settings", "scene", "scene_settings", "resolution", "driver", "operating_system", "run")


@dataclass(frozen=True, eq=False)
class RunTrace:
    """A run, ready to be drawn.

    Attributes
    ----------
    label : str
    run : MeasuredRun or RunEntry
    times_s, low_ms, high_ms : ndarray of float64, shape (n_points,)
        Frame times over elapsed time; low and high are the same array where every frame is a point.
    middle_s, middle_ms : ndarray of float64, shape (n_middle,)
        The line through the middle of the trace, named by ``middle_name``.
    share_pct, quantile_ms : ndarray of float64
        Percentile curve.
    card : int or None
        Number of its card in the review, whose color it has; else it has the color of its place among the runs.
    """

    label: str
    run: MeasuredRun | RunEntry
    times_s: NDArray[np.float64]
    low_ms: NDArray[np.float64]
    high_ms: NDArray[np.float64]
    middle_s: NDArray[np.float64]
    middle_ms: NDArray[np.float64]
    middle_name: str
    share_pct: NDArray[np.float64]
    quantile_ms: NDArray[np.float64]
    card: int | None = None

    @property
    def is_complete(self) -> bool:
        """Whether every frame is a point of the trace."""
        return self.low_ms is self.high_ms

    def value(self, key: str) -> float | None:
        """A metric of the run."""
        found = self.run.values.get(key)
        return found.value if isinstance(found, MetricValue) else found

    def quantile_at_ms(self, share_pct: float) -> float:
        """The frame time that so many percent of the frames do not exceed."""
        return float(np.interp(share_pct, self.share_pct, self.quantile_ms))


def label_of(run: MeasuredRun) -> str:
    """Name of a run from its conditions, else from its file."""
    known = [(name, getattr(run.conditions, name)) for name in ("card", "scene", "resolution", "run")]
    parts = [_named(name, value) for name, value in known if value]
    return " · ".join(parts) if parts else run.provenance.file_name.replace("\\", "/").rpartition("/")[2]


def labels_of(runs: Sequence[MeasuredRun]) -> tuple[str, list[str]]:
    """What all runs have in common, and what tells each from the others, in words.

    Without conditions, or where they do not tell two runs apart, the name of the file is used.
    """
    known = {name: [getattr(run.conditions, name) for run in runs] for name in _NAMING_FIELDS}
    varying = [name for name, values in known.items() if len(set(values)) > 1]
    common = " · ".join(values[0] for name, values in known.items() if name not in varying and values[0])
    labels = [" · ".join(_named(name, known[name][place]) for name in varying) for place in range(len(runs))]
    if len(set(labels)) == len(runs) and all(labels):
        return common, labels
    return common, _file_labels([run.provenance.file_name for run in runs])


def _file_labels(file_names: Sequence[str]) -> list[str]:
    """As many of the last parts of each path as tell all of them apart."""
    parts = [name.replace("\\", "/").split("/") for name in file_names]
    for count in range(1, max(len(names) for names in parts) + 1):
        labels = ["/".join(names[-count:]) for names in parts]
        if len(set(labels)) == len(labels):
            return labels
    return [f"{names[-1]} ({number})" for number, names in enumerate(parts, start=1)]


def _named(field: str, value: str | None) -> str:
    if value is None:
        return f"{field.replace('_', ' ')} not known"
    return f"run {value}" if field == "run" and value.isdigit() else value


def trace_of_run(run: MeasuredRun | RunEntry, *, label: str | None = None, card: int | None = None) -> RunTrace:
    """The trace kept in a measured run or in one of a review: extremes of each of its steps."""

    def points(key: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        curve = run.curves.get(key)
        xs, ys = ((), ()) if curve is None else (curve.x, curve.y)
        return np.asarray(xs, dtype=np.float64), np.asarray(ys, dtype=np.float64)

    (times_s, high_ms), (_, low_ms) = points("trace_high"), points("trace_low")
    is_complete = run.n_frames == high_ms.size and np.array_equal(low_ms, high_ms)
    middle_name, (middle_s, middle_ms) = "local median", points("local_median")
    if middle_s.size == 0:
        middle_name, (middle_s, rate_fps) = "mean of each second", points("rate")
        middle_ms = 1000.0 / np.where(rate_fps > 0.0, rate_fps, np.nan)
    known = np.isfinite(middle_ms)
    if label is None:
        label = label_of(run) if isinstance(run, MeasuredRun) else run.name
    trace = times_s, high_ms if is_complete else low_ms, high_ms, middle_s[known], middle_ms[known], middle_name
    return RunTrace(label, run, *trace, *points("percentile"), card)


def trace_of_series(series: FrameSeries, run: MeasuredRun, *, n_columns: int, label: str | None = None) -> RunTrace:
    """The trace of every frame of a capture, at least and greatest in each of ``n_columns`` columns of pixels."""
    times_s, low_ms, high_ms = envelope(series.timestamps_ns, series.frame_times_ms, n_columns=n_columns)
    n_middle = min(_MIDDLE_POINTS, series.n_frames)
    positions = np.unique(np.linspace(0, series.n_frames - 1, n_middle).round().astype(np.int64))
    stamps_ns, window_s = series.timestamps_ns, run.options.stutter.window_s
    middle_ms = local_medians_ms(stamps_ns, series.frame_times_ms, positions, window_s=window_s, unit=1.0)
    known = np.isfinite(middle_ms)
    middle_s = (series.timestamps_ns[positions + 1] - series.timestamps_ns[0])[known] / NS_PER_S
    middle: dict[str, Any] = {"middle_s": middle_s, "middle_ms": middle_ms[known], "middle_name": "local median"}
    return replace(trace_of_run(run, label=label), times_s=times_s, low_ms=low_ms, high_ms=high_ms, **middle)


def envelope(
    timestamps_ns: NDArray[np.int64], frame_times_ms: NDArray[np.float64], *, n_columns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Least and greatest frame time of each of ``n_columns`` equal steps of time; all frames where they are few.

    No frame is thinned out or averaged away. A step in which no frame ends lies within one frame, and shows that frame.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
        Start of the first frame and the end of each.
    frame_times_ms : ndarray of float64, shape (n_frames,)
    n_columns : int

    Returns
    -------
    times_s, low_ms, high_ms : ndarray of float64
        Ends of the frames, or the middles of the steps, since the start.

    Examples
    --------
    >>> times_ms = np.full(5000, 2.0)
    >>> times_ms[1234] = 90.0
    >>> stamps_ns = np.append(0, np.cumsum(times_ms * 1e6)).astype(np.int64)
    >>> _, low_ms, high_ms = envelope(stamps_ns, times_ms, n_columns=100)
    >>> float(low_ms.min()), float(high_ms.max()), high_ms.size <= 100
    (2.0, 90.0, True)
    """
    if n_columns < 1:
        raise ValueError(f"n_columns must be 1 or more, got {n_columns!r}")
    start_ns, ends_ns = timestamps_ns[0], timestamps_ns[1:]
    if ends_ns.size <= max(MOST_POINTS, n_columns):
        return (ends_ns - start_ns) / NS_PER_S, frame_times_ms, frame_times_ms
    edges_ns = np.linspace(0.0, float(ends_ns[-1] - start_ns), n_columns + 1)
    # A frame that ends exactly at a bound belongs to the step after it, the last frame to the last step.
    firsts = np.searchsorted(ends_ns, start_ns + np.ceil(edges_ns[:-1]).astype(np.int64), side="left")
    has_frames = np.diff(np.append(firsts, ends_ns.size)) > 0
    low_ms, high_ms = frame_times_ms[firsts], frame_times_ms[firsts]
    low_ms[has_frames] = np.minimum.reduceat(frame_times_ms, firsts[has_frames])
    high_ms[has_frames] = np.maximum.reduceat(frame_times_ms, firsts[has_frames])
    return (edges_ns[:-1] + edges_ns[1:]) / (2.0 * NS_PER_S), low_ms, high_ms


BAND_PCT: Final = (5.0, 25.0, 50.0, 75.0, 95.0)
"""Quantiles of a band: its ends, the ends of its middle half, the median."""

_LEAST_STEP_S: Final = 1.0


def quantile_band(series: FrameSeries, *, most_steps: int) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Quantiles of the frame times that end in each step of time: of a second, or longer in a very long run.

    Returns
    -------
    times_s : ndarray of float64, shape (n_steps,)
        Middles of the steps in which a frame ends.
    quantiles_ms : ndarray of float64, shape (5, n_steps)
        At `BAND_PCT`.
    step_s : float
    """
    step_s = max(_LEAST_STEP_S, series.duration_s / most_steps)
    n_steps = max(1, round(series.duration_s / step_s))
    edges_ns = series.timestamps_ns[0] + np.linspace(0.0, series.duration_s * NS_PER_S, n_steps + 1).astype(np.int64)
    bounds = np.searchsorted(series.timestamps_ns[1:], edges_ns)
    bounds[-1] = series.n_frames
    kept = np.flatnonzero(np.diff(bounds) > 0)
    parts = [np.percentile(series.frame_times_ms[bounds[place] : bounds[place + 1]], BAND_PCT) for place in kept]
    return (kept + 0.5) * series.duration_s / n_steps, np.array(parts).T, step_s


def run_numbers(trace: RunTrace) -> list[str]:
    """The main numbers of a run, as lines of a list."""
    longest, stutters = format_quantity(float(trace.high_ms.max()), "ms", digits=3), trace.run.findings.stutters
    return [*run_figures(trace, short=True).split(" · "), f"longest {longest}", counted(len(stutters), "stutter")]


def run_figures(trace: RunTrace, *, short: bool = False) -> str:
    """Average and 1 % low of a run in one line, with as many digits as their frames support."""
    average, low = (
        format_quantity(trace.value(key), FRAMES_PER_SECOND, digits=significant_digits(trace.run.n_frames // times))
        for key, times in (("average_fps", 1), ("low_1pct_percentile_fps", 100))
    )
    return f"average {average} · 1 % low{'' if short else ' (percentile)'} {low}"


def run_values(trace: RunTrace, run: MeasuredRun) -> dict[str, object]:
    """What the texts of every chart of one run say, among it how many stutters there are, and what one is."""
    rule, marked = run.options.stutter, f"{counted(len(run.findings.stutters), 'stutter')} marked"
    longer = f"longer than {rule.ratio:g} × the local median (of {rule.window_s:g} s)"
    return {
        "run": trace.label,
        "figures": run_figures(trace),
        "frames": counted(run.n_frames, "frame"),
        "seconds": run.duration_s,
        "stutters": f"{marked}: {longer}, and by {rule.min_excess_ms:g} ms or more.",
        "if_stutters": bool(run.findings.stutters),
    }
