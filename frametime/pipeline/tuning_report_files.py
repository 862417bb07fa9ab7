"""A tuning record or an endurance verdict to a report: an HTML page, or Markdown where the name ends in ``.md``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.errors import OutputError
from frametime.pipeline.tables import write_text

if TYPE_CHECKING:
    from frametime.render.report.document import Report
    from frametime.tuning.endurance import EnduranceVerdict
    from frametime.tuning.summary import TuningSummary

ENDINGS: Final = (".html", ".htm", ".md")


def write_tuning_report(summary: TuningSummary, path: Path, *, force: bool = False) -> None:
    """Write the report of a tuning record.

    Raises
    ------
    OutputError
        If the name has another ending, the file is there already and ``force`` is not given, or it cannot be written.
    """
    from frametime.render.report.tuning.record import tuning_report

    refuse_path(path, force=force)
    _write(tuning_report(summary), path)


def write_endurance_report(verdict: EnduranceVerdict, path: Path, *, force: bool = False) -> None:
    """Write the report of one endurance run.

    Raises
    ------
    OutputError
        As for `write_tuning_report`.
    """
    from frametime.render.report.tuning.endurance import endurance_report

    refuse_path(path, force=force)
    _write(endurance_report(verdict), path)


def refuse_path(path: Path, *, force: bool) -> None:
    """Stop before any work where the report could not be written there.

    Raises
    ------
    OutputError
    """
    if path.suffix.lower() not in ENDINGS:
        raise OutputError.at(
            str(path), f"the ending {path.suffix!r} is no format for a report", helps="use .html or .md"
        )
    if not force and (path.exists() or path.is_symlink()):
        raise OutputError.at(str(path), "the file is there already", helps="use --force to replace it")


def _write(report: Report, path: Path) -> None:
    from frametime.render.report.html import render_html
    from frametime.render.report.markdown import render_markdown

    render = render_markdown if path.suffix.lower() == ".md" else render_html
    write_text(path, render(report))
