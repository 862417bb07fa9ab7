"""From measured runs to the result: the order in which the parts of a review are put together.

And a review while its runs are being made: what the newest run is worth beside the others, and what comes next.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from frametime import __version__
from frametime.caveats import Caveat
from frametime.lab.sessions import Step
from frametime.review import runs_to_make
from frametime.review.card_repeatability import repeatability_of, set_caveats, sets_that_can_show_levels
from frametime.review.cell_comparisons import MetricMeans, compare_cells, log_means
from frametime.review.cell_summaries import carried_caveats, cut_short, estimate, recurring_hitches
from frametime.review.design import Entries, MetricEntry, Place, ReviewDesign, named
from frametime.review.money_and_power import efficiency_rows, powered_sets, speed_metric, value_rows
from frametime.review.overall import order_pairs, overall_comparison, place_cards, power_cells, speed_cells
from frametime.review.paragraph import Story, methods_of
from frametime.review.result import SCHEMA_VERSION, Coverage, Exclusion, Flag, ReviewResult, RunToMake, UnreadableFile
from frametime.review.result_tables import CellComparison, CellSummary
from frametime.review.run_set import PlacedRun, caveats_of_all, gather, natural_order, refuse_unequal, run_entry
from frametime.review.sentence import caveat_of
from frametime.review.sessions import NO_OTHERS, OtherSessions, brought_beside, without_drift
from frametime.statistics.differences import geometric_mean

_ONE_NUMBER = {
    "low_5pct_percentile_fps": "p95_frame_time_ms",
    "low_1pct_percentile_fps": "p99_frame_time_ms",
    "low_0p1pct_percentile_fps": "p99p9_frame_time_ms",
}
"""A low by percentile is the rate of the frame at that percentile: 1000 over its frame time."""


class _Runs:
    """The runs as they count: put together by cell, with how they scatter and which of them stand out."""

    def __init__(self, design: ReviewDesign, runs: Iterable[PlacedRun], others: OtherSessions = NO_OTHERS) -> None:
        self.design, doubled = _without_doubles(design)
        drift = without_drift(self.design, _in_plan_order(design, runs))
        brought = brought_beside(self.design, drift.runs, others)
        self.placed = _in_plan_order(design, [*drift.runs, *brought.runs])
        self.caveats = (*doubled, *drift.caveats, *brought.caveats)
        self.excluded = [run for run in self.placed if run.name in design.exclusions]
        self.sets = gather(run for run in self.placed if run.name not in design.exclusions)
        both = {**drift.shared, **brought.shared}
        shared = {key: drift.shared.get(key, ()) + brought.shared.get(key, ()) for key in both}
        self.share_errors = bool(shared)
        self.metrics = {
            metric.key: MetricMeans(metric, self.design, self.sets.values(), shared) for metric in self.design.metrics
        }
        self.spreads = [table.spreads[card.key] for card in design.cards for table in self.metrics.values()]
        self.flags = runs_to_make.flagged_runs(list(self.sets.values()), self.spreads, self.design)

    def coverage(self, unreadable: Sequence[UnreadableFile]) -> Coverage:
        """What is there and what is missing, by the headline metric where the plan names looks."""
        waiting = runs_to_make.waiting_for_looks(self.metrics[self.design.headline])
        return runs_to_make.coverage_of(self.design, self.placed, self.flags, unreadable, waiting)


def review_runs(
    design: ReviewDesign,
    runs: Iterable[PlacedRun],
    *,
    unreadable: Sequence[UnreadableFile] = (),
    plan: Mapping[str, object] | None = None,
    caveats: Sequence[Caveat] = (),
    others: OtherSessions = NO_OTHERS,
) -> ReviewResult:
    """Compare cards over repeated runs.

    Parameters
    ----------
    design : ReviewDesign
    runs : iterable of PlacedRun
        At places that the design knows; excluded ones as well, so that they are listed.
    unreadable : sequence of UnreadableFile
        Captures that could not be measured.
    plan : mapping, optional
        The plan as resolved, to be kept with the result.
    caveats : sequence of Caveat
        What whoever gathered the runs has to say.
    others : OtherSessions
        Runs of the cards that were measured in other sessions.

    Returns
    -------
    ReviewResult

    Raises
    ------
    RunSetError
        When runs were put together that were not made under the same conditions.
    ValueError
        When a run stands at a place that the design does not know, or two runs have the same name.
    """
    known = _Runs(design, runs, others)
    design, sets, metrics, summaries = known.design, known.sets, known.metrics, _summaries(known)
    comparisons = [
        item
        for table in metrics.values()
        for card in design.candidates
        for item in compare_cells(table, card, summaries)
    ]
    excluded = [(run.name, run.measured.provenance.file_name) for run in known.excluded]
    result = ReviewResult(
        schema_version=SCHEMA_VERSION,
        plan={} if plan is None else plan,
        subject=design.subject or (design.candidates if len(design.cards) == 2 else ()),
        **{entry.name: getattr(design, entry.name) for entry in fields(Entries)},
        runs=tuple(run_entry(run, known.flags, design) for run in known.placed),
        cells=tuple(summaries.values()),
        comparisons=tuple(comparisons),
        **_of_cuts(known, comparisons),
        repeatability=tuple(repeatability_of(spread, margin=design.margin) for spread in known.spreads),
        coverage=known.coverage(unreadable),
        exclusions=tuple(
            Exclusion(run_name=name, file_name=file, reason=design.exclusions[name]) for name, file in excluded
        ),
        unreadable=tuple(unreadable),
        paragraphs={},
        answers={},
        log_means=tuple(
            item
            for key, table in metrics.items()
            # The page would put a choice together without the errors that cells share.
            if key in {design.headline, speed_metric(design)} and not known.share_errors
            for item in log_means(table)
        ),
        caveats=(*caveats, *known.caveats, *caveats_of_all(design, sets, known.placed)),
        methods=methods_of(design),
        versions={"frametime": __version__, "numpy": np.__version__},
    )
    stories = {cut.key: Story(design, result, cut) for cut in design.cuts}
    return replace(
        result,
        paragraphs={key: story.text() for key, story in stories.items()},
        answers={key: story.answers() for key, story in stories.items()},
    )


def _of_cuts(known: _Runs, comparisons: Sequence[CellComparison]) -> dict[str, Any]:
    """What is told of each cut, as fields of the result: its cells, the cards over them, places and costs."""
    design, powered = known.design, powered_sets(known.sets)
    told: dict[str, list[Any]] = {name: [] for name in ("table_cells", "overall", "pairs", "standings")}
    for cut in design.cuts:
        speed = speed_cells(design, cut, known.metrics)
        power = power_cells(design, cut, speed, powered)
        told["table_cells"] += [speed] if power is None else [speed, power]
        for table in known.metrics.values():
            pairs = order_pairs(table, speed)
            told["pairs"] += pairs
            told["standings"] += place_cards(table, speed, pairs)
            told["overall"] += [overall_comparison(table, speed, card, comparisons) for card in design.candidates]
    told["value"] = value_rows(design, told["standings"])
    told["efficiency"] = efficiency_rows(design, powered, told["table_cells"])
    return {name: tuple(found) for name, found in told.items()}


def flags_and_coverage(
    design: ReviewDesign, runs: Iterable[PlacedRun], unreadable: Sequence[UnreadableFile]
) -> tuple[dict[str, Flag], Coverage]:
    """What a review says of single runs and of what is missing, without comparing cards.

    Raises
    ------
    RunSetError
        When runs were put together that were not made under the same conditions.
    """
    known = _Runs(design, runs)
    return known.flags, known.coverage(unreadable)


@dataclass(frozen=True, kw_only=True)
class NewestRun:
    """The newest run of a review that is not complete yet.

    Attributes
    ----------
    run : PlacedRun or UnreadableFile
    flag : Flag or None
        Why it stands out from its cell; ``None`` where it does not, or has too few runs beside it.
    left_out : str or None
        Why the plan excludes it; ``None`` where it counts.
    others_pct : float or None
        Its headline metric against the geometric mean of the other runs of its cell, in percent.
    n_others : int
        How many those are.
    coverage : Coverage
        Of all runs so far.
    next_run : RunToMake or None
        What to make next: on the same card where there is something, in the same cell first.
    """

    run: PlacedRun | UnreadableFile
    flag: Flag | None
    left_out: str | None
    others_pct: float | None
    n_others: int
    coverage: Coverage
    next_run: RunToMake | None


def newest_run(
    design: ReviewDesign,
    runs: Sequence[PlacedRun],
    newest: PlacedRun | UnreadableFile,
    *,
    unreadable: Sequence[UnreadableFile] = (),
    order: Sequence[Step] = (),
) -> NewestRun:
    """Set the newest run beside the others.

    Parameters
    ----------
    design : ReviewDesign
    runs : sequence of PlacedRun
        All that could be measured, the newest as well.
    newest : PlacedRun or UnreadableFile
    unreadable : sequence of UnreadableFile
        Captures that could not be measured.
    order : sequence of Step
        In which runs are made, where the plan says it.

    Raises
    ------
    RunSetError
        When runs were put together that were not made under the same conditions.
    """
    flags, coverage = flags_and_coverage(design, runs, unreadable)
    others_pct, n_others = None, 0
    if isinstance(newest, PlacedRun):
        others = [
            value
            for run in runs
            if run.place == newest.place
            and run.name not in {newest.name, *flags, *design.exclusions}
            and (value := run.value(design.headline)) is not None
        ]
        own, n_others = newest.value(design.headline), len(others)
        if others and own is not None and min([own, *others]) > 0.0:
            others_pct = 100.0 * (own / geometric_mean([math.log(value) for value in others]) - 1.0)
    return NewestRun(
        run=newest,
        flag=flags.get(newest.name) if isinstance(newest, PlacedRun) else None,
        left_out=design.exclusions.get(newest.name) if isinstance(newest, PlacedRun) else None,
        others_pct=others_pct,
        n_others=n_others,
        coverage=coverage,
        next_run=runs_to_make.next_to_make(coverage, newest.place, run=newest.run, order=order),
    )


def _without_doubles(design: ReviewDesign) -> tuple[ReviewDesign, list[Caveat]]:
    """Leave out metrics that are others by another name; of two the headline stays, else the first named."""
    kept: dict[str, MetricEntry] = {}
    for metric in sorted(design.metrics, key=lambda metric: metric.key != design.headline):
        kept.setdefault(_ONE_NUMBER.get(metric.key, metric.key), metric)
    of_each = [(metric, kept[_ONE_NUMBER.get(metric.key, metric.key)]) for metric in design.metrics]
    left_out = [(metric.label, other.label) for metric, other in of_each if metric is not other]
    caveats = [caveat_of("same-number-twice", label=label, other=other) for label, other in left_out]
    return replace(design, metrics=tuple(metric for metric, other in of_each if metric is other)), caveats


def _in_plan_order(design: ReviewDesign, runs: Iterable[PlacedRun]) -> list[PlacedRun]:
    places = {place: at for at, place in enumerate((card.key, *cell) for card in design.cards for cell in design.cells)}
    placed = list(runs)
    unknown = [run.name for run in placed if run.place not in places]
    if unknown:
        raise ValueError(f"runs must stand at places of the design, got {unknown[:3]!r}")
    twice = [name for name, n in Counter(run.name for run in placed).items() if n > 1]
    if twice:
        raise ValueError(f"runs must have names of their own, got {sorted(twice)[:3]!r}")
    return sorted(placed, key=lambda run: (places[run.place], natural_order(run.run)))


def _summaries(known: _Runs) -> dict[Place, CellSummary]:
    """Each card in each cell; a cell whose two sides cannot be compared is refused."""
    design, sets = known.design, known.sets
    for place, run_set in sets.items():
        refuse_unequal(run_set, sets.get((design.baseline, *place[1:]), run_set), must_be_equal=design.must_be_equal)
    n_values = runs_to_make.values_looked_at(list(sets.values()), known.spreads)
    n_sets, summaries = sets_that_can_show_levels(known.spreads), {}
    for place, run_set in sets.items():
        flagged = [{"run": r.run, "why": known.flags[r.name].sentence} for r in run_set.runs if r.name in known.flags]
        is_old = place[0] in design.shelved
        caveats = [caveat_of("run-to-repeat/shelf" if is_old else "run-to-repeat", **of) for of in flagged]
        caveats += cut_short(run_set)
        for run in (run for run in known.excluded if run.place == place):
            caveats += runs_to_make.exclusion_caveats(run, known.spreads, margin=design.margin, n_tests=n_values)
        estimates = {}
        for spread in known.spreads:
            if spread.card == run_set.card:
                key, stand_in = spread.metric, spread.standing_in(place, design.spread)
                values = run_set.values(key)
                estimates[key] = estimate(key, values, level=design.level, stand_in=stand_in, rule=design.spread)
                found = set_caveats(run_set, spread, margin=design.margin, n_tests=n_sets)
                # A flagged run is why its set scatters: that is said.
                caveats += [one for one in found if not flagged or one.code != "scattered-set"]
        summaries[place] = CellSummary(
            **named(place),
            run_names=tuple(run.name for run in run_set.runs),
            estimates=estimates,
            caveats=(*caveats, *carried_caveats(run_set), *recurring_hitches(run_set, n_tests=len(sets))),
        )
    return summaries
