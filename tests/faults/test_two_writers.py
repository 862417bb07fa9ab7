"""Two equal commands at once into one output: each that ends with 0 has all its files, and nothing else is left."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest
from once_a_run import demo_made_once
from run_cli import frametime
from warm_runs import Server

from frametime import replacing
from frametime.demo import demo_files
from frametime.pipeline.tuning_record import read_record

LOG = "frame_time_ms\n" + "".join(f"{10 + number % 7 / 50:.3f}\n" for number in range(600))
RECORD = "tuning.toml"
PARTS = ("captures", "plan.toml", "tuning.toml", "demo", "clip.mov")
SMALL = ("--fps", "5", "--size", "180x180", "--lossless")
COMMANDS = {
    "batch": ("batch", "captures", "--out", "out/runs.csv"),
    "batch again": ("batch", "captures", "--out", "out/runs.csv", "--force"),
    "batch resumed": ("batch", "captures", "--out", "out/runs.csv", "--resume"),
    "batch folder": (
        *("batch", "captures", "--out", "out/runs", "--force"),
        *("--path-pattern", "{card}/{scene}/{resolution}/run{run}.csv", "--partition-by", "card"),
    ),
    "review": ("review", "plan.toml", "--out", "out/result", "--only", "standings"),
    "check plot": ("check", "captures/ash/mill/1440p/run1.csv", "--plot", "out/a.svg", "--out", "out/a.txt"),
    "compare": ("compare", "captures/ash/mill/1440p/run1.csv", "--out", "out/charts", "--only", "percentiles"),
    "convert": ("convert", "captures/ash/mill/1440p/run1.csv", "out/a.parquet"),
    "plan": ("plan", "captures", "--out", "out/plan.toml"),
    "plan again": ("plan", "captures", "--out", "out/plan.toml", "--force"),
    "film": ("film", "captures/ash/mill/1440p/run1.csv", "--out", "out/clip.mov", *SMALL),
    "film of pictures": ("film", "captures/ash/mill/1440p/run1.csv", "--out", "out/clip", *SMALL),
    "film over footage": ("film", "captures/ash/mill/1440p/run1.csv", "--over", "clip.mov", "--out", "out/over.mp4"),
    "demo": ("demo", "out/demo"),
    "tune new": ("tune", "new", "out/tuning.toml"),
    "tune show": ("tune", "show", "tuning.toml", "--report", "out/tuning.md", "--force"),
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Captures of two cards, their plan, and a tuning record; what the demo holds is made once."""
    root = tmp_path_factory.mktemp("bench")
    for card in ("ash", "elm"):
        folder = root / "captures" / card / "mill" / "1440p"
        folder.mkdir(parents=True)
        for run in (1, 2, 3):
            (folder / f"run{run}.csv").write_text(LOG)
    with mock.patch.object(demo_files, "demo_files", demo_made_once(tmp_path_factory)):
        for command in (
            ("plan", "captures", "--out", "plan.toml"),
            ("demo", "demo"),
            ("film", "captures/ash/mill/1440p/run1.csv", "--out", "clip.mov", *SMALL),
        ):
            assert frametime(*command, cwd=root).code == 0
        (root / "tuning.toml").write_bytes((root / "demo" / "tuning" / "tuning.toml").read_bytes())
        yield root


