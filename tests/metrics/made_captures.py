"""Captures made from frame times, for the tests of the metrics."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from frametime.capture import Capture, Conditions, Provenance
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions

DEFAULT = MeasureOptions()


def stamps_of(frame_times_ms: Iterable[float], start_ns: int = 0) -> NDArray[np.int64]:
    """Timestamps whose frame times are these, rounded to the nanosecond."""
    times_ns = np.rint(np.asarray(list(frame_times_ms), dtype=np.float64) * 1e6).astype(np.int64)
    return start_ns + np.concatenate([[0], np.cumsum(times_ns)])


def capture_of(timestamps_ns: NDArray[np.int64]) -> Capture:
    return Capture(
        frames=pa.table({"timestamp_ns": pa.array(timestamps_ns, type=pa.int64())}),
        conditions=Conditions(),
        provenance=Provenance(
            file_name="made.csv",
            sha256="0" * 64,
            size_bytes=0,
            adapter="made",
            rows_read=timestamps_ns.size,
            rows_rejected=0,
            rejected_rows=(),
            layout_toml="",
            evidence=(),
        ),
        sensors=None,
        caveats=(),
    )


def series_of(timestamps_ns: NDArray[np.int64], options: MeasureOptions = DEFAULT) -> FrameSeries:
    return FrameSeries.of(capture_of(timestamps_ns), options)


def ordinary_ms(n_frames: int, *, seed: int = 1, level_ms: float = 10.0, spread: float = 0.1) -> NDArray[np.float64]:
    """Frame times of an ordinary run: independent, skewed."""
    return level_ms * np.random.default_rng(seed).lognormal(0.0, spread, n_frames)
