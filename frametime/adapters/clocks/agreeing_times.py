"""A log with timestamps and frame times: they must agree, and then give a frame for each row."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.time_values import TimeValues
from frametime.adapters.clocks.timeline import (
    NO_ROWS,
    ClockRules,
    Timeline,
    chosen,
    cumulated,
    equal_caveat,
    good_only,
    hole_caveat,
    order_of_time,
    row_at,
    unwrapped,
    usable_frame_times,
)
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_MS
from frametime.words import counted

_BLOCK: Final = 1 << 18
_FEW: Final = 16
_SAME: Final = 0.002


def from_both(
    times: TimeValues, frame_times: TimeValues, rows: NDArray[np.int64] | None, rules: ClockRules
) -> Timeline:
    """Timestamps and frame times that must agree: the frame times give the differences, the first time the origin."""
    durations, good = usable_frame_times(frame_times, rows)
    stamps = chosen(times.ns, rows)
    stamped = None if times.ok is None else chosen(times.ok, rows)
    caveats: list[Caveat] = []
    if stamped is None:
        stamps = unwrapped(stamps, rules, caveats)
        order = order_of_time(stamps, rows, rules, caveats)
        order = _without_repeated_rows(stamps, durations, order, rules, caveats)
        if order is not None:
            stamps, durations = stamps[order], durations[order]
            good = None if good is None else good[order]
            rows = order if rows is None else rows[order]
    else:
        _tell_missing(stamped, rows, rules, caveats)
    compared = _Compared(stamps=stamps, stamped=stamped, durations=durations, good=good)
    at_end, agree, evidence = _agreement(compared, rows, rules, caveats)
    stamps_line = None
    if (
        good is None
        and stamped is None
        and (agree is None or (agree and rules.time_resolution_ns < rules.frame_time_resolution_ns))
    ):
        stamps_line = _by_stamps(stamps, durations, at_end=at_end)
        if not (stamps_line[1:] > stamps_line[:-1]).all():
            stamps_line = None
    if stamps_line is not None:
        evidence += (
            "; the timestamps give the differences"
            if agree is None
            else "; the timestamps are written more finely, so they give the differences"
        )
        return Timeline(
            timestamps_ns=stamps_line,
            rows=rows,
            starts_before=True,
            bad_rows=NO_ROWS,
            caveats=tuple(caveats),
            evidence=(evidence,),
        )
    evidence += "; the frame times give the differences"
    origin = _origin(stamps, stamped, durations, good, at_end=at_end)
    bad = NO_ROWS
    if good is not None:
        left_out = _time_left_out(stamps, stamped, durations, good)
        durations, rows, bad = good_only(durations, good, rows)
        if bad.size:
            caveats.append(hole_caveat(int(bad.size), left_out))
    return Timeline(
        timestamps_ns=cumulated(origin, durations, rules),
        rows=rows,
        starts_before=True,
        bad_rows=bad,
        caveats=tuple(caveats),
        evidence=(evidence,),
    )


def _tell_missing(
    stamped: NDArray[np.bool_], rows: NDArray[np.int64] | None, rules: ClockRules, caveats: list[Caveat]
) -> None:
    """Say that rows are used although their time cannot be read: the frame time alone places them."""
    missing = np.flatnonzero(~stamped)
    if missing.size:
        caveats.append(
            Caveat(
                code="time-cells-unread",
                message=f"In {missing.size} of {counted(stamped.size, 'row')} the time cannot be read (first in line "
                f"{rules.line_of(row_at(rows, int(missing[0])))}); the frame times were used.",
                weight=Weight.NOTE,
            )
        )


def _without_repeated_rows(
    stamps: NDArray[np.int64],
    durations: NDArray[np.int64],
    order: NDArray[np.int64] | None,
    rules: ClockRules,
    caveats: list[Caveat],
) -> NDArray[np.int64] | None:
    """Take out rows with the time and the frame time of the row before, where the clock is fine enough to tell."""
    ordered = stamps if order is None else stamps[order]
    equal = np.flatnonzero(ordered[1:] == ordered[:-1])
    if not equal.size:
        return order
    spans = durations if order is None else durations[order]
    told_apart = spans[equal] > rules.time_resolution_ns + rules.frame_time_resolution_ns
    repeated = equal[(spans[equal + 1] == spans[equal]) & told_apart] + 1
    if not repeated.size:
        return order
    caveats.append(equal_caveat(int(repeated.size)))
    keep = np.ones(stamps.size, dtype=np.bool_)
    keep[repeated] = False
    kept = np.flatnonzero(keep)
    return kept if order is None else order[kept]


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
    kept = np.flatnonzero(good if stamped is None else good & stamped)
    if kept.size < 2:
        return None
    first, last = int(kept[0]), int(kept[-1])
    span = int(stamps[last]) - int(stamps[first])
    return span - int(durations[first + 1 : last + 1][good[first + 1 : last + 1]].sum())


class _Compared(NamedTuple):
    """Timestamps and frame times of the same rows, and which of them are there."""

    stamps: NDArray[np.int64]
    stamped: NDArray[np.bool_] | None
    durations: NDArray[np.int64]
    good: NDArray[np.bool_] | None

    def differences(self, start: int, stop: int, *, at_end: bool) -> NDArray[np.int64]:
        """Step of the timestamps minus frame time for steps ``start`` to ``stop``; 0 where one is missing."""
        steps = np.diff(self.stamps[start : stop + 1])
        shift = int(at_end)
        off = np.abs(steps - self.durations[start + shift : stop + shift])
        if self.good is not None:
            off[~self.good[start + shift : stop + shift]] = 0
        if self.stamped is not None:
            off[~(self.stamped[start:stop] & self.stamped[start + 1 : stop + 1])] = 0
        return off

    def shaken(self, *, at_end: bool) -> float | None:
        """Usual difference in ns where the two agree over the whole run, and none of them is missing; else ``None``."""
        if self.good is not None or self.stamped is not None or self.stamps.size < _FEW:
            return None
        spans = self.durations[1:] if at_end else self.durations[:-1]
        steps = np.diff(self.stamps)
        usual = float(np.median(np.abs(steps - spans)))
        length = float(np.median(spans))
        apart = abs(float(spans.sum()) - float(steps.sum()))
        same = apart <= _SAME * float(steps.sum()) + 2 * length and usual <= length / 2
        return usual if same and bool((steps > 0).all()) else None

    def mismatches(self, allowed_ns: int, *, at_end: bool) -> tuple[int, int, int]:
        """How many steps differ by more than ``allowed_ns``, the step that differs most, and by how much."""
        count, worst, largest = 0, 0, -1
        n_steps = self.stamps.size - 1
        for start in range(0, n_steps, _BLOCK):
            off = self.differences(start, min(start + _BLOCK, n_steps), at_end=at_end)
            count += int(np.count_nonzero(off > allowed_ns))
            place = int(np.argmax(off))
            if int(off[place]) > largest:
                worst, largest = start + place, int(off[place])
        return count, worst, largest


def _agreement(
    compared: _Compared, rows: NDArray[np.int64] | None, rules: ClockRules, caveats: list[Caveat]
) -> tuple[bool, bool | None, str]:
    """Whether the time stands at the end of each frame (or at its start), whether all agree, and a sentence.

    ``None`` where they agree over the whole run only: then the timestamps lead.
    """
    allowed = rules.time_resolution_ns + rules.frame_time_resolution_ns + 1
    n_steps = max(0, compared.stamps.size - 1)
    # Equal frame times fit both ways: a clock that starts at 0 starts with the first frame.
    first_is_there = compared.stamped is None or bool(compared.stamped[:1].all())
    at_end = not (first_is_there and compared.stamps.size and int(compared.stamps[0]) == 0)
    count, worst, _ = compared.mismatches(allowed, at_end=at_end)
    if count:
        other = compared.mismatches(allowed, at_end=not at_end)
        if other[0] < count:
            at_end, count, worst = not at_end, other[0], other[1]
    where = "end" if at_end else "start"
    if not count:
        return at_end, True, f"timestamps and frame times agree in all rows (the time marks the {where} of a frame)"
    step = int(compared.stamps[worst + 1]) - int(compared.stamps[worst])
    span = int(compared.durations[worst + int(at_end)])
    numbers = (
        f"in {count} of {n_steps} rows the time column and the frame times differ "
        f"(line {rules.line_of(row_at(rows, worst + 1))}: {step / NS_PER_MS:.6g} ms against {span / NS_PER_MS:.6g} ms)"
    )
    if count > max(3, n_steps // 100) or count * 5 > n_steps:
        shaken = compared.shaken(at_end=at_end)
        if shaken is not None:
            caveats.append(
                Caveat(
                    code="time-columns-differ",
                    message=f"Timestamps and frame times differ by {shaken / NS_PER_MS:.3g} ms in the usual row, and "
                    f"agree over the whole run, as two clocks of one program do; the timestamps were used.",
                    weight=Weight.NOTE,
                )
            )
            return at_end, None, "timestamps and frame times agree over the whole run"
        raise ReadError.at(
            rules.name, numbers, helps="check the units, or choose one of the two columns with --time-column and --unit"
        )
    caveats.append(
        Caveat(code="time-columns-differ", message=numbers[0].upper() + numbers[1:] + "; the frame times were used.")
    )
    return at_end, False, f"timestamps and frame times agree in {n_steps - count} of {n_steps} rows"
