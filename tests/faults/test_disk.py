"""A full disk, a folder that takes no files, a log that changes while it is read: told in one line."""

from __future__ import annotations

import builtins
import contextlib
import errno
import io
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO
from unittest import mock

import pytest
from log_files import log_text, write_log
from run_cli import COMMAND, frametime
from warm_runs import Server

from frametime.adapters import stored_log
from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.errors import ReadError
from frametime.pipeline.measuring import MeasureRequest, measure_one, unusable_sensors

LOG = log_text(8.25, 8.5, times=200)
SENSORS = "elapsed_s,power_w\n" + "".join(f"{second},{100 + second % 7}\n" for second in range(60))
posix = pytest.mark.skipif(os.name != "posix", reason="limits and links of this kind are POSIX")


@contextlib.contextmanager
def full_from(limit: int) -> Iterator[None]:
    """No file can grow beyond so many bytes: a write beyond fails as on a full disk, with EFBIG.

    Python ignores the signal that the system sends with it. What it compiles meanwhile is not kept: cut short at the
    limit, a module would be damaged for every process after this one.
    """
    import resource

    import matplotlib.font_manager  # noqa: F401 - writes a list of fonts at its first import

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        with (
            mock.patch.object(sys, "dont_write_bytecode", True),
            mock.patch.dict(os.environ, PYTHONDONTWRITEBYTECODE="1"),
        ):
            yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def run(*arguments: str | Path, limit: int | None = None, cwd: Path) -> tuple[int, str]:
    """Exit code and messages; with a limit, no file can grow beyond so many bytes."""
    with contextlib.nullcontext() if limit is None else full_from(limit):
        done = frametime(*arguments, cwd=cwd)
    return done.code, done.err


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for card in ("amber", "birch"):
        for number in (1, 2, 3):
            write_log(tmp_path / "captures" / card / "harbor" / "1440p" / f"run{number}.csv", 8.25, 8.5, times=200)
    code, text = run("plan", "captures", "--out", "plan.toml", cwd=tmp_path)
    assert code == 0, text
    return tmp_path


def files(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*") if path.is_file()}


def assert_told(code: int, text: str, *words: str) -> None:
    assert code == 3, text
    assert "Traceback" not in text
    assert len(text.splitlines()) == 1 and text.startswith("frametime: "), text
    assert all(word in text for word in words), text


@posix
@pytest.mark.parametrize("ending", ["csv", "jsonl", "parquet"])
def test_a_disk_that_fills_up_during_a_batch(ending: str, bench: Path) -> None:
    before = files(bench)
    code, text = run("batch", "captures", "--out", f"runs.{ending}", "--workers", "1", limit=4000, cwd=bench)
    assert_told(code, text, "File too large")
    assert f"runs.{ending}" not in files(bench)
    assert not [name for name in files(bench) if name.endswith(".part")]
    code, _ = run("batch", "captures", "--out", f"runs.{ending}", "--resume", "--workers", "1", cwd=bench)
    assert code == 0
    assert files(bench) - before == {f"runs.{ending}"}


@posix
def test_a_disk_that_fills_up_during_a_review(bench: Path) -> None:
    code, text = run("review", "plan.toml", "--out", "result", "--no-charts", limit=3000, cwd=bench)
    assert_told(code, text, "cannot be written", "File too large")
    assert not [path for path in (bench / "result").rglob("*") if path.is_file()]
    code, _ = run("review", "plan.toml", "--out", "result", "--no-charts", cwd=bench)
    assert code == 0


@posix
def test_a_disk_that_is_full_for_a_check(bench: Path) -> None:
    log = bench / "captures" / "amber" / "harbor" / "1440p" / "run1.csv"
    code, text = run("check", log, "--json", "--out", "check.json", limit=500, cwd=bench)
    assert_told(code, text, "check.json", "File too large")
    assert not [name for name in files(bench) if "check.json" in name]
    code, text = run("convert", log, "run1.parquet", limit=500, cwd=bench)
    assert_told(code, text, "run1.parquet", "File too large")
    assert not [name for name in files(bench) if "run1.parquet" in name]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_standard_output_that_is_full(bench: Path) -> None:
    log = bench / "captures" / "amber" / "harbor" / "1440p" / "run1.csv"
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [*COMMAND, "check", str(log)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=300,
        )
    assert_told(done.returncode, done.stderr, "No space left on device")


PRINTING = (
    "check LOG", "check LOG --json", "plan captures --dry-run", "plan --update plan.toml --dry-run", "metrics",
    "review plan.toml --coverage", "tune new new.toml", "tune next tuning.toml", "tune show tuning.toml",
    "tune endurance LOG", "compare LOG --out charts --only percentiles --force", "demo demo --force", "--version",
    "film LOG --out clip.mov --fps 2 --size 180x180 --force", "watch --help",
    "review plan.toml --out result --no-charts --no-report --force",
)  # fmt: skip


@pytest.mark.slow
@posix
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
@pytest.mark.parametrize(("to", "says"), [("/dev/full", "No space left on device"), ("closed", "it is closed")])
def test_what_cannot_be_printed_ends_no_command_with_0(to: str, says: str, bench: Path, server: Server) -> None:
    assert run("tune", "new", "tuning.toml", cwd=bench)[0] == 0
    for line in PRINTING:
        (bench / "new.toml").unlink(missing_ok=True)
        words = line.replace("LOG", "captures/amber/harbor/1440p/run1.csv").split()
        assert server.run(words, folder=str(bench), warm=True, has_demo=True)["code"] == 0, line
        (bench / "new.toml").unlink(missing_ok=True)
        (code,), (told,) = server.run_at_once(1, words, folder=bench, printed_to=to)
        assert code == 3, (line, told)
        assert "Traceback" not in told and says in told.splitlines()[-1], (line, told)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="there is no folder here in which nobody may write")
