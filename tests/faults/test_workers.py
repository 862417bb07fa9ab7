"""A process that is killed, hangs or runs out of memory costs its one file; all of them end with their parent."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from run_cli import frametime

from frametime.adapters.base import ReadOptions
from frametime.errors import OutputError
from frametime.metrics.options import MeasureOptions
from frametime.pipeline import chart_files, measuring, measuring_many
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, measure_one, measure_unless_full
from frametime.pipeline.measuring_many import Lost, WorkerLimits, WorkerPool, measure_many
from frametime.pipeline.watching import WatchOptions, watch_folder

posix = pytest.mark.skipif(os.name != "posix", reason="limits and signals of this kind are POSIX")
LIMIT_BYTES = 1 << 30
LIMITS = WorkerLimits(max_worker_bytes=LIMIT_BYTES, max_file_seconds=5.0)
FAULTS = {
    "killed": "ended by SIGKILL, as systems do that run out of memory",
    "aborts": "ended by SIGABRT, as libraries do that get no memory",
    "crashes": "ended by SIGSEGV",
    "leaves": "ended with code 3",
    "takes all memory": f"more memory than the {LIMIT_BYTES} bytes that a worker may take",
    "has no room for a thread": f"more memory than the {LIMIT_BYTES} bytes that a worker may take",
    "hangs": "not done after 5 s",
}
LACKS_MEMORY = ("aborts", "takes all memory", "has no room for a thread")


def commit(fault: str) -> None:
    """What a log, a library or the system can do to a process."""
    if fault == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    elif fault == "aborts":
        os.abort()
    elif fault == "crashes":
        signal.signal(signal.SIGSEGV, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGSEGV)
    elif fault == "leaves":
        os._exit(3)
    elif fault == "takes all memory":
        held = [bytearray(1 << 24) for _ in range(LIMIT_BYTES >> 24)]
        raise AssertionError(f"{len(held)} parts were given: there is no limit")
    elif fault == "has no room for a thread":
        raise pa.ArrowException("Unknown error: Failed to launch worker thread: Resource temporarily unavailable")
    elif fault == "hangs":
        time.sleep(600.0)


def faulty_measuring(_given: None) -> Callable[[MeasureRequest], MeasureOutcome]:
    """In a worker: what measures all files but those whose logs name a fault below their rows."""

    def measure(request: MeasureRequest) -> MeasureOutcome:
        commit(Path(request.path).read_text(encoding="utf-8").rpartition("# ")[2])
        return measure_unless_full(request)

    return measure


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for card, base_ms in (("amber", 8), ("birch", 9)):
        for number in range(1, 9):
            path = tmp_path / "captures" / card / "harbor" / "1440p" / f"run{number}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            rows = "".join(f"{base_ms + number / 10 + at % 7 / 50:.3f}\n" for at in range(200))
            path.write_text(f"frame_time_ms\n{rows}", encoding="utf-8")
    return tmp_path


def plant(bench: Path, fault: str, card: str = "amber") -> Path:
    path = bench / "captures" / card / "harbor" / "1440p" / "run3.csv"
    path.write_text(path.read_text(encoding="utf-8") + f"# {fault}", encoding="utf-8")
    return path


def rows_but(table: Path, name: str) -> list[bytes]:
    return [line for line in table.read_bytes().splitlines() if name.encode() not in line]


@posix
@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_costs_its_one_file_in_a_batch(fault: str, bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert frametime("batch", "captures", "--out", "sound.csv", "--workers", "1", cwd=bench).code == 0
    name = plant(bench, fault).relative_to(bench / "captures").as_posix()
    monkeypatch.setattr(measuring_many, "_measuring", faulty_measuring)
    limits = ("--max-worker-bytes", str(LIMIT_BYTES), "--max-file-seconds", "5" if fault == "hangs" else "60")
    for workers in ("1", "2"):
        out = f"{workers}.csv"
        done = frametime("batch", "captures", "--out", out, "--workers", workers, *limits, cwd=bench)
        assert done.code == 4 and "15 measured, 1 failed" in done.err
        told = next(line for line in done.err.splitlines() if line.startswith("failed: "))
        assert told.startswith(f"failed: {name}: ") and FAULTS[fault] in told and "bytes stored" in told
        assert ("--max-worker-bytes raises" in told) == (fault in LACKS_MEMORY)
        assert ("--max-file-seconds raises" in told) == (fault == "hangs")
        assert rows_but(bench / out, name) == rows_but(bench / "sound.csv", name)
        assert len(rows_but(bench / out, name)) == 16  # with the header
    assert (bench / "1.csv").read_bytes() == (bench / "2.csv").read_bytes()


@posix
@pytest.mark.slow
def test_a_fault_costs_its_one_file_in_a_review(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert frametime("plan", "captures", "--out", "plan.toml", cwd=bench).code == 0
    plant(bench, "killed")
    plant(bench, "takes all memory", "birch")
    monkeypatch.setattr(measuring_many, "_measuring", faulty_measuring)
    limits = ("--max-worker-bytes", str(LIMIT_BYTES))
    done = frametime(
        "review", "plan.toml", "--out", "result", "--no-charts", "--no-report", "--workers", "2", *limits, cwd=bench
    )
    assert done.code == 4, done.err
    result = json.loads((bench / "result" / "result.json").read_text(encoding="utf-8"))
    first, second = (file["error"] for file in result["unreadable"])
    assert FAULTS["killed"] in first and FAULTS["takes all memory"] in second
    assert len(result["runs"]) == 14


@posix
@pytest.mark.slow
def test_a_fault_does_not_end_watching(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for fault, card in (("killed", "amber"), ("hangs", "birch")):
        plant(bench, fault, card)
    monkeypatch.setattr(measuring_many, "_measuring", faulty_measuring)
    options = WatchOptions(read=ReadOptions(), measure=MeasureOptions(), limits=LIMITS)
    watching = watch_folder(bench / "captures", options=options)
    reports = [next(watching) for _ in range(16)]
    watching.close()  # type: ignore[attr-defined]
    failed = {report.name: report.error for report in reports if report.run is None}
    assert list(failed) == ["amber/harbor/1440p/run3.csv", "birch/harbor/1440p/run3.csv"]
    first, second = map(str, failed.values())
    assert FAULTS["killed"] in first and FAULTS["hangs"] in second


def test_without_workers_a_lack_of_memory_costs_its_one_file(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process nothing holds it to a limit; what the system refuses is told."""
    full = str(bench / "captures" / "amber" / "harbor" / "1440p" / "run3.csv")
    measure_file = measuring.measure_file

    def filling(request: MeasureRequest, **how: Any) -> Any:
        if request.path == full:
            raise MemoryError
        return measure_file(request, **how)

    monkeypatch.setattr(measuring, "measure_file", filling)
    paths = sorted((bench / "captures" / "amber").rglob("*.csv"))
    outcomes = list(measure_many([MeasureRequest(path=str(path), read=ReadOptions()) for path in paths], workers=1))
    size = Path(full).stat().st_size
    assert [outcome.error for outcome in outcomes if outcome.error] == [
        f"{full}: there is not enough memory to measure it ({size} bytes stored); measure a part of it"
    ]
    assert len(outcomes) == 8


