"""One writer at a time: the second waits or is told who writes; nothing of a lock outlives its process."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from frametime import replacing
from frametime.errors import OutputError
from frametime.replacing import alone_with

HOLDER = """
import sys, time
from pathlib import Path
from frametime.replacing import alone_with
with alone_with(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""


def holder(output: Path, seconds: float) -> subprocess.Popen[str]:
    """A process that holds the lock of ``output`` by now."""
    held = subprocess.Popen([sys.executable, "-c", HOLDER, output, str(seconds)], stdout=subprocess.PIPE, text=True)
    assert held.stdout is not None and held.stdout.readline() == "held\n"
    return held


def test_a_second_writer_is_told_who_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.1)
    out = tmp_path / "runs.csv"
    with holder(out, 60.0) as held:
        told = rf"process {held.pid} on .+ \(since 2\d\d\d-.+\) writes it; wait"
        with pytest.raises(OutputError, match=told), alone_with(out):
            pass
        held.kill()


def test_a_second_writer_waits_with_a_word(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    monkeypatch.setattr(replacing, "on_wait", told.append)
    with holder(tmp_path / "runs.csv", 0.5), alone_with(tmp_path / "runs.csv"):
        pass
    assert len(told) == 1 and "waiting up to 10 s" in told[0]
    assert list(tmp_path.iterdir()) == []


def test_the_lock_of_a_dead_process_is_taken_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.0)
    out = tmp_path / "new" / "runs.csv"
    with holder(out, 60.0) as held:
        held.kill()
    assert len(list(out.parent.iterdir())) == 1  # nobody was there to take it away
    with alone_with(out):
        pass
    assert list(out.parent.iterdir()) == []


def test_two_names_of_one_output_are_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replacing, "WAIT_S", 0.0)
    (tmp_path / "link").symlink_to(tmp_path, target_is_directory=True)
    with holder(tmp_path / "result", 60.0) as held:
        with pytest.raises(OutputError, match="writes it"), alone_with(tmp_path / "link" / "result"):
            pass
        held.kill()


def test_threads_of_one_process_take_turns_and_one_thread_goes_on(tmp_path: Path) -> None:
    most, inside = 0, 0

    def write() -> None:
        nonlocal most, inside
        for _ in range(20):
            with alone_with(tmp_path / "result"), alone_with(tmp_path / "result"):
                inside += 1
                most = max(most, inside)
                inside -= 1

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == 1
    assert list(tmp_path.iterdir()) == []


def test_folders_that_nothing_was_put_into_go_away(tmp_path: Path) -> None:
    with alone_with(tmp_path / "a" / "b" / "result"):
        assert (tmp_path / "a" / "b").is_dir()
    assert list(tmp_path.iterdir()) == []


def test_a_device_has_no_lock_beside_it() -> None:
    before = set(Path("/dev").iterdir())
    with alone_with(Path(os.devnull)):
        assert set(Path("/dev").iterdir()) == before
