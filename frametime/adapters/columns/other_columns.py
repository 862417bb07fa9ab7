"""Columns beside the time that have a meaning here: work times, simulation, display, shown or dropped, stream."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns.column_facts import FLAG_ROLES, TIMED_ROLES, ColumnFacts, ColumnUse, column_use
from frametime.adapters.columns.column_readings import Course, course_of, middle
from frametime.adapters.columns.column_refusals import column_named
from frametime.adapters.columns.header_words import Event, Meaning
from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import NANOSECOND, unit_named, unit_names, words_of
from frametime.adapters.text.cells import CellKind, NumberStyle, kind_of
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError

EVERY_STREAM: Final = "*"
"""Asked for instead of a stream: all rows are one."""
_FEW_STREAMS: Final = 8
_LEAST_ROWS: Final = 8
_UNEVEN: Final = 0.1
_MUCH_MORE_EVEN: Final = 0.5
_TRUTH_WORDS: Final = frozenset(("1", "0", "true", "false", "yes", "no", "y", "n", "t", "f", "1.0", "0.0"))


def other_columns(
    facts: Sequence[ColumnFacts],
    layout: Layout,
    style: NumberStyle,
    name: str,
    *,
    has_clock: bool,
    used: Sequence[int],
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
        Whether the log has timestamps, beside which others have a meaning.
    used : sequence of int
        Positions of the columns that are read already.
    evidence : dict
        Gets a sentence for each column.
    caveats : list of Caveat
        Gets one for each column whose name promises what its cells do not hold.
    """
    found: dict[str, ColumnUse] = {}
    free = [fact for fact in facts if fact.position not in used]
    for role in (*TIMED_ROLES, *FLAG_ROLES, "stream"):
        key = f"{role}_column"
        if (ref := getattr(layout, key)) is not None:
            fact: ColumnFacts | None = column_named(facts, ref, key=key, name=name)
        elif role == "stream":
            fact = _stream(facts, style)
        elif role in FLAG_ROLES:
            fact = _flag(free, role, caveats)
        else:
            fact = _timed(free, role, style, caveats, has_clock=has_clock)
        if fact is None:
            continue
        if role in TIMED_ROLES:
            told = getattr(layout, f"{role}_unit")
            unit = unit_named(told) if told else fact.unit
            if unit is None or unit.form == "rate":
                column = fact.name or str(fact.position + 1)
                helps = f"add {role}_unit to the layout: {unit_names()}"
                raise ReadError.at(name, "its unit is not stated", column=column, helps=helps)
            found[role] = column_use(fact, unit, style)
        else:
            found[role] = ColumnUse(position=fact.position, ref=fact.ref, unit=None)
        evidence[key] = "as told" if ref is not None else f"the name of {fact.shown} says so"
    return found


def _flag(facts: Sequence[ColumnFacts], role: str, caveats: list[Caveat]) -> ColumnFacts | None:
    meaning = Meaning.SHOWN if role == "shown" else Meaning.DROPPED
    named = [fact for fact in facts if fact.meaning is meaning]
    flags = [fact for fact in named if _holds_flags(fact)]
    caveats += [_not_used(fact, "does not say yes or no") for fact in named if not flags]
    return next(iter(flags), None)


def _timed(
    facts: Sequence[ColumnFacts], role: str, style: NumberStyle, caveats: list[Caveat], *, has_clock: bool
) -> ColumnFacts | None:
    timed = [fact for fact in facts if fact.numeric and fact.unit is not None and fact.unit.form != "rate"]
    if role in ("gpu_work", "cpu_work"):
        meaning = Meaning.GPU_WORK if role == "gpu_work" else Meaning.CPU_WORK
        return _first([fact for fact in timed if fact.meaning is meaning], {"work", "busy", "active"})
    event = Event.START if role == "simulation_start" else Event.DISPLAY
    named = [fact for fact in timed if fact.meaning is Meaning.TIMESTAMP and fact.event is event and has_clock]
    named = [fact for fact in named if not {"gpu", "cpu"} & set(words_of(fact.name))]
    # "Simulation time" may also be how long the simulation took: moments go on, lengths go up and down.
    moments = [fact for fact in named if course_of(fact, style) is not Course.VARIES]
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


