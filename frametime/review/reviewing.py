"""From measured runs to the result: the order in which the parts of a review are put together.

And a review while its runs are being made: what the newest run is worth beside the others, and what comes next.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np

from frametime import __version__
from frametime.caveats import Caveat
from frametime.lab.sessions import Step
from frametime.review.card_repeatability import (
    CardSpread,
    card_spread,
    repeatability_of,
    set_caveats,
    sets_that_can_show_levels,
)
from frametime.review.cell_comparisons import MetricMeans, compare_cells, log_means, metric_means
from frametime.review.cell_summaries import METHODS, carried_caveats, estimate, recurring_hitches
from frametime.review.design import MetricEntry, ReviewDesign
from frametime.review.money_and_power import efficiency_rows, powered_sets, speed_metric, value_rows
from frametime.review.overall import order_pairs, overall_comparison, place_cards, power_cells, speed_cells
from frametime.review.paragraph import Story, methods_of
from frametime.review.result import SCHEMA_VERSION, Coverage, Exclusion, Flag, ReviewResult, RunToMake, UnreadableFile
from frametime.review.result_tables import CellSummary, TableCells
from frametime.review.run_set import (
    Place,
    PlacedRun,
    RunSet,
    condition_caveats,
    gather,
    natural_order,
    refuse_unequal,
    run_entry,
    same_file_caveats,
)
from frametime.review.runs_to_make import (
    coverage_of,
    exclusion_caveats,
    flag_caveats,
    flagged_runs,
    next_to_make,
    values_looked_at,
    waiting_for_looks,
)
from frametime.review.sentence import caveat_of
from frametime.review.sessions import OtherSessions, Shared, brought_beside, without_drift

_ONE_NUMBER = {
    "low_5pct_percentile_fps": "p95_frame_time_ms",
    "low_1pct_percentile_fps": "p99_frame_time_ms",
    "low_0p1pct_percentile_fps": "p99p9_frame_time_ms",
}
"""A low by percentile is the rate of the frame at that percentile: 1000 over its frame time."""


@dataclass(frozen=True, kw_only=True)
class _Runs:
    """The runs as they count: put together by cell, with how they scatter and which of them stand out."""

    design: ReviewDesign
    placed: tuple[PlacedRun, ...]
    shared: Shared
    caveats: tuple[Caveat, ...]
    sets: Mapping[Place, RunSet]
    spreads: Mapping[tuple[str, str], CardSpread]
    flags: Mapping[str, Flag]

    def means(self, metric: MetricEntry) -> MetricMeans:
        """The mean of a metric in every cell of every card."""
        return metric_means(metric, self.design, self.spreads, self.shared)


def review_runs(
    design: ReviewDesign,
    runs: Iterable[PlacedRun],
    *,
    unreadable: Sequence[UnreadableFile] = (),
    plan: Mapping[str, object] | None = None,
    caveats: Sequence[Caveat] = (),
    others: OtherSessions = OtherSessions(),  # noqa: B008  # it cannot be changed
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
    known = _runs_of(design, runs, others)
    design, placed, sets = known.design, known.placed, known.sets
    summaries, metrics = _summaries(known), {metric.key: known.means(metric) for metric in known.design.metrics}
    comparisons = [
        item
        for table in metrics.values()
        for card in design.candidates
        for item in compare_cells(table, card, design, summaries)
    ]
    powered = powered_sets(sets)
    table_cells = _table_cells(design, metrics, powered)
    cut_metrics = [(cells, table) for cells in table_cells if cells.kind == "speed" for table in metrics.values()]
    pairs = [order_pairs(table, design, cells) for cells, table in cut_metrics]
    standings = [
        standing
        for (cells, table), of_table in zip(cut_metrics, pairs, strict=True)
        for standing in place_cards(table, design, cells, of_table)
    ]
    scenes = {scene.key: scene.label for scene in design.scenes}
    labels = {card.key: card.label for card in design.cards}
    result = ReviewResult(
        schema_version=SCHEMA_VERSION,
        title=design.title,
        plan={} if plan is None else plan,
        margin=design.margin,
        baseline=design.baseline,
        headline=design.headline,
        subject=design.subject or (design.candidates if len(design.cards) == 2 else ()),
        cards=design.cards,
        scenes=design.scenes,
        resolutions=design.resolutions,
        cuts=design.cuts,
        metrics=design.metrics,
        runs=tuple(run_entry(run, known.flags, design.exclusions) for run in placed),
        cells=tuple(summaries.values()),
        table_cells=tuple(table_cells),
        comparisons=tuple(comparisons),
        overall=tuple(
            overall_comparison(design, table, cells, card, comparisons)
            for cells, table in cut_metrics
            for card in design.candidates
        ),
        pairs=tuple(chain.from_iterable(pairs)),
        standings=tuple(standings),
        value=tuple(value_rows(design, standings)),
        efficiency=tuple(efficiency_rows(design, powered, table_cells)),
        repeatability=tuple(
            repeatability_of(spread, list(sets.values()), margin=design.margin, scenes=scenes)
            for spread in known.spreads.values()
        ),
        coverage=coverage_of(
            design, placed, known.flags, unreadable, waiting_for_looks(design, metrics[design.headline])
        ),
        exclusions=tuple(
            Exclusion(
                run_name=run.name, file_name=run.measured.provenance.file_name, reason=design.exclusions[run.name]
            )
            for run in placed
            if run.name in design.exclusions
        ),
        unreadable=tuple(unreadable),
        paragraphs={},
        answers={},
        sample_unit=design.sample_unit,
        log_means=tuple(
            item
            for key, table in metrics.items()
            # The page would put a choice together without the errors that cells share.
            if key in {design.headline, speed_metric(design)} and not known.shared
            for item in log_means(table)
        ),
        caveats=(
            *caveats,
            *known.caveats,
            *condition_caveats(sets, must_be_equal=design.must_be_equal, labels=labels),
            *same_file_caveats(placed),
        ),
        methods=methods_of(design),
        versions={"frametime": __version__, "numpy": np.__version__},
    )
    stories = {cut.key: Story(design, result, cut) for cut in design.cuts}
    return replace(
        result,
        paragraphs={key: story.text() for key, story in stories.items()},
        answers={key: story.answers() for key, story in stories.items()},
    )


def flags_and_coverage(
    design: ReviewDesign, runs: Iterable[PlacedRun], unreadable: Sequence[UnreadableFile]
) -> tuple[dict[str, Flag], Coverage]:
    """What a review says of single runs and of what is missing, without comparing cards.

    Raises
    ------
    RunSetError
        When runs were put together that were not made under the same conditions.
    """
    known = _runs_of(design, runs)
    waiting = waiting_for_looks(known.design, known.means(known.design.metric(design.headline)))
    return dict(known.flags), coverage_of(known.design, known.placed, known.flags, unreadable, waiting)


@dataclass(frozen=True, kw_only=True)
class NewestRun:
    """The newest run of a review that is not complete yet.

    Attributes
    ----------
    run : PlacedRun or UnreadableFile
    flag : Flag or None
        Why it stands out from its cell; ``None`` where it does not, or has too few runs beside it.
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
    place = (newest.card, newest.scene, newest.resolution)
    others_pct, n_others = None, 0
    if isinstance(newest, PlacedRun):
        others = [
            value
            for run in runs
            if run.place == place
            and run.name not in {newest.name, *flags, *design.exclusions}
            and (value := run.value(design.headline)) is not None
        ]
        own, n_others = newest.value(design.headline), len(others)
        if others and own is not None and min([own, *others]) > 0.0:
            others_pct = 100.0 * (own / math.exp(math.fsum(map(math.log, others)) / len(others)) - 1.0)
    return NewestRun(
        run=newest,
        flag=flags.get(newest.name) if isinstance(newest, PlacedRun) else None,
        others_pct=others_pct,
        n_others=n_others,
        coverage=coverage,
        next_run=next_to_make(coverage, place, run=newest.run, order=order),
    )


