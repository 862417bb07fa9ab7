"""The profile: a number, a word and its threshold for each item."""

from __future__ import annotations

import numpy as np
import pytest
from example_result import NO_FINDINGS
from made_regularity import (
    alternation,
    clean_ms,
    hitches,
    planted,
    run_of,
    slope,
    step,
    warm_up,
)

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.measure import measure
from frametime.metrics.metric import ProfileItem
from frametime.metrics.options import MeasureOptions, Refresh, parse_refresh
from frametime.metrics.profile import ProfileRule, smoothness_profile


def profile_of(series: FrameSeries, refresh: Refresh | None = None) -> dict[str, ProfileItem]:
    assert series.capture is not None
    run = measure(series.capture, MeasureOptions(refresh=refresh))
    assert run.findings.profile == smoothness_profile(run.values, run.findings)
    return {item.item: item for item in run.findings.profile}


def test_a_clean_run() -> None:
    items = profile_of(run_of(clean_ms(7200, 1)))
    assert list(items) == ["level", "tail", "stutter", "rhythm", "drift"]
    assert [item.word for item in items.values()] == ["high", "narrow", "none", "even", "steady"]
    assert items["level"].value == pytest.approx(120, rel=0.02)
    assert all(item.threshold and item.source for item in items.values())


@pytest.mark.parametrize(("frame_ms", "word"), [(16.0, "high"), (20.0, "medium"), (40.0, "low")])
def test_words_of_the_level(frame_ms: float, word: str) -> None:
    assert profile_of(run_of(np.full(300, frame_ms)))["level"].word == word


@pytest.mark.parametrize(("slow_ms", "word"), [(14.0, "narrow"), (19.0, "wide"), (30.0, "very wide")])
def test_words_of_the_tail(slow_ms: float, word: str) -> None:
    times_ms = np.full(1000, 10.0)
    times_ms[::15] = slow_ms
    assert profile_of(run_of(times_ms))["tail"].word == word


@pytest.mark.parametrize(("n_stutters", "word"), [(0, "none"), (1, "rare"), (20, "frequent"), (80, "constant")])
def test_words_of_stutter(n_stutters: int, word: str) -> None:
    times_ms = np.full(6000, 10.0)
    times_ms[np.linspace(100, 5900, n_stutters).astype(int)] = 40.0
    assert profile_of(run_of(times_ms))["stutter"].word == word


@pytest.mark.parametrize("n_felt", [0, 20])
def test_stutters_that_are_only_the_edge_of_a_menu_are_not_called_constant(n_felt: int) -> None:
    """Nor is it said of those that a player feels beside them that none stands out."""
    menu, play = 1.0 * np.random.default_rng(1).lognormal(0.0, 0.02, 1000), clean_ms(7200, 1)
    play[np.linspace(500, 6700, n_felt).astype(int)] += 120.0
    item = profile_of(run_of(np.concatenate((menu, play, menu))))["stutter"]
    assert item.value is not None and item.value > 60.0 and item.word == "fewer stand out"


def test_words_of_rhythm_and_its_number() -> None:
    assert profile_of(planted(1, alternation(30.0)))["rhythm"].word == "alternating"
    recurring = profile_of(planted(1, hitches(30.0, 2.0, 0.02)))["rhythm"]
    assert (recurring.word, recurring.key) == ("recurring hitches", "hitch_period_s")
    assert recurring.value == pytest.approx(2.03, abs=0.02)


def test_words_of_drift() -> None:
    assert profile_of(planted(1, slope(10.0)))["drift"].word == "gets slower"
    assert profile_of(planted(1, slope(-10.0)))["drift"].word == "gets faster"
    assert profile_of(planted(1, step(10.0, 30.0)))["drift"].word == "changes level"
    assert profile_of(planted(1, warm_up(15.0, 3.0)))["drift"].word == "steady after warm-up"
    assert profile_of(run_of(clean_ms(600, 1)))["drift"].word == "n/a"


def test_words_of_the_display() -> None:
    film = run_of(np.full(240, 1000 / 24))
    assert profile_of(film, parse_refresh("120"))["display"].word == "even"
    assert profile_of(film, parse_refresh("60"))["display"].word == "uneven"
    assert profile_of(film, parse_refresh("30"))["display"].word == "very uneven"
    assert profile_of(film, parse_refresh("20-60"))["display"].word == "inside the window"
    assert profile_of(film, parse_refresh("48-144"))["display"].word == "partly below the window"
    assert profile_of(run_of(np.full(240, 3.0)), parse_refresh("48-144"))["display"].word == "partly above the window"


def test_every_threshold_is_a_parameter() -> None:
    series = run_of(np.full(300, 20.0))
    assert series.capture is not None
    run = measure(series.capture, MeasureOptions())
    strict = smoothness_profile(run.values, run.findings, ProfileRule(high_fps=40.0))
    assert strict[0].word == "high"
    assert strict[0].threshold == "high from 40 fps, low below 30 fps"


def test_what_was_not_measured_has_no_number() -> None:
    items = smoothness_profile({}, NO_FINDINGS)
    assert [(item.word, item.value) for item in items] == [("n/a", None)] * 5


def test_frames_that_jump_are_not_called_even_and_single_freezes_are_no_rhythm() -> None:
    """Of 60 Hz, three in ten miss a beat at random; or frames are alike but for ten freezes."""
    rng = np.random.default_rng(1)
    missed_ms = np.where(rng.random(3000) < 0.3, 33.3, 16.7)
    frozen_ms = 16.7 + 0.1 * rng.standard_normal(3000)
    frozen_ms[[137, 301, 466, 911, 1023, 1690, 1802, 2300, 2411, 2909]] = 1900.0
    words = [profile_of(run_of(times_ms))["rhythm"].word for times_ms in (missed_ms, frozen_ms, 5.0 * missed_ms)]
    assert words == ["uneven", "even", "very uneven"]
