"""Interarrival jitter against RFC 3550, section 6.4.1 and appendix A.8.

The RFC has no numeric example; the expected values are own arithmetic on its formula, exact in binary fractions.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from frametime.metrics.pacing import jitter, running_jitter

SENT = np.array([0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0])
RECEIVED = np.array([5.0, 26.0, 44.0, 71.0, 85.0, 104.0, 127.0])
EXPECTED = [0.0625, 0.18359375, 0.609619140625, 0.94651794433594, 0.9498605728149, 1.077994287014]


def step_by_step(differences: NDArray[np.float64]) -> list[float]:
    estimate, estimates = 0.0, []
    for difference in differences.tolist():
        estimate += (abs(difference) - estimate) / 16.0
        estimates.append(estimate)
    return estimates


def test_worked_example() -> None:
    spacing_errors = np.diff(RECEIVED) - np.diff(SENT)
    assert running_jitter(spacing_errors).tolist() == pytest.approx(EXPECTED, rel=1e-12)


def test_worked_example_within_the_rounding_of_the_integer_form() -> None:
    """Appendix A.8 in 8 kHz ticks: s += |d| - ((s + 8) >> 4), reported s >> 4; own arithmetic: 8 at the end."""
    scaled, ticks = 0, (np.diff(RECEIVED) - np.diff(SENT)) * 8.0
    for tick in ticks.astype(int).tolist():
        scaled += abs(tick) - ((scaled + 8) >> 4)
    assert (scaled, scaled >> 4) == (137, 8)
    assert running_jitter(ticks)[-1] == pytest.approx(scaled / 16, abs=0.5)


@pytest.mark.parametrize("n", [1, 2, 4095, 4096, 4097, 20_000])
def test_in_blocks_as_step_by_step(n: int) -> None:
    differences = np.random.default_rng(n).normal(0.0, 3.0, n)
    differences[::7] = 0.0
    assert running_jitter(differences).tolist() == pytest.approx(step_by_step(differences), rel=1e-13)


@given(differences=st.lists(st.floats(-1e7, 1e7, allow_subnormal=False), min_size=1, max_size=50))
def test_any_differences_as_step_by_step(differences: list[float]) -> None:
    values = np.array(differences)
    assert running_jitter(values).tolist() == pytest.approx(step_by_step(values), rel=1e-12)


def test_a_quiet_stretch_after_a_huge_difference() -> None:
    """The estimate fades by 15/16 a frame and is never lost in the rounding of what came before."""
    differences = np.concatenate([[1e9], np.zeros(10_000), np.ones(10_000)])
    assert running_jitter(differences).tolist() == pytest.approx(step_by_step(differences), rel=1e-12)


def test_of_frame_times_the_step_to_the_next_is_the_difference() -> None:
    frame_times_ms = np.random.default_rng(8).lognormal(2.0, 0.3, 10_001)
    estimates = step_by_step(np.diff(frame_times_ms))
    found = jitter(frame_times_ms)
    assert found.last_ms == pytest.approx(estimates[-1], rel=1e-13)
    assert found.median_ms == pytest.approx(float(np.median(estimates)), rel=1e-13)
