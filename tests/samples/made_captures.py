"""Captures made from frame times, and where they say that they come from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from frametime.capture import Capture, Conditions, Provenance, SensorTrace
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions

DEFAULT = MeasureOptions()


def stamps_of(frame_times_ms: Iterable[float], start_ns: int = 0) -> NDArray[np.int64]:
    """Timestamps whose frame times are these, rounded to the nanosecond."""
    times_ns = np.rint(np.asarray(list(frame_times_ms), dtype=np.float64) * 1e6).astype(np.int64)
    return start_ns + np.concatenate([[0], np.cumsum(times_ns)])


def provenance(file_name: str = "made.csv", **known: object) -> Provenance:
    """Of a file that was never there; more of its fields may be given."""
    plain = Provenance(
        file_name=file_name,
        sha256="0" * 64,
        size_bytes=0,
        adapter="made",
        rows_read=0,
        rows_rejected=0,
        rejected_rows=(),
        layout_toml="",
        evidence=(),
    )
    return replace(plain, **known)  # type: ignore[arg-type]


def capture_of(
    timestamps_ns: NDArray[np.int64],
    *,
    conditions: Conditions | None = None,
    file_name: str = "made.csv",
    sensors: SensorTrace | None = None,
    **known: object,
) -> Capture:
    """A capture of frames that end at these times; ``known`` are fields of its provenance."""
    return Capture(
        frames=pa.table({"timestamp_ns": pa.array(timestamps_ns, type=pa.int64())}),
        conditions=conditions or Conditions(),
        provenance=provenance(file_name, rows_read=timestamps_ns.size, **known),
        sensors=sensors,
        caveats=(),
    )


def series_of(timestamps_ns: NDArray[np.int64], options: MeasureOptions = DEFAULT) -> FrameSeries:
    return FrameSeries.of(capture_of(timestamps_ns), options)


def ordinary_ms(n_frames: int, *, seed: int = 1, level_ms: float = 10.0, spread: float = 0.1) -> NDArray[np.float64]:
    """Frame times of an ordinary run: independent, skewed."""
    return level_ms * np.random.default_rng(seed).lognormal(0.0, spread, n_frames)
