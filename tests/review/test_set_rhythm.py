"""The period of hitches over the runs of a set, on recorded runs: atlas uploads a texture every 2 s of its own time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from example_result import example_design, example_runs

from frametime import measure, read_capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions
from frametime.metrics.rhythm.hitches import hitches_listed, hitches_of
from frametime.review import reviewing
from frametime.review.cell_summaries import recurring_hitches
from frametime.review.run_set import PlacedRun, RunSet

RECORDED = Path(__file__).parents[2] / "reference_logs" / "recorded" / "preset-base"


def run_set(scene: str, resolution: str) -> RunSet:
    """The three runs of one recorded cell."""
    runs = tuple(
        PlacedRun(
            name=f"base/{scene}/{resolution}/{number}",
            card="base",
            scene=scene,
            resolution=resolution,
            run=str(number),
            measured=measure(read_capture(RECORDED / scene / resolution / f"run{number}.csv.gz")),
        )
        for number in (1, 2, 3)
    )
    return RunSet(card="base", scene=scene, resolution=resolution, runs=runs, order="name")


def test_the_texture_upload_is_found_over_three_runs() -> None:
    [caveat] = recurring_hitches(run_set("atlas", "1080p"))
    assert caveat.code == "recurring-hitches"
    assert caveat.message.startswith(
        "Hitches recur over 3 runs: a hitch of about 34 ms every 2.000 s (give or take 0.00"
    )
    assert ": 12 of 12 beats, 0 beside them (p = " in caveat.message


@pytest.mark.parametrize(("scene", "resolution"), [("canyon", "1080p"), ("harbour", "2160p")])
def test_no_period_is_claimed_where_there_is_none(scene: str, resolution: str) -> None:
    assert recurring_hitches(run_set(scene, resolution)) == ()


def test_a_period_is_named_where_chance_over_all_sets_leaves_it_out() -> None:
    """Of a hundred sets with hitches at random about one has a period at 1 %: a review of many names fewer."""
    atlas = run_set("atlas", "1080p")
    [caveat] = recurring_hitches(atlas)
    p_value = float(caveat.message.rpartition("(p = ")[2].rstrip(")."))
    assert recurring_hitches(atlas, n_tests=int(0.04 / p_value)) == (caveat,)
    assert recurring_hitches(atlas, n_tests=int(0.06 / p_value)) == ()


def test_a_review_counts_all_the_sets_that_it_looks_at(monkeypatch: pytest.MonkeyPatch) -> None:
    counts = []

    def counted(_: RunSet, *, n_tests: int) -> tuple[()]:
        counts.append(n_tests)
        return ()

    monkeypatch.setattr(reviewing, "recurring_hitches", counted)
    runs = example_runs(with_curves=False)
    n_sets = len({run.place for run in runs})
    reviewing.review_runs(example_design(), runs)
    assert counts == [n_sets] * n_sets
    assert n_sets > 1


def test_hitches_from_findings_are_those_of_the_frames() -> None:
    capture = read_capture(RECORDED / "atlas" / "1080p" / "run1.csv.gz")
    expected = hitches_of(FrameSeries.of(capture, MeasureOptions()))
    measured = measure(capture)
    assert measured.findings.rhythm is not None
    found = hitches_listed(measured.findings.rhythm.hitches, n_frames=measured.n_frames, run_s=measured.duration_s)
    for one, other in zip(found, expected, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)
