"""A folder at the bench: each capture is measured as soon as it is finished being written.

A file counts as finished when neither its size nor its time of change has moved for a while; a file that a program
writes under another name and renames is seen at its last name only. Nothing is ever read before that. With a plan each
run is set beside the others of its cell at once, and the next one is named.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from frametime.adapters.columns.layout import LAYOUTS_NAME
from frametime.adapters.sensors.sensor_log import sensor_log_beside
from frametime.errors import FrametimeError, printable
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.measuring import FolderOptions, MeasureOutcome, WorkerLimits
from frametime.pipeline.measuring_many import measure_many, measuring_apart
from frametime.pipeline.review_files import measured_or_not, requests_of, run_made
from frametime.plans.finding_runs import RunFile, find_runs
from frametime.plans.folder_walk import FoundFile, files_below, passed_over
from frametime.plans.plan import ReviewPlan, exclusions_of
from frametime.plans.plan_keys import chosen_order
from frametime.ranges import check_ranges
from frametime.review.result import Coverage, RunToMake, UnreadableFile
from frametime.review.reviewing import NewestRun, flags_and_coverage, newest_run
from frametime.review.run_set import PlacedRun, run_name
from frametime.review.runs_to_make import next_to_make

_POLL_S: Final = 0.2


@dataclass(frozen=True, kw_only=True)
class WatchOptions(FolderOptions):
    """What is watched for; runs that differ in the field ``run`` of ``path_pattern`` are a set.

    Attributes
    ----------
    n_runs : int
        Usable runs that a set needs.
    settle_s : float
        How long a file must have stayed as it is, in s, before it is read.
    """

    n_runs: int = 3
    settle_s: float = 1.0

    def __post_init__(self) -> None:
        check_ranges(self, "settle_s")
        if self.n_runs < 1:
            raise ValueError(f"n_runs must be 1 or more, got {self.n_runs!r}")


@dataclass(frozen=True, kw_only=True)
class WatchReport:
    """A finished capture: its name below the folder, what came of it, and what its set still needs.

    ``path`` is that of the file itself; a converted capture remembers the name of the log that it came from.
    """

    name: str
    path: str
    run: MeasuredRun | None
    error: str | None
    set_sentence: str | None


def _set_sentence(members: Iterable[str], runs: Mapping[str, bool], n_runs: int) -> str:
    """What a set needs; ``members`` is what its runs share, ``runs`` says which of them are usable so far."""
    n_usable = sum(runs.values())
    name = ", ".join(members) or "this set"
    to_repeat = sorted(run for run, good in runs.items() if not good)
    repeat = f"; repeat run {', '.join(to_repeat)}" if to_repeat else ""
    if n_usable >= n_runs:
        return f"{name}: complete, {n_usable} usable runs{repeat}"
    return f"{name}: {n_usable} of {n_runs} usable runs, {n_runs - n_usable} more needed{repeat}"


class _Tree:
    """The files below a folder as they were last seen: what has come, changed and settled since."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[Path, tuple[int, ...]] = {}
        self._waiting: dict[Path, tuple[tuple[int, ...], float]] = {}
        self._identity: tuple[int, int] | None = self._look_up()

    def _look_up(self) -> tuple[int, int] | None:
        try:
            status = self._folder.stat()
        except OSError:
            return None
        return status.st_dev, status.st_ino

    def news(self) -> str | None:
        """A sentence where the folder itself has gone, come back, or been replaced by another."""
        before, self._identity = self._identity, self._look_up()
        if before == self._identity:
            return None
        if self._identity is None:
            return "this folder is gone; the watch goes on when it is there again"
        return "this folder is there again" if before is None else "this is another folder now; the watch goes on in it"

    def settled(self, settle_s: float) -> list[Path]:
        """Files that are new or have changed, and have stayed as they are for long enough; each is given once."""
        now, found = time.monotonic(), []
        waiting, self._waiting = self._waiting, {}
        with contextlib.suppress(OSError):  # the folder is gone: `news` says so
            for path in files_below(self._folder):
                state = state_of(path)
                if state is None or self._known.get(path) == state:
                    continue
                before, since = waiting.get(path, (None, now))
                since = since if before == state else now
                if now - since >= settle_s:
                    self._known[path] = state
                    found.append(path)
                else:
                    self._waiting[path] = (state, since)
        return sorted(found)


def state_of(path: Path) -> tuple[int, ...] | None:
    """What changes when a file changes, or the layouts that are kept beside it; ``None`` where it is gone."""
    try:
        status = path.stat()
    except OSError:
        return None
    state = (status.st_size, status.st_mtime_ns)
    try:
        beside = path.with_name(LAYOUTS_NAME).stat()
    except OSError:
        return state
    return (*state, beside.st_size, beside.st_mtime_ns)


