"""Which column is the time, in which unit, on what evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

from frametime.adapters.base import ReadOptions
from frametime.adapters.clocks.time_units import RATE, TimeUnit, unit_named
from frametime.adapters.columns.column_facts import (
    GOES_UP_AND_DOWN,
    ColumnChoice,
    ColumnFacts,
    ColumnUse,
    coarse_rates,
    column_use,
    is_plausible,
    resolution_ns,
    rising_fraction,
    steps_of,
)
from frametime.adapters.columns.column_refusals import (
    column_named,
    no_unit,
    nothing_found,
    open_kind,
    refuse_seconds,
    too_few_rows,
    two_columns,
)
from frametime.adapters.columns.header_words import Event, Meaning
from frametime.adapters.columns.layout import ColumnRef, Layout
from frametime.adapters.columns.other_columns import other_columns
from frametime.adapters.text.number_style import POINT, NumberStyle
from frametime.caveats import Caveat
from frametime.errors import ReadError

_EVENT_ORDER: Final = (Event.END, Event.UNMARKED, Event.DISPLAY, Event.START, Event.SUBMIT)
_FEW_STEPS: Final = 5


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
        If no column is the time, or two readings fit equally well: the message shows the layout that settles it.
    """
    choosers = [_Chooser(facts, style, options, name) for style in styles]
    if len(choosers) == 1:
        return choosers[0].choose()
    fitting = []
    refusals = []
    for chooser in choosers:
        try:
            choice = chooser.choose()
        except ReadError as error:
            refusals.append(error)
        else:
            fitting += [choice] if chooser.fits(choice) else []
    if len(fitting) == 1:
        fitting[0].evidence["decimal"] = "only so are frame times between 0.05 ms and 2 s"
        return fitting[0]
    if len(refusals) == len(choosers):
        raise refusals[0]
    mark, word = (".", "point") if POINT in styles else (",", "comma")
    shown = next((c.strip() for f in facts for c in f.cells if f.numeric and mark in c), f"1{mark}000")
    raise ReadError.at(
        name,
        f"numbers such as {shown!r} can be read with a decimal {word} or with {word}s between thousands",
        helps=f'settle it with a layout of one line: decimal = "{mark}"  or  thousands = "{mark}"',
    )


