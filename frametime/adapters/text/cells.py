"""Cells: of one, what it holds, how its number is written, and its exact value; of whole columns, the times in ns.

A decimal text below 2**51 ns (26 days) survives the way through float64: the text is rounded once on parsing and once
on scaling, together by less than half a nanosecond. Above that, absolute seconds for example, the digits before and
after the decimal mark are taken as integers, and texts with an exponent as fractions.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, arrow_texts, numpy_of, pa, pc, text_scalar
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
    texts = sub(_TOGETHER, r"\1 \2", sub("^0 days ", "", texts))
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
    # Nearly every cell is a plain number: digits and one decimal mark at most.
    digits = text.lstrip("+-").replace(",", ".").replace(".", "", 1)
    if text.isascii() and digits.isdigit() and text.count("-") + text.count("+") <= 1:
        return CellKind.DATE if len(text) >= 14 and matches(_TOGETHER, text) else CellKind.NUMBER
    text = text.strip('="[]').replace(MINUS, "-")  # a spreadsheet keeps what it is not to change as ="16.7"
    if matches(NUMBER, text) or (any(mark in text for mark in GROUP_MARKS) and matches(GROUPED, text)):
        return CellKind.NUMBER
    word = plain_word(text)
    if word in MISSING or word in INFINITE:
        return CellKind.MISSING
    dated = plain_dates(text) if re.search(WORDED, text) else text
    if matches(DATE, re.sub(YEAR_LAST, r"20\3-\2-\1\4", dated)):
        return CellKind.DATE
    if matches(CLOCK, dated):
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
    text = cell.strip().strip('="[]').replace(MINUS, "-")
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
    return _by_marks(*([n for n in numbers if mark in n] for mark in ",."))


def _by_marks(  # noqa: PLR0911 - one line for each way of writing numbers
    with_comma: list[str], with_point: list[str]
) -> tuple[tuple[NumberStyle, ...], str]:
    many_points = next((n for n in with_point if n.count(".") > 1 and matches(GROUPED_BY_POINT, n)), None)
    if many_points is not None:
        return (NumberStyle(",", "."),), f"{many_points!r} groups its digits with points"
    if not with_comma:
        return (POINT,), "no cell has a comma"
    if (both := next((n for n in with_comma if "." in n), None)) is not None:
        if both.rfind(",") < both.rfind("."):
            return (NumberStyle(".", ","),), f"{both!r} groups its digits with commas"
        return (NumberStyle(",", "."),), f"{both!r} groups its digits with points"
    if (odd := next((n for n in with_comma if not matches(GROUPED_BY_COMMA, n)), None)) is not None:
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


EXACT_FLOAT_NS: Final = 2.0**51
_MAX_NS: Final = 9.2e18
DAY_NS: Final = 86_400 * 10**9
_PLAIN: Final = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)$"
_READABLE: Final = f"^{NUMBER_POINT}$"
_PARTED: Final = rf"^(?P<number>{NUMBER_POINT})\s*(?P<unit>[A-Za-zµμ/%°]{{0,12}})$"


class TimeValues(NamedTuple):
    """One column of times.

    Attributes
    ----------
    ns : ndarray of int64, shape (n_rows,)
        0 where ``ok`` is false.
    ok : ndarray of bool, shape (n_rows,)
        Whether the cell holds a time.
    zoned : bool or None
        For dates: whether they name their zone; ``None`` for other times.
    other_ns : ndarray of int64 or None
        Dates of which nothing tells the day from the month, the other way round, those alone that are ``ok``.
    """

    ns: NDArray[np.int64]
    ok: NDArray[np.bool_]
    zoned: bool | None = None
    other_ns: NDArray[np.int64] | None = None


def times_of_numbers(column: Any, unit: Unit) -> TimeValues | None:
    """Times of a column that was read as float64 or int64; ``None`` where they must be read from the text.

    That is where a cell is missing or infinite, or a float64 no longer holds each nanosecond.
    """
    if column.null_count:
        return None
    values = numpy_of(column)
    if unit.ns is None and not (values > 0).all():
        return None
    if values.dtype == np.int64 and unit.ns is not None:
        limit = (2**63 - 1) // int(unit.ns)
        fits = -limit <= int(values.min(initial=0)) and int(values.max(initial=0)) <= limit
        return TimeValues(values * int(unit.ns), np.full(values.size, True)) if fits else None
    with np.errstate(over="ignore"):  # what is endless then is refused below
        scaled = 1e9 / values if unit.ns is None else values * float(unit.ns)
    # A comparison with NaN is false, so this refuses it as well.
    if not (float(scaled.max(initial=0.0)) < EXACT_FLOAT_NS and float(scaled.min(initial=0.0)) > -EXACT_FLOAT_NS):
        return None
    return TimeValues(np.rint(scaled, out=scaled).astype(np.int64), np.full(values.size, True))


def clean_texts(column: Any) -> Any:
    """Cells without surrounding space, quotes left over, and nulls, and with a plain minus."""
    texts = pc.utf8_trim(pc.fill_null(column, text_scalar("")), " \t\r\n\v\f\u00a0\ufeff\"'[]=")
    return pc.replace_substring(texts, MINUS, "-")


def times_of_texts(column: Any, unit: Unit, style: NumberStyle, *, relative: bool = False) -> TimeValues:
    """Times of a column of texts: every cell that is not exactly a time is marked as not ok."""
    texts = clean_texts(column)
    if unit.form in ("clock", "date"):
        if bools(pc.match_substring_regex(texts, WORDED)).any():
            texts = plain_dates(texts, lambda found, by, each: pc.replace_substring_regex(each, found, by))
        return _clocks(texts) if unit.form == "clock" else _dated(texts, relative=relative)
    return _numbers(with_point(texts, style), unit)


def exact_ns(cells: Sequence[str], unit: Unit, style: NumberStyle, *, relative: bool = False) -> list[int | None]:
    """The times in a few cells as nanoseconds, ``None`` where there is none.

    Examples
    --------
    >>> from frametime.adapters.columns.words import CLOCK, SECOND
    >>> exact_ns(["1790000000.017247001", "x"], SECOND, NumberStyle()), exact_ns(["0:01:00.5"], CLOCK, NumberStyle())
    ([1790000000017247001, None], [60500000000])
    """
    times = times_of_texts(arrow_texts(cells), unit, style, relative=relative)
    # Of a date that may be one of two nothing is exact.
    known = times.ok & (times.other_ns is None or not times.ok.all())
    return [value if good else None for value, good in zip(times.ns.tolist(), known.tolist(), strict=True)]


def is_missing(column: Any) -> NDArray[np.bool_]:
    """Where a cell is empty or a word for a missing value, in brackets or not."""
    words = pc.replace_substring_regex(pc.utf8_lower(clean_texts(column)), BRACKETED, r"\1")
    return bools(pc.is_in(words, value_set=arrow_texts(sorted(MISSING))))


def bools(mask: Any) -> NDArray[np.bool_]:
    """An Arrow column of truth values as an array."""
    return np.asarray(numpy_of(pc.cast(mask, "uint8")), dtype=np.bool_)


def parted(texts: Any) -> tuple[Any, Any]:
    """Texts with a decimal point as numbers and the units behind them: ``nan`` and nothing where there is none."""
    parts = pc.extract_regex(texts, _PARTED)
    number, unit = (pc.fill_null(pc.struct_field(parts, [at]), text_scalar(lack)) for at, lack in ((0, "nan"), (1, "")))
    return number, unit


def with_point(texts: Any, style: NumberStyle) -> Any:
    """Numbers, with a unit behind them or not, with a decimal point and without marks between their digits."""
    if style.thousands:
        grouped = {" ": f"[{SPACES}]", "'": "['’]", ".": r"\."}.get(style.thousands, style.thousands)
        # Only whole groups of three: "1,23" stays as it is, and is then no number.
        decimal = "\\." if style.decimal == "." else ","
        pattern = f"^[+-]?[0-9]{{1,3}}(?:{grouped}[0-9]{{3}})+(?:{decimal}[0-9]*)?\\s*[A-Za-zµμ/%°]{{0,12}}$"
        in_groups = pc.match_substring_regex(texts, pattern)
        texts = pc.if_else(in_groups, pc.replace_substring_regex(texts, grouped, ""), texts)
    if style.decimal == ",":
        # A point is no part of such a number: it is turned into something that is refused.
        texts = pc.replace_substring(pc.replace_substring(texts, ".", "?"), ",", ".")
    return texts


def _numbers(texts: Any, unit: Unit) -> TimeValues:
    """Numbers with a decimal point, in ``unit`` or in the one of its kind that stands behind them."""
    plain = readable = bools(pc.match_substring_regex(texts, _PLAIN))
    factors: Any = float(unit.ns or 0)
    if not plain.all():
        bare, written = parted(texts)
        named = {word: unit_named(word) if word else unit for word in pc.unique(written).to_pylist()}
        form = unit.form if unit in named.values() else ""  # what every cell says is no slip
        units = {word: each for word, each in named.items() if each and each.form == form}
        # A cell in a unit of another kind keeps it, and is no number.
        texts = pc.if_else(pc.is_in(written, value_set=arrow_texts([*units])), bare, texts)
        if len({*units.values()}) > 1:
            factors = np.array([float(units.get(word, unit).ns or 0) for word in written.to_pylist()])
        plain, readable = (bools(pc.match_substring_regex(texts, pattern)) for pattern in (_PLAIN, _READABLE))
    kept = pc.utf8_ltrim(pc.if_else(arrow_array(readable), texts, text_scalar("0")), "+")
    values = numpy_of(pc.cast(kept, "float64"))
    ok = readable & np.isfinite(values)
    if unit.form == "rate":
        ok &= values > 0
        ns = np.rint(1e9 / np.where(ok, values, 1.0))
        ok &= ns < EXACT_FLOAT_NS
        return TimeValues(ns=np.where(ok, ns, 0).astype(np.int64), ok=ok)
    assert unit.ns is not None
    if ok.all() and plain.all() and values.size and unit.ns >= 1:
        factor, least, most = int(unit.ns), float(values.min()), float(values.max())
        if most * factor >= 2.0**63 > 2 * (most - least) * factor and least >= 0 and most < 2.0**64:
            return _since_first(kept, factor)
    with np.errstate(over="ignore"):
        scaled = np.where(ok, values, 0.0) * factors
    ok &= np.abs(scaled) < np.where(factors == float(unit.ns), _MAX_NS, EXACT_FLOAT_NS)
    scaled = np.where(ok, scaled, 0.0)
    ns_exact = np.rint(scaled).astype(np.int64)
    large = np.flatnonzero(ok & (np.abs(scaled) >= EXACT_FLOAT_NS))
    if large.size:
        exact = _exact(kept, large, unit.ns)
        ns_exact[large] = 0 if exact is None else exact
        ok[large] &= exact is not None
    return TimeValues(ns=ns_exact, ok=ok)


def _since_first(texts: Any, factor: int) -> TimeValues:
    """Counts that are too large as ns, from the first of them on: their differences fit."""
    try:
        counts = numpy_of(pc.cast(texts, "uint64"))
    except ValueError:  # as those of Arrow are
        none = np.zeros(len(texts), dtype=np.bool_)
        return TimeValues(ns=none.astype(np.int64), ok=none)
    return TimeValues(ns=(counts - counts[0]).view(np.int64) * factor, ok=np.full(counts.size, True))


def _exact(texts: Any, rows: NDArray[np.int64], unit_ns: Fraction) -> NDArray[np.int64] | None:
    """Exact times of texts that are too large for float64; ``None`` where one has more digits than any clock."""
    chosen = pc.replace_substring_regex(pc.take(texts, arrow_array(rows)), r"(\.[0-9]{30})[0-9]+", r"\1")
    factor = text_scalar(str(Decimal(unit_ns.numerator) / unit_ns.denominator)).cast(pa.decimal128(22, 9))
    try:
        scaled = pc.multiply(pc.cast(chosen, pa.decimal256(52, 30)), factor)
        return np.asarray(numpy_of(pc.cast(pc.round(scaled), "int64")), dtype=np.int64)
    except pa.ArrowInvalid:
        return None


def _integers(texts: Any) -> NDArray[np.int64]:
    padded = pc.if_else(pc.match_substring_regex(texts, "^[0-9]+$"), texts, text_scalar("0"))
    return np.asarray(numpy_of(pc.cast(padded, "int64")), dtype=np.int64)


def _part(parts: Any, name: str) -> Any:
    return pc.fill_null(pc.struct_field(parts, name), text_scalar(""))


def _of_day(parts: Any) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Hours, minutes and seconds in ns, with AM or PM or not, and whether they can be."""
    hours, minutes, seconds = (_integers(_part(parts, name)) for name in ("h", "m", "s"))
    fraction = _integers(pc.utf8_slice_codeunits(pc.utf8_rpad(_part(parts, "f"), 10, "0"), 1, 10))
    marked, after = (bools(pc.match_substring_regex(_part(parts, "half"), mark)) for mark in (".", "[Pp]"))
    # Minutes that are not parted into hours go on after 59.
    ok = bools(pc.is_valid(parts)) & ((minutes < 60) | bools(pc.equal(_part(parts, "h"), text_scalar(""))))
    ok &= (seconds < 60) & (~marked | ((hours >= 1) & (hours <= 12)))
    hours = np.where(marked, hours % 12 + np.where(after, 12, 0), hours)
    return (hours * 3600 + minutes * 60 + seconds) * 10**9 + fraction, ok


