"""Stutters against their definition, worked out one frame at a time in whole nanoseconds."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from frametime.metrics import stutter
from frametime.metrics.frame_series import frame_times_ms
from frametime.metrics.options import StutterRule
from frametime.metrics.stutter import candidates, find_stutters, local_medians_ms, windows

MS = 1_000_000


def timestamps(frame_times_ns: list[int] | NDArray[np.int64], start_ns: int = 0) -> NDArray[np.int64]:
    return np.concatenate([[start_ns], start_ns + np.cumsum(np.asarray(frame_times_ns, dtype=np.int64))])


def by_definition(times_ns: list[int], rule: StutterRule) -> dict[int, Fraction]:
    """Position and local median (in ns) of each stutter."""
    half_ns = round(Fraction(repr(rule.window_s)) * 10**9 / 2)
    ends = np.cumsum(times_ns).tolist()
    starts = [end - time for end, time in zip(ends, times_ns, strict=True)]
    ratio, excess_ns = Fraction(repr(rule.ratio)), Fraction(repr(rule.min_excess_ms)) * MS
    found = {}
    for i, time in enumerate(times_ns):
        low, high = starts[i] - half_ns, ends[i] + half_ns
        around = sorted(other for j, other in enumerate(times_ns) if j != i and ends[j] > low and starts[j] < high)
        if not around:
            continue
        middle = Fraction(around[(len(around) - 1) // 2] + around[len(around) // 2], 2)
        if time > ratio * middle and time - middle >= excess_ns:
            found[i] = middle
    return found


def assert_as_defined(times_ns: list[int], rule: StutterRule, expected: dict[int, Fraction], start_ns: int = 0) -> None:
    stamps = timestamps(times_ns, start_ns)
    found = find_stutters(stamps, frame_times_ms(stamps), rule=rule)
    assert found.positions.tolist() == list(expected)
    assert found.local_medians_ms.tolist() == pytest.approx([float(m / MS) for m in expected.values()], rel=1e-12)
    assert found.frame_times_ms.tolist() == [times_ns[i] / MS for i in expected]


# Few and coarse values, so that ties with the thresholds are common.
times_of_runs = st.lists(
    st.sampled_from([1, 2, 3, 4, 5, 8, 9, 12, 16, 24, 700]).map(lambda ms: ms * MS), min_size=1, max_size=60
)
rules = st.builds(
    StutterRule,
    ratio=st.sampled_from([1.5, 2.0, 2.1, 3.0]),
    window_s=st.sampled_from([0.01, 0.05, 0.2, 1.0, 30.0]),
    min_excess_ms=st.sampled_from([0.0, 1.0, 4.0, 4.1]),
)


@given(times_ns=times_of_runs, rule=rules, start_ns=st.sampled_from([0, -5, 1_790_000_000_000_000_000]))
@settings(deadline=None)
def test_stutters_are_those_of_the_definition(times_ns: list[int], rule: StutterRule, start_ns: int) -> None:
    assert_as_defined(times_ns, rule, by_definition(times_ns, rule), start_ns)


@pytest.mark.parametrize(
    ("around_ms", "frame_ms", "rule", "is_stutter"),
    [
        (3.0, 7.0, StutterRule(), True),  # longer by exactly 4 ms: "or more"
        (3.0, 6.999, StutterRule(), False),
        (3.0, 7.1, StutterRule(min_excess_ms=4.1), True),
        (10.0, 20.0, StutterRule(), False),  # exactly twice the median: "longer than"
        (10.0, 20.001, StutterRule(), True),
        (0.7, 2.1, StutterRule(ratio=3.0, min_excess_ms=0.0), False),
    ],
)
def test_at_the_thresholds(around_ms: float, frame_ms: float, rule: StutterRule, is_stutter: bool) -> None:
    times_ns = [round(around_ms * MS)] * 101
    times_ns[50] = round(frame_ms * MS)
    stamps = timestamps(times_ns, start_ns=5_000 * MS)
    found = find_stutters(stamps, frame_times_ms(stamps), rule=rule)
    assert found.positions.tolist() == [50] * is_stutter
    assert found.ends_s.tolist() == [pytest.approx((50 * around_ms + frame_ms) / 1000.0)] * is_stutter


@pytest.mark.parametrize("spread", [0.05, 0.3, 0.8])
@pytest.mark.parametrize("frames_at_once", [1 << 18, 500])
def test_many_candidates(spread: float, frames_at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where frame times scatter, many frames pass the first bound, and their windows are sorted a few at a time."""
    monkeypatch.setattr(stutter, "_AT_ONCE", frames_at_once)
    rng = np.random.default_rng(5)
    times_ns = np.round(8 * MS * rng.lognormal(0.0, spread, 800)).astype(int).tolist()
    rule = StutterRule(window_s=0.3)
    assert_as_defined(times_ns, rule, by_definition(times_ns, rule))


@pytest.mark.parametrize("step", [1, 7, 300])
def test_local_median_at_every_frame(step: int) -> None:
    """Also at frames that are short beside those around them, which no stutter is; next to each other and far apart."""
    rng = np.random.default_rng(6)
    times_ns = rng.integers(1, 9, 700) * MS
    stamps = timestamps(times_ns)
    times_ms = frame_times_ms(stamps)
    positions = np.arange(0, 700, step)
    first, last = windows(stamps, positions, window_s=0.1)
    expected = [
        float(np.median(np.concatenate([times_ms[a:i], times_ms[i + 1 : b]])))
        for i, a, b in zip(positions, first, last, strict=True)
    ]
    assert local_medians_ms(stamps, times_ms, positions, window_s=0.1, unit=1.0).tolist() == expected
    steps_ns = np.diff(stamps).astype(np.int32)
    assert local_medians_ms(stamps, steps_ns, positions, window_s=0.1, unit=1e6).tolist() == expected


def test_only_frames_that_cannot_be_stutters_are_dropped_beforehand() -> None:
    rng = np.random.default_rng(7)
    stamps = timestamps(np.round(8 * MS * rng.lognormal(0.0, 0.1, 20_000)).astype(np.int64))
    kept = candidates(stamps, frame_times_ms(stamps), rule=StutterRule())
    assert kept.size < 200


def test_a_freeze_longer_than_the_window_is_a_stutter() -> None:
    times_ns = [10 * MS] * 100 + [3000 * MS] + [10 * MS] * 100
    stamps = timestamps(times_ns)
    found = find_stutters(stamps, frame_times_ms(stamps), rule=StutterRule())
    assert found.positions.tolist() == [100]
    assert found.local_medians_ms.tolist() == [10.0]
    assert found.excess_ms.tolist() == [2990.0]
    assert found.ends_s.tolist() == [4.0]


def test_a_lasting_change_of_level_is_none() -> None:
    stamps = timestamps([8 * MS] * 300 + [15 * MS] * 300)
    assert find_stutters(stamps, frame_times_ms(stamps), rule=StutterRule()).count == 0


def test_a_single_frame_has_nothing_around_it() -> None:
    stamps = timestamps([8 * MS])
    assert find_stutters(stamps, frame_times_ms(stamps), rule=StutterRule()).count == 0


def test_what_makes_a_stutter_may_lie_in_the_block_before() -> None:
    """64 frames of 2 ms, then one of 8 ms among frames of 30 ms: only the block before shows that 8 ms is long."""
    times_ns = [30 * MS] * 640 + [2 * MS] * 64 + [8 * MS] + [30 * MS] * 2000
    stamps = timestamps(times_ns)
    found = find_stutters(stamps, frame_times_ms(stamps), rule=StutterRule(window_s=0.25))
    assert 704 in found.positions.tolist()
