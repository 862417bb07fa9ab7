"""Many files to measured runs, in other processes: in the order of the requests, with a bounded number under way.

A file that cannot be read does not stop the rest, nor does a worker that dies. The workers may be those of a cluster.
"""

from __future__ import annotations

import contextlib
import copyreg
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from itertools import chain, islice
from types import MappingProxyType
from typing import Final, ParamSpec, TypeVar

from frametime.errors import OutputError, printable
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, measure_one

P = ParamSpec("P")
R = TypeVar("R")


def _rebuild_mapping(content: dict[object, object]) -> MappingProxyType[object, object]:
    return MappingProxyType(content)


# Results hold their mappings read-only, and pickle, by which workers answer, does not know that type by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_rebuild_mapping, (dict(mapping),)))

_CHUNK: Final = 8
"""Files sent to a worker at once: sending costs as much as measuring a small file."""

_FEW: Final = 12
"""Up to this many files are measured in this process: starting workers would take longer."""


def _measure_chunk(requests: tuple[MeasureRequest, ...]) -> list[MeasureOutcome]:
    return [measure_one(request) for request in requests]


def worker_count() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _new_pool(n_workers: int) -> Executor:
    import multiprocessing

    # A forked copy of a process that runs threads of Arrow can hang; a spawned one is the same on every system.
    return _Pool(max_workers=n_workers, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent)


class _Pool(ProcessPoolExecutor):
    """Workers that start with Ctrl-C held back: it reaches them too, and during imports it is told at length."""

    def submit(self, fn: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        if not hasattr(signal, "pthread_sigmask"):  # Windows
            return super().submit(fn, *args, **kwargs)
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            return super().submit(fn, *args, **kwargs)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _end_with_parent() -> None:
    """Let this worker end when the process that started it is gone: killed, it cannot tell its workers.

    It ends without a word at Ctrl-C as well, which the parent tells.
    """
    import multiprocessing
    import threading

    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    parent = multiprocessing.parent_process()
    assert parent is not None

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


def measure_many(
    requests: Iterable[MeasureRequest],
    *,
    workers: int | None = None,
    executor: Executor | None = None,
) -> Iterator[MeasureOutcome]:
    """Measure many files, in the order of the requests.

    Parameters
    ----------
    requests : iterable of MeasureRequest
        Taken as they are needed, so that memory does not grow with their number.
    workers : int, optional
        Processes; by default as many as there are cores. 1 measures in this process.
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
        yield from _in_executor(stream, executor, n_workers, restart=None)
        return
    first = list(islice(stream, _FEW + 1))
    if n_workers == 1 or len(first) <= _FEW:
        yield from map(measure_one, first)
        yield from map(measure_one, stream)
        return
    pool = _new_pool(n_workers)
    try:
        yield from _in_executor(chain(first, stream), pool, n_workers, restart=_new_pool)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _in_executor(
    stream: Iterator[MeasureRequest],
    executor: Executor,
    n_workers: int,
    restart: Callable[[int], Executor] | None,
) -> Iterator[MeasureOutcome]:
    """Keep three chunks a worker under way; after a worker died, measure its chunk file by file elsewhere."""
    pending: deque[tuple[tuple[MeasureRequest, ...], Future[list[MeasureOutcome]] | None]] = deque()
    current: Executor = executor
    broken = answered = False
    try:
        while True:
            while len(pending) < 3 * n_workers and (chunk := tuple(islice(stream, _CHUNK))):
                pending.append((chunk, None if broken else current.submit(_measure_chunk, chunk)))
            if not pending:
                return
            chunk, future = pending.popleft()
            try:
                if future is None:
                    raise BrokenExecutor
                yield from future.result()
                answered = True
            except BrokenExecutor:
                if not answered:
                    _refuse_workers_that_never_start()
                broken = restart is None
                yield from _file_by_file(chunk)
                if restart is not None:
                    current.shutdown(wait=False, cancel_futures=True)
                    current = restart(n_workers)
                    pending = deque((waiting, current.submit(_measure_chunk, waiting)) for waiting, _ in pending)
    finally:
        if current is not executor:
            current.shutdown(wait=True, cancel_futures=True)


def _refuse_workers_that_never_start() -> None:
    """Tell a worker that died of its file from workers that cannot start at all.

    Raises
    ------
    OutputError
        Where not even an empty job ends well, as in a script without the guard that new processes need.
    """
    with _new_pool(1) as pool:
        try:
            pool.submit(worker_count).result()
        except BrokenExecutor as error:
            raise OutputError(
                "no worker process can start; in a script of your own, put the call below "
                "if __name__ == '__main__':  or measure with workers=1"
            ) from error


def _file_by_file(chunk: tuple[MeasureRequest, ...]) -> Iterator[MeasureOutcome]:
    """Each file in a process of its own, so that the one that ends its worker takes no other with it."""
    for request in chunk:
        with _new_pool(1) as pool:
            try:
                yield pool.submit(measure_one, request).result()
            except BrokenExecutor:
                yield MeasureOutcome(
                    request=request,
                    run=None,
                    error=f"{printable(request.path)}: the process that measured this file ended without an answer",
                )


# A lab whose captures outgrow one machine has workers on a Dask cluster. The captures must lie where every worker finds
# them under the same path, and the workers must have the same version of this package. Only here is ``distributed``
# imported.

_CLOSING_S: Final = 1.0


@contextlib.contextmanager
def cluster_executor(address: str, *, timeout_s: float = 10.0) -> Iterator[tuple[Executor, int]]:
    """An executor on the cluster at ``address``, and how many files it can measure at once.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://127.0.0.1:8786``.
    timeout_s : float
        How long to wait for an answer.

    Raises
    ------
    OutputError
        If the extra is not installed, nothing answers at the address, or the cluster has no worker.
    """
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
