"""Files and folders are put in place whole or not at all."""

from __future__ import annotations

import contextlib
import os
import signal
import stat
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from frametime import replacing as replacing_module
from frametime.cli import _clear_away_when_ended
from frametime.errors import OutputError
from frametime.replacing import (
    alone_with,
    clear_leftovers,
    refuse_existing,
    replacing,
    replacing_folder,
    write_bytes,
    write_text,
)


def test_a_failed_write_leaves_the_old_file_and_no_other(tmp_path: Path) -> None:
    out = tmp_path / "result.txt"
    out.write_text("old")
    with pytest.raises(RuntimeError), replacing(out) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert out.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["result.txt"]


@pytest.mark.parametrize(
    ("write", "whole"), [(replacing, {"clip"}), (replacing_folder, {"clip", "clip/1.png"})], ids=["file", "folder"]
)
def test_a_stop_at_any_line_leaves_nothing_half(
    write: Callable[[Path], AbstractContextManager[Path]], whole: set[str], tmp_path: Path
) -> None:
    n_stops = 0
    while True:
        folder = tmp_path / str(n_stops)
        folder.mkdir()
        if not _is_stopped(n_stops, lambda folder=folder: _write_with(write, folder / "clip")):
            break
        left = {path.relative_to(folder).as_posix() for path in folder.rglob("*")}
        assert left in (set(), whole), n_stops
        n_stops += 1
    assert n_stops > 10
    assert {path.relative_to(folder).as_posix() for path in folder.rglob("*")} == whole


def _write_with(write: Callable[[Path], AbstractContextManager[Path]], out: Path) -> None:
    with write(out) as temporary:
        (temporary / "1.png" if temporary.is_dir() else temporary).write_bytes(b"picture")


def _is_stopped(at: int, work: Callable[[], None]) -> bool:
    """Run work, with a stop as by a signal before the line of that number in the module that writes."""
    n_seen = 0

    def trace(frame: FrameType, event: str, _: object) -> Any:
        nonlocal n_seen
        if frame.f_code.co_filename != replacing_module.__file__:
            return None
        if event == "line":
            n_seen += 1
            if n_seen == at + 1:
                sys.settrace(None)
                raise SystemExit(143)
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        work()
    except SystemExit:
        return True
    finally:
        sys.settrace(before)
    return False


CALLS = ("open", "close", "rename", "replace", "unlink", "rmdir", "mkdir", "ftruncate", "write", "fstat")


