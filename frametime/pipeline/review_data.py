"""A review as data: result.json with its JSON Schema, runs as Parquet with units, cells and standings as CSV."""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Any, Final, Literal

from frametime.capture import RejectedRow
from frametime.pipeline.table_frames import (
    Column,
    arrow_schema,
    arrow_table,
    formula_count,
    frame_of,
    write_csv,
)
from frametime.render.json_output import Plain, plain
from frametime.render.tables import table as shown
from frametime.render.tables.review_comparisons import cells_table, standings_table
from frametime.render.tables.review_runs import runs_table as all_runs_table
from frametime.review.result import SCHEMA_VERSION, ReviewResult

if TYPE_CHECKING:
    import polars as pl
    import pyarrow as pa


SCHEMA: Final = f"frametime.review/{SCHEMA_VERSION}"
DRAWING_ONLY: Final = ("curves", "findings")
"""Fields of a run that serve drawing and are most of the size: they stay with the measured runs."""


def review_document(result: ReviewResult) -> dict[str, Plain]:
    """Everything but the drawing material. Keys are only ever added within a schema number."""
    document = plain(_without_drawing(result))
    assert isinstance(document, dict)
    return {"schema": SCHEMA, **document}


def _without_drawing(result: ReviewResult) -> dict[str, object]:
    from dataclasses import fields

    shallow: dict[str, object] = {item.name: getattr(result, item.name) for item in fields(result)}
    shallow["runs"] = [
        {item.name: getattr(run, item.name) for item in fields(run) if item.name not in DRAWING_ONLY}
        for run in result.runs
    ]
    return shallow


def review_json(result: ReviewResult) -> str:
    """The text of ``result.json``."""
    import msgspec

    text = json.dumps(review_document(result), ensure_ascii=True, allow_nan=False)
    try:
        # Indenting in Python takes ten times as long as all else here.
        return msgspec.json.format(text, indent=2) + "\n"
    except msgspec.DecodeError:  # half a surrogate pair, from the name of a file that is no text
        return json.dumps(json.loads(text), ensure_ascii=True, indent=2) + "\n"


def review_schema() -> dict[str, object]:
    """JSON Schema (2020-12) of ``result.json``."""
    import msgspec

    _, components = msgspec.json.schema_components([ReviewResult], schema_hook=_anything, ref_template="#/$defs/{name}")
    definitions: dict[str, dict[str, Any]] = {name: _shortened(dict(body)) for name, body in components.items()}
    run = definitions["RunEntry"]
    for name in DRAWING_ONLY:
        run["properties"].pop(name)
        run["required"].remove(name)
    # A named tuple is an object here, not the list that it is elsewhere.
    row = definitions["RejectedRow"]
    definitions["RejectedRow"] = {
        **{key: row[key] for key in ("title", "description")},
        "type": "object",
        "properties": dict(zip(RejectedRow._fields, row["prefixItems"], strict=True)),
        "required": list(RejectedRow._fields),
    }
    top = definitions.pop("ReviewResult")
    used = _reachable(top, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA,
        "title": "Result of a review",
        "description": top["description"],
        "type": "object",
        "properties": {"schema": {"const": SCHEMA}, **top["properties"]},
        "required": ["schema", *top["required"]],
        "$defs": {name: definitions[name] for name in sorted(used)},
    }


def schema_text() -> str:
    """The text of the published schema."""
    return json.dumps(review_schema(), indent=2, ensure_ascii=True) + "\n"


def _anything(kind: type) -> dict[str, object]:
    """The resolved plan holds plain values of any form."""
    if kind is object:
        return {"description": "Plain values: texts, numbers, lists and objects."}
    raise NotImplementedError(f"there is no schema for {kind.__name__}")


def _shortened(body: dict[str, Any]) -> dict[str, Any]:
    """The first paragraph of the docstring describes the type; empty defaults, which not every version tells, go."""
    if isinstance(text := body.get("description"), str):
        body["description"] = " ".join(text.partition("\n\n")[0].split())
    for field in body.get("properties", {}).values():
        if field.get("default") in ({}, []):
            del field["default"]
    return body


def _reachable(top: object, definitions: dict[str, dict[str, Any]]) -> set[str]:
    found: set[str] = set()
    waiting = [top]
    while waiting:
        node = waiting.pop()
        if isinstance(node, dict):
            reference = node.get("$ref")
            if isinstance(reference, str) and (name := reference.rpartition("/")[2]) not in found:
                found.add(name)
                waiting.append(definitions[name])
            waiting.extend(node.values())
        elif isinstance(node, (list, tuple)):
            waiting.extend(node)
    return found


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
    from frametime.metrics.catalog import CATALOG

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
