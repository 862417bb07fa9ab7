"""Cells of CSV files: quoting that any reader takes back, and texts that a spreadsheet would run as a formula.

A spreadsheet takes a cell for a formula by its first sign, whether or not it is quoted, so that the name of a file can
become a command on the machine of whoever opens the table. The rule here is that of the page "CSV Injection" of the
OWASP Foundation (from memory): a text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line end, also in full
width, is written with an apostrophe in front. Beyond that page, blanks in front of the sign are looked through, and a
text that is nothing but a number is left alone: as a formula it would be that number.
"""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from _csv import Writer

ESCAPE: Final = "'"
_FORMULA: Final = re.compile(r"[\t\r\n]|\s*[=+\-@＝＋－＠]")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


class _Writable(Protocol):
    def write(self, text: str, /) -> object: ...


class _LineFeeds:
    """Ends each line that a CSV writer hands over with a line feed alone."""

    def __init__(self, stream: _Writable) -> None:
        self._stream = stream

    def write(self, line: str) -> object:
        return self._stream.write(line.removesuffix("\r\n") + "\n")


def csv_writer(stream: _Writable) -> Writer:
    r"""A writer of CSV rows that end in ``\n``.

    Examples
    --------
    >>> import io
    >>> text = io.StringIO()
    >>> _ = csv_writer(text).writerow(["a\rb", 1.5, None])
    >>> text.getvalue()
    '"a\rb",1.5,\n'
    """
    # The writer quotes a carriage return only where its own line end holds one; unquoted, readers end the row there.
    return csv.writer(_LineFeeds(stream), lineterminator="\r\n")


def looks_like_formula(text: str) -> bool:
    """Whether a spreadsheet would take this text for a formula.

    Examples
    --------
    >>> [looks_like_formula(text) for text in ("=1+1", "  @sum", "-5", "-5 degrees", "harbor")]
    [True, True, False, True, False]
    """
    return _FORMULA.match(text) is not None and _NUMBER.fullmatch(text) is None


def escaped(text: str) -> str:
    """The text, with an apostrophe in front where it looks like a formula.

    Examples
    --------
    >>> escaped("=1+1"), escaped("harbor")
    ("'=1+1", 'harbor')
    """
    return ESCAPE + text if looks_like_formula(text) else text


def unescaped(text: str) -> str:
    """The text before `escaped`.

    Examples
    --------
    >>> unescaped("'=1+1"), unescaped("'tis")
    ('=1+1', "'tis")
    """
    rest = text.removeprefix(ESCAPE)
    return rest if looks_like_formula(rest) else text
