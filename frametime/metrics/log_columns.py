"""The columns beside the timestamps, as arrays with a mask of the cells that hold a value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.frame_series import FrameSeries, numpy_column

if TYPE_CHECKING:
    import pyarrow as pa


def column_with_gaps(table: pa.Table, name: str) -> tuple[NDArray[np.generic], NDArray[np.bool_]]:
    """Values and which of them are there; where they are not, the value is 0.

    A boolean column comes as 0 and 1. No Python scalar is handed to Arrow and no ``to_numpy`` is called: both would
    import pandas wherever it is installed (see ``numpy_column``).
    """
    import pyarrow as pa

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
