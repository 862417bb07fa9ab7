"""Capture checks: each fires where it must, and is silent on ordinary runs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from made_captures import DEFAULT, ordinary_ms, series_of, stamps_of
from numpy.typing import NDArray

from frametime.caveats import Caveat, Weight
from frametime.metrics.options import MeasureOptions, QualityRule
from frametime.metrics.quality import quality_caveats


def caveats_of(timestamps_ns: NDArray[np.int64], options: MeasureOptions = DEFAULT) -> dict[str, Caveat]:
    return {caveat.code: caveat for caveat in quality_caveats(series_of(timestamps_ns, options))}


def codes(frame_times_ms: Iterable[float]) -> set[str]:
    return set(caveats_of(stamps_of(frame_times_ms)))


# Coarse timer ----------------------------------------------------------------------------------------------------


def cut_down(frame_times_ms: Iterable[float], step_ms: float) -> NDArray[np.int64]:
    """Timestamps as a clock of this step shows them; times seen as equal are merged."""
    step_ns = round(step_ms * 1e6)
    return np.unique(stamps_of(frame_times_ms) // step_ns * step_ns)


@pytest.mark.parametrize(
    ("level_ms", "step_ms", "weight"),
    [(10.0, 0.2, Weight.NOTE), (10.0, 1.0, Weight.CARE), (16.4, 1.0, Weight.CARE), (40.0, 15.625, Weight.REPEAT)],
)
def test_a_coarse_timer_is_found_with_its_step(level_ms: float, step_ms: float, weight: Weight) -> None:
    caveat = caveats_of(cut_down(ordinary_ms(5000, level_ms=level_ms), step_ms))["coarse-timer"]
    assert f"steps of {step_ms:.3g} ms" in caveat.message
    assert caveat.weight is weight
    assert "pacing_rmssd_ms" in caveat.metrics
    assert "low_1pct_percentile_fps" in caveat.metrics
    assert "average_fps" not in caveat.metrics


def test_equal_frames_seen_by_a_coarse_timer() -> None:
    """16, 16, 17, 16, 17 ms: only two values, and the timestamps keep to an even beat of 16.4 ms."""
    assert "coarse-timer" in codes(np.tile([16.0, 16.0, 17.0, 16.0, 17.0], 400))


@pytest.mark.parametrize(("frame_ms", "step_ms"), [(4.5, 1.0), (2.51, 1.0), (8.35, 0.1)])
def test_neighbors_at_random_are_a_clock_of_a_round_step(frame_ms: float, step_ms: float) -> None:
    """4, 5, 5, 4, 4 ms: frames that vary less than the clock can tell, and wander too far for an even beat."""
    stamps = cut_down(ordinary_ms(5000, level_ms=frame_ms, spread=0.1 * step_ms / frame_ms), step_ms)
    assert set(np.diff(stamps) // round(step_ms * 1e6)) <= {int(frame_ms / step_ms), int(frame_ms / step_ms) + 1}
    assert f"steps of {step_ms:.3g} ms" in caveats_of(stamps)["coarse-timer"].message


@pytest.mark.parametrize(
    "frame_times_ms",
    [
        np.full(2000, 10.0),
        np.repeat([10.0, 12.0], 1000),
        np.tile([8.0, 12.0], 1000),
        np.tile([15.0, 18.0], 1000),
        np.tile([8.0, 12.0, 20.0], 700),
        np.where(np.arange(2000) % 100 == 99, 50.0, 10.0),
        np.concatenate([np.full(1000, 10.0), [1500.0], np.full(1000, 10.0)]),
    ],
    ids=["constant", "two levels", "alternating", "alternating closely", "three levels", "hitches", "one freeze"],
)
def test_exact_levels_are_no_coarse_timer(frame_times_ms: NDArray[np.float64]) -> None:
    assert "coarse-timer" not in codes(frame_times_ms)


def test_frames_that_miss_every_second_refresh_by_chance_are_no_coarse_timer() -> None:
    """A display of 100 Hz: every frame takes 10 or 20 ms, and a clock of 10 ms would show 0 as well."""
    missed = np.random.default_rng(1).random(4000) < 0.5
    assert "coarse-timer" not in codes(np.where(missed, 20.0, 10.0))


def test_a_fine_timer_is_not_mentioned() -> None:
    assert "coarse-timer" not in caveats_of(cut_down(ordinary_ms(5000), 0.001))


def test_the_rounding_error_that_the_message_names() -> None:
    """A step of 1 ms spreads frame times by 1 / sqrt(6) ms, measured on frames that vary by more than the step."""
    ends_ms = np.cumsum(ordinary_ms(200_000, spread=0.2))
    errors_ms = np.diff(np.floor(ends_ms)) - np.diff(ends_ms)
    assert errors_ms.std() == pytest.approx(1.0 / np.sqrt(6.0), rel=0.01)
    message = caveats_of(cut_down(ordinary_ms(3000), 1.0))["coarse-timer"].message
    assert "0.41 ms (standard deviation)" in message


# Capped rate -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("spread", [0.005, 0.01, 0.02, 0.05, 0.1, 0.3])
def test_ordinary_noise_is_not_capped(spread: float, seed: int) -> None:
    assert "capped" not in codes(ordinary_ms(3000, seed=seed, spread=spread))


@pytest.mark.parametrize("shape", ["normal", "gamma", "exponential", "wandering", "sine", "two levels", "alternating"])
def test_other_ordinary_shapes_are_not_capped(shape: str) -> None:
    rng, n = np.random.default_rng(3), 4000
    wander = np.zeros(n)
    for i in range(1, n):
        wander[i] = 0.9 * wander[i - 1] + 0.004 * rng.normal()
    shapes = {
        "normal": 10.0 * (1.0 + 0.01 * rng.normal(size=n)),
        "gamma": 10.0 * (0.8 + 0.05 * rng.gamma(4.0, 1.0, n)),
        "exponential": 10.0 * (1.0 + 0.05 * rng.exponential(1.0, n)),
        "wandering": 10.0 * np.exp(wander),
        "sine": 10.0 + np.sin(np.arange(n) / 50.0),
        "two levels": np.repeat([8.0, 12.0], n // 2) * (1.0 + 0.01 * rng.normal(size=n)),
        "alternating": np.tile([8.0, 12.0], n // 2),
    }
    assert "capped" not in codes(shapes[shape])


def test_a_limiter_that_holds_part_of_the_frames() -> None:
    """Ready after 15 ms on average, held to 16.67 ms: some frames are late, hardly any is early."""
    rng = np.random.default_rng(4)
    times_ms = np.maximum(50.0 / 3.0, ordinary_ms(4000, level_ms=15.0, spread=0.15)) + 0.02 * rng.normal(size=4000)
    caveat = caveats_of(stamps_of(times_ms))["capped"]
    assert "about 16.67 ms (60.0 fps) and hardly any takes less" in caveat.message
    assert caveat.weight is Weight.CARE
    assert caveat.metrics == ("average_fps", "median_frame_time_ms")


@pytest.mark.parametrize("jitter_ms", [0.05, 0.3, 0.8])
def test_frames_that_wait_for_a_fixed_refresh(jitter_ms: float) -> None:
    """Shown at the first refresh after they are ready, with a jitter that no frame passes on."""
    rng, refresh_ms = np.random.default_rng(5), 1000.0 / 60.0
    work_ms = ordinary_ms(4000, level_ms=12.0, spread=0.15)
    refreshes = np.cumsum(np.ceil(work_ms / refresh_ms))
    shown_ms = refreshes * refresh_ms + jitter_ms * rng.normal(size=refreshes.size)
    message = caveats_of((np.concatenate([[0.0], shown_ms]) * 1e6).astype(np.int64))["capped"].message
    assert "(60.0 fps)" in message
    assert "keep to that beat" in message or (jitter_ms < 0.1 and "hardly any takes more or less" in message)


@pytest.mark.parametrize("missed", [0.4, 0.45, 0.6, 0.8, 0.95])
@pytest.mark.parametrize("jitter_ms", [0.05, 0.3, 1.0])
def test_a_fixed_refresh_of_which_many_beats_are_missed(missed: float, jitter_ms: float) -> None:
    """Frames of one beat and of two: the commonest are told, and all keep to the beat."""
    rng = np.random.default_rng(7)
    shown_ms = np.cumsum(1 + (rng.random(4000) < missed)) * 1000.0 / 60.0 + jitter_ms * rng.normal(size=4000)
    message = caveats_of((np.concatenate([[0.0], shown_ms]) * 1e6).astype(np.int64))["capped"].message
    assert ("(60.0 fps)" if missed < 0.5 else "(30.0 fps)") in message


@pytest.mark.parametrize("jitter_ms", [0.1, 0.2, 0.3, 0.6])
def test_a_steady_scene_whose_timestamps_jitter_is_not_capped(jitter_ms: float) -> None:
    """Ten frames spread no more than one here, as at a fixed refresh; hundreds do."""
    rng = np.random.default_rng(6)
    ends_ms = np.cumsum(16.2 + 0.1 * rng.normal(size=7200)) + jitter_ms * rng.normal(size=7200)
    assert "capped" not in codes(np.diff(ends_ms))


def test_a_cap_between_two_changes_of_level_is_told_with_its_part() -> None:
    times_ms = ordinary_ms(6000, level_ms=8.0)
    times_ms[2500:4000] = np.maximum(times_ms[2500:4000], 11.11) + np.random.default_rng(1).normal(0.0, 0.02, 1500)
    (caveat,) = [item for item in quality_caveats(series_of(stamps_of(times_ms))) if item.code == "capped"]
    assert re.match(
        r"\d\d % of the frames from 2\d s to 3\d s take about 11\.1\d ms \((89|90)\.\d fps\)", caveat.message
    )


def test_a_part_of_equal_frames_is_told_as_a_constant_run_is() -> None:
    message = caveats_of(stamps_of(np.repeat([8.0, 12.0], 2000)))["capped"].message
    assert message.startswith("Every frame from 0.0 s to 16.0 s takes exactly 8.00 ms (125.0 fps): a limiter")


@pytest.mark.parametrize("seed", range(8))
def test_a_menu_at_a_fixed_refresh_is_no_cap_of_the_run(seed: int) -> None:
    """Between two scenes, six seconds that hardly move: they are no play, and say nothing of the card."""
    rng = np.random.default_rng(seed)
    menu = 16.667 * rng.lognormal(0.0, 0.004, 360)
    times_ms = np.concatenate((ordinary_ms(3800, seed=seed, level_ms=8.0), menu, ordinary_ms(3800, level_ms=8.0)))
    assert "capped" not in codes(times_ms)


@pytest.mark.parametrize("seed", range(8))
def test_a_change_of_level_alone_is_no_cap(seed: int) -> None:
    times_ms = ordinary_ms(6000, seed=seed, level_ms=8.0)
    times_ms[2500:4000] *= 1.4
    assert "capped" not in [item.code for item in quality_caveats(series_of(stamps_of(times_ms)))]


def test_a_constant_run_says_why_it_is_called_capped() -> None:
    message = caveats_of(stamps_of(np.full(1000, 10.0)))["capped"].message
    assert message.startswith("Every frame takes exactly 10.00 ms (100.0 fps)")
    assert "not measured" in message


# Gaps, length, tails ----------------------------------------------------------------------------------------------


def with_freezes(*freezes_ms: float) -> NDArray[np.int64]:
    parts: list[NDArray[np.float64]] = [np.full(100, 10.0)]
    for freeze_ms in freezes_ms:
        parts += [np.array([freeze_ms]), ordinary_ms(900)]
    return stamps_of(np.concatenate(parts))


def test_a_gap_is_told_with_its_time() -> None:
    caveat = caveats_of(with_freezes(3300.0))["gap"]
    assert caveat.message == "No frame for 3.3 s, 1.0 s after the start; cut it off or repeat the run."
    assert caveat.weight is Weight.REPEAT
    assert caveat.metrics == ()


def test_of_several_gaps_the_longest_is_told() -> None:
    assert "No frame for 5.0 s" in caveats_of(with_freezes(3300.0, 5000.0))["gap"].message
    assert "the longest of 2 such gaps" in caveats_of(with_freezes(3300.0, 5000.0))["gap"].message


def test_a_gap_is_longer_than_two_seconds() -> None:
    assert "gap" not in caveats_of(with_freezes(2000.0))
    assert "gap" in caveats_of(with_freezes(2000.001))
    stricter = replace(DEFAULT, quality=QualityRule(gap_s=0.5))
    assert "gap" in caveats_of(with_freezes(600.0), stricter)


def test_few_frames_and_short_runs() -> None:
    few = caveats_of(stamps_of(ordinary_ms(99)))
    assert few["few-frames"].weight is Weight.REPEAT
    assert "short-run" not in few
    short = caveats_of(stamps_of(ordinary_ms(400)))
    assert short["short-run"].weight is Weight.CARE
    assert "4.0 s" in short["short-run"].message
    assert {"few-frames", "short-run"}.isdisjoint(caveats_of(stamps_of(ordinary_ms(600))))


def tails_of(n_frames: int, options: MeasureOptions = DEFAULT) -> list[Caveat]:
    found = quality_caveats(series_of(stamps_of(ordinary_ms(n_frames)), options))
    return [caveat for caveat in found if caveat.code == "low-few-frames"]


def test_a_low_says_how_many_frames_it_needs() -> None:
    one, tenth = tails_of(940)
    assert one.message.startswith("The slowest 1 % are 9.4 frames")
    assert "1000 frames" in one.message
    assert one.weight is Weight.CARE
    assert one.metrics == (
        "low_1pct_percentile_fps",
        "low_1pct_mean_fps",
        "low_1pct_time_fps",
        "p99_frame_time_ms",
    )
    assert "10000 frames" in tenth.message
    assert tenth.weight is Weight.NOTE
    assert tenth.metrics[-1] == "p99p9_frame_time_ms"


def test_ten_frames_in_the_tail_are_enough() -> None:
    assert [caveat.metrics[0] for caveat in tails_of(1000)] == ["low_0p1pct_percentile_fps"]
    assert tails_of(10_000) == []
    assert tails_of(10_000, MeasureOptions(slowest_pcts=(5.0,))) == []


def test_percentiles_say_how_few_frames_they_rest_on_whatever_lows_are_asked_for() -> None:
    found = tails_of(300, MeasureOptions(slowest_pcts=(5.0,)))
    assert [caveat.metrics for caveat in found] == [("p99_frame_time_ms",), ("p99p9_frame_time_ms",)]
    assert found[0].message.startswith("The slowest 1 % are 3 frames; a percentile needs 10 or more, that is 1000 ")
    assert {caveat.weight for caveat in found} == {Weight.NOTE}
    mixed = tails_of(150, MeasureOptions(slowest_pcts=(5.0, 1.0)))
    assert [caveat.metrics[0] for caveat in mixed] == [
        "low_5pct_percentile_fps",
        "low_1pct_percentile_fps",
        "p99p9_frame_time_ms",
    ]


def test_an_ordinary_long_run_has_no_caveat() -> None:
    assert codes(ordinary_ms(10_000)) == set()


def test_thresholds_must_be_positive() -> None:
    with pytest.raises(ValueError, match="gap_s must be positive"):
        QualityRule(gap_s=0.0)


# What is rare or extreme is told in plain numbers ---------------------------------------------------------------------


def test_one_frame_is_one_frame_and_its_share_of_the_slowest_is_not_none() -> None:
    found = quality_caveats(series_of(stamps_of([10.0])))
    assert [caveat.message.partition(";")[0] for caveat in found] == [
        "Only 1 frame",
        "The slowest 1 % are 0.01 frames",
        "The slowest 0.1 % are 0.001 frames",
    ]


def test_a_run_that_lacks_half_a_frame_is_not_told_to_be_as_long_as_it_is() -> None:
    assert [caveat.message.partition(";")[0] for caveat in tails_of(990)] == ["The slowest 0.1 % are 1 frame"]
    assert next(caveat.message.partition(";")[0] for caveat in tails_of(949)) == "The slowest 1 % are 9.5 frames"


def test_very_short_and_very_long_frames_are_told_with_digits_that_say_something() -> None:
    short = caveats_of(stamps_of(np.full(3000, 0.001)))
    assert short["short-run"].message.startswith("The run lasts 0.003 s; ")
    assert short["capped"].message.startswith("Every frame takes exactly 0.001 ms (1,000,000 fps): ")
    assert short["low-few-frames"].message.endswith("that is 10000 frames, 0.01 s at this rate.")
    long = caveats_of(stamps_of(np.full(150, 100_030.0)))
    assert long["capped"].message.startswith("Every frame takes exactly 100,030 ms (0.01 fps): ")


@pytest.mark.parametrize("n_frames", [1, 2, 3])
def test_the_fewest_frames_that_a_rule_lets_through(n_frames: int) -> None:
    found = caveats_of(stamps_of(np.full(n_frames, 10.0)), replace(DEFAULT, quality=QualityRule(min_frames=1)))
    assert ("capped" in found) == (n_frames > 1)


def test_a_cap_may_be_asked_to_hold_every_frame() -> None:
    every = replace(DEFAULT, quality=QualityRule(cap_share=1.0))
    assert "capped" not in caveats_of(stamps_of(ordinary_ms(1000)), every)
    assert "capped" in caveats_of(stamps_of(np.full(1000, 10.0)), every)
