"""Which column is the time, in which unit, on what evidence; and which other columns have a meaning here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

from frametime.adapters.base import ReadOptions
from frametime.adapters.column_evidence import PLAUSIBLE_NS, ColumnFacts
from frametime.adapters.header_words import Event, Meaning, words_of
from frametime.adapters.layout import ColumnRef, Layout
from frametime.adapters.number_style import NumberStyle, digit_step
from frametime.adapters.time_units import RATE, TimeUnit, unit_named, unit_names
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

TIMED_ROLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        # layout key without "_column": column of the capture
        "simulation_start": "simulation_start_ns",
        "displayed": "displayed_ns",
        "gpu_work": "gpu_work_ns",
        "cpu_work": "cpu_work_ns",
    }
)
FLAG_ROLES: Final = ("shown", "dropped")
_EVENT_ORDER: Final = (Event.END, Event.UNMARKED, Event.DISPLAY, Event.START, Event.SUBMIT)
_FEW_STEPS: Final = 5


class ColumnUse(NamedTuple):
    """One column that is read, and the unit it is read in."""

    position: int
    ref: ColumnRef
    unit: TimeUnit | None
    event: Event = Event.UNMARKED
    resolution_ns: int = 1


class ColumnChoice(NamedTuple):
    """Which columns of a log are read as what.

    Attributes
    ----------
    time : ColumnUse or None
        Timestamps.
    frame_time : ColumnUse or None
        Frame times or rates.
    others : Mapping
        Role (``gpu_work``, ``shown``, ``stream``, ...) to column.
    style : NumberStyle
    evidence : dict
        Layout key to a sentence.
    caveats : tuple of Caveat
    """

    time: ColumnUse | None
    frame_time: ColumnUse | None
    others: Mapping[str, ColumnUse]
    style: NumberStyle
    evidence: dict[str, str]
    caveats: tuple[Caveat, ...]

    def used_positions(self) -> set[int]:
        """Positions of every column that is read."""
        uses = [use for use in (self.time, self.frame_time, *self.others.values()) if use is not None]
        return {use.position for use in uses}


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
            fitting += [choice] if chooser.is_plausible(choice) else []
    if len(fitting) == 1:
        fitting[0].evidence["decimal"] = "only so are frame times between 0.05 ms and 2 s"
        return fitting[0]
    if len(refusals) == len(choosers):
        raise refusals[0]
    raise ReadError.at(
        name,
        "numbers such as "
        + repr(next((c.strip() for f in facts for c in f.cells if "," in c), "1,000"))
        + " can be read with a decimal comma or with commas between thousands",
        helps='settle it with a layout of one line: decimal = ","  or  thousands = ","',
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

    # -- the whole -------------------------------------------------------------------------------------------------

    def choose(self) -> ColumnChoice:
        told = self.options.time_column if self.options.time_column is not None else self.layout.time_column
        time, frame_time = self._told(told) if told is not None else self._found()
        return ColumnChoice(
            time=time,
            frame_time=frame_time,
            others=MappingProxyType(self._others(time, frame_time)),
            style=self.style,
            evidence=self.evidence,
            caveats=tuple(self.caveats),
        )

    def is_plausible(self, choice: ColumnChoice) -> bool:
        """Whether the median frame time of the first rows lies where frame times lie."""
        use = choice.frame_time or choice.time
        assert use is not None
        values = self.facts[use.position].values(self.style, use.unit)
        spans = values if use is choice.frame_time else _steps(values)
        return _is_plausible(spans)

    def _use(self, fact: ColumnFacts, unit: TimeUnit) -> ColumnUse:
        return ColumnUse(
            position=fact.position,
            ref=fact.ref,
            unit=unit,
            event=fact.event,
            resolution_ns=self._resolution_ns(fact, unit),
        )

    # -- told by the user ------------------------------------------------------------------------------------------

    def _column(self, ref: ColumnRef, key: str) -> ColumnFacts:
        if isinstance(ref, int):
            if not 1 <= ref <= len(self.facts):
                raise ReadError.at(self.name, f"{key} is {ref}, and rows have {len(self.facts)} columns")
            return self.facts[ref - 1]
        for loosely in (False, True):
            found = [fact for fact in self.facts if fact.name and _same_name(fact.name, ref, loosely=loosely)]
            if len(found) == 1:
                return found[0]
            if found:
                places = " and ".join(str(fact.position + 1) for fact in found)
                raise ReadError.at(
                    self.name, f"columns {places} are both named {ref!r}", helps=f"give {key} as a position"
                )
        if ref.strip().isdecimal() and 1 <= int(ref) <= len(self.facts):
            return self.facts[int(ref) - 1]
        names = [fact.name for fact in self.facts if fact.name]
        import difflib

        near = difflib.get_close_matches(ref, names, n=1)
        listed = ", ".join(f"'{printable(n, limit=40)}'" for n in names[:12]) or "none have names"
        raise ReadError.at(
            self.name,
            f"there is no column '{printable(ref, limit=60)}'",
            helps=f"did you mean '{printable(near[0], limit=60)}'?" if near else f"columns are {listed}",
        )

    def _told(self, ref: ColumnRef) -> tuple[ColumnUse | None, ColumnUse | None]:
        fact = self._column(ref, "time_column")
        by_option = self.options.time_column is not None
        unit = self._told_unit() or fact.unit
        self.evidence["time_column"] = "as told"
        self.evidence["unit"] = "as told" if self._told_unit() else fact.unit_from
        kind = self.layout.kind if not by_option or self.layout.time_column is None else None
        kind = kind or self.layout.kind or self._kind(fact, unit)
        if unit is None and kind == "rate":
            unit = RATE
        if unit is None:
            raise self._no_unit(fact, kind)
        if (kind == "rate") != (unit.form == "rate"):
            raise ReadError.at(self.name, f"kind is {kind!r}, and the unit is {unit.name!r}", helps="one must change")
        use = self._use(fact, unit)
        if kind != "timestamp":
            return None, use
        second = self.layout.frame_time_column
        if second is None or by_option:
            return use, None
        other = self._column(second, "frame_time_column")
        other_unit = unit_named(self.layout.frame_time_unit) if self.layout.frame_time_unit else other.unit
        self.evidence["frame_time_column"] = "as told"
        if other_unit is None:
            raise self._no_unit(other, "frame time", key="frame_time_unit")
        return use, self._use(other, other_unit)

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
        if kind == "timestamp" and unit is not None and len(spans) > _FEW_STEPS and _is_plausible(_steps(spans)):
            raise self._open_kind(fact)
        self.evidence["kind"] = "the name says so"
        return "frame time"

    def _kind_by_content(self, fact: ColumnFacts, unit: TimeUnit | None) -> str:
        """Timestamps rise; frame times go up and down. Where both fit, the user must say which."""
        values = fact.values(self.style, unit)
        rising = fact.rising_fraction(self.style) if unit is fact.unit else _rising(values)
        if rising is None:
            raise self._error("there are too few rows to see what its values are", "give kind in a layout", fact)
        if len(set(values)) == 1:
            raise self._open_kind(fact)
        as_frame_time = all(value > 0 for value in values)
        if rising >= 0.9:
            both = unit is not None and unit.ns is not None and as_frame_time and _is_plausible(values)
            if both and (len(values) <= _FEW_STEPS or not _is_plausible(_steps(values))):
                raise self._open_kind(fact)
            self.evidence["kind"] = f"{rising:.0%} of the first steps rise"
            return "timestamp"
        if rising <= 0.75:
            self.evidence["kind"] = f"the values go up and down ({rising:.0%} of the first steps rise)"
            return "frame time"
        raise self._open_kind(fact)

    # -- found in the log ------------------------------------------------------------------------------------------

    def _found(self) -> tuple[ColumnUse | None, ColumnUse | None]:
        kinds = self._by_kind()
        told = self._told_unit()
        time = self._best_timestamp(kinds["timestamp"], told)
        frame_time = self._best_frame_time(kinds["frame time"], told) or self._best_frame_time(kinds["rate"], told)
        if time is not None and frame_time is not None and self.facts[frame_time.position].meaning is Meaning.RATE:
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
            raise self._nothing_found(kinds)
        if time is None and frame_time is not None:
            self.evidence["time_column"] = self.evidence.pop("frame_time_column")
            self.evidence["unit"] = self.evidence.pop("frame_time_unit")
        return time, frame_time

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
        return self._use(fact, unit)

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
        return self._use(fact, unit)

    def _finest(self, candidates: Sequence[ColumnFacts], what: str) -> ColumnFacts:
        """Of columns that say the same, the one with the finest steps; columns that differ are an open question."""
        ranked = sorted(candidates, key=lambda fact: (self._resolution_ns(fact), fact.position))
        best = ranked[0]
        for other in ranked[1:]:
            a, b = (fact.values(self.style) for fact in (best, other))
            if what == "timestamps":
                a, b = [v - a[0] for v in a[1:]], [v - b[0] for v in b[1:]]
            allowed = 2 * self._resolution_ns(other) + 1
            if len(a) != len(b) or not a or any(abs(x - y) > allowed for x, y in zip(a, b, strict=True)):
                raise self._two_columns(best, other, what)
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

    def _resolution_ns(self, fact: ColumnFacts, unit: TimeUnit | None = None) -> int:
        """Step of the last digit that is written, the coarser of the first and the last rows."""
        unit = unit or fact.unit
        if unit is None or unit.ns is None:
            return 1_000_000 if unit is RATE else 1_000
        steps = [
            min((digit_step(cell, self.style) for cell in cells), default=Fraction(1))
            for cells in (fact.cells, fact.last_cells or fact.cells)
        ]
        return max(1, round(unit.ns * max(steps)))

    # -- the other columns -----------------------------------------------------------------------------------------

    def _others(self, time: ColumnUse | None, frame_time: ColumnUse | None) -> dict[str, ColumnUse]:
        taken = {use.position for use in (time, frame_time) if use is not None}
        found: dict[str, ColumnUse] = {}
        for role in TIMED_ROLES:
            ref = getattr(self.layout, f"{role}_column")
            fact = self._column(ref, f"{role}_column") if ref is not None else self._by_role(role, taken, time)
            if fact is None:
                continue
            told = getattr(self.layout, f"{role}_unit")
            unit = unit_named(told) if told else fact.unit
            if unit is None or unit.form == "rate":
                if ref is not None:
                    raise self._no_unit(fact, "time", key=f"{role}_unit")
                continue
            found[role] = self._use(fact, unit)
            self.evidence[f"{role}_column"] = "as told" if ref is not None else f"the name of {fact.shown} says so"
        for role in (*FLAG_ROLES, "stream"):
            ref = getattr(self.layout, f"{role}_column")
            fact = self._column(ref, f"{role}_column") if ref is not None else self._by_role(role, taken, time)
            if fact is not None:
                found[role] = ColumnUse(position=fact.position, ref=fact.ref, unit=None)
                self.evidence[f"{role}_column"] = "as told" if ref is not None else f"the name of {fact.shown} says so"
        return found

    def _by_role(self, role: str, taken: set[int], time: ColumnUse | None) -> ColumnFacts | None:
        if role == "stream":
            return self._stream()
        if role in FLAG_ROLES:
            meaning = Meaning.SHOWN if role == "shown" else Meaning.DROPPED
            return next((fact for fact in self.facts if fact.meaning is meaning), None)
        if role in ("gpu_work", "cpu_work"):
            meaning = Meaning.GPU_WORK if role == "gpu_work" else Meaning.CPU_WORK
            matches = [f for f in self.facts if f.meaning is meaning and f.numeric and f.unit is not None]
            matches.sort(key=lambda fact: not {"work", "busy", "active"} & set(words_of(fact.name)))
            return matches[0] if matches else None
        if time is None:
            return None
        event = Event.START if role == "simulation_start" else Event.DISPLAY
        matches = [
            fact
            for fact in self.facts
            if fact.meaning is Meaning.TIMESTAMP
            and fact.event is event
            and fact.numeric
            and fact.unit is not None
            and not {"gpu", "cpu"} & set(words_of(fact.name))
        ]
        matches.sort(key=lambda fact: not {"simulation", "simulated", "sim"} & set(words_of(fact.name)))
        return matches[0] if matches else None

    def _stream(self) -> ColumnFacts | None:
        candidates = [fact for fact in self.facts if fact.meaning is Meaning.STREAM]
        several = [fact for fact in candidates if len({cell.strip() for cell in fact.cells}) > 1]
        texts = [fact for fact in several or candidates if not fact.numeric]
        return next(iter(texts or several or candidates), None)

    # -- what is said when it cannot be settled --------------------------------------------------------------------

    def _error(self, found: str, helps: str, fact: ColumnFacts | None = None) -> ReadError:
        column = None if fact is None else (fact.name or str(fact.position + 1))
        error = ReadError.at(self.name, found, column=column, helps=helps)
        assert isinstance(error, ReadError)
        return error

    def _open_kind(self, fact: ColumnFacts) -> ReadError:
        first = Layout(time_column=fact.ref, kind="timestamp").to_toml().replace("\n", "; ").rstrip("; ")
        return self._error(
            "its values can be timestamps or frame times",
            f'settle it with a layout of two lines, either  {first}  or the same with kind = "frame time"',
            fact,
        )

    def _two_columns(self, one: ColumnFacts, other: ColumnFacts, what: str) -> ReadError:
        def lines(fact: ColumnFacts) -> str:
            unit = fact.unit.name if fact.unit is not None else "ms"
            return Layout(time_column=fact.ref, unit=unit).to_toml().replace("\n", "; ").rstrip("; ")

        return self._error(
            f"columns {one.shown} and {other.shown} can both be the {what}, and they differ",
            f"settle it with a layout of two lines, either  {lines(one)}  or  {lines(other)}",
        )

    def _no_unit(self, fact: ColumnFacts, kind: str, *, key: str = "unit") -> ReadError:
        fits = [
            unit
            for unit in ("s", "ms", "us", "ns")
            if _is_plausible(
                _steps(fact.values(self.style, unit_named(unit)))
                if kind == "timestamp"
                else fact.values(self.style, unit_named(unit))
            )
        ]
        hint = f" (frame times would be plausible in {' or '.join(fits)})" if fits else ""
        example = (
            Layout(time_column=fact.ref, unit=fits[0] if fits else "ms").to_toml().replace("\n", "; ").rstrip("; ")
        )
        if key != "unit":
            return self._error(f"its unit is not stated{hint}", f"add {key} to the layout: {unit_names()}", fact)
        return self._error(
            f"its unit is not stated{hint}",
            f"give --time-column and --unit, or a layout of two lines such as  {example}",
            fact,
        )

    def _nothing_found(self, kinds: Mapping[str, Sequence[ColumnFacts]]) -> ReadError:
        for kind, facts in kinds.items():
            if facts:
                return self._no_unit(facts[0], kind)
        numeric = [fact for fact in self.facts if fact.numeric]
        listed = ", ".join(fact.shown for fact in self.facts[:12])
        if not any(fact.name for fact in self.facts):
            example = 'time_column = 1; unit = "ms"'
            return self._error(
                f"there is no line of names above the numbers ({len(self.facts)} columns)",
                f"give --time-column and --unit, or a layout of two lines such as  {example}",
            )
        example = Layout(time_column=(numeric or list(self.facts))[0].ref, unit="ms").to_toml()
        return self._error(
            f"no column says that it is a time (columns: {listed})",
            "give --time-column and --unit, or a layout of two lines such as  "
            + example.replace("\n", "; ").rstrip("; "),
        )


def _same_name(name: str, ref: str, *, loosely: bool) -> bool:
    return name.strip().casefold() == ref.strip().casefold() if loosely else name == ref


def _steps(values: Sequence[int]) -> list[int]:
    return [b - a for a, b in pairwise(values)]


def _rising(values: Sequence[int]) -> float | None:
    steps = _steps(values)
    return sum(step > 0 for step in steps) / len(steps) if steps else None


def _is_plausible(spans_ns: Sequence[int]) -> bool:
    positive = [span for span in spans_ns if span > 0]
    return bool(positive) and PLAUSIBLE_NS[0] <= sorted(positive)[len(positive) // 2] <= PLAUSIBLE_NS[1]
