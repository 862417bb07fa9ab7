"""Sensor samples over the span of a capture: each quantity as a broken line with interpolated ends."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.frame_series import FrameSeries, numpy_column
from frametime.metrics.metric import Missing
from frametime.units import NS_PER_S

NO_SENSORS: Final = "no sensor log given"

QUANTITY_WORDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "power_w": "power",
        "temperature_c": "temperature",
        "core_clock_mhz": "core clock",
        "memory_clock_mhz": "memory clock",
        "utilization_pct": "utilization",
    }
)
"""Words for the quantities that metrics rest on."""


class Channel(NamedTuple):
    """One quantity over the part of the capture that its samples cover.

    Between two samples the quantity is taken to change evenly. At the start and the end of the capture it is
    interpolated between the samples on either side; beyond the first and the last sample nothing is assumed.

    Attributes
    ----------
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

    def fraction_above(self, limit: float) -> float:
        """Share of the covered time in which the broken line lies above ``limit``."""
        return float(np.sum(self.pieces_above(limit) * np.diff(self.times_s)) / self.covered_s)

    def pieces_above(self, limit: float) -> NDArray[np.float64]:
        """Share of each piece between two points that lies above ``limit``, shape (n_points - 1,)."""
        return _shares_above(self.values, limit)

    def fraction_from(self, limit: float) -> float:
        """Share of the covered time in which the broken line lies at ``limit`` or above it."""
        return float(np.sum(self.pieces_from(limit) * np.diff(self.times_s)) / self.covered_s)

    def pieces_from(self, limit: float) -> NDArray[np.float64]:
        """Share of each piece that lies at ``limit`` or above it: a piece level with it does."""
        return 1.0 - self.pieces_below(limit)

    def fraction_below(self, limit: float) -> float:
        """Share of the covered time in which the broken line lies below ``limit``."""
        return float(np.sum(self.pieces_below(limit) * np.diff(self.times_s)) / self.covered_s)

    def pieces_below(self, limit: float) -> NDArray[np.float64]:
        """Share of each piece that lies below ``limit``: a piece level with it lies neither above nor below."""
        return _shares_above(-self.values, -limit)


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
        return Missing(reason="the sensor log could not be used" if unusable else NO_SENSORS)
    if name not in trace.samples.column_names:
        return Missing(reason=f"the sensor log has no column for {name}")
    no_number = Missing(reason=f"no cell of {name} holds a number")
    kept = trace.samples.select(["time_ns", name]).drop_null()
    if kept.num_rows == 0:
        return no_number
    times_ns = np.asarray(numpy_column(kept, "time_ns"), dtype=np.int64)
    values = np.asarray(numpy_column(kept, name), dtype=np.float64)
    finite = np.isfinite(values)
    if not finite.any():
        return no_number
    times_s = (times_ns[finite] - series.timestamps_ns[0]) / NS_PER_S
    return np.asarray(times_s, dtype=np.float64), values[finite]


def outside_reason(name: str, times_s: NDArray[np.float64], end_s: float) -> str | None:
    """That all samples of a quantity lie before, or all after, a capture that lasts ``end_s``; ``None`` if not so.

    Examples
    --------
    >>> outside_reason("power_w", np.array([-9.0, -3.2]), 30.0)
    'the power samples end 3.2 s before the capture begins'
    """
    words = QUANTITY_WORDS.get(name, name)
    if times_s[-1] <= 0.0:
        return f"the {words} samples end {_apart(-float(times_s[-1]))} before the capture begins"
    if times_s[0] >= end_s:
        return f"the {words} samples begin {_apart(float(times_s[0]) - end_s)} after the capture ends"
    return None


def none_inside(name: str) -> Missing:
    """That the capture lies between two samples of a quantity, which say nothing of its highest and lowest.

    Examples
    --------
    >>> none_inside("power_w")
    Missing(reason='no power sample lies in the capture')
    """
    return Missing(reason=f"no {QUANTITY_WORDS.get(name, name)} sample lies in the capture")


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
    found = samples_of(series, name)
    if isinstance(found, Missing):
        return found
    times_s, values = found
    end_s = series.duration_s
    outside = outside_reason(name, times_s, end_s)
    if outside is not None:
        return Missing(reason=outside)
    if times_s.size < 2:
        return Missing(reason=f"the sensor log has a single {QUANTITY_WORDS.get(name, name)} sample; two are needed")
    # One sample beyond each end is kept: it carries the interpolation there.
    first = max(int(np.searchsorted(times_s, 0.0, side="right")) - 1, 0)
    stop = min(int(np.searchsorted(times_s, end_s, side="left")) + 1, times_s.size)
    near_s, near = times_s[first:stop], values[first:stop]
    low_s, high_s = max(0.0, float(near_s[0])), min(end_s, float(near_s[-1]))
    inside = (near_s > low_s) & (near_s < high_s)
    points_s = np.concatenate(([low_s], near_s[inside], [high_s]))
    in_span = (near_s >= 0.0) & (near_s <= end_s)
    return Channel(
        times_s=points_s,
        values=np.interp(points_s, near_s, near),
        sample_values=near[in_span],
        duration_s=end_s,
        step_s=median(np.diff(near_s)),
        longest_step_s=float(np.max(np.diff(points_s))),
    )
