"""A folder at the bench: each capture is measured as soon as it is finished being written.

A file counts as finished when neither its size nor its time of change has moved for a while; a file that a program
writes under another name and renames is seen at its last name only. Nothing is ever read before that. With a plan each
run is set beside the others of its cell at once, and the next one is named.
"""

from __future__ import annotations

import threading
import time
from collections import ChainMap, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path
from types import MappingProxyType
from typing import Final

from frametime.adapters.sensors.sensor_log import SENSORS_UNUSABLE
from frametime.errors import FrametimeError, printable
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest
from frametime.pipeline.measuring_many import FolderOptions, WorkerLimits, measure_many, measuring_apart
from frametime.pipeline.review_files import measured_or_not, not_in_plan, requests_of, run_made
from frametime.plans.finding_runs import RunFile, find_runs
from frametime.plans.folder_walk import FoundFile, States, Tree, passed_over, sensor_log_beside, state_of
from frametime.plans.plan import ReviewPlan, chosen_order, exclusions_of, read_plan
from frametime.ranges import check_ranges
from frametime.review.design import ReviewDesign
from frametime.review.result import Coverage, RunToMake, UnreadableFile
from frametime.review.reviewing import NewestRun, flags_and_coverage, newest_run
from frametime.review.run_set import PlacedRun, run_name, same_bytes
from frametime.review.runs_to_make import next_to_make
from frametime.words import first_of

_POLL_S: Final = 0.2
_GONE: Final = "no longer there, and no longer counted: "


@dataclass(frozen=True, kw_only=True)
class WatchOptions(FolderOptions):
    """What is watched for; runs that differ in the field ``run`` of ``path_pattern`` are a set.

    Attributes
    ----------
    runs : int
        Usable runs that a set needs.
    settle_s : float
        How long a file must have stayed as it is, in s, before it is read.
    """

    runs: int = 3
    settle_s: float = 1.0

    def __post_init__(self) -> None:
        check_ranges(self, "runs", "settle_s")


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


def _set_sentence(members: Iterable[str], files: Iterable[tuple[str, bool]], n_runs: int) -> str:
    """What a set needs; ``members`` is what its runs share, ``files`` are runs and whether the file is usable.

    Of two files of one run, such as a log and its packed copy, the one that was read last counts.
    """
    runs = dict(files)
    n_usable = sum(runs.values())
    name = ", ".join(members) or "this set"
    to_repeat = sorted(run for run, good in runs.items() if not good)
    repeat = f"; repeat run {', '.join(to_repeat)}" if to_repeat else ""
    if n_usable >= n_runs:
        return f"{name}: complete, {n_usable} usable runs{repeat}"
    return f"{name}: {n_usable} of {n_runs} usable runs, {n_runs - n_usable} more needed{repeat}"


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
    sets: dict[tuple[str, ...], dict[Path, tuple[str, bool]]] = defaultdict(dict)
    with measuring_apart(options.limits) as measure:
        for found in finished_files(folder, settle_s=options.settle_s, stop=stop):
            if isinstance(found, str):
                yield WatchReport(name="", path=str(folder), run=None, error=found, set_sentence=None)
                continue
            file = FoundFile(folder, found.relative_to(folder).as_posix(), options.path_pattern)
            fields, run = file.text_fields, None
            error: str | None = f"{_GONE}{printable(file.name)}"
            members, number = tuple(value for name, value in fields.items() if name != "run"), fields.get("run", "")
            before = sets[members].pop(found, None)
            if state_of(found) is None:
                if options.path_pattern is None or before is None:
                    continue
            elif passed_over(file) is not None:
                continue
            else:
                request = options.request_of(found, fields, sensor_log_beside(found), sensors_are_found=True)
                run, error = (outcome := measure(request)).run, outcome.error
                sets[members][found] = (number, run is not None and run.judgement.word != "repeat this run")
            sentence = (
                _set_sentence(members, sets[members].values(), options.runs)
                if options.path_pattern is not None
                else None
            )
            yield WatchReport(name=file.text_name, path=str(found), run=run, error=error, set_sentence=sentence)


def finished_files(
    folder: Path,
    *,
    settle_s: float,
    stop: threading.Event,
    known: States = MappingProxyType({}),
    beside: Sequence[Path] = (),
) -> Iterator[Path | str]:
    """Files below a folder and those ``beside`` it, each when it has stayed as it is for long enough, and once more
    when it is gone.

    ``known`` holds those that were read before, as they were. A text in place of a path says, with its name, that the
    folder itself has gone, or has come back.
    """
    tree = Tree(folder, known, beside)
    while True:
        began = time.monotonic()
        if (news := tree.news()) is not None:
            yield f"{printable(str(folder))}: {news}"
        yield from tree.settled(settle_s)
        # A large folder is looked through for a third of the time at most.
        if stop.wait(max(_POLL_S, 2.0 * (time.monotonic() - began))):
            return


@dataclass(frozen=True, kw_only=True)
class BenchReport:
    """What the bench is told: a run that was made, or a message, or where the review stands at the start."""

    newest: NewestRun | None = None
    message: str | None = None
    coverage: Coverage | None = None
    next_run: RunToMake | None = None


