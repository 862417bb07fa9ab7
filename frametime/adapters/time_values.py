"""Columns to int64 nanoseconds, exactly, for whole columns at a time.

A decimal text below 2**51 ns (26 days) survives the way through float64: the text is rounded once on parsing and once
on scaling, together by less than half a nanosecond. Above that, absolute seconds for example, the digits before and
after the decimal mark are taken as integers, and texts with an exponent as fractions.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, arrow_texts, numpy_of, pa, pc, text_scalar
from frametime.adapters.columns.words import Unit, unit_named
from frametime.adapters.text import cells
from frametime.adapters.text.cells import NumberStyle

EXACT_FLOAT_NS: Final = 2.0**51
_MAX_NS: Final = 9.2e18
DAY_NS: Final = 86_400 * 10**9
_PLAIN: Final = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)$"
_READABLE: Final = f"^{cells.NUMBER_POINT}$"
_PARTED: Final = rf"^(?P<number>{cells.NUMBER_POINT})\s*(?P<unit>[A-Za-zµμ/%°]{{0,12}})$"


class TimeValues(NamedTuple):
    """One column of times.

    Attributes
    ----------
    ns : ndarray of int64, shape (n_rows,)
        0 where ``ok`` is false.
    ok : ndarray of bool, shape (n_rows,), or None
        Whether the cell holds a time; ``None`` when all do.
    zoned : bool or None
        For dates: whether they name their zone; ``None`` for other times.
    other_ns : ndarray of int64 or None
        Dates of which nothing tells the day from the month, the other way round, those alone that are ``ok``.
    """

    ns: NDArray[np.int64]
    ok: NDArray[np.bool_] | None
    zoned: bool | None = None
    other_ns: NDArray[np.int64] | None = None


def times_of_numbers(column: Any, unit: Unit) -> TimeValues | None:
    """Times of a column that was read as float64 or int64; ``None`` where they must be read from the text.

    That is where a cell is missing or infinite, or a float64 no longer holds each nanosecond.
    """
    if column.null_count:
        return None
    ns, start = np.empty(len(column), dtype=np.int64), 0
    # A chunk at a time: its copies stay in the processor's cache.
    for values in (np.from_dlpack(chunk) for chunk in column.chunks if len(chunk)):
        if not _scaled(values, unit, ns[start : start + values.size]):
            return None
        start += values.size
    return TimeValues(ns=ns, ok=None)


def _scaled(values: NDArray[Any], unit: Unit, ns: NDArray[np.int64]) -> bool:
    """Write the values in ns into ``ns``; false if one of them cannot be taken as it is."""
    if values.dtype == np.int64 and unit.ns is not None:
        limit = (2**63 - 1) // int(unit.ns)
        np.multiply(values, int(unit.ns), out=ns)
        return unit.ns == 1 or (-limit <= int(values.min()) and int(values.max()) <= limit)
    if unit.ns is None and not (values > 0).all():
        return False
    with np.errstate(over="ignore"):  # what is endless then is refused below
        scaled = 1e9 / values if unit.ns is None else values * float(unit.ns)
    # A comparison with NaN is false, so this refuses it as well.
    if not (float(scaled.max()) < EXACT_FLOAT_NS and float(scaled.min()) > -EXACT_FLOAT_NS):
        return False
    ns[:] = np.rint(scaled, out=scaled)
    return True


def clean_texts(column: Any) -> Any:
    """Cells without surrounding space, quotes left over, and nulls, and with a plain minus."""
    texts = pc.utf8_trim(pc.fill_null(column, text_scalar("")), " \t\r\n\v\f\u00a0\ufeff\"'[]=")
    return pc.replace_substring(texts, cells.MINUS, "-")


def times_of_texts(column: Any, unit: Unit, style: NumberStyle, *, relative: bool = False) -> TimeValues:
    """Times of a column of texts: every cell that is not exactly a time is marked as not ok."""
    texts = clean_texts(column)
    if unit.form in ("clock", "date"):
        if bools(pc.match_substring_regex(texts, cells.WORDED)).any():
            texts = cells.plain_dates(texts, lambda found, by, each: pc.replace_substring_regex(each, found, by))
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
    ok = np.full(len(cells), times.other_ns is None) if times.ok is None else times.ok
    return [value if good else None for value, good in zip(times.ns.tolist(), ok.tolist(), strict=True)]


def is_missing(column: Any) -> NDArray[np.bool_]:
    """Where a cell is empty or a word for a missing value, in brackets or not."""
    words = pc.replace_substring_regex(pc.utf8_lower(clean_texts(column)), cells.BRACKETED, r"\1")
    return bools(pc.is_in(words, value_set=arrow_texts(sorted(cells.MISSING))))


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
        grouped = {" ": f"[{cells.SPACES}]", "'": "['’]", ".": r"\."}.get(style.thousands, style.thousands)
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
        return TimeValues(ns=np.where(ok, ns, 0).astype(np.int64), ok=_mask(ok))
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
    return TimeValues(ns=ns_exact, ok=_mask(ok))


def _since_first(texts: Any, factor: int) -> TimeValues:
    """Counts that are too large as ns, from the first of them on: their differences fit."""
    try:
        counts = numpy_of(pc.cast(texts, "uint64"))
    except ValueError:  # as those of Arrow are
        none = np.zeros(len(texts), dtype=np.bool_)
        return TimeValues(ns=none.astype(np.int64), ok=none)
    return TimeValues(ns=(counts - counts[0]).view(np.int64) * factor, ok=None)


def _mask(ok: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    return None if ok.all() else ok


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
    ok = bools(pc.is_valid(parts)) & (minutes < 60) & (seconds < 60) & (~marked | ((hours >= 1) & (hours <= 12)))
    hours = np.where(marked, hours % 12 + np.where(after, 12, 0), hours)
    return (hours * 3600 + minutes * 60 + seconds) * 10**9 + fraction, ok


def _clocks(texts: Any) -> TimeValues:
    parts = pc.extract_regex(texts, f"^{cells.CLOCK}$")
    ns, ok = _of_day(parts)
    negative = bools(pc.match_substring(_part(parts, "sign"), "-"))
    return TimeValues(ns=np.where(ok, np.where(negative, -ns, ns), 0), ok=_mask(ok))


def _dated(texts: Any, *, relative: bool) -> TimeValues:
    """Dates of any order: where the year stands last, a number above 12 or the course of the log says which is the day.

    Where neither does, the times since the first are those of either order (``relative``), else both are given.
    """
    if not bools(pc.match_substring_regex(texts, cells.YEAR_LAST)).any():
        return _dates(texts)
    # With the day first, and with the month first.
    forms = r"20\3-\2-\1\4", r"20\3-\1-\2\4"
    orders = [_dates(pc.replace_substring_regex(texts, cells.YEAR_LAST, form)) for form in forms]
    # The order in which more cells are dates, or else in which they lie closer together.
    counts = [each.ns.size if each.ok is None else int(np.count_nonzero(each.ok)) for each in orders]
    spans = [int(np.ptp(each.ns)) if each.ok is None and each.ns.size else 0 for each in orders]
    if (counts[0], spans[0]) != (counts[1], spans[1]) or np.array_equal(orders[0].ns, orders[1].ns):
        return orders[int((-counts[1], spans[1]) < (-counts[0], spans[0]))]
    first, other = orders
    if relative:
        return first._replace(ns=first.ns - int(first.ns[0]), zoned=None)
    return first._replace(other_ns=other.ns if other.ok is None else other.ns[other.ok])


def _dates(texts: Any) -> TimeValues:
    parts = pc.extract_regex(texts, f"^{cells.DATE}$")
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
    return TimeValues(ns=ns, ok=_mask(ok), zoned=bool(ok.any() and zoned[ok].all()))
