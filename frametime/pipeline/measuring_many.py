"""Many files to measured runs, in other processes: one that is killed, hangs or fills its memory costs its task alone.

Outcomes come in the order of the requests, with a bounded number under way. The parent knows which task each process
holds; it starts another one in the place of one that ends. All of them end when their parent does, however it ends. A
lab may have its workers on a cluster instead.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import multiprocessing
import os
import signal
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain, islice, product
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from multiprocessing.reduction import ForkingPickler
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Generic, Literal, NamedTuple, Self, TypeAlias, TypeVar

from frametime.capture import Conditions
from frametime.errors import OutputError, printable
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, failure, measure_one, measure_unless_full

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.plans.path_pattern import PathPattern

Given = TypeVar("Given")
Task = TypeVar("Task")
Answer = TypeVar("Answer")

_AHEAD: Final = 24
"""Tasks for each worker that are taken before their turn."""

_AT_HAND: Final = 2
"""Tasks that a worker holds: it goes on with the second while the first one's answer is on its way."""

_START_S: Final = 120.0
"""How long a worker may take to start."""

_FAILED_STARTS: Final = 3
"""So many workers in a row that end before they are ready: none can start here."""

_NO_MEMORY: Final = 77
"""Exit code of a worker that ran out of memory. Going on, it would fail sooner than a new one."""

_SHORT_OF_MEMORY: Final[Mapping[str, tuple[str, str | None]]] = {
    "SIGKILL": (", as systems do that run out of memory", None),
    "SIGABRT": (", as libraries do that get no memory", "max_worker_bytes"),
}
"""Signals that end a process for want of memory: what is told, and the field of `WorkerLimits` that may be why."""

_KEPT: Final = -2, 16 << 20
"""M_TOP_PAD of ``mallopt`` in glibc's malloc.h, and how many bytes."""


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


@dataclass(frozen=True, kw_only=True)
class FolderOptions:
    """How each capture of a folder is read and measured.

    Attributes
    ----------
    read, measure, sensor_options
        As for one file.
    path_pattern : PathPattern or None
        How paths are built; files that do not match it are left out.
    skip_start_auto : bool
        Leave out the warm-up that is found at the start.
    segment : 'longest' or None
        Measure the longest stretch of play only.
    limits : WorkerLimits or None
        What one capture may take of a process; given, none is measured in this one.
    """

    read: ReadOptions
    measure: MeasureOptions = field(default_factory=MeasureOptions)
    sensor_options: SensorOptions | None = None
    path_pattern: PathPattern | None = None
    skip_start_auto: bool = False
    segment: Literal["longest"] | None = None
    limits: WorkerLimits | None = None

    def request_of(
        self, path: Path, fields: Mapping[str, str], sensors: Path | None, *, sensors_are_found: bool
    ) -> MeasureRequest:
        """What is to be measured of one capture; ``fields`` are those of its path."""
        return MeasureRequest(
            path=str(path),
            conditions=Conditions(**fields),
            sensors=None if sensors is None else str(sensors),
            sensors_are_found=sensors_are_found and sensors is not None,
            keep_curves=False,
            **{key: getattr(self, key) for key in ("read", "measure", "sensor_options", "skip_start_auto", "segment")},
        )


class Lost(NamedTuple):
    """What comes in place of an answer: why there is none, and the field of `WorkerLimits` that was the reason."""

    reason: str
    limit: str | None = None


_Job: TypeAlias = tuple[Any, "Future[Any]"]
"""A task, and what will hold its answer."""


