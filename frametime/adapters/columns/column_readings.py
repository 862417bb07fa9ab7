"""One way to read a column as times, which of them agree, and what is said where the log leaves it open.

A reading has a unit, a meaning, and the length of a frame that comes out. A refusal says what was found, with the
commands that settle it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.column_facts import PLAUSIBLE_NS, ColumnFacts, Course, Rows, in_order
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import BARE_RATE, CLOCK, DATE, NANOSECOND, TIME_MEANINGS, WORDS, Meaning, Unit
from frametime.adapters.text.cells import POINT, NumberStyle, number_styles
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable
from frametime.words import command_line

_SAME: Final = 0.001
"""Lengths of a frame that differ by no more than this share are one (plus what the first and last row may add)."""
_RATE_APART: Final = 1.3
"""A rate may be smoothed: only beyond this factor does it say something else (common practice, no source)."""
_MOST_ROWS: Final = 0.9
_LISTED: Final = 6
_CHANGED: Final = 300.0
"""By which factor usual frames of one run never differ from one part to another (common practice, no source)."""
_SLOW_NS: Final = 95e6
_EVEN: Final = 0.25
_SAMPLED: Final = 0.05
"""How evenly a program takes samples (common practice, no source)."""
_COUNTING: Final = frozenset(("frames", "frame", "count", "n", "of", "rendered", *WORDS["index"], *WORDS["shown"]))
_OF_FRAMES: Final = WORDS["shown"] | {"fps", "framerate", "frames", "rendered"}
_ROWS_APART: Final = 3.0
"""Rows this many times as far apart as the frames that they tell of are summaries (common practice, no source)."""


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

    @classmethod
    def of(cls, fact: ColumnFacts, kind: str, unit: Unit, rows: Rows = None) -> Reading:
        """The reading, with the lengths of frames that it gives."""
        last = fact.ns(unit, last=True)
        both = fact.known_ns(unit, rows), last[np.isfinite(last)] if rows is None else last[:0]
        spans, ends = (in_order(np.diff(values)) if kind == "timestamp" else values for values in both)
        return cls(fact, kind, unit, spans, tuple(middle(each[each > 0]) for each in (spans, ends) if (each > 0).any()))

    @property
    def resolution_ns(self) -> int:
        """Step of the last digit that is written."""
        return self.fact.resolution_ns(self.unit)

    @property
    def plausible(self) -> bool:
        """Whether the usual frame lasts 0.2 ms to 1 s, in the first or the last rows."""
        return any(PLAUSIBLE_NS[0] <= each <= PLAUSIBLE_NS[1] for each in self.typical_ns)

    @property
    def is_still(self) -> bool:
        """Whether most rows have the time of the row before, as by a clock that is too coarse for frames."""
        # Half of them may be rows that stand twice.
        return int(np.count_nonzero(self.spans == 0)) > 0.55 * self.spans.size

    @property
    def is_bare_rate(self) -> bool:
        """Whether it is a rate whose name does not say of what."""
        return self.kind == "rate" and bool(self.fact.words) and self.fact.words <= BARE_RATE

    @property
    def fps(self) -> float:
        """Average rate of the first rows."""
        good = self.spans[self.spans > 0]
        return float(1e9 / good.mean()) if good.size else float("nan")

    @property
    def said_rate(self) -> str:
        """The average rate for messages."""
        return f"{self.fps:.4g} fps on average at the start"


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
        usual = zip(one.typical_ns, other.typical_ns, strict=False)
        return any(a <= _RATE_APART * b and b <= _RATE_APART * a for a, b in usual)
    if one.kind == other.kind:
        # Of moments one may be the start, the other the end of the same frames.
        a, b = one.spans, other.spans
        pairs = [(a, b), (a[1:], b[:-1]), (a[:-1], b[1:])] if one.kind == "timestamp" else [(a, b)]
    else:
        pairs = _in_step(*((one, other) if one.kind == "timestamp" else (other, one)))
    return any(_same_length(a, b, 2.0 * (one.resolution_ns + other.resolution_ns)) for a, b in pairs)


def _in_step(stamps: Reading, spans: Reading) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Steps of timestamps and the lengths beside them: a moment may stand at the end or at the start of its frame."""
    return [(stamps.spans, spans.spans[1:]), (stamps.spans, spans.spans[:-1])]