class _Chooser:
    """The choice for one way of reading numbers. Holds what each step needs, so that the steps stay short."""

    def __init__(self, facts: Sequence[ColumnFacts], style: NumberStyle, options: ReadOptions, name: str) -> None:
        self.facts = facts
        self.style = style
        self.options = options
        self.layout = options.layout or Layout()
        self.name = name
        self.evidence: dict[str, str] = {}
        self.caveats: list[Caveat] = []

    def choose(self) -> ColumnChoice:
        told = self.options.time_column if self.options.time_column is not None else self.layout.time_column
        time, frame_time = self._told(told) if told is not None else self._found()
        if frame_time is not None and frame_time.unit is RATE:
            self.caveats += coarse_rates(self.facts[frame_time.position], self.style)
        others = other_columns(
            self.facts,
            self.layout,
            self.style,
            self.name,
            has_clock=time is not None,
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
        )

    def fits(self, choice: ColumnChoice) -> bool:
        """Whether the median frame time of the first rows lies where frame times lie."""
        use = choice.frame_time or choice.time
        assert use is not None
        values = self.facts[use.position].values(self.style, use.unit)
        spans = values if use is choice.frame_time else steps_of(values)
        return is_plausible(spans)

    def _told(self, ref: ColumnRef) -> tuple[ColumnUse | None, ColumnUse | None]:
        fact = column_named(self.facts, ref, key="time_column", name=self.name)
        by_option = self.options.time_column is not None
        unit = self._told_unit() or fact.unit
        self.evidence["time_column"] = "as told"
        self.evidence["unit"] = "as told" if self._told_unit() else fact.unit_from
        kind = self.layout.kind or self._kind(fact, unit)
        if unit is None and kind == "rate":
            unit = RATE
        if unit is None:
            raise no_unit(self.name, fact, kind, self.style)
        if (kind == "rate") != (unit.form == "rate"):
            raise ReadError.at(self.name, f"kind is {kind!r}, and the unit is {unit.name!r}", helps="one must change")
        use = column_use(fact, unit, self.style)
        if kind != "timestamp":
            return None, use
        second = self.layout.frame_time_column
        if second is None or by_option:
            return use, None
        other = column_named(self.facts, second, key="frame_time_column", name=self.name)
        other_unit = unit_named(self.layout.frame_time_unit) if self.layout.frame_time_unit else other.unit
        self.evidence["frame_time_column"] = "as told"
        if other_unit is None:
            raise no_unit(self.name, other, "frame time", self.style, key="frame_time_unit")
        return use, column_use(other, other_unit, self.style)

    def _told_unit(self) -> TimeUnit | None:
        if self.options.unit is not None:
            return unit_named(self.options.unit)
        return unit_named(self.layout.unit) if self.layout.unit is not None else None

    def _kind(self, fact: ColumnFacts, unit: TimeUnit | None) -> str:
        """Whether a column that was named holds timestamps, frame times or rates."""
        if unit is not None and unit.form == "rate":
            return "rate"
        if (unit is not None and unit.form == "date") or fact.meaning is Meaning.TIMESTAMP:
            self.evidence["kind"] = "the name or the form of its cells says so"
            return "timestamp"
        if fact.meaning is Meaning.RATE and unit is None:
            return "rate"
        kind = self._kind_by_content(fact, unit)
        if fact.meaning is Meaning.FRAME_TIME:
            kind = self._named_frame_time(fact, kind, unit)
        return kind

    def _named_frame_time(self, fact: ColumnFacts, kind: str, unit: TimeUnit | None) -> str:
        spans = fact.values(self.style, unit)
        if kind == "timestamp" and unit is not None and len(spans) > _FEW_STEPS and is_plausible(steps_of(spans)):
            raise open_kind(self.name, fact)
        self.evidence["kind"] = "the name says so"
        return "frame time"

    def _kind_by_content(self, fact: ColumnFacts, unit: TimeUnit | None) -> str:
        """Timestamps rise; frame times go up and down. Where both fit, the user must say which."""
        values = fact.values(self.style, unit)
        rising = rising_fraction(values)
        if rising is None:
            raise too_few_rows(self.name, fact)
        if len(set(values)) == 1:
            raise open_kind(self.name, fact)
        as_frame_time = all(value > 0 for value in values)
        if rising >= 0.9:
            both = unit is not None and unit.ns is not None and as_frame_time and is_plausible(values)
            if both and (len(values) <= _FEW_STEPS or not is_plausible(steps_of(values))):
                raise open_kind(self.name, fact)
            self.evidence["kind"] = f"{rising:.0%} of the first steps rise"
            return "timestamp"
        if rising <= GOES_UP_AND_DOWN:
            self.evidence["kind"] = f"the values go up and down ({rising:.0%} of the first steps rise)"
            return "frame time"
        raise open_kind(self.name, fact)

    def _found(self) -> tuple[ColumnUse | None, ColumnUse | None]:
        kinds = self._by_kind()
        told = self._told_unit()
        time = self._best_timestamp(kinds["timestamp"], told)
        frame_time = self._best_frame_time(kinds["frame time"], told) or self._best_frame_time(kinds["rate"], told)
        if time is not None and frame_time is not None and self._are_lengths(time, frame_time):
            time = None
        if frame_time is not None and frame_time.unit is RATE:
            refuse_seconds(self.name, kinds["timestamp"], self.facts[frame_time.position], self.style, told)
            if time is not None:
                self.evidence["time_column"] += "; the column of rates is not needed"
                frame_time = None
        if (
            told is not None
            and time is not None
            and frame_time is not None
            and told not in (time.unit, frame_time.unit)
        ):
            raise ReadError.at(self.name, "a unit is told, and two columns hold times", helps="name one: --time-column")
        if time is None and frame_time is None:
            raise nothing_found(self.name, self.facts, kinds, self.style)
        if time is None and frame_time is not None:
            self.evidence["time_column"] = self.evidence.pop("frame_time_column")
            self.evidence["unit"] = self.evidence.pop("frame_time_unit")
        return time, frame_time

    def _are_lengths(self, time: ColumnUse, frame_time: ColumnUse) -> bool:
        """Whether what is named like a clock holds lengths of time: a clock goes as far as the frames take."""
        clock, frames = self.facts[time.position], self.facts[frame_time.position]
        if clock.unit is None or clock.unit.ns is None or frame_time.unit is RATE or clock.mostly_rises(self.style):
            return False
        values, spans = clock.values(self.style, time.unit), frames.values(self.style, frame_time.unit)
        if len(values) <= _FEW_STEPS or not is_plausible(spans) or 2 * (max(values) - min(values)) >= sum(spans):
            return False
        self.caveats.append(
            Caveat(
                code="column-not-used",
                message=f"{clock.shown} goes up and down like lengths of time, beside {frames.shown}; it is not used.",
            )
        )
        return True

    def _by_kind(self) -> dict[str, list[ColumnFacts]]:
        kinds: dict[str, list[ColumnFacts]] = {"timestamp": [], "frame time": [], "rate": []}
        for fact in self.facts:
            if not fact.numeric:
                continue
            if fact.meaning is Meaning.TIMESTAMP:
                kinds["timestamp"].append(fact)
            elif fact.meaning is Meaning.RATE:
                kinds["rate"].append(fact)
            elif fact.meaning is Meaning.FRAME_TIME:
                kinds["frame time"].append(fact)
            elif fact.meaning is Meaning.TIME and fact.unit is not None and fact.unit.form in ("clock", "date"):
                kinds["timestamp"].append(fact)
        for fact in self.facts:
            if fact.numeric and fact.meaning is Meaning.TIME and fact not in kinds["timestamp"]:
                kinds[self._time_kind(fact, kinds)].append(fact)
        if not kinds["timestamp"]:
            for fact in list(kinds["frame time"]):
                unit = self._told_unit() or fact.unit
                self._named_frame_time(fact, self._rises(fact), unit)
        return kinds

    def _rises(self, fact: ColumnFacts) -> str:
        rising = fact.rising_fraction(self.style)
        return "timestamp" if rising is not None and rising >= 0.9 else "frame time"

    def _time_kind(self, fact: ColumnFacts, kinds: Mapping[str, Sequence[ColumnFacts]]) -> str:
        if kinds["frame time"]:
            # Another column holds the frame times, so this one says when.
            return "timestamp"
        if len(fact.values(self.style)) < 2:
            return "timestamp"
        return self._kind_by_content(fact, self._told_unit() or fact.unit)

    def _best_timestamp(self, candidates: Sequence[ColumnFacts], told: TimeUnit | None) -> ColumnUse | None:
        with_unit = [fact for fact in candidates if fact.unit is not None]
        pool = with_unit or (list(candidates) if told is not None else [])
        # "Present time" may be how long presenting took: what goes up and down gives way to what goes on.
        pool = [fact for fact in pool if fact.mostly_rises(self.style)] or pool
        if not pool:
            return None
        for event in _EVENT_ORDER:
            ranked = [fact for fact in pool if fact.event is event]
            if ranked:
                break
        fact = ranked[0] if len(ranked) == 1 else self._finest(ranked, "timestamps")
        unit = told if told is not None and (fact.unit is None or len(pool) == 1) else fact.unit
        assert unit is not None
        others = [other.shown for other in pool if other is not fact]
        why = (
            f"{fact.shown} holds timestamps" if fact.event is Event.UNMARKED else f"{fact.shown} marks the {fact.event}"
        )
        if fact.event is not Event.UNMARKED:
            why += " of a frame"
        if others:
            why += f", preferred over {', '.join(others[:6])}"
        self.evidence["time_column"] = why
        self.evidence["unit"] = "as told" if unit is told else fact.unit_from
        return column_use(fact, unit, self.style)

    def _best_frame_time(self, candidates: Sequence[ColumnFacts], told: TimeUnit | None) -> ColumnUse | None:
        with_unit = [fact for fact in candidates if fact.unit is not None or fact.meaning is Meaning.RATE]
        pool = with_unit or (list(candidates) if told is not None else [])
        if not pool:
            return None
        fact = pool[0] if len(pool) == 1 else self._finest(pool, "frame times")
        unit = told if told is not None and (fact.unit is None or len(pool) == 1) else fact.unit
        if fact.meaning is Meaning.RATE:
            unit = RATE
        assert unit is not None
        self.evidence["frame_time_column"] = f"{fact.shown} holds " + ("rates" if unit is RATE else "frame times")
        self.evidence["frame_time_unit"] = "as told" if unit is told else fact.unit_from
        return column_use(fact, unit, self.style)

    def _finest(self, candidates: Sequence[ColumnFacts], what: str) -> ColumnFacts:
        """Of columns that say the same, the one with the finest steps; columns that differ are an open question."""
        ranked = sorted(candidates, key=lambda fact: (resolution_ns(fact, fact.unit, self.style), fact.position))
        best = ranked[0]
        for other in ranked[1:]:
            a, b = (fact.values(self.style) for fact in (best, other))
            if what == "timestamps":
                a, b = [v - a[0] for v in a[1:]], [v - b[0] for v in b[1:]]
            allowed = 2 * resolution_ns(other, other.unit, self.style) + 1
            if len(a) != len(b) or not a or any(abs(x - y) > allowed for x, y in zip(a, b, strict=True)):
                raise two_columns(self.name, best, other, what)
        names = {fact.name for fact in candidates}
        if len(names) < len(candidates):
            places = ", ".join(str(fact.position + 1) for fact in candidates)
            self.caveats.append(
                Caveat(
                    code="duplicate-column",
                    message=f"Columns {places} have the same name and the same first values; "
                    f"column {best.position + 1} was read.",
                )
            )
        return best