def _runs_of(
    design: ReviewDesign,
    runs: Iterable[PlacedRun],
    others: OtherSessions = OtherSessions(),  # noqa: B008
) -> _Runs:
    design, doubled = _without_doubles(design)
    drift = without_drift(design, _in_plan_order(design, runs))
    brought = brought_beside(design, drift.runs, others)
    placed = _in_plan_order(design, [*drift.runs, *brought.runs])
    sets = gather(run for run in placed if run.name not in design.exclusions)
    members = list(sets.values())
    spreads = {
        (card.key, metric.key): card_spread(card.key, metric.key, members, label=metric.label)
        for card in design.cards
        for metric in design.metrics
    }
    return _Runs(
        design=design,
        placed=tuple(placed),
        shared={
            key: drift.shared.get(key, ()) + brought.shared.get(key, ()) for key in {**drift.shared, **brought.shared}
        },
        caveats=(*doubled, *drift.caveats, *brought.caveats),
        sets=sets,
        spreads=spreads,
        flags=flagged_runs(members, spreads, margin=design.margin),
    )


def _without_doubles(design: ReviewDesign) -> tuple[ReviewDesign, list[Caveat]]:
    """Leave out metrics that are others by another name; of two the headline stays, else the first named."""
    kept: dict[str, MetricEntry] = {}
    caveats = []
    for metric in sorted(design.metrics, key=lambda metric: metric.key != design.headline):
        number = _ONE_NUMBER.get(metric.key, metric.key)
        if number in kept:
            caveats.append(caveat_of("same-number-twice", label=metric.label, other=kept[number].label))
        else:
            kept[number] = metric
    metrics = tuple(metric for metric in design.metrics if metric in kept.values())
    return replace(design, metrics=metrics), caveats