def _stream(facts: Sequence[ColumnFacts], style: NumberStyle) -> ColumnFacts | None:
    """The column that tells streams apart: by its name, or because each of them is more even than all together."""
    candidates = [fact for fact in facts if fact.meaning is Meaning.STREAM]
    several = [fact for fact in candidates if len({cell.strip() for cell in fact.cells}) > 1]
    texts = [fact for fact in several or candidates if not fact.numeric]
    named = next(iter(texts or several), None)
    return named or _splitting(facts, style) or next(iter(candidates), None)


def _splitting(facts: Sequence[ColumnFacts], style: NumberStyle) -> ColumnFacts | None:
    """A column of a few values that parts the rows into streams, each of which comes more evenly than the whole."""
    others = (Meaning.SHOWN, Meaning.DROPPED, Meaning.TIMESTAMP, Meaning.TIME)
    few = [fact for fact in facts if len(set(fact.cells)) <= _FEW_STREAMS and fact.meaning not in others]
    parted = [(fact, [cell.strip() for cell in fact.cells]) for fact in few]
    parted = [(fact, cells) for fact, cells in parted if _may_part(Counter(cells))]
    clocks = [
        fact.ns(style)
        for fact in (facts if parted else ())
        if fact.numeric
        and fact.meaning in (Meaning.TIMESTAMP, Meaning.TIME, Meaning.PART)
        and course_of(fact, style) is Course.RISES
    ]
    for fact, cells in parted:
        if any(clock.size == len(cells) and _more_even(clock, np.array(cells)) for clock in clocks):
            return fact
    return None


def _may_part(counts: Counter[str]) -> bool:
    return 2 <= len(counts) <= _FEW_STREAMS and min(counts.values()) >= _LEAST_ROWS


def _more_even(stamps: NDArray[np.float64], cells: NDArray[np.str_]) -> bool:
    whole = _unevenness(np.diff(stamps))
    return whole > _UNEVEN and all(
        _unevenness(np.diff(stamps[cells == word])) < _MUCH_MORE_EVEN * whole for word in set(cells.tolist())
    )


def _unevenness(steps: NDArray[np.float64]) -> float:
    usual = middle(steps)
    return middle(np.abs(steps - usual)) / usual if usual > 0 else float("inf")


def frame_number(facts: Sequence[ColumnFacts], style: NumberStyle) -> ColumnUse | None:
    """The column that counts the frames: whole numbers, and nearly all of them different."""
    found = []
    for fact in facts:
        if fact.meaning is not Meaning.INDEX or not fact.numeric:
            continue
        numbers = fact.ns(style, NANOSECOND)
        whole = numbers.size > 1 and np.isfinite(numbers).all() and not (numbers % 1).any() and not fact.unit
        if whole and len(set(numbers.tolist())) * 3 > numbers.size:
            found.append(fact)
    best = _first(found, {"frame"})
    return None if best is None else ColumnUse(position=best.position, ref=best.ref, unit=NANOSECOND)


def busiest_rows(
    facts: Sequence[ColumnFacts], wanted: str | None, told: ColumnFacts | None, style: NumberStyle
) -> NDArray[np.bool_] | None:
    """Which of the first rows belong to the stream that will be read; ``None`` where there is one only."""
    fact = told or _stream(facts, style)
    if fact is None or wanted == EVERY_STREAM:
        return None
    cells = [cell.strip() for cell in fact.cells]
    counts = Counter(cells)
    if not 2 <= len(counts) <= len(cells) // 2:
        return None
    chosen = next(
        (word for word in counts if wanted is not None and word.casefold() == wanted.strip().casefold()), None
    )
    chosen = chosen or counts.most_common(1)[0][0]
    return np.array([cell == chosen for cell in cells])
