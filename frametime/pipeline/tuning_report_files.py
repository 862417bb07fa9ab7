"""A tuning record or an endurance verdict to a report: an HTML page, or Markdown where the name ends in ``.md``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.errors import EndingError
from frametime.replacing import refuse_existing, write_text

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun
    from frametime.render.report.document import Report
    from frametime.tuning.endurance_verdict import EnduranceVerdict
    from frametime.tuning.tuning_summary import TuningSummary

ENDINGS: Final = (".html", ".htm", ".md")


def write_tuning_report(summary: TuningSummary, path: Path, *, force: bool = False) -> None:
    """Write the report of a tuning record.

    Raises
    ------
    OutputError
        If the name has another ending, the file is there already and ``force`` is not given, or it cannot be written.
    """
    from frametime.render.report.tuning_report import tuning_charts, tuning_report

    refuse_path(path, force=force)
    _write(tuning_report(summary, figures=() if _is_text(path) else tuning_charts(summary)), path)


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

    refuse_path(path, force=force)
    figures = () if measured is None or _is_text(path) else (endurance_chart(*measured, verdict),)
    _write(endurance_report(verdict, figures=figures), path)


def refuse_path(path: Path, *, force: bool) -> None:
    """Stop before any work where the report could not be written there.

    Raises
    ------
    OutputError
    """
    if path.suffix.lower() not in ENDINGS:
        raise EndingError.at(
            str(path), f"the ending {path.suffix!r} is no format for a report", helps="use .html or .md"
        )
    refuse_existing([path], force=force)


def _is_text(path: Path) -> bool:
    return path.suffix.lower() == ".md"


def _write(report: Report, path: Path) -> None:
    from frametime.render.report.html import render_html
    from frametime.render.report.markdown import render_markdown

    render = render_markdown if _is_text(path) else render_html
    write_text(path, render(report))
