"""Frame times of a run: camera path, run level, correlated noise, a long tail, stutters, limiter, spoiled part."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from frametime.demo.random_stream import RandomStream
from frametime.demo.scenario import BAD_FROM, BAD_SLOWDOWN, BAD_TO, LIMIT_FPS, DemoScene

_GRID_STEPS_PER_LAP = 3_000
_SLOW_SHARE = 0.012
_MEMORY_S = 0.12


class FrameSource(Protocol):
    """What the frame times of a run depend on."""

    @property
    def seed(self) -> tuple[int, ...]:
        """Entropy of this run alone."""

    @property
    def scene(self) -> DemoScene:
        """What is rendered."""

    @property
    def rate_fps(self) -> float:
        """True average rate, before the limiter."""

    @property
    def is_bad(self) -> bool:
        """Whether a background task spoiled it."""

    @property
    def is_capped(self) -> bool:
        """Whether the frame limiter holds it."""


def frame_times_us(run: FrameSource, *, duration_s: float, lap_s: float | None = None) -> NDArray[np.int64]:
    """Frame times in whole microseconds, shape (n_frames,), of about ``duration_s`` seconds.

    ``lap_s`` is the time for once along the camera path; the whole run where it is not given.

    The work a frame follows the camera path of the scene, which is the same in time on every card. The logarithm
    of the frame time is the sum of that, the level of the run, a slowly changing part, a part of each frame, and in
    about one frame of a hundred an exponential excess.
    """
    stream = RandomStream(run.seed)
    level = float(stream.normal(1)[0]) * run.scene.run_sd
    ends_s = _path_ends_s(run, duration_s, lap_s or duration_s)
    size = ends_s.size
    frame_sd = run.scene.frame_sd
    memory = math.exp(-1.0 / (_MEMORY_S * run.rate_fps))
    noise = 0.7 * frame_sd * stream.following(size, memory=memory) + 0.7 * frame_sd * stream.normal(size)
    slow = np.where(stream.uniform(size) < _SLOW_SHARE, 0.06 + 0.10 * stream.exponential(size), 0.0)
    times_us = np.diff(ends_s, prepend=0.0) * 1e6 * np.exp(level + noise + slow)
    if run.is_capped:
        # A frame that is ready early waits for the limiter; one in a great many is late.
        ready_us = 1e6 / run.rate_fps * np.exp(level + noise + slow)
        times_us = np.maximum(ready_us, 1e6 / LIMIT_FPS) + 20.0 * stream.normal(size)
    times_us = times_us + _stutters_us(run, ends_s, stream, duration_s)
    rounded = np.asarray(np.rint(times_us), dtype=np.int64)
    inside = np.cumsum(rounded) <= duration_s * 1e6
    return rounded[inside]


def _path_ends_s(run: FrameSource, duration_s: float, lap_s: float) -> NDArray[np.float64]:
    """When each frame would end without noise, a little beyond ``duration_s``."""
    points = np.asarray(run.scene.path)
    # A tenth of a lap beyond the end, for runs whose level is fast. The path goes around.
    laps = duration_s / lap_s + 0.1
    position = np.linspace(0.0, laps, round(_GRID_STEPS_PER_LAP * laps))
    work = np.interp(position * points.size % points.size, np.arange(points.size + 1), np.append(points, points[0]))
    rate_fps = run.rate_fps * float(points.mean()) / work
    grid_s = position * lap_s
    # Where frames are held back, fewer of them go into the same part of the path.
    if run.is_bad:
        spoiled = (grid_s > BAD_FROM * duration_s) & (grid_s < BAD_TO * duration_s)
        rate_fps = np.where(spoiled, rate_fps / BAD_SLOWDOWN, rate_fps)
    if run.is_capped:
        rate_fps = np.minimum(rate_fps, LIMIT_FPS)
    frames = np.concatenate(([0.0], np.cumsum((rate_fps[1:] + rate_fps[:-1]) / 2.0 * np.diff(grid_s))))
    return np.interp(np.arange(1.0, np.floor(frames[-1])), frames, grid_s)


def _stutters_us(
    run: FrameSource, ends_s: NDArray[np.float64], stream: RandomStream, duration_s: float
) -> NDArray[np.float64]:
    """Excess of the stutters, 0 for all other frames."""
    expected = run.scene.stutters_per_min * duration_s / 60.0
    gaps = stream.exponential(int(4 * expected) + 8)
    times_s = np.cumsum(gaps) * (duration_s / expected)
    sizes_us = 9_000.0 + 9_000.0 * stream.exponential(times_s.size)
    if run.scene.hitch_every_s is not None:
        regular_s = np.arange(run.scene.hitch_every_s, duration_s, run.scene.hitch_every_s)
        times_s = np.concatenate((times_s, regular_s + 0.01 * stream.normal(regular_s.size)))
        sizes_us = np.concatenate((sizes_us, 24_000.0 + 3_000.0 * stream.normal(regular_s.size)))
    if run.is_bad:
        during_s = (BAD_FROM + (BAD_TO - BAD_FROM) * stream.uniform(14)) * duration_s
        times_s = np.concatenate((times_s, during_s))
        sizes_us = np.concatenate((sizes_us, 15_000.0 + 20_000.0 * stream.exponential(14)))
    # A stutter is never small against the frame that it hits.
    least_us = 1.2e6 / run.rate_fps
    excess_us = np.zeros(ends_s.size)
    for time_s, size_us in zip(times_s.tolist(), sizes_us.tolist(), strict=True):
        place = int(np.searchsorted(ends_s, time_s))
        if place < ends_s.size:
            excess_us[place] += size_us + least_us
    return excess_us
