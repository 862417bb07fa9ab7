"""Killed at any moment: nothing half done is left, and going on ends as if nothing had happened."""

from __future__ import annotations

import csv
import json
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from frametime.cli import cli

N_KILLS = 50
REVIEW_FILES = ("runs.parquet", "cells.csv", "standings.csv", "summary.md", "result.json")


def command_of(kind: str, bench: Path, out: Path) -> list[str]:
    if kind == "batch":
        return ["batch", str(bench / "captures"), "--out", str(out / "runs.csv"), "-q"]
    plan = str(bench / "plan.toml")
    return ["review", plan, "--out", str(out / "result"), "--no-charts", "--no-report", "-q"]


def run_here(arguments: list[str]) -> None:
    """In this process and with one worker: starting Python a hundred times more would cost the most."""
    done = CliRunner().invoke(cli, [*arguments, "--workers", "1"])
    assert done.exit_code == 0, done.output


def content(folder: Path) -> dict[str, bytes]:
    """All files below a folder, but the kept runs, which are for the next review and not a result."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "kept_runs" not in path.parts
    }


@dataclass(frozen=True)
class Whole:
    """What a run ends with that is never killed, and how long it takes in a process of its own."""

    files: dict[str, bytes]
    duration_s: float


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """30 captures of 300 frames and their plan."""
    folder = tmp_path_factory.mktemp("bench")
    for card, frame_time_ms in (("amber-6", 8.0), ("birch-9", 7.0)):
        for scene in ("harbor", "mesa", "quay"):
            for run in range(1, 6):
                rng = random.Random(f"{card} {scene} {run}")
                times_ms = (frame_time_ms * rng.lognormvariate(0.0, 0.05) for _ in range(300))
                path = folder / "captures" / card / scene / "1440p" / f"run{run}.csv"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text("frame_time_ms\n" + "".join(f"{t:.4f}\n" for t in times_ms), encoding="utf-8")
    done = CliRunner().invoke(cli, ["plan", str(folder / "captures"), "--out", str(folder / "plan.toml")])
    assert done.exit_code == 0, done.output
    return folder


def start(arguments: list[str], workers: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "frametime", *arguments, "--workers", str(workers)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def whole_run(kind: str, bench: Path, out: Path, workers: int) -> Whole:
    out.mkdir()
    began_s = time.monotonic()
    assert start(command_of(kind, bench, out), workers).wait() == 0
    return Whole(content(out), time.monotonic() - began_s)


def killed_runs(kind: str, bench: Path, tmp_path: Path) -> Iterator[tuple[Path, Whole]]:
    """Output folders of killed runs: moments spread over the whole duration, most of them after the start-up."""
    rng = random.Random(f"kill {kind}")
    whole = {workers: whole_run(kind, bench, tmp_path / f"whole{workers}", workers) for workers in (1, 2)}
    assert whole[1].files == whole[2].files
    for number in range(N_KILLS):
        workers = 2 if number % 5 == 4 else 1  # two workers start slowly: fewer of these
        out = tmp_path / f"killed{number}"
        out.mkdir()
        process = start(command_of(kind, bench, out), workers)
        time.sleep(rng.uniform(0.2, 1.0) * whole[workers].duration_s)
        process.kill()
        process.wait()
        yield out, whole[workers]
        shutil.rmtree(out)


@pytest.mark.slow
def test_a_killed_batch_is_taken_up_again(bench: Path, tmp_path: Path) -> None:
    unfinished = 0
    for out, whole in killed_runs("batch", bench, tmp_path):
        table, journal = out / "runs.csv", out / ".runs.csv.unfinished.jsonl"
        if table.exists():
            assert table.read_bytes() == whole.files["runs.csv"]
        if journal.exists():
            unfinished += bool(journal.read_bytes())
        run_here([*command_of("batch", bench, out), "--resume"])
        assert content(out) == whole.files
    assert unfinished >= N_KILLS // 10, "too few kills fell into the measuring to say anything"


@pytest.mark.slow
def test_a_killed_review_is_run_again(bench: Path, tmp_path: Path) -> None:
    midway = 0
    for out, whole in killed_runs("review", bench, tmp_path):
        result = out / "result"
        if (result / "result.json").exists():
            assert {name: data for name, data in content(out).items() if ".review-" not in name} == whole.files
        elif result.exists():
            midway += 1
        run_here(command_of("review", bench, out))
        assert content(out) == whole.files
        assert {path.name for path in result.iterdir()} == {*REVIEW_FILES, "kept_runs"}
        assert all(path.suffix == ".run" for path in (result / "kept_runs").iterdir())
    assert midway >= N_KILLS // 10, "too few kills fell into the measuring to say anything"


@pytest.mark.parametrize("n_placed", range(6))
def test_a_review_killed_while_its_files_are_put_in_place(
    n_placed: int, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kills that chance will hardly hit: after each of the renames."""
    arguments = command_of("review", bench, tmp_path)
    run_here(arguments)
    whole = content(tmp_path)
    shutil.rmtree(tmp_path / "result")
    script = (
        "import os, shutil, sys\n"
        "from click.testing import CliRunner\n"
        "from frametime.cli import cli\n"
        "move, left = shutil.move, [int(sys.argv[1])]\n"
        "def counted(source, target):\n"
        "    if not left[0]:\n"
        "        os.kill(os.getpid(), 9)\n"
        "    left[0] -= 1\n"
        "    return move(source, target)\n"
        "shutil.move = counted\n"
        "CliRunner().invoke(cli, sys.argv[2:])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(n_placed), *arguments, "--workers", "1"], capture_output=True, check=False
    )
    assert done.returncode == (-9 if n_placed < len(REVIEW_FILES) else 0), done.stderr
    assert (tmp_path / "result" / "result.json").exists() == (n_placed == len(REVIEW_FILES))
    run_here(arguments)
    assert content(tmp_path) == whole


