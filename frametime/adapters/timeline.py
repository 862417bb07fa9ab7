"""From the times that stand in a log to one rising row of timestamps: frame k ends at timestamp k.

Rows whose time cannot be read leave a hole. A hole is closed: the frames beside it are left out and later timestamps
move earlier, because a kept hole would look like one long frame that never was. The caveat says how much time that is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.numbers import TimeValues
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_MS, NS_PER_S

_WRAP: Final = 2**32
_DAY_NS: Final = 86_400 * NS_PER_S
_MAX_SPAN_NS: Final = 2.0**62


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Timeline:
    """Timestamps of the frames that count.

    Attributes
    ----------
    timestamps_ns : ndarray of int64, shape (n_frames + 1,)
    rows : ndarray of int64, shape (n_frames + 1,)
        Row of the log that each belongs to; -1 where there is none (the start of the first frame).
    bad_rows : ndarray of int64
        Rows that were left out because their time is not usable, beyond those not ``ok`` from the start.
    caveats : tuple of Caveat
    evidence : tuple of str
    """

    timestamps_ns: NDArray[np.int64]
    rows: NDArray[np.int64]
    bad_rows: NDArray[np.int64]
    caveats: tuple[Caveat, ...]
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClockRules:
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
    """

    name: str
    line_of: Callable[[int], int]
    sort: bool
    tick_ns: int | None
    wraps_daily: bool
    time_resolution_ns: int
    frame_time_resolution_ns: int


def _all_rows(count: int) -> NDArray[np.int64]:
    return np.arange(count, dtype=np.int64)


def from_frame_times(frame_times: TimeValues, rows: NDArray[np.int64] | None, rules: ClockRules) -> Timeline:
    """Timestamps from frame times alone: the first frame begins at 0."""
    rows = _all_rows(len(frame_times.ns)) if rows is None else rows
    durations, good = _usable(frame_times, rows)
    bad = rows[~good] if good is not None else rows[:0]
    if good is not None:
        durations, rows = durations[good], rows[good]
    stamps = _cumulated(0, durations, rules)
    caveats = (_hole_caveat(int(bad.size), None),) if bad.size else ()
    return Timeline(
        timestamps_ns=stamps,
        rows=np.concatenate([np.array([-1], dtype=np.int64), rows]),
        bad_rows=bad,
        caveats=caveats,
        evidence=(),
    )


