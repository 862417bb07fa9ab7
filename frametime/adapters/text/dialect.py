"""How a text is laid out: delimiter, quotes, decimal mark, preamble, header, units row, footer, cut last line.

Found from the first and last 16 KiB, more where they hold few rows, by what holds for many rows of data; the table
reader then gets only rows.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

from frametime.adapters.arrow.arrow_columns import pa
from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import ColumnFacts, column_facts
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import FRAME_MEANINGS, RATE, TIME_MEANINGS, Meaning, header_meaning, unit_of_text
from frametime.adapters.text.cells import CellKind, is_value, kind_of
from frametime.adapters.text.text_rows import SAMPLE_ROWS, WINDOW_ROWS, Dialect, Marks, Row, split_rows, with_ending
from frametime.adapters.text.text_source import HEAD_BYTES, TextSource, check_columns, lines_of
from frametime.errors import ReadError, printable

_SHORT_PREAMBLE: Final = 20
_USUAL_PREAMBLE: Final = 100
_HOLDS_TOGETHER: Final = 0.6
_BELOW: Final = 40
_MOST_OF_TABLE: Final = 200
_SEEN_LINES: Final = _SHORT_PREAMBLE + SAMPLE_ROWS + 5
_SCORED_ROWS: Final = 30
# The best score that a delimiter can have, and that spaces or none can.
_MOST: Final = (1.25, 1.2)
_MAX_PREAMBLE_BYTES: Final = 32 << 20
# The comma after those beside which it is a decimal mark: taking such rows apart by it is slow.
_CANDIDATES: Final = (";", "\t", "|", ",", " ", "", "^", "~")
_SEP_LINE: Final = r'(?i:"?sep=(.)"?\s*)'
# A line whose only comma parts the seconds of a moment before words, as programs log it.
_FRACTION: Final = r"[^,]*\d:\d\d,\d{3,9}(?:Z|[ +-])[^,]*[^\W\d_][^,]*"
_COMMENT: Final = r"\s*(?:#|//|%|;|\*)+\s?"
_NAMES_ARE: Final = r"(?:(?i:names?|columns?|fields?|header)\s*:\s*)?"
_SPACED_QUOTE: Final = r'[,;|] +"'


def _modal_count(rows: Sequence[Row], count: Callable[[Sequence[str]], int] = len) -> int:
    """The number of cells that most rows have."""
    counts = [count(row.cells) for row in rows]
    return max(dict.fromkeys(counts), key=counts.count)


def _first_data_row(rows: Sequence[Row], limit: int = 1 << 30) -> int | None:
    """Index of the first row from which on rows have equal cell counts and the same columns of numbers."""

    kinds = [tuple(map(kind_of, row.cells)) for row in rows[: limit + WINDOW_ROWS]]
    for index in range(min(len(rows), limit)):
        if not any(map(is_value, kinds[index])):
            continue
        window = range(index, min(index + WINDOW_ROWS, len(rows)))
        count = _modal_count(rows[window.start : window.stop])
        fitting = [at for at in window if len(rows[at].cells) == count]
        is_regular = index in fitting and len(fitting) * 10 >= len(window) * 8
        if is_regular and _is_data(kinds[index], [kinds[at] for at in fitting]) and not _is_summary(rows[index:]):
            return index
    return None


def _is_summary(rows: Sequence[Row]) -> bool:
    """Whether rows begin with a word for their numbers, and names of another table stand below them."""
    if kind_of(rows[0].cells[0]) is not CellKind.TEXT:
        return False
    kinds = [tuple(map(kind_of, row.cells)) for row in rows]
    pairs = ((each, after) for each, after in pairwise(kinds) if len(each) == len(after) == len(kinds[0]))
    return any({*each} == {CellKind.TEXT} and is_value(after[0]) for each, after in pairs)


def _is_data(first: Sequence[CellKind], window: Sequence[tuple[CellKind, ...]]) -> bool:
    numeric = 0
    for kind, kinds in zip(first, zip(*window, strict=True), strict=True):
        texts = kinds.count(CellKind.TEXT)
        values = len(kinds) - texts - kinds.count(CellKind.MISSING)
        if values and 10 * texts <= 2 * len(kinds) and values * 2 >= len(kinds):
            if kind is CellKind.TEXT:
                return False
            numeric += is_value(kind)
    return numeric > 0


def _filled_count(cells: Sequence[str]) -> int:
    """Number of cells up to the last one that is not empty."""
    return next((count for count in range(len(cells), 0, -1) if cells[count - 1].strip()), 0)


def _is_header(cells: Sequence[str]) -> bool:
    """Whether cells may be names: texts, and no value among them, nor digits and marks alone."""
    kinds = [kind_of(cell) for cell in cells]
    is_number = re.fullmatch(r"[\s.,+-]*\d[\d\s.,+-]*", "".join(cells))
    return CellKind.TEXT in kinds and not any(map(is_value, kinds)) and is_number is None


class _Split(NamedTuple):
    """One way to take the first lines apart: rows, where those of numbers begin, and how well they hold together."""

    marks: Marks
    rows: list[Row]
    start: int
    score: float
    why: str = ""

    @property
    def n_columns(self) -> int:
        """How many cells most rows of numbers have."""
        return _modal_count(self.rows[self.start : self.start + SAMPLE_ROWS])

    @property
    def n_filled(self) -> int:
        """How many they have up to the last one that is not empty."""
        return _modal_count(self.rows[self.start : self.start + SAMPLE_ROWS], _filled_count)


def _score(rows: Sequence[Row], start: int, delimiter: str) -> float:
    """How well the data rows of one candidate hold together: 0 to about 1.3."""
    sample = rows[start : start + _SCORED_ROWS]
    count = _modal_count(sample)
    fitting = [row for row in sample if len(row.cells) == count]
    cells = [kind_of(cell) for row in fitting for cell in row.cells]
    # An empty cell after the last delimiter is no value, and no fault either.
    score = len(fitting) / len(sample) * (1.0 - cells.count(CellKind.TEXT) / len(cells))
    filled = _modal_count(fitting, _filled_count)
    if any(_filled_count(row.cells) == filled and _is_header(row.cells) for row in rows[max(0, start - 3) : start]):
        score += 0.2
    if count > 1 and delimiter != " ":
        score += 0.05
    if count > 1 and delimiter == " " and any(kind in (CellKind.CLOCK, CellKind.DATE) for kind in cells[:count]):
        # "2026-01-02 03:04:05" is one cell
        score -= 0.1
    return score


def _is_units_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in map(str.strip, cells) if cell.strip(" -#[]()")]
    known = sum(unit_of_text(cell) is not None for cell in filled)
    bracketed = sum(cell[0] + cell[-1] in ("[]", "()", "{}") for cell in filled)
    return bool(filled) and known > 0 and (known == len(filled) or bracketed == len(filled))


def detect_dialect(source: TextSource, options: ReadOptions, *, looks_at_end: bool = True) -> Dialect:
    """Find how a text is laid out; what ``options.layout`` states is taken as told.

    Of a text that is only the beginning of a log the end says nothing, and need not be looked at.

    Raises
    ------
    ReadError
        If no rows of numbers are found, or more columns than ``options.max_columns``.
    """
    if source.names is not None:
        return _of_table(source, source.names)
    dialect = _above_plain_rows(source, options) or _dialect_of(source, options)
    return with_ending(dialect, source) if looks_at_end else dialect


def _above_plain_rows(source: TextSource, options: ReadOptions) -> Dialect | None:
    """The dialect of a text whose first rows hold nothing but plain numbers; ``None`` for any other.

    What stands above such rows decides alone, and is the same in many logs of a folder.
    """
    *lines, rest = source.head.split("\n", _SEEN_LINES)
    at = next((at for at, line in enumerate(lines[:_SHORT_PREAMBLE]) if line[:1].isdecimal()), None)
    # A line has no more cells than characters.
    usual = len(lines) == _SEEN_LINES and max(map(len, lines)) <= options.max_columns and ' "' not in rest
    if at is None or options.layout is not None or not usual:
        return None
    above, rows = "\n".join([*lines[:at], ""]), "\n".join([*lines[at:], ""])
    dialect = _below(above, re.sub("[0-9.]+", "111", lines[at]), source.why)
    sample = dialect.marks.plain_rows(rows, dialect.n_columns, at + 1) if dialect and not dialect.lacks_a_name else ()
    start = source.start + len(above.encode())
    return dialect._replace(sample=sample, data_start=start, data_end=source.end) if dialect and sample else None


@lru_cache(maxsize=256)
def _below(above: str, row: str, why: str) -> Dialect | None:
    """The dialect of such a row many times below these lines; ``None`` where they are not all of its rows.

    Of plain numbers the digits have no say in it, and ``111,111,111`` is the row that is soonest one number in groups.
    """
    source = TextSource(io.BytesIO(), "", 0, 0, above + f"{row}\n" * _SEEN_LINES, complete=True, why=why)
    try:
        dialect = _dialect_of(source, ReadOptions())
    except ReadError:
        return None  # told of the log itself, by its name
    return dialect._replace(sample=()) if dialect.data_start == len(above.encode()) else None


def _dialect_of(source: TextSource, options: ReadOptions) -> Dialect:
    """The dialect by the first lines, whatever stands there."""
    layout = options.layout or Layout()
    lines, split = _table_in(source, layout, options)
    counts = [len(row.cells) for row in split.rows[-_BELOW:]]
    if len(counts) == _BELOW and sum(a != b for a, b in pairwise(counts)) * 10 > 9 * _BELOW:
        found = f"rows of {counts[-2]} and of {counts[-1]} cells take turns: a frame is no single row"
        raise ReadError.at(source.name, found, helps="write one row a frame, with the same cells in each")
    marks, n_columns = split.marks, split.n_columns
    sample, above_it = tuple(split.rows[split.start :]), split.rows[: split.start]
    # A few rows far below many others that hold numbers, too, are the last of those, as of blocks of lines.
    if 10 * len(sample) < sum(any(map(is_value, map(kind_of, row.cells))) for row in above_it):
        raise _no_rows(source.name, lines)
    first_line = sample[0].line
    # Zero bytes above the rows, or in the first of them, leave open what the names are.
    line = next((number for number, text in enumerate(lines[: first_line - 1], start=1) if "\0" in text), None)
    if line is not None:
        helps = "the file is damaged, as after a loss of power: record the run again, or remove that line"
        raise ReadError.at(source.name, "a zero byte stands in the names or in the first rows", line=line, helps=helps)
    check_columns(source.name, n_columns, options, first_line)
    above = ["", *lines[: first_line - 1]]  # by their numbers
    header, units = _header_above(source, above, split, layout)
    n_names = len(_names_in(above[header], marks))
    nearest = f"line {header} is the nearest line above the numbers with as many names"
    evidence = {
        "delimiter": split.why,
        "encoding": source.why,
        "header_line": nearest if header else "no line of names stands above the numbers",
        "first_data_line": f"from line {first_line} on, rows have {n_columns} cells with numbers",
    }
    start = source.start + len("".join(lines[: first_line - 1]).encode("utf-8"))
    names, units_row = (_names_in(above[line], marks, n_columns) for line in (header, units))
    dialect = Dialect(marks, n_columns, names, units_row, start, source.end, sample, evidence=evidence)
    metadata = _metadata(lines[: (header or first_line) - 1], marks.delimiter)
    dialect = dialect._replace(header_line=header, units_line=units, first_data_line=first_line, metadata=metadata)
    multiline = any(row.next_line - row.line > 1 for row in sample)
    lacks_a_name = layout.header_line is None and 0 < n_names < n_columns == split.n_filled
    return dialect._replace(multiline_cells=multiline, lacks_a_name=lacks_a_name)


def _no_rows(name: str, lines: Sequence[str]) -> ReadError:
    shown = printable(next(filter(None, map(str.strip, lines)), ""), limit=60)
    found = f"no rows of numbers were found; the first line is {shown!r}"
    return ReadError.at(name, found, helps="record again, or describe it with a column layout")


def facts_of(dialect: Dialect) -> tuple[ColumnFacts, ...]:
    """The facts of each column of a text or a table, by the first and the last rows that have every cell."""
    parts = dialect.sample, dialect.tail
    rows, last_rows = ([row.cells for row in part if len(row.cells) >= dialect.n_columns] for part in parts)
    facts = column_facts(dialect.names, dialect.units_row, rows, dialect.n_columns, last_rows)
    # In a line such as "frame 12 took 9.1 ms, gpu 7.2 ms" the word before a number says what it is of.
    others = [not any(dialect.names) and fact.says_no_frame for fact in facts]
    return tuple(f._replace(numeric=f.numeric and not no) for f, no in zip(facts, (False, *others), strict=False))


def _of_table(source: TextSource, names: tuple[str, ...]) -> Dialect:
    """The dialect of rows that stand in no text."""
    from frametime.adapters.arrow.arrow_source import cells_as

    def rows(at: int) -> tuple[Row, ...]:
        part = source.table.slice(at, _MOST_OF_TABLE)
        cells = zip(*([cell or "" for cell in cells_as(c, pa.string()).to_pylist()] for c in part.columns), strict=True)
        return tuple(Row(line, line + 1, each) for line, each in enumerate(cells, at + 1))

    end = max(0, source.table.num_rows - _MOST_OF_TABLE)
    dialect = Dialect(Marks(",", '"'), len(names), names, source.units, 0, 0, rows(0), rows(end))
    return dialect._replace(footer=source.left_out, cut_last_line=source.cut or None)


def _table_in(source: TextSource, layout: Layout, options: ReadOptions) -> tuple[list[str], _Split]:
    """The first lines, as many as hold rows enough, and the best way to take them apart."""
    while True:
        if not (lines := lines_of(source.head)):
            raise ReadError.at(source.name, "this file holds no text", helps="record the run again")
        for at in (at for at, line in enumerate(lines[:_USUAL_PREAMBLE]) if len(line) > options.max_columns):
            # Before it is taken apart in every way; a short line cannot have so many, and nearly every line is short.
            check_columns(source.name, max(map(lines[at].count, ",;\t|^~")) + 1, options, at + 1)
        split = _best_split(source, lines, layout)
        is_clear = split is not None and len(split.rows) - split.start >= SAMPLE_ROWS and split.score >= _HOLDS_TOGETHER
        # More may stand above the table than the first lines hold.
        most = _MAX_PREAMBLE_BYTES if split is None else HEAD_BYTES + 1
        longer = source if is_clear or source.complete or len(source.head) >= most else source.longer(options)
        if len(longer.head) <= len(source.head):
            if split is None:
                raise _no_rows(source.name, lines)
            return lines, split
        source = longer


def _best_split(source: TextSource, lines: Sequence[str], layout: Layout) -> _Split | None:
    """The delimiter and quote under which the rows hold together best."""
    stated = re.fullmatch(_SEP_LINE, lines[0].rstrip("\r\n"))
    has_no_comma = all(map(re.compile(_FRACTION).fullmatch, lines[-WINDOW_ROWS:]))
    candidates, why = tuple(each for each in _CANDIDATES if each != "," or not has_no_comma), ""
    if layout.delimiter is not None:
        candidates, why = ("" if layout.delimiter == "none" else layout.delimiter,), "as told"
    elif stated is not None:
        candidates, why = (stated[1],), "the first line names it"
    # Quotes around whole rows part no cells.
    quotes = ('"', "'", "") if layout.quote is None else ("" if layout.quote == "none" else layout.quote,)
    spaced = ' "' in source.head and re.search(_SPACED_QUOTE, source.head) is not None
    every = (Marks(delimiter, quote, spaced) for quote in quotes for delimiter in candidates)
    needed = {} if layout.quote else {"'": "'" in source.head, "": lines[-1].startswith('"')}
    tried = [each for each in every if each.delimiter in source.head and needed.get(each.quote, True)]
    best: _Split | None = None
    for limit in (_SHORT_PREAMBLE, _USUAL_PREAMBLE, len(lines)):
        seen = lines[: max(2 * limit, limit + SAMPLE_ROWS + 5)]
        below = "".join(seen[-_BELOW:])
        for marks in tried:
            most = _MOST[marks.delimiter in {"", " "}]
            if marks.delimiter not in below or (best is not None and best.score >= most - 1e-9):
                continue
            rows, start = _rows_of_numbers(seen, marks, layout, limit)
            score = 0.0 if start is None else _score(rows, start, marks.delimiter)
            if start is not None and (best is None or score > best.score + 1e-9):
                best = _Split(marks, rows, start, score)
        # Lines of settings may look like a table of their own: what holds together badly is no table yet.
        if best is not None and best.score >= _HOLDS_TOGETHER:
            break
    if best is None:
        return None
    shown = {"\t": "tab", " ": "space", "": "none"}.get(best.marks.delimiter, best.marks.delimiter)
    return best._replace(why=why or f"with {shown!r}, cell counts are constant and most cells are numbers")


def _rows_of_numbers(lines: Sequence[str], marks: Marks, layout: Layout, limit: int) -> tuple[list[Row], int | None]:
    """The rows, and the index of the first one of numbers."""
    plain = marks._replace(quote="")
    if layout.first_data_line is not None:
        at = layout.first_data_line - 1
        head, rows = split_rows(lines[:at], plain), split_rows(lines[at:], marks, at + 1)
        return [*head, *rows], len(head) if rows else None
    rows = split_rows(lines, marks)
    if (start := _first_data_row(rows, limit)) is None:
        # An odd quote in the preamble swallows the rows below it: find the data without quotes, then read with them.
        above = split_rows(lines, plain)
        if (start := _first_data_row(above, limit)) is None:
            return rows, None
        line = above[start].line
        rows = [*above[:start], *split_rows(lines[line - 1 :], marks, line)]
        if _first_data_row(rows[start:], 1) != 0:
            return rows, None
    return rows, _with_missing_above(rows, start)


def _with_missing_above(rows: Sequence[Row], start: int) -> int:
    """Where the data begin when rows directly above are counted in that lack a value, or stand below the names."""
    above = [row.cells if len(row.cells) == len(rows[start].cells) else () for row in rows[:start]]
    first = start
    while first and above[first - 1] and not _is_header(above[first - 1]) and "\0" not in "".join(above[first - 1]):
        first -= 1
    if len(rows[start].cells) == 1 < start and _is_word_below_name(*above[start - 2 : start]):
        return start - 1
    if first and any(header_meaning(name).meaning is not Meaning.OTHER for name in above[first - 1]):
        return first  # a word stands in their cells
    while start > first and not any(kind_of(cell) is CellKind.TEXT for cell in rows[start - 1].cells):
        start -= 1
    return start


def _is_word_below_name(above: Sequence[str], cells: Sequence[str]) -> bool:
    """Whether a word in the first row of a single column stands below its name, and is none itself."""
    name, word = header_meaning("".join(above)), header_meaning("".join(cells))
    is_name = word.unit is not None or not (word.unknown or word.meaning in (Meaning.DROPPED, Meaning.SHOWN))
    return not is_name and not name.unknown and name.meaning in FRAME_MEANINGS | TIME_MEANINGS


def _header_above(source: TextSource, above: Sequence[str], split: _Split, layout: Layout) -> tuple[int, int]:
    """Lines of the header and of the units above the data, 0 where there is none."""
    first, count = split.rows[split.start].line, split.n_columns
    if layout.header_line is not None or layout.units_line is not None:
        header, units = layout.header_line or 0, layout.units_line or 0
        if header and not (header < first and _names_in(above[header], split.marks)):
            raise ReadError.at(source.name, f"header_line is {header}, and no header stands there", line=header)
        return header, units if units < first else 0
    filled = split.n_filled
    units = nearest = 0
    for line in range(first - 1, 0, -1):
        names = _names_in(above[line], split.marks, in_columns=count)
        nearest = nearest or (line if names else 0)
        if not filled <= len(names) or _filled_count(names) > count or not "".join(names).strip(":-=+ "):
            continue
        if not units and _is_units_row(names) and not (count == 1 and unit_of_text(names[0]) is RATE):
            units = line
            continue
        if _is_header(names):
            return line, units
        break
    if units:
        # A name that is a unit itself, such as one column of "fps", with no other name above it.
        return units, 0
    names = _names_in(above[nearest], split.marks, in_columns=count)
    if len(names) < 2 or not _is_header(names):
        return 0, 0
    columns = zip(*(row.cells for row in split.rows[split.start :] if len(row.cells) == count), strict=True)
    # A whole number does not begin with 0: these are the digits behind a decimal comma.
    parted = any(all(map(str.isdecimal, cells)) and re.search(r"\b0\d", " ".join(cells)) for cells in columns)
    if len(names) + 1 == filled == count and all(names) and not (parted and split.marks.delimiter == ","):
        return nearest, 0  # which column has no name, the numbers may say
    raise uneven_header(source.name, _filled_count(names), nearest, filled, are_parted=parted)


def uneven_header(name: str, n_names: int, line: int, filled: int, *, are_parted: bool = False) -> ReadError:
    """A line of names directly above rows with another number of cells: which name belongs to which is a guess."""
    helps = "give first_data_line, header_line = 0 and columns by position in a layout"
    if are_parted or filled == 2 * n_names:
        helps = "if cells hold decimal commas, the file must be written with another delimiter or with quotes"
    return ReadError.at(name, f"{n_names} names, but {filled} cells in the rows below", line=line, helps=helps)


def _names_in(line: str, marks: Marks, count: int | None = None, in_columns: int | None = None) -> tuple[str, ...]:
    """Names in one line above the data, without a mark of comments before them; none where it names the delimiter.

    They are as many as ``count``, if that is given; none where the line is empty. In columns of a fixed width, names
    with a space in them are parted by two or more.
    """
    if not line or re.fullmatch(_SEP_LINE, line.rstrip("\r\n")):
        return ()
    # A mark of comments with a space behind it is no name.
    rows = split_rows([re.sub(rf"\A{_COMMENT}", "", line) if marks.delimiter == " " else line], marks)
    cells = rows[0].cells if rows else ()
    wide = tuple(re.split(" {2,}", line.strip())) if marks.delimiter == " " else ()
    cells = wide if len(cells) > len(wide) == (count or in_columns) else cells
    if cells:
        cells = (re.sub(rf"\A{_COMMENT}{_NAMES_ARE}", "", cells[0]), *cells[1:])
    names = tuple(cell.strip().strip('"' * (not marks.quote)) for cell in cells)
    return names if count is None else (*names[:count], *[""] * (count - len(names)))


def _metadata(lines: Sequence[str], delimiter: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in lines[:500]:
        text = re.sub(rf"\A{_COMMENT}", "", line.strip())
        marks = ":=" + re.escape(delimiter.strip(" ")) * (text.count(delimiter) == 1)
        pair = re.fullmatch(rf"\s*([^{marks}]{{1,60}}?)\s*[{marks}]\s*(.{{1,500}}?)\s*", text)
        if pair and not re.fullmatch(_SEP_LINE, text):
            found.setdefault(pair[1].strip('"'), pair[2].strip('"'))
    return found
