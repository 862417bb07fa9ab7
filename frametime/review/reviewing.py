"""From measured runs to the result: the order in which the parts of a review are put together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from frametime.caveats import Caveat, Weight
from frametime.review.cells import MetricMeans, compare_cells, metric_means
from frametime.review.comparison import Decision
from frametime.review.coverage import coverage_of
from frametime.review.design import ReviewDesign
from frametime.review.efficiency import efficiency_rows
from frametime.review.flags import CardSpread, card_spread, flagged_runs, repeatability_of, set_caveats
from frametime.review.methods import methods_of
from frametime.review.overall import (
    SCENES_LIKE_THESE,
    THESE_SCENES,
    count_verdicts,
    pair_caveats,
    pair_cells,
)
from frametime.review.result import (
    SCHEMA_VERSION,
    CellComparison,
    CellSummary,
    CutEntry,
    Exclusion,
    Flag,
    OverallComparison,
    PairOrder,
    ReviewResult,
    RunEntry,
    Standing,
    UnreadableFile,
    ValueRow,
)
from frametime.review.run_set import (
    Place,
    PlacedRun,
    RunSet,
    condition_caveats,
    gather,
    natural_order,
    refuse_unequal,
)
from frametime.review.sentence import overall_sentence, paragraph
from frametime.review.standings import order_pairs, place_cards
from frametime.review.summary import carried_caveats, set_estimates
from frametime.review.value import speed_metric, value_rows
from frametime.version import __version__

_UNDECIDED = Decision(verdict="undecided", real_but_small=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tables:
    """Everything that is computed once and read by many parts."""

    sets: Mapping[Place, RunSet]
    spreads: Mapping[tuple[str, str], CardSpread]
    flags: Mapping[str, Flag]
    summaries: Mapping[Place, CellSummary]
    metrics: Mapping[str, MetricMeans]


def review_runs(
    design: ReviewDesign,
    runs: Iterable[PlacedRun],
    *,
    unreadable: Sequence[UnreadableFile] = (),
    plan: Mapping[str, object] | None = None,
    caveats: Sequence[Caveat] = (),
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
    placed = _in_plan_order(design, runs)
    tables = _tables(design, [run for run in placed if run.name not in design.exclusions])
    comparisons = [
        item
        for table in tables.metrics.values()
        for card in design.candidates
        for item in compare_cells(table, card, design, tables.summaries)
    ]
    overall, pairs, standings = _over_cuts(design, tables, comparisons)
    value = _value(design, standings)
    return ReviewResult(
        schema_version=SCHEMA_VERSION,
        title=design.title,
        plan={} if plan is None else plan,
        margin=design.margin,
        baseline=design.baseline,
        headline=design.headline,
        cards=design.cards,
        scenes=design.scenes,
        resolutions=design.resolutions,
        cuts=design.cuts,
        metrics=design.metrics,
        runs=tuple(_run_entry(run, tables.flags, design.exclusions) for run in placed),
        cells=tuple(tables.summaries.values()),
        comparisons=tuple(comparisons),
        overall=tuple(overall),
        pairs=tuple(pairs),
        standings=tuple(standings),
        value=tuple(value),
        efficiency=tuple(efficiency_rows(design, tables.sets)),
        repeatability=tuple(
            repeatability_of(spread, list(tables.sets.values()), margin=design.margin)
            for spread in tables.spreads.values()
        ),
        coverage=coverage_of(design, placed, tables.flags, unreadable),
        exclusions=tuple(
            Exclusion(
                run_name=run.name,
                file_name=run.measured.provenance.file_name,
                reason=design.exclusions[run.name],
            )
            for run in placed
            if run.name in design.exclusions
        ),
        unreadable=tuple(unreadable),
        paragraphs=_paragraphs(design, overall, standings, value, comparisons),
        caveats=(
            *caveats,
            *condition_caveats(tables.sets, must_be_equal=design.must_be_equal),
            *_same_file(placed),
        ),
        methods=methods_of(design),
        versions=_versions(),
    )


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


def _tables(design: ReviewDesign, counted: Sequence[PlacedRun]) -> _Tables:
    sets = gather(counted)
    for (card, scene, resolution), run_set in sets.items():
        base = sets.get((design.baseline, scene, resolution))
        if card != design.baseline and base is not None:
            refuse_unequal(run_set, base, must_be_equal=design.must_be_equal)
    members = list(sets.values())
    spreads = {
        (card.key, metric.key): card_spread(card.key, metric.key, members, label=metric.label)
        for card in design.cards
        for metric in design.metrics
    }
    flags = flagged_runs(members, spreads, margin=design.margin)
    summaries = {place: _summary(design, run_set, spreads, flags) for place, run_set in sets.items()}
    return _Tables(
        sets=sets,
        spreads=spreads,
        flags=flags,
        summaries=summaries,
        metrics={metric.key: metric_means(metric, design, spreads) for metric in design.metrics},
    )


def _summary(
    design: ReviewDesign,
    run_set: RunSet,
    spreads: Mapping[tuple[str, str], CardSpread],
    flags: Mapping[str, Flag],
) -> CellSummary:
    keys = [metric.key for metric in design.metrics]
    pooled = {
        key: spreads[run_set.card, key].pooled_for(run_set.place) if design.spread == "pooled" else None for key in keys
    }
    flagged = tuple(
        Caveat(
            code="run-to-repeat",
            message=f"Run {run.run} should be made again, and counts until then: {flags[run.name].sentence}",
            weight=Weight.REPEAT,
        )
        for run in run_set.runs
        if run.name in flags
    )
    return CellSummary(
        card=run_set.card,
        scene=run_set.scene,
        resolution=run_set.resolution,
        run_names=tuple(run.name for run in run_set.runs),
        estimates=set_estimates(run_set, keys, level=design.level, pooled=pooled),
        caveats=(
            *flagged,
            *set_caveats(run_set, spreads, margin=design.margin),
            *carried_caveats(run_set),
        ),
    )


def _over_cuts(
    design: ReviewDesign, tables: _Tables, comparisons: Sequence[CellComparison]
) -> tuple[list[OverallComparison], list[PairOrder], list[Standing]]:
    overall: list[OverallComparison] = []
    pairs: list[PairOrder] = []
    standings: list[Standing] = []
    for cut in design.cuts:
        for table in tables.metrics.values():
            overall += [_overall(design, table, cut, card, comparisons) for card in design.candidates]
            found = order_pairs(table, design, cut)
            pairs += found
            standings += place_cards(table, design, cut, found)
    return overall, pairs, standings


def _overall(
    design: ReviewDesign,
    table: MetricMeans,
    cut: CutEntry,
    candidate: str,
    comparisons: Sequence[CellComparison],
) -> OverallComparison:
    key = table.metric.key
    paired = pair_cells(table, candidate, design.baseline, cut.cells, sample_unit=design.sample_unit)
    counts = count_verdicts([c for c in comparisons if c.metric == key and c.candidate == candidate], cut.cells)
    these, like_these = paired.these, paired.like_these
    decision = _UNDECIDED if these is None else table.decided(these, design.margin)
    decision_like = _UNDECIDED if like_these is None else table.decided(like_these, design.margin)
    n_units = paired.n_scenes if design.sample_unit == "scene" else len(paired.cells)
    return OverallComparison(
        cut=cut.key,
        metric=key,
        candidate=candidate,
        baseline=design.baseline,
        ratio=None if these is None else math.exp(these.value),
        interval_these_scenes=None
        if these is None
        else these.ratio_interval(0.95, THESE_SCENES.format(n=len(paired.cells))),
        interval_scenes_like_these=None
        if like_these is None
        else like_these.ratio_interval(0.95, SCENES_LIKE_THESE.format(n=n_units, unit=design.sample_unit)),
        n_cells=len(paired.cells),
        n_scenes=paired.n_scenes,
        counts=counts,
        missing=paired.missing,
        verdict=decision.verdict,
        verdict_scenes_like_these=decision_like.verdict,
        real_but_small=decision.real_but_small,
        sentence=overall_sentence(
            design,
            table.metric,
            candidate,
            paired,
            verdict=decision.verdict,
            verdict_like_these=decision_like.verdict,
            real_but_small=decision.real_but_small,
            counts=counts,
        ),
        caveats=(
            *pair_caveats(paired, key, design),
            *_carried(design, _cell_caveats(comparisons, key, candidate, cut)),
        ),
    )


def _cell_caveats(
    comparisons: Sequence[CellComparison], metric: str, candidate: str, cut: CutEntry
) -> list[tuple[CellComparison, Caveat]]:
    cells = set(cut.cells)
    return [
        (item, caveat)
        for item in comparisons
        if item.metric == metric and item.candidate == candidate and (item.scene, item.resolution) in cells
        for caveat in item.caveats
    ]


def _carried(design: ReviewDesign, found: Sequence[tuple[CellComparison, Caveat]]) -> tuple[Caveat, ...]:
    """One caveat for each kind, naming the cells: the details stand with the cells."""
    labels = {scene.key: scene.label for scene in design.scenes}
    by_code: dict[str, list[tuple[CellComparison, Caveat]]] = {}
    for item in found:
        by_code.setdefault(item[1].code, []).append(item)
    carried = []
    for code, members in by_code.items():
        cells = list(dict.fromkeys(f"{labels[item.scene]} at {item.resolution}" for item, _ in members))
        shown = ", ".join(cells[:4]) + (f" and {len(cells) - 4} more" if len(cells) > 4 else "")
        carried.append(
            Caveat(
                code=code,
                message=f"In {len(cells)} cell{'s' if len(cells) != 1 else ''} ({shown}). {members[0][1].message}",
                weight=max((caveat.weight for _, caveat in members), key=list(Weight).index),
                metrics=members[0][1].metrics,
            )
        )
    return tuple(carried)


def _value(design: ReviewDesign, standings: Sequence[Standing]) -> list[ValueRow]:
    speed = speed_metric(design, {metric.key: metric.unit for metric in design.metrics})
    if speed is None or not any(card.price for card in design.cards):
        return []
    return value_rows(design, [item for item in standings if item.metric == speed])


def _paragraphs(
    design: ReviewDesign,
    overall: Sequence[OverallComparison],
    standings: Sequence[Standing],
    value: Sequence[ValueRow],
    comparisons: Sequence[CellComparison],
) -> dict[str, str]:
    return {
        cut.key: paragraph(
            design,
            cut,
            overall=[item for item in overall if item.cut == cut.key and item.metric == design.headline],
            standings=[item for item in standings if item.cut == cut.key and item.metric == design.headline],
            value=[item for item in value if item.cut == cut.key],
            comparisons=[
                item
                for item in comparisons
                if item.metric == design.headline and (item.scene, item.resolution) in set(cut.cells)
            ],
        )
        for cut in design.cuts
    }


def _run_entry(run: PlacedRun, flags: Mapping[str, Flag], exclusions: Mapping[str, str]) -> RunEntry:
    measured = run.measured
    return RunEntry(
        name=run.name,
        card=run.card,
        scene=run.scene,
        resolution=run.resolution,
        run=run.run,
        provenance=measured.provenance,
        n_frames=measured.n_frames,
        duration_s=measured.duration_s,
        values={key: item.value for key, item in measured.values.items()},
        missing_reasons={key: item.reason for key, item in measured.values.items() if item.reason is not None},
        flag=flags.get(run.name),
        excluded_reason=exclusions.get(run.name),
        judgement=measured.judgement.word,
        judgement_reasons=measured.judgement.reasons,
        caveats=measured.caveats,
        findings=measured.findings,
        curves=measured.curves,
    )


def _same_file(runs: Sequence[PlacedRun]) -> list[Caveat]:
    """The same bytes under two names: a copied file makes runs look more alike than they are."""
    by_hash: dict[str, list[str]] = {}
    for run in runs:
        by_hash.setdefault(run.measured.provenance.sha256, []).append(run.name)
    return [
        Caveat(
            code="same-file-twice",
            message=f"The runs {' and '.join(names)} hold the same bytes: one of them is a copy.",
            weight=Weight.REPEAT,
        )
        for names in by_hash.values()
        if len(names) > 1
    ]


def _versions() -> dict[str, str]:
    import numpy as np

    return {"frametime": __version__, "numpy": np.__version__}
