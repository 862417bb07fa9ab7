"""Which column of a sensor log is the time, in which unit, and whether it is absolute."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from frametime.adapters.clocks.time_units import CLOCK, DATE, unit_named
from frametime.adapters.columns.column_facts import ColumnFacts, layout_choice
from frametime.adapters.columns.header_words import Meaning, words_of
from frametime.adapters.columns.layout import ColumnRef
from frametime.adapters.sensors.sensor_cards import names_cards
from frametime.adapters.text.number_style import NumberStyle
from frametime.errors import SensorError, printable
from frametime.words import joined

_STAMP_WORDS: Final = frozenset(("time", "timestamp", "date", "datetime"))
_EPOCH_YEARS_NS: Final = (946_684_800 * 10**9, 4_102_444_800 * 10**9)
"""Numbers that lie in the years 2000 to 2099 as time since 1970 are absolute times."""


def find_time_column(
    facts: Sequence[ColumnFacts],
    style: NumberStyle,
    *,
    name: str,
    told: ColumnRef | None,
    unit: str | None,
    wants_absolute: bool,
) -> ColumnFacts:
    """The time column, with its unit.

    Parameters
    ----------
    facts : sequence of ColumnFacts
    style : NumberStyle
    name : str
        Of the log, for messages.
    told, unit
        Column and unit that a layout states.
    wants_absolute : bool
        Which is preferred where the log has an absolute and an elapsed time.

    Raises
    ------
    SensorError
        If there is none, two fit equally well, or its unit is not known.
    """
    if told is not None:
        return _with_unit(column_named(facts, told, key="time_column", name=name), unit, name)
    fitting = [fact for fact in facts if _may_be_time(fact, style)]
    absolute = [fact for fact in fitting if is_absolute(fact, style)]
    elapsed = [fact for fact in fitting if fact not in absolute]
    found = (absolute or elapsed) if wants_absolute else (elapsed or absolute)
    if not found:
        other = next((fact for fact in facts if _STAMP_WORDS & set(words_of(fact.name)) and fact.cells), None)
        undecided = other is not None and not other.values(style)
        if (
            other is not None
            and (undecided or not other.numeric)
            and any(re.search(r"\d[/.:-]\d", cell) for cell in other.cells[:1])
        ):
            raise SensorError.at(
                name,
                f"'{printable(other.cells[0], limit=40)}' is no time that is read",
                column=other.name,
                helps="write dates as 2026-11-25T09:00:00 and times of day as 09:00:00, from 0 to 24 h: the order of "
                "day and month is not guessed",
            )
        raise SensorError.at(
            name,
            f"no time column is found among {_names(facts)}",
            helps='name it in a sensor layout, two lines: time_column = "NAME" and unit = "s"',
        )
    if len(found) > 1:
        raise SensorError.at(
            name,
            f"{joined([fact.shown for fact in found])} may each be the time",
            helps="settle it in a sensor layout: time_column = "
            + layout_choice([(fact.name, fact.position) for fact in found]),
        )
    return _with_unit(found[0], unit, name)


_DAY: Final = r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}"


def day_column(facts: Sequence[ColumnFacts], time: ColumnFacts) -> int | None:
    """Position of the column that holds the date of a time of day; ``None`` where the time needs none, or has none."""
    if time.unit is not CLOCK:
        return None
    days = [fact for fact in facts if fact.cells and all(re.fullmatch(_DAY, cell.strip()) for cell in fact.cells)]
    return days[0].position if len(days) == 1 else None


def column_named(facts: Sequence[ColumnFacts], ref: ColumnRef, *, key: str, name: str) -> ColumnFacts:
    """The column that a layout names, or counts from 1.

    Raises
    ------
    SensorError
        If there is none, or several of that name.
    """
    if isinstance(ref, int):
        same = list(facts[ref - 1 : ref]) if ref >= 1 else []
    else:
        same = [fact for fact in facts if fact.name == ref]
    if len(same) == 1:
        return same[0]
    shown = printable(str(ref), limit=60)
    if same:
        raise SensorError.at(
            name, f"{len(same)} columns are named '{shown}'", helps=f"give {key} as a position counted from 1"
        )
    raise SensorError.at(name, f"there is no column {shown}", helps=f"{key} may be one of {_names(facts)}")


def is_absolute(fact: ColumnFacts, style: NumberStyle) -> bool:
    """Whether a time is a date, or counts since 1970."""
    if fact.unit is DATE:
        return True
    if fact.unit is None or fact.unit.form != "number":
        return False
    values = fact.values(style, fact.unit)
    return bool(values) and all(_EPOCH_YEARS_NS[0] <= value <= _EPOCH_YEARS_NS[1] for value in values)


def _names(facts: Sequence[ColumnFacts]) -> str:
    return ", ".join(fact.shown for fact in facts[:12])


def _may_be_time(fact: ColumnFacts, style: NumberStyle) -> bool:
    if fact.unit in (DATE, CLOCK):
        return not names_cards(fact.name)
    if not fact.numeric or fact.meaning not in (Meaning.TIMESTAMP, Meaning.TIME):
        return False
    # Several cards in one log share their times, so a step may be 0; a clock that goes back is refused later.
    return len(set(fact.values(style))) > 1


def _with_unit(fact: ColumnFacts, unit: str | None, name: str) -> ColumnFacts:
    if unit is not None:
        fact = fact._replace(unit=unit_named(unit), unit_from="as told")
    if fact.unit is None or fact.unit.form == "rate":
        raise SensorError.at(
            name,
            "the time has no unit",
            column=fact.name or None,
            helps=f'give it in a sensor layout, two lines: time_column = "{printable(fact.name, limit=60)}" '
            'and unit = "s" (or "ms", "us", "ns")',
        )
    return fact
