"""From the columns of a log, however it was stored, to frames with one rising row of timestamps.

The numbers of the frames say whether some were not logged, rows stand twice, or logs were joined.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array
from frametime.adapters.base import OtherColumn, ParsedLog
from frametime.adapters.capture_start import SINCE_1970_NS, ClockKind
from frametime.adapters.columns.column_facts import PLAUSIBLE_NS, TIMED_ROLES, ColumnChoice, ColumnUse
from frametime.adapters.columns.column_readings import middle
from frametime.adapters.columns.words import CLOCK
from frametime.adapters.frames.frame_columns import FrameText, ReadColumns
from frametime.adapters.text.cells import is_value, kind_of
from frametime.adapters.time_values import TimeValues
from frametime.adapters.timeline import ClockRules, Timeline, from_both, from_frame_times, from_timestamps
from frametime.capture import FRAME_COLUMNS, TIME_COLUMN
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_S
from frametime.words import counted

if TYPE_CHECKING:
    import pyarrow as pa


_LEAST_FOR_TOTALS: Final = 8
_TOTALS: Final = 0.01
_COARSE_NS: Final = 50_000
_TOO_COARSE_NS: Final = 2_000_000
_MOMENTS: Final = {"simulation_start": "simulation times", "displayed": "display times"}
_NEAR_NS: Final = 3600 * NS_PER_S
_LONG_NS: Final = NS_PER_S


def assemble(columns: ReadColumns) -> tuple[ParsedLog, NDArray[np.int64]]:
    """The frames of a log, and the row of the table that each timestamp belongs to (-1: none).

    Raises
    ------
    ReadError
        If fewer than two frames are left, too many rows are rejected, or the times contradict each other.
    """
    name, choice = columns.log.name, columns.log.choice
    columns, told = _checked_rows(columns)
    timeline = _timeline(columns)
    rejected = columns.rejected
    n_selected = columns.n_rows if columns.selected is None else int(columns.selected.size)
    _reject_bad_durations(timeline, columns)
    listed = rejected.listed(columns.log.lines_of)
    left_out = rejected.told(name, n_selected + rejected.not_rows, columns.log.options, listed)
    stamps = timeline.timestamps_ns
    if stamps.size < 3:
        found = "there is only one frame" if stamps.size == 2 else "there is no frame"
        if columns.n_rows > 2 and "time" in columns.times and stamps.size == 1:
            found = f"all {columns.n_rows} rows have the same time"
        helps = "two frames are the least that can be measured; record the run again"
        raise ReadError.at(name, found, helps=helps)
    first_ns = int(stamps[0])
    kind, why = _clock_of(choice.time, columns.times.get("time"), first_ns)
    shown = str(np.datetime64(first_ns, "ns"))
    frames, unused = _frames(timeline, columns, first_ns if kind != "elapsed" else 0)
    precision = _single_precision(choice, columns)
    log = ParsedLog(
        frames=frames,
        rows_read=n_selected - rejected.count + rejected.not_rows,
        rows_rejected=rejected.count,
        rejected_rows=listed,
        evidence=(*timeline.evidence, *([why] if why else [])),
        caveats=(*columns.caveats, *told, *precision, *left_out, *timeline.caveats, *_plausibility(stamps), *unused),
        metadata={"recorded_from_local": shown} if kind == "zoneless" else {},
        recorded_from_utc=f"{shown}Z" if kind == "absolute" else None,
        other_columns=_unused_columns(columns.log),
    )
    return log, timeline.row_of_each()


def _clock_of(use: ColumnUse | None, times: TimeValues | None, first_ns: int) -> tuple[ClockKind, str]:
    """The kind of clock that the column of timestamps is on, and why; the first stands at ``first_ns``."""
    if use is None or times is None or use.unit is None:
        return "elapsed", ""
    if times.zoned is not None:
        zoneless = "the dates name no zone, so they are not taken as UTC"
        return ("absolute", "the dates name their zone") if times.zoned else ("zoneless", zoneless)
    if use.unit.form == "number" and SINCE_1970_NS[0] <= first_ns <= SINCE_1970_NS[1]:
        return "absolute", f"the times count from 1970: the first is {np.datetime64(first_ns, 'ns')} UTC"
    return "elapsed", ""


def _checked_rows(columns: ReadColumns) -> tuple[ReadColumns, tuple[Caveat, ...]]:
    """Without rows that stand twice and a last row of totals, and what the numbers of the frames say."""
    rows = np.arange(columns.n_rows, dtype=np.int64) if columns.selected is None else columns.selected
    caveats: list[Caveat] = []
    kept, lengths = rows, columns.times.get("frame_time")
    if lengths is not None and rows.size >= _LEAST_FOR_TOTALS:
        each = lengths.ns[rows].astype(np.float64)
        others = float(each[:-1].sum())
        if each[-1] > 0 and abs(each[-1] - others) <= _TOTALS * others:
            kept = rows[:-1]
            line = columns.line_of(int(rows[-1]))
            message = f"The last row (line {line}) holds the sum of the others; it is left out."
            caveats.append(Caveat(code="footer", message=message, weight=Weight.NOTE))
    kept, told = _check_frame_numbers(columns, kept)
    caveats += told
    return (columns if kept.size == rows.size else columns._replace(selected=kept)), tuple(caveats)


def _single_precision(choice: ColumnChoice, columns: ReadColumns) -> tuple[Caveat, ...]:
    """A caveat where timestamps in a text have more digits than the single precision that they were kept in."""
    use, times = choice.time, columns.times.get("time")
    if use is None or times is None or use.unit is None or use.unit.ns is None or not times.ns.size:
        return ()
    unit = float(use.unit.ns)
    some = times.ns[np.linspace(0, times.ns.size - 1, min(times.ns.size, 4096)).astype(np.int64)] / unit
    single = some.astype(np.float32)
    step_ns = float(np.spacing(np.abs(single).max())) * unit
    if step_ns < max(_COARSE_NS, 2.0 * use.resolution_ns):
        return ()
    if (np.abs(some - single) * unit > 0.51 * use.resolution_ns).any():
        return ()
    message = (
        f"The timestamps were kept in single precision, which is exact to {step_ns / 2e6:.3g} ms here: single frames, "
        "their percentiles and lows are no finer."
    )
    weight = Weight.REPEAT if step_ns > _TOO_COARSE_NS else Weight.CARE
    return (Caveat(code="rounded-timestamps", message=message, weight=weight),)


def _unused_columns(log: FrameText) -> tuple[OtherColumn, ...]:
    used = log.choice.used_positions()
    unused = [(fact, fact.said.other_unit) for fact in log.facts if fact.position not in used and fact.name]
    return tuple(
        OtherColumn(fact.name, fact.position, unit.name if unit is not None and unit.factor == 1 else None, fact.cells)
        for fact, unit in unused
    )


def _plausibility(stamps: NDArray[np.int64]) -> tuple[Caveat, ...]:
    """A caveat where the usual frame time is none that games have: the unit may be wrong."""
    looked_at = np.linspace(0, stamps.size - 2, min(stamps.size - 1, 4096)).astype(np.int64)
    usual = middle((stamps[looked_at + 1] - stamps[looked_at]).astype(np.float64))
    if PLAUSIBLE_NS[0] <= usual <= PLAUSIBLE_NS[1]:
        return ()
    message = f"The usual frame time is {usual / 1e6:.6g} ms; check the unit of the time column."
    return (Caveat(code="unusual-frame-time", message=message),)


def _timeline(columns: ReadColumns) -> Timeline:
    log, choice = columns.log, columns.log.choice
    clock, tick = choice.time, None
    if clock is not None and clock.unit is not None and clock.unit.ns is not None and clock.unit.ns >= 1:
        cells = [cell.strip().lstrip("-") for cell in log.facts[clock.position].cells if is_value(kind_of(cell))]
        tick = int(clock.unit.ns) if all(map(str.isdecimal, cells)) else None
    rules = ClockRules(
        name=log.name,
        line_of=columns.line_of,
        sort=log.options.sort,
        tick_ns=tick,
        wraps_daily=clock is not None and clock.unit is CLOCK,
        time_resolution_ns=1 if clock is None else clock.resolution_ns,
        frame_time_resolution_ns=1 if choice.frame_time is None else choice.frame_time.resolution_ns,
    )
    times, lengths = columns.times.get("time"), columns.times.get("frame_time")
    if lengths is None:
        assert times is not None
        return from_timestamps(times, columns.selected, rules)
    if times is None:
        return from_frame_times(lengths, columns.selected, rules)
    return from_both(times, lengths, columns.selected, rules)


def _reject_bad_durations(timeline: Timeline, columns: ReadColumns) -> None:
    """List the rows whose frame time is a number, but not one that a frame can take."""
    lengths, bad = columns.times.get("frame_time"), timeline.bad_rows
    if lengths is None:
        return
    bad = bad if lengths.ok is None else bad[lengths.ok[bad]]

    def reason(at: int) -> str:
        ns = int(lengths.ns[bad[at]])
        return "the frame time is zero" if ns == 0 else f"the frame time is negative ({ns / 1e6:g} ms)"

    columns.rejected.add(columns.records_of(bad), reason)


def _frames(timeline: Timeline, columns: ReadColumns, shift_ns: int) -> tuple[pa.Table, tuple[Caveat, ...]]:
    import pyarrow as pa

    stamps = timeline.timestamps_ns
    arrays = {TIME_COLUMN: arrow_array(stamps - shift_ns if shift_ns else stamps)}
    caveats = []
    others = {role: values for role, values in columns.times.items() if role in TIMED_ROLES}
    if others or columns.flags:
        rows = timeline.row_of_each()
        inside, present = np.maximum(rows, 0), rows >= 0
    for role, values in others.items():
        ok = present if values.ok is None else present & values.ok[inside]
        ns = values.ns[inside]
        if role in _MOMENTS:
            if not _on_the_clock(ns[ok], stamps[ok]):
                message = (
                    f"The column of {_MOMENTS[role]} is on another clock than the timestamps, or in another unit; it "
                    "is not used."
                )
                caveats.append(Caveat(code="column-not-used", message=message))
                continue
            ns = ns - shift_ns
        arrays[f"{role}_ns"] = arrow_array(ns, ok)
    for role, (flags, told) in columns.flags.items():
        ok = present if told is None else present & told[inside]
        arrays["shown"] = arrow_array(flags[inside] == (role == "shown"), ok)
        total = int(np.count_nonzero(present))
        if untold := total - int(np.count_nonzero(ok)):
            message = (
                f"{untold} of {counted(total, 'row')} say neither yes nor no to whether the frame was shown; they are "
                "counted as shown."
            )
            caveats.append(Caveat(code="shown-not-told", message=message))
    fields = [pa.field(name, array.type, metadata={"unit": FRAME_COLUMNS[name][1]}) for name, array in arrays.items()]
    return pa.Table.from_arrays(list(arrays.values()), schema=pa.schema(fields)), tuple(caveats)


def _on_the_clock(moments_ns: NDArray[np.int64], stamps: NDArray[np.int64]) -> bool:
    """Whether moments can be set beside the timestamps: they lie near them, and go on as they do."""
    if not moments_ns.size:
        return True
    if not (np.abs(moments_ns - stamps) < _NEAR_NS).all():
        return False
    gone_on, span = int(moments_ns[-1]) - int(moments_ns[0]), int(stamps[-1]) - int(stamps[0])
    # Only a long stretch tells: a single frame may be shown late.
    return span < _LONG_NS or span <= 2 * gone_on <= 4 * span


_MOSTLY: Final = 0.9
_MANY_MISSING: Final = 0.01
"""Share of frames that are missing, or rows out of order, from which the run is to be repeated (common practice)."""


def _check_frame_numbers(columns: ReadColumns, kept: NDArray[np.int64]) -> tuple[NDArray[np.int64], tuple[Caveat, ...]]:
    """Hold the rows that are ``kept`` against the numbers of their frames: those that are left, and what is to be told.

    Raises
    ------
    ReadError
        If timestamps alone stand in a log that leaves out frames regularly.
    """
    number = columns.number
    if number is None or not (number.ok is None or number.ok[kept].all()):
        return kept, ()
    numbers = number.ns[kept]
    steps = np.diff(numbers)
    if not steps.size or (steps == 1).all():
        return kept, ()
    again = steps == 0
    times = [columns.times[role].ns[kept] for role in ("time", "frame_time") if role in columns.times]
    if again.any() and all((np.diff(column)[again] == 0).all() for column in times):
        fewer, rest = _check_frame_numbers(columns, np.delete(kept, np.flatnonzero(again) + 1))
        rows = counted(int(np.count_nonzero(again)), "row stands", "rows stand")
        return fewer, (_caveat(f"{rows} twice, with the same frame number and times; left out once."), *rest)
    usual = int(np.median(steps))
    if usual > 1 and np.count_nonzero(steps == usual) >= _MOSTLY * steps.size:
        if "frame_time" not in columns.times:
            found = f"frame numbers go up by {usual}: only every {usual}th frame is logged, and its time since the row "
            helps = "log every frame, or the length of each"
            raise ReadError.at(columns.log.name, f"{found}before is that of several frames", helps=helps)
        return kept, (_caveat(f"Frame numbers go up by {usual}: one frame of {usual} is logged."),)
    return kept, _gaps_and_restarts(steps, numbers, columns, kept)


def _gaps_and_restarts(
    steps: NDArray[np.int64], numbers: NDArray[np.int64], columns: ReadColumns, kept: NDArray[np.int64]
) -> tuple[Caveat, ...]:
    back, ahead, same = np.flatnonzero(steps < 0), np.flatnonzero(steps > 1), np.flatnonzero(steps == 0)
    if back.size > max(3, steps.size // 100):
        said = f"Rows do not stand in the order of their frame numbers ({counted(back.size, 'step')} back)."
        return (_caveat(said, Weight.REPEAT),)
    caveats = []
    if back.size:
        line = columns.line_of(int(kept[back[0] + 1]))
        said = f"Frame numbers begin again at line {line}: several recordings may have been joined."
        caveats.append(_caveat(said, Weight.REPEAT))
    if ahead.size:
        missing = int((steps[ahead] - 1).sum())
        first = int(ahead[0])
        many = missing > _MANY_MISSING * steps.size
        said = (
            f"{counted(missing, 'frame number is', 'frame numbers are')} missing, first after {int(numbers[first])} "
            f"(line {columns.line_of(int(kept[first]))}): these frames were not logged."
        )
        caveats.append(_caveat(said, Weight.REPEAT if many else Weight.CARE))
    if same.size:
        rows = counted(int(same.size), "row has", "rows have")
        caveats.append(_caveat(f"{rows} the frame number of the row before, with another time."))
    return tuple(caveats)


def _caveat(message: str, weight: Weight = Weight.CARE) -> Caveat:
    return Caveat(code="frame-numbers", message=message, weight=weight)
