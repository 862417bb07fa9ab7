"""One cell: what kind of thing it holds, how its number is written, and its exact value (few are looked at so)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Any, Final, NamedTuple

from frametime.adapters.columns.words import Unit, unit_named
from frametime.errors import printable

MINUS: Final = "\u2212"
"""The minus of typesetters, which spreadsheets and some languages write."""
_WORDS: Final = "na n/a #n/a n.a. nan +nan -nan null none nil - -- \u2013 \u2014 ? missing"
_ERRORS: Final = "#value! #div/0! #ref! #num! #name? #null! #wert! #zahl! #bezug! #nv #valeur! #nombre!"
"""What a spreadsheet writes where it has no value."""
MISSING: Final = frozenset(("", "#n/a n/a", "not available", "not supported", *_WORDS.split(), *_ERRORS.split()))
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
WITH_UNIT: Final = r"(?P<number>[+-]?[.,]?\d(?:[\d.,]*\d)?(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>(?!/)[A-Za-zµμ/%°]{1,12})"
_HALF: Final = "(?:[ \u00a0\u202f]?(?P<half>[AaPp])[.]?[ \u00a0\u202f]?[Mm][.]?)?"
_OF_SECOND: Final = r"(?P<f>[.,]\d+|:\d{3,9})?"
CLOCK: Final = rf"(?P<sign>[+-]?)(?:(?P<h>\d{{1,6}}):)?(?P<m>\d{{1,2}}):(?P<s>\d{{1,2}}){_OF_SECOND}{_HALF}"
DATE: Final = (
    r"(?P<y>\d{4})[-/.]?(?P<mo>\d{1,2})[-/.]?(?P<d>\d{1,2})[.,]?[T _-](?P<h>\d{1,2})[:.h]?(?P<m>\d{2})"
    rf"(?:[:.m]?(?P<s>\d{{2}})s?{_OF_SECOND})?{_HALF}\s?(?P<z>Z|z|UTC|[+-]\d{{2}}(?::?\d{{2}})?)?"
)
_TOGETHER: Final = r"^(20\d\d(?:0[1-9]|1[0-2])(?:[0-2]\d|3[01]))((?:[01]\d|2[0-3])[0-5]\d[0-5]\d(?:[.,]\d+)?)$"
"""A date and a time of 14 digits, which no counter goes through."""
_LONG: Final = 14
WORDED: Final = r"[^\d\s.,:/+-]{2}.*\d|\d.*[^\d\s.,:/+-]{2}|^20\d{12}"
"""What a date or a time may hold that `plain_dates` makes plain."""
_MONTHS: Final = (
    "jan|ene|gen feb|fév|fev mar|mär|mrz apr|avr|abr ma[iyg]|mei jun|juin|giu jul|juil|lug aug|aoû|ago se[pt]"
)
_MONTH: Final = f"{_MONTHS} o[ckt]t|out nov de[cz]|déc|dic".split()
_BEFORE: Final = {"AM": "AM|上午|오전|午前", "PM": "PM|下午|오후|午後"}
YEAR_LAST: Final = r"^(\d{1,2})[-/.](\d{1,2})[-/.](?:20)?(\d\d)([T _-])"
"""How a date may begin that is otherwise written as `DATE` says. Patterns of Python and of Arrow at once."""


def matches(pattern: str, text: str) -> re.Match[str] | None:
    """Whether the whole text fits. Patterns are compiled when first used: a quick check needs few of them."""
    return re.fullmatch(pattern, text, re.ASCII)


def plain_dates(texts: Any, sub: Callable[[str, str, Any], Any] = re.sub) -> Any:
    """A text, or a column of them, with numbers for the names of months, and AM or PM behind the time.

    ``sub`` replaces what a pattern finds, in the order of the arguments of ``re.sub``.

    Examples
    --------
    >>> plain_dates("30 Nov 2026 12:00:01"), plain_dates("Nov. 3, 2026 9:05:00 PM"), plain_dates("下午 3:04:05")
    ('2026-11-30 12:00:01', '2026-11-3 9:05:00 PM', '3:04:05 PM')
    """
    texts = sub(_TOGETHER, r"\1 \2", texts)
    texts = sub(r"^[A-Z]\w\w ([A-Z]\w\w +\d{1,2}) ([\d:]{8}) (?:[A-Z]{3,4} )?(\d{4})$", r"\1 \3 \2", texts)
    texts = sub(r"^[^\W\d]{2,9}\.?,? (\d{1,2}[ ./-][^\W\d]{3}|\d{4}-)", r"\1", texts)
    for number, names in enumerate(_MONTH, 1):
        name = rf"(?i:{names})[^\d\s.,/-]*\.?"
        texts = sub(rf"^(\d{{1,2}})\.?[- /]{name}[-/., ]+(?:20)?(\d\d),? ", rf"20\2-{number:02d}-\1 ", texts)
        texts = sub(rf"^{name} +(\d{{1,2}}),? +(\d{{4}}),? ", rf"\2-{number:02d}-\1 ", texts)
    for half, words in _BEFORE.items():
        texts = sub(rf"(?:{words}) ?(\d{{1,2}}:[\d:.,]+)$", rf"\1 {half}", texts)
    return texts


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
        return CellKind.DATE if len(text) >= _LONG and matches(_TOGETHER, text) else CellKind.NUMBER
    text = text.strip('="').replace(MINUS, "-")  # a spreadsheet keeps what it is not to change as ="16.7"
    if matches(NUMBER, text) or (any(mark in text for mark in GROUP_MARKS) and matches(GROUPED, text)):
        return CellKind.NUMBER
    word = plain_word(text)
    if word in MISSING or word in INFINITE:
        return CellKind.MISSING
    text = text.strip("[]")
    text = plain_dates(text) if re.search(WORDED, text) else text
    if matches(DATE, re.sub(YEAR_LAST, r"20\3-\2-\1\4", text)):
        return CellKind.DATE
    if matches(CLOCK, text):
        return CellKind.CLOCK
    return CellKind.WITH_UNIT if matches(WITH_UNIT, text) else CellKind.TEXT


def is_value(kind: CellKind) -> bool:
    """Whether a cell of that kind can be a measured value."""
    return kind not in (CellKind.TEXT, CellKind.MISSING)


SPACES: Final = " \u00a0\u2009\u202f"


class NumberStyle(NamedTuple):
    """How numbers are written.

    Attributes
    ----------
    decimal : str
        ``.`` or ``,``.
    thousands : str
        ``,``, ``.``, ``'`` or a space; empty where digits are not grouped.
    """

    decimal: str = "."
    thousands: str = ""


POINT: Final = NumberStyle()


def _number_in(cell: str) -> str:
    """What a cell holds, without a unit behind its number."""
    text = cell.strip().strip('="').replace(MINUS, "-")
    match = matches(WITH_UNIT, text) if kind_of(text) is CellKind.WITH_UNIT else None
    return match[1] if match else text


def number_styles(cells: Iterable[str]) -> tuple[tuple[NumberStyle, ...], str]:
    """The ways in which the numbers of a text can be read (more than one: open), and why.

    Examples
    --------
    >>> number_styles(["0,017247", "17,247"])[0]
    (NumberStyle(decimal=',', thousands=''),)
    >>> len(number_styles(["17,247", "16,076"])[0])
    2
    """
    cells = tuple(cells)
    together = "\n".join(cells)
    if together.isascii() and not any(mark in together for mark in ",' ") and not re.search(r"\.\d+\.", together):
        return (POINT,), "no cell has a comma"
    numbers = [_number_in(cell) for cell in cells if kind_of(cell) in (CellKind.NUMBER, CellKind.WITH_UNIT)]
    # Most numbers hold no such mark: the pattern is tried on few.
    marked = next((n for n in numbers if not n.isascii() or " " in n or "'" in n if matches(GROUPED_BY_MARK, n)), None)
    if marked is not None:
        mark = next(character for character in marked if not character.isdigit() and character not in "+-.,")
        style = NumberStyle("," if any("," in n for n in numbers) else ".", " " if mark in SPACES else "'")
        return (style,), f"{marked!r} groups its digits"
    with_comma = [n for n in numbers if "," in n]
    with_point = [n for n in numbers if "." in n]
    return _by_marks(with_comma, with_point)


def _by_marks(  # noqa: PLR0911 - one line for each way of writing numbers
    with_comma: list[str], with_point: list[str]
) -> tuple[tuple[NumberStyle, ...], str]:
    many_points = next((n for n in with_point if n.count(".") > 1 and matches(GROUPED_BY_POINT, n)), None)
    if many_points is not None:
        return (NumberStyle(",", "."),), f"{many_points!r} groups its digits with points"
    if not with_comma:
        return (POINT,), "no cell has a comma"
    both = next((n for n in with_comma if "." in n), None)
    if both is not None:
        if both.rfind(",") < both.rfind("."):
            return (NumberStyle(".", ","),), f"{both!r} groups its digits with commas"
        return (NumberStyle(",", "."),), f"{both!r} groups its digits with points"
    odd = next((n for n in with_comma if not matches(GROUPED_BY_COMMA, n)), None)
    if odd is not None:
        if with_point and all(matches(GROUPED_BY_POINT, n) for n in with_point):
            return (NumberStyle(",", "."), POINT), f"{with_point[0]!r} beside {odd!r} can be read in two ways"
        if with_point:
            return (POINT,), "cells have points and commas"
        return (NumberStyle(",", ""),), f"{odd!r} can only be a decimal comma"
    if with_point or any(n.count(",") > 1 for n in with_comma):
        return (NumberStyle(".", ","),), f"{with_comma[0]!r} groups its digits with commas"
    return (NumberStyle(",", ""), NumberStyle(".", ",")), f"{with_comma[0]!r} can be read in two ways"


def exact_value(cell: str, style: NumberStyle) -> Decimal | None:
    """The number in one cell without its unit, exactly; ``None`` if it holds none."""
    text = _number_in(cell)
    if style.thousands == " ":
        text = "".join(text.split())
    elif style.thousands:
        text = text.replace(style.thousands, "")
    if style.decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    return Decimal(text) if matches(NUMBER_POINT, text) else None


def unit_in_cell(cell: str) -> Unit | None:
    """The unit that stands behind the number of a cell."""
    match = matches(WITH_UNIT, cell.strip().replace(MINUS, "-"))
    return unit_named(match[2]) if match else None


def reason_of(cell: str, unit: str = "", style: NumberStyle = POINT) -> str:
    """Why a cell is no time in ``unit``, where numbers are written as ``style`` says.

    Examples
    --------
    >>> reason_of("NA"), reason_of("ERROR"), reason_of("0.5 s", "ms")
    ('no value', "'ERROR' is not a number", "'0.5 s' is in another unit than ms")
    >>> reason_of("10,12"), reason_of("1e300")
    ("'10,12' is written in another way than the other numbers", "'1e300' is out of range")
    """
    word = cell.strip().strip("\"'").strip()
    lowered = plain_word(word)
    shown = f"'{printable(word, limit=40)}'"
    if lowered in MISSING and lowered[:1] != "#":
        return "not a number (NaN)" if lowered.endswith("nan") else "no value"
    if lowered in INFINITE:
        return "the value is infinite"
    kind = kind_of(word)
    if kind is CellKind.WITH_UNIT and unit:
        return f"{shown} is in another unit than {unit}"
    if kind is not CellKind.NUMBER:
        return f"{shown} is not a number"
    odd_groups = bool(style.thousands) and style.thousands in word and not matches(GROUPED, word)
    if odd_groups or exact_value(word, style) is None:
        return f"{shown} is written in another way than the other numbers"
    return f"{shown} is out of range"