def _in_plan_order(design: ReviewDesign, runs: Iterable[PlacedRun]) -> list[PlacedRun]:
    places = {
        (card.key, *cell): at for at, (card, cell) in enumerate((k, c) for k in design.cards for c in design.cells)
    }
    placed = list(runs)
    unknown = [run.name for run in placed if run.place not in places]
    if unknown:
        raise ValueError(f"runs must stand at places of the design, got {unknown[:3]!r}")
    names = [run.name for run in placed]
    if len(set(names)) < len(names):
        raise ValueError(
            f"runs must have names of their own, got {sorted({n for n in names if names.count(n) > 1})[:3]!r}"
        )
    return sorted(placed, key=lambda run: (places[run.place], natural_order(run.run)))


def _summaries(known: _Runs) -> dict[Place, CellSummary]:
    """Each card in each cell; a cell whose two sides cannot be compared is refused."""
    design, sets, spreads = known.design, known.sets, known.spreads
    for (card, *cell), run_set in sets.items():
        base = sets.get((design.baseline, cell[0], cell[1]))
        if card != design.baseline and base is not None:
            refuse_unequal(run_set, base, must_be_equal=design.must_be_equal)
    excluded = [run for run in known.placed if run.name in design.exclusions]
    n_values, n_sets = values_looked_at(list(sets.values()), spreads), sets_that_can_show_levels(spreads)
    method, summaries = METHODS[design.spread], {}
    for place, run_set in sets.items():
        estimates = {}
        for key in (metric.key for metric in design.metrics):
            stand_in = spreads[run_set.card, key].standing_in(place, design.spread)
            estimates[key] = estimate(key, run_set.values(key), level=design.level, stand_in=stand_in, method=method)
        summaries[place] = CellSummary(
            card=run_set.card,
            scene=run_set.scene,
            resolution=run_set.resolution,
            run_names=tuple(run.name for run in run_set.runs),
            estimates=estimates,
            caveats=(
                *flag_caveats(run_set, known.flags),
                *exclusion_caveats(run_set, excluded, spreads, margin=design.margin, n_tests=n_values),
                *set_caveats(run_set, spreads, margin=design.margin, n_tests=n_sets),
                *carried_caveats(run_set),
                *recurring_hitches(run_set),
            ),
        )
    return summaries


def _table_cells(
    design: ReviewDesign, metrics: Mapping[str, MetricMeans], powered: Mapping[Place, RunSet]
) -> list[TableCells]:
    found: list[TableCells | None] = []
    for cut in design.cuts:
        speed = speed_cells(design, cut, metrics)
        found += [speed, power_cells(design, cut, speed, powered)]
    return [cells for cells in found if cells is not None]