def test_what_a_killed_batch_left_beside_its_table_goes_away(bench: Path, tmp_path: Path) -> None:
    (tmp_path / ".runs.csv.a1b2c3d4.part").write_text("half", encoding="utf-8")
    (tmp_path / ".other.csv.a1b2c3d4.part").write_text("of another batch", encoding="utf-8")
    run_here(command_of("batch", bench, tmp_path))
    assert sorted(path.name for path in tmp_path.iterdir()) == [".other.csv.a1b2c3d4.part", "runs.csv"]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes through /proc")
def test_workers_end_with_the_batch_that_was_killed(bench: Path, tmp_path: Path) -> None:
    process = start(command_of("batch", bench, tmp_path), 2)
    children: list[int] = []
    journal = tmp_path / ".runs.csv.unfinished.jsonl"
    deadline_s = time.monotonic() + 30.0
    # Workers that have answered wait for more; those that still start would end by themselves.
    while not (journal.exists() and journal.read_bytes()) and process.poll() is None and time.monotonic() < deadline_s:
        children = [int(pid) for pid in Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()]
    process.kill()
    process.wait()
    assert len(children) >= 3, "two workers and a tracker were not seen"
    while any(_lives(pid) for pid in children) and time.monotonic() < deadline_s:
        time.sleep(0.05)
    assert not [pid for pid in children if _lives(pid)]


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_the_journal_of_a_killed_batch_is_read_up_to_the_row_that_was_cut(bench: Path, tmp_path: Path) -> None:
    run_here(command_of("batch", bench, tmp_path))
    whole = content(tmp_path)
    with (tmp_path / "runs.csv").open(encoding="utf-8", newline="") as stream:
        names = [row["file"] for row in csv.DictReader(stream)]
    (tmp_path / "runs.csv").unlink()
    half = json.dumps({"file": names[0], "status": "measured"})[:-4]
    (tmp_path / ".runs.csv.unfinished.jsonl").write_text(half, encoding="utf-8")
    run_here([*command_of("batch", bench, tmp_path), "--resume"])
    assert content(tmp_path) == whole
