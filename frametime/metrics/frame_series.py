"""One capture as arrays: frame times, columns beside them, and what metrics share of it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, wraps
from typing import TypeVar, cast

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from frametime.capture import TIME_COLUMN, Capture, SensorTrace
from frametime.metrics import pacing
from frametime.metrics.block_medians import Numbers
from frametime.metrics.options import MeasureOptions
from frametime.units import NS_PER_MS, NS_PER_S

Found = TypeVar("Found")


def frame_times_ms(timestamps_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """Time from each frame to the next, in ms.

    The difference is taken as integers and divided afterwards: absolute nanoseconds are larger than 2**53, and as
    floating-point numbers they would lose tens of nanoseconds first.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
        Strictly rising.

    Returns
    -------
    ndarray of float64, shape (n_frames,)
        All > 0.

    Raises
    ------
    ValueError
        If there are fewer than two timestamps, or they do not rise.

    Examples
    --------
    >>> frame_times_ms(np.array([1_790_000_000_000_000_000, 1_790_000_000_016_666_667])).tolist()
    [16.666667]
    """
    if timestamps_ns.ndim != 1 or timestamps_ns.size < 2:
        raise ValueError(f"timestamps_ns must hold two values or more, got shape {timestamps_ns.shape!r}")
    steps_ns = np.diff(timestamps_ns)
    if steps_ns.min() <= 0:
        raise ValueError("timestamps_ns must rise strictly")
    return np.asarray(steps_ns / NS_PER_MS, dtype=np.float64)


def numpy_column(table: pa.Table, name: str) -> NDArray[np.generic]:
    """A column without nulls as one array.

    Chunks go through the DLPack protocol: ``to_numpy`` of pyarrow imports pandas wherever it is installed, which
    costs a quick check more than its own work.
    """
    chunks = [np.from_dlpack(chunk) for chunk in table.column(name).chunks if len(chunk)]
    return chunks[0] if len(chunks) == 1 else np.concatenate(chunks)


class FrameSeries:
    """The arrays of one capture.

    Parameters
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
        Strictly rising.
    options : MeasureOptions
    capture : Capture or None
        Where the other columns and the sensors come from; ``None`` for a bare series.
    sensors_later_ns : int
        By how much later the samples of the sensors are taken to be than they say.
    """

    def __init__(
        self,
        timestamps_ns: NDArray[np.int64],
        *,
        options: MeasureOptions,
        capture: Capture | None = None,
        sensors_later_ns: int = 0,
    ) -> None:
        self.timestamps_ns = timestamps_ns
        self.options = options
        self.capture = capture
        self.sensors_later_ns = sensors_later_ns
        self.frame_times_ms: NDArray[np.float64] = frame_times_ms(timestamps_ns)
        self.found: dict[Callable[[FrameSeries], object], object] = {}

    @classmethod
    def of(cls, capture: Capture, options: MeasureOptions) -> FrameSeries:
        """The series of a capture."""
        timestamps_ns = np.asarray(numpy_column(capture.frames, TIME_COLUMN), dtype=np.int64)
        return cls(timestamps_ns, options=options, capture=capture)

    @property
    def n_frames(self) -> int:
        """Number of frame times."""
        return int(self.frame_times_ms.size)

    @property
    def duration_s(self) -> float:
        """From the start of the first frame to the end of the last, in s."""
        return float(int(self.timestamps_ns[-1]) - int(self.timestamps_ns[0])) / NS_PER_S

    @cached_property
    def steps_ns(self) -> Numbers:
        """Frame times in whole nanoseconds, of four bytes where none lasts two seconds: these sort in half the time."""
        is_narrow = float(self.frame_times_ms.max()) < 2000.0
        steps_ns: Numbers = np.empty(self.n_frames, dtype=np.int32 if is_narrow else np.int64)
        return np.subtract(self.timestamps_ns[1:], self.timestamps_ns[:-1], out=steps_ns)

    @cached_property
    def sorted_ms(self) -> NDArray[np.float64]:
        """Frame times in rising order, shape (n_frames,): one sort serves every quantile."""
        return np.asarray(np.sort(self.steps_ns) / NS_PER_MS, dtype=np.float64)

    @cached_property
    def ends_s(self) -> NDArray[np.float64]:
        """End of each frame in seconds since the start of the first, shape (n_frames,)."""
        return np.asarray((self.timestamps_ns[1:] - self.timestamps_ns[0]) / NS_PER_S, dtype=np.float64)

    @property
    def sensors(self) -> SensorTrace | None:
        """Sensor samples on the capture's clock, where there are any."""
        return None if self.capture is None else self.capture.sensors

    @cached_property
    def variance_ms2(self) -> float:
        """Sample variance of the frame times; two frames or more."""
        return pacing.variance_ms2(self.frame_times_ms)

    @cached_property
    def jitter(self) -> pacing.Jitter:
        """Last and median value of the running jitter; two frames or more."""
        return pacing.jitter(self.frame_times_ms)


