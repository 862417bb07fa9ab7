"""How a text is laid out: delimiter, quotes, decimal mark, preamble, header, units row, footer, cut last line.

Found from the first 64 and last 16 KiB, by what holds for many rows of data; the table reader then gets only rows.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Final, NamedTuple

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import unit_of_text
from frametime.adapters.text.cell_kind import CellKind, kind_of
from frametime.adapters.text.text_rows import (
    SAMPLE_ROWS,
    Row,
    filled_count,
    first_data_row,
    is_header,
    modal_count,
    split_rows,
    text_ending,
)
from frametime.adapters.text.text_source import TextSource, lines_of, too_many_columns
from frametime.errors import ReadError, printable

_SHORT_PREAMBLE: Final = 20
_USUAL_PREAMBLE: Final = 100
_HOLDS_TOGETHER: Final = 0.6
_BELOW: Final = 40
_SCORED_ROWS: Final = 30
_MOST: Final = (1.25, 1.2)
"""The best score that a delimiter can have, and that spaces or none can."""
_MAX_PREAMBLE_BYTES: Final = 32 << 20
_CANDIDATES: Final = (",", ";", "\t", "|", " ", "")
_SEP_LINE: Final = r'(?i:"?sep=(.)"?\s*)'
_COMMENT: Final = r"\s*(?:#|//|%|;|\*)+\s?"
_KEY_VALUE: Final = r"\s*([^:=]{1,60}?)\s*(?:[:=])\s*(.{1,500}?)\s*"
_SPACED_QUOTE: Final = r'[,;|] +"'


class Dialect(NamedTuple):
    """How one text is laid out.

    Attributes
    ----------
    delimiter : str
        Empty for a single column; a space stands for one or more spaces.
    quote : str
        Empty where cells are not quoted.
    spaced_quotes : bool
        Whether a space stands between delimiter and quote.
    multiline_cells : bool
        Whether quoted cells hold line ends.
    header_line, units_line : int
        Counted from 1; 0 where there is none.
    first_data_line : int
    names, units_row : tuple of str
        One for each column; empty where there is none.
    n_columns : int
    data_start, data_end : int
        Bytes of the source between which the rows lie.
    sample : tuple of Row
        Rows from the start of the data.
    tail : tuple of Row
        Rows from the end; their line numbers count from the start of the tail.
    cut_last_line : str or None
        Text of a last line that was cut off, or may have been, left out of the data.
    has_open_row : bool
        Whether the last row of the data has no line end, nor a quote that closes its last cell.
    footer : tuple of str
        Lines after the data.
    metadata : dict
        Key and value pairs above the header.
    evidence : dict
        Layout key to a sentence.
    """

    delimiter: str
    quote: str
    spaced_quotes: bool
    multiline_cells: bool
    header_line: int
    units_line: int
    first_data_line: int
    names: tuple[str, ...]
    units_row: tuple[str, ...]
    n_columns: int
    data_start: int
    data_end: int
    sample: tuple[Row, ...]
    tail: tuple[Row, ...]
    cut_last_line: str | None
    has_open_row: bool
    footer: tuple[str, ...]
    metadata: dict[str, str]
    evidence: dict[str, str]


def _score(rows: Sequence[Row], start: int, delimiter: str) -> float:
    """How well the data rows of one candidate hold together: 0 to about 1.3."""
    sample = rows[start : start + _SCORED_ROWS]
    count = modal_count(sample)
    fitting = [row for row in sample if len(row.cells) == count]
    cells = [kind_of(cell) for row in fitting for cell in row.cells]
    # An empty cell after the last delimiter is no value, and no fault either.
    numeric = sum(kind is not CellKind.TEXT for kind in cells) / len(cells)
    score = len(fitting) / len(sample) * numeric
    filled = Counter(filled_count(row.cells) for row in fitting).most_common(1)[0][0]
    if any(filled_count(row.cells) == filled and is_header(row.cells) for row in rows[max(0, start - 3) : start]):
        score += 0.2
    if count > 1 and delimiter != " ":
        score += 0.05
    if count > 1 and delimiter == " " and any(kind in (CellKind.CLOCK, CellKind.DATE) for kind in cells[:count]):
        # "2026-01-02 03:04:05" is one cell
        score -= 0.1
    return score


def _is_units_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in map(str.strip, cells) if cell.strip(" -#[]()")]
    if not any(cell[0] in "[({" or len(cell) < 16 for cell in filled):
        return False
    known = sum(unit_of_text(cell) is not None for cell in filled)
    bracketed = sum(cell[0] + cell[-1] in ("[]", "()", "{}") for cell in filled)
    return bool(filled) and known > 0 and (known == len(filled) or bracketed == len(filled))


def detect_dialect(source: TextSource, options: ReadOptions, *, keeps_open_row: bool = True) -> Dialect:
    """Find how a text is laid out; what ``options.layout`` states is taken as told.

    A last row without a line end belongs to the data unless it is seen to be cut off; where its last number matters
    and may lack digits unseen, ``keeps_open_row=False`` leaves it out.

    Raises
    ------
    ReadError
        If no rows of numbers are found, or more columns than ``options.max_columns``.
    """
    if source.names is not None:
        return _known_dialect(source, source.names, source.units or ())
    layout = options.layout or Layout()
    while True:
        lines = lines_of(source.head)
        if not lines:
            raise ReadError.at(source.name, "this file holds no text", helps="record the run again")
        _refuse_very_wide(source, lines, layout, options)
        try:
            delimiter, quote, spaced, rows, start, why = _best_split(source, lines, layout)
            break
        except ReadError:
            # More may stand above the table than the first lines hold.
            if source.complete or len(source.head) >= _MAX_PREAMBLE_BYTES:
                raise
            longer = source.longer(options)
            if len(longer.head) <= len(source.head):
                raise
            source = longer
    _refuse_zero_bytes(source, lines[: rows[start].line - 1])
    count = modal_count(rows[start : start + SAMPLE_ROWS])
    header, units, names = _header_above(source, lines, rows, start, count, delimiter, quote, spaced, layout)
    n_columns = count
    if n_columns > options.max_columns:
        raise too_many_columns(source.name, n_columns, options, rows[start].line)
    first_line = rows[start].line
    data_start = source.start + len("".join(lines[: first_line - 1]).encode("utf-8"))
    sample = tuple(rows[start:])
    ending = text_ending(source, sample, data_start, delimiter, quote, spaced, n_columns, keeps_open_row=keeps_open_row)
    top = header.line if header is not None else first_line
    evidence = {
        "delimiter": why,
        "encoding": source.why,
        "header_line": f"line {header.line} is the nearest line above the numbers with as many names"
        if header is not None
        else "no line of names stands above the numbers",
        "first_data_line": f"from line {first_line} on, rows have {n_columns} cells with numbers",
    }
    return Dialect(
        delimiter=delimiter,
        quote=quote,
        spaced_quotes=spaced,
        multiline_cells=any(row.next_line - row.line > 1 for row in sample),
        header_line=header.line if header is not None else 0,
        units_line=units.line if units is not None else 0,
        first_data_line=first_line,
        names=names,
        units_row=_padded(units.cells, n_columns) if units is not None else (),
        n_columns=n_columns,
        data_start=data_start,
        metadata=_metadata(lines[: top - 1], delimiter),
        sample=ending.sample,
        data_end=ending.data_end,
        tail=ending.tail,
        cut_last_line=ending.cut,
        has_open_row=ending.is_open,
        footer=ending.footer,
        evidence=evidence,
    )


def _known_dialect(source: TextSource, names: tuple[str, ...], units: tuple[str, ...]) -> Dialect:
    """The dialect of a text that this package wrote from a table of columns."""
    last = source.tail()[1]
    return Dialect(
        delimiter=",",
        quote='"',
        spaced_quotes=False,
        multiline_cells=False,
        header_line=0,
        units_line=0,
        first_data_line=1,
        names=names,
        units_row=units,
        n_columns=len(names),
        data_start=source.start,
        data_end=source.end,
        sample=tuple(split_rows(lines_of(source.head), ",", '"')),
        tail=tuple(split_rows(lines_of(last), ",", '"')[-200:]),
        cut_last_line=None,
        has_open_row=False,
        footer=(),
        metadata={},
        evidence={},
    )


def _refuse_zero_bytes(source: TextSource, above: Sequence[str]) -> None:
    """Zero bytes above the rows, or in the first of them, leave open what the names are."""
    line = next((number for number, text in enumerate(above, start=1) if "\0" in text), None)
    if line is not None:
        raise ReadError.at(
            source.name,
            "a zero byte stands in the names or in the first rows",
            line=line,
            helps="the file is damaged, as after a loss of power: record the run again, or remove that line",
        )


def _refuse_very_wide(source: TextSource, lines: Sequence[str], layout: Layout, options: ReadOptions) -> None:
    """Refuse a million columns before they are taken apart in every way that is tried."""
    delimiters = [each for each in (*_CANDIDATES, layout.delimiter or "") if each.strip() or each == "\t"]
    for number, line in enumerate(lines[:_USUAL_PREAMBLE], start=1):
        # A short line cannot have so many, and nearly every line is short.
        if len(line) > options.max_columns:
            n_columns = max(line.count(each) for each in delimiters) + 1
            if n_columns > options.max_columns:
                raise too_many_columns(source.name, n_columns, options, number)


def _padded(cells: Sequence[str], count: int) -> tuple[str, ...]:
    return (*cells[:count], *[""] * (count - len(cells)))


def _best_split(source: TextSource, lines: Sequence[str], layout: Layout) -> tuple[str, str, bool, list[Row], int, str]:
    """The delimiter and quote under which the rows hold together best."""
    stated = re.fullmatch(_SEP_LINE, lines[0].rstrip("\r\n"))
    candidates: tuple[str, ...] = _CANDIDATES
    why = ""
    if layout.delimiter is not None:
        candidates, why = ("" if layout.delimiter == "none" else layout.delimiter,), "as told"
    elif stated is not None:
        candidates, why = (stated[1],), "the first line names it"
    quotes = ('"', "'") if layout.quote is None else ("" if layout.quote == "none" else layout.quote,)
    best: tuple[float, str, str, list[Row], int] | None = None
    spaced = re.search(_SPACED_QUOTE, source.head) is not None
    pairs = [
        (quote, delimiter)
        for quote in quotes
        for delimiter in candidates
        if (not delimiter or delimiter in source.head) and not (quote == "'" and "'" not in source.head)
    ]
    quoted = any(quote in source.head for quote in quotes if quote)
    for limit in (_USUAL_PREAMBLE if quoted else _SHORT_PREAMBLE, _USUAL_PREAMBLE, len(lines)):
        seen = lines[: limit + max(limit, SAMPLE_ROWS + 5)]
        below = "".join(seen[-_BELOW:])
        for quote, delimiter in pairs:
            if delimiter not in below or (best is not None and best[0] >= _MOST[delimiter in {"", " "}] - 1e-9):
                continue
            found = _split_and_find(seen, delimiter, quote, spaced=spaced, layout=layout, limit=limit)
            score = _score(*found, delimiter) if found is not None else 0.0
            if found is not None and (best is None or score > best[0] + 1e-9):
                best = (score, delimiter, quote, *found)
        # Lines of settings may look like a table of their own: what holds together badly is no table yet.
        if best is not None and best[0] >= _HOLDS_TOGETHER:
            break
    if best is None:
        raise _no_rows(source, lines)
    _, delimiter, quote, rows, start = best
    shown = {"\t": "tab", " ": "space", "": "none"}.get(delimiter, delimiter)
    why = why or f"with {shown!r}, cell counts are constant and most cells are numbers"
    return delimiter, quote, spaced, rows, start, why


def _split_and_find(
    lines: Sequence[str], delimiter: str, quote: str, *, spaced: bool, layout: Layout, limit: int
) -> tuple[list[Row], int] | None:
    if layout.first_data_line is not None:
        at = layout.first_data_line - 1
        head = split_rows(lines[:at], delimiter, "", spaced=spaced)
        rows = split_rows(lines[at:], delimiter, quote, spaced=spaced, first_line=at + 1)
        return ([*head, *rows], len(head)) if rows else None
    rows = split_rows(lines, delimiter, quote, spaced=spaced)
    start = first_data_row(rows, limit)
    if start is None:
        # An odd quote in the preamble swallows the rows below it: find the data without quotes, then read with them.
        plain = split_rows(lines, delimiter, "", spaced=spaced)
        begin = first_data_row(plain, limit)
        if begin is None:
            return None
        line = plain[begin].line
        rows = [
            *plain[:begin],
            *split_rows(lines[line - 1 :], delimiter, quote, spaced=spaced, first_line=line),
        ]
        start = begin
        if first_data_row(rows[begin:], 1) != 0:
            return None
    return rows, _with_missing_above(rows, start)


def _with_missing_above(rows: Sequence[Row], start: int) -> int:
    """Where the data begin when rows without any value directly above are counted in: they are rows of the table."""
    count = len(rows[start].cells)
    while start > 0:
        cells = rows[start - 1].cells
        if len(cells) != count or any(kind_of(cell) is CellKind.TEXT for cell in cells):
            break
        start -= 1
    return start


def _no_rows(source: TextSource, lines: Sequence[str]) -> ReadError:
    filled = [line.strip() for line in lines if line.strip()]
    shown = printable(filled[0], limit=60) if filled else ""
    if len(filled) == 1:
        error = ReadError.at(
            source.name, f"there is one line and no row of numbers below it: {shown!r}", helps="record the run again"
        )
    else:
        error = ReadError.at(
            source.name,
            f"no rows of numbers were found; the first line is {shown!r}",
            helps="give a text file with one row a frame, or describe it with --layout",
        )
    return error


def _header_above(
    source: TextSource,
    lines: Sequence[str],
    rows: Sequence[Row],
    start: int,
    count: int,
    delimiter: str,
    quote: str,
    spaced: bool,
    layout: Layout,
) -> tuple[Row | None, Row | None, tuple[str, ...]]:
    """Header and units row above the data, and the names padded to the number of columns."""
    above = [
        row
        for row in split_rows(lines[: rows[start].line - 1], delimiter, "", spaced=spaced)
        if not re.fullmatch(_SEP_LINE, delimiter.join(row.cells))
    ]
    if quote:
        above = [_unquoted(row, lines, delimiter, quote, spaced) for row in above]
    if layout.header_line is not None or layout.units_line is not None:
        by_line = {row.line: row for row in above}
        header = by_line.get(layout.header_line or 0)
        if layout.header_line and header is None:
            raise ReadError.at(
                source.name, f"header_line is {layout.header_line}, and no header stands there", line=layout.header_line
            )
        units = by_line.get(layout.units_line or 0)
        return header, units, _padded(_names(header), count) if header is not None else ()
    fills = Counter(filled_count(row.cells) for row in rows[start : start + SAMPLE_ROWS])
    filled = fills.most_common(1)[0][0] if fills else count
    units = None
    for row in reversed(above):
        names = _names(row)
        if not filled <= len(names) or filled_count(names) > count or not "".join(names).strip(":-=+ "):
            continue
        if units is None and _is_units_row(row.cells):
            units = row
            continue
        if is_header(names):
            return row, units, _padded(names, count)
        break
    if units is not None:
        # A name that is a unit itself, such as one column of "fps", with no other name above it.
        return units, None, _padded(_names(units), count)
    _refuse_uneven_header(source, above, filled)
    return None, None, ()


def _refuse_uneven_header(source: TextSource, above: Sequence[Row], filled: int) -> None:
    """A line of names directly above rows with another number of cells: which name belongs to which is a guess."""
    if not above or len(above[-1].cells) < 2 or not is_header(above[-1].cells):
        return
    names = filled_count(_names(above[-1]))
    helps = "give first_data_line, header_line = 0 and columns by position in a layout"
    if filled == 2 * names:
        helps = "if cells hold decimal commas, the file must be written with another delimiter or with quotes"
    raise ReadError.at(
        source.name, f"{names} names, but {filled} cells in the rows below", line=above[-1].line, helps=helps
    )


def _unquoted(row: Row, lines: Sequence[str], delimiter: str, quote: str, spaced: bool) -> Row:
    again = split_rows(lines[row.line - 1 : row.next_line - 1], delimiter, quote, spaced=spaced, first_line=row.line)
    return again[0] if len(again) == 1 else row


def _names(row: Row) -> tuple[str, ...]:
    first = re.match(_COMMENT, row.cells[0])
    cells = (row.cells[0][first.end() :], *row.cells[1:]) if first else row.cells
    return tuple(cell.strip() for cell in cells)


def _metadata(lines: Sequence[str], delimiter: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in lines[:500]:
        text = re.sub(_COMMENT, "", line.strip(), count=1)
        pair = text.split(delimiter, 1) if delimiter and delimiter != " " and text.count(delimiter) == 1 else []
        match = re.fullmatch(_KEY_VALUE, text)
        if match is not None and not (pair and match.end(1) > len(pair[0])):
            pair = [match[1], match[2]]
        if len(pair) == 2 and pair[0].strip() and pair[1].strip() and not re.fullmatch(_SEP_LINE, text):
            found.setdefault(pair[0].strip().strip('"'), pair[1].strip().strip('"'))
    return found
