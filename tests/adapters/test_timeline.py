"""Rising timestamps from what a log holds: holes, repeats, clocks that run over."""

from __future__ import annotations

import numpy as np
import pytest

from frametime.adapters.text.cells import TimeValues
from frametime.adapters.timeline import ClockRules, from_both, from_frame_times, from_timestamps
from frametime.errors import ReadError

MS = 1_000_000


def rules(**changes: object) -> ClockRules:
    plain = ClockRules(
        name="log",
        line_of=lambda row: row + 2,
        sort=False,
        tick_ns=None,
        wraps_daily=False,
        time_resolution_ns=1,
        frame_time_resolution_ns=1,
    )
    return plain._replace(**changes)


def values(*ms: float | None) -> TimeValues:
    ok = np.array([value is not None for value in ms])
    ns = np.array([0 if value is None else round(value * MS) for value in ms], dtype=np.int64)
    return TimeValues(ns=ns, ok=ok)


def codes(timeline: object) -> list[str]:
    return [caveat.code for caveat in timeline.caveats]  # type: ignore[attr-defined]


def test_frame_times_are_added_up_from_zero() -> None:
    timeline = from_frame_times(values(10, 20, 30), None, rules())
    assert timeline.timestamps_ns.tolist() == [0, 10 * MS, 30 * MS, 60 * MS]
    assert timeline.row_of_each().tolist() == [-1, 0, 1, 2]


def test_a_hole_in_frame_times_is_closed() -> None:
    timeline = from_frame_times(values(10, None, -5, 0, 30), None, rules())
    assert timeline.timestamps_ns.tolist() == [0, 10 * MS, 40 * MS]
    assert timeline.bad_rows.tolist() == [1, 2, 3]
    assert timeline.row_of_each().tolist() == [-1, 0, 4]
    assert codes(timeline) == ["frames-left-out"]
    assert "3 frames" in timeline.caveats[0].message
    assert "an unknown time" in timeline.caveats[0].message


def test_a_hole_in_timestamps_leaves_out_both_frames_beside_it() -> None:
    """The stamp at 30 is lost: neither the frame before nor the one after is known; no frame of 20 ms is made up."""
    timeline = from_timestamps(values(10, 20, None, 40, 50.5), None, rules())
    assert timeline.timestamps_ns.tolist() == [10 * MS, 20 * MS, 30.5 * MS]
    assert timeline.row_of_each().tolist() == [0, 1, 4]
    assert "20.000 ms in all" in timeline.caveats[0].message


def test_lost_stamps_at_the_ends_make_no_hole() -> None:
    timeline = from_timestamps(values(None, 20, 30, None), None, rules())
    assert timeline.timestamps_ns.tolist() == [20 * MS, 30 * MS]
    assert codes(timeline) == []


def test_a_hole_in_frame_times_with_times_beside_them_says_how_long() -> None:
    timeline = from_both(values(10, 30, 60, 100), values(10, None, 30, 40), None, rules())
    assert timeline.timestamps_ns.tolist() == [0, 10 * MS, 40 * MS, 80 * MS]
    assert "20.000 ms in all" in timeline.caveats[0].message


def test_a_lost_time_does_no_harm_where_frame_times_stand() -> None:
    timeline = from_both(values(None, 30, None, 100), values(10, 20, 30, 40), None, rules())
    assert timeline.timestamps_ns.tolist() == [0, 10 * MS, 30 * MS, 60 * MS, 100 * MS]
    assert codes(timeline) == ["time-cells-unread"]
    assert timeline.caveats[0].message.startswith("In 2 of 4 rows the time cannot be read")


def test_equal_timestamps_are_merged_and_counted() -> None:
    timeline = from_timestamps(values(10, 20, 20, 20, 30), None, rules())
    assert timeline.timestamps_ns.tolist() == [10 * MS, 20 * MS, 30 * MS]
    assert codes(timeline) == ["equal-timestamps"]
    assert timeline.caveats[0].message.startswith("2 rows have")


def test_backwards_time() -> None:
    with pytest.raises(ReadError, match=r"line 4: time runs backwards by 5 ms \(1 such row\); put the rows .* --sort$"):
        from_timestamps(values(10, 20, 15, 30), None, rules())
    timeline = from_timestamps(values(10, 20, 15, 30), None, rules(sort=True))
    assert timeline.timestamps_ns.tolist() == [10 * MS, 15 * MS, 20 * MS, 30 * MS]
    assert timeline.row_of_each().tolist() == [0, 2, 1, 3]
    with pytest.raises(ReadError, match="time runs backwards"):
        from_both(values(10, 30, 20, 40), values(10, 10, 10, 10), None, rules())


