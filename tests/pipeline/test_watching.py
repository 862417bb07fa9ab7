"""A folder at the bench: each capture once, whole, and what its set still needs."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from unittest import mock

import pytest

from frametime.adapters.arrow.arrow_file import write_capture
from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.metrics.options import MeasureOptions
from frametime.pipeline import watching
from frametime.pipeline.measuring import measure_one
from frametime.pipeline.watching import WatchOptions, WatchReport, watch_folder
from frametime.plans.folder_walk import Tree
from frametime.plans.path_pattern import PathPattern


def log_text(frame_time_ms: float, n_frames: int = 400) -> str:
    return "frame_time_ms\n" + "".join(f"{frame_time_ms + (i % 7) / 50:.3f}\n" for i in range(n_frames))


Told = Callable[[int], None]
"""Waits until so many reports have come."""


@pytest.fixture
def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder is looked through without a rest, and no process is started to measure in."""
    monkeypatch.setattr(watching, "_POLL_S", 0.02)
    monkeypatch.setattr(watching, "measuring_apart", lambda _limits: nullcontext(measure_one))


def watch_while(
    folder: Path,
    act: Callable[[Told], None],
    n_expected: int,
    *,
    n_runs: int = 2,
    settle_s: float = 0.2,
    pattern: str = "{scene}/run{run}.csv",
) -> list[WatchReport]:
    """The reports that come while ``act`` changes the folder, until so many have come or 30 s have passed.

    It begins to act when the folder was looked through for the first time.
    """
    options = WatchOptions(
        read=ReadOptions(),
        measure=MeasureOptions(),
        path_pattern=PathPattern.parse(pattern),
        runs=n_runs,
        settle_s=settle_s,
    )
    stop, looked, reports = threading.Event(), threading.Event(), []

    def told(n_reports: int) -> None:
        while len(reports) < n_reports and not stop.wait(0.01):
            pass

    def settled(tree: Tree, settle_s: float, look: Callable[[Tree, float], list[Path]] = Tree.settled) -> list[Path]:
        found = look(tree, settle_s)
        looked.set()
        return found

    changes = threading.Thread(target=lambda: (looked.wait(30.0), act(told)))
    end = threading.Timer(30.0, stop.set)
    changes.start()
    end.start()
    try:
        with mock.patch.object(Tree, "settled", settled):
            for report in watch_folder(folder, options=options, stop=stop):
                reports.append(report)
                if len(reports) == n_expected:
                    stop.set()
    finally:
        stop.set()
        changes.join()
        end.cancel()
    return reports


