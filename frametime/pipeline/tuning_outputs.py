"""What is drawn and told of a tuning record and of an endurance run: chart files, and a report.

A report is an HTML page, or Markdown where the name ends in ``.md``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.pipeline.chart_files import ChartRequest
from frametime.replacing import claiming, refuse_ending, refuse_existing, write_bytes, write_text

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun
    from frametime.render.report.document import Report
    from frametime.tuning.judging.endurance_verdict import EnduranceVerdict
    from frametime.tuning.judging.tuning_summary import TuningSummary

ENDINGS: Final = (".html", ".htm", ".md")


def write_tuning_charts(
    summary: TuningSummary, folder: Path, *, request: ChartRequest | None = None, force: bool = False
) -> tuple[Path, ...]:
    """Draw the charts of a tuning record into ``folder``.

    Parameters
    ----------
    summary : TuningSummary
    folder : Path
        Made where it is missing.
    request : ChartRequest or None
    force : bool
        Replace files that are there.

    Returns
    -------
    tuple of Path

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not set, or the folder cannot be written.
    """
    from frametime.render.charts.drawings import tuning_figures
    from frametime.render.charts.figure_files import figure_bytes

    request = ChartRequest() if request is None else request
    theme = request.theme_value()
    drawings = tuning_figures(summary, theme, only=request.only)
    paths = [folder / f"{name}.{ending}" for name, _ in drawings for ending in request.formats]
    with claiming(paths, force=force, folder=folder):
        for name, drawing in drawings:
            figure = drawing()
            for ending in request.formats:
                write_bytes(folder / f"{name}.{ending}", figure_bytes(figure, theme, ending))
    return tuple(paths)


def write_tuning_report(summary: TuningSummary, path: Path, *, force: bool = False) -> None:
    """Write the report of a tuning record.

    Raises
    ------
    OutputError
        If the name has another ending, the file is there already and ``force`` is not given, or it cannot be written.
    """
    from frametime.render.report.tuning_report import tuning_charts, tuning_report

    refuse_ending(path, ENDINGS, "report")
    refuse_existing([path], force=force)
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
    from frametime.render.report.endurance_report import endurance_chart, endurance_report

    refuse_ending(path, ENDINGS, "report")
    refuse_existing([path], force=force)
    figures = () if measured is None or _is_text(path) else (endurance_chart(*measured, verdict),)
    _write(endurance_report(verdict, figures=figures), path, force=force)


def _is_text(path: Path) -> bool:
    return path.suffix.lower() == ".md"


def _write(report: Report, path: Path, *, force: bool) -> None:
    from frametime.render.report.html import render_html
    from frametime.render.report.markdown import render_markdown

    render = render_markdown if _is_text(path) else render_html
    text = render(report)
    with claiming([path], force=force):
        write_text(path, text)
