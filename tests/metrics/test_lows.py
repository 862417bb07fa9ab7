"""Lows: cases worked out by hand, and laws that any definition of a low must keep."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from frametime.metrics.level import low_key, mean_low_fps, percentile_low_fps, share_label, time_low_fps

frame_times = st.lists(st.floats(0.1, 5000.0), min_size=1, max_size=80).map(
    lambda values: np.sort(np.array(values, dtype=np.float64))
)
shares = st.sampled_from([0.1, 1.0, 5.0, 33.3, 50.0, 99.0])


def all_lows(sorted_ms: NDArray[np.float64], slowest_pct: float) -> dict[str, float]:
    return {
        "percentile": percentile_low_fps(sorted_ms, slowest_pct=slowest_pct),
        "mean": mean_low_fps(sorted_ms, slowest_pct=slowest_pct),
        "time": time_low_fps(sorted_ms, slowest_pct=slowest_pct, duration_ms=float(sorted_ms.sum())),
    }


def test_by_hand() -> None:
    """198 frames of 10 ms, one of 20, one of 40 ms: 200 frames, 2040 ms."""
    sorted_ms = np.array([10.0] * 198 + [20.0, 40.0])
    found = all_lows(sorted_ms, 1.0)
    # Type 7 at 0.99: place 197.01 counted from 0, between the last 10 and the 20.
    assert found["percentile"] == pytest.approx(1000.0 / 10.1, rel=1e-12)
    assert found["mean"] == 1000.0 / 30.0
    # 1 % of the time is 20.4 ms, inside the frame of 40 ms; 2 % is 40.8 ms, inside the frame of 20 ms.
    assert found["time"] == 1000.0 / 40.0
    assert all_lows(sorted_ms, 2.0)["time"] == 1000.0 / 20.0


def test_the_frame_at_the_edge_counts_in_part() -> None:
    sorted_ms = np.array([10.0] * 240 + [20.0] * 8 + [30.0, 50.0])
    # 1 % of 250 frames are 2.5 frames: 50, 30 and half of 20 ms.
    assert mean_low_fps(sorted_ms, slowest_pct=1.0) == pytest.approx(1000.0 * 2.5 / 90.0, rel=1e-12)


def test_less_than_one_frame_in_the_share_is_the_slowest_frame() -> None:
    assert mean_low_fps(np.array([10.0, 11.0, 40.0]), slowest_pct=1.0) == pytest.approx(25.0, rel=1e-12)


def test_a_share_of_time_that_is_reached_exactly() -> None:
    """Three frames of 1.2 ms fill 10 % of 36 ms on paper; their sum in float64 falls short of it."""
    sorted_ms = np.array([0.36] * 90 + [1.2] * 3)
    assert np.cumsum(sorted_ms[::-1])[2] < 0.1 * 36.0
    assert time_low_fps(sorted_ms, slowest_pct=10.0, duration_ms=36.0) == 1000.0 / 1.2


@given(sorted_ms=frame_times, slowest_pct=shares)
def test_a_low_lies_between_the_extreme_rates(sorted_ms: NDArray[np.float64], slowest_pct: float) -> None:
    slowest, fastest = 1000.0 / sorted_ms[-1], 1000.0 / sorted_ms[0]
    for low in all_lows(sorted_ms, slowest_pct).values():
        assert slowest * (1 - 1e-12) <= low <= fastest * (1 + 1e-12)


@given(sorted_ms=frame_times, slowest_pct=shares)
def test_no_mean_low_is_above_the_average(sorted_ms: NDArray[np.float64], slowest_pct: float) -> None:
    assert mean_low_fps(sorted_ms, slowest_pct=slowest_pct) <= 1000.0 / sorted_ms.mean() * (1 + 1e-12)


@given(sorted_ms=frame_times, slowest_pct=shares, factor=st.sampled_from([0.5, 2.0, 4.0]))
def test_times_scaled_scale_the_rate_the_other_way(
    sorted_ms: NDArray[np.float64], slowest_pct: float, factor: float
) -> None:
    scaled = all_lows(factor * sorted_ms, slowest_pct)
    for kind, low in all_lows(sorted_ms, slowest_pct).items():
        assert scaled[kind] * factor == pytest.approx(low, rel=1e-12)


@given(sorted_ms=frame_times, slowest_pct=shares, copies=st.integers(2, 4))
def test_a_run_played_several_times_keeps_its_mean_and_time_low(
    sorted_ms: NDArray[np.float64], slowest_pct: float, copies: int
) -> None:
    many = np.repeat(sorted_ms, copies)
    again, once = all_lows(many, slowest_pct), all_lows(sorted_ms, slowest_pct)
    assert again["time"] == once["time"]
    assert again["mean"] == pytest.approx(once["mean"], rel=1e-12)


@given(sorted_ms=frame_times)
def test_a_smaller_share_is_no_faster(sorted_ms: NDArray[np.float64]) -> None:
    for kind in ("percentile", "mean", "time"):
        lows = [all_lows(sorted_ms, share)[kind] for share in (0.1, 1.0, 5.0, 50.0)]
        assert all(low <= wider * (1 + 1e-12) for low, wider in pairwise(lows))


@given(sorted_ms=frame_times, slowest_pct=shares)
def test_the_time_low_is_where_the_slowest_frames_fill_the_share(
    sorted_ms: NDArray[np.float64], slowest_pct: float
) -> None:
    """Against the definition, frame by frame."""
    target_ms, filled_ms, at_ms = slowest_pct / 100.0 * float(sorted_ms.sum()), 0.0, 0.0
    for frame_ms in sorted_ms[::-1].tolist():
        filled_ms, at_ms = filled_ms + frame_ms, frame_ms
        if filled_ms >= target_ms * (1.0 - 1e-12):
            break
    assert all_lows(sorted_ms, slowest_pct)["time"] == 1000.0 / at_ms


@pytest.mark.parametrize("slowest_pct", [0.0, 100.0, -1.0, float("nan")])
def test_a_share_out_of_range(slowest_pct: float) -> None:
    for low in (percentile_low_fps, mean_low_fps):
        with pytest.raises(ValueError, match="slowest_pct"):
            low(np.array([1.0]), slowest_pct=slowest_pct)


@pytest.mark.parametrize(
    ("slowest_pct", "key", "label"),
    [
        (1.0, "low_1pct_mean_fps", "1 %"),
        (0.1, "low_0p1pct_mean_fps", "0.1 %"),
        (10.0, "low_10pct_mean_fps", "10 %"),
        (0.00005, "low_0p00005pct_mean_fps", "0.00005 %"),
    ],
)
def test_share_in_keys_and_labels(slowest_pct: float, key: str, label: str) -> None:
    assert (low_key(slowest_pct, "mean"), share_label(slowest_pct)) == (key, label)
