"""Many files to measured runs, in other processes: in the order of the requests, with a bounded number under way.

A file that cannot be read does not stop the rest, nor does one that ends its worker. The workers may be those of a
cluster.
"""

from __future__ import annotations

import contextlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import replace
from itertools import chain, islice
from typing import Final, TypeAlias

from frametime.errors import OutputError, printable
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, failure, measure_one, measure_unless_full
from frametime.pipeline.worker_pool import Lost, WorkerLimits, WorkerPool

_Pool: TypeAlias = WorkerPool[None, MeasureRequest, MeasureOutcome]

_CHUNK: Final = 8
"""Files sent to an executor at once: it can lie far away."""

_FEW: Final = 12
"""Up to this many files are measured in this process: starting workers would take longer."""

OPTION_OF: Final = {"max_worker_bytes": "--max-worker-bytes", "max_file_seconds": "--max-file-seconds"}
"""Limits of a worker, as the command line calls them."""


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
    first = list(islice(stream, _FEW + 1))
    if limits is None and (n_workers == 1 or len(first) <= _FEW):
        yield from map(measure_one, chain(first, stream))
        return
    with _pool(n_workers, limits) as pool:
        yield from _in_pool(chain(first, stream), pool)


@contextlib.contextmanager
def measuring_apart(limits: WorkerLimits | None) -> Iterator[Callable[[MeasureRequest], MeasureOutcome]]:
    """What measures one file at a time in one other process, which is started with the first."""
    with _pool(1, limits) as pool:
        yield lambda request: next(_in_pool(iter([request]), pool))


def _pool(n_workers: int, limits: WorkerLimits | None) -> _Pool:
    return WorkerPool(_measuring, None, workers=n_workers, limits=limits or WorkerLimits())


def _measuring(_given: None) -> Callable[[MeasureRequest], MeasureOutcome]:
    return measure_unless_full


def _in_pool(stream: Iterator[MeasureRequest], pool: _Pool) -> Iterator[MeasureOutcome]:
    sent: deque[MeasureRequest] = deque()

    def noted() -> Iterator[MeasureRequest]:
        for request in stream:
            sent.append(request)
            yield request

    for answer in pool.map(noted()):
        request = sent.popleft()
        if isinstance(answer, Lost):
            helps = None if answer.limit is None else f"{OPTION_OF[answer.limit]} raises the limit"
            yield failure(request, answer.reason, helps)
        else:
            yield replace(answer, request=request)  # the very object, which others may know it by


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
