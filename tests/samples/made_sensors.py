"""Made captures with sensor samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pyarrow as pa
from made_captures import provenance, stamps_of
from numpy.typing import NDArray

from frametime.capture import Capture, Conditions, SensorTrace
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions

PLAIN = MeasureOptions()
LIMITS = MeasureOptions(temperature_limit_c=85.0, power_limit_w=250.0)


def series_of(
    columns: Mapping[str, Sequence[float | None]],
    *,
    seconds: float = 10.0,
    fps: float = 100.0,
    options: MeasureOptions = PLAIN,
    frames: Mapping[str, Sequence[int | None]] | None = None,
    times_ms: NDArray[np.float64] | None = None,
) -> FrameSeries:
    """A capture at a constant rate, or of these frames, with these samples; ``time_s`` gives their times."""
    stamps = np.rint(np.linspace(0.0, seconds, round(seconds * fps) + 1) * 1e9).astype(np.int64)
    if times_ms is not None:
        stamps = stamps_of(times_ms)
    samples = {
        "time_ns": pa.array([round(time_s * 1e9) for time_s in columns["time_s"] if time_s is not None], pa.int64())
    }
    samples |= {name: pa.array(values, pa.float64()) for name, values in columns.items() if name != "time_s"}
    trace = SensorTrace(
        samples=pa.table(samples), alignment="made", provenance=provenance(), missing_counts={}, caveats=()
    )
    capture = Capture(
        frames=pa.table({"timestamp_ns": pa.array(stamps), **(frames or {})}),
        conditions=Conditions(),
        provenance=provenance(),
        sensors=trace,
        caveats=(),
    )
    return FrameSeries.of(capture, options)
