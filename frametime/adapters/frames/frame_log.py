"""Delimited text with one row a frame."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any, BinaryIO, Final

from frametime.adapters.base import HEAD_BYTES, ParsedLog, ReadOptions
from frametime.adapters.columns.column_choice import choose_columns
from frametime.adapters.columns.column_facts import column_facts, styles_of
from frametime.adapters.columns.layout import LAYOUTS_NAME, Layout, remember, remembered_layout
from frametime.adapters.file_kind import no_capture, writer_of_text
from frametime.adapters.frames.frame_assembly import assemble
from frametime.adapters.frames.frame_columns import FrameText, read_columns, read_other_columns
from frametime.adapters.stored_log import ARROW_HEADS
from frametime.adapters.text.dialect import detect_dialect
from frametime.adapters.text.table_reader import scan_rows, source_caveats
from frametime.adapters.text.text_rows import SAMPLE_ROWS, Dialect, may_lack_digits
from frametime.adapters.text.text_source import TextSource, encoding_of, not_text, read_in_its_encoding
from frametime.caveats import Caveat, Weight

_LONG_ROWS: Final = 1_000_000
_NO_CONTROLS: Final = {code: None for code in range(32) if chr(code) not in "\t\n\r\v\f\x1a"}


class FrameLogAdapter:
    """Reads delimited text with one row a frame."""

    name = "delimited-text"

    def recognizes(self, head: bytes) -> bool:
        """Whether the first bytes are text at all."""
        if not head or head.startswith(ARROW_HEADS) or not_text(head) is not None:
            return False
        encoding, bom, _ = encoding_of(head[:HEAD_BYTES], complete=False)
        text = head[bom:].rstrip(b"\0").decode(encoding, "replace")
        controls = len(text) - len(text.translate(_NO_CONTROLS))
        return controls * 100 <= len(text)

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the log.

        Raises
        ------
        ReadError
            If it is no frame log, or can be read only with a guess.
        """
        told = options.layout.encoding if options.layout is not None else None
        return read_in_its_encoding(log, options, told, lambda source: _parse(source, options))


def _parse(source: TextSource, options: ReadOptions) -> ParsedLog:
    if (command := writer_of_text(source.head, source.names)) is not None:
        raise no_capture(source.name, command)
    dialect = detect_dialect(source, options)
    told = (options.layout, options.time_column, options.unit)
    columns_of = (source.name, dialect.names, dialect.n_columns)
    remembered: tuple[Caveat, ...] = ()
    if all(each is None for each in told) and (kept := remembered_layout(*columns_of)) is not None:
        options = replace(options, layout=kept)
        message = f"Read with the layout that {LAYOUTS_NAME} keeps for logs of these columns."
        remembered = (Caveat(code="layout-remembered", message=message, weight=Weight.NOTE),)
    log = _chosen(source, dialect, options)
    if dialect.has_open_row and _ends_in_a_frame_time(log):
        dialect = detect_dialect(source, options, keeps_open_row=False)
        log = _chosen(source, dialect, options)
    scan = scan_rows(source, dialect)
    columns = read_columns(log)
    layout, comments = _found_layout(log)
    parsed, rows = assemble(columns)
    if options.remember:
        remember(*columns_of, layout)
    return replace(
        parsed,
        layout_toml=layout.to_toml(comments=comments),
        evidence=(*(f"{key}: {text}" for key, text in comments.items()), *parsed.evidence),
        caveats=(*remembered, *log.choice.caveats, *scan, *source_caveats(source, dialect), *parsed.caveats),
        metadata={**dialect.metadata, **parsed.metadata},
        read_columns=partial(read_other_columns, log, columns.records, rows),
    )


def _chosen(source: TextSource, dialect: Dialect, options: ReadOptions) -> FrameText:
    """What is known of the columns, by the first rows that have every cell, and which of them are read."""
    facts = column_facts(
        dialect.names,
        dialect.units_row,
        [row.cells for row in dialect.sample if len(row.cells) >= dialect.n_columns][:SAMPLE_ROWS],
        dialect.n_columns,
        [row.cells for row in dialect.tail],
        units_place="the units row" if source.names is None else "the metadata of the column",
    )
    styles, why = styles_of(facts, options.layout or Layout())
    choice = choose_columns(facts, styles, options, source.name)
    choice.evidence.setdefault("decimal", why)
    return FrameText(source, dialect, facts, choice, options)


def _ends_in_a_frame_time(log: FrameText) -> bool:
    """Whether the last cell of a row is a frame time that may lack digits unseen; a timestamp would run backwards."""
    use, last = log.choice.frame_time, log.dialect.n_columns - 1
    alone = log.choice.time is None and use is not None and use.position == last
    return alone and may_lack_digits(log.facts[last].cells, log.choice.style.decimal)


def _found_layout(log: FrameText) -> tuple[Layout, dict[str, str]]:
    """The layout of a log in the form of a layout file, and a sentence for each key that was decided."""
    source, dialect, choice = log.source, log.dialect, log.choice
    first = choice.time or choice.frame_time
    assert first is not None and first.unit is not None
    kind = "timestamp" if choice.time is not None else "rate" if first.unit.form == "rate" else "frame time"
    columns: dict[str, Any] = {"time_column": first.ref, "unit": first.unit.name, "kind": kind}
    second = {"frame_time": choice.frame_time} if choice.time is not None and choice.frame_time is not None else {}
    for role, use in (second | dict(choice.others)).items():
        columns[f"{role}_column"] = use.ref
        if use.unit is not None:
            columns[f"{role}_unit"] = use.unit.name
    layout = Layout(**columns)
    if source.names is None:
        layout = replace(
            layout,
            delimiter=dialect.marks.delimiter or "none",
            decimal=choice.style.decimal,
            thousands=choice.style.thousands or None,
            quote="'" if dialect.marks.quote == "'" else None,
            encoding=None if source.encoding == "utf-8" else source.encoding,
            header_line=dialect.header_line,
            units_line=dialect.units_line or None,
            first_data_line=dialect.first_data_line,
        )
    known = {**dialect.evidence, **choice.evidence}
    return layout, {key: text for key, text in known.items() if getattr(layout, key, None) is not None}
