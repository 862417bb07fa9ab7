"""One capture, prepared for the metrics: arrays that several of them share are made once, when first asked for."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from frametime.capture import TIME_COLUMN, Capture, SensorTrace
from frametime.metrics.frame_times import frame_times_ms
from frametime.metrics.options import MeasureOptions
from frametime.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa


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
    """

    def __init__(
        self, timestamps_ns: NDArray[np.int64], *, options: MeasureOptions, capture: Capture | None = None
    ) -> None:
        self.timestamps_ns = timestamps_ns
        self.options = options
        self.capture = capture
        self.frame_times_ms: NDArray[np.float64] = frame_times_ms(timestamps_ns)

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
    def sorted_ms(self) -> NDArray[np.float64]:
        """Frame times in rising order, shape (n_frames,): one sort serves every quantile."""
        return np.sort(self.frame_times_ms)

    @cached_property
    def ends_s(self) -> NDArray[np.float64]:
        """End of each frame in seconds since the start of the first, shape (n_frames,)."""
        return np.asarray((self.timestamps_ns[1:] - self.timestamps_ns[0]) / NS_PER_S, dtype=np.float64)

    @property
    def sensors(self) -> SensorTrace | None:
        """Sensor samples on the capture's clock, where there are any."""
        return None if self.capture is None else self.capture.sensors