@dataclass(eq=False)
class _Worker:
    """A process, the job that it works on with the one after it, and when it is late."""

    process: BaseProcess
    pipe: Connection
    late_at_s: float
    is_ready: bool = False
    jobs: deque[_Job] = field(default_factory=deque)

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
        self._waiting: deque[_Job] = deque()
        self._failed_starts = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        while self._workers:
            self._workers.pop().end()

    def map(self, tasks: Iterable[Task]) -> Iterator[tuple[Task, Answer | Lost]]:
        """The tasks, which are taken as they are needed, each with its answer.

        Raises
        ------
        OutputError
            Where no process can start, as in a script without the guard that new processes need.
        """
        stream = iter(tasks)
        taken: deque[_Job] = deque()
        while True:
            new: list[_Job] = [(task, Future()) for task in islice(stream, _AHEAD * self._n_workers - len(taken))]
            taken.extend(new)
            self._waiting.extend(new)
            if not taken:
                return
            self._hand_out()
            task, future = taken[0]
            self._listen(may_wait=not future.done())
            if future.done():
                taken.popleft()
                yield task, future.result()

    def _hand_out(self) -> None:
        for _ in range(min(len(self._waiting), self._n_workers - len(self._workers))):
            self._workers.append(self._started())
        for n_held, worker in product(range(_AT_HAND), self._workers):
            # Of the last tasks each goes to the worker that is free first.
            if len(self._waiting) > n_held * self._n_workers and worker.is_ready and len(worker.jobs) == n_held:
                with suppress(OSError):  # it has ended meanwhile, which listening finds
                    worker.pipe.send(self._waiting[0][0])
                    worker.jobs.append(self._waiting.popleft())
                    if n_held == 0:
                        self._begin(worker)

    def _begin(self, worker: _Worker) -> None:
        worker.late_at_s = time.monotonic() + self._limits.max_file_seconds if worker.jobs else float("inf")

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
        if worker.jobs:
            _, future = worker.jobs.popleft()
            future.set_result(answer) if error is None else future.set_exception(error)
        worker.is_ready, self._failed_starts = True, 0
        self._begin(worker)

    def _lose(self, worker: _Worker, lost: Lost | None = None) -> None:
        """Take a process out that has ended; the job that it worked on is lost with it, the next one goes back."""
        worker.process.join(10.0)
        worker.end()
        self._workers.remove(worker)
        if worker.jobs:
            worker.jobs.popleft()[1].set_result(lost or self._lost(worker.process.exitcode))
            self._waiting.extendleft(worker.jobs)
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
        why, limit = _SHORT_OF_MEMORY.get(name, ("", None))
        return Lost(f"the process that worked on it was ended by {name}{why}", limit)

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
    _keep_memory()
    try:
        pipe.send((None, None))
        # What is given comes after that word: were it large and this process to end before, its start would hang.
        work = prepare(pipe.recv())
        while True:
            task = pipe.recv()
            answer, failure = None, None
            try:
                answer = work(task)
            except Exception as error:
                if isinstance(error, MemoryError) or "Failed to launch worker thread" in str(error):  # by pyarrow
                    raise MemoryError from error
                error.add_note(traceback.format_exc())
                failure = error
            pipe.send((answer, failure))
    except (EOFError, ConnectionError):
        os._exit(0)
    except (MemoryError, OSError) as error:
        if getattr(error, "errno", errno.ENOMEM) != errno.ENOMEM:  # importing may end so, too
            raise
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


def _keep_memory() -> None:
    """Of glibc's heap keep the free end: each capture would ask the system anew for what the one before it gave back.

    That took a tenth of the time of a capture of 10 000 frames.
    """
    with suppress(AttributeError, OSError, TypeError):  # another C library, or none that can be asked
        ctypes.CDLL(None).mallopt(*_KEPT)


# -- many files -------------------------------------------------------------------------------------------------------

_Pool: TypeAlias = WorkerPool[None, MeasureRequest, MeasureOutcome]

_CHUNK: Final = 8
"""Files sent to an executor at once: it can lie far away."""

FEW: Final = 12
"""Up to this many files are measured in this process: starting workers would take longer."""


def worker_count() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def measure_many(
    requests: Iterable[MeasureRequest],
    *,
    workers: int | None = None,
    limits: WorkerLimits | None = None,
    executor: Executor | None = None,
) -> Iterator[MeasureOutcome]:
    """Measure many files, in the order of the requests.

    Parameters
    ----------
    requests : iterable of MeasureRequest
        Taken as they are needed, so that memory does not grow with their number.
    workers : int, optional
        Processes; by default as many as there are cores. 1 measures in this process, as a few files are.
    limits : WorkerLimits, optional
        What one file may take of a process. Given, all files are measured in other processes, even a few, or with one
        worker: the limits cannot hold for this process. They do not hold for an executor.
    executor : concurrent.futures.Executor, optional
        Where to measure instead of in processes of its own; it is not shut down.

    Yields
    ------
    MeasureOutcome
        One a request, with the error as text where a file could not be measured.
    """
    n_workers = workers if workers is not None else worker_count()
    if n_workers < 1:
        raise ValueError(f"workers must be 1 or more, got {workers!r}")
    stream = iter(requests)
    if executor is not None:
        yield from _in_executor(stream, executor, n_workers, limits)
        return
    first = list(islice(stream, FEW + 1))
    if limits is None and (n_workers == 1 or len(first) <= FEW):
        yield from map(measure_one, chain(first, stream))
        return
    with _pool(n_workers, limits) as pool:
        yield from _in_pool(chain(first, stream), pool)


