"""Which column is the time, in which unit: every reading that names and numbers allow, until one is left.

A reading is a column, a unit and a meaning (moments, lengths, rates). The name says which meanings are possible, the
stated unit which units; where no unit is stated, every usual one is tried. A reading is dropped where the usual frame
would not last 0.2 ms to 1 s. Readings that give the same length of a frame are one. If one is left it is taken, and
said; if several are left the log is refused, with the command that settles it for each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Final

import numpy as np

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import ColumnChoice, ColumnFacts, Course, coarse_rates, column_named
from frametime.adapters.columns.column_readings import ChoiceSoFar, Reading, agree, agree_in_rows, groups_of, middle
from frametime.adapters.columns.layout import ColumnRef
from frametime.adapters.columns.other_columns import busiest_rows, frame_number, other_columns
from frametime.adapters.columns.words import CLOCK, DATE, NANOSECOND, RATE, SECOND, Event, Meaning, Unit, unit_named
from frametime.adapters.text.cells import NumberStyle
from frametime.caveats import Weight
from frametime.errors import ReadError

_EVENT_ORDER: Final = (Event.END, Event.UNMARKED, Event.DISPLAY, Event.START, Event.SUBMIT)
_SPAN_ORDER: Final = (Event.UNMARKED, Event.END, Event.DISPLAY, Event.SUBMIT, Event.START)
_EVEN: Final = 0.3
_FROM_ZERO: Final = 3.0
"""How much longer than the shortest the longest step of a few moments may be that begin at 0 (common practice)."""
_MOST_READINGS: Final = 100
_SURE_FPS: Final = (20.0, 1000.0)
"""A rate outside of this, in a unit that is not stated, is told with more weight (common practice, no source)."""


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
    fitting: list[ColumnChoice] = []
    refusals: list[ReadError] = []
    for style in styles:
        log = [fact._replace(style=style) for fact in facts]
        try:
            fitting += filter(None, [_Chooser(log, options, name).choose(must_fit=len(styles) > 1)])
        except ReadError as error:
            refusals.append(error)
    if len({choice.usual_ns for choice in fitting}) == 1:
        if len(fitting) < len(styles):  # else either gives the same lengths
            fitting[0].evidence["decimal"] = "only so do frames last 0.2 ms to 1 s"
        return fitting[0]
    raise refusals[0] if len(refusals) == len(styles) else _Chooser(facts, options, name).several_styles(styles)


@dataclass
class _Chooser(ChoiceSoFar):
    """The choice for one way of reading numbers. Holds what each step needs, so that the steps stay short.

    Attributes
    ----------
    impossible, empty, ticks : list of Reading
        Readings that were dropped: in a stated unit that cannot be, without any length, of ticks of unknown length.
    """

    impossible: list[Reading] = field(default_factory=list)
    empty: list[Reading] = field(default_factory=list)
    ticks: list[Reading] = field(default_factory=list)

    @property
    def told_unit(self) -> Unit | None:
        """The unit of the time that the user has told."""
        told = self.options.unit or self.layout.unit
        return None if told is None else unit_named(told)

    def choose(self, *, must_fit: bool) -> ColumnChoice | None:
        """The columns; where they must fit, only if the usual frame is as long as frames are, by every stated unit."""
        told = self.options.time_column if self.options.time_column is not None else self.layout.time_column
        self.rows = busiest_rows(self)
        chosen = self._told(told) if told is not None else self._found()
        usual = chosen[1] or chosen[0]
        if must_fit and (self.impossible or not (usual and usual.plausible)):
            return None
        by_role = zip(("time", "frame_time"), chosen, strict=True)
        uses = {role: each.fact.used_in(each.unit) for role, each in by_role if each is not None}
        if "frame_time" in uses and uses["frame_time"].unit is RATE:
            self.caveats += coarse_rates(self.facts[uses["frame_time"].position])
        uses |= other_columns(self, [use.position for use in uses.values()], has_clock="time" in uses)
        uses |= frame_number(self.facts)
        usual_ns = tuple(map(round, usual.typical_ns)) if usual else ()
        return ColumnChoice(uses, self.facts[0].style, self.evidence, tuple(self.caveats), usual_ns)

    # How columns can be read

    def reading(self, fact: ColumnFacts, kind: str, unit: Unit | None) -> Reading:
        """One reading of a column."""
        return Reading.of(fact, kind, unit or RATE, self.rows)

    def by_course(self, fact: ColumnFacts) -> tuple[str, ...]:
        """What the numbers of a column can be: moments, lengths, or either."""
        course = fact.course(self.rows)
        moments = any(self.reading(fact, "timestamp", unit).plausible for unit in fact.units)
        if fact.is_sorted(self.rows) and not moments:
            return ("timestamp",)
        if fact.meaning is Meaning.FRAME_TIME:
            if course is not Course.RISES:
                return ("frame time",)
            # Sums of frame times are soon longer than any frame.
            ends = self.reading(fact, "frame time", fact.unit).typical_ns if fact.unit and moments else ()
            return ("timestamp",) if max(ends, default=0.0) > 1e9 else ("frame time", "timestamp")
        if course is Course.VARIES:
            return ("frame time",)
        values = fact.known_ns(None, self.rows)
        steps = np.diff(values)
        if course is Course.OPEN and len(steps) and values[0] == 0 and 0 < steps.max() <= _FROM_ZERO * steps.min():
            return ("timestamp",)
        # What rises may still be lengths, where as moments the steps would be no frames.
        return ("timestamp",) if moments and course is Course.RISES else ("timestamp", "frame time")

    def _kinds(self, fact: ColumnFacts) -> tuple[str, ...]:
        """What a column can hold by its name; without a name, by its numbers alone."""
        meaning, clock = fact.meaning, fact.unit is not None and fact.unit.form in ("clock", "date")
        is_index = meaning is Meaning.INDEX and bool(fact.words & {"frame", "frames"})
        kinds: tuple[str, ...] = ()
        if meaning is Meaning.RATE:
            kinds = ("rate",)
        elif meaning is Meaning.TIMESTAMP or (clock and meaning in (Meaning.TIME, Meaning.PART)):
            kinds = ("frame time",) if self._is_length(fact) else ("timestamp",)
        elif meaning in (Meaning.FRAME_TIME, Meaning.TIME) or (is_index and (fact.known_ns(NANOSECOND) % 1 > 0).any()):
            kinds = self.by_course(fact)
        elif meaning is Meaning.PART:
            # "Remaining" time goes down.
            goes_on = fact.course(self.rows) is Course.RISES and (np.diff(fact.known_ns(None, self.rows)) > 0).any()
            kinds = ("timestamp",) if goes_on else ()
        elif self.is_unnamed(fact) and not fact.is_counter(self.rows):
            kinds = self.by_course(fact)
            # As ms the only numbers of a log would be slow, as rates they are usual.
            alone = sum(other.numeric and not other.is_counter(self.rows) for other in self.facts) == 1
            values = fact.known_ns(NANOSECOND)
            if alone and kinds == ("frame time",) and values.size and 25.0 < middle(values) < 1000.0:
                kinds = ("frame time", "rate")
        return (self.layout.kind,) if kinds and self.layout.kind else kinds

    def _is_length(self, fact: ColumnFacts) -> bool:
        """Whether what is named like a clock goes up and down around one value, as ``elapsed (ms)`` of a frame does."""
        values = fact.known_ns(None, self.rows)
        is_length = fact.said.event is Event.UNMARKED or {"frame", "time"} <= fact.words
        number = (fact.unit or SECOND).form == "number" and is_length
        if not number or fact.course(self.rows) is not Course.VARIES or not 0 < values.min() < values.max():
            return False
        return middle(np.abs(values - middle(values))) < _EVEN * middle(values)

    def readings(self, fact: ColumnFacts) -> list[Reading]:
        """The plausible readings of a column by its name; without names, by its numbers alone."""
        if not (kinds := self._kinds(fact)):
            return []
        if fact.counts_ticks and self.told_unit is None:
            every = [self.reading(fact, "timestamp", unit) for unit in fact.units]
            self.ticks += [reading for reading in every if reading.plausible]
            return []
        told = self.told_unit if fact.unit in (None, self.told_unit) else None
        found = []
        for kind in kinds:
            for unit in (RATE,) if kind == "rate" else (told,) if told else fact.units:
                if (unit.form == "rate") != (kind == "rate"):
                    continue
                reading = self.reading(fact, kind, unit)
                if reading.plausible or told is not None:
                    found.append(reading)
                elif fact.unit is not None:
                    (self.impossible if reading.typical_ns else self.empty).append(reading)
        return found

    def _moments_by_cells(self, fact: ColumnFacts) -> list[Reading]:
        """A column of clock times or dates that rise as those of frames do, whatever its name."""
        reading = self.reading(fact, "timestamp", fact.unit)
        if not reading.plausible or fact.course(self.rows) is not Course.RISES:
            return []
        found = f"Column {fact.shown} is read as timestamps ({reading.said_rate})"
        self.tell("reading-inferred", f"{found}: its name does not say what it holds, but {fact.unit_from}, and rise.")
        return [reading]

    def is_unnamed(self, fact: ColumnFacts) -> bool:
        """Whether nothing but the numbers says what a column is: no name, or an only column whose name says nothing."""
        if not any(other.name for other in self.facts):
            return True
        # A word such as "dropped" stood in the first cell, not in the name, where the numbers are no counts.
        is_cell = fact.meaning is Meaning.DROPPED and not fact.is_whole
        odd = fact.said.unknown or fact.said.odd or fact.said.other_unit or {"gpu", "cpu"} & fact.words
        silent = is_cell or (fact.meaning is Meaning.OTHER and not odd)
        return silent and sum(other.numeric for other in self.facts) == 1

    # What was told

    def _told(self, ref: ColumnRef) -> tuple[Reading | None, Reading | None]:
        fact = column_named(self.facts, ref, key="time_column", name=self.name)
        unit = self.told_unit or fact.unit
        self.evidence["time_column"] = "as told"
        self.evidence["unit"] = "as told" if self.told_unit else fact.unit_from
        kinds = (self.layout.kind,) if self.layout.kind else self._kinds_of_told(fact, unit)
        if self.layout.kind and unit is not None and (self.layout.kind == "rate") != (unit.form == "rate"):
            found = f"kind is {self.layout.kind!r}, and the unit is {unit.name!r}"
            raise ReadError.at(self.name, found, helps="one must change")
        chosen = self._only_one(fact, kinds, unit)
        if unit is None and chosen.kind != "rate":
            self._tell_inferred(chosen, "unit")
        if not self.layout.kind:
            self._tell_kind(chosen)
        if chosen.kind != "timestamp":
            return None, chosen
        second = self.layout.frame_time_column
        if second is None or self.options.time_column is not None:
            return chosen, None
        other = column_named(self.facts, second, key="frame_time_column", name=self.name)
        told = self.layout.frame_time_unit
        self.evidence["frame_time_column"] = "as told"
        return chosen, self._only_one(other, ("frame time",), unit_named(told) if told else other.unit)

    def _only_one(self, fact: ColumnFacts, kinds: Sequence[str], unit: Unit | None) -> Reading:
        """The one way in which a column can be read; where a unit is told, whatever that gives."""
        units = fact.units if unit is None else (unit,)
        readings = [self.reading(fact, kind, each) for kind in kinds for each in ((RATE,) if kind == "rate" else units)]
        if len(readings) > 1:
            readings = [each for each in readings if each.plausible]
        if not readings:
            raise self.nothing_found([fact])
        if len(readings) > 1:
            raise self.several_readings(readings, fact)
        return readings[0]

    def _kinds_of_told(self, fact: ColumnFacts, unit: Unit | None) -> tuple[str, ...]:
        """What a column that was named can hold: its name counts where it says so, else its course."""
        form = ("rate" if fact.meaning is Meaning.RATE else "") if unit is None else unit.form
        if form == "rate":
            return ("rate",)
        return ("timestamp",) if form == "date" or fact.meaning is Meaning.TIMESTAMP else self.by_course(fact)

    # What is found

    def _found(self) -> tuple[Reading | None, Reading | None]:
        every = [reading for fact in self.facts if fact.numeric for reading in self.readings(fact)]
        every = every or [r for fact in self.facts if fact.unit in (CLOCK, DATE) for r in self._moments_by_cells(fact)]
        # "rate (1/s)" does not say of what: frames are meant where nothing else is their time.
        every = [r for r in every if not r.is_bare_rate] or every
        self.refuse_summaries([*every, *self.impossible])
        if len(every) > _MOST_READINGS:
            found = f"each of {len({reading.fact.position for reading in every})} columns may be the time of a frame"
            raise ReadError.at(self.name, found, helps="write one row a frame, and a column for each quantity")
        readings = self._without_vague(every)
        if self.told_unit is not None:
            readings = self._in_told_unit(readings)
        elif not readings and not self.impossible:
            # Nothing is there to choose by: what is wrong with the values is said where they are read.
            readings = self.empty[:1]
        if not readings and self.ticks:
            raise self.several_readings(self.ticks, self.ticks[0].fact)
        if not readings:
            impossible = next(iter(self.impossible), None)
            raise self.impossible_unit(impossible) if impossible else self.nothing_found()
        group = self._without_unknown(self._unordered(readings) or self._one_group(readings))
        of_kind = {kind: [r for r in group if r.kind == kind] for kind in ("timestamp", "frame time", "rate")}
        time = self._best(of_kind["timestamp"], _EVENT_ORDER)
        frame_time = self._best(of_kind["frame time"] or ([] if time else of_kind["rate"]), _SPAN_ORDER)
        self._tell(time, frame_time, group)
        for each, key in ((time, "unit"), (frame_time, "frame_time_unit" if time else "unit")):
            if each and each.fact.unit is None and each.unit != self.told_unit and each.kind != "rate":
                self._tell_inferred(each, key)
        return time, frame_time

    def _in_told_unit(self, readings: list[Reading]) -> list[Reading]:
        """The readings in the unit that was told; it wins over what is stated where one column alone is a time."""
        told = self.told_unit
        fitting = [r for r in readings if r.unit == told]
        timed = readings or self.impossible or self.empty
        positions = {r.fact.position for r in timed}
        if fitting and (len({r.fact.position for r in fitting}) == 1 or len(positions) == 1):
            return fitting
        if len(positions) > 1:
            raise ReadError.at(self.name, "a unit is told, and two columns hold times", helps="name one: --time-column")
        return [self.reading(r.fact, r.kind, told) for r in timed[:1]]

    def _without_vague(self, readings: list[Reading]) -> list[Reading]:
        """Without what goes up and down and is named like a clock, or a time of nothing, where others tell frames.

        Nor is a clock kept that stands still in most rows, and does not agree with the frame times.
        """
        kept = []
        lengths = [r for r in readings if r.kind != "timestamp" and not r.is_still]
        for each in readings:
            meaning, others = each.fact.meaning, [r for r in readings if r.fact is not each.fact and r.kind != "rate"]
            frames = [r for r in others if r.kind == "frame time" and r.fact.meaning is Meaning.FRAME_TIME]
            is_clock = meaning is Meaning.TIMESTAMP and others and each.fact.course(self.rows) is Course.VARIES
            is_vague = each.kind == "frame time" and meaning is Meaning.TIME and frames
            agrees = any(agree(each, r) for r in lengths if r.kind == "frame time")
            if each.is_still and lengths and not (each.kind == "timestamp" and agrees):
                self._not_used(each, f"stands still in most rows, beside {lengths[0].fact.shown}; it")
            elif not is_clock and not (is_vague and not any(agree(each, other) for other in frames)):
                kept.append(each)
            elif is_vague or (each.fact.unit is not None and all(r.kind != "timestamp" for r in others)):
                beside = (frames or others)[0].fact.shown
                self._not_used(each, f"goes up and down like lengths of time, beside {beside}; it")
        return kept

    def _unordered(self, readings: list[Reading]) -> list[Reading]:
        """A clock whose rows are out of order, and the frame times beside it: it goes as far as the frames take."""
        lengths = [r for r in readings if r.kind == "frame time" and r.fact.meaning is Meaning.FRAME_TIME]
        clocks = [fact for fact in self.facts if fact.meaning in (Meaning.TIME, Meaning.TIMESTAMP) and fact.numeric]
        for spans, clock in product(lengths, (fact for fact in clocks if fact.unit is not None)):
            values = clock.known_ns()
            far = values.size > 5 and 2 * np.ptp(values) >= float(spans.spans.sum())
            if far and clock.course(self.rows) is Course.VARIES:
                return [self.reading(clock, "timestamp", clock.unit), spans]
        return []

    def _one_group(self, readings: list[Reading]) -> list[Reading]:
        """The readings that agree with each other, where no other group is left."""
        stamps = [r for r in readings if r.kind == "timestamp"]
        if stamps and not any(fact.name for fact in self.facts):
            # Without names only what goes on with the clock is a length of a frame.
            readings = [r for r in readings if r.kind == "timestamp" or any(agree_in_rows(s, r) for s in stamps)]
        lengths = [r for r in readings if r.kind == "frame time"]
        exact = {s.fact.position for s in stamps if any(agree_in_rows(s, r) for r in lengths)}
        groups = groups_of([r for r in readings if r.kind == "timestamp" or r.fact.position not in exact])
        full = [g for g in groups if {"timestamp", "frame time"} <= {r.kind for r in g}]
        if len(full) == 1:
            # A lone rate may be smoothed, where moments and lengths agree with each other.
            for lone in (g for g in groups if len(g) == 1 and g[0].kind == "rate"):
                self._not_used(lone[0], "gives another rate than moments and frame times; it")
            groups = [g for g in groups if g is full[0] or len(g) > 1 or g[0].kind != "rate"]
        if len(groups) > 1:
            raise self.several_readings([group[0] for group in groups], None)
        return groups[0]

    def _without_unknown(self, group: list[Reading]) -> list[Reading]:
        """Without frame times whose name has words that are not known, where another column tells the frames."""
        if not (known := [r for r in group if not (r.kind == "frame time" and r.fact.said.unknown)]):
            read = f"{group[0].fact.shown} is read as frame times ({group[0].said_rate})"
            though = "though its name has words that are not known here; --time-column chooses another column."
            self.tell("reading-inferred", f"{read}, {though}")
        return known or group

    def _best(self, readings: list[Reading], order: Sequence[Event]) -> Reading | None:
        """Of columns that say the same: by the event that they mark, then the one with the finest steps."""
        if not readings:
            return None
        best = min(readings, key=lambda r: (order.index(r.fact.said.event), r.resolution_ns, r.fact.position))
        same = sorted(r.fact.position + 1 for r in readings if r.fact.name and r.fact.name == best.fact.name)
        lengths = [r for r in readings if r.kind == "frame time" and r.spans.size == best.spans.size]
        apart = [np.abs(r.spans - best.spans) > r.resolution_ns + best.resolution_ns for r in lengths]
        if others := [
            r.fact.position + 1 for r, far in zip(lengths, apart, strict=True) if far.sum() > _EVEN * far.size
        ]:
            found = f"Column {others[0]} gives other lengths frame by frame than column {best.fact.position + 1}"
            self.tell("column-not-used", f"{found}, which was read: it may be another run, or another clock.")
        elif len(same) > 1:
            listed, taken = ", ".join(map(str, same)), best.fact.position + 1
            message = f"Columns {listed} have the same name and the same first values; column {taken} was read."
            self.tell("duplicate-column", message)
        return best

    # What is said of it

    def _not_used(self, reading: Reading, why: str) -> None:
        shown = reading.fact.shown
        if not any(shown in caveat.message for caveat in self.caveats):
            self.tell("column-not-used", f"Column {shown} {why} is not used.")

    def _tell_inferred(self, reading: Reading, key: str) -> None:
        """Say that a unit was not stated, and what the choice rests on; ``key`` is that of the unit in a layout."""
        unnamed = self.is_unnamed(reading.fact)
        sure = not unnamed and _SURE_FPS[0] <= reading.fps <= _SURE_FPS[1]
        self.evidence[key] = f"only in {reading.unit.name} do frames last 0.2 ms to 1 s"
        unstated = f"No unit is stated{' and no column has a name' if unnamed else ''}"
        read = f"{reading.kind}s in {reading.unit.name}, the only reading in which frames last 0.2 ms to 1 s"
        message = f"{unstated}: column {reading.fact.shown} is read as {read} ({reading.said_rate})."
        self.tell("reading-inferred", message, Weight.NOTE if sure else Weight.CARE)

    def _tell_kind(self, reading: Reading) -> None:
        """Why a column holds what it is read as."""
        if reading.fact.meaning in (Meaning.FRAME_TIME, Meaning.RATE):
            self.evidence["kind"] = "the name says so"
        elif reading.fact.meaning is not Meaning.TIMESTAMP:
            self.evidence["kind"] = f"the values {'rise' if reading.kind == 'timestamp' else 'go up and down'}"

    def _tell(self, time: Reading | None, frame_time: Reading | None, group: list[Reading]) -> None:
        """The evidence for each of the columns that are read."""
        only = time or frame_time
        if only is not None and (time is None or frame_time is None) and only.kind != "rate":
            self._tell_kind(only)
        other = Meaning.TIMESTAMP if time is None else Meaning.FRAME_TIME
        if only is not None and (only.fact.meaning is other or (time is None and only.is_bare_rate)):
            what = f"{'goes up and down' if time is None else 'only rises'}, and is read as {only.kind}s"
            self.tell("reading-inferred", f"Column {only.fact.shown} {what} ({only.said_rate}).")
        if time is not None:
            fact, event = time.fact, time.fact.said.event
            why = f"{fact.shown} {'holds timestamps' if event is Event.UNMARKED else f'marks the {event} of a frame'}"
            others = [r.fact.shown for r in group if r.kind == "timestamp" and r.fact is not fact]
            why += f", preferred over {', '.join(others[:6])}" if others else ""
            self.evidence["time_column"] = why
            self.evidence["unit"] = "as told" if time.unit == self.told_unit else fact.unit_from
        if frame_time is not None:
            keys = ("time_column", "unit") if time is None else ("frame_time_column", "frame_time_unit")
            self.evidence[keys[0]] = f"{frame_time.fact.shown} holds {frame_time.kind}s"
            self.evidence[keys[1]] = "as told" if frame_time.unit == self.told_unit else frame_time.fact.unit_from