@pytest.mark.usefixtures("quickly")
def test_a_file_is_read_once_it_has_stopped_growing(tmp_path: Path) -> None:
    (tmp_path / "mill").mkdir()
    text = log_text(10.0)

    def grow(_told: Told) -> None:
        with (tmp_path / "mill" / "run1.csv").open("w") as stream:
            for start in range(0, len(text), len(text) // 5):
                stream.write(text[start : start + len(text) // 5])
                stream.flush()
                time.sleep(0.25)

    [report] = watch_while(tmp_path, grow, 1, settle_s=0.6)
    assert report.name == "mill/run1.csv"
    assert report.run is not None and report.run.n_frames == 400
    assert report.set_sentence == "mill: 1 of 2 usable runs, 1 more needed"


@pytest.mark.usefixtures("quickly")
def test_what_lies_there_counts_and_a_bad_run_must_be_repeated(tmp_path: Path) -> None:
    folder = tmp_path / "mill"
    folder.mkdir()
    (folder / "run1.csv").write_text(log_text(10.0))

    def add(told: Told) -> None:
        (folder / "run2.csv").write_text("frame_time_ms\n10\n")
        (folder / "notes.txt").write_text("not a capture")
        told(2)
        part = folder / ".run3.part"
        part.write_text(log_text(10.1))
        part.rename(folder / "run3.csv")

    reports = watch_while(tmp_path, add, 3)
    assert [report.name for report in reports] == ["mill/run1.csv", "mill/run2.csv", "mill/run3.csv"]
    assert reports[1].error is not None
    assert reports[1].set_sentence == "mill: 1 of 2 usable runs, 1 more needed; repeat run 2"
    assert reports[2].set_sentence == "mill: complete, 2 usable runs; repeat run 2"


@pytest.mark.usefixtures("quickly")
def test_a_run_that_is_read_but_must_be_repeated_does_not_count(tmp_path: Path) -> None:
    folder = tmp_path / "mill"
    folder.mkdir()
    (folder / "run1.csv").write_text(log_text(10.0))
    (folder / "run2.csv").write_text(f"{log_text(10.0)}3000\n")
    _, second = watch_while(tmp_path, lambda _told: None, 2)
    assert second.run is not None and second.run.judgement.word == "repeat this run"
    assert second.set_sentence == "mill: 1 of 2 usable runs, 1 more needed; repeat run 2"


@pytest.mark.usefixtures("quickly")
def test_folders_that_are_filled_at_once_or_moved_in_whole_are_found(tmp_path: Path) -> None:
    watched, beside = tmp_path / "watched", tmp_path / "beside"
    watched.mkdir()
    (beside / "dock").mkdir(parents=True)
    (beside / "dock" / "run1.csv").write_text(log_text(10.0))

    def act(_told: Told) -> None:
        for number in range(20):
            (watched / f"mill{number:02}").mkdir()
            (watched / f"mill{number:02}" / "run1.csv").write_text(log_text(10.0))
        (beside / "dock").rename(watched / "dock")

    reports = watch_while(watched, act, 21)
    assert {report.name for report in reports} == {f"mill{n:02}/run1.csv" for n in range(20)} | {"dock/run1.csv"}


@pytest.mark.usefixtures("quickly")
def test_a_folder_that_goes_and_comes_is_told_and_watched_on(tmp_path: Path) -> None:
    watched = tmp_path / "watched"
    watched.mkdir()

    def act(told: Told) -> None:
        watched.rename(tmp_path / "away")
        told(1)
        (watched / "mill").mkdir(parents=True)
        (watched / "mill" / "run1.csv").write_text(log_text(10.0))

    gone, back, found = watch_while(watched, act, 3)
    assert gone.run is None and gone.error is not None and "this folder is gone" in gone.error
    assert back.run is None and back.error is not None and "there again" in back.error
    assert found.name == "mill/run1.csv" and found.run is not None


def test_another_folder_in_its_place_is_told_and_its_files_are_found(tmp_path: Path) -> None:
    """Between two looks: a watch that runs could see the moment at which neither is there."""
    watched, other = tmp_path / "watched", tmp_path / "other"
    for folder, name in ((watched, "run1.csv"), (other, "run2.csv")):
        folder.mkdir()
        (folder / name).write_text(log_text(10.0))
    tree = Tree(watched, {})
    assert tree.news() is None and tree.settled(0.0) == [watched / "run1.csv"]
    watched.rename(tmp_path / "away")
    other.rename(watched)
    assert tree.news() == "this is another folder now; the watch goes on in it"
    assert tree.settled(0.0) == [watched / "run1.csv", watched / "run2.csv"], "the one is gone, the other is new"
    assert tree.news() is None


@pytest.mark.usefixtures("quickly")
@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes on Linux only")
def test_a_name_that_is_not_utf_8_does_not_end_it(tmp_path: Path) -> None:
    def act(_told: Told) -> None:
        folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/mill\xff"))
        folder.mkdir()
        (folder / "run1.csv").write_text(log_text(10.0))

    [report] = watch_while(tmp_path, act, 1)
    assert report.name == "mill\\xff/run1.csv" and report.run is not None
    assert report.set_sentence == "mill\\xff: 1 of 2 usable runs, 1 more needed"


@pytest.mark.parametrize(("name", "value"), [("runs", 0), ("settle_s", 0.0)])
def test_options_out_of_range_are_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        WatchOptions(read=ReadOptions(), measure=MeasureOptions(), **{name: value})


def test_a_converted_capture_goes_by_its_own_name(tmp_path: Path) -> None:
    log = tmp_path / "first.csv"
    log.write_text(log_text(10.0))
    folder = tmp_path / "captures"
    folder.mkdir()
    write_capture(read_capture(log), folder / "kept.parquet")
    command = [sys.executable, "-m", "frametime", "watch", str(folder), "--quiet"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as watching:
        assert watching.stdout is not None
        line = watching.stdout.readline()
        watching.terminate()
    assert line.startswith(f"{folder / 'kept.parquet'} (converted from first.csv): ")


def test_a_watch_of_an_empty_folder_says_that_it_waits(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "frametime", "watch", str(tmp_path), "--settle", "2"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as watching:
        assert watching.stderr is not None
        line = watching.stderr.readline()
        watching.terminate()
    assert line == f"Watching {tmp_path}: a capture is checked 2 s after its last change. Ctrl-C ends it.\n"


@pytest.mark.usefixtures("quickly")
def test_a_capture_is_read_again_with_the_layout_that_was_kept_beside_it(tmp_path: Path) -> None:
    (tmp_path / "mill").mkdir()
    log = tmp_path / "mill" / "run1.csv"
    log.write_text("frame time\n" + "500\n510\n" * 200)

    stop = threading.Event()
    options = WatchOptions(read=ReadOptions(), measure=MeasureOptions(), settle_s=0.1)
    reports = watch_folder(tmp_path, options=options, stop=stop)
    first = next(reports)
    assert first.error is not None and "in 2 ways that differ" in first.error
    read_capture(log, options=ReadOptions(unit="us", remember=True))
    again = next(reports)
    stop.set()
    assert again.name == "mill/run1.csv" and again.run is not None


@pytest.mark.usefixtures("quickly")
def test_a_capture_that_is_deleted_counts_no_longer_for_its_set(tmp_path: Path) -> None:
    folder = tmp_path / "mill"
    folder.mkdir()
    (folder / "run0.csv").write_text("notes, not a capture")  # looked at before those that are told
    for run in (1, 2):
        (folder / f"run{run}.csv").write_text(log_text(10.0 + run))

    def remove(told: Told) -> None:
        told(2)
        (folder / "run0.csv").unlink()
        (folder / "run1.csv").unlink()

    *_, last = watch_while(tmp_path, remove, 3)
    assert last.run is None and last.error == "no longer there, and no longer counted: mill/run1.csv"
    assert last.set_sentence == "mill: 1 of 2 usable runs, 1 more needed"


@pytest.mark.usefixtures("quickly")
def test_of_a_log_and_its_packed_copy_either_may_go(tmp_path: Path) -> None:
    """Deleting the log took the run out, though its packed copy was there."""
    folder = tmp_path / "mill"
    folder.mkdir()
    (folder / "run1.csv").write_text(log_text(10.0))

    def pack(told: Told) -> None:
        told(1)
        with gzip.open(folder / "run1.csv.gz", "wt") as stream:
            stream.write(log_text(10.0))
        told(2)
        (folder / "run1.csv").unlink()

    *_, last = watch_while(tmp_path, pack, 3, pattern="{scene}/run{run}.*")
    assert last.error == "no longer there, and no longer counted: mill/run1.csv"
    assert last.set_sentence == "mill: 1 of 2 usable runs, 1 more needed"
