"""Cards of another session in a review: the shift is taken off, or counted, or nothing close is called."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from example_result import METRICS, design, placed_run

from frametime.caveats import Weight
from frametime.pipeline.review_outputs import review_json, runs_frame
from frametime.render.review_text import review_text
from frametime.render.tables.review_runs import coverage_table
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun
from frametime.review.sessions import OtherSessions

SCENES = tuple(f"scene-{number}" for number in range(8))
PLAN = replace(
    design(("amber-6", "birch-9", "cedar-12"), SCENES, ("1440p",), metrics=METRICS[:1], spread="own"),
    shelved={"cedar-12": "spring"},
)
LEADS = {"amber-6": 0.0, "birch-9": 0.10, "cedar-12": 0.05}


def made(rng: np.random.Generator, card: str, shift: float, *, n_cells: int = 8) -> list[PlacedRun]:
    return [
        placed_run(
            card,
            scene,
            "1440p",
            str(run),
            {"average_fps": 100.0 * math.exp(LEADS[card] + shift + rng.normal(0.0, 0.006))},
        )
        for scene in SCENES[:n_cells]
        for run in (1, 2, 3)
    ]


def values(runs: Sequence[PlacedRun]) -> dict[tuple[str, str, str], dict[str, list[float]]]:
    found: dict[tuple[str, str, str], dict[str, list[float]]] = {}
    for run in runs:
        found.setdefault(run.place, {}).setdefault("average_fps", []).append(run.value("average_fps") or 0.0)
    return found


def reviewed(seed: int, shift: float, *, reference: int = 3, more: dict[str, float] | None = None) -> ReviewResult:
    """Today two cards; in spring cedar-12, and amber-6 in some cells; ``more`` are sessions of amber-6 alone."""
    rng = np.random.default_rng(seed)
    today = [*made(rng, "amber-6", 0.0), *made(rng, "birch-9", 0.0)]
    card = made(rng, "cedar-12", shift)
    spring = [*card, *made(rng, "amber-6", shift, n_cells=reference)]
    history = {"spring": values(spring)}
    for name, other in (more or {}).items():
        history[name] = values(made(rng, "amber-6", other))
    return review_runs(PLAN, today, others=OtherSessions(runs=tuple(card), values=history))


def told(result: ReviewResult) -> list[str]:
    return [caveat.code for caveat in result.caveats if caveat.code.startswith("session")]


def of_cedar(result: ReviewResult) -> tuple[float, float, float, str]:
    item = next(row for row in result.overall if row.candidate == "cedar-12" and row.cut == "all")
    interval = item.interval_these_scenes
    assert item.ratio is not None and interval is not None
    return math.log(item.ratio), math.log(interval.low), math.log(interval.high), item.verdict


def test_through_a_reference_a_shift_of_5_pct_is_taken_off_and_said() -> None:
    result = reviewed(1, 0.05)
    ratio, low, high, verdict = of_cedar(result)
    assert ratio == pytest.approx(0.05, abs=0.01)
    assert low < 0.05 < high
    assert verdict == "ahead"
    assert told(result) == ["session-shift"]
    (slower,) = (item.message for item in reviewed(1, -0.05).caveats if item.code == "session-shift")
    assert re.search(
        r"differed by \N{MINUS SIGN}\d\.\d % then \(\N{MINUS SIGN}\d\.\d to \N{MINUS SIGN}\d\.\d %\)", slower
    )
    # What was measured then stands among the runs as it was.
    run = next(run for run in result.runs if run.card == "cedar-12")
    assert run.values["average_fps"] == pytest.approx(100.0 * math.exp(0.10), rel=0.03)
    assert {cell.card for cell in result.coverage.cells} == {"amber-6", "birch-9"}
    assert result.coverage.is_complete
    assert result.log_means == ()
    assert "- Cedar 12 was measured in session 'spring'." in review_text(result), "a note that every reader needs"


def test_a_run_of_the_shelf_that_stands_out_is_not_to_be_repeated_here() -> None:
    rng = np.random.default_rng(4)
    today = [*made(rng, "amber-6", 0.0), *made(rng, "birch-9", 0.0)]
    card = made(rng, "cedar-12", 0.0)
    card[4] = placed_run("cedar-12", "scene-1", "1440p", "2", {"average_fps": 80.0})
    history = {"spring": values([*card, *made(rng, "amber-6", 0.0)])}
    result = review_runs(PLAN, today, others=OtherSessions(runs=tuple(card), values=history))
    (cell,) = [cell for cell in result.cells if cell.place == ("cedar-12", "scene-1", "1440p")]
    (caveat,) = [caveat for caveat in cell.caveats if caveat.code == "run-to-repeat"]
    assert caveat.weight is Weight.CARE and caveat.message.startswith(
        "Run 2, which the shelf has, stands out; it is inc"
    )
    told = result.paragraphs["all"]
    assert "One run of the shelf stands out (Cedar 12 in scene-1 at 1440p)." in told.replace("Scene-1", "scene-1")
    assert "repeat" not in told


def test_the_matrix_of_coverage_has_the_cards_on_this_bench() -> None:
    assert [column.label for column in coverage_table(reviewed(1, 0.05)).columns[-2:]] == ["Amber 6", "Birch 9"]


def test_each_run_tells_the_session_from_which_the_shelf_has_it() -> None:
    result = reviewed(1, 0.05)
    told = dict(runs_frame(result).select("card", "session").iter_rows())
    assert told == {"amber-6": None, "birch-9": None, "cedar-12": "spring"}
    assert {run["session"] for run in json.loads(review_json(result))["runs"]} == {None, "spring"}


@pytest.mark.slow
def test_with_a_reference_intervals_hold_the_truth_whatever_the_shift() -> None:
    found = [of_cedar(reviewed(seed, 0.02 * (seed % 3 - 1))) for seed in range(200)]
    assert 0.92 <= np.mean([low < 0.05 < high for _, low, high, _ in found]) <= 0.985


@pytest.mark.parametrize(("n_more", "times"), [(1, "6.5"), (2, "2.2"), (3, "1.6"), (4, None)])
def test_what_few_sessions_cost_is_said(n_more: int, times: str | None) -> None:
    """Student's factor for 95 % over the normal one: 12.706, 4.303 and 3.182 over 1.960 (any table)."""
    shifts = dict(list({"a": 0.012, "b": -0.011, "c": 0.004, "d": -0.002}.items())[:n_more])
    message = next(
        item.message for item in reviewed(2, 0.0, reference=0, more=shifts).caveats if item.code == "session-scatter"
    )
    assert f"By {n_more + 1} sessions" in message
    assert (times is None) == ("So few sessions" not in message)
    assert times is None or f"up to {times} times as wide as many sessions would" in message


