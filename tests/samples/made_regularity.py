"""Made runs: realistic clean noise with one planted cause."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyarrow as pa
from made_captures import capture_of
from numpy.typing import NDArray
from scipy.signal import lfilter

from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions

Array = NDArray[np.float64]
Plant = Callable[[Array, Array, np.random.Generator], Array]


def autocorrelated(n: int, coefficient: float, generator: np.random.Generator) -> Array:
    """First-order autoregressive noise of variance 1, started in its steady state."""
    noise = lfilter([1.0], [1.0, -coefficient], generator.standard_normal(n + 2000))[2000:]
    return noise * np.sqrt(1.0 - coefficient**2)


def clean_ms(n: int, seed: int, *, coefficient: float = 0.9, scatter: float = 0.03) -> Array:
    """Frame times around 8.3 ms: autocorrelated noise and 1 % of independent noise, both in logs."""
    generator = np.random.default_rng(seed)
    noise = scatter * autocorrelated(n, coefficient, generator) + 0.01 * generator.standard_normal(n)
    return 8.3 * np.exp(noise)


def wandering_ms(n: int, seed: int) -> Array:
    """Noise with two memories: some frames long, and some tenths of a second long."""
    generator = np.random.default_rng(seed)
    logs = 0.03 * autocorrelated(n, 0.9, generator) + 0.03 * autocorrelated(n, 0.98, generator)
    return 8.3 * np.exp(logs + 0.01 * generator.standard_normal(n))


def walking_ms(n: int, seed: int, *, pct_per_root_s: float = 0.5) -> Array:
    """Clean noise on a level that walks at random."""
    steps = np.random.default_rng(seed + 10**6).standard_normal(n) * np.sqrt(0.0083)
    return np.asarray(clean_ms(n, seed) * np.exp(0.01 * pct_per_root_s * np.cumsum(steps)))


def two_levels_ms(n: int, seed: int, *, dwell_s: float = 8.0) -> Array:
    """A scene of two parts, 8 and 10 ms a frame, each kept for a random time."""
    generator = np.random.default_rng(seed)
    level, parts, n_made = int(generator.integers(2)), [], 0
    while n_made < n:
        level_ms = (8.0, 10.0)[level]
        parts.append(np.full(max(int(generator.exponential(dwell_s) * 1e3 / level_ms), 1), level_ms))
        level, n_made = 1 - level, n_made + parts[-1].size
    return np.asarray(np.concatenate(parts)[:n] * np.exp(0.03 * autocorrelated(n, 0.5, generator)))


def hitching_ms(n: int, seed: int) -> Array:
    """Noise with a memory of ten frames, and a hitch in one of 200 frames, of exponential size."""
    generator = np.random.default_rng(seed + 10**6)
    times_ms, hits = clean_ms(n, seed), generator.random(n) < 0.005
    times_ms[hits] += generator.exponential(12.0, int(hits.sum()))
    return times_ms


def run_of(
    frame_times_ms: Array, options: MeasureOptions | None = None, **columns: list[int | None] | list[bool | None]
) -> FrameSeries:
    """A series with these frame times; more columns may be given, row 0 included."""
    steps_ns = np.round(np.asarray(frame_times_ms) * 1e6).astype(np.int64)
    stamps = np.concatenate(([0], np.cumsum(steps_ns)))
    capture = capture_of(stamps)
    for name, values in columns.items():
        kind = pa.bool_() if name == "shown" else pa.int64()
        frames = capture.frames.append_column(name, pa.array(values, type=kind))
        capture = Capture(
            frames=frames, conditions=capture.conditions, provenance=capture.provenance, sensors=None, caveats=()
        )
    return FrameSeries.of(capture, options or MeasureOptions())


def planted(seed: int, plant: Plant, *, n: int = 7200) -> FrameSeries:
    """A minute of clean noise with a planted cause; ``plant(frame_times_ms, ends_s, generator)``."""
    frame_times_ms = clean_ms(n, seed)
    ends_s = np.cumsum(frame_times_ms) / 1e3
    return run_of(plant(frame_times_ms, ends_s, np.random.default_rng(seed + 10**6)))


def step(percent: float, at_s: float) -> Plant:
    return lambda times_ms, ends_s, _: np.where(ends_s > at_s, times_ms * (1 + percent / 100), times_ms)


def slope(percent_per_min: float) -> Plant:
    return lambda times_ms, ends_s, _: times_ms * (1 + percent_per_min / 100 * ends_s / 60)


def alternation(percent: float) -> Plant:
    return lambda times_ms, ends_s, _: times_ms * (1 + percent / 200 * (-1.0) ** np.arange(times_ms.size))


def hitches(size_ms: float, period_s: float, jitter_s: float, first_s: float = 1.3) -> Plant:
    def plant(times_ms: Array, ends_s: Array, generator: np.random.Generator) -> Array:
        hit = times_ms.copy()
        for beat_s in np.arange(first_s, ends_s[-1], period_s):
            place = np.searchsorted(ends_s, beat_s + jitter_s * generator.standard_normal())
            hit[min(int(place), hit.size - 1)] += size_ms
        return hit

    return plant


def warm_up(percent: float, decay_s: float) -> Plant:
    return lambda times_ms, ends_s, _: times_ms * (1 + percent / 100 * np.exp(-ends_s / decay_s))


def sine(amplitude_ms: float, frequency_hz: float) -> Plant:
    return lambda times_ms, ends_s, _: times_ms + amplitude_ms * np.sin(2 * np.pi * frequency_hz * ends_s)
