"""A log with timestamps and frame times: they must agree, and then give a frame for each row."""

from __future__ import annotations

from typing import Final

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
    from_frame_times,
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
    if times.ok is not None:
        return _by_lengths_alone(stamps, chosen(times.ok, rows), frame_times, rows, rules)
    caveats: list[Caveat] = []
    stamps = unwrapped(stamps, rules, caveats)
    order = order_of_time(stamps, rows, rules, caveats)
    order = _without_repeated_rows(stamps, durations, order, rules, caveats)
    if order is not None:
        stamps, durations = stamps[order], durations[order]
        good = None if good is None else good[order]
        rows = order if rows is None else rows[order]
    at_end, in_rows, evidence = _agreement(stamps, durations, good, rows, rules, caveats)
    finer = in_rows and rules.time_resolution_ns < rules.frame_time_resolution_ns
    if good is None and (in_rows is None or finer):
        edge = stamps[0] - durations[0] if at_end else stamps[-1] + durations[-1]
        line = np.concatenate([[edge], stamps] if at_end else [stamps, [edge]])
        if (line[1:] > line[:-1]).all():
            why = "are written more finely, so they give" if in_rows else "give"
            return Timeline(
                line, rows, True, NO_ROWS, tuple(caveats), (f"{evidence}; the timestamps {why} the differences",)
            )
    first, bad = 0, NO_ROWS
    origin = int(stamps[0]) - int(durations[0]) * at_end if stamps.size else 0
    if good is not None:
        if good.any():
            first, last = (int(place) for place in np.flatnonzero(good)[[0, -1]])
            origin = int(stamps[first]) - int(durations[first]) * at_end
            between = slice(first + 1, last + 1)
            left_out = int(stamps[last] - stamps[first]) - int(durations[between][good[between]].sum())
        durations, rows, bad = good_only(durations, good, rows)
        if bad.size:
            caveats.append(hole_caveat(int(bad.size), left_out if durations.size else None))
    evidence += "; the frame times give the differences"
    return Timeline(cumulated(origin, durations, rules), rows, True, bad, tuple(caveats), (evidence,))


def _by_lengths_alone(
    stamps: NDArray[np.int64],
    stamped: NDArray[np.bool_],
    frame_times: TimeValues,
    rows: NDArray[np.int64] | None,
    rules: ClockRules,
) -> Timeline:
    """Frame times placed by the first time that can be read; that times are missing is told."""
    missing = np.flatnonzero(~stamped)
    durations, good = usable_frame_times(frame_times, rows)
    usable = stamped if good is None else stamped & good
    origin = 0
    if usable.any():
        first = int(np.argmax(usable))
        until = slice(0, first + int(stamps[first] != 0))  # a clock that stands at 0 stands at the start of a frame
        origin = int(stamps[first]) - int(durations[until].sum(where=True if good is None else good[until]))
    timeline = from_frame_times(frame_times, rows, rules, origin_ns=origin)
    message = (
        f"In {missing.size} of {counted(stamped.size, 'row')} the time cannot be read (first in line "
        f"{rules.line_of(row_at(rows, int(missing[0])))}); the frame times were used."
    )
    told = Caveat(code="time-cells-unread", message=message, weight=Weight.NOTE)
    evidence = "times are missing in the time column; the frame times give the differences"
    return timeline._replace(caveats=(told, *timeline.caveats), evidence=(evidence,))


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
    kept = np.delete(np.arange(stamps.size, dtype=np.int64), repeated)
    return kept if order is None else order[kept]


def _mismatches(
    stamps: NDArray[np.int64],
    durations: NDArray[np.int64],
    good: NDArray[np.bool_] | None,
    allowed_ns: int,
    *,
    at_end: bool,
) -> tuple[int, int]:
    """How many steps of the timestamps differ from the frame times by more than ``allowed_ns``, and which most."""
    count, worst, largest = 0, 0, -1
    shift, n_steps = int(at_end), stamps.size - 1
    for start in range(0, n_steps, _BLOCK):
        stop = min(start + _BLOCK, n_steps)
        off = np.abs(np.diff(stamps[start : stop + 1]) - durations[start + shift : stop + shift])
        if good is not None:
            off[~good[start + shift : stop + shift]] = 0
        count += int(np.count_nonzero(off > allowed_ns))
        place = int(np.argmax(off))
        if int(off[place]) > largest:
            worst, largest = start + place, int(off[place])
    return count, worst


def _shaken(stamps: NDArray[np.int64], spans: NDArray[np.int64]) -> float | None:
    """Usual difference in ns where the two agree over the whole run; else ``None``."""
    steps = np.diff(stamps)
    usual = float(np.median(np.abs(steps - spans)))
    length = float(np.median(spans))
    apart = abs(float(spans.sum()) - float(steps.sum()))
    same = apart <= _SAME * float(steps.sum()) + 2 * length and usual <= length / 2
    return usual if same and stamps.size >= _FEW and bool((steps > 0).all()) else None


def _agreement(
    stamps: NDArray[np.int64],
    durations: NDArray[np.int64],
    good: NDArray[np.bool_] | None,
    rows: NDArray[np.int64] | None,
    rules: ClockRules,
    caveats: list[Caveat],
) -> tuple[bool, bool | None, str]:
    """Whether the time stands at the end of each frame (or at its start), whether all agree, and a sentence.

    ``None`` where they agree over the whole run only: then the timestamps lead.
    """
    allowed = rules.time_resolution_ns + rules.frame_time_resolution_ns + 1
    n_steps = max(0, stamps.size - 1)
    # Equal frame times fit both ways: a clock that starts at 0 starts with the first frame.
    at_end = not (stamps.size and int(stamps[0]) == 0)
    count, worst = _mismatches(stamps, durations, good, allowed, at_end=at_end)
    if count:
        other = _mismatches(stamps, durations, good, allowed, at_end=not at_end)
        if other[0] < count:
            at_end, (count, worst) = not at_end, other
    if not count:
        where = "end" if at_end else "start"
        return at_end, True, f"timestamps and frame times agree in all rows (the time marks the {where} of a frame)"
    step = int(stamps[worst + 1]) - int(stamps[worst])
    span = int(durations[worst + int(at_end)])
    numbers = (
        f"n {count} of {n_steps} rows the time column and the frame times differ "
        f"(line {rules.line_of(row_at(rows, worst + 1))}: {step / NS_PER_MS:.6g} ms against {span / NS_PER_MS:.6g} ms)"
    )
    if count <= max(3, n_steps // 100) and count * 5 <= n_steps:
        caveats.append(Caveat(code="time-columns-differ", message=f"I{numbers}; the frame times were used."))
        return at_end, False, f"timestamps and frame times agree in {n_steps - count} of {n_steps} rows"
    shaken = None if good is not None else _shaken(stamps, durations[1:] if at_end else durations[:-1])
    if shaken is None:
        helps = "check the units, or choose one of the two columns with --time-column and --unit"
        raise ReadError.at(rules.name, f"i{numbers}", helps=helps)
    message = (
        f"Timestamps and frame times differ by {shaken / NS_PER_MS:.3g} ms in the usual row, and agree over the whole "
        "run, as two clocks of one program do; the timestamps were used."
    )
    caveats.append(Caveat(code="time-columns-differ", message=message, weight=Weight.NOTE))
    return at_end, None, "timestamps and frame times agree over the whole run"
