"""While a review is being made: a straggler is told at once, and the next run is on the card that lies on the bench."""

from __future__ import annotations

import numpy as np
import pytest
from example_result import METRICS, design, placed_run

from frametime.caveats import Caveat, Weight
from frametime.lab.sessions import Step, run_order
from frametime.render.review_text import newest_run_text
from frametime.review.result import UnreadableFile
from frametime.review.reviewing import newest_run
from frametime.review.run_set import PlacedRun

CARDS, SCENES = ("amber-6", "birch-9"), ("canyon", "dunes", "harbor", "inn", "jetty", "lane", "meadow", "pier")
DESIGN = design(CARDS, SCENES, ("1440p",), metrics=METRICS[:1])


def runs_of(card: str, n_scenes: int, n_runs: int) -> list[PlacedRun]:
    rng = np.random.default_rng(3)
    return [
        placed_run(card, scene, "1440p", str(run), {"average_fps": 100.0 * float(np.exp(rng.normal(0.0, 0.005)))})
        for scene in SCENES[:n_scenes]
        for run in range(1, n_runs + 1)
    ]


def test_a_straggler_is_told_when_it_is_made() -> None:
    runs = runs_of("amber-6", 8, 3)
    late = placed_run("amber-6", "pier", "1440p", "3", {"average_fps": 90.0})
    told = newest_run(DESIGN, [*runs[:-1], late], late)
    assert told.flag is not None
    assert told.others_pct == pytest.approx(-10.0, abs=1.5)
    assert (told.next_run.run, told.next_run.reason) == ("3", "flagged")  # type: ignore[union-attr]
    lines = newest_run_text(DESIGN, told).splitlines()
    assert len(lines) == 4
    assert lines[2].startswith("  Repeat this run: ")
    assert lines[3].startswith("Next: ") and " again (" in lines[3]


def test_a_sound_run_says_how_far_it_lies_and_what_is_left() -> None:
    runs = runs_of("amber-6", 2, 3)[:4]
    told = newest_run(DESIGN, runs, runs[-1])
    assert (told.flag, told.n_others) == (None, 0)
    lines = newest_run_text(DESIGN, told).splitlines()
    assert lines[2] == "  The first run of its cell."
    assert lines[3].endswith("run 2 (44 runs left, 20 of them on this card)")
    assert told.next_run is not None
    assert (told.next_run.card, told.next_run.scene) == ("amber-6", "dunes")


@pytest.mark.parametrize(("fps", "side"), [(100.4, "above"), (99.6, "below")])
@pytest.mark.parametrize(("n_before", "others"), [(1, "the other run"), (2, "the mean of the other 2 runs")])
def test_a_run_is_told_above_or_below_the_others_and_with_what_is_known_of_it(
    fps: float, side: str, n_before: int, others: str
) -> None:
    before = [placed_run("amber-6", "canyon", "1440p", str(run + 1), {"average_fps": 100.0}) for run in range(n_before)]
    caveat = Caveat(code="gap", message="No frame for 3 s.", weight=Weight.CARE)
    newest = placed_run("amber-6", "canyon", "1440p", "3", {"average_fps": fps}, caveats=[caveat])
    lines = newest_run_text(DESIGN, newest_run(DESIGN, [*before, newest], newest)).splitlines()
    assert lines[2] == f"  0.4 % {side} {others} of its cell."
    assert lines[0].endswith(f": {newest.measured.judgement.word}: {newest.measured.judgement.reasons[0]}")


def test_the_card_is_changed_only_when_nothing_is_left_on_it() -> None:
    runs = runs_of("birch-9", 8, 3)
    told = newest_run(DESIGN, runs, runs[-1])
    assert told.next_run is not None
    assert told.next_run.card == "amber-6"
    first = newest_run(DESIGN, runs[:-1], runs[0])
    assert first.next_run is not None
    assert (first.next_run.card, first.next_run.scene) == ("birch-9", "pier")


def test_a_capture_that_cannot_be_read_is_the_next_to_make() -> None:
    broken = UnreadableFile(
        file_name="x.csv", card="amber-6", scene="canyon", resolution="1440p", run="1", error="it is cut off"
    )
    told = newest_run(DESIGN, [], broken, unreadable=[broken])
    assert told.next_run is not None and told.next_run.reason == "unreadable"
    assert newest_run_text(DESIGN, told).splitlines()[1] == "  it is cut off"


def _made(order: tuple[Step, ...], n: int) -> list[PlacedRun]:
    fps = {"average_fps": 100.0}
    return [
        placed_run(*step[:4], {"average_fps": fps["average_fps"] * (1.0 + 0.001 * (at % 5))})
        for at, step in enumerate(order[:n])
    ]


def test_in_an_order_the_next_run_is_the_next_step_and_a_swap_is_told() -> None:
    order = run_order(CARDS, DESIGN.cells, 3, passes=2, seed=1)
    for n in range(1, len(order)):
        runs = _made(order, n)
        told = newest_run(DESIGN, runs, runs[-1], order=order)
        assert told.next_run is not None
        assert (told.next_run.card, told.next_run.scene, told.next_run.resolution, told.next_run.run) == order[n][:4]
        is_swap = order[n].card != order[n - 1].card
        assert newest_run_text(DESIGN, told).splitlines()[-1].startswith("Swap cards. Next: " if is_swap else "Next: ")


def test_in_an_order_a_run_to_repeat_is_made_while_its_card_lies_there() -> None:
    order = run_order(CARDS, DESIGN.cells, 3, passes=2, seed=1)
    broken = [
        UnreadableFile(
            file_name="x.csv",
            **dict(zip(("card", "scene", "resolution", "run"), order[at][:4], strict=True)),
            error="x",
        )
        for at in (3,)
    ]
    runs = [run for at, run in enumerate(_made(order, 6)) if at != 3]
    told = newest_run(DESIGN, runs, runs[-1], unreadable=broken, order=order)
    assert told.next_run is not None
    assert (told.next_run.scene, told.next_run.run, told.next_run.reason) == (
        order[3].scene,
        order[3].run,
        "unreadable",
    )
    # On the other card the list goes on; what is to be repeated waits for its card.
    swapped = next(at for at, step in enumerate(order) if step.card != order[0].card)
    runs = [run for at, run in enumerate(_made(order, swapped + 2)) if at != 3]
    told = newest_run(DESIGN, runs, runs[-1], unreadable=broken, order=order)
    assert told.next_run is not None
    assert told.next_run.scene == order[swapped + 2].scene
