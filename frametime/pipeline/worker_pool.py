"""Other processes that work on tasks: one that is killed, hangs or runs out of memory costs the task at hand alone.

Answers come in the order of the tasks, with a bounded number under way. The parent knows which task each process
holds; it starts another one in the place of one that ends. All of them end when their parent does, however it ends.
"""

from __future__ import annotations

import copyreg
import multiprocessing
import os
import signal
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from multiprocessing.reduction import ForkingPickler
from types import MappingProxyType
from typing import Any, Final, Generic, NamedTuple, Self, TypeAlias, TypeVar

from frametime.errors import OutputError

Given = TypeVar("Given")
Task = TypeVar("Task")
Answer = TypeVar("Answer")


def _rebuild_mapping(content: dict[object, object]) -> MappingProxyType[object, object]:
    return MappingProxyType(content)


# Results hold their mappings read-only, and pickle, by which workers answer, does not know that type by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_rebuild_mapping, (dict(mapping),)))

_AHEAD: Final = 24
"""Tasks for each worker that are taken before their turn."""

_START_S: Final = 120.0
"""How long a worker may take to start."""

_FAILED_STARTS: Final = 3
"""So many workers in a row that end before they are ready: none can start here."""

_NO_MEMORY: Final = 77
"""Exit code of a worker that ran out of memory. Going on, it would fail sooner than a new one."""


