"""The files of a review: written together into a folder, or not at all."""

from __future__ import annotations

import io
import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.errors import OutputError, printable
from frametime.locking import alone_with
from frametime.pipeline.chart_files import ChartRequest, chart_writers, left_out_words
from frametime.pipeline.kept_runs import is_free
from frametime.pipeline.report_files import report_files
from frametime.pipeline.review_files import review_plan
from frametime.pipeline.review_schema import review_json
from frametime.pipeline.review_tables import cells_csv, review_formula_count, runs_table, standings_csv
from frametime.pipeline.worker_pool import WorkerLimits
from frametime.replacing import clear_leftovers, replacing_folder
from frametime.review.result import ReviewResult

if TYPE_CHECKING:
    from frametime.plans.plan import ReviewPlan

KEPT_RUNS_FILE: Final = "kept_runs.parquet"
RESULT_FILE: Final = "result.json"
RECORD_FILE: Final = ".review.json"
"""Says which plan a folder is of, and which files in it a review has written."""

_RECORD_SCHEMA: Final = "frametime.review-folder/1"
_OF_THE_SYSTEM: Final = frozenset({".DS_Store", "Thumbs.db"})
"""What programs that show folders leave in them."""


@dataclass(frozen=True, kw_only=True)
class DrawnOutputs:
    """Which of the slow outputs are wanted; ``request`` says which charts, and how they look."""

    charts: bool
    report: bool
    request: ChartRequest = field(default_factory=ChartRequest)


@dataclass(frozen=True, kw_only=True)
class ReviewRequest:
    """What is asked of a review.

    Attributes
    ----------
    plan_file : pathlib.Path
    plan : ReviewPlan
        As it was read from that file.
    out : pathlib.Path
        Folder for the outputs.
    drawn : DrawnOutputs
    escape_formulas, force : bool
        See `write_review`.
    measure_again : bool
        Use nothing that was kept.
    workers : int or None
        Processes that measure.
    limits : WorkerLimits or None
        What one capture may take of a process; given, none is measured in this one.
    """

    plan_file: Path
    plan: ReviewPlan
    out: Path
    drawn: DrawnOutputs
    escape_formulas: bool = False
    force: bool = False
    measure_again: bool = False
    workers: int | None = None
    limits: WorkerLimits | None = None


@dataclass(frozen=True, kw_only=True)
class ReviewOutcome:
    """What a review wrote and said.

    Attributes
    ----------
    names : tuple of str
        Files below the output folder, in the order in which they were made.
    summary : str
        What the terminal shows.
    n_unreadable : int
        Captures that could not be used.
    n_formulas : int
        Cells of the CSV files that a spreadsheet would take for formulas.
    more_charts : str or None
        How to get the charts that were not drawn.
    """

    names: tuple[str, ...]
    summary: str
    n_unreadable: int
    n_formulas: int
    more_charts: str | None


def make_review(request: ReviewRequest) -> ReviewOutcome:
    """Measure what is not kept, compare and write. A folder that may not be replaced is refused before any work.

    Raises
    ------
    PlanError, RunSetError, OutputError
        See `review_plan` and `write_review`.
    """
    from frametime.render.review_text import review_text

    with alone_with(request.out):
        _refuse_strangers(request.out)
        if not request.force and (request.out / RECORD_FILE).exists():
            _refuse_other_plan(request.out, request.plan_file)
        kept_file = request.out / KEPT_RUNS_FILE
        result = review_plan(
            request.plan,
            kept_file=kept_file,
            measure_again=request.measure_again,
            workers=request.workers,
            limits=request.limits,
        )
        names = write_review(
            result,
            request.out,
            drawn=request.drawn,
            force=request.force,
            escape_formulas=request.escape_formulas,
            plan_file=request.plan_file,
        )
    return ReviewOutcome(
        names=names,
        summary=review_text(result, details_in="report.md" if request.drawn.report else "result.json"),
        n_unreadable=len(result.unreadable),
        n_formulas=0 if request.escape_formulas else review_formula_count(result),
        more_charts=left_out_words(result, request.drawn.request) if request.drawn.charts else None,
    )


