"""What is said when a log leaves open which column is the time: the finding, and the layout that settles it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from frametime.adapters.clocks.time_units import (
    MICROSECOND,
    MILLISECOND,
    NANOSECOND,
    RATE,
    SECOND,
    TimeUnit,
    unit_named,
    unit_names,
)
from frametime.adapters.columns.column_facts import ColumnFacts, is_plausible, steps_of
from frametime.adapters.columns.layout import ColumnRef, Layout
from frametime.adapters.text.number_style import NumberStyle
from frametime.errors import ReadError, did_you_mean, printable
from frametime.words import counted, joined

_ROWS_APART: Final = 5.0
"""Rows this many times as far apart as their rates say are no frames (common practice, no source)."""


def _error(name: str, found: str, helps: str, fact: ColumnFacts | None = None) -> ReadError:
    column = None if fact is None else (fact.name or str(fact.position + 1))
    return ReadError.at(name, found, column=column, helps=helps)


def _lines(layout: Layout) -> str:
    """A layout in the midst of a sentence."""
    return layout.to_toml().rstrip("\n").replace("\n", "; ")


def open_kind(name: str, fact: ColumnFacts) -> ReadError:
    """The values of a column can be timestamps or frame times."""
    first = _lines(Layout(time_column=fact.ref, kind="timestamp"))
    return _error(
        name,
        "its values can be timestamps or frame times",
        f'settle it with a layout of two lines, either  {first}  or the same with kind = "frame time"',
        fact,
    )


def too_few_rows(name: str, fact: ColumnFacts) -> ReadError:
    """There are no two rows to compare."""
    return _error(name, "there are too few rows to see what its values are", "give kind in a layout", fact)


def two_columns(name: str, one: ColumnFacts, other: ColumnFacts, what: str) -> ReadError:
    """Two columns fit equally well, and differ."""
    either, or_else = (
        _lines(Layout(time_column=fact.ref, unit=fact.unit.name if fact.unit is not None else "ms"))
        for fact in (one, other)
    )
    return _error(
        name,
        f"columns {one.shown} and {other.shown} can both be the {what}, and they differ",
        f"settle it with a layout of two lines, either  {either}  or  {or_else}",
    )


def refuse_seconds(
    name: str, times: Sequence[ColumnFacts], rates: ColumnFacts, style: NumberStyle, told: TimeUnit | None
) -> None:
    """Refuse a log whose rows lie much farther apart than its rates say: it has a row a second, not a row a frame.

    Raises
    ------
    ReadError
    """
    spans = sorted(span for span in rates.values(style, RATE) if span > 0)
    for fact in times:
        unit = told or fact.unit
        # Where the unit is not known, one of the usual ones must make rows and rates agree.
        units = (unit,) if unit is not None else (SECOND, MILLISECOND, MICROSECOND, NANOSECOND)
        every = [sorted(step for step in steps_of(fact.values(style, each)) if step > 0) for each in units]
        if not spans or not all(every):
            continue
        ratios = [steps[len(steps) // 2] / spans[len(spans) // 2] for steps in every]
        # A rate may be smoothed, and the rows of a few applications may alternate: a great difference alone counts.
        if not any(ratio <= _ROWS_APART and (unit is not None or ratio * _ROWS_APART >= 1.0) for ratio in ratios):
            raise _error(
                name,
                f"its rates do not fit the times in {fact.shown}, as in a log with one row a second",
                "give a log with one row a frame, or say which column to read with --time-column and --unit",
                rates,
            )


def no_unit(name: str, fact: ColumnFacts, kind: str, style: NumberStyle, *, key: str = "unit") -> ReadError:
    """A column states no unit."""
    fits = []
    for unit in ("s", "ms", "us", "ns"):
        values = fact.values(style, unit_named(unit))
        if is_plausible(steps_of(values) if kind == "timestamp" else values):
            fits.append(unit)
    found = "its unit is not stated" + (f" (frame times would be plausible in {' or '.join(fits)})" if fits else "")
    if key != "unit":
        return _error(name, found, f"add {key} to the layout: {unit_names()}", fact)
    example = _lines(Layout(time_column=fact.ref, unit=fits[0] if fits else "ms"))
    return _error(name, found, f"give --time-column and --unit, or a layout of two lines such as  {example}", fact)


def nothing_found(
    name: str,
    facts: Sequence[ColumnFacts],
    kinds: Mapping[str, Sequence[ColumnFacts]],
    style: NumberStyle,
) -> ReadError:
    """No column is known to be the time, or the one that is has no unit."""
    for kind, found in kinds.items():
        if found:
            return no_unit(name, found[0], kind, style)
    if not any(fact.name for fact in facts):
        what = f"there is no line of names above the numbers (columns: {len(facts)})"
        example = Layout(time_column=1, unit="ms")
    else:
        what = f"no column says that it is a time (columns: {', '.join(fact.shown for fact in facts[:12])})"
        example = Layout(time_column=next((f.ref for f in facts if f.numeric), facts[0].ref), unit="ms")
    return _error(name, what, f"give --time-column and --unit, or a layout of two lines such as  {_lines(example)}")


def column_named(facts: Sequence[ColumnFacts], ref: ColumnRef, *, key: str, name: str) -> ColumnFacts:
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
    for found in (
        [fact for fact in facts if fact.name == ref and ref],
        [fact for fact in facts if fact.name and fact.name.strip().casefold() == ref.strip().casefold()],
    ):
        if len(found) == 1:
            return found[0]
        if found:
            places = joined([str(fact.position + 1) for fact in found])
            named = f"'{printable(ref, limit=60)}'"
            raise ReadError.at(name, f"columns {places} are all named {named}", helps=f"give {key} as a position")
    if ref.strip().isdecimal() and 1 <= int(ref) <= len(facts):
        return facts[int(ref) - 1]
    raise _no_such_column(facts, ref, name)


def _no_such_column(facts: Sequence[ColumnFacts], ref: str, name: str) -> ReadError:
    names = [fact.name for fact in facts if fact.name]
    listed = ", ".join(f"'{printable(n, limit=40)}'" for n in names[:12])
    known = f"columns are {listed}" if listed else "columns have no names here: give a position, counted from 1"
    helps = did_you_mean(ref, names, cutoff=0.6) or known
    return _error(name, f"there is no column '{printable(ref, limit=60)}'", helps)