def once_a_series(find: Callable[[FrameSeries], Found]) -> Callable[[FrameSeries], Found]:
    """Make a function of a series work once for each: a metric and the list of findings then read the same value.

    Examples
    --------
    >>> @once_a_series
    ... def slowest_ms(series: FrameSeries) -> float:
    ...     print("looked for")
    ...     return float(series.sorted_ms[-1])
    >>> series = FrameSeries(np.array([0, 8_000_000, 20_000_000]), options=MeasureOptions())
    >>> slowest_ms(series), slowest_ms(series)
    looked for
    (12.0, 12.0)
    """

    @wraps(find)
    def found(series: FrameSeries) -> Found:
        if find not in series.found:
            series.found[find] = find(series)
        return cast("Found", series.found[find])

    return found


def column_with_gaps(table: pa.Table, name: str) -> tuple[NDArray[np.generic], NDArray[np.bool_]]:
    """Values and which of them are there; where they are not, the value is 0.

    A boolean column comes as 0 and 1. No Python scalar is handed to Arrow and no ``to_numpy`` is called: both would
    import pandas wherever it is installed (see ``numpy_column``).
    """
    column = table.column(name)
    is_bool = pa.types.is_boolean(column.type)
    if column.null_count == 0 and not is_bool:
        values = numpy_column(table, name)
        return values, np.ones(values.size, dtype=np.bool_)
    flags = pa.table({name: column.is_valid().cast(pa.uint8())})
    valid = np.asarray(numpy_column(flags, name), dtype=np.bool_)
    present = column.drop_null()
    if is_bool:
        present = present.cast(pa.uint8())
    values = np.zeros(valid.size, dtype=np.uint8 if is_bool else np.int64)
    if valid.any():
        values[valid] = numpy_column(pa.table({name: present}), name)
    return values, valid


def logged_times_ns(series: FrameSeries, name: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | None:
    """A time column of the log, row 0 (where the first frame began) included, or ``None`` when it is not logged.

    Returns
    -------
    tuple of ndarray of int64 and ndarray of bool, both shape (n_frames + 1,), or None
        Times in ns and whether each was logged.
    """
    if series.capture is None or name not in series.capture.frames.column_names:
        return None
    values, valid = column_with_gaps(series.capture.frames, name)
    return np.asarray(values, dtype=np.int64), valid


def shown_frames(series: FrameSeries) -> NDArray[np.bool_] | None:
    """Which frames appeared on the display, shape (n_frames,), or ``None`` when the log does not say.

    A frame is shown unless the log says that it was not: an empty cell counts as shown. Where the log has display
    times but no such column, a frame without a display time was not shown.
    """
    if series.capture is None:
        return None
    names = series.capture.frames.column_names
    if "shown" in names:
        values, valid = column_with_gaps(series.capture.frames, "shown")
        return np.asarray((values != 0) | ~valid, dtype=np.bool_)[1:]
    if "displayed_ns" in names:
        _, valid = column_with_gaps(series.capture.frames, "displayed_ns")
        # Row 0 may be empty; only when some frames have a time does an empty cell mean anything.
        return valid[1:] if valid[1:].any() else None
    return None
