"""Delimited text with one row a frame: from its columns to frames with one rising row of timestamps.

The numbers of the frames say whether some were not logged, rows stand twice, or logs were joined.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from functools import partial
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_array, pa, table_of
from frametime.adapters.base import HEAD_BYTES, ParsedLog, ReadOptions
from frametime.adapters.capture_start import clock_of
from frametime.adapters.columns.column_choice import choose_columns
from frametime.adapters.columns.column_facts import PLAUSIBLE_NS
from frametime.adapters.columns.column_readings import command, middle, refuse_change, styles_of
from frametime.adapters.columns.layout import LAYOUTS_NAME, TIMED_ROLES, Layout, remember, remembered_layout
from frametime.adapters.columns.words import CLOCK, FRAME_MEANINGS, TIME_MEANINGS
from frametime.adapters.file_kind import no_capture, writer_of_text
from frametime.adapters.frames import frame_columns
from frametime.adapters.frames.frame_columns import FrameText, ReadColumns, read_columns, read_other_columns
from frametime.adapters.stored_log import ARROW_HEADS, in_passing
from frametime.adapters.text.cells import NumberStyle
from frametime.adapters.text.dialect import detect_dialect, facts_of, uneven_header
from frametime.adapters.text.text_rows import Dialect, may_lack_digits, scan_rows, with_ending
from frametime.adapters.text.text_source import TextSource, encoding_of, is_binary, not_text, read_in_its_encoding
from frametime.adapters.timeline import ClockRules, Timeline, chosen, from_both, from_frame_times, from_timestamps
from frametime.capture import FRAME_COLUMNS, TIME_COLUMN, RejectedRow
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError
from frametime.units import NS_PER_S
from frametime.words import counted


class FrameLogAdapter:
    """Reads delimited text with one row a frame."""

    name = "delimited-text"

    def recognizes(self, head: bytes) -> bool:
        """Whether the first bytes are text at all."""
        if head.startswith(ARROW_HEADS) or not_text(head) is not None:
            return False
        encoding, bom, _ = encoding_of(head[:HEAD_BYTES], complete=False)
        return not is_binary(head[bom:].rstrip(b"\0").decode(encoding, "replace").encode())

    def parse(self, log: BinaryIO, options: ReadOptions) -> ParsedLog:
        """Read the log.

        Raises
        ------
        ReadError
            If it is no frame log, or can be read only with a guess.
        """
        return read_in_its_encoding(log, options, lambda source: _parse(source, options))


def _parse(source: TextSource, options: ReadOptions) -> ParsedLog:
    if (command := writer_of_text(source.head, source.names)) is not None:
        raise no_capture(source.name, command)
    dialect = detect_dialect(source, options)
    columns_of = (source.name, dialect.names, dialect.n_columns)
    remembered: tuple[Caveat, ...] = ()
    if {options.layout, options.time_column, options.unit} == {None} and (kept := remembered_layout(*columns_of)):
        options = replace(options, layout=kept)
        message = f"Read with the layout that {LAYOUTS_NAME} keeps for logs of these columns."
        remembered = (Caveat(code="layout-remembered", message=message, weight=Weight.NOTE),)
    log = _chosen(source, dialect, options)
    if dialect.has_open_row and (log.source is not source or _ends_in_a_frame_time(log)):
        dialect = with_ending(dialect, source, keeps_open_row=False)
        log = _chosen(source, dialect, options)
    scanned = in_passing(source.stream, partial(scan_rows, source, dialect), use_threads=options.use_threads)
    try:
        columns = read_columns(log)
    finally:
        scan = scanned()  # what it finds is the better reason
    scan = scan if log.source is source else (*scan, *scan_rows(log.source, log.dialect))
    columns.caveats[:0] = (*remembered, *log.choice.caveats, *scan)
    layout, comments = _found_layout(log)
    parsed = assemble(columns, layout, comments)
    if options.remember:
        remember(*columns_of, layout)
    return parsed


def _chosen(source: TextSource, dialect: Dialect, options: ReadOptions) -> FrameText:
    """What is known of the columns, by the first rows that have every cell, and which of them are read.

    Where a name lacks it is that of the first or of the last column, if only one of both gives frames, or moments and
    lengths that agree.
    """
    if dialect.lacks_a_name:
        ways: dict[str, FrameText] = {}
        for place, names in (("last", dialect.names), ("first", ("", *dialect.names[:-1]))):
            with suppress(ReadError):
                ways[place] = _chosen(source, dialect._replace(names=names, lacks_a_name=False), options)
        # What counts by one is the number of a row, whatever its name.
        ways = {
            at: w for at, w in ways.items() if not w.facts[next(iter(w.choice.uses.values())).position].is_counter()
        }
        # Moments and lengths that agree with each other do so by no chance.
        exact = {place: log for place, log in ways.items() if {"time", "frame_time"} <= log.choice.uses.keys()} or ways
        if len(exact) != 1:
            raise uneven_header(source.name, dialect.n_columns - 1, dialect.header_line, dialect.n_columns)
        ((place, log),) = exact.items()
        message = f"The header lacks the name of the {place} column: the numbers fit the other names in no other way."
        told = Caveat(code="header-lacks-name", message=message)
        return log._replace(choice=log.choice._replace(caveats=(told, *log.choice.caveats)))
    facts = facts_of(dialect)
    if (wide := frame_columns.rows_of_moments(source, dialect, facts, options, of_frames=True)) is not None:
        return _chosen(wide, detect_dialect(wide, options)._replace(metadata=dialect.metadata), options)
    styles, why = styles_of(facts, layout := options.layout or Layout())
    own = styles_of([fact for fact in facts if fact.meaning in TIME_MEANINGS | FRAME_MEANINGS], layout)
    if layout.decimal is None and own[0] == (NumberStyle(",", ""),):
        styles, why = own  # whatever mark stands in columns that say nothing of frames
    choice = choose_columns(facts, styles, options, source.name)
    choice.evidence.setdefault("decimal", why)
    return FrameText(source, dialect, tuple(fact._replace(style=choice.style) for fact in facts), choice, options)


def _ends_in_a_frame_time(log: FrameText) -> bool:
    """Whether the last cell of a row is a frame time that may lack digits unseen; a timestamp would run backwards."""
    use, clock = log.choice.uses.get("frame_time"), log.choice.uses.get("time")
    if use is None or use.position < log.dialect.n_columns - 1:
        return False
    length = log.facts[use.position].ns(use.unit, last=True)[-1:]
    step = length[:0] if clock is None else np.diff(log.facts[clock.position].ns(clock.unit, last=True))[-1:]
    is_step = bool((np.abs(step - length[: step.size]) <= 0.01 * step).any())  # of the clock, which says the same
    return not is_step and may_lack_digits(log.facts[use.position].cells, log.choice.style.decimal)


def _found_layout(log: FrameText) -> tuple[Layout, dict[str, str]]:
    """The layout of a log in the form of a layout file, and a sentence for each key that was decided."""
    source, dialect, choice = log.source, log.dialect, log.choice
    first = next(iter(choice.uses.values()))
    assert first.unit is not None
    kind = "timestamp" if "time" in choice.uses else "rate" if first.unit.form == "rate" else "frame time"
    columns: dict[str, Any] = {"time_column": first.ref, "unit": first.unit.name, "kind": kind}
    for role, use in choice.uses.items():
        if use is not first and role != "number":
            columns[f"{role}_column"] = use.ref
            columns |= {f"{role}_unit": use.unit.name} if use.unit is not None else {}
    if source.names is None:
        columns |= {
            "delimiter": dialect.marks.delimiter or "none",
            "decimal": choice.style.decimal,
            "thousands": choice.style.thousands or None,
            "quote": {'"': None, "": "none"}.get(dialect.marks.quote, dialect.marks.quote),
            "encoding": None if source.encoding == "utf-8" else source.encoding,
            "header_line": dialect.header_line,
            "units_line": dialect.units_line or None,
            "first_data_line": dialect.first_data_line,
        }
    layout = Layout(**columns)
    known = {**dialect.evidence, **choice.evidence}
    return layout, {key: text for key, text in known.items() if getattr(layout, key, None) is not None}


_LOOKED_AT: Final = 4096
_LEAST_FOR_TOTALS: Final = 8
_TOTALS: Final = 0.01
_MANY_SHORT: Final = 0.1
"""Share of frames below 0.2 ms that is told (common practice, no source)."""
_PARTS: Final = 20
"""In how many parts of a log, or rows at least, its usual frames are held against each other."""
_COARSE_NS: Final = 50_000
_TOO_COARSE_NS: Final = 2_000_000
_MOMENTS: Final = {"simulation_start": "simulation times", "displayed": "display times"}


def assemble(columns: ReadColumns, layout: Layout, comments: Mapping[str, str]) -> ParsedLog:
    """The frames of a log, with all that is said of it; ``comments`` are a sentence for each key of the layout.

    Raises
    ------
    ReadError
        If fewer than two frames are left, too many rows are rejected, or the times contradict each other.
    """
    columns, log = _checked_rows(columns), columns.log
    timeline = _timeline(columns)
    _tell_single_precision(columns)
    n_selected = columns.n_rows if columns.selected is None else int(columns.selected.size)
    listed = _rejected(columns, n_selected, timeline.bad_rows)
    stamps = timeline.timestamps_ns
    if stamps.size < 3:
        found = "there is only one frame" if stamps.size == 2 else "there is no frame"
        if columns.n_rows > 2 and "time" in columns.times and stamps.size == 1:
            found = f"all {columns.n_rows} rows have the same time"
        helps = "two frames are the least that can be measured; record the run again"
        raise ReadError.at(log.name, found, helps=helps)
    columns.caveats.extend(timeline.caveats)
    # A usual frame time that no game has: the unit may be wrong.
    every = 1 + stamps.size // _LOOKED_AT
    spans = (stamps[1::every] - stamps[:-1:every]).astype(np.float64)
    n = max(spans.size // _PARTS, min(spans.size, _PARTS))
    parts = np.partition(spans[: spans.size // n * n].reshape(-1, n), n // 2)[:, n // 2].tolist()
    refuse_change(log.name, parts, lambda at: columns.line_of(int(timeline.row_of_each()[1 + every * at * n])))
    usual, short = middle(spans), float((spans < PLAUSIBLE_NS[0]).mean())
    if not PLAUSIBLE_NS[0] <= usual <= PLAUSIBLE_NS[1] or short > _MANY_SHORT:
        many = f"{short:.0%} of the frames take less than 0.2 ms"
        found = many if short > _MANY_SHORT else f"The usual frame time is {usual / 1e6:.6g} ms"
        columns.tell("unusual-frame-time", f"{found}; check the unit of the time column.")
    first_ns = int(stamps[0])
    clock, times = log.choice.uses.get("time"), columns.times.get("time")
    kind, why = clock_of(clock and clock.unit, times and times.zoned, first_ns)
    shown, used = str(np.datetime64(first_ns, "ns")), log.choice.used_positions()
    return ParsedLog(
        frames=_frames(timeline, columns, first_ns if kind in ("absolute", "zoneless") else 0),
        rows_read=n_selected - columns.rejected.count,
        rows_rejected=columns.rejected.count,
        rejected_rows=listed,
        layout_toml=layout.to_toml(comments=comments),
        evidence=(*(f"{key}: {text}" for key, text in comments.items()), *timeline.evidence, *([why] if why else [])),
        caveats=tuple(columns.caveats),
        metadata={**log.dialect.metadata, **({"recorded_from_local": shown} if kind == "zoneless" else {})},
        recorded_from_utc=f"{shown}Z" if kind == "absolute" else None,
        other_columns=tuple(fact for fact in log.facts if fact.position not in used and fact.name),
        read_columns=partial(read_other_columns, log, columns.records, timeline.row_of_each),
    )


def _rejected(columns: ReadColumns, n_selected: int, bad: NDArray[np.int64]) -> tuple[RejectedRow, ...]:
    """The first rejected rows, with a caveat that counts all; ``bad`` hold a number that no frame can take.

    Raises
    ------
    ReadError
        If there are too many.
    """
    log, rejected = columns.log, columns.rejected
    if (lengths := columns.times.get("frame_time")) is not None:
        bad = bad[lengths.ok[bad]]
        ms = lengths.ns[bad] / 1e6
        zero, negative = "the frame time is zero", "the frame time is negative ({:g} ms)"
        rejected.add(columns.records_of(bad), lambda at: negative.format(ms[at]) if ms[at] else zero)
    listed = rejected.listed(log.lines_of)
    allowed = int(log.options.max_rejected_fraction * n_selected)
    if log.options.max_rejected_fraction > 0:
        allowed = max(allowed, min(log.options.tolerated_rows, n_selected // 10))
    first = "; ".join(f"line {row.line}: {row.reason}" for row in listed[:3])
    if rejected.count > allowed:
        found = f"{rejected.count} of {n_selected} rows cannot be used, more than the {allowed} allowed ({first})"
        raise ReadError.at(log.name, found, helps="repair the file, or raise --max-rejected")
    if rejected.count:
        more = f"; and {rejected.count - 3} more" if rejected.count > 3 else ""
        columns.tell("rejected-rows", f"{rejected.count} of {n_selected} rows could not be used: {first}{more}.")
    return listed


def _checked_rows(columns: ReadColumns) -> ReadColumns:
    """Without rows that stand twice and a last row of totals, and what the numbers of the frames say."""
    lengths = columns.times.get("frame_time")
    if lengths is not None and (each := chosen(lengths.ns, columns.selected)).size >= _LEAST_FOR_TOTALS:
        last, others = float(each[-1]), float(each[:-1].sum(dtype=np.float64))
        if last > 0 and abs(last - others) <= _TOTALS * others:
            line = columns.line_of(int(columns.rows[-1]))
            message = f"The last row (line {line}) holds the sum of the others; it is left out."
            columns.tell("footer", message, Weight.NOTE)
            columns = columns._replace(selected=columns.rows[:-1])
        same = each[1:] == each[:-1]
        is_again = "number" in columns.times and not np.diff(chosen(columns.times["number"].ns, columns.selected)).all()
        is_alone = "time" not in columns.times and not is_again and same.size > _LEAST_FOR_TOTALS
        if is_alone and same[::2].mean() > _MOSTLY and same[1::2].mean() < 1 - _MOSTLY:
            found = "Each frame time stands twice, one row below the other"
            columns.tell(_NUMBERS, f"{found}: if each was logged twice, or generated, half as many were rendered.")
    return _check_frame_numbers(columns)


def _tell_single_precision(columns: ReadColumns) -> None:
    """A caveat where timestamps in a text have more digits than the single precision that they were kept in."""
    use, times = columns.log.choice.uses.get("time"), columns.times.get("time")
    if use is None or times is None or use.unit is None or use.unit.ns is None or not times.ns.size:
        return
    unit = float(use.unit.ns)
    some = times.ns[:: 1 + times.ns.size // _LOOKED_AT] / unit
    single = some.astype(np.float32)
    step_ns = float(np.spacing(np.abs(single).max())) * unit
    fine = step_ns < max(_COARSE_NS, 2.0 * use.resolution_ns)
    if not fine and (np.abs(some - single) * unit <= 0.51 * use.resolution_ns).all():
        found = f"The timestamps were kept in single precision, which is exact to {step_ns / 2e6:.3g} ms here"
        message = f"{found}: single frames, their percentiles and lows are no finer."
        columns.tell("rounded-timestamps", message, Weight.REPEAT if step_ns > _TOO_COARSE_NS else Weight.CARE)


def _timeline(columns: ReadColumns) -> Timeline:
    log, uses, tick = columns.log, columns.log.choice.uses, None
    unit = uses["time"].unit if "time" in uses else None
    if unit is not None and unit.ns is not None and unit.ns >= 1 and log.facts[uses["time"].position].is_whole:
        tick = int(unit.ns)
    step_ns, span_ns = (uses[role].resolution_ns if role in uses else 1 for role in ("time", "frame_time"))
    both = [str(uses[role].ref) for role in ("time", "frame_time") if {"time", "frame_time"} <= uses.keys()]
    ways = tuple(command(log.name, "--time-column", ref) for ref in both)
    rules = ClockRules(log.name, columns.line_of, log.options.sort, tick, unit is CLOCK, step_ns, span_ns, ways)
    times, lengths = columns.times.get("time"), columns.times.get("frame_time")
    if lengths is None:
        assert times is not None
        return from_timestamps(times, columns.selected, rules)
    if times is None:
        return from_frame_times(lengths, columns.selected, rules)
    return from_both(times, lengths, columns.selected, rules)


def _frames(timeline: Timeline, columns: ReadColumns, shift_ns: int) -> pa.Table:
    stamps = timeline.timestamps_ns
    arrays = {TIME_COLUMN: arrow_array(stamps - shift_ns if shift_ns else stamps)}
    others = {role: values for role, values in columns.times.items() if role in TIMED_ROLES}
    if others or columns.flags:
        rows = timeline.row_of_each()
        inside, present = np.maximum(rows, 0), rows >= 0
    for role, values in others.items():
        ok = present & values.ok[inside]
        ns = values.ns[inside]
        if role in _MOMENTS and not _on_the_clock(ns[ok], stamps[ok]):
            found = f"The column of {_MOMENTS[role]} is on another clock than the timestamps, or in another unit"
            columns.tell("column-not-used", f"{found}; it is not used.")
        else:
            arrays[f"{role}_ns"] = arrow_array(ns - shift_ns if role in _MOMENTS else ns, ok)
    for role, (flags, told) in columns.flags.items():
        ok = present if told is None else present & told[inside]
        arrays["shown"] = arrow_array(flags[inside] == (role == "shown"), ok)
        total = int(np.count_nonzero(present))
        if untold := total - int(np.count_nonzero(ok)):
            found = f"{untold} of {counted(total, 'row')} say neither yes nor no to whether the frame was shown"
            columns.tell("shown-not-told", f"{found}; they are counted as shown.")
    return table_of(arrays, FRAME_COLUMNS)


def _on_the_clock(moments_ns: NDArray[np.int64], stamps: NDArray[np.int64]) -> bool:
    """Whether moments can be set beside the timestamps: they lie near them, and go on as they do."""
    if not moments_ns.size:
        return True
    if not (np.abs(moments_ns - stamps) < 3600 * NS_PER_S).all():
        return False
    gone_on, span = int(moments_ns[-1]) - int(moments_ns[0]), int(stamps[-1]) - int(stamps[0])
    # Only a long stretch tells: a single frame may be shown late.
    return span < NS_PER_S or span <= 2 * gone_on <= 4 * span


_NUMBERS: Final = "frame-numbers"
_MOSTLY: Final = 0.9
_MANY_MISSING: Final = 0.01
"""Share of frames that are missing, or rows out of order, from which the run is to be repeated (common practice)."""


def _check_frame_numbers(columns: ReadColumns) -> ReadColumns:
    """Hold the rows against the numbers of their frames: without those that stand twice.

    Raises
    ------
    ReadError
        If timestamps alone stand in a log that leaves out frames regularly.
    """
    if (number := columns.times.get("number")) is None:
        return columns
    has_one = chosen(number.ok, columns.selected)
    numbers = chosen(number.ns, columns.selected)[has_one]
    steps = np.diff(numbers)
    if count := int(np.count_nonzero(~has_one)):
        if not columns.rejected.count and count <= columns.log.options.tolerated_rows and (steps == 1).all():
            found = counted(count, "row has no number", "rows have no number")
            columns.tell("footer", f"{found}, and none lacks: such are no frames, and left out.", Weight.NOTE)
            columns = columns._replace(selected=columns.rows[has_one])
        return columns
    if (steps == -1).all() and "time" not in columns.times and steps.size > 1:
        columns.tell("rows-sorted", "Frame numbers go down: rows are read from the last up.", Weight.NOTE)
        return columns._replace(selected=columns.rows[::-1])
    # A clock tells whether the newest row stands first.
    if (steps == 1).all() or (steps == -1).all():
        return columns
    again = steps == 0
    times = [columns.times[role] for role in ("time", "frame_time") if role in columns.times]
    each = [np.diff(chosen(time.ns, columns.selected)) for time in times if chosen(time.ok, columns.selected).all()]
    if again.any() and len(each) == len(times) and not any(steps[again].any() for steps in each):
        rows = counted(int(np.count_nonzero(again)), "row stands", "rows stand")
        columns.tell(_NUMBERS, f"{rows} twice, with the same frame number and times; left out once.")
        return _check_frame_numbers(columns._replace(selected=np.delete(columns.rows, np.flatnonzero(again) + 1)))
    usual = int(np.median(steps))
    if usual <= 1 or np.count_nonzero(steps == usual) < _MOSTLY * steps.size:
        _tell_gaps_and_restarts(columns, numbers)
    elif "frame_time" in columns.times:
        columns.tell(_NUMBERS, f"Frame numbers go up by {usual}: one frame of {usual} is logged.")
    else:
        found = f"frame numbers go up by {usual}: only every {usual}th frame is logged, and its time since the row "
        helps = "log every frame, or the length of each"
        raise ReadError.at(columns.log.name, f"{found}before is that of several frames", helps=helps)
    return columns


def _tell_gaps_and_restarts(columns: ReadColumns, numbers: NDArray[np.int64]) -> None:
    steps = np.diff(numbers)
    back, ahead, same = np.flatnonzero(steps < 0), np.flatnonzero(steps > 1), np.flatnonzero(steps == 0)
    if back.size > max(3, steps.size // 100):
        said = f"Rows do not stand in the order of their frame numbers ({counted(back.size, 'step')} back)."
        columns.tell(_NUMBERS, said, Weight.REPEAT)
        return
    if back.size:
        line = columns.line_of(int(columns.rows[back[0] + 1]))
        said = f"Frame numbers begin again at line {line}: several recordings may have been joined."
        columns.tell(_NUMBERS, said, Weight.REPEAT)
    if ahead.size:
        missing, first = int((steps[ahead] - 1).sum()), int(ahead[0])
        are, line = counted(missing, "frame number is", "frame numbers are"), columns.line_of(int(columns.rows[first]))
        said = f"{are} missing, first after {int(numbers[first])} (line {line}): these frames were not logged."
        columns.tell(_NUMBERS, said, Weight.REPEAT if missing > _MANY_MISSING * steps.size else Weight.CARE)
    if same.size:
        rows = counted(int(same.size), "row has", "rows have")
        columns.tell(_NUMBERS, f"{rows} the frame number of the row before, with another time.")
