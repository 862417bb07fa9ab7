"""A review from its plan to its folder: made again where anything has changed, written where it may be."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from frametime.errors import OutputError
from frametime.pipeline import kept_runs, measuring_many, review_outputs
from frametime.pipeline.chart_files import ChartRequest
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest
from frametime.pipeline.review_outputs import KEPT_RUNS_FILE, Writing, make_review
from frametime.plans.plan import read_plan


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cards, three runs each, and their plan."""
    folder = tmp_path_factory.mktemp("bench")
    for card, frame_time_ms in (("amber-6", 8.0), ("birch-9", 7.0)):
        for run in (1, 2, 3):
            rng = random.Random(f"{card} {run}")
            path = folder / "captures" / card / "harbor" / "1440p" / f"run{run}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            times = "".join(f"{frame_time_ms * rng.lognormvariate(0.0, 0.05):.4f}\n" for _ in range(300))
            path.write_text(f"frame time (ms)\n{times}", encoding="utf-8")
    command = [sys.executable, "-m", "frametime", "plan", "captures", "--out", "plan.toml"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return folder


def request_of(bench: Path, out: Path, **asked: Any) -> dict[str, Any]:
    plan = bench / "plan.toml"
    again = {"measure_again": asked.pop("measure_again", False)}
    writing = Writing(**{"plan_file": plan, **asked})
    return {"plan": read_plan(plan), "out": out, "writing": writing, "workers": 1, **again}


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Captures that were measured since."""
    names: list[str] = []
    measure = measuring_many.measure_one

    def counted(request: MeasureRequest) -> MeasureOutcome:
        names.append(request.path)
        return measure(request)

    monkeypatch.setattr(measuring_many, "measure_one", counted)
    return names


@pytest.fixture
def reviewed(bench: Path, tmp_path: Path) -> Path:
    make_review(**request_of(bench, tmp_path / "result"))
    return tmp_path / "result"


def test_the_same_is_said_again_and_nothing_is_written(bench: Path, reviewed: Path, measured: list[str]) -> None:
    before = state_of(reviewed)
    first, second = make_review(**request_of(bench, reviewed)), make_review(**request_of(bench, reviewed))
    assert measured == []
    assert first == second
    assert state_of(reviewed) == before


def test_charts_that_all_stand_there_are_named_without_a_look_at_the_review(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    request = request_of(bench, tmp_path / "out", charts=ChartRequest(formats=("svg",)))
    first = make_review(**request)

    def listed(*_: object, **__: object) -> None:
        raise AssertionError("listed")

    monkeypatch.setattr(review_outputs, "drawn_files", listed)
    assert make_review(**request) == first
    monkeypatch.setattr(review_outputs, "__version__", "another")
    with pytest.raises(AssertionError, match="listed"):  # another version may draw other charts
        make_review(**request)
    monkeypatch.undo()
    other = make_review(**request_of(bench, tmp_path / "out", charts=ChartRequest(formats=("svg",), only=("matrix",))))
    assert set(other[1].names) < set(first[1].names)


def test_measuring_again_uses_nothing_that_was_kept(bench: Path, reviewed: Path, measured: list[str]) -> None:
    first = make_review(**request_of(bench, reviewed))
    assert make_review(**request_of(bench, reviewed, measure_again=True)) == first
    assert len(measured) == 6


def changed_output(out: Path) -> None:
    (out / "cells.csv").write_text("another", "utf-8")


def missing_output(out: Path) -> None:
    (out / "standings.csv").unlink()


@pytest.mark.parametrize("change", [changed_output, missing_output])
def test_a_change_in_the_folder_is_put_right_unasked(
    bench: Path, reviewed: Path, measured: list[str], change: Callable[[Path], None]
) -> None:
    expected = (reviewed / "cells.csv").read_bytes(), (reviewed / "standings.csv").read_bytes()
    change(reviewed)
    make_review(**request_of(bench, reviewed))
    assert ((reviewed / "cells.csv").read_bytes(), (reviewed / "standings.csv").read_bytes()) == expected
    assert measured == []


def test_another_baseline_leaves_no_chart_of_the_old_one(
    bench: Path, tmp_path: Path, measured: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []

    def read(request: MeasureRequest) -> Any:
        drawn.append(request.path)
        return curves_in(request)

    curves_in = kept_runs._curves_in
    monkeypatch.setattr(kept_runs, "_curves_in", read)
    plan, out = bench / "plan.toml", tmp_path / "result"
    text = plan.read_text("utf-8")
    charts = ChartRequest(only=("ratios", "percentiles"))
    make_review(**request_of(bench, out, charts=charts))
    old = {path.name for path in (out / "charts").iterdir()}
    kept = (out / KEPT_RUNS_FILE).read_bytes()
    n_measured = len(measured)
    try:
        plan.write_text(text.replace('baseline = "amber-6"', 'baseline = "birch-9"'), encoding="utf-8")
        assert plan.read_text("utf-8") != text
        _, (names, _) = make_review(**request_of(bench, out, charts=charts))
        new = {path.name for path in (out / "charts").iterdir()}
        assert new == {Path(name).name for name in names if name.startswith("charts/")}
        assert old - new and new - old and old & new
        assert (out / KEPT_RUNS_FILE).read_bytes() == kept
        # The two runs whose curves are drawn are read and no other; none is measured.
        assert (len(drawn), len(measured)) == (2, n_measured)
        make_review(**request_of(bench, out))
        assert (out / "charts").exists()
        plan.write_text(text, encoding="utf-8")
        make_review(**request_of(bench, out))
        assert not (out / "charts").exists()
    finally:
        plan.write_text(text, encoding="utf-8")


def test_the_folder_of_another_plan_is_refused_before_any_work(
    bench: Path, reviewed: Path, measured: list[str]
) -> None:
    other = bench / "other.toml"
    other.write_text((bench / "plan.toml").read_text("utf-8"), encoding="utf-8")
    before = state_of(reviewed)
    request = request_of(bench, reviewed, measure_again=True, plan_file=other)
    with pytest.raises(OutputError, match=r"the result of another plan, '.*plan\.toml'; --force replaces it"):
        make_review(**request)
    (reviewed / "notes.txt").write_text("mine", "utf-8")
    with pytest.raises(OutputError, match=r"'notes\.txt', which no review has written"):
        make_review(**request | {"writing": replace(request["writing"], force=True)})
    (reviewed / "notes.txt").unlink()
    assert measured == []
    assert state_of(reviewed) == before
    make_review(**request | {"writing": replace(request["writing"], force=True)})
    assert len(measured) == 6


def state_of(folder: Path) -> dict[Path, tuple[bytes, int]]:
    return {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.rglob("*") if path.is_file()}


def test_charts_that_the_plan_names_are_drawn_besides_the_first_ones(bench: Path, tmp_path: Path) -> None:
    request = request_of(bench, tmp_path / "out", charts=ChartRequest())
    written = (bench / "plan.toml").read_text("utf-8").replace('"captures"', f'"{(bench / "captures").as_posix()}"')
    plan_file = tmp_path / "plan.toml"
    plan_file.write_text(f'charts = ["percentiles"]\n{written}', encoding="utf-8")
    writing = replace(request["writing"], plan_file=plan_file)
    make_review(**request | {"writing": writing, "plan": read_plan(plan_file)})
    drawn = [path.name for path in sorted((tmp_path / "out" / "charts").iterdir())]
    assert "percentiles-harbor-1440p.png" in drawn
    assert "standings-all.png" in drawn
