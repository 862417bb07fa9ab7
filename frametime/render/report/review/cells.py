"""Cell by cell: candidate against baseline, and every card's own numbers."""

from __future__ import annotations

import math
from typing import Final

from frametime.render.report.document import Block, Cell, Column, Paragraph, Row, Section, Strip, Table
from frametime.render.report.parts import (
    VERDICT_MARKS,
    NoteList,
    bare,
    cell,
    change,
    change_range,
    count,
    estimate_line,
)
from frametime.render.report.review.verdict import REACHES
from frametime.render.report.review.words import Words, first_reason
from frametime.render.review_words import MAY_BE_CHANCE
from frametime.review.design import MetricEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, CellSummary

DIFFERENCE_HEADING: Final = "Difference, 95\N{NO-BREAK SPACE}% interval"


def cells_section(result: ReviewResult) -> Section:
    """Comparisons by the headline metric open, those by the others folded, then every card in every cell."""
    words = Words(result)
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


def _comparison_table(result: ReviewResult, words: Words, metric: MetricEntry, *, with_counts: bool) -> Table:
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
    picture = [Column(heading=_scale(reach))] if with_picture else []
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
            Column(heading="Scene", is_choice=True),
            Column(heading="Resolution", is_choice=True),
            Column(heading="Card", is_choice=True),
            Column(heading="Value", kind="number"),
            Column(heading="Baseline", kind="number"),
            *difference,
            *picture,
            Column(heading="Verdict", is_choice=True),
            Column(heading=MAY_BE_CHANCE.capitalize(), is_choice=True),
            Column(heading="p (Holm)", kind="number"),
            *(Column(heading=heading, kind="number") for heading in counts),
        ),
        rows=rows,
        notes=notes.notes,
        is_long=True,
        folded_as=None if with_picture else f"{metric.label}, cell by cell ({len(rows)} rows)",
    )


def _scale(reach: float) -> str:
    words = f"\N{MINUS SIGN}{(1.0 - 1.0 / reach) * 100.0:.0f} % to +{(reach - 1.0) * 100.0:.0f} %"
    return words.replace(" %", "\N{NO-BREAK SPACE}%")


def _reach(items: list[CellComparison], margin: float) -> float:
    """Scale that holds every ratio and nine in ten of the interval ends: one wild cell must not flatten the rest."""
    ends = sorted(
        abs(math.log(bound))
        for item in items
        if item.interval_95
        for bound in (item.interval_95.low, item.interval_95.high)
        if bound > 0.0
    )
    values = [abs(math.log(item.ratio)) for item in items if item.ratio]
    widest = max([2.0 * math.log1p(margin), *values, ends[int(0.9 * (len(ends) - 1))] if ends else 0.0])
    return next((reach for reach in REACHES if math.log(reach) >= widest), REACHES[-1])


def _comparison_cells(
    words: Words, item: CellComparison, notes: NoteList, margin: float, reach: float | None
) -> tuple[Cell, ...]:
    reason = first_reason(item.caveats, "one side has no usable run here")
    interval = item.interval_95
    ratio = change(item.ratio, "ratio", reason=reason)
    interval_text = change_range(interval, "interval_95", reason=reason)
    candidate = bare(item.candidate_value, "candidate_value", reason=reason)
    baseline = bare(item.baseline_value, "baseline_value", reason=reason)
    holm = bare(item.holm_p_value, "holm_p_value", digits=2, reason=reason)
    difference: tuple[Cell, ...] = (
        cell(ratio, notes=notes.why(ratio)),
        cell(interval_text, notes=notes.why(interval_text)),
    )
    if reach is not None:
        # Beside a picture the two share a cell: apart they push the last columns out of a usual window.
        parts = (ratio,) if item.ratio is None else (ratio, interval_text)
        difference = (cell(*parts, notes=notes.why(*parts)),)
    picture: tuple[Cell, ...] = ()
    if reach is not None:
        shape = None
        if item.ratio is not None and interval and interval.low > 0.0:
            tone = VERDICT_MARKS[item.verdict].tone
            shape = Strip(value=item.ratio, low=interval.low, high=interval.high, margin=margin, reach=reach, tone=tone)
        picture = (Cell(content=(shape,) if shape else ("\N{EN DASH}",)),)
    return (
        cell(words.scenes[item.scene], notes=notes.of(item.caveats)),
        cell(item.resolution),
        cell(words.cards[item.candidate]),
        cell(candidate, notes=notes.why(candidate)),
        cell(baseline, notes=notes.why(baseline)),
        *difference,
        *picture,
        _verdict_cell(item),
        cell({True: "no", False: "yes", None: "\N{EN DASH}"}[item.stands_after_holm]),
        cell(holm, notes=notes.why(holm)),
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


def _estimate_table(result: ReviewResult, words: Words) -> Table:
    notes = NoteList()
    rows = tuple(
        Row(cells=_estimate_cells(result, words, summary, notes), origin=f"cells/{number}")
        for number, summary in enumerate(result.cells)
    )
    return Table(
        key="estimates",
        caption="Each card in each cell: the metric over the runs that count, and under it the 95 % interval.",
        columns=(
            Column(heading="Scene", is_choice=True),
            Column(heading="Resolution", is_choice=True),
            Column(heading="Card", is_choice=True),
            Column(heading="Runs", kind="number"),
            *(Column(heading=_estimate_heading(words, entry), kind="number") for entry in result.metrics),
        ),
        rows=rows,
        notes=notes.notes,
        is_long=True,
    )


def _estimate_heading(words: Words, entry: MetricEntry) -> str:
    return f"{words.metric_heading(entry.key)}, {words.better(entry.key)}"


def _estimate_cells(result: ReviewResult, words: Words, summary: CellSummary, notes: NoteList) -> tuple[Cell, ...]:
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
