"""What is said when a log leaves open which column is the time: the finding, and the commands that settle it."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns.column_facts import ColumnFacts
from frametime.adapters.columns.column_readings import Course, Reading, course_of, is_counter, middle, usual_units
from frametime.adapters.columns.header_words import Meaning
from frametime.adapters.columns.layout import ColumnRef
from frametime.adapters.columns.words import words_of
from frametime.adapters.text.cells import POINT, NumberStyle
from frametime.errors import ReadError, did_you_mean, printable
from frametime.words import counted, joined

_LISTED: Final = 6
_SLOW_NS: Final = 95e6
_EVEN: Final = 0.25
_ROWS_APART: Final = 3.0
"""Rows this many times as far apart as the frames that they tell of are summaries (common practice, no source)."""


def command(name: str, *options: str) -> str:
    """A complete command that reads a log with these options, ready to copy."""
    return " ".join(["frametime check", shlex.quote(printable(name)), *map(shlex.quote, options)])


def settling(name: str, reading: Reading) -> str:
    """The command that takes one reading of a column."""
    ref = str(reading.fact.ref)
    if printable(ref, limit=80) != ref or (isinstance(reading.fact.ref, str) and ref.strip().isdecimal()):
        ref = str(reading.fact.position + 1)
    column = f"--time-column={ref}" if ref.startswith("-") else "--time-column"
    options = [column] if "=" in column else [column, ref]
    return command(name, *options, "--unit", reading.unit.name, "--kind", reading.kind.replace(" ", "-"))


def _ways(name: str, readings: Sequence[Reading]) -> str:
    return "  or  ".join(f"{settling(name, each)}  ({each.said_rate} on average)" for each in readings[:_LISTED])


def several_readings(name: str, readings: Sequence[Reading], fact: ColumnFacts | None) -> ReadError:
    """Several readings are left that give different numbers."""
    column = None if fact is None else (fact.name or str(fact.position + 1))
    found = f"it can be read in {len(readings)} ways that differ"
    return ReadError.at(name, found, column=column, helps=f"settle it with  {_ways(name, readings)}")


def several_styles(name: str, facts: Sequence[ColumnFacts], styles: Sequence[NumberStyle]) -> ReadError:
    """Both ways of reading numbers give frames."""
    mark, word = (".", "point") if POINT in styles else (",", "comma")
    shown = next((c.strip() for f in facts for c in f.cells if f.numeric and mark in c), f"1{mark}000")
    other = "," if mark == "." else "."
    found = f"numbers such as {shown!r} can be read with a decimal {word} or with {word}s between thousands"
    helps = f"settle it with  {command(name, '--decimal', mark)}  or  {command(name, '--decimal', other)}"
    return ReadError.at(name, found, helps=helps)


def impossible_unit(name: str, reading: Reading, style: NumberStyle) -> ReadError:
    """The unit that is stated gives frames that cannot be."""
    fact = reading.fact
    column = fact.name or str(fact.position + 1)
    with_comma, with_point = (
        next((c.strip() for c in fact.cells if mark in c and other not in c), None) for mark, other in (",.", ".,")
    )
    alike = fact._replace(cells=tuple(c.replace(",", ".") for c in fact.cells), last_cells=())
    if with_comma and with_point and Reading.of(alike, reading.kind, reading.unit, POINT).plausible:
        found = f"{with_point!r} and {with_comma!r} stand among its numbers, and cannot both be {reading.said_kind}"
        helps = "write all numbers with the same decimal mark"
        return ReadError.at(name, found, column=column, helps=helps)
    others = [Reading.of(fact, reading.kind, unit, style) for unit in usual_units(fact, style)]
    fitting = [each for each in others if each.plausible]
    return ReadError.at(
        name,
        f"in {reading.unit.name}, as stated, its {reading.said_kind} give frames of {reading.said_length}, "
        "which cannot be (0.2 ms to 1 s)",
        column=column,
        helps=f"check the unit; if it is another,  {_ways(name, fitting)}"
        if fitting
        else "check the unit and the column",
    )


def nothing_found(
    name: str, facts: Sequence[ColumnFacts], style: NumberStyle, among: Sequence[ColumnFacts] | None = None
) -> ReadError:
    """No column is known to be the time: each that could be is shown with the rate that it would give."""
    proposals = []
    for fact in facts if among is None else among:
        if not fact.numeric or is_counter(fact, style) or fact.said.other_unit is not None or fact.said.odd:
            continue
        if fact.meaning in (Meaning.INDEX, Meaning.STREAM, Meaning.DROPPED, Meaning.SHOWN, Meaning.STATISTIC):
            continue
        kind = "timestamp" if course_of(fact, style) is Course.RISES else "frame time"
        units = (fact.unit,) if fact.unit is not None else usual_units(fact, style)
        readings = [Reading.of(fact, kind, unit, style) for unit in units if unit.form != "rate"]
        proposals += [reading for reading in readings if reading.plausible]
    if not any(fact.name for fact in facts):
        what = f"there is no line of names above the numbers (columns: {len(facts)})"
    else:
        what = f"no column says that it is a time of whole frames (columns: {', '.join(f.shown for f in facts[:12])})"
    odd = next((fact for fact in facts if fact.said.odd), None)
    if odd is not None:
        what = f"the unit in the name of {odd.shown} is not understood"
    if not proposals:
        return ReadError.at(name, what, helps="give --time-column and --unit if one of them is")
    return ReadError.at(name, what, helps=f"if one of them is,  {_ways(name, proposals)}")


def column_named(facts: Sequence[ColumnFacts], ref: ColumnRef, *, name: str, key: str = "stream_column") -> ColumnFacts:
    """The column that a layout or an option refers to.

    Raises
    ------
    ReadError
        If there is none, or two have that name.
    """
    if isinstance(ref, int):
        if not 1 <= ref <= len(facts):
            raise ReadError.at(name, f"{key} is {ref}, and rows have {counted(len(facts), 'column')}")
        return facts[ref - 1]
    named = [fact for fact in facts if fact.name]
    word, shown = ref.strip().casefold(), f"'{printable(ref, limit=60)}'"
    same = [fact for fact in named if fact.name == ref] or [f for f in named if f.name.strip().casefold() == word]
    if len(same) > 1:
        places = joined([str(fact.position + 1) for fact in same])
        raise ReadError.at(name, f"columns {places} are all named {shown}", helps=f"give {key} as a position")
    if same or (word.isdecimal() and 1 <= int(word) <= len(facts)):
        return same[0] if same else facts[int(word) - 1]
    listed = ", ".join(f"'{printable(fact.name, limit=40)}'" for fact in named[:12])
    known = f"columns are {listed}" if listed else "columns have no names here: give a position, counted from 1"
    helps = did_you_mean(ref, [fact.name for fact in named], cutoff=0.6) or known
    raise ReadError.at(name, f"there is no column {shown}", helps=helps)


def refuse_summaries(name: str, facts: Sequence[ColumnFacts], readings: Sequence[Reading], style: NumberStyle) -> None:
    """Refuse rows that come evenly and slowly beside columns of rates, frames or frame times, or of sensors.

    Raises
    ------
    ReadError
    """
    clocks = [reading for reading in readings if reading.kind == "timestamp" and reading.spans.size > 1]
    if any(r.kind == "timestamp" and r.plausible and not _is_slow(r) for r in clocks if r.fact.unit is not None):
        return
    for clock in clocks:
        if not _is_slow(clock):
            continue
        step_ns = middle(clock.spans)
        for fact in facts:
            lengths = _lengths_told(fact, style)
            if fact is not clock.fact and lengths.size and middle(lengths) * _ROWS_APART < step_ns:
                raise ReadError.at(
                    name,
                    f"rows come {step_ns / 1e9:.3g} s apart in {clock.fact.shown}, and {fact.shown} tells of many "
                    "frames in between: this is a log of summaries, with one row a second, not one row a frame",
                    helps="record a log with one row for each frame",
                )
        sensors = [fact.shown for fact in facts if fact.numeric and fact.said.other_unit is not None]
        if sensors and not any(r.fact is not clock.fact for r in readings):
            raise ReadError.at(
                name,
                f"this looks like a sensor log: rows come {step_ns / 1e9:.3g} s apart in {clock.fact.shown}, beside "
                f"{sensors[0]}",
                helps="give it with --sensors beside the frame log",
            )


def _is_slow(clock: Reading) -> bool:
    usual = middle(clock.spans) if clock.spans.size else 0.0
    even = np.abs(clock.spans - usual) <= _EVEN * usual
    return usual >= _SLOW_NS and float(even.mean()) >= 0.8


def _lengths_told(fact: ColumnFacts, style: NumberStyle) -> NDArray[np.float64]:
    """Lengths of frames in ns that a column tells of: by rates, by counts in a row, or by statistics of frame times."""
    words = set(words_of(fact.name))
    if not fact.numeric or fact.said.other_unit is not None:
        return np.empty(0)
    values = fact.ns(style)
    if fact.meaning in (Meaning.STATISTIC, Meaning.FRAME_TIME) and fact.unit is not None and fact.unit.ns is not None:
        lengths = values
    elif fact.meaning is Meaning.RATE or {"fps", "framerate", "frames"} & words or {"frame", "rate"} <= words:
        with np.errstate(divide="ignore", invalid="ignore"):
            lengths = values if fact.unit is not None and fact.unit.form == "rate" else 1e9 / values
    else:
        return np.empty(0)
    return lengths[np.isfinite(lengths) & (lengths > 0)]