def watch_plan(
    plan: ReviewPlan, *, settle_s: float = 1.0, limits: WorkerLimits | None = None, stop: threading.Event | None = None
) -> Iterator[BenchReport]:
    """Measure each run of a plan as it is finished, until ``stop`` is set or the file of the plan has changed.

    Runs that lie there already are measured first and count; then a report says where the review stands. A sensor log
    that is written after its capture, or deleted, has the run measured again. A run that is deleted or renamed counts
    no longer. A plan that is edited ends the watch, as soon as it can be read and fits the captures.

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
    bench, own = _Bench(plan, limits), Path(plan.file_name).absolute()
    yield from bench.start()
    with measuring_apart(limits) as measure:
        for path in finished_files(bench.folder, settle_s=settle_s, stop=stop, known=bench.seen, beside=[own]):
            if isinstance(path, str):
                yield BenchReport(message=path)
            elif path != own:
                yield from bench.look(path, measure)
            else:
                try:
                    requests_of(edited := read_plan(own), find_runs(edited).runs)
                except FrametimeError as error:
                    yield BenchReport(message=f"{error}; the plan as it was counts on")
                else:
                    yield BenchReport(message=f"{printable(plan.file_name)}: this plan was changed, and is read again")
                    return


class _Bench:
    """The runs of a plan as they were last measured, and their files as they were before that.

    Raises
    ------
    PlanError
        When the captures folder is not there, or two files stand for one run.
    """

    def __init__(self, plan: ReviewPlan, limits: WorkerLimits | None) -> None:
        self.plan, self.folder = plan, plan.captures.folder.absolute()
        self._order, self._found = chosen_order(plan.design, plan.order), find_runs(plan)
        files, names = self._found.runs, [run_name(**file.place) for file in self._found.runs]
        others = (Path(plan.file_name).absolute(), *map(self.folder.joinpath, self._found.not_in_plan))
        self._files = dict(zip(names, map(_files_of, files), strict=True))
        self.seen = {path: state_of(path) for path in others} | dict(ChainMap(*map(dict, self._files.values())))
        outcomes = measure_many(requests_of(plan, files), limits=limits)
        self._made = dict(zip(names, map(run_made, repeat(plan), files, outcomes), strict=True))
        # What was not measured as long as the files did not fit the plan is measured later.
        self._due: set[Path] = set()

    def start(self) -> Iterator[BenchReport]:
        """Where the review stands."""
        if self._found.not_in_plan:
            yield BenchReport(message=not_in_plan(self._found.not_in_plan).message)
        yield from (BenchReport(message=caveat.message) for caveat in same_bytes(self._stand()[1]))
        yield self._counted()

    def look(self, path: Path, measure: Callable[[MeasureRequest], MeasureOutcome]) -> Iterator[BenchReport]:
        """What a file that came, changed or went has to be told of."""
        self._due.add(path)
        try:
            found = find_runs(self.plan)
            if gone := sorted(self._made.keys() - {run_name(**file.place) for file in found.runs}):
                self._made = {name: of for name, of in self._made.items() if name not in gone}
                yield BenchReport(message=f"{_GONE}{first_of(gone, 4)}")
                yield self._counted()
            for file in found.runs:
                now, name, is_new = _files_of(file), run_name(**file.place), file.path.absolute() in self._due
                known = self._made.get(name)
                before = self._files[name] if known else {}
                if now == before or not (is_new or (known and self._due & (now.keys() | before.keys()))):
                    continue
                self._files[name] = now
                # A log of a whole evening grows all the time: it is read again for what it lacked.
                has_grown = not is_new and path in before and (now.get(path) or (0,))[0] > (before[path] or (0,))[0]
                if known and has_grown and not _lacks(known):
                    continue
                self._made[name] = run_made(self.plan, file, measure(requests_of(self.plan, [file])[0]))
                if not (known and has_grown and _lacks(self._made[name]) == _lacks(known)):
                    yield from self._told(name)
            self._due.clear()
            strange = [name for name in found.not_in_plan if self.folder / name == path]
            yield from (BenchReport(message=not_in_plan([name]).message) for name in strange)
        except FrametimeError as error:
            yield BenchReport(message=str(error))

    def _stand(self) -> tuple[ReviewDesign, list[PlacedRun], list[UnreadableFile]]:
        design = replace(self.plan.design, exclusions=exclusions_of(self.plan, self._made, may_come=True))
        return design, *measured_or_not(self._made.values())

    def _counted(self) -> BenchReport:
        _, coverage = flags_and_coverage(*self._stand())
        return BenchReport(coverage=coverage, next_run=next_to_make(coverage, order=self._order))

    def _told(self, name: str) -> Iterator[BenchReport]:
        """A run that was made, and which have its bytes."""
        design, runs, unreadable = self._stand()
        newest = newest_run(design, runs, self._made[name], unreadable=unreadable, order=self._order)
        yield BenchReport(newest=newest)
        yield from (BenchReport(message=copy.message) for copy in same_bytes(runs, name))


def _lacks(run: PlacedRun | UnreadableFile) -> set[str]:
    """What a run lacks of its samples, which a longer sensor log may bring: caveats by their codes."""
    codes = {caveat.code for caveat in run.measured.caveats} if isinstance(run, PlacedRun) else {SENSORS_UNUSABLE}
    return codes & {SENSORS_UNUSABLE, "sensors-cover-part"}


def _files_of(file: RunFile) -> States:
    """The capture of a run and its sensor log, by their absolute paths, as they are now: before they are read."""
    return {path.absolute(): state_of(path) for path in (file.path, file.sensors) if path is not None}
