"""The layout that was found in a log, in the form of a layout file, with the evidence beside each line."""

from __future__ import annotations

from frametime.adapters.columns import ColumnChoice
from frametime.adapters.dialect import Dialect
from frametime.adapters.layout import UNIT_OF, Layout
from frametime.adapters.text_source import TextSource


def found_layout(source: TextSource, dialect: Dialect, choice: ColumnChoice) -> tuple[Layout, dict[str, str]]:
    """The layout, and a sentence for each key that was decided."""
    values: dict[str, str | int | None] = {
        "delimiter": dialect.delimiter or "none",
        "decimal": choice.style.decimal,
        "thousands": choice.style.thousands or None,
        "quote": "'" if dialect.quote == "'" else None,
        "encoding": source.encoding
        if source.encoding != "utf-8" and not source.encoding.startswith("utf-32")
        else None,
        "header_line": dialect.header_line,
        "units_line": dialect.units_line or None,
        "first_data_line": dialect.first_data_line,
    }
    first = choice.time or choice.frame_time
    assert first is not None and first.unit is not None
    values["time_column"], values["unit"] = first.ref, first.unit.name
    values["kind"] = "timestamp" if choice.time is not None else "rate" if first.unit.form == "rate" else "frame time"
    if choice.time is not None and choice.frame_time is not None and choice.frame_time.unit is not None:
        values["frame_time_column"] = choice.frame_time.ref
        values["frame_time_unit"] = choice.frame_time.unit.name
    for role, use in choice.others.items():
        values[f"{role}_column"] = use.ref
        if f"{role}_column" in UNIT_OF and use.unit is not None:
            values[f"{role}_unit"] = use.unit.name
    layout = Layout(**values)  # type: ignore[arg-type]  # each value has the type of its key
    known = {**dialect.evidence, **choice.evidence}
    return layout, {key: text for key, text in known.items() if getattr(layout, key, None) is not None}
