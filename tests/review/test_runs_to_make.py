"""The coverage matrix says what the bench still has to do, and why."""

from __future__ import annotations

from example_result import METRICS, design, example_result, placed_run

from frametime.caveats import Caveat, Weight
from frametime.review.result import CoverageCell, Flag, GrubbsOutcome, UnreadableFile
from frametime.review.run_set import PlacedRun
from frametime.review.runs_to_make import coverage_of

ASKED = design(("amber-6",), ("harbor",), ("1440p",), metrics=METRICS[:1])
GAP = Caveat(code="gap", message="No frame for 3.2 s.", weight=Weight.REPEAT)
GRUBBS = GrubbsOutcome(
    run_name="amber-6/harbor/1440p/2",
    scene="harbor",
    resolution="1440p",
    n_runs=3,
    statistic=1.1546,
    critical_5pct=1.1543,
    critical_1pct=1.1547,
    outcome="straggler",
)
FLAG = Flag(
    metric="average_fps",
    distance_pct=-9.0,
    limit_pct=2.0,
    method="limit",
    sentence="It lies 9 % below.",
    grubbs=GRUBBS,
)


def run(name: str, *caveats: Caveat) -> PlacedRun:
    return placed_run("amber-6", "harbor", "1440p", name, {"average_fps": 100.0}, caveats=caveats)


def cell(*runs: PlacedRun, flags: dict[str, Flag] | None = None, broken: tuple[str, ...] = ()) -> CoverageCell:
    unreadable = [
        UnreadableFile(
            file_name=f"{n}.csv", card="amber-6", scene="harbor", resolution="1440p", run=n, error="binary data"
        )
        for n in broken
    ]
    return coverage_of(ASKED, runs, flags or {}, unreadable).cells[0]


def test_a_full_cell_is_complete() -> None:
    found = cell(run("1"), run("2"), run("3"))
    assert (found.n_usable, found.to_make, found.present) == (3, (), ("1", "2", "3"))


def test_missing_runs_get_the_first_free_numbers_written_as_the_others_are() -> None:
    assert [item.run for item in cell(run("2")).to_make] == ["1", "3"]
    assert [item.run for item in cell(run("02")).to_make] == ["01", "03"]
    assert [item.reason for item in cell().to_make] == ["missing"] * 3


def test_every_reason_to_repeat_is_told() -> None:
    found = cell(run("1", GAP), run("2"), flags={"amber-6/harbor/1440p/2": FLAG}, broken=("3",))
    assert [(item.run, item.reason) for item in found.to_make] == [
        ("1", "rejected"),
        ("2", "flagged"),
        ("3", "unreadable"),
    ]
    assert [item.sentence for item in found.to_make] == [
        "No frame for 3.2 s.",
        "It lies 9 % below.",
        "It cannot be used: binary data",
    ]
    assert found.n_usable == 0


def test_good_runs_beyond_the_plan_make_up_for_bad_ones() -> None:
    found = cell(run("1", GAP), run("2"), run("3"), run("4"))
    assert (found.n_usable, found.to_make) == (3, ())


def test_runs_beyond_the_plan_make_up_for_none_of_another_cell() -> None:
    """Of a cell with a run too many and one that lacks a run, the page said that 6 of 6 runs were there."""
    runs = [
        placed_run("amber-6", scene, "1440p", name, {"average_fps": 100.0})
        for scene, names in (("harbor", "1234"), ("canyon", "12"))
        for name in names
    ]
    asked = design(("amber-6",), ("harbor", "canyon"), ("1440p",), metrics=METRICS[:1])
    coverage = coverage_of(asked, runs, {}, ())
    assert [item.n_usable for item in coverage.cells] == [4, 2]
    assert (coverage.n_usable, coverage.n_planned, coverage.is_complete) == (5, 6, False)


def test_the_matrix_adds_up() -> None:
    coverage = example_result().coverage
    assert coverage.n_planned == 3 * 3 * 2 * 3
    assert coverage.n_usable == sum(item.n_usable for item in coverage.cells)
    assert coverage.n_planned - coverage.n_usable == len(coverage.to_make)
    assert [item.reason for item in coverage.to_make] == ["excluded", "flagged", "missing", "missing", "missing"]
