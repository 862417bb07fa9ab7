"""The invented review is as described: its matrix, its truth, its planted faults."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from part_of_demo import BASELINE

from frametime.demo.demo_files import frame_times_us
from frametime.demo.scenario import (
    BAD_FROM,
    BAD_RUN,
    BAD_TO,
    CARDS,
    LIMIT_FPS,
    MISSING_CELL,
    RESOLUTIONS,
    SCENES,
    SPEEDS,
    DemoRun,
    demo_runs,
)

DURATION_S = 30.0


def run_of(card: str, scene: str, resolution: str, run: int = 1) -> DemoRun:
    return next(
        item
        for item in demo_runs()
        if (item.card.key, item.scene.key, item.resolution, item.run) == (card, scene, resolution, run)
    )


def average_fps(run: DemoRun) -> float:
    times_us = frame_times_us(run, duration_s=DURATION_S)
    return float(times_us.size * 1e6 / times_us.sum())


def test_the_matrix_is_whole_but_for_one_cell() -> None:
    cells = Counter((run.card.key, run.scene.key, run.resolution) for run in demo_runs())
    assert MISSING_CELL not in cells
    assert len(cells) == len(CARDS) * len(SCENES) * len(RESOLUTIONS) - 1 == 44
    assert set(cells.values()) == {3}


def test_every_candidate_has_a_true_speed_everywhere() -> None:
    assert set(SPEEDS) == {(card.key, scene.key) for card in CARDS if card.key != BASELINE for scene in SCENES}


def test_runs_last_as_long_as_asked() -> None:
    for run in demo_runs():
        total_s = frame_times_us(run, duration_s=DURATION_S).sum() / 1e6
        assert DURATION_S - 0.3 < total_s <= DURATION_S


def test_the_average_is_the_true_rate_within_the_scatter_of_runs() -> None:
    for run in demo_runs():
        if run.is_bad or run.is_capped:
            continue
        # Tail and stutters cost up to about 1 % of the time, the level of a run scatters by at most 0.7 %.
        assert abs(np.log(average_fps(run) / run.rate_fps)) < 4.5 * run.scene.run_sd + 0.01, run


def test_frames_are_positive_whole_microseconds_and_follow_one_another() -> None:
    times_us = frame_times_us(run_of("tarn-6", "pavilion", "1440p"), duration_s=DURATION_S)
    assert times_us.dtype == np.int64
    assert times_us.min() > 0
    # Beside the camera path, which a mean over 61 frames (a second) follows, neighbors must still be alike.
    logs = np.log(np.minimum(times_us, np.quantile(times_us, 0.95)))
    rest = logs[30:-30] - np.convolve(logs, np.full(61, 1 / 61), mode="valid")
    assert np.corrcoef(rest[1:], rest[:-1])[0, 1] > 0.25


@pytest.mark.parametrize("card", [card.key for card in CARDS])
def test_the_limiter_holds_every_card(card: str) -> None:
    times_us = frame_times_us(run_of(card, "regatta", "1080p"), duration_s=DURATION_S)
    at_limit = np.abs(times_us - 1e6 / LIMIT_FPS) < 100.0
    assert at_limit.mean() > 0.9
    assert LIMIT_FPS - 1.0 < times_us.size * 1e6 / times_us.sum() < LIMIT_FPS + 0.1


def test_the_bad_run_is_slow_in_its_middle_only() -> None:
    card, scene, resolution, number = BAD_RUN
    bad = frame_times_us(run_of(card, scene, resolution, number), duration_s=DURATION_S)
    good = frame_times_us(run_of(card, scene, resolution, 1), duration_s=DURATION_S)
    ratios = []
    for from_share, to_share in ((0.0, BAD_FROM - 0.02), (BAD_FROM + 0.05, BAD_TO), (BAD_TO + 0.15, 0.98)):
        part = [
            np.median(times[(np.cumsum(times) > from_share * 3e7) & (np.cumsum(times) < to_share * 3e7)])
            for times in (bad, good)
        ]
        ratios.append(part[0] / part[1])
    assert ratios[1] > 1.15
    assert abs(ratios[0] - 1.0) < 0.03
    assert abs(ratios[2] - 1.0) < 0.03