def write_review(
    result: ReviewResult,
    folder: Path,
    *,
    drawn: DrawnOutputs,
    force: bool,
    escape_formulas: bool = False,
    plan_file: Path | None = None,
) -> tuple[str, ...]:
    """Write every output of a review.

    All files are made in a new folder, which takes the place of the old one whole: nothing of an earlier review stays
    but the measured runs that are kept. When the files are there already with the same content, nothing is written,
    and only the charts and the report that are missing are drawn.

    Parameters
    ----------
    result : ReviewResult
    folder : Path
    drawn : DrawnOutputs
    force : bool
        Replace the result of another plan, and draw all again.
    escape_formulas : bool
        In CSV, write an apostrophe before text that a spreadsheet would take for a formula.
    plan_file : Path, optional
        Where the plan comes from: an earlier result of the same file is replaced unasked.

    Returns
    -------
    tuple of str
        Names of the files, below ``folder``, in the order in which they were made.

    Raises
    ------
    OutputError
        When the folder holds a file that no review has written, or the result of another plan and ``force`` is not
        given, or it cannot be written.
    """
    folder = folder.resolve()
    with alone_with(folder):
        _refuse_strangers(folder)
        files = text_files(result, escape_formulas=escape_formulas)
        chosen = dict(drawn_files(result, drawn))
        is_unchanged = all(_holds(folder / name, content) for name, content in files.items())
        if not force and not is_unchanged and (folder / RECORD_FILE).exists():
            _refuse_other_plan(folder, plan_file)
        # Drawn files are functions of the result: what is there need not be drawn again.
        standing = _written(folder) - files.keys() if is_unchanged and not force else set()
        names = (*(name for name in chosen if name not in standing), *files)
        if is_unchanged and not force and len(names) == len(files):
            clear_leftovers(folder)
            return names
        with replacing_folder(folder, last=RESULT_FILE) as making:
            for name, write in chosen.items():
                if name not in standing:
                    (making / name).parent.mkdir(parents=True, exist_ok=True)
                    write(making / name)
            for name in (*sorted(standing), KEPT_RUNS_FILE):
                if (folder / name).exists():
                    (making / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copy2(folder / name, making / name)
            for name, content in files.items():
                (making / name).write_bytes(content)
            _write_record(making, _plan_name(folder, plan_file), {*standing, *names})
        clear_leftovers(folder)
        return names


def text_files(result: ReviewResult, *, escape_formulas: bool = False) -> Mapping[str, bytes]:
    """The files that are made of text and numbers, by name; ``result.json`` last."""
    import pyarrow.parquet as pq

    runs = io.BytesIO()
    pq.write_table(runs_table(result), runs)
    return {
        "runs.parquet": runs.getvalue(),
        "cells.csv": cells_csv(result, escape_formulas=escape_formulas),
        "standings.csv": standings_csv(result, escape_formulas=escape_formulas),
        RESULT_FILE: review_json(result).encode("ascii"),
    }


def drawn_files(result: ReviewResult, drawn: DrawnOutputs) -> Iterator[tuple[str, Callable[[Path], None]]]:
    """Charts and report: name below the output folder, and what writes it to a path.

    This is the one place where the drawn outputs of a review are listed.
    """
    if drawn.charts:
        yield from chart_writers(result, drawn.request).items()
    if drawn.report:
        # The text form of the report shows the charts that lie beside it.
        beside = drawn.charts and drawn.request.only is None and "png" in drawn.request.formats
        yield from report_files(result, charts_folder=drawn.request.folder if beside else None).items()


def _plan_name(folder: Path, plan_file: Path | None) -> str | None:
    """The plan as seen from the folder: the two stay together wherever they are moved."""
    if plan_file is None:
        return None
    try:
        return Path(os.path.relpath(plan_file.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return plan_file.resolve().as_posix()


def _record(folder: Path) -> dict[str, object]:
    """What `_write_record` noted; nothing where there is no such file."""
    try:
        record = json.loads((folder / RECORD_FILE).read_bytes())
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) and record.get("schema") == _RECORD_SCHEMA else {}


def _write_record(folder: Path, plan: str | None, names: set[str]) -> None:
    record = {"schema": _RECORD_SCHEMA, "plan": plan, "files": sorted(names)}
    (folder / RECORD_FILE).write_text(json.dumps(record, indent=1) + "\n", encoding="ascii", newline="\n")


def _written(folder: Path) -> set[str]:
    """Files that a review wrote here, and that are there."""
    names = _record(folder).get("files")
    return {name for name in names if (folder / str(name)).is_file()} if isinstance(names, list) else set()


def _refuse_other_plan(folder: Path, plan_file: Path | None) -> None:
    plan = _record(folder).get("plan")
    if plan is None or plan != _plan_name(folder, plan_file):
        of = "another result" if plan is None else f"the result of another plan, '{printable(str(plan))}'"
        raise OutputError.at(str(folder), f"this folder holds {of}", helps="--force replaces it, or name another --out")


def _refuse_strangers(folder: Path) -> None:
    """Replace no folder that holds what no review has written, whatever was asked for."""
    if not folder.is_dir():
        if folder.exists() or folder.is_symlink():
            raise OutputError.at(str(folder), "this is not a folder", helps="name another --out")
        return
    ours = _written(folder) | {RECORD_FILE if _record(folder) else ""}
    for root, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted([*names, *(link for link in folders if Path(root, link).is_symlink())]):
            path = Path(root, name)
            inner = path.relative_to(folder).as_posix()
            if inner in ours or name in _OF_THE_SYSTEM or (inner == KEPT_RUNS_FILE and is_free(path)):
                continue
            if inner.startswith((f".{KEPT_RUNS_FILE}.", f".{folder.resolve().name}.")):  # of a review that was killed
                continue
            raise OutputError.at(
                str(folder),
                f"it holds '{printable(inner)}', which no review has written, and would be lost",
                helps="name another folder, or move that elsewhere",
            )


def _holds(path: Path, content: bytes) -> bool:
    try:
        return path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False
