"""A log as UTF-8 text: its encoding found, its head and tail at hand, the rest read as a stream."""

from __future__ import annotations

import codecs
import io
import re
from typing import Any, BinaryIO, Final, NamedTuple, cast

from frametime.adapters.base import ReadOptions
from frametime.adapters.log_stream import BLOCK_BYTES, LogStream, Spool, stream_name, stream_size
from frametime.adapters.stored_log import ARROW_HEADS, long_line
from frametime.errors import ReadError

HEAD_BYTES: Final = 64 * 1024
TAIL_BYTES: Final = 16 * 1024
LINES: Final = r"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+"

_ODD_LINE_ENDS: Final = frozenset("\x0b\x0c\x1c\x1d\x1e")

_MAGICS: Final = (
    (b"\x89PNG", "a PNG image"),
    (b"\xff\xd8\xff", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"PK\x05\x06", "an empty ZIP archive"),
    (b"%PDF", "a PDF document"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"SQLite format 3", "a database"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"RIFF", "a sound or video file"),
    (b"\x1aE\xdf\xa3", "a video file"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
)
_MARKUP: Final = rb"(?i:\s*<(?:!doctype|html|\?xml|svg|head|body))"
_CONTROL: Final = bytes((*range(9), *range(14, 32), 127))
_BOMS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def lines_of(text: str) -> list[str]:
    """The lines of a text with their ends: LF, CR LF and CR.

    Examples
    --------
    >>> lines_of("a\\r\\nb\\x0cc\\nd")
    ['a\\r\\n', 'b\\x0cc\\n', 'd']
    """
    if text.isascii() and not any(mark in text for mark in _ODD_LINE_ENDS):
        return text.splitlines(keepends=True)
    return re.findall(LINES, text)


def not_text(head: bytes) -> str | None:
    """What a file is, if its first bytes say that it is no text of rows; else ``None``.

    Examples
    --------
    >>> not_text(b"%PDF-1.7"), not_text(b"time,ms")
    ('a PDF document', None)
    """
    for magic, what in _MAGICS:
        if head.startswith(magic):
            return what
    return "a web page or XML" if re.match(_MARKUP, head.removeprefix(codecs.BOM_UTF8)) else None


def encoding_of(head: bytes, *, complete: bool) -> tuple[str, int, str]:
    """Encoding of a text, length of its byte order mark, and how that was found.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    complete : bool
        Whether that is the whole file; otherwise its last character may be cut.
    """
    for bom, name in _BOMS:
        if head.startswith(bom):
            return name, len(bom), "by its byte order mark"
    even, odd = head[0:4096:2], head[1:4096:2]
    if len(odd) >= 4:
        zeros_even, zeros_odd = even.count(0) / len(even), odd.count(0) / len(odd)
        if zeros_odd > 0.4 and zeros_even < 0.05:
            return "utf-16-le", 0, "every second byte is zero"
        if zeros_even > 0.4 and zeros_odd < 0.05:
            return "utf-16-be", 0, "every second byte is zero"
    try:
        codecs.getincrementaldecoder("utf-8")("strict").decode(head, final=complete)
    except UnicodeDecodeError:
        return single_byte_encoding(head), 0, "the bytes are not valid UTF-8"
    return "utf-8", 0, "the bytes are valid UTF-8"


def single_byte_encoding(head: bytes) -> str:
    """Windows-1252 where it defines every byte of ``head``, else Latin-1 (which defines all)."""
    try:
        head.decode("cp1252")
    except UnicodeDecodeError:
        return "latin-1"
    return "cp1252"


class TextSource(NamedTuple):
    """A log as UTF-8 bytes.

    Attributes
    ----------
    stream : BinaryIO
        Seekable, UTF-8; the file itself where it is UTF-8 already.
    name : str
    encoding : str
        Of the log as it was stored.
    bom : bool
    start, end : int
        Where the text begins (after a byte order mark) and ends (before padding with zero bytes).
    nul_bytes : int
        Zero bytes cut from the end.
    head : str
        The first lines, 64 KiB at most, ended at a line end unless ``complete``.
    complete : bool
        Whether the head is the whole log.
    why : str
        How the encoding was found.
    names, units : tuple of str, or None
        Of the columns, where they are known and the text holds nothing but rows, with commas between their cells.
    """

    stream: BinaryIO
    name: str
    encoding: str
    bom: bool
    start: int
    end: int
    nul_bytes: int
    head: str
    complete: bool
    why: str
    names: tuple[str, ...] | None = None
    units: tuple[str, ...] | None = None

    def longer(self, options: ReadOptions) -> TextSource:
        """The same with eight times as many bytes in its head."""
        wanted = 8 * max(HEAD_BYTES, len(self.head))
        raw = _head_lines(self.stream, self.name, options, start=self.start, end=self.end, wanted=wanted)
        return self._replace(head=raw.decode("utf-8", "replace"), complete=len(raw) == self.end - self.start)

    def tail(self) -> tuple[int, str]:
        """Byte offset and text of the last whole lines, 16 KiB at most."""
        offset = max(self.start, self.end - TAIL_BYTES)
        self.stream.seek(offset)
        raw = self.stream.read(self.end - offset)
        if offset > self.start:
            cut = min((at for at in (raw.find(b"\n"), raw.find(b"\r")) if at >= 0), default=len(raw) - 1) + 1
            if raw[cut - 1 : cut + 1] == b"\r\n":
                cut += 1
            offset, raw = offset + cut, raw[cut:]
        return offset, raw.decode("utf-8", "surrogateescape")


def open_text(log: BinaryIO, options: ReadOptions, *, encoding: str | None = None) -> TextSource:
    """Make a log readable as UTF-8 text.

    Parameters
    ----------
    log : BinaryIO
        Decompressed and seekable.
    encoding : str, optional
        Taken as told, instead of looking for it.

    Raises
    ------
    ReadError
        If the log is empty, no text, or has a line longer than ``options.max_line_bytes``.
    """
    name = stream_name(log)
    size = stream_size(log)
    raw = log.read(HEAD_BYTES)
    if raw.startswith(ARROW_HEADS):
        return _of_table(log, name, options)
    if not raw.strip(b"\xef\xbb\xbf \t\r\n\x00"):
        _refuse_empty(log, name, size)
    what = not_text(raw)
    if what is not None:
        raise ReadError.at(name, f"this is {what}, not a frame log", helps="give a text file with one row a frame")
    end = _end_of_text(log, size)
    raw = raw[: min(len(raw), end)]
    found, bom_length, why = encoding_of(raw, complete=len(raw) == end)
    if found.startswith("utf-16"):
        # The last character may end in a zero byte, which is no padding.
        end = min(size, end + end % 2)
    if encoding is not None and not bom_length:
        found, why = encoding, "as told"
    log.seek(0)
    if found == "utf-8":
        source = _source(log, name, options, encoding=found, bom_length=bom_length, end=end, size=size, why=why)
        return _of_json_lines(source, options) if source.head.lstrip()[:1] == "{" else source
    held = cast("BinaryIO", _transcoded(log, name, found, start=bom_length, end=end))
    source = _source(held, name, options, encoding=found, bom_length=0, end=stream_size(held), size=None, why=why)
    return source._replace(bom=bom_length > 0, nul_bytes=size - end)


def _refuse_empty(log: BinaryIO, name: str, size: int) -> None:
    if size == 0:
        raise ReadError.at(name, "this file is empty (0 bytes)", helps="record the run again")
    if size <= HEAD_BYTES or _end_of_text(log, size) == 0:
        raise ReadError.at(name, "this file holds no text", helps="record the run again")
    log.seek(0)


def _end_of_text(log: BinaryIO, size: int) -> int:
    """Where the zero bytes begin that pad the file, as after a loss of power."""
    end = size
    while end > 0:
        start = max(0, end - BLOCK_BYTES) if end < size else max(0, end - 4096)
        log.seek(start)
        block = log.read(end - start)
        kept = len(block.rstrip(b"\0"))
        if kept:
            return start + kept
        end = start
    return 0


def _transcoded(log: BinaryIO, name: str, encoding: str, *, start: int, end: int) -> LogStream:
    held = Spool()
    decoder = codecs.getincrementaldecoder(encoding)("strict" if encoding.startswith("utf") else "replace")
    log.seek(start)
    left = end - start
    try:
        while left > 0:
            block = log.read(min(BLOCK_BYTES, left))
            left = left - len(block) if block else 0
            held.write(decoder.decode(block, final=left <= 0).encode("utf-8"))
    except UnicodeError:
        raise ReadError.at(
            name, f"the text is not valid {encoding}", helps="save it as UTF-8, or name its encoding in a layout"
        ) from None
    size = held.tell()
    return LogStream(cast("BinaryIO", held), name=name, size=size)


def _of_table(log: BinaryIO, name: str, options: ReadOptions) -> TextSource:
    """The rows of a table in Arrow's formats or Parquet."""
    from frametime.adapters.arrow.arrow_source import open_arrow, unit_text

    table = open_arrow(log)
    if len(table.schema) > options.max_columns:
        raise too_many_columns(name, len(table.schema), options)
    held = table.write_text(options)
    size = held.tell()
    if not size:
        raise ReadError.at(name, "there is no frame (0 rows)", helps="record the run again")
    stream = cast("BinaryIO", LogStream(cast("BinaryIO", held), name=name, size=size))
    why = "the file says so"
    source = _source(stream, name, options, encoding="utf-8", bom_length=0, end=size, size=None, why=why)
    names, units = [field.name.strip() for field in table.schema], map(unit_text, table.schema)
    return source._replace(names=(*names, ""), units=(*units, ""))


def too_many_columns(name: str, n_columns: int, options: ReadOptions, line: int | None = None) -> ReadError:
    """The error for more columns than any log has."""
    return ReadError.at(
        name,
        f"{n_columns} columns, at most {options.max_columns} are read",
        line=line,
        helps="raise --max-columns if this is a frame log",
    )


def _of_json_lines(source: TextSource, options: ReadOptions) -> TextSource:
    """A text with a JSON object in each line as a table of their members; any other text as it is."""
    import csv
    import json

    try:
        first = [json.loads(line) for line in source.head.splitlines()[:100] if line.strip()]
    except ValueError:
        return source
    if len(first) < 2 or not all(isinstance(each, dict) for each in first):
        return source
    plain = (str, int, float, bool, type(None))
    names = list(dict.fromkeys(key for each in first for key, value in each.items() if isinstance(value, plain)))
    held = Spool()
    table = io.TextIOWrapper(cast("BinaryIO", held), encoding="utf-8", newline="", write_through=True)
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(names)
    part = TextPart(source.stream, source.start, source.end)
    for number, line in enumerate(io.TextIOWrapper(io.BufferedReader(part), encoding="utf-8", errors="replace"), 1):
        if len(line) > options.max_line_bytes:
            raise long_line(source.name, options)
        try:
            row = json.loads(line, parse_float=str, parse_int=str) if line.strip() else {}
        except ValueError:
            if source.end == part.place:
                break  # the last line may be cut off
            raise ReadError.at(source.name, "this is no JSON object", line=number, helps="repair the line") from None
        if row:
            cells = (row.get(name) if isinstance(row, dict) else None for name in names)
            writer.writerow(["" if c is None else str(c).lower() if isinstance(c, bool) else c for c in cells])
    table.detach()
    stream = LogStream(cast("BinaryIO", held), name=source.name, size=held.tell())
    return _source(
        cast("BinaryIO", stream),
        source.name,
        options,
        encoding="utf-8",
        bom_length=0,
        end=stream_size(cast("BinaryIO", stream)),
        size=None,
        why="each line is a JSON object",
    )


def _source(
    stream: BinaryIO,
    name: str,
    options: ReadOptions,
    *,
    encoding: str,
    bom_length: int,
    end: int,
    size: int | None,
    why: str,
) -> TextSource:
    raw = _head_lines(stream, name, options, start=bom_length, end=end)
    head = raw.decode("utf-8", "replace")
    zeros = head.count("\0")
    if len(raw) - len(raw.translate(None, _CONTROL)) - zeros > len(head) // 1000 or zeros > len(head) // 10:
        raise ReadError.at(name, "this is a binary file, not text", helps="give a text file with one row a frame")
    return TextSource(
        stream=stream,
        name=name,
        encoding=encoding,
        bom=bom_length > 0,
        start=bom_length,
        end=end,
        nul_bytes=0 if size is None else size - end,
        head=head,
        complete=len(raw) == end - bom_length,
        why=why,
    )


def _head_lines(
    stream: BinaryIO, name: str, options: ReadOptions, *, start: int, end: int, wanted: int = HEAD_BYTES
) -> bytes:
    """The first lines: a whole number of them, and at least one, without reading more than the longest line."""
    stream.seek(start)
    left = end - start
    # Each byte is looked at once, however long the first line is.
    parts: list[bytes] = []
    n_read, n_open, before = 0, 0, b""
    while left > 0 and (block := stream.read(min(HEAD_BYTES if parts else wanted, left))):
        left -= len(block)
        first, *others = re.split(rb"[\r\n]", block)
        if max(map(len, others), default=0) > options.max_line_bytes or n_open + len(first) > options.max_line_bytes:
            raise long_line(name, options)
        n_open = len(others[-1]) if others else n_open + len(first)
        parts.append(block)
        seen = before + block
        cut = max(seen.rfind(b"\n"), seen.rfind(b"\r", 0, len(seen) - 1)) + 1
        if cut > 0 and left > 0:
            return b"".join(parts)[: n_read - len(before) + cut]
        n_read, before = n_read + len(block), block[-1:]
    return b"".join(parts)


class TextPart(io.RawIOBase):
    """The bytes of a text from one place to another, as a stream for the table reader.

    Parameters
    ----------
    stream : BinaryIO
    start, end : int
    owned : bool
        Whether the stream is closed with this part of it.
    """

    def __init__(self, stream: BinaryIO, start: int, end: int, *, owned: bool = False) -> None:
        self._stream = stream
        self._left = max(0, end - start)
        self._owned = owned
        stream.seek(start)

    def readable(self) -> bool:
        return True

    @property
    def place(self) -> int:
        """Where the next byte is read."""
        return self._stream.tell()

    def readinto(self, buffer: Any, /) -> int:
        block = self.read(len(buffer))
        buffer[: len(block)] = block
        return len(block)

    def read(self, size: int = -1, /) -> bytes:
        wanted = self._left if size < 0 else min(size, self._left)
        block = self._stream.read(wanted) if wanted else b""
        self._left -= len(block)
        return block

    def close(self) -> None:
        if self._owned and not self.closed:
            self._stream.close()
        super().close()
