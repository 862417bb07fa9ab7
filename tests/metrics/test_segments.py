"""Stretches of a capture that are not play."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_regularity import Array, autocorrelated, clean_ms, run_of

from frametime.metrics.drift.segments import choose_segment, segments_of


def play_ms(seconds: float, seed: int = 1, level_ms: float = 8.3) -> Array:
    return clean_ms(int(seconds * 120), seed) * level_ms / 8.3


def menu_ms(seconds: float, level_ms: float = 4.0) -> Array:
    return level_ms * (1 + 0.001 * np.random.default_rng(9).standard_normal(int(seconds * 1000 / level_ms)))


def test_a_clean_run_is_one_stretch() -> None:
    (segment,) = segments_of(run_of(play_ms(60)))
    assert (segment.number, segment.kind, segment.start_s, segment.n_frames) == (1, "play", 0.0, 7200)


def test_a_menu_at_the_start_is_found_with_its_end() -> None:
    menu, play = menu_ms(6.0), play_ms(40)
    first, second = segments_of(run_of(np.concatenate((menu, play))))
    assert (first.kind, second.kind) == ("still", "play")
    assert first.end_s == pytest.approx(menu.sum() / 1000, abs=0.05)
    assert first.median_frame_time_ms == pytest.approx(4.0, rel=0.01)
    assert second.start_s == first.end_s


def test_a_loading_screen_in_the_middle_is_found() -> None:
    generator = np.random.default_rng(3)
    loading = generator.uniform(10.0, 60.0, 150)
    run = np.concatenate((play_ms(20), loading, play_ms(30, seed=2)))
    segments = segments_of(run_of(run))
    assert [segment.kind for segment in segments] == ["play", "still", "play"]
    assert segments[1].start_s == pytest.approx(play_ms(20).sum() / 1000, abs=0.3)
    assert segments[1].end_s - segments[1].start_s == pytest.approx(loading.sum() / 1000, abs=0.6)


def test_a_pause_is_a_frame_longer_than_two_seconds() -> None:
    run = np.concatenate((play_ms(10), [3500.0], play_ms(10, seed=2)))
    segments = segments_of(run_of(run))
    assert [segment.kind for segment in segments] == ["play", "pause", "play"]
    assert segments[1].end_s - segments[1].start_s == pytest.approx(3.5)
    assert segments[1].n_frames == 1
    assert segments[1].median_frame_time_ms is None


@pytest.mark.parametrize(
    ("menu_s", "play_s", "told"), [(6.0, 40.0, [("still", 1500), ("play", 4800)]), (1.9, 1.9, [("still", 703)])]
)
def test_what_comes_behind_a_pause_is_split_by_its_own_time(
    menu_s: float, play_s: float, told: list[tuple[str, int]]
) -> None:
    """Less than twice the shortest stretch is not split, however late it comes."""
    run = np.concatenate((play_ms(61.3, seed=2), [3500.0], menu_ms(menu_s), play_ms(play_s)))
    assert [(each.kind, each.n_frames) for each in segments_of(run_of(run))[2:]] == told


def test_a_pause_at_either_end_and_two_in_a_row() -> None:
    run = np.concatenate(([2500.0], play_ms(5), [2100.0, 2200.0]))
    assert [segment.kind for segment in segments_of(run_of(run))] == ["pause", "play", "pause", "pause"]


def test_another_scene_at_half_the_speed_stays_play() -> None:
    run = np.concatenate((play_ms(20), play_ms(20, seed=2, level_ms=16.6)))
    assert [segment.kind for segment in segments_of(run_of(run))] == ["play"]


def test_a_scene_that_speeds_up_within_a_second_is_play() -> None:
    """Half the level and a tenth of the spread, but it takes a second to get there: a menu opens at once."""
    slow, fast = play_ms(20), menu_ms(10)
    ramp = np.geomspace(8.3, 4.0, 170)
    assert [segment.kind for segment in segments_of(run_of(np.concatenate((slow, ramp, fast))))] == ["play"]
    at_once = segments_of(run_of(np.concatenate((slow, fast))))
    assert [segment.kind for segment in at_once] == ["play", "still"]


def test_a_smooth_swing_by_a_factor_of_two_is_play() -> None:
    n = 9000
    phase = np.linspace(0, 8 * np.pi, n)
    level = 6.0 * 2.0 ** (0.5 * np.sin(phase)) * np.exp(0.02 * autocorrelated(n, 0.9, np.random.default_rng(5)))
    assert [segment.kind for segment in segments_of(run_of(level))] == ["play"]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(["play", "menu", "pause", "short"]), min_size=1, max_size=6), st.integers(0, 99))
def test_segments_cover_the_capture_without_gap_or_overlap(kinds: list[str], seed: int) -> None:
    made = {
        "play": play_ms(5, seed=seed),
        "menu": menu_ms(4),
        "pause": np.array([2600.0]),
        "short": play_ms(0.1, seed=seed),
    }
    series = run_of(np.concatenate([made[kind] for kind in kinds]))
    segments = segments_of(series)
    assert [segment.number for segment in segments] == list(range(1, len(segments) + 1))
    assert segments[0].start_s == 0.0
    assert segments[-1].end_s == pytest.approx(series.duration_s)
    for before, after in pairwise(segments):
        assert before.end_s == after.start_s
    assert sum(segment.n_frames for segment in segments) == series.n_frames


def test_a_segment_is_chosen_by_number_or_as_the_longest_play() -> None:
    segments = segments_of(run_of(np.concatenate((menu_ms(6), play_ms(20), [2500.0], play_ms(30, seed=2)))))
    assert [segment.kind for segment in segments] == ["still", "play", "pause", "play"]
    assert choose_segment(segments, 2) is segments[1]
    assert choose_segment(segments, "longest") is segments[3]
    with pytest.raises(ValueError, match=r"the capture has no segment 9; it has 1 \("):
        choose_segment(segments, 9)


def test_a_capture_of_pauses_alone_has_nothing_to_choose() -> None:
    segments = segments_of(run_of(np.array([2500.0, 2600.0])))
    with pytest.raises(ValueError, match="no stretch of play"):
        choose_segment(segments, "longest")


def test_two_stretches_without_any_spread_are_both_play() -> None:
    """Neither is stiller than the other: a change of scene, as far as anyone can tell."""
    series = run_of(np.concatenate((np.full(1000, 10.0), np.full(500, 20.0))))
    assert [segment.kind for segment in segments_of(series)] == ["play"]