@dataclass(frozen=True, kw_only=True)
class WorkerLimits:
    """What one task may take of a worker.

    Attributes
    ----------
    max_worker_bytes : int
        Memory of a worker; held to where the system offers such a limit, which Windows does not.
    max_file_seconds : float
        Time for one file.
    """

    max_worker_bytes: int = 8 << 30
    max_file_seconds: float = 600.0

    def __post_init__(self) -> None:
        for name in ("max_worker_bytes", "max_file_seconds"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be positive, got {getattr(self, name)!r}")


class Lost(NamedTuple):
    """What comes in place of an answer: why there is none, and the field of `WorkerLimits` that was the reason."""

    reason: str
    limit: str | None = None


_Job: TypeAlias = tuple[Any, "Future[Any]"]
"""A task, and what will hold its answer."""


@dataclass(eq=False)
class _Worker:
    """A process, the job that it works on, and when it is late."""

    process: BaseProcess
    pipe: Connection
    late_at_s: float
    is_ready: bool = False
    job: _Job | None = None

    def end(self) -> None:
        """End the process, whatever it does."""
        self.process.kill()
        self.process.join()
        self.pipe.close()


class WorkerPool(Generic[Given, Task, Answer]):
    """Processes that give the answers of one function; a context manager that ends them.

    Parameters
    ----------
    prepare : callable
        Makes the function out of ``given``, once in each process; found by its name there, as all that is sent.
    given : object
        What the tasks share.
    workers : int
        Processes at once; they are started as they are needed.
    limits : WorkerLimits
    """

    def __init__(
        self, prepare: Callable[[Given], Callable[[Task], Answer]], given: Given, *, workers: int, limits: WorkerLimits
    ) -> None:
        self._prepare, self._given = prepare, bytes(ForkingPickler.dumps(given))
        self._n_workers, self._limits = workers, limits
        self._workers: list[_Worker] = []
        self._failed_starts = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        while self._workers:
            self._workers.pop().end()

    def map(self, tasks: Iterable[Task]) -> Iterator[Answer | Lost]:
        """The answers, in the order of the tasks, which are taken as they are needed.

        Raises
        ------
        OutputError
            Where no process can start, as in a script without the guard that new processes need.
        """
        stream = iter(tasks)
        taken: deque[Future[Any]] = deque()
        waiting: deque[_Job] = deque()
        while True:
            for task in islice(stream, _AHEAD * self._n_workers - len(taken)):
                taken.append(Future())
                waiting.append((task, taken[-1]))
            if not taken:
                return
            self._hand_out(waiting)
            self._listen(may_wait=not taken[0].done())
            if taken[0].done():
                yield taken.popleft().result()

    def _hand_out(self, waiting: deque[_Job]) -> None:
        for _ in range(min(len(waiting), self._n_workers - len(self._workers))):
            self._workers.append(self._started())
        for worker in self._workers:
            if waiting and worker.is_ready and worker.job is None:
                with suppress(OSError):  # it has ended meanwhile, which listening finds
                    worker.pipe.send(waiting[0][0])
                    worker.late_at_s = time.monotonic() + self._limits.max_file_seconds
                    worker.job = waiting.popleft()

    def _listen(self, *, may_wait: bool) -> None:
        until_s = min(worker.late_at_s for worker in self._workers) if self._workers else 0.0
        wait_s = max(0.0, min(until_s - time.monotonic(), 3600.0)) if may_wait else 0.0
        heard = wait([worker.pipe for worker in self._workers], wait_s)
        for worker in list(self._workers):
            if worker.pipe in heard:
                self._hear(worker)
            elif time.monotonic() > worker.late_at_s:
                worker.process.kill()
                seconds = self._limits.max_file_seconds
                self._lose(worker, Lost(f"it was not done after {seconds:g} s", "max_file_seconds"))

    def _hear(self, worker: _Worker) -> None:
        try:
            answer, error = worker.pipe.recv()
            if not worker.is_ready:
                worker.pipe.send_bytes(self._given)
        except (EOFError, OSError):
            self._lose(worker)
            return
        if worker.job is not None:
            _, future = worker.job
            future.set_result(answer) if error is None else future.set_exception(error)
        worker.is_ready, worker.job, worker.late_at_s = True, None, float("inf")
        self._failed_starts = 0

    def _lose(self, worker: _Worker, lost: Lost | None = None) -> None:
        """Take a process out that has ended; the job at hand is lost with it."""
        worker.process.join(10.0)
        worker.end()
        self._workers.remove(worker)
        if worker.job is not None:
            worker.job[1].set_result(lost or self._lost(worker.process.exitcode))
        elif not worker.is_ready:
            self._failed_starts += 1
            if self._failed_starts >= _FAILED_STARTS:
                raise OutputError(
                    "no worker process can start; in a script of your own, put the call below "
                    "if __name__ == '__main__':  or let it work with workers=1"
                )

    def _lost(self, code: int | None) -> Lost:
        if code == _NO_MEMORY:
            found = f"it needs more memory than the {self._limits.max_worker_bytes} bytes that a worker may take"
            return Lost(found, "max_worker_bytes")
        if code is None or code >= 0:
            return Lost(f"the process that worked on it ended with code {code}")
        name = signal.Signals(-code).name
        why = ", as systems do that run out of memory" if name == "SIGKILL" else ""
        return Lost(f"the process that worked on it was ended by {name}{why}")

    def _started(self) -> _Worker:
        # A forked copy of a process that runs threads of Arrow can hang; a spawned one is the same on every system.
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        # The daemons among processes are ended when this one ends without having closed the pool.
        process = context.Process(
            target=_work, args=(theirs, self._prepare, self._limits.max_worker_bytes), daemon=True
        )
        # Ctrl-C reaches workers too, which leave it to their parent, from before their first line on.
        can_block = hasattr(signal, "pthread_sigmask")  # not on Windows
        if can_block:  # the process that Python starts first opens the way for Ctrl-C again
            resource_tracker.ensure_running()
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if can_block else None
        try:
            process.start()
        finally:
            theirs.close()
            if before is not None:
                signal.pthread_sigmask(signal.SIG_SETMASK, before)
        return _Worker(process=process, pipe=ours, late_at_s=time.monotonic() + _START_S)


def _work(pipe: Connection, prepare: Callable[[Any], Callable[[Any], Any]], max_bytes: int) -> None:
    """In another process: answer until the parent closes the pipe."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _limit_memory(max_bytes)
    try:
        pipe.send((None, None))
        # What is given comes after that word: were it large and this process to end before, its start would hang.
        work = prepare(pipe.recv())
        while True:
            task = pipe.recv()
            answer, failure = None, None
            try:
                answer = work(task)
            except MemoryError:
                raise
            except Exception as error:  # noqa: BLE001 - the parent raises it
                error.add_note(traceback.format_exc())
                failure = error
            pipe.send((answer, failure))
    except (EOFError, ConnectionError):
        os._exit(0)
    except MemoryError:
        os._exit(_NO_MEMORY)


def _end_with_parent() -> None:
    """End this process when its parent is gone: killed, that can tell nobody."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


def _limit_memory(max_bytes: int) -> None:
    try:
        import resource
    except ModuleNotFoundError:  # Windows
        return
    # Where it counts all that is private and writable, the limit of data leaves out what libraries reserve only.
    kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
    _, most = resource.getrlimit(kind)
    with suppress(ValueError, OSError):  # systems that know the limit and do not take it
        resource.setrlimit(kind, (max_bytes if most == resource.RLIM_INFINITY else min(max_bytes, most), most))
