"""Every way to read the columns of a log as times that their names and numbers allow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.choice_notes import ChoiceNotes
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


class PossibleReadings(ChoiceNotes):
    """The readings of one log, for one way of reading numbers.

    Attributes
    ----------
    facts : sequence of ColumnFacts
    options : ReadOptions
    layout : Layout
    name : str
        Of the log, for messages.
    rows : ndarray of bool or None
        Which of the first rows count, where the log holds several streams.
    impossible, empty, ticks : list of Reading
        Readings that were dropped: in a stated unit that cannot be, without any length, of ticks of unknown length.
    """

    def __init__(self, facts: Sequence[ColumnFacts], style: NumberStyle, options: ReadOptions, name: str) -> None:
        self.facts = facts
        self.options = options
        self.layout = options.layout or Layout()
        self.name = name
        told = options.unit or self.layout.unit
        super().__init__(style, unit_named(told) if told is not None else None)
        self.rows: Rows = None
        self.impossible: list[Reading] = []
        self.empty: list[Reading] = []
        self.ticks: list[Reading] = []

    def _reading(self, fact: ColumnFacts, kind: str, unit: Unit | None) -> Reading:
        return Reading.of(fact, kind, unit or RATE, self.style, self.rows)

    def _by_course(self, fact: ColumnFacts) -> tuple[str, ...]:
        course = course_of(fact, self.style, self.rows)
        if fact.meaning is Meaning.FRAME_TIME:
            return ("frame time", "timestamp") if course is Course.RISES else ("frame time",)
        if course is Course.RISES:
            return ("timestamp", "frame time") if self._strictly_short(fact) else ("timestamp",)
        return ("timestamp", "frame time") if course is Course.OPEN else ("frame time",)

    def _strictly_short(self, fact: ColumnFacts) -> bool:
        """Whether what rises may still be lengths: as moments the steps would be no frames."""
        units = (fact.unit,) if fact.unit is not None else usual_units(fact, self.style)
        return not any(self._reading(fact, "timestamp", unit).plausible for unit in units)

    def _kinds(self, fact: ColumnFacts) -> tuple[str, ...]:
        """What a column can hold by its name; without a name, by its numbers alone."""
        meaning, clock = fact.meaning, fact.unit is not None and fact.unit.form in ("clock", "date")
        kinds: tuple[str, ...] = ()
        if meaning is Meaning.RATE:
            kinds = ("rate",)
        elif meaning is Meaning.TIMESTAMP or (clock and meaning in (Meaning.TIME, Meaning.PART)):
            kinds = ("timestamp",)
        elif meaning in (Meaning.FRAME_TIME, Meaning.TIME):
            kinds = self._by_course(fact)
        elif meaning is Meaning.PART:
            kinds = ("timestamp",) if course_of(fact, self.style, self.rows) is Course.RISES else ()
        elif meaning is Meaning.INDEX and "frame" in words_of(fact.name) and self._has_fractions(fact):
            kinds = self._by_course(fact)
        elif self._is_unnamed(fact):
            kinds = () if is_counter(fact, self.style) else self._by_course(fact)
            kinds += ("rate",) if self._may_be_rates(fact, kinds) else ()
        return (self.layout.kind,) if kinds and self.layout.kind else kinds

    def _readings(self, fact: ColumnFacts) -> list[Reading]:
        """The plausible readings of a column by its name; without names, by its numbers alone."""
        kinds = self._kinds(fact)
        if not kinds:
            return []
        if counts_ticks(fact, self.style) and self.told_unit is None:
            every = [self._reading(fact, "timestamp", unit) for unit in usual_units(fact, self.style)]
            self.ticks += [reading for reading in every if reading.plausible]
            return []
        told = self.told_unit
        if told is not None and fact.unit is not None and fact.unit != told:
            told = None
        units = (told,) if told else (fact.unit,) if fact.unit else usual_units(fact, self.style)
        found = []
        for kind in kinds:
            for unit in (RATE,) if kind == "rate" else units:
                if (unit.form == "rate") != (kind == "rate"):
                    continue
                reading = self._reading(fact, kind, unit)
                if reading.plausible or told is not None:
                    found.append(reading)
                elif fact.unit is not None:
                    (self.impossible if reading.has_frames else self.empty).append(reading)
        return found

    def _is_unnamed(self, fact: ColumnFacts) -> bool:
        """Whether nothing but the numbers says what a column is: no name, or an only column whose name says nothing."""
        if not any(other.name for other in self.facts):
            return True
        alone = sum(other.numeric for other in self.facts) == 1
        return (
            alone and fact.meaning is Meaning.OTHER and not (fact.said.unknown or fact.said.odd or fact.said.other_unit)
        )

    def _may_be_rates(self, fact: ColumnFacts, kinds: tuple[str, ...]) -> bool:
        """Whether the only column of numbers may as well hold rates: as ms it would be slow, as rates it is usual."""
        values = fact.ns(self.style, NANOSECOND)
        good = values[np.isfinite(values)]
        alone = sum(other.numeric for other in self.facts) == 1
        return alone and kinds == ("frame time",) and bool(good.size) and 25.0 < middle(good) < 1000.0

    def _has_fractions(self, fact: ColumnFacts) -> bool:
        values = fact.ns(self.style)
        return bool((values[np.isfinite(values)] % 1 > 0).any())