def _usable(frame_times: TimeValues, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    everything = len(rows) == len(frame_times.ns)
    durations = frame_times.ns if everything else frame_times.ns[rows]
    if frame_times.ok is None and (not durations.size or int(durations.min()) > 0):
        return durations, None
    good = durations > 0
    if frame_times.ok is not None:
        good &= frame_times.ok if everything else frame_times.ok[rows]
    return durations, good


def _cumulated(origin_ns: int, durations: NDArray[np.int64], rules: ClockRules) -> NDArray[np.int64]:
    if float(durations.sum(dtype=np.float64)) + abs(origin_ns) > _MAX_SPAN_NS:
        raise ReadError.at(
            rules.name, "the frame times add up to more than 146 years", helps="check the unit of the column"
        )
    stamps = np.empty(len(durations) + 1, dtype=np.int64)
    stamps[0] = 0
    np.cumsum(durations, out=stamps[1:])
    if origin_ns:
        stamps += origin_ns
    return stamps


def _hole_caveat(count: int, time_ns: int | None) -> Caveat:
    amount = "an unknown time" if time_ns is None else f"{time_ns / NS_PER_MS:.3f} ms in all"
    return Caveat(
        code="frames-left-out",
        message=f"{count} frame{'s' if count != 1 else ''} beside rows that could not be used "
        f"{'are' if count != 1 else 'is'} left out; later frames move earlier by {amount}.",
    )


def from_timestamps(times: TimeValues, rows: NDArray[np.int64] | None, rules: ClockRules) -> Timeline:
    """Timestamps as they stand in the log, in order, each once."""
    rows = _all_rows(len(times.ns)) if rows is None else rows
    selected = rows
    stamps = times.ns if len(rows) == len(times.ns) else times.ns[rows]
    caveats: list[Caveat] = []
    holes: NDArray[np.int64] | None = None
    if times.ok is not None:
        good = times.ok if len(rows) == len(times.ns) else times.ok[rows]
        positions = np.flatnonzero(good)
        stamps, rows = stamps[positions], rows[positions]
        holes = np.flatnonzero(np.diff(positions) > 1)
    stamps = _unwrapped(stamps, rules, caveats)
    stamps, order = _ordered(stamps, rows, rules, caveats)
    if order is not None:
        rows = rows[order]
    elif holes is not None and holes.size:
        stamps, rows = _closed(stamps, rows, holes, caveats)
    stamps, rows = _merged(stamps, rows, caveats)
    return Timeline(timestamps_ns=stamps, rows=rows, bad_rows=selected[:0], caveats=tuple(caveats), evidence=())


def _unwrapped(stamps: NDArray[np.int64], rules: ClockRules, caveats: list[Caveat]) -> NDArray[np.int64]:
    """Undo a 32-bit counter that ran over, or a time of day that passed midnight."""
    if stamps.size < 2:
        return stamps
    _check_span(stamps, rules)
    steps = np.diff(stamps)
    back = np.flatnonzero(steps < 0)
    if not back.size:
        return stamps
    typical = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    for period, applies, what in (
        (_DAY_NS, rules.wraps_daily, "The time of day passed midnight"),
        (
            _WRAP * (rules.tick_ns or 0),
            rules.tick_ns is not None and int(stamps.min()) >= 0 and int(stamps.max()) < _WRAP * (rules.tick_ns or 0),
            "A 32-bit counter ran over and began again",
        ),
    ):
        mended = steps[back] + period
        limit = max(1000 * typical, 10.0 * NS_PER_S)
        if applies and (steps[back] < -period // 2).all() and (mended <= min(limit, period // 2)).all():
            lines = rules.line_of(int(back[0]) + 1)
            caveats.append(
                Caveat(
                    code="clock-ran-over",
                    message=f"{what} (first before line {lines}, {back.size} time{'s' if back.size != 1 else ''}); "
                    "differences were taken across it.",
                    weight=Weight.CARE,
                )
            )
            turns = np.zeros(stamps.size, dtype=np.int64)
            turns[back + 1] = 1
            return stamps + np.cumsum(turns) * period
    return stamps


def _check_span(stamps: NDArray[np.int64], rules: ClockRules) -> None:
    if float(stamps.max()) - float(stamps.min()) > _MAX_SPAN_NS:
        raise ReadError.at(rules.name, "the timestamps span more than 146 years", helps="check the unit of the column")


def _ordered(
    stamps: NDArray[np.int64], rows: NDArray[np.int64], rules: ClockRules, caveats: list[Caveat]
) -> tuple[NDArray[np.int64], NDArray[np.int64] | None]:
    if stamps.size < 2:
        return stamps, None
    back = np.flatnonzero(stamps[1:] < stamps[:-1])
    if not back.size:
        return stamps, None
    first = int(back[0]) + 1
    if not rules.sort:
        step_ms = (int(stamps[first]) - int(stamps[first - 1])) / NS_PER_MS
        raise ReadError.at(
            rules.name,
            f"time runs backwards by {-step_ms:.6g} ms ({back.size} such row{'s' if back.size != 1 else ''})",
            line=rules.line_of(int(rows[first])),
            helps="--sort puts the rows in order of time",
        )
    caveats.append(
        Caveat(
            code="rows-sorted",
            message=f"{back.size} row{'s' if back.size != 1 else ''} ran backwards in time; rows were sorted as told.",
        )
    )
    order = np.argsort(stamps, kind="stable")
    return stamps[order], order


def _closed(
    stamps: NDArray[np.int64], rows: NDArray[np.int64], holes: NDArray[np.int64], caveats: list[Caveat]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    steps = np.diff(stamps)
    removed = np.zeros(stamps.size, dtype=np.int64)
    removed[holes + 1] = steps[holes]
    caveats.append(_hole_caveat(int(holes.size), int(removed.sum())))
    kept = np.ones(stamps.size, dtype=np.bool_)
    kept[holes + 1] = False
    return (stamps - np.cumsum(removed))[kept], rows[kept]


def _merged(
    stamps: NDArray[np.int64], rows: NDArray[np.int64], caveats: list[Caveat]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    if stamps.size < 2:
        return stamps, rows
    equal = stamps[1:] == stamps[:-1]
    count = int(np.count_nonzero(equal))
    if not count:
        return stamps, rows
    caveats.append(
        Caveat(
            code="equal-timestamps",
            message=f"{count} row{'s have' if count != 1 else ' has'} the same time as the row before; "
            f"{'they were' if count != 1 else 'it was'} merged.",
        )
    )
    kept = np.concatenate([[True], ~equal])
    return stamps[kept], rows[kept]


def from_both(
    times: TimeValues, frame_times: TimeValues, rows: NDArray[np.int64] | None, rules: ClockRules
) -> Timeline:
    """Timestamps and frame times that must agree: the frame times give the differences, the first time the origin."""
    rows = _all_rows(len(times.ns)) if rows is None else rows
    everything = len(rows) == len(times.ns)
    durations, good = _usable(frame_times, rows)
    stamps = times.ns if everything else times.ns[rows]
    stamped = None if times.ok is None else (times.ok if everything else times.ok[rows])
    caveats: list[Caveat] = []
    if stamped is None:
        stamps = _unwrapped(stamps, rules, caveats)
    at_end, evidence = _agreement(stamps, stamped, durations, good, rows, rules, caveats)
    bad = rows[~good] if good is not None else rows[:0]
    clean = good is None and stamped is None and not any(c.code == "time-columns-differ" for c in caveats)
    if clean and rules.time_resolution_ns < rules.frame_time_resolution_ns:
        line = _by_stamps(stamps, durations, at_end=at_end)
        evidence += "; the timestamps are written more finely, so they give the differences"
        if (np.diff(line) > 0).all():
            return Timeline(
                timestamps_ns=line,
                rows=np.concatenate([np.array([-1], dtype=np.int64), rows]),
                bad_rows=bad,
                caveats=tuple(caveats),
                evidence=(evidence,),
            )
    evidence += "; the frame times give the differences"
    origin = _origin(stamps, stamped, durations, good, at_end=at_end)
    if good is not None:
        if bad.size:
            caveats.append(_hole_caveat(int(bad.size), _time_left_out(stamps, stamped, durations, good)))
        durations, rows = durations[good], rows[good]
    return Timeline(
        timestamps_ns=_cumulated(origin, durations, rules),
        rows=np.concatenate([np.array([-1], dtype=np.int64), rows]),
        bad_rows=bad,
        caveats=tuple(caveats),
        evidence=(evidence,),
    )


def _by_stamps(stamps: NDArray[np.int64], durations: NDArray[np.int64], *, at_end: bool) -> NDArray[np.int64]:
    line = np.empty(stamps.size + 1, dtype=np.int64)
    if at_end:
        line[0] = stamps[0] - durations[0]
        line[1:] = stamps
    else:
        line[:-1] = stamps
        line[-1] = stamps[-1] + durations[-1]
    return line


def _origin(
    stamps: NDArray[np.int64],
    stamped: NDArray[np.bool_] | None,
    durations: NDArray[np.int64],
    good: NDArray[np.bool_] | None,
    *,
    at_end: bool,
) -> int:
    usable = np.ones(stamps.size, dtype=np.bool_) if good is None else good.copy()
    first_frame = int(np.argmax(usable)) if usable.any() else 0
    if stamped is not None:
        usable &= stamped
    if not usable.any():
        return 0
    first = int(np.argmax(usable))
    before = durations[first_frame:first] if good is None else durations[first_frame:first][good[first_frame:first]]
    start = int(stamps[first]) - (int(durations[first]) if at_end else 0)
    return start - int(before.sum())


def _time_left_out(
    stamps: NDArray[np.int64],
    stamped: NDArray[np.bool_] | None,
    durations: NDArray[np.int64],
    good: NDArray[np.bool_],
) -> int | None:
    if stamped is not None or not good.any():
        return None
    kept = np.flatnonzero(good)
    first, last = int(kept[0]), int(kept[-1])
    span = int(stamps[last]) - int(stamps[first])
    return span - int(durations[first + 1 : last + 1][good[first + 1 : last + 1]].sum())


def _agreement(
    stamps: NDArray[np.int64],
    stamped: NDArray[np.bool_] | None,
    durations: NDArray[np.int64],
    good: NDArray[np.bool_] | None,
    rows: NDArray[np.int64],
    rules: ClockRules,
    caveats: list[Caveat],
) -> tuple[bool, str]:
    """Whether the time stands at the end of each frame (or at its start), or an error where neither fits."""
    allowed = rules.time_resolution_ns + rules.frame_time_resolution_ns + 1
    steps = np.diff(stamps)
    counted = np.ones(steps.size, dtype=np.bool_)
    if stamped is not None:
        counted &= stamped[1:] & stamped[:-1]
    results = []
    for at_end, spans, usable in (
        (True, durations[1:], None if good is None else good[1:]),
        (False, durations[:-1], None if good is None else good[:-1]),
    ):
        compared = counted if usable is None else counted & usable
        off = compared & (np.abs(steps - spans) > allowed)
        results.append((int(np.count_nonzero(off)), at_end, off, int(np.count_nonzero(compared)), spans))
    if steps.size and results[0][0] == results[1][0] == 0 and int(stamps[0]) == 0:
        # Equal frame times fit both ways: a clock that starts at 0 starts with the first frame.
        results.reverse()
    count, at_end, off, compared_count, spans = min(results, key=lambda result: result[0])
    where = "end" if at_end else "start"
    if not count:
        return at_end, f"timestamps and frame times agree in all rows (the time marks the {where} of a frame)"
    worst = int(np.argmax(np.where(off, np.abs(steps - spans), 0)))
    numbers = (
        f"in {count} of {compared_count} rows the time column and the frame times differ "
        f"(line {rules.line_of(int(rows[worst + 1]))}: {int(steps[worst]) / NS_PER_MS:.6g} ms against "
        f"{int(spans[worst]) / NS_PER_MS:.6g} ms)"
    )
    if count > max(3, compared_count // 100) or count * 5 > compared_count:
        raise ReadError.at(
            rules.name,
            numbers,
            helps="check the units, or choose one of the two columns with --time-column and --unit",
        )
    caveats.append(
        Caveat(
            code="time-columns-differ",
            message=numbers[0].upper() + numbers[1:] + "; the frame times were used.",
        )
    )
    return at_end, f"timestamps and frame times agree in {compared_count - count} of {compared_count} rows"