def test_rows_of_one_stream() -> None:
    timeline = from_timestamps(values(10, 11, 20, 21, 30), np.array([0, 2, 4]), rules())
    assert timeline.timestamps_ns.tolist() == [10 * MS, 20 * MS, 30 * MS]
    assert timeline.row_of_each().tolist() == [0, 2, 4]
    with pytest.raises(ReadError, match="line 6"):
        from_timestamps(values(10, 0, 20, 0, 15), np.array([0, 2, 4]), rules())


@pytest.mark.parametrize("tick_ns", [1, 100, 1000, MS])
def test_a_32_bit_counter_that_runs_over(tick_ns: int) -> None:
    step = max(1, 16 * MS // tick_ns)
    counts = (2**32 - 5 * step + step * np.arange(12, dtype=np.int64)) % 2**32
    times = TimeValues(ns=counts * tick_ns, ok=np.full(counts.size, True))
    timeline = from_timestamps(times, None, rules(tick_ns=tick_ns))
    assert np.diff(timeline.timestamps_ns).tolist() == [step * tick_ns] * 11
    assert codes(timeline) == ["clock-ran-over"]
    with pytest.raises(ReadError):
        from_timestamps(times, None, rules())


def test_a_step_back_that_is_no_overflow_stays_an_error() -> None:
    counts = np.array([4_000_000_000, 4_000_016_000, 1_000_000, 1_016_000], dtype=np.int64)
    with pytest.raises(ReadError, match="backwards"):
        from_timestamps(TimeValues(ns=counts * 1000, ok=np.full(counts.size, True)), None, rules(tick_ns=1000))


def test_a_time_of_day_that_passes_midnight() -> None:
    day_ms = 86_400_000
    timeline = from_timestamps(values(day_ms - 20, day_ms - 10, 0, 10), None, rules(wraps_daily=True))
    assert np.diff(timeline.timestamps_ns).tolist() == [10 * MS] * 3
    assert codes(timeline) == ["clock-ran-over"]


def test_rows_out_of_order_at_midnight_are_sorted_on_their_own_day() -> None:
    day_ms = 86_400_000
    times = values(day_ms - 30, day_ms - 20, 0, day_ms - 10, 10, 20)
    timeline = from_timestamps(times, None, rules(wraps_daily=True, sort=True))
    assert np.diff(timeline.timestamps_ns).tolist() == [10 * MS] * 5
    assert codes(timeline) == ["clock-ran-over", "rows-sorted"]


def test_a_pause_longer_than_half_the_round_of_a_counter_stays() -> None:
    counts = np.cumsum([0, 1000, 16, 3000, 16, 2000, 16], dtype=np.int64) * MS
    timeline = from_timestamps(TimeValues(ns=counts % 2**32, ok=np.full(counts.size, True)), None, rules(tick_ns=1))
    assert np.diff(timeline.timestamps_ns).tolist() == np.diff(counts).tolist()


def test_alignment_when_both_fit() -> None:
    """Equal frame times fit both ways: a clock that starts at 0 starts with the first frame."""
    at_start = from_both(values(0, 10, 20), values(10, 10, 10), None, rules())
    assert at_start.timestamps_ns.tolist() == [0, 10 * MS, 20 * MS, 30 * MS]
    at_end = from_both(values(10, 20, 30), values(10, 10, 10), None, rules())
    assert at_end.timestamps_ns.tolist() == [0, 10 * MS, 20 * MS, 30 * MS]


def test_agreement_allows_for_rounding_only() -> None:
    times, spans = values(10, 20.4, 30.9), values(10, 10, 10)
    timeline = from_both(times, spans, None, rules(time_resolution_ns=MS // 2))
    assert timeline.timestamps_ns.tolist() == [0, 10 * MS, 20 * MS, 30 * MS]
    with pytest.raises(ReadError, match="differ"):
        from_both(times, spans, None, rules(time_resolution_ns=MS // 10))


def test_a_coarse_clock_beside_equal_frame_times_loses_no_frame() -> None:
    """Whole seconds beside 500 ms frames: the same second and the same frame time twice are two frames."""
    timeline = from_both(
        values(1000, 1000, 2000, 2000, 3000), values(*[500] * 5), None, rules(time_resolution_ns=1000 * MS)
    )
    assert np.diff(timeline.timestamps_ns).tolist() == [500 * MS] * 5
    assert codes(timeline) == []


def test_a_row_twice_is_taken_once() -> None:
    timeline = from_both(values(10, 20, 20, 30), values(10, 10, 10, 10), None, rules())
    assert np.diff(timeline.timestamps_ns).tolist() == [10 * MS] * 3
    assert codes(timeline) == ["equal-timestamps"]


def test_a_clock_that_is_far_too_coarse_is_refused() -> None:
    with pytest.raises(ReadError, match="8 of 12 rows have the same time as the row before: the clock is too coarse"):
        from_timestamps(values(1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4), None, rules())
