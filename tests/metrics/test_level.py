"""Average rate, quantiles and lows against their definitions."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from frametime.metrics.level import (
    average_fps,
    exact,
    low_key,
    mean_low_fps,
    percentile_low_fps,
    plotting_constants,
    quantile,
    share_label,
    time_low_fps,
)

values_lists = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40).map(lambda values: np.sort(np.array(values)))
types = st.integers(1, 9)


@given(values=values_lists, quantile_type=types, probability=st.floats(0.0, 1.0))
def test_a_quantile_lies_between_the_ends(values: np.ndarray, quantile_type: int, probability: float) -> None:
    assert values[0] <= quantile(values, probability, quantile_type=quantile_type) <= values[-1]


@given(values=values_lists, quantile_type=types, low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0))
def test_a_quantile_rises_with_its_probability(values: np.ndarray, quantile_type: int, low: float, high: float) -> None:
    low, high = sorted((low, high))
    found = [quantile(values, p, quantile_type=quantile_type) for p in (low, high)]
    assert found[0] <= found[1] + 1e-9


@given(values=values_lists, quantile_type=st.integers(4, 9), rank=st.integers(1, 40))
def test_at_its_plotting_position_a_quantile_is_the_value_itself(
    values: np.ndarray, quantile_type: int, rank: int
) -> None:
    rank = min(rank, values.size)
    alpha, beta = (Fraction(constant).limit_denominator(10) for constant in plotting_constants(quantile_type))
    span = values.size + 1 - alpha - beta
    if span > 0:
        assert quantile(values, (rank - alpha) / span, quantile_type=quantile_type) == values[rank - 1]


def test_the_ends_of_the_default_type() -> None:
    values = np.array([3.0, 5.0, 9.0])
    assert (quantile(values, 0.0), quantile(values, 1.0)) == (3.0, 9.0)


def test_numbers_are_taken_as_they_are_written() -> None:
    assert exact(0.1) == Fraction(1, 10)


@pytest.mark.parametrize(
    ("values", "probability", "quantile_type", "what"),
    [
        ([], 0.5, 7, "a value"),
        ([1.0], 1.1, 7, "probability"),
        ([1.0], -0.1, 7, "probability"),
        ([1.0], 0.5, 10, "type"),
    ],
)
def test_wrong_use(values: list[float], probability: float, quantile_type: int, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        quantile(np.array(values), probability, quantile_type=quantile_type)


@pytest.mark.parametrize(("n_frames", "duration_s"), [(0, 1.0), (1, 0.0), (1, float("nan"))])
def test_no_rate_without_frames_or_time(n_frames: int, duration_s: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        average_fps(n_frames, duration_s)


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
