"""Work and memory follow the number of frames, never the times that a cell claims."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from made_captures import capture_of

from frametime import Capture, measure

N_FRAMES = 1_500
BYTES_PER_FRAME = 20_000
DAY_NS = 86_400 * 10**9

TIMES_NS = {
    "frames of three days and a half": 3 * 10**14 + np.arange(N_FRAMES) % 7,
    "frames of two minutes": 12 * 10**10 + np.arange(N_FRAMES) % 7 * 10**9,
    "frames of a second and a half": np.full(N_FRAMES, 1_500_000_000) + np.arange(N_FRAMES) % 5 * 10**7,
    "one gap of ten years": np.where(np.arange(N_FRAMES) == 700, 3_650 * DAY_NS, 10_000_000),
    "gaps of a day among frames of 10 ms": np.where(np.arange(N_FRAMES) % 100 == 50, DAY_NS, 10_000_000),
    "half of the frames a day, half 10 ms": np.where(np.arange(N_FRAMES) % 2 == 0, DAY_NS, 10_000_000),
    "frames of a nanosecond": np.full(N_FRAMES, 1),
    "a nanosecond and one gap of a day": np.where(np.arange(N_FRAMES) == 700, DAY_NS, 1),
    "every length from a nanosecond to a day": np.geomspace(1, DAY_NS, N_FRAMES).astype(np.int64),
}


def ends_at(times_ns: np.ndarray) -> Capture:
    return capture_of(np.concatenate(([0], np.cumsum(times_ns.astype(np.int64)))))


@pytest.mark.parametrize("times_ns", TIMES_NS.values(), ids=TIMES_NS)
def test_memory_follows_the_number_of_frames(times_ns: np.ndarray) -> None:
    capture = ends_at(times_ns)
    measure(ends_at(np.full(N_FRAMES, 10_000_000)))  # what is loaded and kept once is not of these times
    tracemalloc.start()
    try:
        measure(capture)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < BYTES_PER_FRAME * N_FRAMES