def agree_in_rows(stamps: Reading, spans: Reading) -> bool:
    """Whether lengths are the steps of timestamps row by row, as nothing but the length of a frame is."""
    allowed = stamps.resolution_ns + spans.resolution_ns + 1
    pairs = [(a, b) for a, b in _in_step(stamps, spans) if a.size and a.size == b.size]
    return any(bool((np.abs(a - b) <= allowed).mean() >= _MOST_ROWS) for a, b in pairs)


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
        if (home := next((group for group in groups if all(agree(member, each) for member in group)), None)) is None:
            groups.append([each])
        else:
            home.append(each)
    return groups


def command(name: str, *options: str) -> str:
    """A complete command that reads a log with these options, ready to copy."""
    return command_line(["frametime", "check", printable(name, limit=1000), *options])


def _ways(name: str, readings: Sequence[Reading]) -> str:
    """The commands that take each of a few readings of a column."""
    ways = []
    for each in readings[:_LISTED]:
        ref = str(each.fact.ref)
        if printable(ref, limit=80) != ref or (isinstance(each.fact.ref, str) and ref.strip().isdecimal()):
            ref = str(each.fact.position + 1)
        column = [f"--time-column={ref}"] if ref.startswith("-") else ["--time-column", ref]
        settling = command(name, *column, "--unit", each.unit.name, "--kind", each.kind.replace(" ", "-"))
        ways.append(f"{settling}  ({each.fps:.4g} fps on average)")
    return "  or  ".join(ways)


def styles_of(facts: Sequence[ColumnFacts], layout: Layout) -> tuple[tuple[NumberStyle, ...], str]:
    """The ways in which the numbers of a log can be read (more than one: open), as told or by its cells, and why."""
    thousands = "" if layout.thousands in (None, "none") else str(layout.thousands)
    told = NumberStyle(layout.decimal or ("," if thousands == "." else "."), thousands)
    if layout.thousands is not None:
        return (told,), "as told"
    numeric = [fact for fact in facts if fact.numeric and fact.unit not in (DATE, CLOCK)]
    styles, why = number_styles(chain.from_iterable((*fact.cells, *fact.last_cells) for fact in numeric))
    if layout.decimal is None:
        return styles, why
    # Digits may be in groups whose mark was not told.
    return (next((style for style in styles if style.decimal == told.decimal), told),), "as told"


def refuse_change(name: str, usual_ns: Sequence[float], line_of: Callable[[int], int] | None = None) -> None:
    """Refuse a log whose usual frames differ from part to part by more than those of one run; ``line_of`` its parts.

    Raises
    ------
    ReadError
    """
    if at := next((at for at, ns in enumerate(usual_ns) if not 1 / _CHANGED <= ns / usual_ns[0] <= _CHANGED), 0):
        where = "from here on" if line_of else "in the last"
        found = (
            f"usual frames last {usual_ns[0] / 1e6:.4g} ms in the first rows, and {usual_ns[at] / 1e6:.4g} ms {where}"
        )
        helps = "if the unit or the decimal mark changes, write all rows in one way, or give each part as a log"
        raise ReadError.at(name, found, line=line_of and line_of(at), helps=helps)


def _is_slow(clock: Reading) -> bool:
    usual = middle(clock.spans) if clock.spans.size else 0.0
    return usual >= _SLOW_NS and bool((np.abs(clock.spans - usual) <= _EVEN * usual).mean() >= 0.8)


def is_sampled(spans: NDArray[np.float64]) -> bool:
    """Whether rows come as a program samples: evenly, 1 ms or a few times 5 ms apart, as few screens show frames."""
    usual = middle(spans)
    even = (np.abs(spans - usual) <= _SAMPLED * usual).mean() >= 0.8
    return bool(even) and min(abs(usual - 5e6 * round(usual / 5e6)), abs(usual - 1e6)) <= _SAMPLED * usual / 2


def _counts_frames(fact: ColumnFacts) -> bool:
    return fact.unit is None and bool(fact.words & {"frames", "count"}) and fact.words <= _COUNTING


