"""The stored review, reviewed: the verdicts agree with the truths that the captures were made from."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from unittest import mock

import pytest
from once_a_run import measured_once
from part_of_demo import BASELINE

from frametime.demo.scenario import BAD_RUN, CAPPED, MISSING_CELL, RESOLUTIONS, SPEEDS
from frametime.pipeline import measuring_many
from frametime.pipeline.review_files import review_plan
from frametime.plans.plan import read_plan
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison

REVIEW = Path(__file__).parents[2] / "reference_logs" / "review"
HEADLINE = "average_fps"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> ReviewResult:
    with mock.patch.object(measuring_many, "measure_one", measured_once(tmp_path_factory)):
        return review_plan(read_plan(REVIEW / "plan.toml"), workers=1)


@pytest.fixture(scope="module")
def compared(result: ReviewResult) -> list[CellComparison]:
    return [item for item in result.comparisons if item.metric == HEADLINE and item.ratio is not None]


def true_ratio(item: CellComparison) -> float:
    if (item.scene, item.resolution) == CAPPED:
        return 1.0
    return SPEEDS[item.candidate, item.scene][RESOLUTIONS.index(item.resolution)]


def test_every_capture_is_read_with_its_sensors(result: ReviewResult) -> None:
    assert len(result.runs) == 132
    assert result.unreadable == ()
    assert all(run.values["average_power_w"] is not None for run in result.runs)
    assert not any(run.provenance.rows_rejected for run in result.runs)


def test_intervals_hold_the_truth_about_as_often_as_they_say(compared: list[CellComparison]) -> None:
    # 29 intervals of 95 %: with the truth left out more than 5 times, chance has 0.3 % (binomial, n = 29, p = 0.05).
    left_out = [
        item
        for item in compared
        if item.interval_95 is None or not item.interval_95.low <= true_ratio(item) <= item.interval_95.high
    ]
    assert len(left_out) <= 5


def test_no_verdict_contradicts_the_truth(compared: list[CellComparison]) -> None:
    for item in compared:
        if item.verdict == "ahead":
            assert true_ratio(item) > 1.0, item
        if item.verdict == "behind":
            assert true_ratio(item) < 1.0, item
        if item.verdict == "tied":
            assert 1 / 1.03 < true_ratio(item) < 1.03, item


def test_the_verdicts_are_mixed(compared: list[CellComparison]) -> None:
    brae = Counter(item.verdict for item in compared if item.candidate == "brae-41")
    hollin = Counter(item.verdict for item in compared if item.candidate == "hollin-2")
    assert brae["ahead"] >= 10
    assert brae["behind"] == 0
    assert set(hollin) == {"ahead", "behind", "tied", "undecided"}


def test_ray_traced_scenes_decide_one_card(result: ReviewResult) -> None:
    found = {
        (item.cut, item.candidate): item.ratio for item in result.overall if item.metric == HEADLINE and item.ratio
    }
    assert found["all", "brae-41"] > 1.06
    assert abs(found["all", "hollin-2"] - 1.0) < 0.02
    assert found["ray-traced", "hollin-2"] < 0.96
    assert found["not-ray-traced", "hollin-2"] > 1.0


def test_only_the_spoiled_run_is_flagged(result: ReviewResult) -> None:
    assert [run.name for run in result.runs if run.flag] == ["/".join(map(str, BAD_RUN))]


def test_only_the_missing_cell_is_missing(result: ReviewResult) -> None:
    missing = {
        (run.card, run.scene, run.resolution)
        for cell in result.coverage.cells
        for run in cell.to_make
        if run.reason == "missing"
    }
    assert missing == {MISSING_CELL}
    assert not result.coverage.is_complete


def test_the_limiter_is_found_on_every_card_and_nowhere_else(result: ReviewResult) -> None:
    capped = {
        (run.card, run.scene, run.resolution)
        for run in result.runs
        if any(caveat.code == "capped" for caveat in run.caveats)
    }
    assert capped == {(card.key, *CAPPED) for card in result.cards}


def test_price_and_power_speak_for_the_tied_card(result: ReviewResult) -> None:
    value = {row.card: row.fps_per_money for row in result.value if (row.cut, row.metric) == ("all", HEADLINE)}
    joules = {row.card: row.energy_per_frame_j for row in result.efficiency if row.cut == "all"}
    assert value["hollin-2"] > value[BASELINE] > value["brae-41"]
    assert joules["hollin-2"] < joules[BASELINE] < joules["brae-41"]
