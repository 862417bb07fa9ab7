"""Captures of invented runs for the chart tests: any rate, length and number of hitches, with or without sensors."""

from __future__ import annotations

import made_captures
import numpy as np
import pyarrow as pa

from frametime.capture import Capture, Conditions, SensorTrace
from frametime.metrics.measure import measure
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions


def capture_of(
    frame_times_ms: np.ndarray,
    *,
    card: str | None = "Amber 6",
    scene: str | None = "Harbor",
    resolution: str | None = "1440p",
    run: str | None = "1",
    file_name: str = "run1.csv",
    sensors: SensorTrace | None = None,
) -> Capture:
    """A capture of these frame times."""
    conditions = Conditions(card=card, scene=scene, resolution=resolution, run=run)
    return made_captures.capture_of(
        made_captures.stamps_of(frame_times_ms), conditions=conditions, file_name=file_name, sensors=sensors
    )


def sample_times_ms(
    n_frames: int, *, fps: float = 120.0, n_hitches: int = 5, hitch_ms: float = 40.0, seed: int = 1
) -> np.ndarray:
    """Frame times that wander slowly, with a little noise and a few hitches."""
    rng = np.random.default_rng(seed)
    slow = 0.12 * np.sin(np.linspace(0.0, 9.0, n_frames))
    times_ms = 1000.0 / fps * np.exp(slow + 0.05 * rng.standard_normal(n_frames))
    places = rng.choice(n_frames, min(n_hitches, n_frames), replace=False)
    times_ms[places] += hitch_ms * rng.uniform(0.6, 1.5, places.size)
    return times_ms


def sample_sensors(duration_s: float, *, seed: int = 1) -> SensorTrace:
    """Five samples a second: power around 220 W, a card that warms up, a clock that falls in steps."""
    rng = np.random.default_rng(seed)
    n_samples = int(duration_s * 5) + 2
    steps = np.arange(n_samples)
    samples = pa.table(
        {
            "time_ns": steps * 200_000_000,
            "power_w": 220.0 + 10.0 * rng.standard_normal(n_samples),
            "temperature_c": 74.0 - 28.0 * np.exp(-steps / 90.0),
            "core_clock_mhz": 2450.0 - 15.0 * np.round(steps / 60.0) + 15.0 * rng.integers(0, 2, n_samples),
        }
    )
    return SensorTrace(
        samples=samples,
        alignment="by elapsed time",
        provenance=made_captures.provenance("sensors.csv"),
        missing_counts={},
        caveats=(),
    )


def sample_capture(n_frames: int = 3000, *, with_sensors: bool = False, **chosen: object) -> Capture:
    """A capture of ``sample_times_ms``; the other arguments go to it or to ``capture_of``."""
    shape = {key: chosen.pop(key) for key in ("fps", "n_hitches", "hitch_ms", "seed") if key in chosen}
    times_ms = sample_times_ms(n_frames, **shape)  # type: ignore[arg-type]
    sensors = sample_sensors(float(times_ms.sum()) / 1000.0) if with_sensors else None
    return capture_of(times_ms, sensors=sensors, **chosen)  # type: ignore[arg-type]


def measured(capture: Capture, options: MeasureOptions | None = None) -> MeasuredRun:
    """The capture, measured in full."""
    return measure(capture, MeasureOptions() if options is None else options)
