"""The tables of a review as frames and files: runs as Parquet with units, cells and standings as CSV."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final, Literal

from frametime.pipeline.table_frames import (
    Column,
    arrow_schema,
    arrow_table,
    formula_count,
    frame_of,
    write_csv,
)
from frametime.render.tables import table as shown
from frametime.render.tables.review_cells import cells_table
from frametime.render.tables.review_runs import runs_table as all_runs_table
from frametime.render.tables.review_standings import standings_table
from frametime.review.result import ReviewResult

if TYPE_CHECKING:
    import polars as pl
    import pyarrow as pa

_KINDS: Final[dict[str, Literal["text", "whole", "truth"]]] = {"text": "text", "whole": "whole", "truth": "truth"}


def cells_frame(result: ReviewResult) -> pl.DataFrame:
    """One row for each metric, card and cell: mean over runs, and the comparison with the baseline."""
    return _frame(cells_table(result))


def standings_frame(result: ReviewResult) -> pl.DataFrame:
    """One row for each cut, metric and card."""
    return _frame(standings_table(result))


def runs_frame(result: ReviewResult) -> pl.DataFrame:
    """One row a run: where it belongs, where it came from, what is wrong with it, and every metric."""
    return _frame(all_runs_table(result))


def cells_csv(result: ReviewResult, *, escape_formulas: bool = False) -> bytes:
    """The table of `cells_frame`."""
    return _csv_bytes(cells_frame(result), escape_formulas=escape_formulas)


def standings_csv(result: ReviewResult, *, escape_formulas: bool = False) -> bytes:
    """The table of `standings_frame`."""
    return _csv_bytes(standings_frame(result), escape_formulas=escape_formulas)


def review_formula_count(result: ReviewResult) -> int:
    """Cells of both tables that a spreadsheet would take for formulas."""
    return formula_count(cells_frame(result)) + formula_count(standings_frame(result))


def runs_table(result: ReviewResult) -> pa.Table:
    """The table of `runs_frame`, with the unit of each number."""
    from frametime.metrics.catalog.catalog import CATALOG

    units = {key: metric.unit for key, metric in CATALOG.items()} | {m.key: m.unit for m in result.metrics}
    table = all_runs_table(result)
    columns = [
        Column(
            name=column.name,
            kind=_KINDS.get(column.kind, "number"),
            unit=None if column.is_text else column.unit or units.get(column.key, "1"),
        )
        for column in table.columns
    ]
    return arrow_table(_frame(table), arrow_schema(columns, "frametime.runs/1"))


def _frame(table: shown.Table) -> pl.DataFrame:
    """The columns with names, in full precision; an interval is two columns, one for each end."""
    columns: list[Column] = []
    rows: list[dict[str, object]] = [{} for _ in table.rows]
    for place, column in enumerate(table.columns):
        ends = () if not column.name else ("low", "high") if column.kind == "range" else ("",)
        for end in ends:
            name = column.name.format(end=end)
            columns.append(Column(name=name, kind=_KINDS.get(column.kind, "number")))
            for values, row in zip(rows, table.rows, strict=True):
                values[name] = _end(row.cells[place], end) if end else row.cells[place].exact
    return frame_of(rows, columns)


def _end(cell: shown.Cell, end: str) -> object:
    return next((getattr(part, end) for part in cell.content if isinstance(part, shown.Range)), None)


def _csv_bytes(frame: pl.DataFrame, *, escape_formulas: bool) -> bytes:
    stream = io.BytesIO()
    write_csv(frame, stream, escape_formulas=escape_formulas)
    return stream.getvalue()
