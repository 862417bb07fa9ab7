"""A review as a document: which section stands where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from frametime.render.report.document import Block, Figure, Paragraph, Report, Section, TraceView
from frametime.render.report.review.cells import cells_section
from frametime.render.report.review.runs import runs_section
from frametime.render.report.review.sources import methods_section, provenance_section
from frametime.render.report.review.standings import caveats_section, cuts_section, standings_section
from frametime.render.report.review.value import value_section
from frametime.render.report.review.verdict import lead_blocks
from frametime.review.result import ReviewResult
from frametime.version import __version__


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
    return Section(key=section.key, heading=section.heading, blocks=blocks, sections=section.sections)


def _subtitle(result: ReviewResult) -> str:
    def some(number: int, noun: str) -> str:
        return f"{number} {noun}" if number == 1 else f"{number} {noun}s"

    return (
        f"Comparison of {some(len(result.cards), 'card')} over {some(len(result.scenes), 'scene')} at"
        f" {some(len(result.resolutions), 'resolution')}: {some(len(result.runs), 'run')}"
    )
