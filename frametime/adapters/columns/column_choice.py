"""Which column is the time, in which unit: every reading that names and numbers allow, until one is left.

A reading is a column, a unit and a meaning (moments, lengths, rates). The name says which meanings are possible, the
stated unit which units; where no unit is stated, every usual one is tried. A reading is dropped where the usual frame
would not last 0.2 ms to 1 s. Readings that give the same length of a frame are one. If one is left it is taken, and
said; if several are left the log is refused, with the command that settles it for each.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType
from typing import Final

import numpy as np

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import (
    ColumnChoice,
    ColumnFacts,
    ColumnUse,
    coarse_rates,
    column_use,
)
from frametime.adapters.columns.column_readings import (
    Course,
    Reading,
    agree,
    agree_in_rows,
    course_of,
    groups_of,
    usual_units,
)
from frametime.adapters.columns.column_refusals import (
    column_named,
    impossible_unit,
    nothing_found,
    several_readings,
    several_styles,
)
from frametime.adapters.columns.header_words import Event, Meaning
from frametime.adapters.columns.layout import ColumnRef
from frametime.adapters.columns.other_columns import busiest_rows, frame_number, other_columns
from frametime.adapters.columns.possible_readings import PossibleReadings
from frametime.adapters.columns.summaries import refuse_summaries
from frametime.adapters.columns.words import RATE, Unit, unit_named
from frametime.adapters.text.number_style import NumberStyle
from frametime.caveats import Caveat
from frametime.errors import ReadError

_EVENT_ORDER: Final = (Event.END, Event.UNMARKED, Event.DISPLAY, Event.START, Event.SUBMIT)
_SPAN_ORDER: Final = (Event.UNMARKED, Event.END, Event.DISPLAY, Event.SUBMIT, Event.START)


def choose_columns(
    facts: Sequence[ColumnFacts], styles: Sequence[NumberStyle], options: ReadOptions, name: str
) -> ColumnChoice:
    """Choose the columns of a log.

    Parameters
    ----------
    facts : sequence of ColumnFacts
    styles : sequence of NumberStyle
        The ways in which numbers can be read: two where the text leaves it open.
    options : ReadOptions
    name : str
        Of the log, for messages.

    Raises
    ------
    ReadError
        If no column is the time, or several readings are left: the message has the command that settles it.
    """
    if len(styles) == 1:
        return _Chooser(facts, styles[0], options, name).choose()
    fitting: list[ColumnChoice] = []
    refusals: list[ReadError] = []
    for style in styles:
        chooser = _Chooser(facts, style, options, name)
        try:
            choice = chooser.choose()
        except ReadError as error:
            refusals.append(error)
        else:
            fitting += [choice] if chooser.fits(choice) else []
    if len(fitting) == 1:
        fitting[0].evidence["decimal"] = "only so do frames last 0.2 ms to 1 s"
        return fitting[0]
    if len(refusals) == len(styles):
        raise refusals[0]
    raise several_styles(name, facts, styles)


class _Chooser(PossibleReadings):
    """The choice for one way of reading numbers. Holds what each step needs, so that the steps stay short."""

    def choose(self) -> ColumnChoice:
        told = self.options.time_column if self.options.time_column is not None else self.layout.time_column
        stream = self.layout.stream_column
        self.rows = busiest_rows(
            self.facts,
            self.options.stream,
            None if stream is None else column_named(self.facts, stream, name=self.name),
            self.style,
        )
        time, frame_time = self._told(told) if told is not None else self._found()
        if frame_time is not None and frame_time.unit is RATE:
            self.caveats += coarse_rates(self.facts[frame_time.position], self.style)
        others = other_columns(
            self.facts,
            self.layout,
            self.style,
            self.name,
            clock=None if time is None else self.facts[time.position]._replace(unit=time.unit),
            used=[use.position for use in (time, frame_time) if use is not None],
            evidence=self.evidence,
            caveats=self.caveats,
        )
        return ColumnChoice(
            time=time,
            frame_time=frame_time,
            others=MappingProxyType(others),
            style=self.style,
            evidence=self.evidence,
            caveats=tuple(self.caveats),
            number=frame_number(self.facts, self.style),
        )

    def fits(self, choice: ColumnChoice) -> bool:
        """Whether the usual frame time of the first rows lies where frame times lie."""
        use = choice.frame_time or choice.time
        assert use is not None
        kind = "frame time" if use is choice.frame_time else "timestamp"
        return self._reading(self.facts[use.position], kind, use.unit).plausible

    def _told(self, ref: ColumnRef) -> tuple[ColumnUse | None, ColumnUse | None]:
        fact = column_named(self.facts, ref, key="time_column", name=self.name)
        unit = self.told_unit or fact.unit
        self.evidence["time_column"] = "as told"
        self.evidence["unit"] = "as told" if self.told_unit else fact.unit_from
        kinds = (self.layout.kind,) if self.layout.kind else self._kinds_of_told(fact, unit)
        if self.layout.kind and unit is not None and (self.layout.kind == "rate") != (unit.form == "rate"):
            raise ReadError.at(
                self.name, f"kind is {self.layout.kind!r}, and the unit is {unit.name!r}", helps="one must change"
            )
        readings = [
            self._reading(fact, kind, each)
            for kind in kinds
            for each in ((RATE,) if kind == "rate" else (unit,) if unit is not None else usual_units(fact, self.style))
        ]
        if len(readings) > 1:
            readings = [each for each in readings if each.plausible]
        if len(readings) != 1:
            raise (
                several_readings(self.name, readings, fact)
                if readings
                else nothing_found(self.name, self.facts, self.style, [fact])
            )
        (chosen,) = readings
        if unit is None and chosen.kind != "rate":
            self._tell_inferred(chosen, unnamed=self._is_unnamed(chosen.fact))
        if not self.layout.kind:
            self._tell_kind(chosen)
        use = column_use(fact, chosen.unit, self.style)
        if chosen.kind != "timestamp":
            return None, use
        second = self.layout.frame_time_column
        if second is None or self.options.time_column is not None:
            return use, None
        other = column_named(self.facts, second, key="frame_time_column", name=self.name)
        other_unit = unit_named(self.layout.frame_time_unit) if self.layout.frame_time_unit else other.unit
        self.evidence["frame_time_column"] = "as told"
        if other_unit is None:
            options = [self._reading(other, "frame time", each) for each in usual_units(other, self.style)]
            fitting = [each for each in options if each.plausible]
            if len(fitting) != 1:
                raise several_readings(self.name, fitting, other)
            other_unit = fitting[0].unit
        return use, column_use(other, other_unit, self.style)

    def _kinds_of_told(self, fact: ColumnFacts, unit: Unit | None) -> tuple[str, ...]:
        """What a column that was named can hold: its name counts where it says so, else its course."""
        if (unit is not None and unit.form == "rate") or (unit is None and fact.meaning is Meaning.RATE):
            return ("rate",)
        if (unit is not None and unit.form == "date") or fact.meaning is Meaning.TIMESTAMP:
            return ("timestamp",)
        return self._by_course(fact)

    def _found(self) -> tuple[ColumnUse | None, ColumnUse | None]:
        every = [reading for fact in self.facts if fact.numeric for reading in self._readings(fact)]
        refuse_summaries(self.name, self.facts, [*every, *self.impossible], self.style)
        readings = self._without_lengths_named_clocks(every)
        if self.told_unit is not None:
            readings = self._in_told_unit(readings)
        elif not readings and not self.impossible:
            # Nothing is there to choose by: what is wrong with the values is said where they are read.
            readings = self.empty[:1]
        if not readings:
            raise self._nothing()
        unordered = self._unordered(readings)
        group = unordered or self._one_group(self._without_vague(readings))
        group = self._without_doubtful(group)
        time = self._best([r for r in group if r.kind == "timestamp"], _EVENT_ORDER)
        spans = [r for r in group if r.kind == "frame time"]
        frame_time = self._best(spans, _SPAN_ORDER)
        rates = [r for r in group if r.kind == "rate"]
        if frame_time is None and time is None:
            frame_time = self._best(rates, _SPAN_ORDER)
        chosen = [each for each in (time, frame_time) if each is not None]
        self._tell(time, frame_time, group)
        for each in chosen:
            if each.fact.unit is None and each.unit is not self.told_unit and each.kind != "rate":
                self._tell_inferred(each, unnamed=self._is_unnamed(each.fact))
        uses = [None if each is None else column_use(each.fact, each.unit, self.style) for each in (time, frame_time)]
        return uses[0], uses[1]

    def _in_told_unit(self, readings: list[Reading]) -> list[Reading]:
        """The readings in the unit that was told; it wins over what is stated where one column alone is a time."""
        told = self.told_unit
        fitting = [r for r in readings if r.unit == told]
        positions = {r.fact.position for r in (readings or self.impossible or self.empty)}
        if fitting and (len({r.fact.position for r in fitting}) == 1 or len(positions) == 1):
            return fitting
        if len(positions) > 1:
            raise ReadError.at(self.name, "a unit is told, and two columns hold times", helps="name one: --time-column")
        return [self._reading(r.fact, r.kind, told) for r in (readings or self.impossible or self.empty)[:1]]

    def _unordered(self, readings: list[Reading]) -> list[Reading]:
        """A clock whose rows are out of order, and the frame times beside it: it goes as far as the frames take."""
        for spans in readings:
            if spans.kind != "frame time" or spans.fact.meaning is not Meaning.FRAME_TIME:
                continue
            for other in self.facts:
                if other.meaning not in (Meaning.TIME, Meaning.TIMESTAMP) or other.unit is None or not other.numeric:
                    continue
                values = other.ns(self.style)
                values = values[np.isfinite(values)]
                far = values.size > 5 and 2 * (values.max() - values.min()) >= float(spans.spans.sum())
                if far and course_of(other, self.style, self.rows) is Course.VARIES:
                    return [self._reading(other, "timestamp", other.unit), spans]
        return []

    def _without_vague(self, readings: list[Reading]) -> list[Reading]:
        """Without what is only called a time, and goes up and down, beside what is called the time of a frame."""
        frames = [r for r in readings if r.kind == "frame time" and r.fact.meaning is Meaning.FRAME_TIME]
        kept = []
        for each in readings:
            vague = bool(frames) and each.kind == "frame time" and each.fact.meaning is Meaning.TIME
            if vague and not any(agree(each, other) for other in frames):
                self._not_used(each.fact, f"goes up and down like lengths of time, beside {frames[0].fact.shown}; it")
            else:
                kept.append(each)
        return kept

    def _nothing(self) -> ReadError:
        """Why no reading is left."""
        if self.ticks:
            return several_readings(self.name, self.ticks, self.ticks[0].fact)
        if self.impossible:
            return impossible_unit(self.name, self.impossible[0], self.style)
        return nothing_found(self.name, self.facts, self.style)

    def _without_lengths_named_clocks(self, readings: list[Reading]) -> list[Reading]:
        """Take out what is named like a clock and goes up and down, where something else tells the frames."""
        kept = []
        for each in readings:
            named = each.fact.meaning is Meaning.TIMESTAMP and each.kind == "timestamp"
            if named and course_of(each.fact, self.style, self.rows) is Course.VARIES:
                others = [r for r in readings if r.fact is not each.fact and r.kind != "rate"]
                if others:
                    clock = any(r.kind == "timestamp" for r in others) or each.fact.unit is None
                    if not clock:
                        self._not_used(
                            each.fact, f"goes up and down like lengths of time, beside {others[0].fact.shown}; it"
                        )
                    continue
            kept.append(each)
        return kept

    def _one_group(self, readings: list[Reading]) -> list[Reading]:
        """The readings that agree with each other, where no other group is left."""
        headless = not any(fact.name for fact in self.facts)
        if headless and any(r.kind == "timestamp" for r in readings):
            # Without names only what goes on with the clock is a length of a frame.
            stamps = [r for r in readings if r.kind == "timestamp"]
            readings = [r for r in readings if r.kind == "timestamp" or any(agree_in_rows(s, r) for s in stamps)]
        groups = groups_of(readings)
        if len(groups) > 1:
            groups = self._without_outvoted(groups)
        if len(groups) > 1:
            leads = [each for group in groups for each in group[:1]]
            raise several_readings(self.name, leads, None)
        return groups[0]

    def _without_outvoted(self, groups: list[list[Reading]]) -> list[list[Reading]]:
        """Leave out a lone rate or a lone clock of another event where moments and lengths agree with each other."""
        full = [g for g in groups if {"timestamp", "frame time"} <= {r.kind for r in g}]
        if len(full) != 1:
            return groups
        kept = [full[0]]
        for group in groups:
            if group is full[0]:
                continue
            if len(group) == 1 and group[0].kind == "rate":
                self._not_used(group[0].fact, "gives another rate than moments and frame times; it")
            else:
                kept.append(group)
        return kept

    def _without_doubtful(self, group: list[Reading]) -> list[Reading]:
        """Columns whose stated unit cannot be are told; so is a name with words that are not known."""
        for reading in self.impossible:
            told = reading.fact.meaning in (Meaning.FRAME_TIME, Meaning.RATE)
            if told and all(reading.fact is not r.fact for r in group):
                self._not_used(
                    reading.fact,
                    f"would mean {reading.said_length} a frame in {reading.unit.name}, which cannot be; it",
                )
        known = [r for r in group if not (r.kind == "frame time" and r.fact.said.unknown)]
        if known:
            return known
        for each in group[:1]:
            self.caveats.append(
                Caveat(
                    code="reading-inferred",
                    message=f"{each.fact.shown} is read as frame times ({each.said_rate} on average at the start), "
                    "though its name has words that are not known here; --time-column chooses another column.",
                )
            )
        return group
