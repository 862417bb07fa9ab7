"""Every way to read the columns of a log as times that their names and numbers allow."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import ColumnFacts
from frametime.adapters.columns.column_readings import (
    Course,
    Reading,
    Rows,
    counts_ticks,
    course_of,
    is_counter,
    middle,
    usual_units,
)
from frametime.adapters.columns.header_words import Meaning
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import NANOSECOND, RATE, Unit, unit_named, words_of
from frametime.adapters.text.number_style import NumberStyle
from frametime.caveats import Caveat


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
