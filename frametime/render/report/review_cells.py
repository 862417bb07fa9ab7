"""Cell by cell: candidate against baseline, and every card's own numbers."""

from __future__ import annotations

import math
from typing import Final

from frametime.render.report.document import Block, Cell, Column, Paragraph, Row, Section, Table
from frametime.render.report.document_parts import (
    VERDICT_MARKS,
    NoteList,
    bare,
    cell,
    change,
    change_range,
    choices,
    count,
    estimate_line,
    numbers,
    reach_words,
    strip,
    strip_cell,
    strip_reach,
)
from frametime.render.report.review_verdict import ReviewWords, first_reason
from frametime.render.review_words import MAY_BE_CHANCE
from frametime.review.design import MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, CellSummary

DIFFERENCE_HEADING: Final = "Difference, 95\N{NO-BREAK SPACE}% interval"


def cells_section(result: ReviewResult) -> Section:
    """Comparisons by the headline metric open, those by the others folded, then every card in every cell."""
    words = ReviewWords(result)
    ordered = sorted(result.metrics, key=lambda entry: not entry.is_headline)
    counts = _run_counts(result, result.headline)
    tables = [
        _comparison_table(
            result, words, entry, with_counts=entry.is_headline or _run_counts(result, entry.key) != counts
        )
        for entry in ordered
    ]
    blocks: list[Block] = [
        Paragraph(
            content=(
                "A cell is one scene at one resolution. Of many cells some come out ahead or behind by chance alone:"
                f" where '{MAY_BE_CHANCE}' says yes, the verdict is not sure enough to be named among so many cells,"
                " though it counts toward the whole (see Methods, Claims of single cells).",
            )
        ),
        *(table for table in tables if table.rows),
    ]
    return Section(
        key="cells",
        heading="Cell by cell",
        blocks=tuple(blocks),
        sections=(
            Section(key="cards-in-cells", heading="Every card in every cell", blocks=(_estimate_table(result, words),)),
        ),
    )


def _run_counts(result: ReviewResult, metric: str) -> dict[tuple[str, str, str], tuple[int, int]]:
    """Runs of the candidate and of the baseline in each cell."""
    return {
        (item.candidate, item.scene, item.resolution): (item.candidate_n_runs, item.baseline_n_runs)
        for item in result.comparisons
        if item.metric == metric
    }


def _comparison_table(result: ReviewResult, words: ReviewWords, metric: MetricEntry, *, with_counts: bool) -> Table:
    """One metric in every cell; the runs are not counted again where they are those of the headline metric."""
    notes = NoteList()
    chosen = [(number, item) for number, item in enumerate(result.comparisons) if item.metric == metric.key]
    reach = _reach([item for _, item in chosen], result.margin)
    with_picture = metric.is_headline
    rows = tuple(
        Row(
            cells=(
                *_comparison_cells(words, item, notes, result.margin, reach if with_picture else None),
                *(_count_cells(item) if with_counts else ()),
            ),
            origin=f"comparisons/{number}",
        )
        for number, item in chosen
    )
    unit = words.metric_heading(metric.key)
    picture = [Column(heading=reach_words(reach))] if with_picture else []
    difference = (
        [Column(heading=DIFFERENCE_HEADING, kind="number")]
        if with_picture
        else [Column(heading="Difference", kind="number"), Column(heading="95 % interval", kind="range")]
    )
    counts = ("Runs", "Baseline runs") if with_counts else ()
    return Table(
        key=f"cells-{result.metrics.index(metric) + 1}",
        caption=(
            f"{unit}: difference to the baseline {words.baseline} in each cell; {words.difference_hint(metric.key)}."
        ),
        columns=(
            *choices("Scene", "Resolution", "Card"),
            *numbers("Value", "Baseline"),
            *difference,
            *picture,
            *choices("Verdict", MAY_BE_CHANCE.capitalize()),
            Column(heading="p (Holm)", kind="number"),
            *(Column(heading=heading, kind="number") for heading in counts),
        ),
        rows=rows,
        notes=notes.notes,
        is_long=True,
        folded_as=None if with_picture else f"{metric.label}, cell by cell ({len(rows)} rows)",
    )


def _reach(items: list[CellComparison], margin: float) -> float:
    """Scale that holds every ratio and nine in ten of the interval ends: one wild cell must not flatten the rest."""
    ends = sorted(
        abs(math.log(bound))
        for item in items
        if item.interval_95
        for bound in (item.interval_95.low, item.interval_95.high)
        if bound > 0.0
    )
    widest = math.exp(ends[int(0.9 * (len(ends) - 1))]) if ends else None
    return strip_reach([widest, *(item.ratio for item in items)], margin=margin)


