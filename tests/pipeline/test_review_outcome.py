"""A review of what has not changed is said again from what was kept; of anything that has, it is made again."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from frametime.pipeline import review_outcome
from frametime.pipeline.plan import read_plan
from frametime.pipeline.review_outcome import OUTCOME_FILE, ReviewOutcome, ReviewRequest, make_review
from frametime.pipeline.review_outputs import KEPT_RUNS_FOLDER, DrawnOutputs


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


def request_of(bench: Path, out: Path, **asked: bool) -> ReviewRequest:
    plan = bench / "plan.toml"
    return ReviewRequest(
        plan_file=plan,
        plan=read_plan(plan),
        out=out,
        drawn=DrawnOutputs(charts=False, report=False),
        workers=1,
        **asked,  # type: ignore[arg-type]
    )


@pytest.fixture
def count(monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """How many reviews were made since."""
    made: list[ReviewRequest] = []
    make = review_outcome._made

    def counted(request: ReviewRequest) -> ReviewOutcome:
        made.append(request)
        return make(request)

    monkeypatch.setattr(review_outcome, "_made", counted)
    return lambda: len(made)


@pytest.fixture(scope="module")
def reviewed(bench: Path) -> Path:
    out = bench / "result"
    make_review(request_of(bench, out))
    return out


def test_the_same_is_said_again_and_nothing_is_made(bench: Path, reviewed: Path, count: Callable[[], int]) -> None:
    before = {path: path.read_bytes() for path in reviewed.iterdir() if path.is_file()}
    first, second = make_review(request_of(bench, reviewed)), make_review(request_of(bench, reviewed, force=True))
    assert count() == 0
    assert first == second == make_review(request_of(bench, reviewed, measure_again=True))
    assert count() == 1
    assert first.summary.startswith("A") or len(first.summary) > 100
    assert {path: path.read_bytes() for path in reviewed.iterdir() if path.is_file()} == before


def changed_output(_bench: Path, out: Path) -> None:
    (out / "cells.csv").write_text("another", "utf-8")


def missing_output(_bench: Path, out: Path) -> None:
    (out / "standings.csv").unlink()


def leftover(_bench: Path, out: Path) -> None:
    (out / ".review-abc").mkdir()


def broken_outcome(_bench: Path, out: Path) -> None:
    (out / KEPT_RUNS_FOLDER / OUTCOME_FILE).write_text("{", "utf-8")


def forged_outcome(_bench: Path, out: Path) -> None:
    path = out / KEPT_RUNS_FOLDER / OUTCOME_FILE
    kept = json.loads(path.read_text("utf-8"))
    kept["files"].popitem()
    path.write_text(json.dumps(kept), "utf-8")


@pytest.mark.parametrize("change", [changed_output, missing_output, leftover, broken_outcome, forged_outcome])
def test_a_change_in_the_folder_has_it_made_again(
    bench: Path, reviewed: Path, count: Callable[[], int], change: Callable[[Path, Path], None]
) -> None:
    expected = (reviewed / "cells.csv").read_bytes(), (reviewed / "standings.csv").read_bytes()
    change(bench, reviewed)
    make_review(request_of(bench, reviewed, force=True))
    assert count() == 1
    assert ((reviewed / "cells.csv").read_bytes(), (reviewed / "standings.csv").read_bytes()) == expected
    make_review(request_of(bench, reviewed))
    assert count() == 1


def test_what_is_asked_the_plan_a_capture_and_the_package_are_part_of_the_state(
    bench: Path, reviewed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def state(**asked: bool) -> str:
        found = review_outcome._state(request_of(bench, reviewed, **asked))
        assert found is not None
        return found

    known = state()
    assert known == state() == state(force=True)
    states = {known, state(escape_formulas=True)}
    plan = bench / "plan.toml"
    text = plan.read_bytes()
    plan.write_bytes(text + b"# a remark\n")
    states.add(state())
    plan.write_bytes(text)
    capture = next((bench / "captures").rglob("*.csv"))
    content, times = capture.read_bytes(), capture.stat()
    # As long and as old as before: only the content tells.
    capture.write_bytes(content[:-2] + (b"1" if content[-2:-1] == b"0" else b"0") + content[-1:])
    os.utime(capture, ns=(times.st_atime_ns, times.st_mtime_ns))
    states.add(state())
    capture.write_bytes(content)
    assert state() == known
    monkeypatch.setattr(review_outcome, "_package_state", lambda: [("edited.py", 1, 1)])
    states.add(state())
    assert len(states) == 5


def test_a_capture_that_changes_during_the_review_keeps_no_outcome(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    states = iter(["before", "after"])
    monkeypatch.setattr(review_outcome, "_state", lambda _request: next(states))
    make_review(request_of(bench, tmp_path / "result"))
    assert not (tmp_path / "result" / KEPT_RUNS_FOLDER / OUTCOME_FILE).exists()


def test_something_else_that_is_asked_is_made(bench: Path, tmp_path: Path, count: Callable[[], int]) -> None:
    make_review(request_of(bench, tmp_path / "result"))
    make_review(request_of(bench, tmp_path / "result", escape_formulas=True))
    assert count() == 2
    make_review(request_of(bench, tmp_path / "result", escape_formulas=True))
    assert count() == 2