def test_a_folder_that_takes_no_files(bench: Path) -> None:
    """Even an administrator makes no file below /proc."""
    log = bench / "captures" / "amber" / "harbor" / "1440p" / "run1.csv"
    for arguments in (
        ["batch", "captures", "--out", "/proc/runs.csv"],
        ["review", "plan.toml", "--out", "/proc/result", "--no-charts"],
        ["check", log, "--out", "/proc/check.txt"],
        ["convert", log, "/proc/run.arrow"],
        ["plan", "captures", "--out", "/proc/plan.toml"],
    ):
        assert_told(*run(*arguments, cwd=bench), "/proc")


def test_a_file_where_the_folder_should_be(bench: Path) -> None:
    (bench / "taken").write_text("")
    for arguments in (
        ["batch", "captures", "--out", "taken/runs.csv"],
        ["check", "captures/amber/harbor/1440p/run1.csv", "--out", "taken/check.txt"],
        ["review", "plan.toml", "--out", "taken/result", "--no-charts"],
    ):
        assert_told(*run(*arguments, cwd=bench), "taken")


# -- logs that change while they are read ------------------------------------------------------------------------------


def changed_while_read(path: Path, change: Callable[[Path], object], monkeypatch: pytest.MonkeyPatch) -> None:
    """Let ``change`` happen to the file once its first bytes have been read, and its size is known."""
    unpacked = stored_log.unpacked

    def later(*arguments: Any) -> Any:
        monkeypatch.undo()
        change(path)
        return unpacked(*arguments)

    monkeypatch.setattr("frametime.adapters.stored_log.unpacked", later)


def grow(path: Path) -> None:
    with path.open("a") as stream:
        stream.write("8.25\n" * 50)


def replace(path: Path) -> None:
    other = path.with_name("other")
    other.write_bytes(path.read_bytes()[::-1])
    other.replace(path)


@posix
@pytest.mark.parametrize(
    "change", [grow, replace, Path.unlink, lambda path: os.truncate(path, 300), lambda path: os.truncate(path, 0)]
)
@pytest.mark.parametrize("n_rows", [100, 400_000])  # the hash of a small log is taken before, of a large one beside
@pytest.mark.parametrize("threads", [True, False])
def test_a_log_that_changes_while_it_is_read_is_refused(
    change: Callable[[Path], object], n_rows: int, threads: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.csv"
    write_log(path, 8.25, 8.5, times=n_rows)
    changed_while_read(path, change, monkeypatch)
    with pytest.raises(ReadError, match="the file changed while it was read; wait until its recording has ended"):
        read_capture(path, use_threads=threads)


@posix
@pytest.mark.parametrize("vanishes", ["capture", "sensors"])
def test_a_log_that_vanishes_before_it_is_measured(vanishes: str, tmp_path: Path) -> None:
    capture, sensors = tmp_path / "run.csv", tmp_path / "run.sensors.csv"
    capture.write_text(LOG)
    sensors.write_text(SENSORS)
    (capture if vanishes == "capture" else sensors).unlink()
    outcome = measure_one(MeasureRequest(path=str(capture), read=ReadOptions(), sensors=str(sensors)))
    if vanishes == "capture":
        assert outcome.run is None
        assert outcome.error is not None and "there is no such file" in outcome.error
    else:  # which costs the numbers of the sensors alone
        assert outcome.run is not None and outcome.error is None
        assert "there is no such file" in str(unusable_sensors(outcome.run))


class FailingDisk(io.BufferedReader):
    """A file whose bytes can be read up to a place; what comes after is lost."""

    good_bytes = 1 << 20

    def read(self, size: int | None = -1, /) -> bytes:
        if self.tell() >= self.good_bytes:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read(size)


@posix
@pytest.mark.parametrize("threads", [True, False])
def test_a_disk_that_fails_in_the_midst(threads: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "run.csv"
    write_log(path, 8.25, 8.5, times=400_000)
    real = builtins.open

    def opened(name: Any, *rest: Any, **more: Any) -> Any:
        if name == str(path):
            return FailingDisk(io.FileIO(name))
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "open", opened)
    with pytest.raises(ReadError, match=r"run\.csv: this file cannot be read to its end \(Input/output error\)"):
        read_capture(str(path), use_threads=threads)


@posix
def test_no_room_for_what_is_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import gzip

    path = tmp_path / "run.csv.gz"
    path.write_bytes(gzip.compress(LOG.encode()))

    def full(*_: object) -> BinaryIO:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("tempfile.SpooledTemporaryFile.write", full)
    with pytest.raises(ReadError, match=r"to its end \(No space left on device\); check .* room for temporary"):
        read_capture(path)