@posix
def test_a_real_log_that_is_too_large_for_the_limit_is_told(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("frame_time_ms\n" + "8.25\n8.5\n" * 100_000, encoding="utf-8")
    limits = WorkerLimits(max_worker_bytes=100_000_000)
    (outcome,) = measure_many([MeasureRequest(path=str(path), read=ReadOptions())], workers=1, limits=limits)
    assert outcome.run is None
    # Some versions of Arrow end the process instead of asking for less.
    whys = (
        "it needs more memory than the 100000000 bytes that a worker may take",
        f"the process that worked on it was {FAULTS['aborts']}",
    )
    assert outcome.error in [
        f"{path}: {why} ({path.stat().st_size} bytes stored); --max-worker-bytes raises the limit" for why in whys
    ]


class BreakingExecutor(Executor):
    """One that breaks at its second chunk."""

    def __init__(self) -> None:
        self.n_chunks = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.n_chunks += 1
        future: Future[Any] = Future()
        if self.n_chunks > 2:
            raise BrokenExecutor
        if self.n_chunks == 2:
            future.set_exception(BrokenExecutor())
        else:
            future.set_result(fn(*args, **kwargs))
        return future


def test_what_a_broken_executor_leaves_is_measured(bench: Path) -> None:
    paths = sorted((bench / "captures").rglob("*.csv")) * 2
    requests = [MeasureRequest(path=str(path), read=ReadOptions(), keep_curves=False) for path in paths]
    outcomes = list(measure_many(requests, workers=1, executor=BreakingExecutor()))
    assert outcomes == [measure_one(request) for request in requests]


# -- the pool itself ---------------------------------------------------------------------------------------------------


def playing(given: str) -> Callable[[str], str]:
    def play(task: str) -> str:
        commit(task)
        if task == "wrong":
            raise KeyError(task)
        return f"{given} {task} {os.getpid()}"

    return play


def test_answers_come_in_order_and_an_error_of_the_code_is_raised() -> None:
    with WorkerPool(playing, "played", workers=2, limits=LIMITS) as pool:
        tasks = [str(number) for number in range(100)]
        answers = [str(answer).split() for _, answer in pool.map(tasks)]
        assert [answer[:2] for answer in answers] == [["played", task] for task in tasks]
        assert len({pid for _, _, pid in answers}) <= 2
        with pytest.raises(KeyError, match="wrong") as raised:
            list(pool.map(["1", "wrong", "2"]))
        assert "in play" in "".join(raised.value.__notes__)


def test_tasks_are_taken_as_they_are_needed() -> None:
    taken = 0

    def tasks() -> Any:
        nonlocal taken
        for number in range(10_000):
            taken += 1
            yield str(number)

    with WorkerPool(playing, "", workers=1, limits=LIMITS) as pool:
        answers = pool.map(tasks())
        for _ in range(5):
            next(answers)
    assert taken <= 30


def resting(_given: Any) -> Callable[[str], str]:
    """In a worker: each task takes a while."""

    def rest(task: str) -> str:
        time.sleep(0.5)
        return task

    return rest


def test_how_long_a_task_may_take_counts_from_its_own_begin() -> None:
    """Not from the first one's: the worker always has the next task at hand, and would be ended at its work."""
    tasks, limits = list("abcdefg"), WorkerLimits(max_worker_bytes=LIMIT_BYTES, max_file_seconds=2.0)
    with WorkerPool(resting, None, workers=1, limits=limits) as pool:
        assert [answer for _, answer in pool.map(tasks)] == tasks


@posix
def test_a_process_that_is_killed_from_outside_costs_the_task_at_hand() -> None:
    with WorkerPool(playing, "", workers=1, limits=LIMITS) as pool:
        ((_, before),) = pool.map(["a"])
        os.kill(int(str(before).split()[1]), signal.SIGKILL)  # it is idle: nothing is lost
        time.sleep(0.2)
        after, lost, again = (answer for _, answer in pool.map(["b", "killed", "c"]))
    assert isinstance(lost, Lost)
    assert not isinstance(after, Lost) and not isinstance(again, Lost)
    assert after.split()[1] not in (str(before).split()[1], again.split()[1])


# -- charts ------------------------------------------------------------------------------------------------------------


def faulty_drawing(_given: Any) -> Callable[[tuple[str, str]], bytes]:
    """In a worker: one chart ends it."""

    def draw(key: tuple[str, str]) -> bytes:
        commit("killed" if key[0] == "repeatability" else "")
        return b"drawn"

    return draw


@posix
@pytest.mark.slow
def test_a_chart_that_ends_its_process_is_named_and_nothing_is_left(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert frametime("plan", "captures", "--out", "plan.toml", cwd=bench).code == 0
    monkeypatch.setattr(chart_files, "_drawer", faulty_drawing)
    monkeypatch.setattr(chart_files, "worker_count", lambda: 2)
    monkeypatch.setattr(chart_files, "_FEW", 1)
    done = frametime("review", "plan.toml", "--out", "result", "--no-report", cwd=bench)
    assert done.code == 3
    assert (
        done.err.startswith("frametime: repeatability.png: this chart could not be drawn: ")
        and FAULTS["killed"] in done.err
    )
    assert len(done.err.splitlines()) == 1
    assert {path.name for path in bench.iterdir()} == {"captures", "plan.toml", "result"}
    assert files_of(bench / "result") == {"kept_runs.parquet"}


def files_of(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


def test_a_failure_to_start_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("frametime.pipeline.measuring_many._work", os._exit)  # no process can import what it shall do
    with (
        pytest.raises(OutputError, match="no worker process can start"),
        WorkerPool(os._exit, 1, workers=2, limits=LIMITS) as pool,  # type: ignore[arg-type]
    ):
        list(pool.map([1, 2, 3]))


# -- the end of the parent ---------------------------------------------------------------------------------------------

DRAWING = """
import sys
from pathlib import Path
from frametime.cli import main

def slow(given):
    import time
    return lambda key: time.sleep(600)

if __name__ == "__main__":
    from frametime.pipeline import chart_files
    chart_files._drawer = slow
    chart_files.worker_count = lambda: 2
    chart_files._FEW = 1
    main()
"""


@posix
@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes through /proc")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGKILL", "SIGINT"])
def test_what_draws_charts_ends_with_its_parent(name: str, bench: Path) -> None:
    assert frametime("plan", "captures", "--out", "plan.toml", cwd=bench).code == 0
    (bench / "slow.py").write_text(DRAWING, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, "slow.py", "review", "plan.toml", "--out", "result", "--no-report", "--workers", "1"],
        cwd=bench,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    ) as process:
        children: set[int] = set()
        end_s = time.monotonic() + 120.0
        while len(children) < 3 and time.monotonic() < end_s:  # two that draw, and the tracker of what they share
            children = children_of(process.pid)
            time.sleep(0.02)
        time.sleep(2.0)
        children |= children_of(process.pid)
        assert len(children) >= 3 and process.poll() is None
        process.send_signal(getattr(signal, name))
        told, _ = process.communicate(timeout=20.0)  # to the end of the pipe: nobody holds it any more
    while any(map(lives, children)) and time.monotonic() < end_s:
        time.sleep(0.02)
    assert not [pid for pid in children if lives(pid)]
    assert b"Traceback" not in told, told
    left = sorted(path.suffix for path in bench.iterdir() if path.name.startswith("."))
    # No process can answer SIGKILL: the next review takes its lock over and clears the rest away.
    assert left == ([".frametime-lock", ".part"] if name == "SIGKILL" else [])
    assert files_of(bench / "result") == {"kept_runs.parquet"}


def children_of(pid: int) -> set[int]:
    try:
        return {int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()}
    except OSError:
        return set()


def lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
