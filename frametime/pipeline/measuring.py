"""Files to measured runs, one or many: the one place where reading, cutting and measuring are put together.

`measure_file` does one file in this process. `measure_many` does many, in other processes, in the order of the
requests, with a bounded number of files under way, and goes on past a file that cannot be read and past a worker
that dies.
"""

from __future__ import annotations

import copyreg
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import islice
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

from frametime.capture import Capture, Conditions
from frametime.errors import FrametimeError, OutputError, ReadError, printable
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensor_log import SensorOptions


def _rebuild_mapping(content: dict[object, object]) -> MappingProxyType[object, object]:
    return MappingProxyType(content)


# Results hold their mappings read-only, and pickle, by which workers answer, does not know that type by itself.
copyreg.pickle(MappingProxyType, lambda mapping: (_rebuild_mapping, (dict(mapping),)))

_CHUNK: Final = 8
"""Files sent to a worker at once: sending costs as much as measuring a small file."""

_FEW: Final = 12
"""Up to this many files are measured in this process: starting workers would take longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureRequest:
    """One file and all that is needed to measure it.

    Attributes
    ----------
    path : str
        File of the capture, ``-`` for standard input.
    read : ReadOptions
    measure : MeasureOptions
    conditions : Conditions
    sensors : str or None
        Sensor log that belongs to the capture.
    sensor_options : SensorOptions or None
    skip_start_auto : bool
        Leave out the warm-up that is found at the start.
    segment : int, 'longest' or None
        Measure one segment of the capture only, by its number or the longest stretch of play.
    keep_curves : bool
        Keep the curves for charts in the measured run.
    """

    path: str
    read: ReadOptions
    measure: MeasureOptions = field(default_factory=MeasureOptions)
    conditions: Conditions = field(default_factory=Conditions)
    sensors: str | None = None
    sensor_options: SensorOptions | None = None
    skip_start_auto: bool = False
    segment: int | Literal["longest"] | None = None
    keep_curves: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOutcome:
    """What became of a request: a measured run, or the reason why there is none."""

    request: MeasureRequest
    run: MeasuredRun | None
    error: str | None


def measure_file(request: MeasureRequest, *, use_threads: bool = True) -> tuple[Capture, MeasuredRun]:
    """Read, cut and measure one file.

    Raises
    ------
    FrametimeError
        If the capture or its sensor log cannot be used.
    """
    from frametime.adapters.reading import read_capture
    from frametime.metrics.measure import measure

    capture = read_capture(request.path, options=request.read, conditions=request.conditions, use_threads=use_threads)
    if request.sensors is not None:
        capture = _with_sensors(capture, request)
    if request.segment is not None:
        capture = _one_segment(capture, request)
    if request.skip_start_auto:
        capture = _without_warm_up(capture, request.measure)
    run = measure(capture, request.measure)
    return capture, run if request.keep_curves else replace(run, curves={})


def _with_sensors(capture: Capture, request: MeasureRequest) -> Capture:
    from frametime.adapters.sensor_log import SensorOptions, attach_sensors

    assert request.sensors is not None
    return attach_sensors(capture, request.sensors, options=request.sensor_options or SensorOptions())


def _one_segment(capture: Capture, request: MeasureRequest) -> Capture:
    from frametime.adapters.cutting import cut_capture
    from frametime.metrics.frame_series import FrameSeries
    from frametime.metrics.segments import choose_segment, find_segments

    segments = find_segments(FrameSeries.of(capture, request.measure))
    assert request.segment is not None
    try:
        chosen = choose_segment(segments, request.segment)
    except ValueError as error:
        raise ReadError.at(request.path, str(error), helps="list the segments with --json") from error
    return cut_capture(capture, from_s=chosen.start_s, to_s=chosen.end_s)


def _without_warm_up(capture: Capture, options: MeasureOptions) -> Capture:
    from frametime.adapters.cutting import cut_capture
    from frametime.metrics.drift import find_drift
    from frametime.metrics.frame_series import FrameSeries

    warm_up = find_drift(FrameSeries.of(capture, options)).warm_up
    return capture if warm_up is None else cut_capture(capture, skip_start_s=warm_up.skip_s)


def measure_one(request: MeasureRequest) -> MeasureOutcome:
    """`measure_file` with the error as a value. One thread: the files of a folder share the cores."""
    try:
        _, run = measure_file(request, use_threads=False)
    except (FrametimeError, OSError) as error:
        return MeasureOutcome(request=request, run=None, error=printable(str(error), limit=500))
    return MeasureOutcome(request=request, run=run, error=None)


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
    return ProcessPoolExecutor(max_workers=n_workers, mp_context=multiprocessing.get_context("spawn"))


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
        yield from _in_executor(_chain(first, stream), pool, n_workers, restart=_new_pool)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _chain(first: list[MeasureRequest], rest: Iterator[MeasureRequest]) -> Iterator[MeasureRequest]:
    yield from first
    yield from rest


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
