"""From the columns of a log, however it was stored, to frames with one rising row of timestamps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_bool, arrow_int64
from frametime.adapters.base import OtherColumn, ParsedLog, ReadOptions
from frametime.adapters.clocks.agreeing_times import from_both
from frametime.adapters.clocks.time_values import TimeValues
from frametime.adapters.clocks.timeline import ClockRules, Timeline, from_frame_times, from_timestamps
from frametime.adapters.columns.column_facts import PLAUSIBLE_NS, TIMED_ROLES, ColumnChoice, ColumnFacts, ColumnUse
from frametime.adapters.columns.words import CLOCK
from frametime.adapters.frames.frame_columns import ReadColumns
from frametime.adapters.frames.frame_numbers import check_frame_numbers
from frametime.adapters.text.cell_kind import is_value, kind_of
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
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
# No machine has run for 30 years since it was switched on: such a count is one since 1970.
_FIRST_ABSOLUTE_NS: Final = 946_684_800 * NS_PER_S
_LAST_ABSOLUTE_NS: Final = 4_102_444_800 * NS_PER_S


class ClockOrigin(NamedTuple):
    """By how much timestamps are moved so that the first is near 0, and the absolute time of 0."""

    shift_ns: int = 0
    recorded_from_utc: str | None = None
    metadata: Mapping[str, str] = MappingProxyType({})
    evidence: tuple[str, ...] = ()


def clock_origin(use: ColumnUse | None, times: TimeValues | None, stamps: NDArray[np.int64]) -> ClockOrigin:
    """The origin of a timeline.

    Parameters
    ----------
    use : ColumnUse or None
        The column of timestamps.
    times : TimeValues or None
    stamps : ndarray of int64
        Timestamps of the frames.
    """
    if use is None or times is None or use.unit is None:
        return ClockOrigin()
    first = int(stamps[0])
    if times.zoned is not None:
        if times.zoned:
            return ClockOrigin(
                shift_ns=first, recorded_from_utc=_iso(first) + "Z", evidence=("the dates name their zone",)
            )
        return ClockOrigin(
            shift_ns=first,
            metadata={"recorded_from_local": _iso(first)},
            evidence=("the dates name no zone, so they are not taken as UTC",),
        )
    if use.unit.form == "number" and _FIRST_ABSOLUTE_NS <= first <= _LAST_ABSOLUTE_NS:
        return ClockOrigin(
            shift_ns=first,
            recorded_from_utc=_iso(first) + "Z",
            evidence=(f"the times count from 1970: the first is {_iso(first)} UTC",),
        )
    return ClockOrigin()


def _iso(ns: int) -> str:
    seconds, rest = divmod(ns, NS_PER_S)
    return f"{(_EPOCH + timedelta(seconds=seconds)).strftime('%Y-%m-%dT%H:%M:%S')}.{rest:09d}"


_MOMENTS: Final = MappingProxyType({"simulation_start": "simulation times", "displayed": "display times"})
_NEAR_NS: Final = 3600 * NS_PER_S
_LONG_NS: Final = NS_PER_S


class Assembled(NamedTuple):
    """A parsed log, and the timeline that says which row of the table each timestamp belongs to."""

    log: ParsedLog
    timeline: Timeline


def assemble(
    name: str,
    facts: Sequence[ColumnFacts],
    choice: ColumnChoice,
    columns: ReadColumns,
    options: ReadOptions,
    *,
    layout_toml: str,
    evidence: tuple[str, ...],
    caveats: tuple[Caveat, ...],
    metadata: Mapping[str, str],
) -> Assembled:
    """Build the timeline and the frames from the columns that were read.

    Raises
    ------
    ReadError
        If fewer than two frames are left, too many rows are rejected, or the times contradict each other.
    """
    columns, told = _checked_rows(name, columns)
    timeline = _timeline(name, facts, choice, columns, options)
    rejected = columns.rejected
    n_selected = columns.n_rows if columns.selected is None else int(columns.selected.size)
    _reject_bad_durations(timeline, columns)
    listed = rejected.listed(columns.lines_of)
    left_out = rejected.told(name, n_selected + rejected.not_rows, options, listed)
    stamps = timeline.timestamps_ns
    if stamps.size < 3:
        raise _too_few(name, columns, timeline)
    origin = clock_origin(choice.time, columns.times.get("time"), stamps)
    frames, unused = _frames(stamps, timeline, columns, origin)
    log = ParsedLog(
        frames=frames,
        rows_read=n_selected - rejected.count + rejected.not_rows,
        rows_rejected=rejected.count,
        rejected_rows=listed,
        layout_toml=layout_toml,
        evidence=evidence + timeline.evidence + origin.evidence,
        caveats=(
            *caveats,
            *columns.caveats,
            *told,
            *_single_precision(choice, columns),
            *left_out,
            *timeline.caveats,
            *_plausibility(stamps),
            *unused,
        ),
        metadata={**metadata, **origin.metadata},
        recorded_from_utc=origin.recorded_from_utc,
        other_columns=_unused_columns(facts, choice),
    )
    return Assembled(log=log, timeline=timeline)


def _checked_rows(name: str, columns: ReadColumns) -> tuple[ReadColumns, tuple[Caveat, ...]]:
    """Without rows that stand twice and a last row of totals, and what the numbers of the frames say."""
    rows = np.arange(columns.n_rows, dtype=np.int64) if columns.selected is None else columns.selected
    caveats: list[Caveat] = []
    kept, lengths, number = rows, columns.times.get("frame_time"), columns.number
    if lengths is not None and rows.size >= _LEAST_FOR_TOTALS:
        each = lengths.ns[rows].astype(np.float64)
        others = float(each[:-1].sum())
        if each[-1] > 0 and abs(each[-1] - others) <= _TOTALS * others:
            kept = rows[:-1]
            line = columns.line_of(int(rows[-1]))
            message = f"The last row (line {line}) holds the sum of the others; it is left out."
            caveats.append(Caveat(code="footer", message=message, weight=Weight.NOTE))
    if number is not None and (number.ok is None or number.ok[kept].all()):
        found = check_frame_numbers(
            number.ns[kept],
            tuple(columns.times[role].ns[kept] for role in ("time", "frame_time") if role in columns.times),
            has_lengths=lengths is not None,
            name=name,
            line_of=lambda row: columns.line_of(int(kept[row])),
        )
        caveats += found.caveats
        kept = kept if found.kept is None else kept[found.kept]
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
    return (
        Caveat(
            code="rounded-timestamps",
            message=f"The timestamps were kept in single precision, which is exact to {step_ns / 2e6:.3g} ms here: "
            "single frames, their percentiles and lows are no finer.",
            weight=Weight.REPEAT if step_ns > _TOO_COARSE_NS else Weight.CARE,
        ),
    )


def _unused_columns(facts: Sequence[ColumnFacts], choice: ColumnChoice) -> tuple[OtherColumn, ...]:
    used = choice.used_positions()
    unused = [(fact, fact.said.other_unit) for fact in facts if fact.position not in used and fact.name]
    return tuple(
        OtherColumn(fact.name, fact.position, unit.name if unit is not None and unit.factor == 1 else None, fact.cells)
        for fact, unit in unused
    )


def _plausibility(stamps: NDArray[np.int64]) -> tuple[Caveat, ...]:
    """A caveat where the usual frame time is none that games have: the unit may be wrong."""
    looked_at = np.linspace(0, stamps.size - 2, min(stamps.size - 1, 4096)).astype(np.int64)
    steps = np.sort(stamps[looked_at + 1] - stamps[looked_at])
    middle = int(steps[steps.size // 2])
    if PLAUSIBLE_NS[0] <= middle <= PLAUSIBLE_NS[1]:
        return ()
    return (
        Caveat(
            code="unusual-frame-time",
            message=f"The usual frame time is {middle / 1e6:.6g} ms; check the unit of the time column.",
        ),
    )


def _timeline(
    name: str, facts: Sequence[ColumnFacts], choice: ColumnChoice, columns: ReadColumns, options: ReadOptions
) -> Timeline:
    def resolution(use: ColumnUse | None) -> int:
        return 1 if use is None or use.unit is None else use.resolution_ns

    tick = None
    if choice.time is not None and choice.time.unit is not None and choice.time.unit.ns is not None:
        cells = facts[choice.time.position].cells
        counts = all(cell.strip().lstrip("-").isdecimal() for cell in cells if is_value(kind_of(cell)))
        if counts and choice.time.unit.ns >= 1:
            tick = int(choice.time.unit.ns)
    rules = ClockRules(
        name=name,
        line_of=columns.line_of,
        sort=options.sort,
        tick_ns=tick,
        wraps_daily=choice.time is not None and choice.time.unit is CLOCK,
        time_resolution_ns=resolution(choice.time),
        frame_time_resolution_ns=resolution(choice.frame_time),
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


def _too_few(name: str, columns: ReadColumns, timeline: Timeline) -> ReadError:
    n_frames = max(0, timeline.timestamps_ns.size - 1)
    found = "there is only one frame" if n_frames == 1 else "there is no frame"
    if columns.n_rows > 2 and "time" in columns.times and timeline.timestamps_ns.size == 1:
        found = f"all {columns.n_rows} rows have the same time"
    return ReadError.at(name, found, helps="two frames are the least that can be measured; record the run again")


def _frames(
    stamps: NDArray[np.int64], timeline: Timeline, columns: ReadColumns, origin: ClockOrigin
) -> tuple[pa.Table, tuple[Caveat, ...]]:
    import pyarrow as pa

    arrays = {TIME_COLUMN: arrow_int64(stamps - origin.shift_ns if origin.shift_ns else stamps)}
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
            ns = ns - origin.shift_ns
        arrays[TIMED_ROLES[role]] = arrow_int64(ns, ok)
    for role, (flags, told) in columns.flags.items():
        ok = present if told is None else present & told[inside]
        arrays["shown"] = arrow_bool(flags[inside] == (role == "shown"), ok)
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
