"""What kind of thing one cell holds: used on the few cells that are looked at before the table is read."""

from __future__ import annotations

import re
from enum import StrEnum
from functools import lru_cache
from typing import Final

_WORDS: Final = "na n/a #n/a n.a. nan +nan -nan null none nil - -- ? missing"
MISSING: Final = frozenset(("", "#n/a n/a", "not available", "not supported", *_WORDS.split()))
"""What stands for a missing value, in lower case and without brackets around it."""
BRACKETED: Final = r"^[\[({<]+\s*(.*?)\s*[\])}>]+$"
"""A text in brackets of any kind; the patterns of Python and of Arrow both know it."""

INFINITE: Final = frozenset(("inf", "+inf", "-inf", "infinity", "+infinity", "-infinity", "∞", "-∞", "1.#inf"))

NUMBER_POINT: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
GROUPED_BY_COMMA: Final = r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?"
GROUPED_BY_POINT: Final = r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+(?:,\d*)?"
GROUPED_BY_MARK: Final = r"[+-]?[1-9]\d{0,2}(?:[' \u00a0\u2009\u202f’]\d{3})+(?:[.,]\d*)?"
NUMBER: Final = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?"
GROUPED: Final = "|".join((GROUPED_BY_COMMA, GROUPED_BY_POINT, GROUPED_BY_MARK))
GROUP_MARKS: Final = ",.' \u00a0\u2009\u202f’"
WITH_UNIT: Final = re.compile(r"([+-]?[.,]?\d(?:[\d.,]*\d)?(?:[eE][+-]?\d{1,3})?)\s*([A-Za-zµμ/%°]{1,12})", re.ASCII)
CLOCK: Final = r"[+-]?\d{1,6}:\d{1,2}(?::\d{1,2})?(?:[.,]\d{1,12})?(?: ?[AaPp]\.?[Mm]\.?)?"
DATE: Final = (
    r"(?:\d{4}[-/.]?\d{1,2}[-/.]?\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T ]\d{1,2}:?\d{2}(?::?\d{2}(?:[.,]\d{1,12})?)?"
    r"(?: ?[AaPp]\.?[Mm]\.?)?\s?(?:Z|z|UTC|[+-]\d{2}(?::?\d{2})?)?"
)


def matches(pattern: str, text: str) -> re.Match[str] | None:
    """Whether the whole text fits. Patterns are compiled when first used: a quick check needs few of them."""
    return re.fullmatch(pattern, text, re.ASCII)


class CellKind(StrEnum):
    """What one cell holds."""

    NUMBER = "number"
    WITH_UNIT = "number with unit"
    CLOCK = "clock"
    DATE = "date"
    MISSING = "missing"
    TEXT = "text"


def plain_word(cell: str) -> str:
    """A cell in lower case, without space and brackets around it.

    Examples
    --------
    >>> plain_word(" [N/A]"), plain_word("< missing >"), plain_word("f(x)")
    ('n/a', 'missing', 'f(x)')
    """
    word = cell.strip().casefold()
    return re.sub(BRACKETED, r"\1", word) if word[:1] in {"[", "(", "{", "<"} else word


@lru_cache(maxsize=1 << 14)
def kind_of(cell: str) -> CellKind:  # noqa: PLR0911 - one line for each kind
    """The kind of one cell.

    Examples
    --------
    >>> [kind_of(cell).value for cell in ("17,247", "1.5 ms", "0:01:02.5", "n/a", "ERROR")]
    ['number', 'number with unit', 'clock', 'missing', 'text']
    """
    text = cell.strip()
    if len(text) > 64:
        return CellKind.TEXT
    # Nearly every cell is a plain number: digits and one point at most.
    if text.isascii() and text.lstrip("+-").replace(".", "", 1).isdigit() and text.count("-") + text.count("+") <= 1:
        return CellKind.NUMBER
    if matches(NUMBER, text) or (any(mark in text for mark in GROUP_MARKS) and matches(GROUPED, text)):
        return CellKind.NUMBER
    word = plain_word(text)
    if word in MISSING or word in INFINITE:
        return CellKind.MISSING
    if matches(DATE, text):
        return CellKind.DATE
    if matches(CLOCK, text):
        return CellKind.CLOCK
    return CellKind.WITH_UNIT if WITH_UNIT.fullmatch(text) else CellKind.TEXT


def is_value(kind: CellKind) -> bool:
    """Whether a cell of that kind can be a measured value."""
    return kind not in (CellKind.TEXT, CellKind.MISSING)