def watch_folder(folder: Path, *, options: WatchOptions, stop: threading.Event | None = None) -> Iterator[WatchReport]:
    """Measure each capture below ``folder`` as it is finished, until ``stop`` is set.

    Captures that lie there already count for their sets, in the order of their names, and are reported first. The
    folder is looked through again and again and compared with what was seen before, so that nothing depends on how a
    file came there, or on what kind of disk. Where the folder itself goes away or comes back, a report without a name
    says so.

    Parameters
    ----------
    folder : Path
    options : WatchOptions
    stop : threading.Event, optional

    Yields
    ------
    WatchReport
    """
    stop = threading.Event() if stop is None else stop
    folder = folder.absolute()
    sets: dict[tuple[str, ...], dict[str, bool]] = defaultdict(dict)
    with measuring_apart(options.limits) as measure:
        for found in finished_files(folder, settle_s=options.settle_s, stop=stop):
            if isinstance(found, str):
                error = f"{printable(str(folder))}: {found}"
                yield WatchReport(name="", path=str(folder), run=None, error=error, set_sentence=None)
                continue
            file = FoundFile(folder, found.relative_to(folder).as_posix(), options.path_pattern)
            if passed_over(file) is not None:
                continue
            fields, sensors = file.text_fields, sensor_log_beside(found)
            outcome = measure(options.request_of(found, fields, sensors, sensors_are_found=True))
            run, sentence = outcome.run, None
            if options.path_pattern is not None:
                members = tuple(value for name, value in fields.items() if name != "run")
                is_usable = run is not None and run.judgement.word != "repeat this run"
                sets[members][fields.get("run", "")] = is_usable
                sentence = _set_sentence(members, sets[members], options.n_runs)
            yield WatchReport(name=file.text_name, path=str(found), run=run, error=outcome.error, set_sentence=sentence)


def finished_files(folder: Path, *, settle_s: float, stop: threading.Event) -> Iterator[Path | str]:
    """Files below a folder, each when it has stayed as it is for long enough; those that lie there already at once.

    A text in place of a path says that the folder itself has gone, or has come back.
    """
    tree, wait_s = _Tree(folder), 0.0
    while True:
        began = time.monotonic()
        if (news := tree.news()) is not None:
            yield news
        yield from tree.settled(wait_s)
        wait_s = settle_s
        # A large folder is looked through for a third of the time at most.
        if stop.wait(max(_POLL_S, 2.0 * (time.monotonic() - began))):
            return


_NOT_A_RUN: Final = "fits the pattern, but card, scene or resolution are not in the plan"


@dataclass(frozen=True, kw_only=True)
class BenchReport:
    """What the bench is told: a run that was made, or a message, or where the review stands at the start."""

    newest: NewestRun | None = None
    message: str | None = None
    coverage: Coverage | None = None
    next_run: RunToMake | None = None


class _Runs:
    """The runs of a plan that were made so far."""

    def __init__(self, plan: ReviewPlan) -> None:
        self._plan = plan
        self._order = chosen_order(plan.design, plan.order)
        self._made: dict[str, PlacedRun | UnreadableFile] = {}
        self.seen: dict[Path, tuple[int, ...] | None] = {}

    def see(self, files: Iterable[RunFile]) -> None:
        """Take the files of runs for read as they are now; done before they are read."""
        self.seen |= {own: state_of(own) for file in files for own in _files_of(file)}

    def add(self, file: RunFile, outcome: MeasureOutcome) -> PlacedRun | UnreadableFile:
        """Count a run; one of the same place takes the place of the one before."""
        made = run_made(self._plan, file, outcome)
        self._made[run_name(**file.place)] = made
        return made

    def standing(self) -> BenchReport:
        """Where the review stands before the first new run."""
        _, coverage = flags_and_coverage(self._plan.design, *measured_or_not(self._made.values()))
        return BenchReport(coverage=coverage, next_run=next_to_make(coverage, order=self._order))

    def newest(self, made: PlacedRun | UnreadableFile) -> BenchReport:
        """A run beside the others."""
        placed, unreadable = measured_or_not(self._made.values())
        return BenchReport(newest=newest_run(self._plan.design, placed, made, unreadable=unreadable, order=self._order))


def watch_plan(
    plan: ReviewPlan,
    *,
    settle_s: float = 1.0,
    limits: WorkerLimits | None = None,
    stop: threading.Event | None = None,
) -> Iterator[BenchReport]:
    """Measure each run of a plan as it is finished, until ``stop`` is set.

    Runs that lie there already are measured first and count; then a report says where the review stands. A sensor log
    that is written after its capture has the run measured again.

    Parameters
    ----------
    plan : ReviewPlan
    settle_s : float
        How long a file must have stayed as it is, in s, before it is read.
    limits : WorkerLimits, optional
        What one capture may take of a process.
    stop : threading.Event, optional

    Yields
    ------
    BenchReport

    Raises
    ------
    PlanError
        When the captures folder is not there at the start.
    """
    stop = threading.Event() if stop is None else stop
    folder = plan.captures.folder.absolute()
    runs = _Runs(plan)
    found = find_runs(plan)
    runs.see(found.runs)
    for file, outcome in zip(found.runs, measure_many(requests_of(plan, found.runs), limits=limits), strict=True):
        runs.add(file, outcome)
    yield runs.standing()
    with measuring_apart(limits) as measure:
        for path in finished_files(folder, settle_s=settle_s, stop=stop):
            if isinstance(path, str):
                yield BenchReport(message=f"{printable(str(folder))}: {path}")
                continue
            if state_of(path) in (None, runs.seen.get(path)):  # it was read as it is now, or is gone
                continue
            try:
                found = find_runs(plan)
                exclusions_of(plan, [run_name(**file.place) for file in found.runs])
                for file in found.runs:
                    if path in _files_of(file):
                        runs.see([file])
                        yield runs.newest(runs.add(file, measure(requests_of(plan, [file])[0])))
            except FrametimeError as error:
                yield BenchReport(message=str(error))
                continue
            name = path.relative_to(folder).as_posix()
            if name in found.not_in_plan:
                yield BenchReport(message=f"{printable(name)} {_NOT_A_RUN}")


def _files_of(file: RunFile) -> list[Path]:
    """The capture of a run and its sensor log, as absolute paths."""
    return [path.absolute() for path in (file.path, file.sensors) if path is not None]