def test_without_a_reference_the_scatter_of_sessions_is_counted() -> None:
    shifts = {"a": 0.012, "b": -0.011, "c": 0.004, "d": -0.002}
    result = reviewed(2, 0.0, reference=0, more=shifts)
    assert told(result) == ["session-scatter"]
    _, low, high, _ = of_cedar(result)
    assert high - low > 0.03
    # Cards of today know nothing of it.
    plain = next(row for row in result.overall if row.candidate == "birch-9" and row.cut == "all")
    assert plain.interval_these_scenes is not None
    assert math.log(plain.interval_these_scenes.high / plain.interval_these_scenes.low) < 0.02


def test_where_nothing_is_known_no_verdict_is_closer_than_the_margin() -> None:
    result = reviewed(3, 0.0, reference=0)
    assert told(result) == ["session-unknown"]
    assert of_cedar(result)[3] == "ahead"
    for shift in (-0.03, -0.05):
        result = reviewed(3, shift, reference=0)
        assert of_cedar(result)[3] == "undecided"
        # More runs of the cards on this bench would not tell.
        item = next(row for row in result.overall if row.candidate == "cedar-12" and row.cut == "all")
        assert "; more runs of a card that lies in both sessions may decide." in item.sentence
        assert not [item for item in result.comparisons if item.candidate == "cedar-12" and item.runs_needed]


def test_looks_of_the_baseline_do_not_wait_for_a_card_of_another_session() -> None:
    rng = np.random.default_rng(4)
    plan = replace(PLAN, looks=(3, 5))
    today = [*made(rng, "amber-6", 0.0), *made(rng, "birch-9", 0.0)]
    result = review_runs(plan, today, others=OtherSessions(runs=tuple(made(rng, "cedar-12", 0.0))))
    assert {cell.look for cell in result.coverage.cells} == {"decided"}


@pytest.mark.slow
def test_a_lab_of_12_cards_16_scenes_and_5_sessions_with_planted_shifts() -> None:
    """Nine cards in four earlier sessions with the reference in four cells; 20 such labs, each card against today's."""
    scenes = tuple(f"scene-{number}" for number in range(16))
    cards = tuple(f"card-{number}" for number in range(12))
    shelved = {card: f"session-{at % 4}" for at, card in enumerate(cards[3:])}
    plan = replace(design(cards, scenes, ("1440p",), metrics=METRICS[:1], spread="own"), shelved=shelved)
    hits, shifted = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        levels = dict(zip(cards, rng.normal(0.0, 0.1, 12), strict=True))
        levels["card-0"] = 0.0
        shifts = {session: float(rng.normal(0.0, 0.02)) for session in set(shelved.values())}

        def played(
            card: str,
            shift: float,
            n_cells: int,
            own: dict[str, float] = levels,
            noise: np.random.Generator = rng,
        ) -> list[PlacedRun]:
            logs = own[card] + shift + noise.normal(0.0, 0.008, (n_cells, 3))
            return [
                placed_run(card, scenes[cell], "1440p", str(run), {"average_fps": 100.0 * math.exp(logs[cell, run])})
                for cell in range(n_cells)
                for run in range(3)
            ]

        today = [run for card in cards[:3] for run in played(card, 0.0, 16)]
        runs = [run for card, session in shelved.items() for run in played(card, shifts[session], 16)]
        history = {
            session: values(
                [*(run for run in runs if shelved[run.card] == session), *played("card-0", shifts[session], 4)]
            )
            for session in shifts
        }
        result = review_runs(plan, today, others=OtherSessions(runs=tuple(runs), values=history))
        for item in result.overall:
            interval = item.interval_these_scenes
            if item.cut == "all" and item.candidate in shelved and interval is not None:
                hits.append(interval.low < math.exp(levels[item.candidate]) < interval.high)
                shifted.append(abs(shifts[shelved[item.candidate]]) > 0.005)
    assert len(hits) == 180
    assert 0.90 <= np.mean(hits) <= 0.99
    assert np.mean(shifted) > 0.5
