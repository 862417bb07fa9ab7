"""Reports: of a review, a tuning record, an endurance run; each an HTML page, or Markdown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.replacing import claiming, refuse_ending, refuse_existing, write_text

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun
    from frametime.render.report.document import Report
    from frametime.review.result import ReviewResult
    from frametime.tuning.endurance_verdict import EnduranceVerdict
    from frametime.tuning.tuning_summary import TuningSummary

PAGE: Final = "report.html"
TEXT: Final = "report.md"
PAGE_BYTES: Final = 2_975_000
"""How large a page may become when its frame times are added; without them it is as large as its tables."""
MOST_WITH_NARROW: Final = 2_500_000
"""A page larger than that without its frame times has its charts in the wide form only, and none that is large."""
LARGEST_DRAWING: Final = 250_000
ENDINGS: Final = (".html", ".htm", ".md")
"""Of reports; the last is Markdown."""
MOST_TRACE_BYTES: Final = 1_400_000


def write_report(result: ReviewResult, folder: Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write ``report.html`` and ``report.md`` into ``folder``, each whole or not at all.

    Parameters
    ----------
    result : ReviewResult
    folder : Path
        Must exist.
    force : bool
        Replace reports that are there.

    Returns
    -------
    tuple of Path
        The page and the text.

    Raises
    ------
    OutputError
        If a report is there already and ``force`` is not given, or the folder cannot be written.
    """
    files = {folder / name: write for name, write in report_files(result).items()}
    refuse_existing(files, force=force)
    for target, write in files.items():
        write(target)
    return tuple(files)


def report_files(result: ReviewResult, *, charts_folder: str | None = None) -> Mapping[str, Callable[[Path], None]]:
    """Name of each file of the report, and what writes it to a path.

    The report is made when the first file is asked for. ``charts_folder`` is where the charts lie as PNG files.
    """
    texts = cache(lambda: report_texts(result, charts_folder=charts_folder))
    return {PAGE: lambda path: write_text(path, texts()[PAGE]), TEXT: lambda path: write_text(path, texts()[TEXT])}


def report_texts(result: ReviewResult, *, charts_folder: str | None = None) -> dict[str, str]:
    """The report of a review, by the names of its two files.

    The frame times that can be zoomed in the page get the room that the rest of it leaves below `PAGE_BYTES`.
    """
    from frametime.pipeline.chart_files import ChartRequest, chart_contents
    from frametime.pipeline.kept_runs import read_curves
    from frametime.render.report.html import render_html
    from frametime.render.report.markdown import render_markdown
    from frametime.render.report.page_data import place_of_traces, review_traces
    from frametime.render.report.review_blocks import NARROW, chart_figures, chosen_charts, narrow_charts
    from frametime.render.report.review_report import review_report

    charts = chosen_charts(result)
    # These charts are of the review as a whole: the curves of its runs need not go to other processes.
    small = replace(result, runs=tuple(replace(run, curves={}) for run in result.runs))
    request = ChartRequest(formats=("svg",))
    svgs = chart_contents(small, request, [chart.name for chart in charts])
    # As a phone shows them.
    names = narrow_charts(small, charts)
    drawn = chart_contents(small, replace(request, size=NARROW), list(names.values()))
    narrow = {name: drawn[of_phone] for name, of_phone in names.items()}
    place = place_of_traces(result)
    figures = chart_figures(result, charts, svgs, narrow=narrow, folder=charts_folder)
    made = partial(review_report, result, charts_folder=charts_folder)
    report = made(figures=figures, traces=place)
    page = render_html(report)
    if len(page) > MOST_WITH_NARROW:
        light = [chart for chart in charts if len(svgs[chart.name]) < LARGEST_DRAWING]
        figures = chart_figures(result, light, svgs, folder=charts_folder)
        report = made(figures=figures, traces=place)
        page = render_html(report)
    if place is not None:
        read_curves(result.runs)
        traces = review_traces(result, room_bytes=min(MOST_TRACE_BYTES, PAGE_BYTES - len(page.encode("utf-8"))))
        report = made(figures=figures, traces=traces)
        page = render_html(report)
    return {PAGE: page, TEXT: render_markdown(report)}


def write_tuning_report(summary: TuningSummary, path: Path, *, force: bool = False) -> None:
    """Write the report of a tuning record.

    Raises
    ------
    OutputError
        If the name has another ending, the file is there already and ``force`` is not given, or it cannot be written.
    """
    from frametime.render.report.tuning_report import tuning_charts, tuning_report

    _write(tuning_report(summary, figures=() if _is_text(path) else tuning_charts(summary)), path, force=force)


def write_endurance_report(
    verdict: EnduranceVerdict,
    path: Path,
    *,
    measured: tuple[Capture, MeasuredRun] | None = None,
    force: bool = False,
) -> None:
    """Write the report of one endurance run; with the capture and what was measured of it, its chart too.

    Raises
    ------
    OutputError
        As for `write_tuning_report`.
    """
    from frametime.render.report.tuning_report import endurance_chart, endurance_report

    figures = () if measured is None or _is_text(path) else (endurance_chart(*measured, verdict),)
    _write(endurance_report(verdict, figures=figures), path, force=force)


def _is_text(path: Path) -> bool:
    return path.suffix.lower() == ".md"


def _write(report: Report, path: Path, *, force: bool) -> None:
    from frametime.render.report.html import render_html
    from frametime.render.report.markdown import render_markdown

    refuse_ending(path, ENDINGS, "report")
    render = render_markdown if _is_text(path) else render_html
    with claiming([path], force=force):
        write_text(path, render(report))
