"""Columns beside the time that have a meaning here: work times, simulation, display, shown or dropped, streams."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns.column_facts import ColumnFacts, ColumnUse, Course, column_named
from frametime.adapters.columns.column_readings import ChoiceSoFar, command, middle
from frametime.adapters.columns.layout import FLAG_ROLES, TIMED_ROLES
from frametime.adapters.columns.words import NANOSECOND, Event, Meaning, header_meaning, unit_named, unit_names
from frametime.adapters.text.cells import CellKind, is_value, kind_of
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable

EVERY_STREAM: Final = "*"
"""Asked for instead of a stream: all rows are one."""
_FEW_STREAMS: Final = 8
_LEAST_ROWS: Final = 8
_LEAST_EVENTS: Final = 2
_ONE_STEP: Final = 1.4
"""A step of frames is no longer than this many for the events within it; two steps are (common practice, no source)."""
_UNEVEN: Final = 0.1
_MUCH_MORE_EVEN: Final = 0.5
_AGAIN: Final = frozenset(("duplicate", "duplicated", "repeat", "repeated"))
_TWO_KINDS: Final = 1.25
TRUE_WORDS: Final = ("1", "1.0", "true", "yes", "y", "t")
FALSE_WORDS: Final = ("0", "0.0", "false", "no", "n", "f")


def other_columns(log: ChoiceSoFar, used: Sequence[int], *, has_clock: bool) -> dict[str, ColumnUse]:
    """Role to column; what the layout says wins.

    Parameters
    ----------
    log : ChoiceSoFar
        Gets a sentence for each column, and a caveat for each whose name promises what its cells do not hold.
    used : sequence of int
        Positions of the columns that are read already.
    has_clock : bool
        Whether the log has timestamps, beside which others have a meaning.
    """
    found: dict[str, ColumnUse] = {}
    free = [fact for fact in log.facts if fact.position not in used]
    for role in (*TIMED_ROLES, *FLAG_ROLES, "stream"):
        key = f"{role}_column"
        if (ref := getattr(log.layout, key)) is not None:
            fact: ColumnFacts | None = column_named(log.facts, ref, key=key, name=log.name)
        elif role == "stream":
            fact = log.stream
        elif role in FLAG_ROLES:
            named = [fact for fact in free if fact.meaning == role]
            flags = [fact for fact in named if _holds_flags(fact)]
            fact = next(iter(flags), None)
            _tell_unused(() if flags else named, "does not say yes or no", log)
        else:
            fact = _timed(free, role, log, has_clock=has_clock)
        if fact is None:
            continue
        unit = None
        if role in TIMED_ROLES:
            told = getattr(log.layout, f"{role}_unit")
            unit = unit_named(told) if told else fact.unit
            if unit is None or unit.form == "rate":
                column = fact.name or str(fact.position + 1)
                helps = f"add {role}_unit to the layout: {unit_names()}"
                raise ReadError.at(log.name, "its unit is not stated", column=column, helps=helps)
        found[role] = fact.used_in(unit)
        log.evidence[key] = "as told" if ref is not None else f"the name of {fact.shown} says so"
    return found


def _timed(facts: Sequence[ColumnFacts], role: str, log: ChoiceSoFar, *, has_clock: bool) -> ColumnFacts | None:
    timed = [fact for fact in facts if fact.unit is not None and fact.unit.form != "rate"]
    timed = [fact for fact in timed if fact.numeric or _begins_late(fact)]
    if role in ("gpu_work", "cpu_work"):
        work = [fact for fact in timed if fact.meaning == role.replace("_", " ")]
        return _first(work, {"work", "busy", "active"})
    event = Event.START if role == "simulation_start" else Event.DISPLAY
    named = [fact for fact in timed if fact.meaning is Meaning.TIMESTAMP and fact.said.event is event and has_clock]
    named = [fact for fact in named if not {"gpu", "cpu"} & fact.words]
    # "Simulation time" may also be how long the simulation took: moments go on, lengths go up and down.
    moments = [fact for fact in named if fact.course() is not Course.VARIES]
    _tell_unused(() if moments else named, "goes up and down, so it holds no moments", log)
    return _first(moments, {"simulation", "simulated", "sim"})


def _begins_late(fact: ColumnFacts) -> bool:
    """Whether the first cells are empty, and some of the last hold values."""
    are_empty = all(kind_of(cell) is CellKind.MISSING for cell in fact.cells)
    return are_empty and any(is_value(kind_of(cell)) for cell in fact.last_cells)


def _tell_unused(facts: Sequence[ColumnFacts], why: str, log: ChoiceSoFar) -> None:
    for fact in facts:
        message = f"Column {fact.shown} {why}; it is not used. A layout can say what it holds."
        log.tell("column-not-used", message, Weight.NOTE)


def _holds_flags(fact: ColumnFacts) -> bool:
    """Whether the first and last cells say yes or no; a count of frames, for example, is neither."""
    cells = [cell.strip().strip("\"'").casefold() for cell in (*fact.cells, *fact.last_cells)]
    return all(cell in (*TRUE_WORDS, *FALSE_WORDS) or kind_of(cell) is CellKind.MISSING for cell in cells)


def _first(facts: Sequence[ColumnFacts], better: set[str]) -> ColumnFacts | None:
    """The first column with a better word in its name, else the first."""
    return next((fact for fact in facts if better & fact.words), next(iter(facts), None))


def _stream(log: ChoiceSoFar) -> ColumnFacts | None:
    """The column that tells streams apart: by its name, or because each of them is more even than all together."""
    cards = [fact for fact in log.facts if fact.names_cards and fact.words != {"name"} and not fact.numeric]
    streams = [*(fact for fact in log.facts if fact.meaning is Meaning.STREAM), *cards]
    candidates = [fact for fact in streams if fact.numeric or not _holds_flags(fact)]  # "long task" says yes or no
    several = [fact for fact in candidates if len({*map(str.strip, (*fact.cells, *fact.last_cells))}) > 1]
    named = next(iter([fact for fact in several or candidates if not fact.numeric] or several), None)
    return named or _of_other_rows(log) or _splitting(log) or next(iter(candidates), None)


def _of_other_rows(log: ChoiceSoFar) -> ColumnFacts | None:
    """A column of a few words that tells rows with a frame time from rows of events that have none."""
    lengths = [fact for fact in log.facts if fact.meaning is Meaning.FRAME_TIME]
    lacks = [[kind_of(cell) is CellKind.MISSING for cell in (*fact.cells, *fact.last_cells)] for fact in lengths]
    for fact in log.facts if lacks and all(map(any, lacks)) else ():
        told = {*zip(map(str.strip, (*fact.cells, *fact.last_cells)), lacks[0], strict=False)}
        is_told = len(told) == len({word for word, _ in told}) <= _FEW_STREAMS
        if not fact.numeric and is_told and len({lack for _, lack in told}) == 2:
            return fact
    return None


def _splitting(log: ChoiceSoFar) -> ColumnFacts | None:
    """A column of a few values that parts the rows into streams, or the moments of frames from other events.

    Raises
    ------
    ReadError
        If the busiest of such events are not called frames, and no stream is asked for.
    """
    for fact in log.facts:
        said = {*map(str.strip, (*fact.cells, *fact.last_cells))}
        if 2 <= len(said) <= _FEW_STREAMS and _AGAIN & {*fact.words, *map(str.casefold, said)}:
            return _asked_for(log, fact, sorted(said), "rows that repeat the picture before are no frames of their own")
    moments = (Meaning.TIMESTAMP, Meaning.TIME, Meaning.PART)
    timed = [f for f in log.facts if f.numeric and (f.meaning in moments or not (f.name or f.is_counter()))]
    parting = [(fact, words) for fact in log.facts if (words := _few_words(fact, 1))]
    # What is of frames alone at the start may be of other events, too, at the end.
    alone = [fact for fact in log.facts if not fact.numeric and len(set(fact.cells)) == 1 and _is_frame(fact.cells[0])]
    rising = [clock for clock in timed if (parting or alone) and clock.course() is Course.RISES]
    for fact, words in parting if rising else ():
        cells = np.array([cell.strip() for cell in fact.cells])
        fitting = [stamps for clock in rising if (stamps := clock.ns()).size == cells.size]
        if _few_words(fact) and any(_more_even(clock, cells) for clock in fitting):
            return fact
        events = {header_meaning(word).event for word in words}
        are_events = len(events) > 1 and Event.UNMARKED not in events
        if fitting and (are_events or any(_has_others(clock, cells) for clock in fitting)):
            found = f"the rows of {' and '.join(map(repr, words[:4]))} are events of several kinds"
            return fact if _is_frame(_busiest(Counter(cells.tolist()))[0]) else _asked_for(log, fact, words, found)
    later = ((fact, np.array([*map(str.strip, fact.last_cells)])) for fact in alone)
    mixed = (fact for fact, cells in later if any(_has_others(clock.ns(last=True), cells) for clock in rising))
    return next(mixed, None)


def _busiest(counts: Mapping[str, int]) -> list[str]:
    """The words of the most rows: of two that stand in as many, the one that marks frames, or their end."""
    most = max(counts.values())
    words = sorted(word for word, count in counts.items() if count >= most - 1)
    return [word for word in words if _is_frame(word)] * (most > 1) or [w for w in words if counts[w] == most]


def _is_frame(word: str) -> bool:
    said = header_meaning(word)
    return said.event in (Event.END, Event.DISPLAY) or said.meaning is Meaning.INDEX


def _has_others(stamps: NDArray[np.float64], cells: NDArray[np.str_]) -> bool:
    """Whether moments of the usual word go on evenly, no matter whether rows of other words lie between them.

    The rarer word is not looked at: it may mark long frames, next to which one between them takes little.
    """
    at = np.flatnonzero(cells == Counter(cells.tolist()).most_common(1)[0][0])
    steps, holds_others = np.diff(stamps[at]), np.diff(at) > 1
    with_others, without = steps[holds_others], steps[~holds_others]
    return with_others.size >= _LEAST_EVENTS <= without.size and middle(with_others) < _ONE_STEP * middle(without)


def _asked_for(log: ChoiceSoFar, fact: ColumnFacts, words: Sequence[str], found: str) -> ColumnFacts:
    """The column, where a stream is asked for.

    Raises
    ------
    ReadError
        If none is.
    """
    if log.options.stream is not None:
        return fact
    raise ReadError.at(log.name, found, column=fact.name, helps=f"choose one, or all:  {_each(log.name, words)}")


def _each(name: str, words: Sequence[str]) -> str:
    return "  or  ".join(command(name, "--stream", word) for word in (*words[:4], EVERY_STREAM))


def _few_words(fact: ColumnFacts, least: int = _LEAST_ROWS) -> list[str]:
    """The words of a column that may part the rows: a few, each in ``least`` rows or more; else none."""
    others = (Meaning.SHOWN, Meaning.DROPPED, Meaning.TIMESTAMP, Meaning.TIME)
    cells = [*map(str.strip, fact.cells)] if fact.meaning not in others else []
    n = len(words := sorted(set(cells)))
    few = 2 <= n <= _FEW_STREAMS and min(Counter(cells).values()) >= least
    # Numbers of buffers come in turn.
    return words if few and not (fact.numeric and n > 2 and cells[n:] == cells[:-n]) else []


def _mixing(log: ChoiceSoFar) -> ColumnFacts | None:
    """A column that parts frame times without a clock into two kinds, as those of two programs are.

    Raises
    ------
    ReadError
        If there is one, and no stream is asked for.
    """
    named = [fact for fact in log.facts if fact.meaning in (Meaning.FRAME_TIME, Meaning.RATE, Meaning.TIME)]
    lengths = [fact for fact in named if fact.numeric and fact.course() is Course.VARIES]
    clocks = [f for f in log.facts if lengths and f.numeric and f.course() is Course.RISES and not f.is_counter()]
    for fact in log.facts if lengths and not clocks else ():
        cells, each = np.array([cell.strip() for cell in fact.cells]), lengths[0].ns()
        words = [] if fact in lengths or _holds_flags(fact) else _few_words(fact)
        if np.count_nonzero(cells[1:] != cells[:-1]) > 2 * len(words) > 0 and each.size == cells.size:
            kinds = [each[(cells == word) & np.isfinite(each)] for word in words]
            apart = max(map(middle, kinds)) > _TWO_KINDS * min(map(middle, kinds))
            if apart and max(map(_unevenness, kinds)) < _MUCH_MORE_EVEN * _unevenness(np.concatenate(kinds)):
                found = f"the frames of {' and '.join(map(repr, words[:4]))} differ in length, as those of two programs"
                return _asked_for(log, fact, words, found)
    return None


def _more_even(stamps: NDArray[np.float64], cells: NDArray[np.str_]) -> bool:
    whole = _unevenness(np.diff(stamps))
    parts = (stamps[cells == word] for word in set(cells.tolist()))
    return whole > _UNEVEN and all(_unevenness(np.diff(part)) < _MUCH_MORE_EVEN * whole for part in parts)


def _unevenness(steps: NDArray[np.float64]) -> float:
    usual = middle(steps)
    return float(np.abs(steps - usual).mean()) / usual if usual > 0 else float("inf")


def frame_number(facts: Sequence[ColumnFacts]) -> dict[str, ColumnUse]:
    """The column that counts the frames, as ``number``: whole numbers, and nearly all of them different."""

    def counts(fact: ColumnFacts) -> bool:
        numbers = fact.known_ns(NANOSECOND)
        whole = numbers.size > 1 and not (numbers % 1).any() and not fact.unit
        return bool(whole) and len(set(numbers.tolist())) * 3 > numbers.size

    named = [fact for fact in facts if fact.meaning is Meaning.INDEX and fact.numeric and not fact.said.unknown]
    best = _first([*filter(counts, named)], {"frame"})
    return {} if best is None else {"number": best.used_in(NANOSECOND)}


def busiest_rows(log: ChoiceSoFar) -> NDArray[np.bool_] | None:
    """Which of the first rows belong to the stream that will be read; ``None`` where there is one only."""
    told, wanted = log.layout.stream_column, log.options.stream
    fact = _stream(log) or _mixing(log) if told is None else column_named(log.facts, told, name=log.name)
    log.stream = fact
    if fact is None or wanted == EVERY_STREAM:
        return None
    cells = [cell.strip() for cell in fact.cells]
    counts = Counter(cells)
    if not 2 <= len(counts) <= len(cells) // 2:
        return None
    chosen = word_asked(counts, wanted or "") or _busiest(counts)[0]
    return np.array([cell == chosen for cell in cells])


def word_asked(words: Iterable[str], wanted: str) -> str | None:
    """Which of the words is the one asked for, whatever its case."""
    return next((word for word in words if word.casefold() == wanted.strip().casefold()), None)


_MAX_STREAMS: Final = 64


def unnamed_stream(wanted: str | None) -> tuple[Caveat, ...]:
    """A caveat where a stream was asked for and no column of the log names any."""
    if wanted is None:
        return ()
    whose = f"whether the frames are those of '{printable(wanted, limit=60)}' cannot be told"
    return (Caveat(code="stream-not-named", message=f"No column names an application: {whose}."),)


def chosen_stream(
    column: Any, wanted: str | None, name: str, *, unknown: NDArray[np.int64]
) -> tuple[NDArray[np.int64] | None, tuple[Caveat, ...]]:
    """Rows of the stream that is read (``None``: all), and a caveat where there was a choice.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Texts, or a dictionary of texts.
    wanted : str or None
    name : str
        Of the log.
    unknown : ndarray of int64
        Rows whose cell was lost: each may be a row of the stream, so the hole it leaves must be seen.

    Raises
    ------
    ReadError
        If the wanted stream is not there, or two are equally busy.
    """
    if wanted == EVERY_STREAM:
        return None, ()
    words, codes = coded(column)
    counts = np.bincount(np.delete(codes, unknown), minlength=len(words)).tolist()
    present = sorted((-count, word) for word, count in zip(words, counts, strict=True) if count)
    if wanted is None and not 2 <= len(present) <= _MAX_STREAMS:
        return None, ()
    caveats: tuple[Caveat, ...] = ()
    listed = ", ".join(f"'{printable(word, limit=40)}' ({-count})" for count, word in present[:8])
    if wanted is not None:
        if (chosen := word_asked((word for _, word in present), wanted)) is None:
            found = f"there is no stream '{printable(wanted, limit=60)}'"
            raise ReadError.at(name, found, helps=f"streams and rows: {listed}")
    else:
        chosen, *alike = _busiest({word: -count for count, word in present})
        if alike:
            helps = f"choose one, or all:  {_each(name, [word for _, word in present])}"
            raise ReadError.at(name, f"several streams are equally busy: {listed}", helps=helps)
        busiest = f"'{printable(chosen, limit=40)}' was read, of {listed}"
        message = f"The log holds {len(present)} streams; {busiest}. --stream chooses another."
        caveats = (Caveat(code="several-streams", message=message),)
    return np.union1d(np.flatnonzero(codes == words.index(chosen)), unknown).astype(np.int64), caveats


def coded(column: Any) -> tuple[list[str], NDArray[np.int64]]:
    """The words of a column of texts, in the order in which they come, and for each row the number of its word."""
    whole = (column if str(column.type).startswith("dictionary") else column.dictionary_encode()).combine_chunks()
    bare = [word.strip().strip("\"'").strip() for word in whole.dictionary.to_pylist()]
    numbers = {word: number for number, word in enumerate(dict.fromkeys(bare))}
    return list(numbers), np.array([numbers[word] for word in bare], dtype=np.int64)[np.from_dlpack(whole.indices)]
