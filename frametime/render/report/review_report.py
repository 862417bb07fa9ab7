"""A review as a document: which section stands where, and at its end methods and provenance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from frametime.render.json_output import plain
from frametime.render.report.document import (
    Block,
    Column,
    Definition,
    Definitions,
    Figure,
    Number,
    Paragraph,
    Report,
    Row,
    Section,
    Table,
    TraceView,
)
from frametime.render.report.document_parts import cell, code_cell, count, numbers, share_pct, texts
from frametime.render.report.review_cells import cells_section
from frametime.render.report.review_runs import runs_section
from frametime.render.report.review_standings import caveats_section, cuts_section, standings_section
from frametime.render.report.review_value import value_section
from frametime.render.report.review_verdict import ReviewWords, lead_blocks
from frametime.review.result import ReviewResult
from frametime.version import __version__
from frametime.words import counted


def review_report(
    result: ReviewResult,
    *,
    figures: Mapping[str, Sequence[Figure]] | None = None,
    traces: TraceView | None = None,
    charts_folder: str | None = None,
) -> Report:
    """The document of a review: verdict first, then what it rests on.

    Parameters
    ----------
    result : ReviewResult
    figures : Mapping of str to sequence of Figure, optional
        Charts by the key of the section that they belong to.
    traces : TraceView, optional
        Frame times of the runs, for the page.
    charts_folder : str, optional
        Where the charts lie as files, below the folder of the report.
    """
    charts = figures or {}
    sections = [
        standings_section(result),
        cuts_section(result),
        cells_section(result),
        *_trace_sections(result, traces),
        value_section(result),
        runs_section(result),
        caveats_section(result),
        methods_section(result),
        provenance_section(result),
    ]
    return Report(
        title=result.title,
        subtitle=_subtitle(result),
        lead=(*lead_blocks(result), *charts.get("lead", ())),
        cautions=(),
        sections=tuple(_with_figures(section, charts.get(section.key, ())) for section in sections),
        colophon=_colophon(charts_folder),
    )


def _trace_sections(result: ReviewResult, traces: TraceView | None) -> tuple[Section, ...]:
    block: Block
    if traces is not None:
        block = traces
    elif any("trace_low" in run.curves for run in result.runs):
        block = Paragraph(
            content=(
                "There is no room for the frame times in this page: with them it would be larger than 3 MB."
                " The command 'frametime compare' draws those of a few captures.",
            )
        )
    else:
        return ()
    return (Section(key="traces", heading="Frame times of each run", blocks=(block,)),)


def _colophon(charts_folder: str | None) -> str:
    words = f"Made by frametime {__version__}. The numbers stand in full precision in result.json."
    if charts_folder is None:
        return words
    return f"{words} All charts, also those of single scenes, other cuts and other metrics, lie in {charts_folder}/."


def _with_figures(section: Section, figures: Sequence[Block]) -> Section:
    if not figures:
        return section
    first, *rest = section.blocks or (None,)
    blocks = tuple(block for block in (first, *figures, *rest) if block is not None)
    return replace(section, blocks=blocks)


def _subtitle(result: ReviewResult) -> str:
    return (
        f"Comparison of {counted(len(result.cards), 'card')} over {counted(len(result.scenes), 'scene')} at"
        f" {counted(len(result.resolutions), 'resolution')}: {counted(len(result.runs), 'run')}"
    )


_LONG_FILE_TABLE = 20


def methods_section(result: ReviewResult) -> Section:
    """Margin, headline, baseline; the definition of each metric and each method with its source."""
    words = ReviewWords(result)
    margin = Number(text=share_pct(result.margin), value=result.margin, origin="/margin", shown_as="percent")
    metrics = tuple(
        Definition(
            term=words.metric_heading(entry.key),
            text=f"{entry.definition} {words.better(entry.key).capitalize()}.",
            source=entry.source,
        )
        for entry in result.metrics
    )
    methods = tuple(Definition(term=item.label, text=item.text, source=item.source) for item in result.methods)
    return Section(
        key="methods",
        heading="Methods",
        blocks=(
            Paragraph(
                content=(
                    "Margin ",
                    margin,
                    f"; baseline {words.baseline}; headline metric {words.headline.label}. One run is one repetition:"
                    " frames within a run are never counted as repeats.",
                )
            ),
        ),
        sections=(
            Section(key="metric-definitions", heading="Metrics", blocks=(Definitions(items=metrics),)),
            Section(
                key="method-definitions", heading="Comparisons and intervals", blocks=(Definitions(items=methods),)
            ),
        ),
    )


def provenance_section(result: ReviewResult) -> Section:
    """Files with checksum and rows, cards and settings, the plan as resolved, versions."""
    blocks: list[Block] = [_card_table(result), _file_table(result), _plan_table(result), _version_table(result)]
    return Section(key="provenance", heading="Provenance", blocks=tuple(blocks))


def _card_table(result: ReviewResult) -> Table:
    unknown = "not given"
    return Table(
        key="cards",
        caption="Cards and the settings they ran with.",
        columns=(Column(heading="Card"), Column(heading="Role"), Column(heading="Settings"), Column(heading="Driver")),
        rows=tuple(
            Row(
                cells=(
                    cell(card.label),
                    cell("baseline" if card.is_baseline else "candidate"),
                    cell(card.settings or unknown),
                    cell(card.driver or unknown),
                )
            )
            for card in result.cards
        ),
    )


def _file_table(result: ReviewResult) -> Table:
    n_files = len(result.runs)
    rows = []
    for number, run in enumerate(result.runs):
        origin = run.provenance
        rows.append(
            Row(
                cells=(
                    code_cell(origin.file_name),
                    cell(count(origin.size_bytes, "provenance/size_bytes")),
                    cell(count(origin.rows_read, "provenance/rows_read")),
                    cell(count(origin.rows_rejected, "provenance/rows_rejected")),
                    code_cell(origin.adapter),
                    code_cell(origin.sha256),
                ),
                origin=f"runs/{number}",
            )
        )
    return Table(
        key="files",
        caption="The captures this rests on. The checksum is the SHA-256 of the file as stored.",
        columns=(Column(heading="File"), *numbers("Bytes", "Rows read", "Rows rejected"), *texts("Reader", "SHA-256")),
        rows=tuple(rows),
        is_long=n_files > _LONG_FILE_TABLE,
        folded_as=f"All {n_files} files with their checksums" if n_files > _LONG_FILE_TABLE else None,
    )


def flat(value: object, name: str = "") -> list[tuple[str, str]]:
    """Nested plain values as names with dots and texts.

    Examples
    --------
    >>> flat({"margin": 0.03, "cards": [{"key": "a"}]})
    [('margin', '0.03'), ('cards[1].key', 'a')]
    """
    if isinstance(value, Mapping):
        return [pair for key, item in value.items() for pair in flat(item, f"{name}.{key}" if name else str(key))]
    if isinstance(value, (list, tuple)):
        if all(isinstance(item, (str, int, float)) for item in value):
            return [(name, ", ".join(str(item) for item in value) or "none")]
        return [pair for number, item in enumerate(value, 1) for pair in flat(item, f"{name}[{number}]")]
    if value is None:
        return [(name, "not given")]
    return [(name, str(value).lower() if isinstance(value, bool) else str(value))]


def _plan_table(result: ReviewResult) -> Table:
    pairs = flat(plain(result.plan))
    return Table(
        key="plan",
        caption="The plan as it was resolved, defaults filled in.",
        columns=(Column(heading="Key"), Column(heading="Value")),
        rows=tuple(Row(cells=(code_cell(name), cell(text))) for name, text in pairs),
        folded_as=f"The plan, {len(pairs)} settings",
    )


def _version_table(result: ReviewResult) -> Table:
    return Table(
        key="versions",
        caption="Versions of what computed the numbers.",
        columns=(Column(heading="Part"), Column(heading="Version")),
        rows=tuple(Row(cells=(cell(name), cell(text))) for name, text in result.versions.items()),
    )
