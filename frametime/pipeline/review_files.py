"""From a plan and a tree of captures to the result of a review."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import repeat
from pathlib import Path
from typing import Any, Final, TypeAlias

import polars as pl

from frametime.adapters.base import ReadOptions
from frametime.adapters.capture_start import stated_start
from frametime.adapters.columns.layout import Layout
from frametime.adapters.sensors.sensor_log import SensorLayout, SensorOptions
from frametime.caveats import Caveat
from frametime.errors import PlanError, printable
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.kept_runs import KeptRuns, beside_sha256
from frametime.pipeline.measuring import (
    MeasureOutcome,
    MeasureRequest,
    sensor_log_hint,
    sensors_caveat,
    unusable_sensors,
)
from frametime.pipeline.measuring_many import WorkerLimits, measure_many
from frametime.pipeline.shared_sensors import with_session_places
from frametime.plans.finding_runs import FoundRuns, RunFile, find_runs
from frametime.plans.plan import ReviewPlan, exclusions_of, recorded_from_of
from frametime.review.design import ReviewDesign
from frametime.review.result import ReviewResult, UnreadableFile
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun, run_name
from frametime.review.sentence import caveat_of
from frametime.review.sessions import NO_OTHERS
from frametime.settings.toml_source import file_text
from frametime.units import NS_PER_S
from frametime.words import counted, first_of

Measuring: TypeAlias = Callable[[Sequence[MeasureRequest]], Iterator[MeasureOutcome]]

_SHOWN_FILES: Final = 5


@dataclass(frozen=True, kw_only=True)
class MeasuredPlan:
    """The runs of a plan, measured, and what goes with them into the review.

    ``requests`` are by the name of the run; ``shelf`` are rows to take in place of those of the plan's shelf.
    """

    design: ReviewDesign
    placed: tuple[PlacedRun, ...]
    unreadable: tuple[UnreadableFile, ...]
    caveats: tuple[Caveat, ...]
    requests: Mapping[str, MeasureRequest]
    shelf: pl.LazyFrame | None = None

    def review(self, plan: ReviewPlan) -> ReviewResult:
        """Compare them, and with them the cards that the plan takes from a shelf.

        Raises
        ------
        PlanError, RunSetError
            The first when the shelf has not what the plan asks for.
        """
        design, others, caveats = self.design, NO_OTHERS, self.caveats
        if plan.shelf is not None and plan.shelf.takes_cards:
            from frametime.pipeline.shelf import taken_from_shelf

            design, others, more = taken_from_shelf(
                plan, design, self.placed, self.shelf, lambda other: measured_plan(other).placed
            )
            caveats = (*caveats, *more)
        return review_runs(
            design, self.placed, unreadable=self.unreadable, plan=plan.resolved, caveats=caveats, others=others
        )


def review_plan(plan: ReviewPlan, **options: Any) -> ReviewResult:
    """Find the captures of a plan, measure what is not kept, and compare: see `measured_plan`.

    Raises
    ------
    PlanError, RunSetError
        The second when runs were put together that were not made under the same conditions.
    """
    return measured_plan(plan, **options).review(plan)


def measured_plan(
    plan: ReviewPlan,
    *,
    kept_file: Path | None = None,
    measure_again: bool = False,
    workers: int | None = None,
    limits: WorkerLimits | None = None,
    measuring: Measuring | None = None,
) -> MeasuredPlan:
    """Find the captures of a plan, and measure what is not kept.

    Parameters
    ----------
    plan : ReviewPlan
    kept_file : pathlib.Path, optional
        Where measured runs are kept; without it every run is measured.
    measure_again : bool
        Measure the runs that are kept as well.
    workers : int, optional
        Processes that measure.
    limits : WorkerLimits, optional
        What one capture may take of a process; given, none is measured in this one.
    measuring : callable, optional
        Measures a sequence of requests, in order; by default `measure_many`.

    Raises
    ------
    PlanError
        When the captures folder is not there, or no capture of the plan lies in it.
    """
    found = find_runs(plan)
    if not found.runs:
        n_other = len(found.not_in_plan)
        other = f"; {n_other} files fit it, with names that the plan does not know" if n_other else ""
        wrong = (
            f"no capture of this plan lies in '{printable(str(plan.captures.folder))}' "
            f"(pattern '{printable(plan.captures.pattern.text)}'{other})"
        )
        raise PlanError.at(plan.file_name, wrong, helps="check [captures] folder and pattern")
    measuring = measuring or partial(measure_many, workers=workers, limits=limits)
    names = [run_name(**file.place) for file in found.runs]
    requests = dict(zip(names, requests_of(plan, found.runs), strict=True))
    kept = None if kept_file is None else KeptRuns(kept_file)
    measured = _measured(requests, kept, measuring, measure_again=measure_again)
    again = with_session_places(requests, measured)
    measured |= zip(again, measuring(list(again.values())) if again else (), strict=True)
    placed, unreadable = measured_or_not(map(run_made, repeat(plan), found.runs, map(measured.__getitem__, names)))
    return MeasuredPlan(
        design=replace(plan.design, exclusions=exclusions_of(plan, names)),
        placed=tuple(placed),
        unreadable=tuple(unreadable),
        caveats=_caveats(plan, found, placed, len(again)),
        requests=requests | again,
    )


def measured_or_not(made: Iterable[PlacedRun | UnreadableFile]) -> tuple[list[PlacedRun], list[UnreadableFile]]:
    """Captures that could be measured, and those that could not."""
    every = list(made)
    placed = [run for run in every if isinstance(run, PlacedRun)]
    return placed, [run for run in every if isinstance(run, UnreadableFile)]


def run_made(plan: ReviewPlan, file: RunFile, outcome: MeasureOutcome) -> PlacedRun | UnreadableFile:
    """A capture at its place, measured or with the reason why not."""
    run, place = outcome.run, dict[str, Any](file.place)
    if run is None:
        error = outcome.error_for(file.name, plan.captures.folder) or "it could not be measured"
        return UnreadableFile(file_name=file.name, **place, error=error)
    if (hint := sensor_log_hint(outcome.request.path, run, name=file.name)) is not None:
        return UnreadableFile(file_name=file.name, **place, error=hint)
    # When it was made is asked only where the order of runs bears on the review.
    is_asked = plan.order is not None or plan.shelf is not None
    start = stated_start(run.provenance, recorded_from_of(plan, file.name)) if is_asked else None
    return PlacedRun(
        name=run_name(**place),
        **place,
        # The path below the captures folder, so that the same folder gives the same result wherever it lies.
        measured=run._replace(provenance=replace(run.provenance, file_name=file.name)),
        start_h=None if start is None else start.ns / (3600.0 * NS_PER_S),
    )


def requests_of(plan: ReviewPlan, files: Sequence[RunFile]) -> list[MeasureRequest]:
    """What is to be measured of the captures of a plan, in their order."""
    layout = plan.captures.layout
    read = replace(
        plan.read or ReadOptions(),
        layout=None if layout is None else Layout.from_toml(file_text(layout, PlanError), layout.name),
        skip_start_s=plan.captures.keys.skip_start_s,
        skip_end_s=plan.captures.keys.skip_end_s,
    )
    sensor_options = _sensor_options(plan) if any(file.sensors for file in files) else None
    # One set of options for each card: what rests on them is worked out once.
    measure = {card: measure_options_of(plan, card) for card in {file.conditions.card for file in files}}
    requests = []
    for file in files:
        options, start = sensor_options, recorded_from_of(plan, file.name)
        if options is not None and start is not None:
            options = replace(options, recorded_from=start)
        requests.append(
            MeasureRequest(
                path=str(file.path),
                read=read,
                measure=measure[file.conditions.card],
                conditions=file.conditions,
                sensors=None if file.sensors is None else str(file.sensors),
                sensor_options=None if file.sensors is None else options,
                skip_start_auto=plan.captures.keys.skip_warm_up,
                segment=plan.captures.keys.segment,
            )
        )
    return requests


def measure_options_of(plan: ReviewPlan, card: str | None) -> MeasureOptions:
    """What is measured, with the limits of a card."""
    if (known := plan.cards.get(card or "")) is None:
        return plan.measure
    return replace(plan.measure, temperature_limit_c=known.temperature_limit_c, power_limit_w=known.power_limit_w)


def _sensor_options(plan: ReviewPlan) -> SensorOptions:
    path = plan.captures.sensor_layout
    layout = None if path is None else SensorLayout.from_toml(file_text(path, PlanError), path.name)
    captures = plan.captures
    asked = plan.sensors or SensorOptions()
    return replace(
        asked,
        layout=layout,
        offset_s=asked.offset_s if asked.offset_s is not None else captures.keys.sensor_offset_s,
        time_zone=asked.time_zone or captures.keys.time_zone,
        device=asked.device or captures.keys.sensor_device,
        is_shared=captures.sensors is not None and set(captures.sensors.fields) != set(captures.pattern.fields),
    )


def _measured(
    requests: Mapping[str, MeasureRequest], kept: KeptRuns | None, measuring: Measuring, *, measure_again: bool
) -> dict[str, MeasureOutcome]:
    """The outcome of each run by its name: kept where it can be, measured (and then kept) where not."""
    outcomes = {
        name: MeasureOutcome(request=request, run=run, error=None)
        for name, request in requests.items()
        if kept is not None and not measure_again and (run := kept.find(request)) is not None
    }
    waiting = {name: request for name, request in requests.items() if name not in outcomes}
    beside = [None if kept is None else beside_sha256(request) for request in waiting.values()]
    measured = measuring(list(waiting.values())) if waiting else ()
    for name, before, outcome in zip(waiting, beside, measured, strict=True):
        outcomes[name] = outcome
        if kept is not None:
            kept.add(outcome, before)
    if kept is not None:
        kept.write()
    return outcomes


def _caveats(plan: ReviewPlan, found: FoundRuns, placed: Sequence[PlacedRun], n_by_order: int) -> tuple[Caveat, ...]:
    """What is to be known of the files of a plan; logs that could not be used are named below the captures folder."""
    n_without, n_runs = len(found.without_sensors), len(found.runs)
    caveats = [not_in_plan(found.not_in_plan)] if found.not_in_plan else []
    if n_without:
        # A pattern of the plan that fits no log at all is more likely wrong.
        words = {"n_without": n_without, "n_runs": n_runs}
        caveats.append(caveat_of("runs-without-sensors" if n_without < n_runs else "runs-without-sensors/all", **words))
    if n_by_order:
        caveats.append(caveat_of("sensor-clocks-by-load", n_runs=n_by_order))
    reasons = [(run.measured.provenance.file_name, why) for run in placed if (why := unusable_sensors(run.measured))]
    below = printable(str(plan.captures.folder)).rstrip("/\\")
    reasons = [(name, why.replace(f"{below}/", "").replace(f"{below}\\", "")) for name, why in reasons]
    return (*caveats, *sensors_caveat(reasons, len(placed)))


def not_in_plan(names: Sequence[str]) -> Caveat:
    """Which captures the plan says nothing of."""
    files = f"{counted(len(names), 'file')} ({first_of([printable(name) for name in names], _SHOWN_FILES)})"
    return caveat_of("files-not-in-plan", files=f"{files} fit{'' if len(names) != 1 else 's'}")
