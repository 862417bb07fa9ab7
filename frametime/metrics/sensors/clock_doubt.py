"""What a doubt about the clock of the sensors makes of their numbers: the samples are moved to either side."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from frametime.metrics.frame_series import FrameSeries, numpy_column, once_a_series
from frametime.metrics.metric import Missing
from frametime.statistics.differences import Interval
from frametime.units import NS_PER_S

_STEPS: Final = (-1.0, -0.5, 0.5, 1.0)
_DOUBTED: Final = frozenset(
    (
        "average_power_w",
        "energy_per_frame_j",
        "frames_per_joule",
        "average_temperature_c",
        "average_core_clock_mhz",
        "average_memory_clock_mhz",
    )
)

Compute = Callable[[FrameSeries], "float | Missing"]


def range_in_doubt(series: FrameSeries, compute: Compute, value: float) -> tuple[float, float]:
    """Least and greatest value of a metric while the samples are off by no more than their clock may be."""
    moved = [found for each in _moved(series) if not isinstance(found := compute(each), Missing)]
    return min([value, *moved]), max([value, *moved])


def with_clock_doubt(
    series: FrameSeries,
    computes: Mapping[str, Compute],
    values: Mapping[str, float],
    intervals: Mapping[str, Interval | Missing],
) -> Mapping[str, Interval | Missing]:
    """The intervals, with those of sensor metrics as much wider as their clock may be off."""
    if series.sensors is None or series.sensors.clock_doubt_s <= 0.0:
        return intervals
    found = dict(intervals)
    for key in _DOUBTED & values.keys():
        interval = intervals.get(key)
        if isinstance(interval, Interval):
            low, high = range_in_doubt(series, computes[key], values[key])
            found[key] = replace(
                interval,
                low=interval.low - (values[key] - low),
                high=interval.high + (high - values[key]),
                method=f"{interval.method}; wider by clocks that may be {series.sensors.clock_doubt_s:.1f} s apart",
            )
    return found


@once_a_series
def _moved(series: FrameSeries) -> tuple[FrameSeries, ...]:
    """The series with its samples moved by parts of the doubt."""
    import pyarrow as pa

    capture = series.capture
    if capture is None or capture.sensors is None or capture.sensors.clock_doubt_s <= 0.0:
        return ()
    trace = capture.sensors
    times_ns = np.asarray(numpy_column(trace.samples, "time_ns"), dtype=np.int64)
    at = trace.samples.schema.get_field_index("time_ns")
    found = []
    for step in _STEPS:
        moved = times_ns + round(step * trace.clock_doubt_s * NS_PER_S)
        column = pa.Array.from_buffers(pa.int64(), moved.size, [None, pa.py_buffer(moved.tobytes())])
        samples = trace.samples.set_column(at, trace.samples.schema.field(at), column)
        with_moved = replace(capture, sensors=replace(trace, samples=samples))
        found.append(FrameSeries(series.timestamps_ns, options=series.options, capture=with_moved))
    return tuple(found)
