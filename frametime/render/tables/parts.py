"""Cells and rows from the values of a result: how numbers, changes, intervals, marks and notes are written."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache, partial, wraps
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, TypeVar, cast
from weakref import ref

from frametime.caveats import Caveat
from frametime.render.numbers import NOT_AVAILABLE, estimate_decimals, format_like, format_number, format_quantity
from frametime.render.tables.table import (
    Cell,
    Code,
    Column,
    ColumnKind,
    Datum,
    Inline,
    Line,
    Mark,
    Note,
    Number,
    Range,
    Row,
    ShownAs,
    Strip,
    Table,
    Tone,
)
from frametime.statistics.interval import Interval
from frametime.words import entries, money, money_range, percent_change, percent_change_range

Result = TypeVar("Result")
DASH: Final = "\N{EN DASH}"
NOTHING: Final = Cell(content=(DASH,))
"""A cell of which a row has nothing to say."""
BASELINE: Final = Cell(content=("baseline",), is_baseline=True)
"""A cell in which the baseline would be compared with itself."""

REACHES: Final = (1.05, 1.1, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0, 100.0)
"""Ends of the scale of a strip."""


_SYMBOLS: Final[Mapping[Tone, str]] = {
    **{"ahead": "\N{BLACK RIGHT-POINTING POINTER}", "behind": "\N{BLACK LEFT-POINTING POINTER}"},
    **{"tied": "\N{BLACK SQUARE}", "undecided": "\N{WHITE CIRCLE}"},
    **{"good": "\N{CHECK MARK}", "care": "~", "bad": "!", "plain": "\N{MIDDLE DOT}"},
}


def mark(word: str, tone: Tone) -> Mark:
    """A judgement in a word; the symbol follows from the tone.

    Examples
    --------
    >>> mark("repeat this run", "bad").symbol
    '!'
    """
    return Mark(word=word, symbol=_SYMBOLS[tone], tone=tone)


_VERDICTS: Final[tuple[Tone, ...]] = ("ahead", "behind", "tied", "undecided")
VERDICT_MARKS: Final[Mapping[str, Mark]] = {word: mark(word, word) for word in _VERDICTS}
"""How a verdict is shown: a word and a symbol, so that nothing rests on color alone.

