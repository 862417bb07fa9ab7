"""One way to read a column as times: its unit, its meaning, and the length of a frame that comes out."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import PLAUSIBLE_NS, ColumnFacts, resolution_ns
from frametime.adapters.columns.header_words import Meaning
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import (
    MICROSECOND,
    MILLISECOND,
    NANOSECOND,
    RATE,
    SECOND,
    Unit,
    unit_named,
    words_of,
)
from frametime.adapters.text.cells import NumberStyle
from frametime.caveats import Caveat

Rows = NDArray[np.bool_] | None
_DAY_NS: Final = 86_400e9
_SAME: Final = 0.001
"""Lengths of a frame that differ by no more than this share are one (plus what the first and last row may add)."""
_RATE_APART: Final = 1.3
"""A rate may be smoothed: only beyond this factor does it say something else (common practice, no source)."""
_FEW_STEPS: Final = 5
_MOST_ROWS: Final = 0.9


class Course(StrEnum):
    """How the values of a column go on."""

    RISES = "rises"
    VARIES = "varies"
    OPEN = "open"


def values_of(fact: ColumnFacts, unit: Unit | None, style: NumberStyle, rows: Rows) -> NDArray[np.float64]:
    """The first values in ns of the rows that count; those that are missing left out."""
    values = fact.ns(style, unit)
    if rows is not None and rows.size >= values.size:
        values = values[rows[: values.size]]
    return values[np.isfinite(values)]


def course_of(fact: ColumnFacts, style: NumberStyle, rows: Rows = None) -> Course:
    """Whether a column goes on as moments do, or up and down as lengths do; open where a few rows allow both."""
    values = values_of(fact, None, style, rows)
    if values.size < 2:
        return Course.OPEN
    steps = np.diff(values)
    rising, falling = np.count_nonzero(steps > 0), np.count_nonzero(steps < 0)
    if not rising:
        return Course.VARIES
    # A clock goes far; lengths come back, even those that rise in small steps for a while. A counter may run over once.
    gone_on = float(values[-1] - values[0]) / float(np.abs(steps).sum())
    if steps.size <= _FEW_STEPS:
        return Course.OPEN if gone_on >= 0.5 else Course.VARIES
    if not falling:
        # A coarse clock stands still; lengths seldom do without falling once.
        return Course.RISES if rising >= 3 else Course.OPEN
    if rising >= 0.9 * steps.size and (falling <= 2 or gone_on >= 0.5):
        return Course.RISES
    return Course.RISES if gone_on >= 0.5 else Course.OPEN if gone_on >= 0.3 else Course.VARIES


def is_counter(fact: ColumnFacts, style: NumberStyle) -> bool:
    """Whether the values count by one, or never change: such a column without a name is no time."""
    values = values_of(fact, None, style, None)
    return values.size > 1 and bool((np.diff(values) == 1).all() or ((values == values[0]) & (values % 1 == 0)).all())


def usual_units(fact: ColumnFacts, style: NumberStyle) -> tuple[Unit, ...]:
    """The units that a column can be in that states none."""
    ticks = unit_named("100ns")
    assert ticks is not None
    first = fact.known_ns(style, NANOSECOND)
    # Ticks of 100 ns since the years 1601 and 1 have 18 digits.
    counted = bool(first.size) and 1e17 < first[0] < 9e17
    more = (ticks,) if counted or {"tick", "ticks"} & set(words_of(fact.name)) else ()
    return (ticks,) if counted else (SECOND, MILLISECOND, MICROSECOND, NANOSECOND, *more)


def counts_ticks(fact: ColumnFacts, style: NumberStyle) -> bool:
    """Whether a column counts ticks of a length that only the machine knows."""
    return (
        fact.unit is None
        and len(usual_units(fact, style)) > 1
        and bool({"tick", "ticks", "qpc", "counter", "cycles", "tsc"} & set(words_of(fact.name)))
    )


class Reading(NamedTuple):
    """One way to read one column.

    Attributes
    ----------
    fact : ColumnFacts
    kind : str
        ``timestamp``, ``frame time`` or ``rate``.
    unit : Unit
    spans : ndarray
        Lengths of the first frames in ns: steps of timestamps, or the values.
    typical_ns : tuple of float
        Median length of a frame in the first and in the last rows; empty where there are none.
    """

    fact: ColumnFacts
    kind: str
    unit: Unit
    spans: NDArray[np.float64]
    typical_ns: tuple[float, ...]
    style: NumberStyle

    @classmethod
    def of(cls, fact: ColumnFacts, kind: str, unit: Unit, style: NumberStyle, rows: Rows = None) -> Reading:
        """The reading, with the lengths of frames that it gives."""
        spans = _spans(values_of(fact, unit, style, rows), kind)
        last = fact.ns(style, unit, last=True)
        ends = _spans(last[np.isfinite(last)], kind) if rows is None else spans[:0]
        middles = tuple(middle(each[each > 0]) for each in (spans, ends) if (each > 0).any())
        return cls(fact, kind, unit, spans, middles, style)

    @property
    def resolution_ns(self) -> int:
        """Step of the last digit that is written."""
        return resolution_ns(self.fact, self.unit, self.style)

    @property
    def plausible(self) -> bool:
        """Whether the usual frame lasts 0.2 ms to 1 s, in the first or the last rows."""
        return any(PLAUSIBLE_NS[0] <= each <= PLAUSIBLE_NS[1] for each in self.typical_ns)

    @property
    def fps(self) -> float:
        """Average rate of the first rows."""
        good = self.spans[self.spans > 0]
        return float(1e9 / good.mean()) if good.size else float("nan")

    @property
    def said_rate(self) -> str:
        """The average rate for messages."""
        return f"{self.fps:.4g} fps"

    @property
    def said_length(self) -> str:
        """The usual length of a frame for messages."""
        length = self.typical_ns[0]
        return f"{length / 1e9:.4g} s" if length >= 1e9 else f"{length / 1e6:.4g} ms"

    @property
    def said_kind(self) -> str:
        """What the column holds, for messages."""
        return {"timestamp": "timestamps", "frame time": "frame times", "rate": "rates"}[self.kind]


def _spans(values: NDArray[np.float64], kind: str) -> NDArray[np.float64]:
    return np.diff(values) if kind == "timestamp" else values


def middle(values: NDArray[np.float64]) -> float:
    """The median; of an even number the upper of the two in the midst, which is near enough for a choice."""
    return float(np.partition(values, values.size // 2)[values.size // 2])


def agree(one: Reading, other: Reading) -> bool:
    """Whether two readings of the same rows give the same length of a frame."""
    if one.fact is other.fact:
        return one is other
    if not one.typical_ns or not other.typical_ns:
        return True
    if "rate" in (one.kind, other.kind):
        return any(
            a <= _RATE_APART * b and b <= _RATE_APART * a
            for a, b in zip(one.typical_ns, other.typical_ns, strict=False)
        )
    if one.kind == other.kind:
        pairs: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]] = ((one.spans, other.spans),)
    else:
        stamps, spans = (one, other) if one.kind == "timestamp" else (other, one)
        # A moment may stand at the end or at the start of its frame.
        pairs = ((stamps.spans, spans.spans[1:]), (stamps.spans, spans.spans[:-1]))
    coarse = one.resolution_ns + other.resolution_ns
    return any(_same_length(a, b, 2.0 * coarse) for a, b in pairs)


def agree_in_rows(stamps: Reading, spans: Reading) -> bool:
    """Whether lengths are the steps of timestamps row by row, as nothing but the length of a frame is."""
    allowed = stamps.resolution_ns + spans.resolution_ns + 1
    pairs = [(stamps.spans, spans.spans[1:]), (stamps.spans, spans.spans[:-1])]
    return any(a.size == b.size and bool((np.abs(a - b) <= allowed).mean() >= _MOST_ROWS) for a, b in pairs if a.size)


def _same_length(a: NDArray[np.float64], b: NDArray[np.float64], coarse_ns: float) -> bool:
    if a.size != b.size:
        # A cell is missing in one of them: the usual lengths must do.
        x, y = middle(a[a > 0]) if (a > 0).any() else 0.0, middle(b[b > 0]) if (b > 0).any() else 0.0
        return bool(abs(x - y) <= 0.05 * max(x, y))
    if not a.size:
        return True
    # What the first and the last row add or take is at most about a frame's length.
    edge = float(max(middle(np.abs(a)), middle(np.abs(b))))
    return bool(abs(a.sum() - b.sum()) <= _SAME * max(a.sum(), b.sum()) + 1.5 * edge + coarse_ns)


def groups_of(readings: Sequence[Reading]) -> list[list[Reading]]:
    """Readings that agree with each other, those of moments first.

    Of a column that can be read in several units, those are kept that agree with another column, if any does.
    """
    backed = [any(agree(r, s) for s in readings if s.fact is not r.fact) for r in readings]
    settled = {id(r.fact) for r, is_backed in zip(readings, backed, strict=True) if is_backed}
    kept = [r for r, is_backed in zip(readings, backed, strict=True) if is_backed or id(r.fact) not in settled]
    groups: list[list[Reading]] = []
    for each in sorted(kept, key=lambda r: (r.kind == "rate", r.kind != "timestamp")):
        home = next((group for group in groups if all(agree(member, each) for member in group)), None)
        if home is None:
            groups.append([each])
        else:
            home.append(each)
    return groups


class PossibleReadings:
    """The readings of one log, for one way of reading numbers.

    Attributes
    ----------
    facts : sequence of ColumnFacts
    style : NumberStyle
    options : ReadOptions
    layout : Layout
    name : str
        Of the log, for messages.
    told_unit : Unit or None
    rows : ndarray of bool or None
        Which of the first rows count, where the log holds several streams.
    impossible, empty, ticks : list of Reading
        Readings that were dropped: in a stated unit that cannot be, without any length, of ticks of unknown length.
    evidence : dict
        Layout key to a sentence.
    caveats : list of Caveat
    """

    def __init__(self, facts: Sequence[ColumnFacts], style: NumberStyle, options: ReadOptions, name: str) -> None:
        self.facts = facts
        self.style = style
        self.options = options
        self.layout = options.layout or Layout()
        self.name = name
        told = options.unit or self.layout.unit
        self.told_unit = unit_named(told) if told is not None else None
        self.rows: Rows = None
        self.impossible: list[Reading] = []
        self.empty: list[Reading] = []
        self.ticks: list[Reading] = []
        self.evidence: dict[str, str] = {}
        self.caveats: list[Caveat] = []

    def reading(self, fact: ColumnFacts, kind: str, unit: Unit | None) -> Reading:
        """One reading of a column."""
        return Reading.of(fact, kind, unit or RATE, self.style, self.rows)

    def course(self, fact: ColumnFacts) -> Course:
        """How the values of a column go on, in the rows that count."""
        return course_of(fact, self.style, self.rows)

    def units(self, fact: ColumnFacts) -> tuple[Unit, ...]:
        """The unit that a column states, or those that it can be in."""
        return (fact.unit,) if fact.unit is not None else usual_units(fact, self.style)

    def by_course(self, fact: ColumnFacts) -> tuple[str, ...]:
        """What the numbers of a column can be: moments, lengths, or either."""
        course = self.course(fact)
        if fact.meaning is Meaning.FRAME_TIME:
            return ("frame time", "timestamp") if course is Course.RISES else ("frame time",)
        if course is Course.VARIES:
            return ("frame time",)
        # What rises may still be lengths, where as moments the steps would be no frames.
        both = course is Course.OPEN or not any(
            self.reading(fact, "timestamp", unit).plausible for unit in self.units(fact)
        )
        return ("timestamp", "frame time") if both else ("timestamp",)

    def _kinds(self, fact: ColumnFacts) -> tuple[str, ...]:
        """What a column can hold by its name; without a name, by its numbers alone."""
        meaning, clock = fact.meaning, fact.unit is not None and fact.unit.form in ("clock", "date")
        values = fact.known_ns(self.style, NANOSECOND)
        numbered_frames = meaning is Meaning.INDEX and "frame" in words_of(fact.name) and bool((values % 1 > 0).any())
        kinds: tuple[str, ...] = ()
        if meaning is Meaning.RATE:
            kinds = ("rate",)
        elif meaning is Meaning.TIMESTAMP or (clock and meaning in (Meaning.TIME, Meaning.PART)):
            kinds = ("timestamp",)
        elif meaning in (Meaning.FRAME_TIME, Meaning.TIME) or numbered_frames:
            kinds = self.by_course(fact)
        elif meaning is Meaning.PART:
            kinds = ("timestamp",) if self.course(fact) is Course.RISES else ()
        elif self.is_unnamed(fact) and not is_counter(fact, self.style):
            kinds = self.by_course(fact)
            # As ms the only numbers of a log would be slow, as rates they are usual.
            alone = sum(other.numeric for other in self.facts) == 1
            if alone and kinds == ("frame time",) and values.size and 25.0 < middle(values) < 1000.0:
                kinds = ("frame time", "rate")
        return (self.layout.kind,) if kinds and self.layout.kind else kinds

    def readings(self, fact: ColumnFacts) -> list[Reading]:
        """The plausible readings of a column by its name; without names, by its numbers alone."""
        kinds = self._kinds(fact)
        if not kinds:
            return []
        if counts_ticks(fact, self.style) and self.told_unit is None:
            every = [self.reading(fact, "timestamp", unit) for unit in usual_units(fact, self.style)]
            self.ticks += [reading for reading in every if reading.plausible]
            return []
        told = self.told_unit if fact.unit in (None, self.told_unit) else None
        found = []
        for kind in kinds:
            for unit in (RATE,) if kind == "rate" else (told,) if told else self.units(fact):
                if (unit.form == "rate") != (kind == "rate"):
                    continue
                reading = self.reading(fact, kind, unit)
                if reading.plausible or told is not None:
                    found.append(reading)
                elif fact.unit is not None:
                    (self.impossible if reading.typical_ns else self.empty).append(reading)
        return found

    def is_unnamed(self, fact: ColumnFacts) -> bool:
        """Whether nothing but the numbers says what a column is: no name, or an only column whose name says nothing."""
        if not any(other.name for other in self.facts):
            return True
        silent = fact.meaning is Meaning.OTHER and not (fact.said.unknown or fact.said.odd or fact.said.other_unit)
        return silent and sum(other.numeric for other in self.facts) == 1
