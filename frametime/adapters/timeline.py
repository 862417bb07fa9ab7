"""From the times that stand in a log to one rising row of timestamps: frame k ends at timestamp k.

Rows whose time cannot be read leave a hole. A hole is closed: the frames beside it are left out and later timestamps
move earlier, because a kept hole would look like one long frame that never was. The caveat says how much time that is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns.column_facts import PLAUSIBLE_NS
from frametime.adapters.columns.column_readings import command
from frametime.adapters.text.cells import DAY_NS, TimeValues
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_MS, NS_PER_S
from frametime.words import counted, first_of

_MAX_SPAN_NS: Final = 2.0**62
_NEAR_ROWS: Final = 64
"""Rows that threads write out of order lie near their place (common practice, no source)."""
_MAX_EQUAL: Final = 0.05
_FEW: Final = 16
_SAME: Final = 0.002
Ints: TypeAlias = NDArray[np.int64]
NO_ROWS: Final[Ints] = np.empty(0, dtype=np.int64)


class Timeline(NamedTuple):
    """Timestamps of the frames that count.

    Attributes
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    rows : ndarray of int64 or None
        Row of the log that each timestamp belongs to, the start of the first frame left out; ``None``: every row.
    starts_before : bool
        Whether the first timestamp is the start of the first row's frame, and no row's own.
    bad_rows : ndarray of int64
        Rows that were left out because their time is not usable, beyond those not ``ok`` from the start.
    caveats : tuple of Caveat
    evidence : tuple of str
    """

    timestamps_ns: Ints
    rows: Ints | None
    starts_before: bool
    bad_rows: Ints
    caveats: tuple[Caveat, ...]
    evidence: tuple[str, ...]

    def row_of_each(self) -> Ints:
        """Row of the log for each timestamp, -1 where there is none; shape (n_frames + 1,)."""
        before = int(self.starts_before)
        rows = np.arange(self.timestamps_ns.size - before, dtype=np.int64) if self.rows is None else self.rows
        return np.concatenate([np.full(before, -1, dtype=np.int64), rows])


class ClockRules(NamedTuple):
    """What the timestamps' clock can do, and what the reader may do about it.

    Attributes
    ----------
    name : str
        Of the log.
    line_of : callable
        Row to line in the file.
    sort : bool
    tick_ns : int or None
        One count of an integer clock in ns; ``None`` where it is no integer.
    wraps_daily : bool
        Whether the times are times of day.
    time_resolution_ns, frame_time_resolution_ns : int
        Step of the last digit written.
    ways : tuple of str
        Commands that read the times alone, and the frame times alone, where the log has both.
    """

    name: str
    line_of: Callable[[int], int]
    sort: bool
    tick_ns: int | None
    wraps_daily: bool
    time_resolution_ns: int
    frame_time_resolution_ns: int
    ways: tuple[str, ...] = ()


def chosen(values: NDArray[Any], rows: Ints | None) -> NDArray[Any]:
    """The values at ``rows``; all of them without."""
    return values if rows is None else values[rows]


def _rows_at(rows: Ints | None, places: Any) -> Any:
    """Which rows of the table stand at some places (or at one) among those chosen."""
    return places if rows is None else rows[places]


def _usable(frame_times: TimeValues, rows: Ints | None) -> tuple[Ints, NDArray[np.bool_]]:
    """Frame times in ns, and where they are more than 0."""
    durations = chosen(frame_times.ns, rows)
    return durations, (durations > 0) & chosen(frame_times.ok, rows)


def from_frame_times(frame_times: TimeValues, rows: Ints | None, rules: ClockRules) -> Timeline:
    """Timestamps from frame times alone: the first frame begins at 0."""
    return _of_lengths(_Rows(frame_times.ns, *_usable(frame_times, rows), rows), rules)


def _of_lengths(table: _Rows, rules: ClockRules, *, origin_ns: int = 0, left_out_ns: int | None = None) -> Timeline:
    """Timestamps of the good frame times; ``left_out_ns`` is how much time the others took, where it is known.

    Raises
    ------
    ReadError
        If they add up to more than the clock holds.
    """
    bad, holes = NO_ROWS, tuple[Caveat, ...]()
    if not table.good.all():
        bad, table = _rows_at(table.rows, np.flatnonzero(~table.good)), table.at(np.flatnonzero(table.good))
        holes = (_hole_caveat(bad.size, left_out_ns),)
    if float(table.durations.sum(dtype=np.float64)) + abs(origin_ns) > _MAX_SPAN_NS:
        found = "the frame times add up to more than 146 years"
        raise ReadError.at(rules.name, found, helps="check the unit of the column")
    stamps = np.full(len(table.durations) + 1, origin_ns, dtype=np.int64)
    stamps[1:] += np.cumsum(table.durations)
    return Timeline(stamps, table.rows, True, bad, holes, ())


def _hole_caveat(count: int, time_ns: int | None) -> Caveat:
    """Frames whose time is gone with rows that could not be used; ``time_ns`` is how much, where it is known."""
    amount = "an unknown time" if time_ns is None else f"{time_ns / NS_PER_MS:.3f} ms in all"
    frames = f"{counted(count, 'frame')} beside rows that could not be used {'are' if count != 1 else 'is'} left out"
    return Caveat(code="frames-left-out", message=f"{frames}; later frames move earlier by {amount}.")


def from_timestamps(times: TimeValues, rows: Ints | None, rules: ClockRules) -> Timeline:
    """Timestamps as they stand in the log, in order, each once."""
    stamps, caveats = chosen(times.ns, rows), list[Caveat]()
    holes = NO_ROWS
    if not (ok := chosen(times.ok, rows)).all():
        positions = np.flatnonzero(ok)
        holes = np.flatnonzero(np.diff(positions) > 1)
        stamps, rows = stamps[positions], _rows_at(rows, positions)
    stamps = _unwrapped(stamps, rules, caveats)
    kept = _order_of_time(stamps, rows, rules, caveats)
    if kept is None and holes.size:
        stamps, kept = _closed(stamps, holes, caveats)
    if kept is not None:
        stamps, rows = stamps[kept], _rows_at(rows, kept)
    if (kept := _distinct(stamps, rules, caveats)) is not None:
        stamps, rows = stamps[kept], _rows_at(rows, kept)
    return Timeline(stamps, rows, False, NO_ROWS, tuple(caveats), ())


def _unwrapped(stamps: Ints, rules: ClockRules, caveats: list[Caveat]) -> Ints:
    """Undo a counter that ran over, or a time of day that passed midnight."""
    if stamps.size and float(stamps.max()) - float(stamps.min()) > _MAX_SPAN_NS:
        raise ReadError.at(rules.name, "the timestamps span more than 146 years", helps="check the unit of the column")
    back = np.flatnonzero(stamps[1:] < stamps[:-1])
    if not back.size:
        return stamps
    steps = np.diff(stamps)
    typical = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    counts = 2**32 * (rules.tick_ns or 0)
    least = -counts // 2 if int(stamps.min()) < 0 else 0
    counted_over = least <= int(stamps.min()) and int(stamps.max()) < least + counts
    most = int(stamps.max())
    for period, what in (
        (DAY_NS * rules.wraps_daily, "The time of day passed midnight"),
        (DAY_NS // 24 * (rules.wraps_daily and most < DAY_NS // 24), "The clock passed a full hour"),
        (NS_PER_S * (back.size > 1 and int(stamps.min()) >= 0 and most < NS_PER_S), "The clock passed a full second"),
        (counts * counted_over, "A 32-bit counter ran over and began again"),
    ):
        if (found := gone_on(stamps, period, max(1000 * typical, 10.0 * NS_PER_S))) is not None:
            where = f"first before line {rules.line_of(int(back[0]) + 1)}, {counted(back.size, 'time')}"
            message = f"{what} ({where}); differences were taken across it."
            caveats.append(Caveat(code="clock-ran-over", message=message))
            return found
    return stamps


def gone_on(stamps: Ints, period_ns: int, longest_ns: float) -> Ints | None:
    """Times of a clock that begins again after each period, as times of one that goes on.

    A row that comes late stays late: from a day on, of the two ways round the shorter one is taken. ``None`` where the
    clock did not begin again, has no period (0), or stood for longer than ``longest_ns`` while it did.
    """
    steps = np.diff(stamps)
    turns = np.rint(steps / period_ns).astype(np.int64) if period_ns else np.zeros(0, dtype=np.int64)
    if period_ns < DAY_NS:
        turns = np.minimum(turns, 0)  # a pause may be longer than half the period
    around = np.flatnonzero(turns)
    if not around.size or (np.abs(steps - turns * period_ns)[around] > longest_ns).any():
        return None
    return stamps - period_ns * np.cumsum(np.append(0, turns), dtype=np.int64)


def _order_of_time(stamps: Ints, rows: Ints | None, rules: ClockRules, caveats: list[Caveat]) -> Ints | None:
    """The order in which time rises, or ``None`` where it does already."""
    back = np.flatnonzero(stamps[1:] < stamps[:-1])
    if not back.size:
        return None
    if back.size > 1 and (stamps[1:] <= stamps[:-1]).all():
        message = "The newest row stands first: rows are read from the last up."
        caveats.append(Caveat(code="rows-sorted", message=message, weight=Weight.NOTE))
        return np.arange(stamps.size)[::-1]
    first = int(back[0]) + 1
    line = rules.line_of(_rows_at(rows, first))
    such = counted(back.size, "such row")
    order = np.argsort(stamps, kind="stable")
    places = np.argsort(order)
    are_far = np.abs(places - np.arange(order.size)) > _NEAR_ROWS
    if np.count_nonzero(are_far) > _NEAR_ROWS and back.size * 20 < stamps.size:
        # Sorted, two recordings would lie in each other.
        falls = places[back] - places[back + 1]  # a row that is merely late goes back by a few places
        starts = _rows_at(rows, np.append(0, back[falls >= min(_NEAR_ROWS, falls.max())] + 1))
        begins = [*map(str, map(rules.line_of, starts.tolist()))]
        told = f"several recordings stand in one log; they begin in lines {first_of(begins, _FEW)}"
        helps = "; for the frame times of all:  ".join(("give each recording as a file of its own", *rules.ways[1:]))
        raise ReadError.at(rules.name, f"the time begins again ({such}): {told}", line=line, helps=helps)
    if not rules.sort:
        found = f"time runs backwards by {(int(stamps[first - 1]) - int(stamps[first])) / NS_PER_MS:.6g} ms ({such})"
        # Sorted, lengths that go up and down lie far closer than frames do.
        is_time = float(np.median(np.diff(stamps[order]))) >= PLAUSIBLE_NS[0]
        in_order = f"put the rows in order of time:  {command(rules.name, '--sort')}"
        helps = in_order if is_time else "it may be no time: --time-column names another"
        raise ReadError.at(rules.name, found, line=line, helps=helps)
    message = f"{counted(back.size, 'row')} ran backwards in time; rows were sorted as told."
    caveats.append(Caveat(code="rows-sorted", message=message))
    return order


def _closed(stamps: Ints, holes: Ints, caveats: list[Caveat]) -> tuple[Ints, Ints]:
    """Stamps with the holes closed, and the places of those that are kept."""
    removed = np.zeros(stamps.size, dtype=np.int64)
    removed[holes + 1] = np.diff(stamps)[holes]
    caveats.append(_hole_caveat(holes.size, int(removed.sum())))
    return stamps - np.cumsum(removed), np.delete(np.arange(stamps.size, dtype=np.int64), holes + 1)


def _distinct(stamps: Ints, rules: ClockRules, caveats: list[Caveat]) -> Ints | None:
    """Indices of stamps that differ from the one before, or ``None`` where all do."""
    equal = stamps[1:] == stamps[:-1]
    if not (count := int(np.count_nonzero(equal))):
        return None
    if count > max(3, _MAX_EQUAL * stamps.size) and count + 1 < stamps.size:
        found = f"{count} of {stamps.size} rows have the same time as the row before"
        helps = "log the time with more digits, or log frame times"
        raise ReadError.at(rules.name, f"{found}: the clock is too coarse, or rows stand twice", helps=helps)
    caveats.append(_equal_caveat(count))
    return np.flatnonzero(np.concatenate([[True], ~equal]))


def _equal_caveat(count: int) -> Caveat:
    """Rows with the time of the row before."""
    rows, were = counted(count, "row has", "rows have"), "they were" if count != 1 else "it was"
    return Caveat(code="equal-timestamps", message=f"{rows} the same time as the row before; {were} merged.")


class _Rows(NamedTuple):
    """Rows with a time and a frame time: both in ns, whether the frame time is good, and which rows of the log."""

    stamps: Ints
    durations: Ints
    good: NDArray[np.bool_]
    rows: Ints | None

    def at(self, places: Ints | None) -> _Rows:
        """Those at some places; all of them without."""
        if places is None:
            return self
        return _Rows(self.stamps[places], self.durations[places], self.good[places], _rows_at(self.rows, places))


def from_both(times: TimeValues, lengths: TimeValues, rows: Ints | None, rules: ClockRules) -> Timeline:
    """Timestamps and frame times that must agree: the frame times give the differences, the first time the origin."""
    table = _Rows(chosen(times.ns, rows), *_usable(lengths, rows), rows)
    if not (stamped := chosen(times.ok, rows)).all():
        return _by_lengths_alone(table, stamped, rules)
    caveats: list[Caveat] = []
    table = table._replace(stamps=_unwrapped(table.stamps, rules, caveats))
    table = table.at(_order_of_time(table.stamps, rows, rules, caveats))
    if _goes_in_ticks(table, rules):
        message = "The clock goes in coarse steps and agrees with the frame times; the frame times were used."
        caveats.append(Caveat(code="time-columns-differ", message=message, weight=Weight.NOTE))
        by_length = _of_lengths(table, rules, origin_ns=int(table.stamps[0]))
        return by_length._replace(caveats=(*caveats, *by_length.caveats))
    table = table.at(_without_repeated_rows(table, rules, caveats))
    at_end, in_rows, evidence = _agreement(table, rules, caveats)
    stamps, durations, good, rows = table
    if (in_rows is None or (in_rows and rules.time_resolution_ns < rules.frame_time_resolution_ns)) and good.all():
        edge = stamps[0] - durations[0] if at_end else stamps[-1] + durations[-1]
        line = np.concatenate([[edge], stamps] if at_end else [stamps, [edge]])
        if (line[1:] > line[:-1]).all():
            why = "are written more finely, so they give" if in_rows else "give"
            evidence = f"{evidence}; the timestamps {why} the differences"
            return Timeline(line, rows, True, NO_ROWS, tuple(caveats), (evidence,))
    origin, left_out = 0, None
    if good.any():
        first, last = np.flatnonzero(good)[[0, -1]].tolist()
        origin = int(stamps[first]) - int(durations[first]) * at_end
        between = slice(first + 1, last + 1)
        left_out = int(stamps[last] - stamps[first]) - int(durations[between].sum(where=good[between]))
    timeline = _of_lengths(table, rules, origin_ns=origin, left_out_ns=left_out)
    evidence += "; the frame times give the differences"
    return timeline._replace(caveats=(*caveats, *timeline.caveats), evidence=(evidence,))


def _by_lengths_alone(table: _Rows, stamped: NDArray[np.bool_], rules: ClockRules) -> Timeline:
    """Frame times placed by the first time that can be read; that times are missing is told."""
    stamps, durations, good, rows = table
    missing = np.flatnonzero(~stamped)
    origin = 0
    if (stamped & good).any():
        first = int(np.argmax(stamped & good))
        until = slice(0, first + int(stamps[first] != 0))  # a clock that stands at 0 stands at the start of a frame
        origin = int(stamps[first]) - int(durations[until].sum(where=good[until]))
    timeline = _of_lengths(table, rules, origin_ns=origin)
    unread = f"In {missing.size} of {counted(stamped.size, 'row')} the time cannot be read"
    line = rules.line_of(_rows_at(rows, int(missing[0])))
    message = f"{unread} (first in line {line}); the frame times were used."
    weight = Weight.NOTE if missing.size < _MAX_EQUAL * stamped.size else Weight.CARE
    told = Caveat(code="time-cells-unread", message=message, weight=weight)
    evidence = "times are missing in the time column; the frame times give the differences"
    return timeline._replace(caveats=(told, *timeline.caveats), evidence=(evidence,))


def _goes_in_ticks(table: _Rows, rules: ClockRules) -> bool:
    """Whether the clock goes in steps of many of its digits, and is never further than a step from the frame times."""
    (stamps, spans), steps = table[:2], np.diff(table.stamps)
    coarse = 2 * (rules.time_resolution_ns + rules.frame_time_resolution_ns)
    tick = int(np.min(steps, where=steps > 0, initial=DAY_NS))
    if stamps.size < _FEW or tick <= 2 * coarse or not table.good.all():
        return False
    in_ticks, own = (float((np.abs((each + tick // 2) % tick - tick // 2) <= coarse).mean()) for each in (steps, spans))
    drift_ns = rules.frame_time_resolution_ns * int(np.sqrt(stamps.size))
    return in_ticks > 0.95 > 2 * own and int(np.ptp(np.cumsum(spans) - stamps)) <= tick + coarse + drift_ns


def _without_repeated_rows(table: _Rows, rules: ClockRules, caveats: list[Caveat]) -> Ints | None:
    """Places of the rows but those with the time and the frame time of the row before, where the clock tells them."""
    stamps, spans = table.stamps, table.durations
    equal = np.flatnonzero(stamps[1:] == stamps[:-1])
    told_apart = spans[equal] > rules.time_resolution_ns + rules.frame_time_resolution_ns
    repeated = equal[(spans[equal + 1] == spans[equal]) & told_apart] + 1
    if not repeated.size:
        return None
    caveats.append(_equal_caveat(repeated.size))
    return np.delete(np.arange(stamps.size, dtype=np.int64), repeated)


def _mismatches(table: _Rows, allowed_ns: int, *, at_end: bool) -> tuple[int, int]:
    """How many steps of the timestamps differ from the frame times by more than ``allowed_ns``, and which most."""
    if table.stamps.size < 2:
        return 0, 0
    those = slice(1, None) if at_end else slice(-1)
    off = np.abs(np.diff(table.stamps) - table.durations[those]) * table.good[those]
    return int(np.count_nonzero(off > allowed_ns)), int(np.argmax(off))


def _shaken(stamps: Ints, spans: Ints) -> float | None:
    """Usual difference in ns where the two agree over the whole run; else ``None``."""
    steps = np.diff(stamps)
    usual = float(np.median(np.abs(steps - spans)))
    length = float(np.median(spans))
    apart = abs(float(spans.sum()) - float(steps.sum()))
    same = apart <= _SAME * float(steps.sum()) + 2 * length and usual <= length / 2
    return usual if same and stamps.size >= _FEW and bool((steps > 0).all()) else None


def _agreement(table: _Rows, rules: ClockRules, caveats: list[Caveat]) -> tuple[bool, bool | None, str]:
    """Whether the time stands at the end of each frame (or at its start), whether all agree, and a sentence.

    ``None`` where they agree over the whole run only: then the timestamps lead.
    """
    stamps, durations = table.stamps, table.durations
    allowed = rules.time_resolution_ns + rules.frame_time_resolution_ns + 1
    n_steps = max(0, stamps.size - 1)
    # Equal frame times fit both ways: a clock that starts at 0 starts with the first frame.
    likely = not (stamps.size and int(stamps[0]) == 0)
    ways = [(*_mismatches(table, allowed, at_end=each), each) for each in (likely, not likely)]
    count, worst, at_end = min(ways, key=lambda way: way[0])
    if not count:
        where = "end" if at_end else "start"
        return at_end, True, f"timestamps and frame times agree in all rows (the time marks the {where} of a frame)"
    step = int(stamps[worst + 1]) - int(stamps[worst])
    span = int(durations[worst + int(at_end)])
    line, against = rules.line_of(_rows_at(table.rows, worst + 1)), f"against {span / NS_PER_MS:.6g} ms"
    numbers = f"n {count} of {n_steps} rows the time column and the frame times differ "
    numbers += f"(line {line}: {step / NS_PER_MS:.6g} ms {against})"
    if count <= max(3, n_steps // 100) and count * 5 <= n_steps:
        caveats.append(Caveat(code="time-columns-differ", message=f"I{numbers}; the frame times were used."))
        return at_end, False, f"timestamps and frame times agree in {n_steps - count} of {n_steps} rows"
    shaken = _shaken(stamps, durations[1:] if at_end else durations[:-1]) if table.good.all() else None
    if shaken is None:
        helps = f"check the units, or choose one of the two columns:  {'  or  '.join(rules.ways)}"
        raise ReadError.at(rules.name, f"i{numbers}", helps=helps)
    message = f"Timestamps and frame times differ by {shaken / NS_PER_MS:.3g} ms in the usual row, and agree over the "
    message += "whole run, as two clocks of one program do; the timestamps were used."
    caveats.append(Caveat(code="time-columns-differ", message=message, weight=Weight.NOTE))
    return at_end, None, "timestamps and frame times agree over the whole run"