def _lengths_told(fact: ColumnFacts, step_ns: float, *, by_any: bool) -> NDArray[np.float64]:
    """Lengths of frames in ns that a column tells of: by rates, by counts in a row, or by statistics of frame times.

    With ``by_any`` numbers of which nothing is said are counts, where rows are too slow for frames.
    """
    if not fact.numeric or fact.is_of_sensor:
        return np.empty(0)
    values, words, lengths = fact.ns(), fact.words, np.empty(0)
    with np.errstate(divide="ignore", invalid="ignore"):
        if _counts_frames(fact):
            # Frames of a row, or all so far.
            lengths = step_ns / (np.diff(values) if fact.course() is Course.RISES else values)
        elif fact.meaning in (Meaning.STATISTIC, Meaning.FRAME_TIME) and fact.unit and fact.unit.ns is not None:
            # "Frames this second" are not in seconds.
            lengths = 1e9 / fact.ns(NANOSECOND) if {"frames", "second"} <= words else values
        elif fact.meaning is Meaning.RATE or words & _OF_FRAMES or {"frame", "rate"} <= words:
            lengths = values if fact.unit is not None and fact.unit.form == "rate" else 1e9 / fact.ns(NANOSECOND)
        elif by_any and fact.meaning is Meaning.OTHER and fact.unit is None and step_ns >= PLAUSIBLE_NS[1] * 0.95:
            lengths = step_ns / values  # so slow are no frames: whatever is counted beside them is more likely they
    return lengths[np.isfinite(lengths) & (lengths >= PLAUSIBLE_NS[0])]


