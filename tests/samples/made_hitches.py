"""Made runs with hitches: on a beat, beside it, in bursts; and runs whose noise alone has frames that stand out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from made_regularity import Array, autocorrelated
from numpy.typing import NDArray

from frametime.metrics.rhythm.hitches import Hitches

KINDS = ("iid", "memory", "swinging", "heavy-tailed", "refresh", "bursty", "single")


def log_of(kind: str, n: int, median_ms: float, generator: np.random.Generator) -> Array:
    """Frame times without any recurring hitch."""
    noise = generator.standard_normal(n)
    if kind == "heavy-tailed":
        times_ms = median_ms * (1.0 + 0.04 * np.abs(generator.standard_t(2, n)))
    elif kind == "refresh":
        times_ms = np.where(generator.random(n) < 0.01, 2, 1) * median_ms + 0.02 * noise
    else:
        phase = 2.0 * np.pi * np.arange(n) * median_ms / 1000.0 / generator.uniform(3.0, 12.0)
        level, coefficient, scatter, own = {
            "iid": (0.0, 0.0, 0.06, 0.0),
            "memory": (0.0, 0.98, 0.04, 0.02),
            "swinging": (0.16, 0.9, 0.03, 0.0),
            "bursty": (0.0, 0.9, 0.04, 0.0),
            "single": (0.0, 0.9, 0.04, 0.0),
        }[kind]
        logs = level * np.sin(phase) + scatter * autocorrelated(n, coefficient, generator) + own * noise
        times_ms = median_ms * np.exp(logs)
    for places in _planted_places(kind, n, median_ms, generator):
        times_ms[places] += generator.uniform(8.0, 40.0, places.size)
    return np.asarray(times_ms)


def _planted_places(kind: str, n: int, median_ms: float, generator: np.random.Generator) -> Iterator[NDArray[np.int64]]:
    """Frames that are made longer: single ones anywhere, or bursts of up to 1.5 s."""
    if kind == "single":
        yield generator.choice(n, int(generator.integers(4, 60)), replace=False)
    if kind == "bursty":
        for _ in range(max(3, int(generator.uniform(0.1, 0.6) * n * median_ms / 1000.0))):
            width = int(generator.uniform(0.1, 1.5) * 1000.0 / median_ms)
            offsets = generator.integers(0, width, int(generator.integers(2, 12)))
            yield np.unique(np.clip(generator.integers(0, n) + offsets, 0, n - 1))


def planted_by(
    clock: str, kind: str, run_s: float, median_ms: float, period_s: float, generator: np.random.Generator
) -> tuple[Array, float]:
    """Hitches on half of the beats of a period and as many strays, by the clock or by frames; frame times and period.

    By the clock the frame that is being drawn when the beat comes takes longer, and all later frames come later.
    """
    n = int(run_s * 1000.0 / median_ms)
    times_ms = log_of(kind, n, median_ms, generator)
    if clock == "frames":
        every = max(round(period_s * 1000.0 / median_ms), 3)
        beats = np.arange(generator.integers(0, every), n, every)
        beats = beats[generator.random(beats.size) < 0.5]
        places = np.unique(np.concatenate((beats, generator.choice(n, beats.size, replace=False))))
        times_ms[places] += generator.uniform(14.0, 24.0, places.size)
        return times_ms, every * float(times_ms.mean()) / 1000.0
    waiting = np.sort(beats_and_strays(period_s, run_s, generator, jitter_s=0.0)).tolist()
    now_s, place = 0.0, 0
    while place < n and now_s < run_s:
        now_s += times_ms[place] / 1000.0
        if waiting and now_s > waiting[0]:
            longer_ms = generator.uniform(14.0, 24.0)
            times_ms[place] += longer_ms
            now_s += longer_ms / 1000.0
            waiting = [time_s for time_s in waiting if time_s >= now_s]
        place += 1
    return times_ms[:place], period_s


def beats_and_strays(
    period_s: float, run_s: float, generator: np.random.Generator, *, jitter_s: float = 0.004
) -> Array:
    """Times of half of the beats of a period, and of as many strays."""
    beats_s = np.arange(generator.uniform(0.0, period_s), run_s, period_s)
    beats_s = beats_s[generator.random(beats_s.size) < 0.5]
    beats_s = beats_s + jitter_s * generator.standard_normal(beats_s.size)
    return np.concatenate((beats_s, generator.uniform(0.0, run_s, beats_s.size))).clip(0.0, run_s)


def trained(
    times_s: Array, run_s: float, *, excess_ms: Array | None = None, n_strays: int = 0, seed: int = 0
) -> Hitches:
    """Hitches at these times among frames of 8.3 ms."""
    strays_s = np.random.default_rng(seed).uniform(0.0, run_s, n_strays)
    all_s = np.concatenate((times_s, strays_s))
    order = np.argsort(all_s)
    excess = np.full(all_s.size, 20.0) if excess_ms is None else np.asarray(excess_ms)
    return Hitches(
        positions=(all_s[order] * 1000.0 / 8.3).astype(np.int64),
        starts_s=all_s[order],
        longest_ms=8.3 + excess[order],
        excess_ms=excess[order],
        n_frames=int(run_s * 1000.0 / 8.3),
        run_s=run_s,
    )
