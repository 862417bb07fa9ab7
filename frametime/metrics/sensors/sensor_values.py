"""Power, energy, heat, clock and load over a run: each quantity as a broken line with interpolated ends."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.capture import TIME_COLUMN
from frametime.metrics.block_medians import median
from frametime.metrics.frame_series import FrameSeries, numpy_column, once_a_series
from frametime.metrics.metric import Missing, part_of
from frametime.units import NS_PER_MS, NS_PER_S

QUANTITY_WORDS: Final[Mapping[str, str]] = {
    "power_w": "power",
    "temperature_c": "temperature",
    "core_clock_mhz": "core clock",
    "memory_clock_mhz": "memory clock",
    "utilization_pct": "utilization",
}
"""Words for the quantities that metrics rest on."""


POWER: Final = "power_w"
TEMPERATURE: Final = "temperature_c"
CORE_CLOCK: Final = "core_clock_mhz"
UTILIZATION: Final = "utilization_pct"


def _word(name: str) -> str:
    return QUANTITY_WORDS.get(name, name)


class Channel(NamedTuple):
    """One quantity over the part of the capture that its samples cover.

    Between two samples the quantity is taken to change evenly. At the start and the end of the capture it is
    interpolated between the samples on either side; beyond the first and the last sample nothing is assumed.

    Attributes
    ----------
    name : str
        Of its column.
    times_s : ndarray of float64, shape (n_points,)
        Seconds since the start of the first frame, strictly rising; the first and the last point are the ends of
        the covered part.
    values : ndarray of float64, shape (n_points,)
        In the unit of the quantity, all finite.
    sample_values : ndarray of float64, shape (n_samples,)
        The samples inside the capture alone, without interpolated ends; none where it lies between two of them.
    duration_s : float
        Of the whole capture.
    step_s : float
        Median step between samples.
    longest_step_s : float
        Longest step between two samples, as much of it as lies in the covered part.
    """

    name: str
    times_s: NDArray[np.float64]
    values: NDArray[np.float64]
    sample_values: NDArray[np.float64]
    duration_s: float
    step_s: float
    longest_step_s: float

    @property
    def covered_s(self) -> float:
        """Length of the covered part in s."""
        return float(self.times_s[-1] - self.times_s[0])

    @property
    def covered_fraction(self) -> float:
        """Share of the capture that the samples cover."""
        return self.covered_s / self.duration_s

    @property
    def integral(self) -> float:
        """Area under the broken line over the covered part (unit times s), by the trapezoid rule."""
        return float(np.sum(0.5 * (self.values[1:] + self.values[:-1]) * np.diff(self.times_s)))

    @property
    def mean(self) -> float:
        """Time-weighted mean over the covered part."""
        return self.integral / self.covered_s

    def share(self, pieces: NDArray[np.float64]) -> float:
        """Share of the covered time that these shares of each piece between two points come to."""
        return float(np.sum(pieces * np.diff(self.times_s)) / self.covered_s)

    def above(self, limit: float) -> NDArray[np.float64]:
        """Share of each piece between two points that lies above ``limit``, shape (n_points - 1,)."""
        return _shares_above(self.values, limit)

    def below(self, limit: float) -> NDArray[np.float64]:
        """Share of each piece that lies below ``limit``: a piece level with it lies neither above nor below."""
        return _shares_above(-self.values, -limit)

    def of_samples(
        self, number: Callable[[NDArray[np.float64]], np.floating[Any]], *, n_needed: int = 1
    ) -> float | Missing:
        """A number of the samples inside the capture; a capture between two samples has none of its own."""
        if self.sample_values.size >= n_needed:
            return float(number(self.sample_values))
        word = _word(self.name)
        few = f"no {word} sample lies" if n_needed == 1 else f"fewer than two {word} samples lie"
        return Missing(reason=f"{few} in the capture")


def _shares_above(values: NDArray[np.float64], limit: float) -> NDArray[np.float64]:
    low = np.minimum(values[:-1], values[1:])
    high = np.maximum(values[:-1], values[1:])
    rise = high - low
    # Of a sloping piece the share above the limit is where the line has crossed it; a level piece is all or none.
    share = np.where(rise > 0.0, (high - limit) / np.where(rise > 0.0, rise, 1.0), np.where(high > limit, 1.0, 0.0))
    return np.clip(share, 0.0, 1.0)


def samples_of(series: FrameSeries, name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]] | Missing:
    """Times (s since the start of the first frame) and values of one quantity; cells without a number left out."""
    trace = series.sensors
    if trace is None:
        caveats = () if series.capture is None else series.capture.caveats
        unusable = any(caveat.code == "sensors-unusable" for caveat in caveats)
        return Missing(reason="the sensor log could not be used" if unusable else "no sensor log given")
    if name not in trace.samples.column_names:
        return Missing(reason=f"the sensor log has no column for {name}")
    no_number = Missing(reason=f"no cell of {name} holds a number")
    kept = trace.samples.select(["time_ns", name]).drop_null()
    if kept.num_rows == 0:
        return no_number
    values = np.asarray(numpy_column(kept, name), dtype=np.float64)
    finite = np.isfinite(values)
    if not finite.any():
        return no_number
    times_ns = np.asarray(numpy_column(kept, "time_ns"), dtype=np.int64)[finite] + series.sensors_later_ns
    return (times_ns - series.timestamps_ns[0]) / NS_PER_S, values[finite]


def outside_reason(name: str, times_s: NDArray[np.float64], end_s: float) -> str | None:
    """That all samples of a quantity lie before, or all after, a capture that lasts ``end_s``; ``None`` if not so.

    Examples
    --------
    >>> outside_reason("power_w", np.array([-9.0, -3.2]), 30.0)
    'the power samples end 3.2 s before the capture begins'
    """
    words = _word(name)
    if times_s[-1] <= 0.0:
        return f"the {words} samples end {_apart(-float(times_s[-1]))} before the capture begins"
    if times_s[0] >= end_s:
        return f"the {words} samples begin {_apart(float(times_s[0]) - end_s)} after the capture ends"
    return None


def _apart(distance_s: float) -> str:
    return f"{distance_s:.1f} s" if distance_s >= 0.1 else "less than 0.1 s"


def channel(series: FrameSeries, name: str) -> Channel | Missing:
    """One quantity over the span of the capture, or why there is none.

    Examples
    --------
    >>> from frametime.metrics.options import MeasureOptions
    >>> bare = FrameSeries(np.array([0, 10_000_000]), options=MeasureOptions())
    >>> channel(bare, "power_w")
    Missing(reason='no sensor log given')
    """
    if isinstance(found := samples_of(series, name), Missing):
        return found
    times_s, values = found
    end_s = series.duration_s
    outside = outside_reason(name, times_s, end_s)
    if outside is not None:
        return Missing(reason=outside)
    if times_s.size < 2:
        return Missing(reason=f"the sensor log has a single {_word(name)} sample; two are needed")
    # One sample beyond each end is kept: it carries the interpolation there.
    first = max(int(np.searchsorted(times_s, 0.0, side="right")) - 1, 0)
    stop = min(int(np.searchsorted(times_s, end_s, side="left")) + 1, times_s.size)
    near_s, near = times_s[first:stop], values[first:stop]
    low_s, high_s = max(0.0, float(near_s[0])), min(end_s, float(near_s[-1]))
    points_s = np.concatenate(([low_s], near_s[(near_s > low_s) & (near_s < high_s)], [high_s]))
    in_span = (near_s >= 0.0) & (near_s <= end_s)
    return Channel(
        name=name,
        times_s=points_s,
        values=np.interp(points_s, near_s, near),
        sample_values=near[in_span],
        duration_s=end_s,
        step_s=median(np.diff(near_s)),
        longest_step_s=float(np.max(np.diff(points_s))),
    )


NO_POWER: Final = "the power logged is zero or below on average, which no card at work draws"
"""A card cannot give power back: such a log has no sensor behind it, or its sign is wrong."""


@once_a_series
def power_channel(series: FrameSeries) -> Channel | Missing:
    """Power over the span of the capture, where it is above zero on average."""
    power = channel(series, POWER)
    return Missing(reason=NO_POWER) if isinstance(power, Channel) and not power.mean > 0.0 else power


average_power_w: Final = part_of(power_channel, lambda power: power.mean)
"""Energy over the covered part of the capture divided by its length, in W."""


def energy_per_frame_j(series: FrameSeries) -> float | Missing:
    """Energy over the covered part of the capture divided by the frames drawn in it; one at an edge counts in part."""
    if isinstance(power := power_channel(series), Missing):
        return power
    timestamps_s = (series.timestamps_ns - series.timestamps_ns[0]) / NS_PER_S
    drawn = np.interp(power.times_s[[0, -1]], timestamps_s, np.arange(timestamps_s.size))
    return power.integral / float(drawn[1] - drawn[0])


POWER_SLACK_FRACTION: Final = 0.02
"""Power stands at its limit from this share of it below (common practice, no source)."""


def time_at_power_limit_fraction(series: FrameSeries) -> float | Missing:
    """Share of the covered time with the power within 2 % of the limit that was given, or above it."""
    limit_w = series.options.power_limit_w
    if isinstance(power := power_channel(series), Missing):
        return power
    if limit_w is None:
        return Missing(reason="no power limit given")
    return power.share(at_limit(power, limit_w))


def at_limit(power: Channel, limit_w: float) -> NDArray[np.float64]:
    """Share of each piece at which the power stands at its limit or above it; one level with the edge does."""
    return 1.0 - power.below((1.0 - POWER_SLACK_FRACTION) * limit_w)


BUSY_PCT = 90.0
"""Under this the card waits for something else (common practice, no source)."""


def end_temperature_c(series: FrameSeries) -> float | Missing:
    """Temperature when the capture ended; none when the samples stop more than two of their steps earlier."""
    if isinstance(found := channel(series, TEMPERATURE), Missing):
        return found
    short_s = found.duration_s - float(found.times_s[-1])
    if short_s > 2.0 * found.step_s:
        return Missing(reason=f"the temperature samples end {short_s:.1f} s before the capture")
    return float(found.values[-1])


def time_above_temperature_limit_fraction(series: FrameSeries) -> float | Missing:
    """Share of the covered time above the temperature limit that was given."""
    limit_c = series.options.temperature_limit_c
    if isinstance(found := channel(series, TEMPERATURE), Missing):
        return found
    if limit_c is None:
        return Missing(reason="no temperature limit given")
    return found.share(found.above(limit_c))


def busy_under_90pct(found: Channel) -> float:
    """Share of the covered time in which the card was busy under 90 % of the time."""
    return found.share(found.below(BUSY_PCT))


utilization_under_90pct_fraction: Final = part_of(partial(channel, name=UTILIZATION), busy_under_90pct)


def frames_under_90pct(series: FrameSeries) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | Missing:
    """Frames of which the card's own work is logged, and on which of them it worked under 90 % of their time."""
    capture = series.capture
    if capture is None or "gpu_work_ns" not in capture.frames.column_names:
        return Missing(reason="the log does not say how long the card worked on each frame")
    known = capture.frames.slice(1).select([TIME_COLUMN, "gpu_work_ns"]).drop_null()
    if known.num_rows == 0:
        return Missing(reason="no frame has the time that the card worked on it")
    work_ms = np.asarray(numpy_column(known, "gpu_work_ns"), dtype=np.float64) / NS_PER_MS
    # The end of a frame finds its place again among the timestamps, which rise strictly.
    places = np.searchsorted(series.timestamps_ns, numpy_column(known, TIME_COLUMN)) - 1
    return places, work_ms < BUSY_PCT / 100.0 * series.frame_times_ms[places]


def gpu_work_under_90pct_fraction(series: FrameSeries) -> float | Missing:
    """Share of the time spent in frames on which the card worked under 90 % of the frame's own time."""
    if isinstance(found := frames_under_90pct(series), Missing):
        return found
    places, under = found
    times_ms = series.frame_times_ms[places]
    return float(times_ms[under].sum() / times_ms.sum())