def _comparison_cells(
    words: ReviewWords, item: CellComparison, notes: NoteList, margin: float, reach: float | None
) -> tuple[Cell, ...]:
    reason = first_reason(item.caveats, "one side has no usable run here")
    interval = item.interval_95
    ratio = change(item.ratio, "ratio", reason=reason)
    interval_text = change_range(interval, "interval_95", reason=reason)
    difference: tuple[Cell, ...] = (notes.cell(ratio), notes.cell(interval_text))
    if reach is not None:
        # Beside a picture the two share a cell: apart they push the last columns out of a usual window.
        parts = (ratio,) if item.ratio is None else (ratio, interval_text)
        difference = (notes.cell(*parts),)
    picture: tuple[Cell, ...] = ()
    if reach is not None:
        tone = VERDICT_MARKS[item.verdict].tone
        picture = (strip_cell(strip(item.ratio, interval, tone, reach=reach, margin=margin)),)
    return (
        cell(words.scenes[item.scene], notes=notes.of(item.caveats)),
        cell(item.resolution),
        cell(words.cards[item.candidate]),
        notes.cell(bare(item.candidate_value, "candidate_value", reason=reason)),
        notes.cell(bare(item.baseline_value, "baseline_value", reason=reason)),
        *difference,
        *picture,
        _verdict_cell(item),
        cell({True: "no", False: "yes", None: "\N{EN DASH}"}[item.stands_after_holm]),
        notes.cell(bare(item.holm_p_value, "holm_p_value", digits=2, reason=reason)),
    )


def _count_cells(item: CellComparison) -> tuple[Cell, ...]:
    return (
        cell(count(item.candidate_n_runs, "candidate_n_runs")),
        cell(count(item.baseline_n_runs, "baseline_n_runs")),
    )


def _verdict_cell(item: CellComparison) -> Cell:
    verdict = VERDICT_MARKS[item.verdict]
    if item.runs_needed is not None:
        return cell(
            verdict, " about ", count(item.runs_needed, "runs_needed"), " runs each would decide", sort=item.verdict
        )
    if item.at_margin:
        return cell(verdict, " at the margin: more runs would not decide", sort=item.verdict)
    if item.real_but_small:
        return cell(verdict, " real but smaller than the margin", sort=item.verdict)
    return cell(verdict, sort=item.verdict)


def _estimate_table(result: ReviewResult, words: ReviewWords) -> Table:
    notes = NoteList()
    rows = tuple(
        Row(cells=_estimate_cells(result, words, summary, notes), origin=f"cells/{number}")
        for number, summary in enumerate(result.cells)
    )
    return Table(
        key="estimates",
        caption="Each card in each cell: the metric over the runs that count, and under it the 95 % interval.",
        columns=(
            *choices("Scene", "Resolution", "Card"),
            Column(heading="Runs", kind="number"),
            *(Column(heading=_estimate_heading(words, entry), kind="number") for entry in result.metrics),
        ),
        rows=rows,
        notes=notes.notes,
        is_long=True,
    )


def _estimate_heading(words: ReviewWords, entry: MetricEntry) -> str:
    return f"{words.metric_heading(entry.key)}, {words.better(entry.key)}"


def _estimate_cells(
    result: ReviewResult, words: ReviewWords, summary: CellSummary, notes: NoteList
) -> tuple[Cell, ...]:
    cells = [
        cell(words.scenes[summary.scene], notes=notes.of(summary.caveats)),
        cell(summary.resolution),
        cell(words.cards[summary.card]),
        cell(str(len(summary.run_names)), sort=float(len(summary.run_names))),
    ]
    for entry in result.metrics:
        estimate = summary.estimates.get(entry.key)
        if estimate is None:
            cells.append(cell("\N{EN DASH}"))
            continue
        reason = first_reason(estimate.caveats, "no run has this value")
        line = estimate_line(estimate.value, estimate.interval, f"estimates/{entry.key}", reason=reason)
        marks = (*notes.of(estimate.caveats), *notes.why(*line)) if estimate.caveats else notes.why(*line)
        cells.append(Cell(content=line, sort=estimate.value, notes=tuple(dict.fromkeys(marks))))
    return tuple(cells)