def files_in(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@contextlib.contextmanager
def held(output: Path) -> Iterator[None]:
    """Another writer of ``output`` until the block ends."""
    is_held, is_done = threading.Event(), threading.Event()

    def hold() -> None:
        with replacing.alone_with(output):
            is_held.set()
            is_done.wait(120.0)

    holder = threading.Thread(target=hold)
    holder.start()
    assert is_held.wait(10.0)
    try:
        yield
    finally:
        is_done.set()
        holder.join()


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_does_not_write_while_another_does(
    name: str, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.06)  # it looks again once
    for part in PARTS:
        (tmp_path / part).symlink_to(bench / part)
    words = COMMANDS[name]
    with held(tmp_path / next(word for word in words if word.startswith("out/"))):
        refused = frametime(*words, cwd=tmp_path)
    assert refused.code == 3 and f"process {os.getpid()} on " in refused.err and "writes it; wait" in refused.err
    assert not (tmp_path / "out").exists()


def test_a_chart_of_check_is_not_replaced_by_compare_in_the_same_moment(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.06)  # it looks again once
    with held(tmp_path / "charts" / "percentiles.png"):
        refused = frametime(
            "compare", bench / "captures/ash/mill/1440p/run1.csv", "--out", "charts", "--only", "percentiles",
            cwd=tmp_path,
        )  # fmt: skip
    assert refused.code == 3 and "percentiles.png: process" in refused.err and "writes it; wait" in refused.err
    assert not list(tmp_path.iterdir())


def a_plan_to_update(bench: Path, folder: Path) -> Path:
    """A plan beside captures of one card more than it names."""
    shutil.copytree(bench / "captures", folder / "captures")
    (folder / "plan.toml").write_bytes((bench / "plan.toml").read_bytes())
    shutil.copytree(folder / "captures" / "ash", folder / "captures" / "fir")
    return folder / "plan.toml"


def test_a_plan_is_not_updated_while_another_writes_it(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.06)  # it looks again once
    plan = a_plan_to_update(bench, tmp_path)
    before = files_in(tmp_path)
    with held(plan):
        refused = frametime("plan", "--update", "plan.toml", cwd=tmp_path)
        shown = frametime("plan", "--update", "plan.toml", "--dry-run", cwd=tmp_path)
    assert refused.code == 3 and "plan.toml: process" in refused.err and "writes it; wait" in refused.err
    assert shown.code == 0 and "New: card Fir" in shown.out  # it writes nothing
    assert files_in(tmp_path) == before


def test_what_a_killed_run_has_left_goes_with_the_next(bench: Path, tmp_path: Path) -> None:
    plan = a_plan_to_update(bench, tmp_path)
    (tmp_path / ".plan.toml.a_c4efgh.part").write_text("half")
    assert frametime("plan", "--update", "plan.toml", cwd=tmp_path).code == 0
    assert "fir" in plan.read_text("utf-8")
    assert not list(tmp_path.glob(".*"))


@pytest.mark.slow
def test_two_that_update_one_plan_at_once(bench: Path, tmp_path: Path) -> None:
    plan = a_plan_to_update(bench, tmp_path)
    command = [sys.executable, "-m", "frametime", "plan", "--update", "plan.toml"]
    pair = [subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    told = [process.communicate(timeout=120)[0] for process in pair]
    assert [process.returncode for process in pair] == [0, 0]
    assert sorted("plan.toml is updated." in text for text in told) == [False, True], told
    assert plan.read_text("utf-8").count('key = "fir"') == 1
    assert not list(tmp_path.glob(".*"))


ADD = ("tune", "add", RECORD, "--workload", "light scene", "--outcome", "passed", "--core", "15", "--fps")


def test_no_trial_is_noted_while_another_writes_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.06)  # it looks again once
    assert frametime("tune", "new", RECORD, cwd=tmp_path).code == 0
    before = files_in(tmp_path)
    with held(tmp_path / RECORD):
        refused = frametime(*ADD, "80", cwd=tmp_path)
    assert refused.code == 3 and f"process {os.getpid()} on " in refused.err and "writes it; wait" in refused.err
    assert files_in(tmp_path) == before


@pytest.mark.slow
def test_trials_that_are_noted_at_once_are_all_kept(tmp_path: Path) -> None:
    assert frametime("tune", "new", RECORD, cwd=tmp_path).code == 0
    rates = [str(80 + number) for number in range(6)]
    noting = [
        subprocess.Popen(
            [sys.executable, "-m", "frametime", *ADD, rate],
            cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )
        for rate in rates
    ]  # fmt: skip
    told = [process.communicate(timeout=120)[1] for process in noting]
    assert [process.returncode for process in noting] == [0] * len(rates), told
    assert sorted(trial.average_fps for trial in read_record(str(tmp_path / RECORD)).trials) == [
        (float(rate),) for rate in rates
    ]
    assert list(files_in(tmp_path)) == [RECORD]


@pytest.mark.slow
def test_of_two_that_note_one_log_at_once_one_is_refused(tmp_path: Path) -> None:
    assert frametime("tune", "new", RECORD, cwd=tmp_path).code == 0
    record = (tmp_path / RECORD).read_text("utf-8")
    (tmp_path / RECORD).write_text(record.replace('# "light scene" = 3', '"light scene" = 0.01'), encoding="utf-8")
    (tmp_path / "run1.csv").write_text(LOG)
    command = [sys.executable, "-m", "frametime", *ADD[:-1], "--log", "run1.csv"]
    pair = [subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    told = [process.communicate(timeout=120)[1] for process in pair]
    assert sorted(process.returncode for process in pair) == [0, 3], told
    assert any("this log is in the record already, with trial 1" in text for text in told)
    assert len(read_record(str(tmp_path / RECORD)).trials) == 1


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="the program runs in forked copies of a process")
@pytest.mark.parametrize("name", COMMANDS)
def test_two_at_once(name: str, server: Server, bench: Path, tmp_path: Path) -> None:
    for part in PARTS:
        (tmp_path / part).symlink_to(bench / part)
    command = list(COMMANDS[name])
    out = tmp_path / "out"
    assert server.run(command, folder=str(tmp_path), warm=True, has_demo=name == "demo")["code"] == 0
    alone = files_in(out)
    for _ in range(4):
        out.rename(tmp_path / f"before-{len(list(tmp_path.iterdir()))}")
        codes, told = server.run_at_once(2, command, folder=tmp_path)
        assert sorted(codes) in ([0, 0], [0, 3]), told
        assert not any("Traceback" in text or "Error" in text for text in told)
        assert files_in(out) == alone
