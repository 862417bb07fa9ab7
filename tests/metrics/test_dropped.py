"""Frames that were rendered and never shown."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_regularity import run_of

from frametime.metrics.catalog import shown_values
from frametime.metrics.display.shown import dropped_of, longest_run
from frametime.metrics.level import quantile
from frametime.metrics.metric import Missing


def test_dropped_frames_are_counted_and_the_shown_ones_measured() -> None:
    shown: list[bool | None] = [True] * 100
    shown[10] = shown[11] = shown[12] = shown[60] = False
    series = run_of(np.full(100, 10.0), shown=[None, *shown])
    found, values = dropped_of(series), shown_values(series)
    assert not isinstance(found, Missing)
    assert (found.count, found.fraction, found.longest_run) == (4, 0.04, 3)
    assert found.shown_average_fps == pytest.approx(96.0)
    # The longest step between shown frames is over three dropped ones.
    assert values["max_frame_time_ms"] == pytest.approx(40.0)
    steps = np.sort(np.array([10.0] * 94 + [20.0, 40.0]))
    assert values["p99_frame_time_ms"] == pytest.approx(quantile(steps, 0.99))
    assert values["stutter_count"] == 1.0


def test_nothing_dropped_needs_no_second_set_of_numbers() -> None:
    series = run_of(np.full(20, 10.0), shown=[None] + [True] * 20)
    found = dropped_of(series)
    assert not isinstance(found, Missing)
    assert found.count == 0
    assert shown_values(series) == {}


def test_an_empty_cell_counts_as_shown() -> None:
    found = dropped_of(run_of(np.full(4, 10.0), shown=[None, True, None, False, True]))
    assert not isinstance(found, Missing)
    assert found.count == 1


def test_a_frame_without_display_time_was_not_shown() -> None:
    found = dropped_of(run_of(np.full(4, 10.0), displayed_ns=[None, 10, None, 30, 40]))
    assert not isinstance(found, Missing)
    assert found.count == 1


def test_a_log_that_does_not_say_gives_nothing() -> None:
    assert isinstance(dropped_of(run_of(np.full(4, 10.0))), Missing)
    assert isinstance(dropped_of(run_of(np.full(4, 10.0), displayed_ns=[None] * 5)), Missing)


def test_all_dropped_leaves_no_shown_values() -> None:
    series = run_of(np.full(4, 10.0), shown=[None] + [False] * 4)
    found = dropped_of(series)
    assert not isinstance(found, Missing)
    assert (found.count, found.longest_run, found.shown_average_fps) == (4, 4, 0.0)
    assert shown_values(series) == {}


@given(st.lists(st.booleans()))
def test_longest_run_as_counted_by_hand(flags: list[bool]) -> None:
    text = "".join("x" if flag else "." for flag in flags)
    assert longest_run(np.array(flags, dtype=np.bool_)) == max(map(len, text.split(".")))
