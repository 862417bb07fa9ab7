"""How well runs repeat, which ones stand out, what to make again, and every run with its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from frametime.render.report.document import Block, Cell, Code, Column, Inline, Paragraph, Row, Section, Table
from frametime.render.report.document_parts import NoteList, bare, cell, choices, code_cell, count, mark, numbers, texts
from frametime.render.report.review_verdict import ReviewWords, first_reason
from frametime.render.review_words import coverage_words
from frametime.review.card_repeatability import OUTLIER_STORY
from frametime.review.design import MetricEntry
from frametime.review.result import GrubbsOutcome, Repeatability, ReviewResult, RunEntry
from frametime.words import counted

_MOST_RUN_METRICS: Final = 6
"""Of more the table of runs could not be read across, and would be the largest part of the page."""

_TONES = {"usable": mark("usable", "good"), "usable with care": mark("usable with care", "care")}


def runs_section(result: ReviewResult) -> Section:
    """Repeatability, flagged runs, exclusions, what is still to be made, and the table of runs."""
    words = ReviewWords(result)
    tables = (
        _coverage_table(result, words),
        _repeatability_table(result, words),
        _flag_table(result, words),
        _exclusion_table(result),
        _unreadable_table(result),
        _to_make_table(result, words),
    )
    story = Paragraph(content=(OUTLIER_STORY,))
    blocks: list[Block] = [_coverage_words(result), story, *(table for table in tables if table.rows)]
    if not any(run.flag for run in result.runs):
        blocks.append(Paragraph(content=("No run stands out from its set.",)))
    return Section(
        key="runs",
        heading="Repeatability and flagged runs",
        blocks=tuple(blocks),
        sections=(Section(key="all-runs", heading="Every run", blocks=(_run_table(result, words),)),),
    )


def _coverage_words(result: ReviewResult) -> Paragraph:
    coverage = result.coverage
    verdict = "The matrix is complete." if coverage.is_complete else "The matrix is not complete."
    return Paragraph(
        content=(
            count(coverage.n_usable, "/coverage/n_usable"),
            " of ",
            count(coverage.n_planned, "/coverage/n_planned"),
            f" planned runs can be used. {verdict} A flagged run still counts unless the plan excludes it by name.",
        )
    )


def _coverage_table(result: ReviewResult, words: ReviewWords) -> Table:
    """Usable runs of those planned, a row for each scene and resolution, a column for each card."""
    counts = {(item.card, item.scene, item.resolution): item for item in result.coverage.cells}
    places = dict.fromkeys((item.scene, item.resolution) for item in result.coverage.cells)
    rows = tuple(
        Row(
            cells=(
                cell(words.scenes[scene]),
                cell(resolution),
                *(cell(coverage_words(counts[card, scene, resolution])) for card in words.cards),
            )
        )
        for scene, resolution in places
    )
    return Table(
        key="coverage",
        caption="Usable runs of those planned in each cell.",
        columns=(*choices("Scene", "Resolution"), *(Column(heading=label) for label in words.cards.values())),
        rows=rows,
        is_long=len(rows) > 12,
        folded_as=f"Usable runs of each cell ({len(rows)} rows)" if len(rows) > 12 else None,
    )


def _repeatability_table(result: ReviewResult, words: ReviewWords) -> Table:
    notes = NoteList()
    return Table(
        key="repeatability",
        caption=(
            "How well runs of one cell repeat (ISO 5725-2, on logarithms): the standard deviation between runs, and the"
            " difference that two runs of one cell stay below in 95 of 100 cases. Lower is better."
        ),
        columns=(
            *choices("Card", "Metric"),
            *numbers("Standard deviation (%)", "Limit for two runs (%)", "Cells", "Degrees of freedom"),
            *texts("Cell that scatters most (Cochran's test)", "Its run farthest off (Grubbs's test)"),
        ),
        rows=tuple(
            Row(cells=_repeatability_cells(words, item, notes), origin=f"repeatability/{number}")
            for number, item in enumerate(result.repeatability)
        ),
        notes=notes.notes,
        is_long=len(result.repeatability) > 12,
    )


def _repeatability_cells(words: ReviewWords, item: Repeatability, notes: NoteList) -> tuple[Cell, ...]:
    reason = first_reason(item.caveats, "no cell has two runs")
    deviation, limit = (
        bare(item.s_r_pct, "s_r_pct", digits=2, reason=reason),
        bare(item.limit_pct, "limit_pct", digits=2, reason=reason),
    )
    worst = cell("\N{EN DASH}")
    if item.cochran is not None:
        word = {
            "ok": "not more than chance",
            "straggler": "straggler, more than chance (5 %)",
            "outlier": "outlier, far more than chance (1 %)",
        }
        place = f"{words.scenes.get(item.cochran.scene, item.cochran.scene)}, {item.cochran.resolution}: "
        statistic = bare(item.cochran.statistic, "cochran/statistic", digits=3)
        worst = cell(f"{place}{word[item.cochran.outcome]}, Cochran's C = ", statistic, sort=item.cochran.statistic)
    return (
        cell(words.cards[item.card], notes=notes.of(item.caveats)),
        cell(words.metric_heading(item.metric)),
        notes.cell(deviation),
        notes.cell(limit),
        cell(count(item.n_cells, "n_cells")),
        cell(count(item.degrees_of_freedom, "degrees_of_freedom")),
        worst,
        _grubbs_cell(item.grubbs),
    )


def _grubbs_cell(found: Sequence[GrubbsOutcome]) -> Cell:
    """One outcome for each cell that scatters too much; a dash where none does."""
    word = {
        "ok": "no farther than chance",
        "straggler": "straggler, farther than chance (5 %)",
        "outlier": "outlier, far beyond chance (1 %)",
    }
    content: list[Inline] = []
    for number, item in enumerate(found):
        content += [
            "; " if number else "",
            Code(text=item.run_name),
            f": {word[item.outcome]}, Grubbs's G = ",
            bare(item.statistic, f"grubbs/{number}/statistic", digits=5),
        ]
    return Cell(content=tuple(content)) if content else cell("\N{EN DASH}")


def _flag_table(result: ReviewResult, words: ReviewWords) -> Table:
    rows = [
        Row(
            cells=(
                code_cell(run.name),
                cell(words.metrics[run.flag.metric].label if run.flag.metric in words.metrics else run.flag.metric),
                cell(bare(run.flag.distance_pct, "flag/distance_pct", digits=3)),
                cell(bare(run.flag.limit_pct, "flag/limit_pct", digits=3)),
                cell(run.flag.sentence),
                cell("left out" if run.excluded_reason else "still counts"),
            ),
            origin=f"runs/{number}",
        )
        for number, run in enumerate(result.runs)
        if run.flag is not None
    ]
    return Table(
        key="flagged",
        caption="Runs that stand out from their set and should be made again.",
        columns=(
            *texts("Run", "Metric"),
            *numbers("Distance from the rest (%)", "Limit (%)"),
            *texts("Evidence", "In the review"),
        ),
        rows=tuple(rows),
    )


def _exclusion_table(result: ReviewResult) -> Table:
    return Table(
        key="exclusions",
        caption="Runs that the plan leaves out by name.",
        columns=(Column(heading="Run"), Column(heading="File"), Column(heading="Reason given in the plan")),
        rows=tuple(
            Row(
                cells=(
                    code_cell(item.run_name),
                    code_cell(item.file_name),
                    cell(item.reason),
                )
            )
            for item in result.exclusions
        ),
    )


def _unreadable_table(result: ReviewResult) -> Table:
    return Table(
        key="unreadable",
        caption="Captures that could not be read.",
        columns=(Column(heading="File"), Column(heading="Error")),
        rows=tuple(Row(cells=(code_cell(item.file_name), cell(item.error))) for item in result.unreadable),
    )


def _to_make_table(result: ReviewResult, words: ReviewWords) -> Table:
    rows = [
        Row(
            cells=(
                cell(words.cards[item.card]),
                cell(words.scenes[item.scene]),
                cell(item.resolution),
                cell(item.run),
                cell(item.reason),
                cell(item.sentence),
            )
        )
        for item in result.coverage.to_make
    ]
    return Table(
        key="to-make",
        caption="Runs still to be made, or to be made again.",
        columns=(
            *choices("Card", "Scene", "Resolution"),
            Column(heading="Run"),
            Column(heading="Because", is_choice=True),
            Column(heading="In words"),
        ),
        rows=tuple(rows),
        is_long=len(rows) > 12,
        folded_as=f"Runs to make ({len(rows)})" if len(rows) > 12 else None,
    )


def _run_table(result: ReviewResult, words: ReviewWords) -> Table:
    notes = NoteList()
    # The headline metric is the first of them that may not be left out.
    metrics = sorted(result.metrics, key=lambda entry: not entry.is_headline)[:_MOST_RUN_METRICS]
    n_others = len(result.metrics) - len(metrics)
    others = f" The other {counted(n_others, 'metric')} of each run are in result.json." if n_others else ""
    return Table(
        key="runs-table",
        caption=f"Every run by itself: the value of each metric, what the run is worth, and its caveats.{others}",
        columns=(
            Column(heading="Run"),
            Column(heading="Judgement", is_choice=True),
            *numbers("Frames", "Length (s)"),
            *(Column(heading=words.metric_heading(entry.key), kind="number") for entry in metrics),
        ),
        rows=tuple(
            Row(cells=_run_cells(metrics, run, notes), origin=f"runs/{number}")
            for number, run in enumerate(result.runs)
        ),
        notes=notes.notes,
        is_long=True,
        folded_as=f"All {len(result.runs)} runs",
    )


def _run_cells(metrics: Sequence[MetricEntry], run: RunEntry, notes: NoteList) -> tuple[Cell, ...]:
    values = [
        bare(
            run.values.get(entry.key), f"values/{entry.key}", reason=run.missing_reasons.get(entry.key, "not measured")
        )
        for entry in metrics
    ]
    judgement = _TONES.get(run.judgement, mark(run.judgement, "bad"))
    remarks = " ".join(text for text, applies in (("flagged", run.flag), ("left out", run.excluded_reason)) if applies)
    return (
        code_cell(run.name, notes=notes.of(run.caveats)),
        cell(judgement, *([f" {remarks}"] if remarks else []), sort=run.judgement),
        cell(count(run.n_frames, "n_frames")),
        cell(bare(run.duration_s, "duration_s")),
        *(notes.cell(value) for value in values),
    )
