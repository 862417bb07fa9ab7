"""The runs of a plan as they are made: each is set beside the others of its cell at once, and the next one is named."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from frametime.errors import FrametimeError, printable
from frametime.pipeline.measuring_many import measure_many, measuring_apart
from frametime.pipeline.review_files import requests_of, run_made
from frametime.pipeline.watching import finished_files, state_of
from frametime.pipeline.worker_pool import WorkerLimits
from frametime.plans.finding_runs import FoundRuns, RunFile, find_runs
from frametime.plans.plan import ReviewPlan, exclusions_of
from frametime.review.result import Coverage, RunToMake, UnreadableFile
from frametime.review.reviewing import flags_and_coverage
from frametime.review.run_set import PlacedRun, run_name
from frametime.review.runs_so_far import NewestRun, newest_run, next_to_make

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
        self._made: dict[str, PlacedRun | UnreadableFile] = {}
        self.seen: dict[Path, tuple[int, ...]] = {}

    @property
    def placed(self) -> list[PlacedRun]:
        """Those that could be measured."""
        return [run for run in self._made.values() if isinstance(run, PlacedRun)]

    @property
    def unreadable(self) -> list[UnreadableFile]:
        """Those that could not."""
        return [run for run in self._made.values() if isinstance(run, UnreadableFile)]

    def add(self, file: RunFile, made: PlacedRun | UnreadableFile) -> None:
        """Count a run; one of the same place takes the place of the one before."""
        self._made[run_name(**file.place)] = made

    def is_known(self, path: Path) -> bool:
        """Whether the file was read as it is now; from now on it counts as read."""
        state = state_of(path)
        if state is None:
            return True
        known, self.seen[path] = self.seen.get(path), state
        return known == state

    def standing(self) -> BenchReport:
        """Where the review stands before the first new run."""
        _, coverage = flags_and_coverage(self._plan.design, self.placed, self.unreadable)
        return BenchReport(coverage=coverage, next_run=next_to_make(coverage))

    def newest(self, made: PlacedRun | UnreadableFile) -> BenchReport:
        """A run beside the others."""
        return BenchReport(newest=newest_run(self._plan.design, self.placed, made, unreadable=self.unreadable))


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
    for file, outcome in zip(found.runs, measure_many(requests_of(plan, found.runs), limits=limits), strict=True):
        runs.add(file, run_made(plan, file, outcome))
        for own in _files_of(file):
            runs.is_known(own)
    yield runs.standing()
    with measuring_apart(limits) as measure:
        for news in finished_files(folder, settle_s=settle_s, stop=stop):
            if isinstance(news, str):
                yield BenchReport(message=f"{printable(str(folder))}: {news}")
                continue
            path = news
            if runs.is_known(path):
                continue
            try:
                found = find_runs(plan)
                exclusions_of(plan, [run_name(**file.place) for file in found.runs])
                for file in found.runs:
                    if path in _files_of(file):
                        made = run_made(plan, file, measure(requests_of(plan, [file])[0]))
                        runs.add(file, made)
                        for own in _files_of(file):
                            runs.is_known(own)
                        yield runs.newest(made)
            except FrametimeError as error:
                yield BenchReport(message=str(error))
                continue
            if _is_left_out(path, folder, found):
                name = printable(path.relative_to(folder).as_posix())
                yield BenchReport(message=f"{name} {_NOT_A_RUN}")


def _files_of(file: RunFile) -> list[Path]:
    """The capture of a run and its sensor log, as absolute paths."""
    return [path.absolute() for path in (file.path, file.sensors) if path is not None]


def _is_left_out(path: Path, folder: Path, found: FoundRuns) -> bool:
    return path.relative_to(folder).as_posix() in found.not_in_plan
