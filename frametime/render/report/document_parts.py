"""Small pieces of a document from the values of a result: numbers, changes, intervals, pictures, marks, notes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from frametime.caveats import Caveat
from frametime.render.numbers import NOT_AVAILABLE, estimate_decimals, format_like, format_number, format_quantity
from frametime.render.report.document import Cell, Code, Column, Inline, Line, Mark, Note, Number, Range, Strip, Tone
from frametime.statistics.differences import Interval
from frametime.words import money as money_words
from frametime.words import money_range, percent_change, percent_change_range

VERDICT_MARKS: Final[Mapping[str, Mark]] = MappingProxyType(
    {
        "ahead": Mark(word="ahead", symbol="\N{BLACK UP-POINTING TRIANGLE}", tone="ahead"),
        "behind": Mark(word="behind", symbol="\N{BLACK DOWN-POINTING TRIANGLE}", tone="behind"),
        "tied": Mark(word="tied", symbol="=", tone="tied"),
        "undecided": Mark(word="undecided", symbol="?", tone="undecided"),
    }
)
"""How a verdict is shown: a word and a symbol, so that nothing rests on color alone."""


DASH: Final = "\N{EN DASH}"

REACHES: Final = (1.05, 1.1, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0, 100.0)
"""Ends of the scale of a strip."""


def mark(word: str, tone: Tone) -> Mark:
    """A judgement in a word; the symbol follows from the tone.

    Examples
    --------
    >>> mark("repeat this run", "bad").symbol
    '!'
    """
    symbols = {"good": "\N{CHECK MARK}", "care": "~", "bad": "!", "plain": "\N{MIDDLE DOT}"}
    return Mark(word=word, symbol=symbols.get(tone, "?"), tone=tone)


def missing(reason: str, origin: str = "") -> Number:
    """No number, and why."""
    return Number(text=NOT_AVAILABLE, value=None, origin=origin, reason=reason)


def quantity(value: float | None, unit: str, origin: str, *, digits: int = 4, reason: str | None = None) -> Number:
    """A number with its unit."""
    if value is None:
        return missing(reason or "not measured", origin)
    return Number(text=format_quantity(value, unit, digits=digits), value=value, origin=origin)


def bare(value: float | None, origin: str, *, digits: int = 4, reason: str | None = None) -> Number:
    """A number whose unit stands in the heading of its column."""
    if value is None:
        return missing(reason or "not measured", origin)
    return Number(text=format_number(value, digits=digits), value=value, origin=origin)


def count(value: int, origin: str) -> Number:
    """A whole number."""
    return Number(text=str(value).replace("-", "\N{MINUS SIGN}"), value=value, origin=origin)


def money(value: float | None, origin: str, *, reason: str | None = None) -> Number:
    """An amount of money without its currency.

    Examples
    --------
    >>> money(499.0, "price").text, money(6.5938, "money_per_fps").text
    ('499', '6.59')
    """
    if value is None:
        return missing(reason or "not given", origin)
    return Number(text=money_words(value), value=value, origin=origin)


def money_line(
    value: float | None, interval: Interval | None, origin: str, *, reason: str | None = None
) -> tuple[Number, Range] | tuple[Number]:
    """A price and, under it, its interval: both keys of the result start with ``origin``."""
    if value is None or interval is None:
        return (money(value, f"{origin}_price", reason=reason),)
    number = Number(text=money_words(value, interval), value=value, origin=f"{origin}_price")
    bounds = Range(text=money_range(interval), low=interval.low, high=interval.high, origin=f"{origin}_interval")
    return (number, bounds)


def change(ratio: float | None, origin: str, *, reason: str | None = None) -> Number:
    """A ratio as a signed change in percent.

    Examples
    --------
    >>> change(1.052, "ratio").text
    '+5.2 %'
    """
    if ratio is None:
        return missing(reason or "there is nothing to compare", origin)
    return Number(text=percent_change(ratio), value=ratio, origin=origin, shown_as="change")


def change_range(interval: Interval | None, origin: str, *, reason: str | None = None) -> Range | Number:
    """The interval of a ratio as two signed changes in percent; the sign of percent stands once."""
    if interval is None:
        return missing(reason or "too few runs give no interval", origin)
    text = percent_change_range(interval)
    return Range(text=text, low=interval.low, high=interval.high, origin=origin, shown_as="change")


def change_line(ratio: float | None, interval: Interval | None, ratio_origin: str, interval_origin: str) -> Line:
    """A change and, in brackets, its interval where it has one."""
    shown = change(ratio, ratio_origin)
    return (shown,) if interval is None else (shown, " (", change_range(interval, interval_origin), ")")


def estimate_line(value: float | None, interval: Interval | None, origin: str, *, reason: str | None = None) -> Line:
    """A value and, under it, its interval; digits follow from the interval."""
    if value is None or interval is None:
        return (bare(value, f"{origin}/value", reason=reason),)
    decimals = estimate_decimals(value, interval.low, interval.high)
    number = Number(text=format_like(value, decimals=decimals), value=value, origin=f"{origin}/value")
    span = " to ".join(format_like(bound, decimals=decimals) for bound in (interval.low, interval.high))
    return (number, Range(text=span, low=interval.low, high=interval.high, origin=f"{origin}/interval"))


def sentence_case(text: str) -> str:
    """The first letter as a capital, the rest as it is.

    Examples
    --------
    >>> sentence_case("average rate (fps)")
    'Average rate (fps)'
    """
    return text[:1].upper() + text[1:]


def cell(*content: Inline, notes: tuple[int, ...] = (), sort: float | str | None = None) -> Cell:
    """A cell; without ``sort``, a number sorts by its value."""
    if sort is None:
        sort = next((part.value for part in content if isinstance(part, Number) and part.value is not None), None)
    return Cell(content=content, sort=sort, notes=notes)


def code_cell(text: str, *, notes: tuple[int, ...] = ()) -> Cell:
    """A cell with text that is read letter by letter."""
    return Cell(content=(Code(text=text),), notes=notes)


def strip_reach(ratios: Iterable[float | None], *, margin: float = 0.0) -> float:
    """The first of `REACHES` that holds these ratios and twice the margin: one scale for all strips of a column."""
    logs = [abs(math.log(ratio)) for ratio in ratios if ratio is not None and ratio > 0.0]
    widest = max([2.0 * math.log1p(margin), *logs])
    return next((reach for reach in REACHES if math.log(reach) >= widest), REACHES[-1])


def reach_words(reach: float) -> str:
    """The two ends of a strip as changes: the heading of its column."""
    return f"\N{MINUS SIGN}{(1.0 - 1.0 / reach) * 100.0:.0f} % to +{(reach - 1.0) * 100.0:.0f} %".replace(
        " %", "\N{NO-BREAK SPACE}%"
    )


def strip(
    ratio: float | None, interval: Interval | None, tone: Tone, *, reach: float, margin: float = 0.0
) -> Strip | None:
    """The picture of a ratio and its interval, where it has one."""
    if ratio is None or interval is None or not interval.low > 0.0:
        return None
    return Strip(value=ratio, low=interval.low, high=interval.high, margin=margin, reach=reach, tone=tone)


def strip_cell(shape: Strip | None) -> Cell:
    """A strip, or a dash."""
    return Cell(content=(shape or DASH,))


def share_pct(value: float) -> str:
    """A fraction in percent, with as many digits as it needs.

    Examples
    --------
    >>> share_pct(0.03), share_pct(0.025)
    ('3 %', '2.5 %')
    """
    return f"{value * 100.0:.3g} %"


def as_note(caveat: Caveat) -> Note:
    """A caveat for the document."""
    return Note(text=caveat.message, weight=str(caveat.weight.value), code=caveat.code)


def by_weight(caveats: Iterable[Caveat]) -> tuple[Note, ...]:
    """Each caveat once, the weightiest first, otherwise in the order given."""
    once = dict.fromkeys(caveats)
    return tuple(as_note(caveat) for caveat in sorted(once, key=lambda item: item.weight.place))


def texts(*headings: str) -> tuple[Column, ...]:
    """Columns of words."""
    return tuple(Column(heading=heading) for heading in headings)


def choices(*headings: str) -> tuple[Column, ...]:
    """Columns of words that the page offers as a choice."""
    return tuple(Column(heading=heading, is_choice=True) for heading in headings)


def numbers(*headings: str) -> tuple[Column, ...]:
    """Columns of numbers."""
    return tuple(Column(heading=heading, kind="number") for heading in headings)


class NoteList:
    """Collects the caveats of a table while its cells are made, and numbers them from 1, each once."""

    def __init__(self) -> None:
        self._numbers: dict[Note, int] = {}

    def of(self, caveats: Iterable[Caveat]) -> tuple[int, ...]:
        """Numbers of these caveats."""
        return tuple(dict.fromkeys(self._number(as_note(caveat)) for caveat in caveats))

    def why(self, *parts: object) -> tuple[int, ...]:
        """Numbers of the reasons why some of these have no number."""
        reasons = (part.reason for part in parts if isinstance(part, Number) and part.value is None)
        notes = (Note(text=f"{NOT_AVAILABLE}: {reason}", weight="note", code="no-number") for reason in reasons)
        return tuple(dict.fromkeys(self._number(note) for note in notes))

    def cell(self, *parts: Inline, sort: float | str | None = None) -> Cell:
        """A cell that refers to the reasons why some of its parts have no number."""
        return cell(*parts, sort=sort, notes=self.why(*parts))

    def _number(self, note: Note) -> int:
        return self._numbers.setdefault(note, len(self._numbers) + 1)

    @property
    def notes(self) -> tuple[Note, ...]:
        """All notes so far, by number."""
        return tuple(self._numbers)