def _clocks(texts: Any) -> TimeValues:
    parts = pc.extract_regex(texts, f"^{CLOCK}$")
    ns, ok = _of_day(parts)
    negative = bools(pc.match_substring(_part(parts, "sign"), "-"))
    return TimeValues(ns=np.where(ok, np.where(negative, -ns, ns), 0), ok=ok)


def _dated(texts: Any, *, relative: bool) -> TimeValues:
    """Dates of any order: where the year stands last, a number above 12 or the course of the log says which is the day.

    Where neither does, the times since the first are those of either order (``relative``), else both are given.
    """
    if not bools(pc.match_substring_regex(texts, YEAR_LAST)).any():
        return _dates(texts)
    # With the day first, and with the month first.
    orders = [_dates(pc.replace_substring_regex(texts, YEAR_LAST, form)) for form in (r"20\3-\2-\1\4", r"20\3-\1-\2\4")]
    # The order in which more cells are dates, or else in which they lie closer together.
    counts = [int(np.count_nonzero(each.ok)) for each in orders]
    spans = [int(np.ptp(each.ns)) if each.ok.all() else 0 for each in orders]
    if (counts[0], spans[0]) != (counts[1], spans[1]) or np.array_equal(orders[0].ns, orders[1].ns):
        return orders[int((-counts[1], spans[1]) < (-counts[0], spans[0]))]
    first, other = orders
    if relative:
        return first._replace(ns=first.ns - int(first.ns[0]), zoned=None)
    return first._replace(other_ns=other.ns[other.ok])


