"""Columns beside the time that have a meaning here: work times, simulation, display, shown or dropped, stream."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from frametime.adapters.clocks.time_units import unit_named
from frametime.adapters.columns.column_facts import FLAG_ROLES, TIMED_ROLES, ColumnFacts, ColumnUse, column_use
from frametime.adapters.columns.column_refusals import column_named, no_unit
from frametime.adapters.columns.header_words import Event, Meaning, words_of
from frametime.adapters.columns.layout import Layout
from frametime.adapters.text.cell_kind import CellKind, kind_of
from frametime.adapters.text.number_style import NumberStyle
from frametime.caveats import Caveat, Weight

_TRUTH_WORDS: Final = frozenset(("1", "0", "true", "false", "yes", "no", "y", "n", "t", "f", "1.0", "0.0"))


def other_columns(
    facts: Sequence[ColumnFacts],
    layout: Layout,
    style: NumberStyle,
    name: str,
    *,
    has_clock: bool,
    evidence: dict[str, str],
    caveats: list[Caveat],
) -> dict[str, ColumnUse]:
    """Role to column; what the layout says wins.

    Parameters
    ----------
    facts : sequence of ColumnFacts
    layout : Layout
    style : NumberStyle
    name : str
        Of the log, for messages.
    has_clock : bool
        Whether there is a column of timestamps, beside which other timestamps have a meaning.
    evidence : dict
        Gets a sentence for each column.
    caveats : list of Caveat
        Gets one for each column whose name promises what its cells do not hold.
    """
    found: dict[str, ColumnUse] = {}
    for role in (*TIMED_ROLES, *FLAG_ROLES, "stream"):
        key = f"{role}_column"
        ref = getattr(layout, key)
        fact = (
            _by_name(facts, role, style, has_clock=has_clock, caveats=caveats)
            if ref is None
            else column_named(facts, ref, key=key, name=name)
        )
        if fact is None:
            continue
        if role in TIMED_ROLES:
            told = getattr(layout, f"{role}_unit")
            unit = unit_named(told) if told else fact.unit
            if unit is None or unit.form == "rate":
                if ref is not None:
                    raise no_unit(name, fact, "time", style, key=f"{role}_unit")
                continue
            found[role] = column_use(fact, unit, style)
        else:
            found[role] = ColumnUse(position=fact.position, ref=fact.ref, unit=None)
        evidence[key] = "as told" if ref is not None else f"the name of {fact.shown} says so"
    return found


def _by_name(
    facts: Sequence[ColumnFacts], role: str, style: NumberStyle, *, has_clock: bool, caveats: list[Caveat]
) -> ColumnFacts | None:
    if role == "stream":
        return _stream(facts)
    if role in FLAG_ROLES:
        meaning = Meaning.SHOWN if role == "shown" else Meaning.DROPPED
        named = [fact for fact in facts if fact.meaning is meaning]
        flags = [fact for fact in named if _holds_flags(fact)]
        caveats += [_not_used(fact, "does not say yes or no") for fact in named if not flags]
        return next(iter(flags), None)
    timed = [fact for fact in facts if fact.numeric and fact.unit is not None]
    if role in ("gpu_work", "cpu_work"):
        meaning = Meaning.GPU_WORK if role == "gpu_work" else Meaning.CPU_WORK
        return _first([fact for fact in timed if fact.meaning is meaning], {"work", "busy", "active"})
    event = Event.START if role == "simulation_start" else Event.DISPLAY
    named = [fact for fact in timed if fact.meaning is Meaning.TIMESTAMP and fact.event is event and has_clock]
    named = [fact for fact in named if not {"gpu", "cpu"} & set(words_of(fact.name))]
    # "Simulation time" may also be how long the simulation took: moments go on, lengths go up and down.
    moments = [fact for fact in named if fact.mostly_rises(style)]
    caveats += [_not_used(fact, "goes up and down, so it holds no moments") for fact in named if not moments]
    return _first(moments, {"simulation", "simulated", "sim"})


def _holds_flags(fact: ColumnFacts) -> bool:
    """Whether the first and last cells say yes or no; a count of frames, for example, is neither."""
    cells = [cell.strip().strip("\"'").casefold() for cell in (*fact.cells, *fact.last_cells)]
    return all(cell in _TRUTH_WORDS or kind_of(cell) is CellKind.MISSING for cell in cells)


def _not_used(fact: ColumnFacts, why: str) -> Caveat:
    return Caveat(
        code="column-not-used",
        message=f"Column {fact.shown} {why}; it is not used. A layout can say what it holds.",
        weight=Weight.NOTE,
    )


def _first(facts: Sequence[ColumnFacts], better: set[str]) -> ColumnFacts | None:
    """The first column with a better word in its name, else the first."""
    return next((fact for fact in facts if better & set(words_of(fact.name))), next(iter(facts), None))


def _stream(facts: Sequence[ColumnFacts]) -> ColumnFacts | None:
    candidates = [fact for fact in facts if fact.meaning is Meaning.STREAM]
    several = [fact for fact in candidates if len({cell.strip() for cell in fact.cells}) > 1]
    texts = [fact for fact in several or candidates if not fact.numeric]
    return next(iter(texts or several or candidates), None)