The symbols are the shapes of the charts: arrows to the better and the worse side, a square, a ring.
"""


def missing(reason: str, origin: str = "") -> Number:
    """No number, and why."""
    return Number(text=NOT_AVAILABLE, value=None, origin=origin, reason=reason)


def _told(
    value: float | None, origin: str, write: Callable[[float], str], reason: str, shown_as: ShownAs = "value"
) -> Number:
    if value is None:
        return missing(reason, origin)
    return Number(text=write(value), value=value, origin=origin, shown_as=shown_as)


def number(value: float | None, origin: str, unit: str = "", *, digits: int = 4, reason: str | None = None) -> Number:
    """A number with its unit, or without one that stands in the heading of its column."""
    write = partial(format_quantity, unit=unit, digits=digits) if unit else partial(format_number, digits=digits)
    return _told(value, origin, write, reason or "not measured")


def count(value: float | None, origin: str, *, reason: str | None = None) -> Number:
    """A whole number."""
    whole = None if value is None else int(value)
    return _told(whole, origin, partial(format_like, decimals=0), reason or "not measured")


def money_cell(
    value: float | None, interval: Interval | None, origin: str, *, ends: str = "", reason: str | None = None
) -> Cell:
    """An amount of money without its currency and, under it, its interval, which stands at ``ends``.

    Examples
    --------
    >>> [part.text for part in money_cell(499.0, None, "price").content]
    ['499']
    """
    if value is None:
        return cell(missing(reason or "not given", origin))
    amount = Number(text=money(value, interval), value=value, origin=origin)
    if interval is None:
        return cell(amount)
    return cell(amount, Range(text=money_range(interval), low=interval.low, high=interval.high, origin=ends))


def change(ratio: float | None, origin: str, *, reason: str | None = None) -> Number:
    """A ratio as a signed change in percent.

    Examples
    --------
    >>> change(1.052, "ratio").text
    '+5.2 %'
    """
    return _told(ratio, origin, percent_change, reason or "there is nothing to compare", "change")


def change_range(interval: Interval | None, origin: str, *, reason: str | None = None) -> Range | Number:
    """The interval of a ratio as two signed changes in percent; the sign of percent stands once."""
    if interval is None:
        return missing(reason or "too few runs give no interval", origin)
    text = percent_change_range(interval)
    return Range(text=text, low=interval.low, high=interval.high, origin=origin, shown_as="change")


def estimate_line(value: float | None, interval: Interval | None, origin: str, *, reason: str | None = None) -> Line:
    """A value and, under it, its interval; digits follow from the interval."""
    if value is None or interval is None:
        return (number(value, f"{origin}/value", reason=reason),)
    decimals = estimate_decimals(value, interval.low, interval.high)
    mean = Number(text=format_like(value, decimals=decimals), value=value, origin=f"{origin}/value")
    span = " to ".join(format_like(bound, decimals=decimals) for bound in (interval.low, interval.high))
    return (mean, Range(text=span, low=interval.low, high=interval.high, origin=f"{origin}/interval"))


def cell(*content: Inline, notes: Iterable[Note] = (), sort: float | str | None = None, data: Datum = None) -> Cell:
    """A cell; ``data`` is the key that stands in files for a label. Why there is no number is noted."""
    lacking = [part for part in content if isinstance(part, Number) and part.value is None and part.reason]
    why = [Note(f"{NOT_AVAILABLE}: {part.reason}", "note", "no-number") for part in lacking]
    return Cell(content=content, sort=sort, data=data, notes=tuple(dict.fromkeys((*notes, *why))))


def code_cell(text: str, *, notes: Iterable[Note] = ()) -> Cell:
    """A cell with text that is read letter by letter."""
    return Cell(content=(Code(text=text),), data=text, notes=tuple(notes))


def verdict_cell(verdict: str, *more: Inline, ratio: float | None) -> Cell:
    """A verdict as its mark, and what goes with it; a dash where there is no ratio to judge."""
    return cell(DASH, data=verdict) if ratio is None else cell(VERDICT_MARKS[verdict], *more, data=verdict)


def filled(
    columns: Sequence[Column],
    values: Mapping[str, object],
    *,
    of: object = None,
    origin: str = "",
    reason: str | None = None,
) -> Row:
    """A row of values in the forms that its columns ask for; a dash where the row has nothing to say of a column.

    Parameters
    ----------
    values : Mapping of str to object
        By key of the column: a finished cell, a part of one, or a plain value.
    of : object, optional
        The entry of the result that the row is of: its fields fill the columns with their names that have no value.
    origin : str
        Where the row stands in the result.
    reason : str, optional
        Why numbers are missing.
    """
    told = {column.key: getattr(of, column.key, NOTHING) for column in columns} | dict(values)
    return Row(tuple(_formed(column, told[column.key], reason) for column in columns), origin)


@cache
def _table_data() -> tuple[Mapping[str, list[str]], Mapping[str, list[dict[str, str]]]]:
    """What ``tables.txt`` and ``columns.tsv`` beside this file say of each table, by its key; ``-`` is nothing.

    The first has the part of a result that the rows are of, why numbers are missing, and the caption, with what that
    says of a comparison behind a bar.
    """
    texts = (Path(__file__).with_name(name).read_text("utf-8") for name in ("tables.txt", "columns.tsv"))
    tables, columns = next(texts), next(texts)
    names, *lines = (line.split("\t") for line in columns.splitlines())
    held: dict[str, list[dict[str, str]]] = {}
    for line in lines:
        row = {name: "" if text == "-" else text for name, text in zip(names, line, strict=True)}
        held.setdefault(row.pop("table"), []).append(row)
    return {key: ["" if text == "-" else text for text in told] for key, *told in entries(tables)}, held


def caption_of(table: str, **words: str) -> str:
    """The caption of a table, as ``tables.txt`` has it, with words for what stands in braces."""
    return " ".join(_table_data()[0][table][2:]).format(**words)


def columns_of(table: str, **words: str) -> tuple[Column, ...]:
    """The columns of a table, as ``columns.tsv`` has them.

    Parameters
    ----------
    words
        What stands in braces in labels and units.

    Examples
    --------
    >>> [column.heading for column in columns_of("overall", reach="-5 % to +5 %")][:3]
    ['Cut', 'Card', 'Metric']
    """
    return tuple(
        Column(
            row["key"],
            row["label"].format(**words),
            kind=cast("ColumnKind", row["kind"] or "text"),
            unit=row["unit"].replace("{unit}", words.get("unit", "")),
            digits=int(row["digits"] or 4),
            is_choice=bool(row["choice"]),
            origin=row["origin"],
            name=row["name"],
        )
        for row in _table_data()[1][table]
    )


def once_a_result(make: Callable[[Result], Table]) -> Callable[[Result], Table]:
    """Make a table once for each result: terminal, report and the words of every chart read the same one.

    The table of the last result is kept.

    Examples
    --------
    >>> class Result: ...
    >>> @once_a_result
    ... def table(result: Result) -> Table:
    ...     return Table("key", "caption", (), ())
    >>> first, second = Result(), Result()
    >>> table(first) is table(first), table(first) is table(second)
    (True, False)
    """
    kept: list[tuple[ref[Result], Table]] = []

    @wraps(make)
    def made(result: Result) -> Table:
        if not kept or kept[0][0]() is not result:
            kept[:] = [(ref(result), make(result))]
        return kept[0][1]

    return made


def table_of(
    key: str,
    result: object,
    values: Callable[[Any], Mapping[str, object] | None],
    *,
    words: Mapping[str, str] = MappingProxyType({}),
    columns: Sequence[Column] = (),
    is_long: bool = False,
    folded_as: str | None = None,
) -> Table:
    """A table with a row for each entry of a part of a result, but those for which ``values`` says nothing.

    Parameters
    ----------
    key : str
        Of the table in ``tables.txt``, which names the part; the fields of an entry fill the columns with their names.
    values : callable
        What `filled` takes for an entry.
    words : mapping of str to str
        What stands in braces in caption, labels and units.
    columns : sequence of Column, optional
        Where they are not those of `columns_of` for the key.
    """
    part, otherwise, alone, *_ = _table_data()[0][key]
    held, rows = tuple(columns or columns_of(key, **words)), []
    for place, item in enumerate(getattr(result, part)):
        if (told := values(item)) is not None:
            why = first_reason(getattr(item, "caveats", ()), otherwise)
            rows.append(filled(held, told, of=item, origin=f"{part}/{place}", reason=why))
    about = (caption_of(key, **words), held, tuple(rows), alone.format(**words))
    return Table(key, *about, is_long=is_long, folded_as=folded_as)


_SAYS_WHY: Final = re.compile("no-|one-run$|plain-mean|too-|.*-without-|missing-|currencies-|stands-|sensors-unusable")
"""Codes of the caveats that say why a number is missing."""


def first_reason(caveats: Iterable[Caveat], otherwise: str) -> str:
    """The message of the first caveat that says why a number is missing; else ``otherwise``.

    That other cells are left out, or a card stands apart, says so only where nothing else does.
    """
    last = sorted(caveats, key=lambda caveat: caveat.code in {"missing-cells", "stands-apart"})
    return next((caveat.message for caveat in last if _SAYS_WHY.match(caveat.code)), otherwise)


def words_table(key: str, rows: Iterable[Sequence[object]], *, folded_as: str | None = None) -> Table:
    """A table of words."""
    held = columns_of(key)
    made = tuple(filled(held, dict(zip((each.key for each in held), row, strict=True))) for row in rows)
    return Table(key, caption_of(key), held, made, folded_as=folded_as)


def codes(caveats: Iterable[Caveat]) -> str:
    """The stable names of caveats, for files."""
    return " ".join(dict.fromkeys(caveat.code for caveat in caveats))


def _formed(column: Column, value: object, reason: str | None) -> Cell:
    origin = column.origin or column.key
    match value:
        case Cell():
            return value
        case Number() | Range() | Mark() | Strip() | Code():
            return cell(value)
        case bool() | str():
            return cell(value if isinstance(value, str) else ("no", "yes")[value], data=value)
        case None if column.is_text:
            return NOTHING
        case Interval() | None if column.kind == "range":
            return cell(change_range(value, origin, reason=reason))
        case int() | float() | None if column.kind in _NUMBERS:
            return _NUMBERS[column.kind](value, origin, column.digits, reason)
    raise TypeError(f"{column.key} must be a value of a column of kind {column.kind}, got {value!r}")


_NUMBERS: Final[Mapping[str, Callable[[float | None, str, int, str | None], Cell]]] = {
    "number": lambda value, origin, digits, reason: cell(number(value, origin, digits=digits, reason=reason)),
    "whole": lambda value, origin, _, reason: cell(count(value, origin, reason=reason)),
    "change": lambda value, origin, _, reason: cell(change(value, origin, reason=reason)),
    "money": lambda value, origin, _, reason: money_cell(value, None, origin, reason=reason),
}


def strip_reach(ratios: Iterable[float | None], *, margin: float = 0.0) -> float:
    """The first of `REACHES` that holds these ratios and twice the margin: one scale for all strips of a column."""
    logs = [abs(math.log(ratio)) for ratio in ratios if ratio is not None and ratio > 0.0]
    widest = max([2.0 * math.log1p(margin), *logs])
    return next((reach for reach in REACHES if math.log(reach) >= widest), REACHES[-1])


def reach_ends(reach: float) -> tuple[str, str]:
    """What the two ends of a strip stand for, as changes."""
    return f"\N{MINUS SIGN}{(1.0 - 1.0 / reach) * 100.0:.0f} %", f"+{(reach - 1.0) * 100.0:.0f} %"


def reach_words(reach: float) -> str:
    """The two ends of a strip: the heading of its column."""
    return " to ".join(reach_ends(reach)).replace(" %", "\N{NO-BREAK SPACE}%")


def strip(
    ratio: float | None, interval: Interval | None, tone: Tone, *, reach: float, margin: float = 0.0
) -> Strip | None:
    """The picture of a ratio and its interval, where it has one."""
    if ratio is None or interval is None or not interval.low > 0.0:
        return None
    return Strip(value=ratio, low=interval.low, high=interval.high, margin=margin, reach=reach, tone=tone)


def percent(value: float, origin: str) -> Number:
    """A fraction in percent, with as many digits as it needs.

    Examples
    --------
    >>> percent(0.03, "/margin").text, percent(0.025, "/margin").text
    ('3 %', '2.5 %')
    """
    return _told(value, origin, lambda value: f"{value * 100.0:.3g} %", "", "percent")


def notes_of(caveats: Iterable[Caveat]) -> tuple[Note, ...]:
    """Each caveat once."""
    return tuple(Note(item.message, str(item.weight.value), item.code) for item in dict.fromkeys(caveats))


def by_weight(caveats: Iterable[Caveat]) -> tuple[Note, ...]:
    """Each caveat once, the weightiest first, otherwise in the order given."""
    return notes_of(sorted(caveats, key=lambda item: item.weight.place))
