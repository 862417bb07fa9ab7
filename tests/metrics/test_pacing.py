"""Pacing: laws and wrong use. Published values are in ``tests/reference``."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.metrics.pacing import (
    jitter,
    lag1_autocorrelation,
    masd_ms,
    overlapping_allan_deviation,
    rmssd_ms,
    running_jitter,
    variance_ms2,
)

# Whole numbers: sums and differences are exact, so that the laws hold exactly but for the last division.
series = st.lists(st.integers(1, 1000), min_size=2, max_size=60).map(lambda values: np.array(values, dtype=np.float64))


@given(frame_times_ms=series, shift_ms=st.integers(1, 10**6))
def test_a_shift_changes_nothing(frame_times_ms: np.ndarray, shift_ms: int) -> None:
    shifted_ms = frame_times_ms + shift_ms
    for measure in (variance_ms2, rmssd_ms, masd_ms):
        assert measure(shifted_ms) == pytest.approx(measure(frame_times_ms), rel=1e-9, abs=1e-9)
    assert jitter(shifted_ms) == jitter(frame_times_ms)


@given(frame_times_ms=series)
def test_a_scale_scales(frame_times_ms: np.ndarray) -> None:
    for measure, power in ((variance_ms2, 2), (rmssd_ms, 1), (masd_ms, 1)):
        assert measure(4.0 * frame_times_ms) == pytest.approx(4.0**power * measure(frame_times_ms), rel=1e-12)
    assert jitter(4.0 * frame_times_ms).last_ms == 4.0 * jitter(frame_times_ms).last_ms


@given(frame_times_ms=series)
def test_the_other_way_around_is_paced_alike(frame_times_ms: np.ndarray) -> None:
    for measure in (variance_ms2, rmssd_ms, masd_ms):
        assert measure(frame_times_ms[::-1]) == pytest.approx(measure(frame_times_ms), rel=1e-9, abs=1e-9)


@given(frame_times_ms=series, data=st.data())
def test_only_the_variance_does_not_see_the_order(frame_times_ms: np.ndarray, data: st.DataObject) -> None:
    permuted_ms = np.array(data.draw(st.permutations(frame_times_ms.tolist())))
    assert variance_ms2(permuted_ms) == pytest.approx(variance_ms2(frame_times_ms), rel=1e-9, abs=1e-9)


def test_order_makes_the_step() -> None:
    falling = np.arange(10.0, 0.0, -1.0)
    mixed = falling[[0, 5, 1, 6, 2, 7, 3, 8, 4, 9]]
    assert masd_ms(falling) == 1.0
    assert masd_ms(mixed) == pytest.approx((5 * 5 + 4 * 4) / 9)


@given(frame_times_ms=series)
def test_the_mean_step_is_at_most_the_rms_step(frame_times_ms: np.ndarray) -> None:
    assert masd_ms(frame_times_ms) <= rmssd_ms(frame_times_ms) * (1 + 1e-12)


@given(frame_times_ms=series)
def test_autocorrelation_lies_between_minus_one_and_one(frame_times_ms: np.ndarray) -> None:
    if frame_times_ms.min() < frame_times_ms.max():
        assert -1.0 <= lag1_autocorrelation(frame_times_ms) <= 1.0


def test_autocorrelation_of_an_alternating_and_of_a_rising_run() -> None:
    alternating = np.tile([8.0, 12.0], 500)
    assert lag1_autocorrelation(alternating) == pytest.approx(-999 / 1000, rel=1e-12)
    assert lag1_autocorrelation(np.arange(1000.0)) == pytest.approx(1.0, abs=0.005)


@given(steps_ns=st.lists(st.integers(1, 10**9), min_size=4, max_size=60), rate_ns=st.integers(0, 10**9))
def test_allan_deviation_does_not_see_a_constant_rate_or_start(steps_ns: list[int], rate_ns: int) -> None:
    phases_ns = np.concatenate([[0], np.cumsum(steps_ns)])
    moved_ns = 1_790_000_000_000_000_000 + phases_ns + rate_ns * np.arange(phases_ns.size)
    found = [overlapping_allan_deviation(phases, averaged=2, tau0=1e6) for phases in (phases_ns, moved_ns)]
    assert found[0] == found[1]


def test_allan_deviation_across_the_edges_of_blocks() -> None:
    phases = np.cumsum(np.random.default_rng(3).integers(1, 1000, 80_000))
    second = phases[200:] - 2 * phases[100:-100] + phases[:-200]
    expected = np.sqrt(np.mean(second.astype(float) ** 2) / 2.0) / (100 * 7.0)
    assert overlapping_allan_deviation(phases, averaged=100, tau0=7.0) == pytest.approx(float(expected), rel=1e-12)


def test_too_few_frames_or_no_spread() -> None:
    one = np.array([8.0])
    for measure in (variance_ms2, rmssd_ms, masd_ms, jitter, lag1_autocorrelation):
        with pytest.raises(ValueError, match="2 values or more"):
            measure(one)
    with pytest.raises(ValueError, match="not all be equal"):
        lag1_autocorrelation(np.full(9, 8.0))
    with pytest.raises(ValueError, match="averaged"):
        overlapping_allan_deviation(np.arange(4), averaged=2, tau0=1.0)
    with pytest.raises(ValueError, match="tau0"):
        overlapping_allan_deviation(np.arange(9), averaged=2, tau0=0.0)


def test_many_frames_are_summed_in_parts() -> None:
    frame_times_ms = np.random.default_rng(5).integers(1, 50, 140_000).astype(np.float64)
    frame_times_ms[65_535:65_538] = 10_000.0, 1.0, 10_000.0  # a step that is left out there is not overlooked
    steps_ms = np.diff(frame_times_ms)
    assert rmssd_ms(frame_times_ms) == pytest.approx(np.sqrt(np.mean(steps_ms**2)), rel=1e-12)
    assert masd_ms(frame_times_ms) == pytest.approx(np.mean(np.abs(steps_ms)), rel=1e-12)
    deviations = frame_times_ms - frame_times_ms.mean()
    expected = np.sum(deviations[1:] * deviations[:-1]) / np.sum(deviations**2)
    assert lag1_autocorrelation(frame_times_ms) == pytest.approx(expected, rel=1e-12)
    phases = np.cumsum(frame_times_ms).astype(np.int64)
    for averaged in (1, 10, 100):
        second = phases[2 * averaged :] - 2 * phases[averaged:-averaged] + phases[: -2 * averaged]
        found = overlapping_allan_deviation(phases, averaged=averaged, tau0=1.0)
        assert found == pytest.approx(np.sqrt(np.mean(second.astype(float) ** 2) / 2.0) / averaged, rel=1e-12)


def test_the_running_jitter_is_put_in_place_only_where_told() -> None:
    differences = np.array([1.0, -2.0])
    assert running_jitter(differences).tolist() == [0.0625, 0.18359375]
    assert differences.tolist() == [1.0, -2.0]
    assert running_jitter(differences, out=differences) is differences
