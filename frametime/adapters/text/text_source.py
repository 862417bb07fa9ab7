"""A log as UTF-8 text: its encoding found, its head and tail at hand, the rest read as a stream."""

from __future__ import annotations

import codecs
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from itertools import chain, islice
from typing import Any, BinaryIO, Final, NamedTuple

from frametime.adapters.arrow.arrow_columns import arrow_texts, pa
from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.words import VOCABULARY, Meaning, folded, header_meaning, unit_of_text
from frametime.adapters.stored_log import ARROW_HEADS, BLOCK_BYTES, Result, long_line, name_and_size, new_spool, part_of
from frametime.adapters.text.cells import CellKind, is_value, kind_of
from frametime.errors import ReadError
from frametime.words import counted

HEAD_BYTES: Final = 16 * 1024
ENCODING: Final = "utf-8"
ERRORS: Final = "surrogateescape"
"""A byte that is no UTF-8 keeps its place: the rows of a text are counted in bytes."""

_MAGICS: Final = (
    (b"\x89PNG", "a PNG image"),
    (b"PK\x05\x06", "an empty ZIP archive"),
    (b"%PDF", "a PDF document"),
    (b"SQLite format 3", "a database"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
)
_MARKUP: Final = rb"(?i:\s*<(?:!doctype|html|\?xml|svg|head|body))"
_ROWS_AT_ONCE: Final = 1 << 14
_JSON: Final = r"\s*(?:\{(?!\s*\"schema\": ?\"frametime\.)|\(|\[\s*(?:[\[{('\"]|[-\d.]+\s*,))"
_LISTS: Final = r"[^\[\](){}]{0,200}[\[({](?:[-+\d.eE,;\s]{200,}|\d+\] )"
"""Numbers in brackets, behind a name or not, or behind the count of those in the lines above."""
_IN_BRACKETS: Final = r"\{|[\[(]\W*\d"
_MOST_LISTED: Final = 1 << 28
_FEW_KEYS: Final = 8
_PAIR: Final = (
    r"(?<![\w\"])([^\W\d][\w.()/%-]*)(?:(?<=rame|Bild|mage) #?\d+(?=:))?(?:=| = |: *(?=[-+\d.]))"
    r"(\"[^\"\n]*\"|'[^'\n]*'|(?:[^\s\"',;|=]|(?<=\d),(?=\d))*[^\s\"',;|=)\]}>/]"
    r"(?: (?:[mnuµ]?s|fps|[mk]?W|°?[CFK]|[kMG]?Hz|rpm|%|m?V|[kKMG]i?B)(?!\w))?)(?=[\s,;|)\]}/>]|$)"
)
"""A name and its value, as logs for people write them: ``dt=16.6ms``, ``gpu: 7.1 ms``, ``mode="full screen"``."""
# The moment that stands before the rest of a line.
_LOGGED: Final = r"[\[(<\s]*((?:[A-Z][a-z]{2} +)?\d[\dT:.,/ _+-]*\d(?: ?[AP]M|Z)?)|.*\s(\d+\.\d{4,9}): "
_LOGGED_AT: Final = "logged time"
_CONTROL: Final = bytes({*range(9), *range(14, 32), 127} - {0x1A})  # which ends texts of old systems
_OTHER_ENCODINGS: Final = ("cp1252", "cp1251", "shift_jis", "gbk")
_MARKED: Final = ("utf-8", "utf-32-le", "utf-32-be", "utf-16-le", "utf-16-be")  # UTF-32 begins as UTF-16 does


def lines_of(text: str) -> list[str]:
    """The lines of a text with their ends: LF, CR LF and CR.

    Examples
    --------
    >>> lines_of("a\\r\\nb\\x0cc\\nd")
    ['a\\r\\n', 'b\\x0cc\\n', 'd']
    """
    return io.StringIO(text, newline="").readlines()


def not_text(head: bytes) -> str | None:
    """What a file is, if its first bytes say that it is no text of rows; else ``None``.

    Examples
    --------
    >>> not_text(b"%PDF-1.7"), not_text(b"time,ms")
    ('a PDF document', None)
    """
    markup = "a web page or XML" if re.match(_MARKUP, head.removeprefix(codecs.BOM_UTF8)) else None
    return next((what for magic, what in _MAGICS if head.startswith(magic)), markup)


def is_binary(text: bytes) -> bool:
    """Whether more marks of control stand in UTF-8 than in a text; zero bytes are what a loss of power leaves."""
    zeros = text.count(0)
    return len(text) - len(text.translate(None, _CONTROL)) - zeros > len(text) // 1000 or zeros > len(text) // 10


def encoding_of(head: bytes, *, complete: bool) -> tuple[str, int, str]:
    """Encoding of a text, length of its byte order mark, and how that was found.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    complete : bool
        Whether that is the whole file; otherwise its last character may be cut.
    """
    for name in _MARKED:
        if head.startswith(bom := "\ufeff".encode(name)):
            return name, len(bom), "by its byte order mark"
    even, odd = head[0:4096:2], head[1:4096:2]
    for name, zeros, letters in (("utf-16-le", odd, even), ("utf-16-be", even, odd)):
        if len(odd) >= 4 and zeros.count(0) > 0.4 * len(zeros) and letters.count(0) < 0.05 * len(letters):
            return name, 0, "every second byte is zero"
    try:
        codecs.getincrementaldecoder("utf-8")("strict").decode(head, final=complete)
    except UnicodeDecodeError:
        return max(_OTHER_ENCODINGS, key=lambda each: _known_words(head, each)), 0, "the bytes are not valid UTF-8"
    return "utf-8", 0, "the bytes are valid UTF-8"


def _known_words(head: bytes, encoding: str) -> int:
    """How many words of time and frames that are no ASCII stand in a text of this encoding."""
    words = re.findall(r"[^\W\d_]+", folded(head.decode(encoding, "replace")).casefold())[:200]
    return sum(not word.isascii() and word in VOCABULARY for word in words)


class NotUtf8Error(ReadError):
    """A byte somewhere in the text is no UTF-8, so the text must be read in another encoding."""

    @classmethod
    def of(cls, name: str) -> NotUtf8Error:
        """The error as it is told where no other encoding may be tried."""
        helps = "save it as UTF-8, or give its encoding in a layout"
        return cls.at(name, "the text is said or marked to be UTF-8, and is not", helps=helps)


class TextSource(NamedTuple):
    """A log as UTF-8 bytes.

    Attributes
    ----------
    stream : BinaryIO
        Seekable, UTF-8; the file itself where it is UTF-8 already.
    name : str
    start, end : int
        Where the text begins (after a byte order mark) and ends (before padding with zero bytes).
    head : str
        The first lines, 16 KiB at most where no more are asked for, ended at a line end unless ``complete``.
    complete : bool
        Whether the head is the whole log.
    why : str
        How the encoding was found.
    encoding : str
        Of the log as it was stored.
    bom : bool
    nul_bytes : int
        Zero bytes cut from the end.
    names : tuple of str, or None
        Of the columns, where they are known.
    units : tuple of str
    table : pyarrow.Table or None
        The rows, where they do not stand in a text.
    cut : str
        What is left of a row that is cut off at the end.
    left_out : tuple of str
        Lines that are no rows.
    """

    stream: BinaryIO
    name: str
    start: int
    end: int
    head: str
    complete: bool
    why: str
    encoding: str = "utf-8"
    bom: bool = False
    nul_bytes: int = 0
    names: tuple[str, ...] | None = None
    units: tuple[str, ...] = ()
    table: Any = None
    cut: str = ""
    left_out: tuple[str, ...] = ()

    def longer(self, options: ReadOptions) -> TextSource:
        """The same with eight times as many bytes in its head."""
        wanted = 8 * max(HEAD_BYTES, len(self.head))
        raw = _head_lines(self.stream, self.name, options, start=self.start, end=self.end, wanted=wanted)
        return self._replace(head=raw.decode("utf-8", "replace"), complete=len(raw) == self.end - self.start)

    def tail(self) -> tuple[int, str]:
        """Byte offset and text of the last whole lines, 16 KiB at most."""
        offset = max(self.start, self.end - HEAD_BYTES)
        raw = self.part(offset, self.end).read()
        if offset > self.start and (line := re.match(rb"[^\r\n]*(?:\r\n?|\n)?", raw)):
            offset, raw = offset + line.end(), raw[line.end() :]
        return offset, raw.decode(ENCODING, ERRORS)

    def part(self, start: int, end: int) -> Any:
        """The bytes from one place to another, as a stream of Arrow's."""
        return part_of(self.stream, start, end)


def read_in_its_encoding(log: BinaryIO, options: ReadOptions, read: Callable[[TextSource], Result]) -> Result:
    """What ``read`` makes of a log, in another encoding where a byte far below turns out to be no UTF-8.

    Raises
    ------
    ReadError
        If the log is said or marked to be UTF-8, and is not.
    """
    told = options.layout.encoding if options.layout else None
    source = open_text(log, options, encoding=told)
    try:
        return read(source)
    except NotUtf8Error:
        if told is not None or source.bom:
            raise
        return read(open_text(log, options, encoding="cp1252"))


def open_text(log: BinaryIO, options: ReadOptions, *, encoding: str | None = None) -> TextSource:
    """Make a log readable as UTF-8 text.

    Parameters
    ----------
    log : BinaryIO
        Decompressed and seekable.
    encoding : str, optional
        Taken as told, whatever byte order mark the log begins with.

    Raises
    ------
    ReadError
        If the log is empty, no text, or has a line longer than ``options.max_line_bytes``.
    """
    name, size = name_and_size(log)
    raw = log.read(HEAD_BYTES)
    if raw.startswith(ARROW_HEADS):
        return _of_table(log, name, options)
    if size == 0:
        raise ReadError.at(name, "this file is empty (0 bytes)", helps="record the run again")
    end = _end_of_text(log, size)
    if end == 0 or not (raw.strip(b"\xef\xbb\xbf \t\r\n\x00") or end > HEAD_BYTES):
        raise ReadError.at(name, "this file holds no text", helps="record the run again")
    if (what := not_text(raw)) is not None:
        raise ReadError.at(name, f"this is {what}, not a frame log", helps="give a text file with one row a frame")
    raw = raw[:end]
    found, bom_length, why = encoding_of(raw, complete=len(raw) == end)
    if encoding is not None:
        found, why = encoding, "as told"
    if found.startswith(("utf-16", "utf-32")):
        # The last character may end in zero bytes, which are no padding.
        end = min(size, end + -end % (int(found[4:6]) // 8))
    place: dict[str, Any] = {"encoding": found, "bom": bom_length > 0, "nul_bytes": size - end, "why": why}
    if found != "utf-8" or _with_plain_digits(head := raw.decode(ENCODING, "ignore")) != head:
        log, bom_length = _transcoded(log, name, found, start=bom_length, end=end), 0
        end = log.tell()
    source = _source(log, name, options, start=bom_length, end=end, **place)
    if lists := _lists_over_lines(source):
        return of_rows(source, _cells_of(_rows_in(lists, name)), options, "each list is a column")
    return (_of_json if re.match(_JSON, source.head) else _of_pairs)(source, options)


def _end_of_text(log: BinaryIO, size: int) -> int:
    """Where the zero bytes begin that pad the file, as after a loss of power."""
    for start in range((size - 1) // BLOCK_BYTES * BLOCK_BYTES, -1, -BLOCK_BYTES):
        log.seek(start)
        if kept := len(log.read(BLOCK_BYTES).rstrip(b"\0")):
            return start + kept
    return 0


def _with_plain_digits(text: str) -> str:
    """A text with the digits 0 to 9 for those of other scripts, and a point for the decimal mark of Arabic."""
    return text if text.isascii() else re.sub(r"(?![0-9])\d", lambda one: str(int(one[0])), text).replace("\u066b", ".")


def _transcoded(log: BinaryIO, name: str, encoding: str, *, start: int, end: int) -> BinaryIO:
    held = new_spool()
    errors = "strict" if encoding.startswith("utf") else "replace"
    reader = io.TextIOWrapper(part_of(log, start, end), encoding=encoding, errors=errors, newline="")
    try:
        while text := reader.read(BLOCK_BYTES):
            held.write(_with_plain_digits(text).encode("utf-8"))
    except UnicodeError:
        helps = "save it as UTF-8, or name its encoding in a layout"
        raise ReadError.at(name, f"the text is not valid {encoding}", helps=helps) from None
    return held


def _of_table(log: BinaryIO, name: str, options: ReadOptions) -> TextSource:
    """The rows of a table in Arrow's formats or Parquet."""
    from frametime.adapters.arrow.arrow_source import open_arrow, unit_text

    table = open_arrow(log)
    check_columns(name, len(table.schema), options)
    rows = table.read(options)
    if not rows.num_rows or not rows.num_columns:
        raise ReadError.at(name, "there is no frame (0 rows)", helps="record the run again")
    names, units = [field.name.strip() for field in table.schema], map(unit_text, table.schema)
    return TextSource(log, name, 0, 0, "", True, "the file says so", names=(*names,), units=(*units,), table=rows)


def _of_json(source: TextSource, options: ReadOptions) -> TextSource:
    """A JSON text as rows of cells: a list, values one behind the other, or lists in an object; any other as it is.

    An object that is cut off at the end of the text is left out, and told.
    """
    cut: list[str] = []
    text = _whole(source)
    if re.match(r"\s*(?:\[\s*)?(?:\(|\{\s*')", text):  # as Python writes tuples, and names between single quotes
        text = re.sub(r"\b(?:None|nan)\b", "null", text.translate(str.maketrans("()'", '[]"')))
    values = _values(text, source.name, cut)
    try:
        first = [*islice(values, 2)]
    except ValueError:
        return source
    if not cut and (len(first) == 1 or _lists_in(first[0])):
        first = _rows_in(first[0] if len(first) == 1 else [*first, *values], source.name)
    if cut and len(first) < 2:
        found = f"it ends within a JSON object, after {counted(len(first), 'whole one')}"
        raise ReadError.at(source.name, found, helps="record the run again")
    if len(first) < 2:
        return source
    return of_rows(source, _cells_of(chain(first, values)), options, "rows are JSON")._replace(cut="".join(cut))


def _lists_over_lines(source: TextSource) -> dict[str, list[str]]:
    """Lists of numbers by their names, in brackets or in a line each, where a text holds nothing else; else none."""
    head, rows, rest = source.head, list[list[str]](), ""
    long = max(re.split("[\r\n]+", head, maxsplit=2)[:2], key=len)
    mark = max(";\t,", key=long.count)
    if re.match(_LISTS, head):
        text = re.sub(r"(?m)^ *\[\d+\](?= +[-\d.])", "", _whole(source))
        *parts, rest = re.split(r"[\[\](){}]", text if re.search(r"[\[({]", text) else f"[{text}]")
        names = ["".join(re.findall(r"([^\W\d]\w*)[\s=:<-]*(?:\bc)?$", each)[-1:]) for each in parts[::2]]
        marks = "[\\s;]+" if re.search(r"\d\s+\d", text) else r"[\s,;]+"
        rows = [[name, *re.split(marks, each.strip(" ,;\r\n"))] for name, each in zip(names, parts[1::2], strict=False)]
    elif long.count(mark) * len(long) > _FEW_KEYS * (source.end - source.start) and not re.search(_IN_BRACKETS, head):
        cells = [line.split(mark) for line in _whole(source).splitlines()]
        most = max(len(cells[0]), len(cells[-1]))
        rows = [row for row in cells if len(row) >= most and not is_value(kind_of(row[0]))]
    named = {name.strip("\"' ") or " ": cells for name, *cells in rows}
    is_list = not rest.strip(" ;\r\n") and len(named) == len(rows)
    return named if is_list and all(is_value(kind_of(cell)) for each in named.values() for cell in each) else {}


def _whole(source: TextSource) -> str:
    if source.end - source.start > _MOST_LISTED:
        found = f"JSON and lines of names with values are held whole, and this has more than {_MOST_LISTED >> 20} MiB"
        raise ReadError.at(source.name, found, helps="write delimited text, with one row a frame")
    return str(source.part(source.start, source.end).read().decode(ENCODING, "replace"))


def _of_pairs(source: TextSource, options: ReadOptions) -> TextSource:
    """Lines of pairs such as ``dt=16.6ms`` as rows of cells, where most lines are such; any other text as it is.

    Lines without a name that half of the lines have are no rows, and told; so is a last line without an end.
    """
    lines = [*filter(str.strip, lines_of(source.head))] if "=" in source.head or ":" in source.head else []
    counts = Counter(name for line in lines for name in _pairs_in(line) if name != _LOGGED_AT)
    most = max(counts.values(), default=0)
    usual = {name for name, count in counts.items() if 2 * count >= most}
    has_usual = re.compile("|".join(rf"(?<!\w){re.escape(name)}(?:=| =| ?#?\d*:)" for name in usual)).search
    # Beside a number in a cell of its own the pairs are notes in a table.
    is_table = re.search(r"(^|[,;\t|])\s*[\d.]+\s*[,;\t|]", re.split(_PAIR, "".join(lines[-1:]))[0])
    if is_table or most < 3 or 2 * len([*filter(has_usual, lines)]) < len(lines):
        return source
    *lines, last = re.split(r"\r\n?|\n", _whole(source))
    rows = _records(_pairs_in(line) for line in lines if has_usual(line))
    others = tuple(line.rstrip() for line in lines if line.strip() and not has_usual(line))
    found = of_rows(source, rows, options, "each row is a line of names with values")
    return found._replace(cut=last.strip(), left_out=others)


def _records(lines: Iterator[dict[str, str]]) -> Iterator[dict[str, str]]:
    """Rows of the pairs of each line: one row for lines one below the other until a name comes again."""
    record = next(lines, {})
    for pairs in lines:
        if not record or not pairs or record.keys() & pairs.keys():
            yield record
            record = {}
        record |= pairs
    yield record


def _pairs_in(line: str) -> dict[str, str]:
    """The pairs of a line, and the moment that stands before them; none where a name stands twice."""
    found = re.findall(_PAIR, line)
    pairs = {name: value.strip("\"'") for name, value in found} if len(dict(found)) == len(found) else {}
    before = re.split(_PAIR, line, maxsplit=1)[0].split()
    if len(pairs) == 1 and VOCABULARY.issuperset(map(str.casefold, before)):
        pairs = {" ".join([*before, name]): value for name, value in pairs.items()}  # "Frame time: 8.3 ms"
    if pairs and (moment := re.match(_LOGGED, re.split(_PAIR, line, maxsplit=1)[0])):
        return {_LOGGED_AT: moment[1] or moment[2], **pairs}
    return pairs


def of_rows(source: TextSource, rows: Iterator[dict[str, str]], options: ReadOptions, why: str) -> TextSource:
    """The source of a table of such rows; a name of spaces is none.

    Raises
    ------
    ReadError
        If they have more columns than any log has.
    """
    parts, names = [], dict[str, None]()
    while some := list(islice(rows, _ROWS_AT_ONCE)):
        names |= dict.fromkeys(name for row in some for name in row)
        check_columns(source.name, len(names), options)
        parts.append(pa.table({name: arrow_texts([row.get(name, "") for row in some]) for name in names}))
    table = pa.concat_tables(parts, promote_options="default")  # a member may come late
    columns = (*map(str.strip, table.column_names),)
    return source._replace(start=0, end=0, head="", complete=True, why=why, names=columns, table=table)


def _values(text: str, name: str, cut: list[str]) -> Iterator[Any]:
    """The values of a JSON text with numbers as they are written; ``cut`` takes what is left of one that is cut off.

    Raises
    ------
    ReadError
        If a value is no JSON, or nests too deeply.
    ValueError
        The same of the first two: it is no JSON at all.
    """
    import json

    decode, between = json.JSONDecoder(parse_float=str, parse_int=str).raw_decode, re.compile(r"[\s,]*")
    at, count = re.match(r"\s*(?:\[(?=\s*[{\[]))?\s*", text).end(), 0  # type: ignore[union-attr]
    while at < len(text) and text[at] != "]":
        try:
            value, end = decode(text, at)
        except (ValueError, RecursionError) as error:
            place = getattr(error, "pos", 0)
            if not re.search(r"[\n{}\[\]]", text[place:]):  # more of the text would follow a broken value
                cut.append(text[at:].strip())
                return
            if count < 2:
                raise ValueError("no JSON") from None
            line = text.count("\n", 0, place) + 1
            raise ReadError.at(name, "this is no JSON object", line=line, helps="repair the line") from None
        yield value
        at, count = between.match(text, end).end(), count + 1  # type: ignore[union-attr]


def _rows_in(value: Any, name: str) -> list[Any]:
    """The rows of a JSON value: a list of them, at the top or below it, or lists side by side that are columns.

    Raises
    ------
    ReadError
        If several runs stand side by side.
    """
    if isinstance(value, list):
        series = [_lists_in(each) for each in value]
        rows, value = value, dict(chain(*series))
        if not len(series) == sum(map(len, series)) == len(value) or any(len(v) <= len(rows) for v in value.values()):
            return rows  # though there may be a list in each
    if not isinstance(value, dict):
        return []
    keys = {(*row,) if isinstance(row, dict) and not _lists_in(row) else () for row in value.values()}
    index = max((value, *keys), key=len)
    if len(keys) == 1 and (names := keys.pop()) and len(index) > _FEW_KEYS and all(map(str.isdecimal, index)):
        # Rows by their index, or columns of cells by theirs.
        return [*value.values()] if len(value) >= len(names) else [{k: v[at] for k, v in value.items()} for at in names]
    columns = {k: v for k, v in value.items() if isinstance(v, list) and v and not isinstance(v[0], dict | list)}
    below = [_rows_in(each, name) for key, each in value.items() if key not in columns]
    named = {key: each for key, each in columns.items() if len(each) == max(map(len, columns.values()))}
    below.append([dict(zip(named, row, strict=True)) for row in zip(*named.values(), strict=True)])
    longest = max(below, key=len)
    alike = [each for each in below if len(each) > 1 and [*each[0]] == [*longest[0]]]
    if len(alike) > 1:
        found = f"{len(alike)} runs stand side by side in one JSON object"
        raise ReadError.at(name, found, helps="give each run as a file of its own")
    # Names of the cells may stand beside rows that are lists.
    texts = [each for each in columns.values() if {*map(kind_of, map(str, each))} == {CellKind.TEXT}]
    return [*[each for each in texts if longest and len(each) == len(longest[0])][:1], *longest]


def _lists_in(value: Any) -> list[tuple[str, list[Any]]]:
    """The lists of a JSON object, by their key, or the name and the unit that stand beside them where it says less."""
    members = value.items() if isinstance(value, dict) else ()
    words = [each for _, each in members if isinstance(each, str) and kind_of(each) is CellKind.TEXT]
    names, units = ([word for word in words if bool(unit_of_text(word)) is is_unit][:1] for is_unit in (False, True))
    title = "".join([*names, *(f" ({unit})" for unit in units)])
    lists = [(header_meaning(key).meaning, key, each) for key, each in members if isinstance(each, list)]
    return [((meaning is Meaning.OTHER and title) or key, each) for meaning, key, each in lists]


def _cells_of(rows: Iterable[Any]) -> Iterator[dict[str, str]]:
    """The members of each row that are no objects or lists, by name; in lists, by the names in the first, if any."""
    names: list[str] = []
    for row in rows:
        listed = row if isinstance(row, list) else [row]
        if not names and not isinstance(row, dict):
            are_names = all(isinstance(cell, str) and kind_of(cell) is CellKind.TEXT for cell in listed)
            names = listed if are_names else [" " * at for at, _ in enumerate(listed, 1)]
            if are_names:
                continue
        members = row if isinstance(row, dict) else dict(zip(names, listed, strict=False))
        for _ in range(3):  # how deep in an object a cell may stand
            below = [(name, value) for name, value in members.items() if isinstance(value, dict)]
            inner = {f"{name}.{key}": each for name, value in below for key, each in value.items()}
            members = below[0][1] if len(members) == len(below) == 1 else members | inner
        plain = ((name, value) for name, value in members.items() if not isinstance(value, dict | list))
        yield {name: str(value).lower() if isinstance(value, bool) else str(value or "") for name, value in plain}


def check_columns(name: str, n_columns: int, options: ReadOptions, line: int | None = None) -> None:
    """Refuse more columns than any log has.

    Raises
    ------
    ReadError
    """
    if n_columns > options.max_columns:
        found = f"{n_columns} columns, at most {options.max_columns} are read"
        raise ReadError.at(name, found, line=line, helps="raise --max-columns if this is a frame log")


def _source(stream: BinaryIO, name: str, options: ReadOptions, *, start: int, end: int, **found: Any) -> TextSource:
    raw = _head_lines(stream, name, options, start=start, end=end)
    try:
        head = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise NotUtf8Error.of(name) from None
    if is_binary(raw):
        raise ReadError.at(name, "this is a binary file, not text", helps="give a text file with one row a frame")
    return TextSource(stream, name, start, end, head, complete=len(raw) == end - start, **found)


def _head_lines(
    stream: BinaryIO, name: str, options: ReadOptions, *, start: int, end: int, wanted: int = HEAD_BYTES
) -> bytes:
    """The first lines: a whole number of them, and at least one, without reading more than the longest line."""
    stream.seek(start)
    size, more, raw, cut = end - start, wanted, b"", 0
    # Each time as much again: a byte is looked at few times, however long the first line is.
    while not cut and len(raw) < size and (block := stream.read(min(more, size - len(raw)))):
        raw += block
        more = len(raw)
        if len(raw) > options.max_line_bytes and max(map(len, raw.splitlines())) > options.max_line_bytes:
            raise long_line(name, options)
        cut = max(raw.rfind(b"\n"), raw.rfind(b"\r", 0, len(raw) - 1)) + 1
    return raw if len(raw) == size else raw[:cut]
