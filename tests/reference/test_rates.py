"""The average rate against J. E. Smith, Communications of the ACM 31(10), 1988, 1202-1206.

Rates average harmonically: work over total time. The arithmetic mean of the rates, 52.08 fps here, is the mistake.
"""

from __future__ import annotations

from statistics import harmonic_mean

import pytest

from frametime.metrics.level import average_fps

FRAME_TIMES_MS = [10.0, 20.0, 30.0, 40.0]


def test_frames_over_time() -> None:
    assert average_fps(4, sum(FRAME_TIMES_MS) / 1000.0) == 40.0


def test_it_is_the_harmonic_mean_of_the_rates() -> None:
    rates_fps = [1000.0 / time_ms for time_ms in FRAME_TIMES_MS]
    assert average_fps(4, 0.1) == pytest.approx(harmonic_mean(rates_fps), rel=1e-15)
    assert sum(rates_fps) / 4 == pytest.approx(52.0833333333, abs=5e-10)
