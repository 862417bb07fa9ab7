"""The layout that was found in a log, in the form of a layout file, with the evidence beside each line."""

from __future__ import annotations

from dataclasses import replace

from frametime.adapters.columns.column_facts import ColumnChoice
from frametime.adapters.columns.layout import UNIT_OF, Layout
from frametime.adapters.text.dialect import Dialect
from frametime.adapters.text.text_source import TextSource


def found_layout(source: TextSource, dialect: Dialect, choice: ColumnChoice) -> tuple[Layout, dict[str, str]]:
    """The layout of a text, and a sentence for each key that was decided."""
    columns, why = found_columns(choice)
    if source.names is not None:
        return columns, why
    plain = source.encoding == "utf-8" or source.encoding.startswith("utf-32")
    layout = replace(
        columns,
        delimiter=dialect.delimiter or "none",
        decimal=choice.style.decimal,
        thousands=choice.style.thousands or None,
        quote="'" if dialect.quote == "'" else None,
        encoding=None if plain else source.encoding,
        header_line=dialect.header_line,
        units_line=dialect.units_line or None,
        first_data_line=dialect.first_data_line,
    )
    known = {**dialect.evidence, **choice.evidence, **why}
    return layout, {key: text for key, text in known.items() if getattr(layout, key, None) is not None}


def found_columns(choice: ColumnChoice) -> tuple[Layout, dict[str, str]]:
    """The columns alone, and a sentence for each key that was decided."""
    first = choice.time or choice.frame_time
    assert first is not None and first.unit is not None
    kind = "timestamp" if choice.time is not None else "rate" if first.unit.form == "rate" else "frame time"
    values: dict[str, str | int | None] = {"time_column": first.ref, "unit": first.unit.name, "kind": kind}
    if choice.time is not None and choice.frame_time is not None and choice.frame_time.unit is not None:
        values["frame_time_column"] = choice.frame_time.ref
        values["frame_time_unit"] = choice.frame_time.unit.name
    for role, use in choice.others.items():
        values[f"{role}_column"] = use.ref
        if f"{role}_column" in UNIT_OF and use.unit is not None:
            values[f"{role}_unit"] = use.unit.name
    layout = Layout(**values)  # type: ignore[arg-type]  # each value has the type of its key
    return layout, {key: text for key, text in choice.evidence.items() if getattr(layout, key, None) is not None}