def _dates(texts: Any) -> TimeValues:
    parts = pc.extract_regex(texts, f"^{DATE}$")
    of_day, ok = _of_day(parts)
    year, month, day = (_integers(_part(parts, name)) for name in ("y", "mo", "d"))
    ok &= (year >= 1700) & (year <= 2200) & (month >= 1) & (month <= 12) & (day >= 1) & (of_day < DAY_NS)
    months = np.where(ok, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    first, end = ((months + np.timedelta64(n, "M")).astype("datetime64[D]").astype(np.int64) for n in (0, 1))
    ok &= day <= end - first
    zone = _part(parts, "z")
    digits = pc.utf8_rpad(pc.replace_substring_regex(zone, "[^0-9]", ""), 4, "0")
    hours, minutes = (_integers(pc.utf8_slice_codeunits(digits, at, at + 2)) for at in (0, 2))
    east = np.where(bools(pc.starts_with(zone, "-")), -1, 1) * (hours * 60 + minutes) * 60 * 10**9
    zoned = bools(pc.match_substring_regex(zone, "."))
    ns = np.where(ok, (first + day - 1) * DAY_NS + of_day - east, 0)
    if ok.any() and zoned[ok].any() and not zoned[ok].all():
        # Some with a zone and some without cannot be put on one clock.
        ok &= zoned
    return TimeValues(ns=ns, ok=ok, zoned=bool(ok.any() and zoned[ok].all()))
