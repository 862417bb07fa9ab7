"""The files of a review: what each holds, and all of them written together into a folder, or not at all."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple

import msgspec
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from frametime import __version__, replacing
from frametime.errors import OutputError, printable
from frametime.metrics.catalog import CATALOG
from frametime.pipeline.chart_files import ChartRequest, chart_contents, chart_writers, left_out_words
from frametime.pipeline.kept_runs import is_free, read_curves
from frametime.pipeline.review_files import review_plan
from frametime.plans.folder_walk import path_from
from frametime.plans.plan import ReviewPlan
from frametime.render.data_output import Column, arrow_schema, csv_bytes, formula_count, frame_of, plain
from frametime.render.tables import table as shown
from frametime.render.tables.review_comparisons import cells_table, standings_table
from frametime.render.tables.review_runs import runs_table as all_runs_table
from frametime.review.result import SCHEMA_VERSION, ReviewResult

KEPT_RUNS_FILE: Final = "kept_runs.parquet"
RESULT_FILE: Final = "result.json"
RECORD_FILE: Final = ".review.json"
"""Says which plan a folder is of, and which files in it a review has written."""

_RECORD_SCHEMA: Final = "frametime.review-folder/1"
_OF_THE_SYSTEM: Final = frozenset({".DS_Store", "Thumbs.db"})
"""What programs that show folders leave in them."""

SCHEMA: Final = f"frametime.review/{SCHEMA_VERSION}"
DRAWING_ONLY: Final = ("curves", "findings")
"""Fields of a run that serve drawing and are most of the size: they stay with the measured runs."""


def review_json(result: ReviewResult) -> str:
    """The text of ``result.json``: all but the drawing material. Keys are only ever added within a schema number."""
    runs = [
        {item.name: getattr(run, item.name) for item in fields(run) if item.name not in DRAWING_ONLY}
        for run in result.runs
    ]
    document = {"schema": SCHEMA, **{item.name: getattr(result, item.name) for item in fields(result)}, "runs": runs}
    text = json.dumps(plain(document), ensure_ascii=True, allow_nan=False)
    try:
        # Indenting in Python takes ten times as long as all else here.
        return msgspec.json.format(text, indent=2) + "\n"
    except msgspec.DecodeError:  # half a surrogate pair, from the name of a file that is no text
        return json.dumps(json.loads(text), ensure_ascii=True, indent=2) + "\n"


def _kind(column: shown.Column) -> Literal["text", "whole", "truth", "number"]:
    return column.kind if column.kind in ("text", "whole", "truth") else "number"


def cells_frame(result: ReviewResult) -> pl.DataFrame:
    """One row for each metric, card and cell: mean over runs, and the comparison with the baseline."""
    return _frame(cells_table(result))


def standings_frame(result: ReviewResult) -> pl.DataFrame:
    """One row for each cut, metric and card."""
    return _frame(standings_table(result))


def runs_frame(result: ReviewResult) -> pl.DataFrame:
    """One row a run: where it belongs, where it came from, what is wrong with it, and every metric."""
    return pl.DataFrame(runs_table(result))


def runs_table(result: ReviewResult) -> pa.Table:
    """The table of `runs_frame`, with the unit of each number."""
    units = {key: metric.unit for key, metric in CATALOG.items()} | {m.key: m.unit for m in result.metrics}
    table = all_runs_table(result)
    named = [Column(each.name, _kind(each), None if each.is_text else each.unit) for each in table.columns if each.name]
    keys = dict.fromkeys(key for run in result.runs for key in run.values)
    metrics = [Column(key, "number", units.get(key, "1")) for key in keys]
    frame = pl.concat([_frame(table), frame_of([run.values for run in result.runs], metrics)], how="horizontal")
    return frame.to_arrow().cast(arrow_schema([*named, *metrics], "frametime.runs/1"))


def _frame(table: shown.Table) -> pl.DataFrame:
    """The columns with names, in full precision; an interval is two columns, one for each end."""
    columns: list[Column] = []
    rows: list[dict[str, object]] = [{} for _ in table.rows]
    for place, column in enumerate(table.columns):
        ends = () if not column.name else ("low", "high") if column.kind == "range" else ("",)
        for end in ends:
            name = column.name.format(end=end)
            columns.append(Column(name, _kind(column)))
            for values, row in zip(rows, table.rows, strict=True):
                cell = row.cells[place]
                found = (getattr(part, end) for part in cell.content if isinstance(part, shown.Range))
                values[name] = next(found, None) if end else cell.exact
    return frame_of(rows, columns)


@dataclass(frozen=True, kw_only=True)
class Writing:
    """What of a review is written.

    Attributes
    ----------
    charts : ChartRequest or None
        Which charts are drawn, and how they look; by default none.
    report : bool
        Write the report too.
    force : bool
        Replace the result of another plan, and draw all again.
    escape_formulas : bool
        In CSV, write an apostrophe before text that a spreadsheet would take for a formula.
    plan_file : pathlib.Path or None
        Where the plan comes from: an earlier result of the same file is replaced unasked.
    """

    charts: ChartRequest | None = None
    report: bool = False
    force: bool = False
    escape_formulas: bool = False
    plan_file: Path | None = None


class WrittenFiles(NamedTuple):
    """Names of the files that were asked for, below the folder, and what is said of charts that are not drawn."""

    names: tuple[str, ...]
    left_out: str | None


def make_review(plan: ReviewPlan, out: Path, writing: Writing, **measuring: Any) -> tuple[ReviewResult, WrittenFiles]:
    """Measure what is not kept, compare and write. A folder that may not be replaced is refused before any work.

    ``measuring`` are further options of `review_plan`.

    Raises
    ------
    PlanError, RunSetError, OutputError
        See `review_plan` and `write_review`.
    """
    with replacing.alone_with(out):
        _refuse_strangers(out)
        if not writing.force and (out / RECORD_FILE).exists():
            _refuse_other_plan(out, writing.plan_file)
        result = review_plan(plan, kept_file=out / KEPT_RUNS_FILE, **measuring)
        return result, write_review(result, out, writing)


def n_formulas(result: ReviewResult) -> int:
    """Cells of the CSV files that a spreadsheet would take for formulas."""
    return formula_count(cells_frame(result)) + formula_count(standings_frame(result))


def write_review(result: ReviewResult, folder: Path, writing: Writing = Writing()) -> WrittenFiles:
    """Write every output of a review.

    All files are made in a new folder, which takes the place of the old one whole: nothing of an earlier review stays
    but the measured runs that are kept. When the files are there already with the same content, nothing is written,
    and only the charts and the report that are missing are drawn. Files that stood there already are named, too.

    Raises
    ------
    OutputError
        When the folder holds a file that no review has written, or the result of another plan and ``force`` is not
        given, or it cannot be written.
    """
    charts, force, plan_file = writing.charts, writing.force, writing.plan_file
    folder = folder.resolve()
    if charts is not None and plan_file is not None:
        charts = replace(charts, plan_folder=plan_file.resolve().parent)
    with replacing.alone_with(folder):
        _refuse_strangers(folder)
        files = text_files(result, escape_formulas=writing.escape_formulas)
        written, record = _written(folder), _record(folder)
        is_unchanged = files.keys() <= written and all((folder / name).read_bytes() == files[name] for name in files)
        # To list the charts of a review takes longer than all else here, once its files are read.
        asked = hashlib.sha256(repr((__version__, charts, writing.report)).encode()).hexdigest()
        if is_unchanged and not force and record.get("asked") == asked and written.issuperset(record["names"]):
            return WrittenFiles(tuple(record["names"]), record["left_out"])
        chosen = dict(drawn_files(result, charts=charts, report=writing.report))
        left_out = None if charts is None else left_out_words(result, charts)
        if not force and not is_unchanged and (folder / RECORD_FILE).exists():
            _refuse_other_plan(folder, plan_file)
        # Drawn files are functions of the result: what is there need not be drawn again.
        standing = written - files.keys() if is_unchanged and not force else set()
        told, drawn = WrittenFiles((*chosen, *files), left_out), chosen.keys() - standing
        with replacing.replacing_folder(folder, last=RESULT_FILE) as making:
            for name in (*chosen, *sorted(standing - chosen.keys()), KEPT_RUNS_FILE):
                (making / name).parent.mkdir(parents=True, exist_ok=True)
                if name in drawn:
                    chosen[name](making / name)
                elif (folder / name).exists():
                    shutil.copy2(folder / name, making / name)
            for name, content in files.items():
                (making / name).write_bytes(content)
            plan = None if plan_file is None else path_from(plan_file, folder)
            record = {"schema": _RECORD_SCHEMA, "plan": plan, "files": sorted({*standing, *told.names}), "asked": asked}
            record |= told._asdict()
            (making / RECORD_FILE).write_text(json.dumps(record, indent=1) + "\n", encoding="ascii", newline="\n")
        return told


def text_files(result: ReviewResult, *, escape_formulas: bool = False) -> Mapping[str, bytes]:
    """The files that are made of text and numbers, by name; ``result.json`` last."""
    runs = io.BytesIO()
    pq.write_table(runs_table(result), runs)
    return {
        "runs.parquet": runs.getvalue(),
        "cells.csv": csv_bytes(cells_frame(result), escape_formulas=escape_formulas),
        "standings.csv": csv_bytes(standings_frame(result), escape_formulas=escape_formulas),
        RESULT_FILE: review_json(result).encode("ascii"),
    }


def drawn_files(
    result: ReviewResult, *, charts: ChartRequest | None, report: bool
) -> Iterator[tuple[str, Callable[[Path], None]]]:
    """Charts and report: name below the output folder, and what writes it to a path.

    This is the one place where the drawn outputs of a review are listed.
    """
    if charts is not None:
        for look in charts.with_looks_of(result):
            yield from chart_writers(result, look).items()
    if report:
        # The text form of the report shows the charts that lie beside it.
        beside = charts is not None and charts.only is None and "png" in charts.formats
        yield from report_files(result, charts_folder=charts.folder if charts is not None and beside else None).items()


def plan_of_folder(folder: Path) -> Path:
    """The plan that the result in a folder was made of.

    Raises
    ------
    OutputError
        When no review has written the folder, or it does not say of which plan.
    """
    plan = _record(folder).get("plan")
    if not isinstance(plan, str) or not (folder / RESULT_FILE).is_file():
        raise OutputError.at(str(folder), "this is no result of a review", helps="name the folder given as --out")
    return Path(os.path.normpath(folder / plan))


def _record(folder: Path) -> dict[str, Any]:
    """What `write_review` noted; nothing where there is no such file."""
    try:
        record = json.loads((folder / RECORD_FILE).read_bytes())
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) and record.get("schema") == _RECORD_SCHEMA else {}


def _written(folder: Path) -> set[str]:
    """Files that a review wrote here, and that are there."""
    names = _record(folder).get("files")
    return {name for name in names if (folder / str(name)).is_file()} if isinstance(names, list) else set()


def _refuse_other_plan(folder: Path, plan_file: Path | None) -> None:
    plan = _record(folder).get("plan")
    if plan is None or plan_file is None or plan != path_from(plan_file, folder):
        of = "another result" if plan is None else f"the result of another plan, '{printable(str(plan))}'"
        raise OutputError.at(str(folder), f"this folder holds {of}", helps="--force replaces it, or name another --out")


def _refuse_strangers(folder: Path) -> None:
    """Replace no folder that holds what no review has written, whatever was asked for."""
    ours = _written(folder) | {RECORD_FILE if _record(folder) else ""}
    left = (f".{KEPT_RUNS_FILE}.", f".{folder.resolve().name}.")  # of a review that was killed

    def is_own(name: str) -> bool:
        is_ours = name in ours or name.rpartition("/")[2] in _OF_THE_SYSTEM or name.startswith(left)
        return is_ours or (name == KEPT_RUNS_FILE and is_free(folder / name))

    replacing.refuse_strangers(folder.resolve() if folder.is_dir() else folder, is_own, writer="review")


PAGE: Final = "report.html"
TEXT: Final = "report.md"
PAGE_BYTES: Final = 2_975_000
"""How large a page may become when its frame times are added; without them it is as large as its tables."""
MOST_WITH_NARROW: Final = 2_500_000
"""A page larger than that without its frame times has its charts in the wide form only, and none that is large."""
LARGEST_DRAWING: Final = 250_000
MOST_TRACE_BYTES: Final = 1_400_000


def report_files(result: ReviewResult, *, charts_folder: str | None = None) -> Mapping[str, Callable[[Path], None]]:
    """Name of each file of the report, and what writes it to a path.

    The report is made when the first file is asked for. ``charts_folder`` is where the charts lie as PNG files.
    """
    texts = cache(lambda: report_texts(result, charts_folder=charts_folder))
    return {
        PAGE: lambda path: replacing.write_text(path, texts()[PAGE]),
        TEXT: lambda path: replacing.write_text(path, texts()[TEXT]),
    }


def report_texts(result: ReviewResult, *, charts_folder: str | None = None) -> dict[str, str]:
    """The report of a review, by the names of its two files.

    The frame times that can be zoomed in the page get the room that the rest of it leaves below `PAGE_BYTES`.
    """
    from frametime.render.report.html import render_html, with_traces
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
        page = with_traces(page, place, traces) if traces else render_html(report)
    return {PAGE: page, TEXT: render_markdown(report)}