@pytest.mark.skipif(sys.platform == "win32", reason="signals of this kind are POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("is_older", [False, True], ids=["new", "older"])
def test_a_signal_after_any_call_of_the_system_leaves_all_or_nothing(
    number: signal.Signals, is_older: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No lock, no folder without anything in it, and an older folder as it was or replaced whole."""
    handlers = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    _clear_away_when_ended()
    n_stops, n_calls = 0, 0

    def then_signalled(call: Callable[..., Any]) -> Callable[..., Any]:
        def signalled(*arguments: Any, **named: Any) -> Any:
            nonlocal n_calls
            result = call(*arguments, **named)
            n_calls += 1
            if n_calls - 1 == n_stops:
                signal.raise_signal(number)
            return result

        return signalled

    try:
        while n_calls >= n_stops:
            folder = tmp_path / str(n_stops)
            out = folder / "below" / "clip"
            (out if is_older else folder).mkdir(parents=True)
            if is_older:
                (out / "1.png").write_bytes(b"older")
            before = _files_of(folder)
            n_calls = 0
            with monkeypatch.context() as patched, contextlib.suppress(KeyboardInterrupt, SystemExit):
                for name in CALLS:
                    patched.setattr(os, name, then_signalled(getattr(os, name)))
                with alone_with(out):
                    _write_with(replacing_folder, out)
            after = _files_of(folder)
            whole = {"below": b"", "below/clip": b"", "below/clip/1.png": b"picture"}
            assert after in (before, whole), n_stops
            n_stops += 1
    finally:
        for each, handler in handlers.items():
            signal.signal(each, handler)
    assert n_stops > 10 and after == whole


def _files_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else b"" for path in folder.rglob("*")
    }


def test_a_folder_that_had_stepped_aside_for_one_that_never_came_is_put_back(tmp_path: Path) -> None:
    aside = tmp_path / ".runs.abcdefgh.old"
    aside.mkdir()
    (aside / "a.txt").write_text("mine")
    with alone_with(tmp_path / "runs"):
        assert _files_of(tmp_path / "runs") == {"a.txt": b"mine"}
    assert [path.name for path in tmp_path.iterdir()] == ["runs"]


def test_a_folder_that_is_not_there_is_made(tmp_path: Path) -> None:
    write_text(tmp_path / "missing" / "below" / "a.txt", "x")
    assert (tmp_path / "missing" / "below" / "a.txt").read_text() == "x"
    with replacing_folder(tmp_path / "other" / "runs") as making:
        (making / "b.txt").write_text("x")
    assert (tmp_path / "other" / "runs" / "b.txt").read_text() == "x"


def test_a_file_in_the_way_of_a_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    for force in (False, True):
        with pytest.raises(OutputError, match="file: this is a file, not a folder"):
            refuse_existing([tmp_path / "file" / "below" / "a.txt"], force=force)
        with pytest.raises(OutputError, match="this is a folder; name a file"):
            refuse_existing([tmp_path], force=force)
    with pytest.raises(OutputError, match="cannot write here"):
        write_text(tmp_path / "file" / "a.txt", "x")


def test_a_folder_takes_the_place_of_another(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    for number in range(2):
        with replacing_folder(out) as making:
            (making / f"{number}.txt").write_text("x")
    assert [path.name for path in tmp_path.rglob("*")] == ["runs", "1.txt"]
    (tmp_path / "other").mkdir()
    assert stat.S_IMODE(out.stat().st_mode) == stat.S_IMODE((tmp_path / "other").stat().st_mode)


def test_a_failed_folder_leaves_the_old_one_and_no_other(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    out.mkdir()
    (out / "old.txt").write_text("x")
    with pytest.raises(RuntimeError), replacing_folder(out) as making:
        (making / "new.txt").write_text("half")
        raise RuntimeError
    assert [path.name for path in tmp_path.rglob("*")] == ["runs", "old.txt"]


def test_only_what_the_same_output_left_is_removed(tmp_path: Path) -> None:
    for name in (".runs.abcdefgh.part", ".runs.abcdefgh.old", ".runs.csv.abcdefgh.part", ".runs.abcdefgh.txt"):
        (tmp_path / name).mkdir()
    (tmp_path / ".runs.ijklmnop.part").write_text("x")
    (tmp_path / "runs").mkdir()
    clear_leftovers(tmp_path / "runs")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        *(".runs.abcdefgh.txt", ".runs.csv.abcdefgh.part", "runs")
    ]


def test_what_exists_is_told_in_the_same_words_everywhere(tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("a.txt", "b.txt", "c.txt")]
    refuse_existing(paths, force=False)
    paths[1].write_text("x")
    with pytest.raises(OutputError, match=r"b\.txt: the file exists; --force replaces it$"):
        refuse_existing(paths, force=False)
    paths[2].write_text("x")
    with pytest.raises(OutputError, match=r"b\.txt: the file and 1 more exist; --force replaces it$"):
        refuse_existing(paths, force=False)
    with pytest.raises(OutputError, match=r": the folder exists; choose another name$"):
        refuse_existing([tmp_path], force=False, helps="choose another name", are_folders=True)
    refuse_existing(paths, force=True)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
def test_a_pipe_is_not_replaced(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OutputError, match="this is a device or pipe; name a file"):
        write_bytes(tmp_path / "pipe", b"x")
    assert (tmp_path / "pipe").is_fifo()


@pytest.mark.skipif(os.name != "posix", reason="rights of this kind are POSIX")
def test_the_rights_of_a_file_stay_and_those_of_a_new_one_are_usual(tmp_path: Path) -> None:
    old, new, usual = tmp_path / "old", tmp_path / "new", tmp_path / "usual"
    old.write_text("x")
    old.chmod(0o640)
    usual.write_text("x")
    for path in (old, new):
        write_bytes(path, b"y", is_forced=True)
    assert stat.S_IMODE(old.stat().st_mode) == 0o640
    assert stat.S_IMODE(new.stat().st_mode) == stat.S_IMODE(usual.stat().st_mode)


def test_a_name_of_the_greatest_length_can_be_written_and_cleared(tmp_path: Path) -> None:
    out = tmp_path / ("n" * 250 + ".csv")
    write_text(out, "x")
    left = tmp_path / f".{out.name[:80]}.abcdefgh.part"
    left.write_text("half")
    clear_leftovers(out)
    assert [path.name for path in tmp_path.iterdir()] == [out.name]