@contextlib.contextmanager
def measuring_apart(limits: WorkerLimits | None) -> Iterator[Callable[[MeasureRequest], MeasureOutcome]]:
    """What measures one file at a time in one other process, which is started with the first."""
    with _pool(1, limits) as pool:
        yield lambda request: next(_in_pool([request], pool))


def _pool(n_workers: int, limits: WorkerLimits | None) -> _Pool:
    return WorkerPool(_measuring, None, workers=n_workers, limits=limits or WorkerLimits())


def _measuring(_given: None) -> Callable[[MeasureRequest], MeasureOutcome]:
    return measure_unless_full


def _in_pool(stream: Iterable[MeasureRequest], pool: _Pool) -> Iterator[MeasureOutcome]:
    for request, answer in pool.map(stream):
        if isinstance(answer, Lost):
            option = "" if answer.limit is None else f"--{answer.limit.replace('_', '-')}"
            yield failure(request, answer.reason, option and f"{option} raises the limit")
        else:
            yield answer._replace(request=request)  # the very object, which others may know it by


def _measure_chunk(requests: tuple[MeasureRequest, ...]) -> list[MeasureOutcome]:
    return [measure_one(request) for request in requests]


def _in_executor(
    stream: Iterator[MeasureRequest], executor: Executor, n_workers: int, limits: WorkerLimits | None
) -> Iterator[MeasureOutcome]:
    """Keep three chunks a worker under way; what an executor leaves that breaks is measured in other processes."""
    chunks: deque[tuple[MeasureRequest, ...]] = deque()
    futures: deque[Future[list[MeasureOutcome]]] = deque()
    try:
        while True:
            while len(chunks) < 3 * n_workers and (chunk := tuple(islice(stream, _CHUNK))):
                chunks.append(chunk)
                futures.append(executor.submit(_measure_chunk, chunk))
            if not chunks:
                return
            outcomes = futures.popleft().result()
            chunks.popleft()
            yield from outcomes
    except BrokenExecutor:
        with _pool(n_workers, limits) as pool:
            yield from _in_pool(chain(chain.from_iterable(chunks), stream), pool)


# A lab whose captures outgrow one machine has workers on a Dask cluster. The captures must lie where every worker finds
# them under the same path, and the workers must have the same version of this package. Only here is ``distributed``
# imported.

_CLOSING_S: Final = 1.0


@contextlib.contextmanager
def cluster_executor(address: str | None, *, timeout_s: float = 10.0) -> Iterator[tuple[Executor | None, int | None]]:
    """An executor on the cluster at ``address``, and how many files it can measure at once.

    Parameters
    ----------
    address : str or None
        Of the scheduler, such as ``tcp://127.0.0.1:8786``; without one there is no executor, and no number.
    timeout_s : float
        How long to wait for an answer.

    Raises
    ------
    OutputError
        If the extra is not installed, nothing answers at the address, or the cluster has no worker.
    """
    if address is None:
        yield None, None
        return
    try:
        from distributed import Client
    except ModuleNotFoundError as error:
        raise OutputError("a cluster needs one more package: pip install 'frametime[cluster]'") from error
    # Made in two steps: a client that does not come to its end is to be closed too, or it waits when the process ends.
    client = Client.__new__(Client)
    try:
        client.__init__(address, timeout=timeout_s, set_as_default=False)  # type: ignore[misc]
    except (OSError, ValueError, TimeoutError) as error:
        with contextlib.suppress(TimeoutError):
            client.close(timeout=_CLOSING_S)  # type: ignore[no-untyped-call]
        raise OutputError.at(printable(address), "no cluster answers here", helps="check the address") from error
    with client:
        n_threads = sum(client.nthreads().values())  # type: ignore[no-untyped-call]
        if n_threads == 0:
            raise OutputError.at(printable(address), "the cluster has no worker", helps="start one first")
        yield client.get_executor(pure=False, retries=1), n_threads  # type: ignore[no-untyped-call]
