"""A review to its report: one HTML page and the same in Markdown."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from frametime.errors import OutputError
from frametime.pipeline.tables import write_text
from frametime.render.report.document import Figure, Report, TraceView
from frametime.render.report.html import render_html
from frametime.render.report.markdown import render_markdown
from frametime.render.report.review.report import review_report
from frametime.render.report.review.run_traces import review_traces
from frametime.review.result import ReviewResult

PAGE: Final = "report.html"
TEXT: Final = "report.md"
PAGE_BYTES: Final = 2_900_000
"""How large a page may become when its frame times are added; without them it is as large as its tables."""
MOST_TRACE_BYTES: Final = 1_400_000


def write_report(result: ReviewResult, folder: Path, *, force: bool = False) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.md`` into ``folder``, each whole or not at all.

    The frame times that can be zoomed in the page get the room that the rest of it leaves below `PAGE_BYTES`.

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
    targets = folder / PAGE, folder / TEXT
    _refuse_existing(targets, force=force)
    figures: dict[str, list[Figure]] = {}
    without_traces = review_report(result, figures=figures)
    room_bytes = min(MOST_TRACE_BYTES, PAGE_BYTES - len(render_html(without_traces).encode("utf-8")))
    traces: TraceView | None = review_traces(result, room_bytes=room_bytes)
    _write(review_report(result, figures=figures, traces=traces), targets)
    return targets


def _refuse_existing(targets: tuple[Path, Path], *, force: bool) -> None:
    for target in targets:
        if target.exists() and not force:
            raise OutputError.at(str(target), "is there already", helps="name another folder, or use --force")


def _write(report: Report, targets: tuple[Path, Path]) -> None:
    page, text = targets
    write_text(page, render_html(report))
    write_text(text, render_markdown(report))