@dataclass
class ChoiceSoFar:
    """The columns of one log, of which some are to be chosen, and what is said of the choice.

    Attributes
    ----------
    facts : sequence of ColumnFacts
    options : ReadOptions
    name : str
        Of the log, for messages.
    rows : ndarray of bool or None
        Which of the first rows count, where the log holds several streams.
    stream : ColumnFacts or None
        The column that tells them apart.
    evidence : dict
        Layout key to a sentence.
    caveats : list of Caveat
    """

    facts: Sequence[ColumnFacts]
    options: ReadOptions
    name: str
    rows: Rows = None
    stream: ColumnFacts | None = None
    evidence: dict[str, str] = field(default_factory=dict)
    caveats: list[Caveat] = field(default_factory=list)

    @property
    def layout(self) -> Layout:
        """What the user has told of the columns."""
        return self.options.layout or Layout()

    def tell(self, code: str, message: str, weight: Weight = Weight.CARE) -> None:
        """Add a caveat."""
        self.caveats.append(Caveat(code=code, message=message, weight=weight))

    def several_readings(self, readings: Sequence[Reading], fact: ColumnFacts | None) -> ReadError:
        """Several readings are left that give different numbers."""
        for reading in readings:
            refuse_change(self.name, reading.typical_ns)
        column = None if fact is None else (fact.name or str(fact.position + 1))
        ticks, ways = "it counts ticks of unknown length", f"it can be read in {len(readings)} ways that differ"
        found = ticks if fact is not None and fact.counts_ticks else ways
        return ReadError.at(self.name, found, column=column, helps=f"settle it with  {_ways(self.name, readings)}")

    def several_styles(self, styles: Sequence[NumberStyle]) -> ReadError:
        """Both ways of reading numbers give frames."""
        mark, word = (".", "point") if POINT in styles else (",", "comma")
        shown = next((c.strip() for f in self.facts for c in f.cells if f.numeric and mark in c), f"1{mark}000")
        other = "," if mark == "." else "."
        found = f"numbers such as {shown!r} can be read with a decimal {word} or with {word}s between thousands"
        helps = f"settle it with  {command(self.name, '--decimal', mark)}  or  {command(self.name, '--decimal', other)}"
        return ReadError.at(self.name, found, helps=helps)

    def impossible_unit(self, reading: Reading) -> ReadError:
        """The unit that is stated gives frames that cannot be."""
        fact = reading.fact
        column = fact.name or str(fact.position + 1)
        if fact.meaning is Meaning.FRAME_TIME and fact.is_sorted():
            found = "its numbers go one way only, as in a sorted list, and not as frames in their order"
            return ReadError.at(self.name, found, column=column, helps="give the log itself, with one row a frame")
        with_comma, with_point = (
            next((c.strip() for c in fact.cells if mark in c and other not in c), None) for mark, other in (",.", ".,")
        )
        alike = fact._replace(cells=tuple(c.replace(",", ".") for c in fact.cells), last_cells=(), style=POINT)
        if with_comma and with_point and Reading.of(alike, reading.kind, reading.unit).plausible:
            found = f"{with_point!r} and {with_comma!r} stand among its numbers, and cannot both be {reading.kind}s"
            helps = "write all numbers with the same decimal mark"
            return ReadError.at(self.name, found, column=column, helps=helps)
        others = [Reading.of(fact, reading.kind.replace("rate", "frame time"), unit) for unit in fact.usual_units]
        ways = _ways(self.name, [each for each in others if each.plausible])
        length = reading.typical_ns[0]
        shown = f"{length / 1e9:.4g} s" if length >= 1e9 else f"{length / 1e6:.4g} ms"
        found = f"in {reading.unit.name}, as stated, its {reading.kind}s give frames of {shown}, which "
        helps = f"check the unit; if it is another,  {ways}" if ways else "check the unit and the column"
        return ReadError.at(self.name, f"{found}cannot be (0.2 ms to 1 s)", column=column, helps=helps)

    def nothing_found(self, among: Sequence[ColumnFacts] | None = None) -> ReadError:
        """No column is known to be the time: each that could be is shown with the rate that it would give."""
        proposals = []
        others = (Meaning.INDEX, Meaning.STREAM, Meaning.DROPPED, Meaning.SHOWN, Meaning.STATISTIC)
        for fact in self.facts if among is None else among:
            is_other = fact.meaning in others and not (fact.words & WORDS["summed"])
            if is_other or not fact.numeric or fact.is_counter() or fact.said.other_unit or fact.said.odd:
                continue
            kind = "timestamp" if fact.course() is Course.RISES else "frame time"
            readings = [Reading.of(fact, kind, unit) for unit in fact.units if unit.form != "rate"]
            proposals += [reading for reading in readings if reading.plausible]
        listed = ", ".join(fact.shown for fact in self.facts[:12])
        what = f"no column says that it is a time of whole frames (columns: {listed})"
        if not any(fact.name for fact in self.facts):
            what = f"there is no line of names above the numbers (columns: {len(self.facts)})"
        if (odd := next((fact for fact in self.facts if fact.said.odd), None)) is not None:
            what = f"the unit in the name of {odd.shown} is not understood"
        ways = f"if a column is the time of frames,  {_ways(self.name, proposals)}"
        helps = ways if proposals else "if a column is the time of frames, give --time-column and --unit"
        return ReadError.at(self.name, what, helps=helps)

    def _no_frames(self, found: str, helps: str, clock: Reading) -> ReadError:
        return ReadError.at(self.name, found, helps=f"{helps}; if each row is a frame,  {_ways(self.name, [clock])}")

    def refuse_summaries(self, readings: Sequence[Reading]) -> None:
        """Refuse rows that come evenly and slowly beside columns of rates, frames or frame times, or of sensors.

        Raises
        ------
        ReadError
        """
        timed = ((each, each.spans[each.spans > 0]) for each in readings if each.kind != "rate")
        clocks = [(each._replace(spans=spans), spans.size / each.spans.size) for each, spans in timed if spans.size > 1]
        is_timed = any(r.kind == "timestamp" and r.fact.unit and r.plausible and not _is_slow(r) for r, _ in clocks)
        counts = [fact for fact in self.facts if _counts_frames(fact) and fact.course() is not Course.RISES]
        sensors = [fact for fact in self.facts if fact.is_of_sensor]
        for clock, share in clocks:  # of the rows that have a time of their own
            # Lengths that never change, and do not say of what, are the steps of a clock.
            is_even = clock.fact.meaning in TIME_MEANINGS and share == 1 and not np.ptp(clock.spans)
            is_clock = clock.kind == "timestamp" or is_even
            is_slow = is_clock and not is_timed and _is_slow(clock)
            step_ns = middle(clock.spans)
            apart = f"rows come {step_ns / 1e9:.3g} s apart in {clock.fact.shown}"
            for fact in self.facts if is_slow else counts:
                lengths = _lengths_told(fact, step_ns, by_any=all(each.numeric for each in sensors))
                if fact is not clock.fact and lengths.size and middle(lengths) * _ROWS_APART <= step_ns * share:
                    found = f"{apart}, and {fact.shown} tells of many frames in between: this is a log of summaries"
                    raise self._no_frames(found, "record a log with one row for each frame", clock)
            is_alone = is_clock and all(r.fact is clock.fact for r in readings)
            # Where most rows share their times they do not come so far apart: the clock is too coarse for them.
            if not is_alone or share < 0.45 or any(fact.is_of_one_frame for fact in self.facts):
                continue
            if sensors and (is_slow or is_sampled(clock.spans)):
                found = f"this looks like a sensor log: {apart}, beside {sensors[0].shown}"
                raise self._no_frames(found, "give it beside the frame log, as with check --sensors", clock)
            if (sensors or is_slow or is_sampled(clock.spans)) and len(self.facts) > 1:
                found = f"though no name speaks of frames{' and sensors stand beside it' if sensors else ''}: {apart}"
                self.tell("reading-inferred", f"Column {clock.fact.shown} is read as times of frames, {found}.")
