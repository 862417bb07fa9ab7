"""What one column says, by its name and its cells, and how a column is read once it is chosen."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from enum import StrEnum
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns import words as wording
from frametime.adapters.columns.layout import ColumnRef
from frametime.adapters.text import cells as text_cells
from frametime.adapters.text.cells import POINT, CellKind, NumberStyle, exact_value, is_value, kind_of, unit_in_cell
from frametime.caveats import Caveat
from frametime.errors import ReadError, did_you_mean, printable
from frametime.words import counted, joined

PLAUSIBLE_NS: Final = (200_000, 1_000_000_000)
"""The usual frame time lies between 5000 fps and one frame in 1 s (common practice, no source)."""
Rows = NDArray[np.bool_] | None
_SAMPLE: Final = 60
_FEW_STEPS: Final = 5
_SORTED_STEPS: Final = 20
# No time is so large; a sum of such numbers, or one in another unit, would be infinite.
_TOO_LARGE: Final = 1e280
_DRIFT: Final = 0.005
"""Share by which lengths of frames drift over a few rows, at most (common practice, no source)."""
_COARSE_RATE: Final = 0.01
"""Step of the rates, as a share of the usual rate, from which it is told (common practice, no source)."""


_FRACTION: Final = r"[.,:](\d{3,})\D*$|:\d+[.,](\d+)"
"""Digits of the seconds in a time of day."""
_OF_A_FRAME: Final = (wording.Event.DISPLAY, wording.Event.SUBMIT)
_TICKS: Final = frozenset(("tick", "ticks", "qpc", "counter", "cycles", "tsc"))


class Course(StrEnum):
    """How the values of a column go on."""

    RISES = "rises"
    VARIES = "varies"
    OPEN = "open"


class ColumnUse(NamedTuple):
    """One column that is read, and the unit it is read in."""

    position: int
    ref: ColumnRef
    unit: wording.Unit | None
    resolution_ns: int = 1


class ColumnFacts(NamedTuple):
    """One column of a log.

    Attributes
    ----------
    position : int
        Counted from 0.
    name : str
        Empty where it has none.
    ref : str or int
        How a layout refers to it: by name, or by position counted from 1 where the name is not its own.
    said : HeaderMeaning
    unit : Unit or None
        From the name, the units row, or the cells.
    unit_from : str
        Where the unit stands.
    cells, last_cells : tuple of str
        The first and the last rows.
    numeric : bool
        Whether most cells hold a value.
    style : NumberStyle
        How its numbers are read.
    """

    position: int
    name: str
    ref: ColumnRef
    said: wording.HeaderMeaning
    unit: wording.Unit | None
    unit_from: str
    cells: tuple[str, ...]
    last_cells: tuple[str, ...]
    numeric: bool
    style: NumberStyle = POINT

    @property
    def meaning(self) -> wording.Meaning:
        """What the name says."""
        return self.said.meaning

    @property
    def words(self) -> frozenset[str]:
        """The words of the name."""
        return frozenset(wording.words_of(self.name))

    @property
    def says_no_frame(self) -> bool:
        """Whether one word stands in all its cells, of what is measured beside the frame itself."""
        is_word = len({*self.cells}) == 1 and self.cells[0].lstrip("([{<")[:1].isalpha()
        return is_word and bool(wording.NO_FRAME & {*wording.words_of(self.cells[0])})

    @property
    def shown(self) -> str:
        """The column for messages: its name, or its place counted from 1 where it has none."""
        return f"'{printable(self.name, limit=60)}'" if self.name else f"number {self.position + 1}"

    @property
    def other_unit(self) -> wording.Unit | None:
        """The unit, not of time, that the name or the units row states, or that stands behind the first numbers."""
        cells = () if "".join(self.cells).replace(".", "").isdigit() else self.cells  # as nearly all are
        cell = next((cell for cell in cells if kind_of(cell) is CellKind.WITH_UNIT), "")
        return self.said.other_unit or wording.other_unit(cell.strip().lstrip("+-.,eE0123456789"))

    @property
    def is_of_sensor(self) -> bool:
        """Whether it holds readings of a sensor, or their names in its cells: by a unit, or by a word of the trade."""
        names = () if self.meaning in wording.TIME_MEANINGS else (self.name,) if self.numeric else {*self.cells}
        said = any(wording.WORDS["sensor"].intersection(wording.words_of(name)) for name in names)
        return said or self.other_unit is not None

    @property
    def names_cards(self) -> bool:
        """Whether its name says that it tells which card a row is of: ``pci.bus_id`` does, ``gpu power`` does not."""
        words, of_cards = {word for word in self.words if not word.isdigit()}, wording.WORDS["device"]
        known = words <= of_cards | wording.WORDS["device name"]
        return known and bool(words & (of_cards | {"name"}) or words == {"index"})

    @property
    def is_of_one_frame(self) -> bool:
        """Whether the name says something of a single frame: its moment, its number, its fate."""
        if self.meaning in wording.TIME_MEANINGS or self.meaning is wording.Meaning.INDEX:
            return re.search(r"(?i)(?<![a-z])frame(?![a-z])", self.name) is not None or self.said.event in _OF_A_FRAME
        return self.meaning in (wording.Meaning.SHOWN, wording.Meaning.DROPPED)

    @property
    def counts_ticks(self) -> bool:
        """Whether it holds ticks of a length that only the machine knows."""
        unsaid = self.unit is None and bool(_TICKS & self.words) and len(self.usual_units) > 1
        return unsaid and not (self.known_ns() % 1).any()

    def ns(self, unit: wording.Unit | None = None, *, last: bool = False) -> NDArray[np.float64]:
        """The first (or last) values in ns, NaN where there is none; close enough for a choice, not for a result."""
        return _ns_of(self.last_cells if last else self.cells, unit or self.unit or wording.NANOSECOND, self.style)

    def known_ns(self, unit: wording.Unit | None = None, rows: Rows = None) -> NDArray[np.float64]:
        """The first values in ns of the rows that count; those that are missing left out."""
        values = self.ns(unit)
        if rows is not None and rows.size >= values.size:
            values = values[rows[: values.size]]
        return values[np.isfinite(values)]

    def course(self, rows: Rows = None) -> Course:
        """Whether the values go on as moments do, or up and down as lengths do; open where a few rows allow both."""
        steps = in_order(np.diff(self.known_ns(None, rows)))
        rising, falling = np.count_nonzero(steps > 0), np.count_nonzero(steps < 0)
        if not steps.size or not rising:
            return Course.VARIES if steps.size else Course.OPEN
        if steps.size > _FEW_STEPS and not falling:
            # A coarse clock stands still; lengths seldom do without falling once.
            return Course.RISES if rising >= 3 else Course.OPEN
        # A clock goes far; lengths come back, even those that rise in small steps for a while. Of many rows the two
        # longest steps up do not count: the last lengths may be a stutter.
        usual = np.sort(steps)[:-2] if steps.size > _FEW_STEPS else steps
        gone_on = float(usual.sum()) / float(np.abs(usual).sum())
        if steps.size <= _FEW_STEPS:
            return Course.OPEN if gone_on >= 0.5 else Course.VARIES
        goes = gone_on >= 0.5 or (rising >= 0.9 * steps.size and falling <= 2)  # a counter may run over
        return Course.RISES if goes else Course.OPEN if gone_on >= 0.3 else Course.VARIES

    def is_sorted(self, rows: Rows = None) -> bool:
        """Whether the values go one way only, for longer than lengths of frames ever do, or faster than they drift."""
        values = self.known_ns(None, rows)
        ends = [each for each in (values, self.ns(last=True)) if each.size]
        drifts = all(float(np.ptp(each)) <= _DRIFT * float(each.min()) for each in ends)
        steps = in_order(np.diff(values))
        goes_on = steps.size > _SORTED_STEPS and not (steps < 0).any() and self.course(rows) is Course.RISES
        return goes_on and not (self.meaning is wording.Meaning.FRAME_TIME and drifts)

    @property
    def is_whole(self) -> bool:
        """Whether its first values are written as whole numbers."""
        return all(cell.strip().lstrip("+-").isdecimal() or not is_value(kind_of(cell)) for cell in self.cells)

    def is_counter(self, rows: Rows = None) -> bool:
        """Whether the values count by one, or never change: such a column without a name is no time."""
        values = self.known_ns(wording.NANOSECOND, rows)
        return values.size > 1 and bool((np.diff(values) == 1).all() or (np.ptp(values) == 0 and values[0] % 1 == 0))

    @property
    def units(self) -> tuple[wording.Unit, ...]:
        """The unit that is stated, or those that it can be."""
        return self.usual_units if self.unit is None else (self.unit,)

    @property
    def usual_units(self) -> tuple[wording.Unit, ...]:
        """The units that a column can be in that states none."""
        first = self.known_ns(wording.NANOSECOND)
        # Ticks of 100 ns since the years 1601 and 1 have 18 digits.
        if first.size and 1e17 < first[0] < 9e17:
            return (wording.TICK,)
        return (*wording.USUAL_UNITS, wording.TICK) if _TICKS & self.words else wording.USUAL_UNITS

    def resolution_ns(self, unit: wording.Unit) -> int:
        """Step of the last digit that is written, the coarser of the first and the last rows."""
        if unit is wording.RATE:
            return 1_000_000
        if unit.ns is None:
            # Clock times and dates: the digits of their seconds.
            fractions = (re.search(_FRACTION, cell) for cell in (*self.cells, *self.last_cells) if cell.strip())
            return int(10 ** max(0, 9 - min((len(each[1] or each[2]) if each else 0 for each in fractions), default=9)))
        # A cell may hold any exponent.
        power = min(18, max(_least_power(cells, self.style) for cells in (self.cells, self.last_cells or self.cells)))
        return max(1, round(unit.ns * int(10**power) if power > 0 else unit.ns / int(10**-power)))

    def used_in(self, unit: wording.Unit | None) -> ColumnUse:
        """The column, to be read in a unit, or as what has none."""
        return ColumnUse(self.position, self.ref, unit, 1 if unit is None else self.resolution_ns(unit))


def in_order(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Steps of values, or where all of many fall, as with the newest row first, those of the rows from below."""
    return -steps if steps.size > _FEW_STEPS and not (steps > 0).any() else steps


@lru_cache(maxsize=512)
def _ns_of(cells: tuple[str, ...], unit: wording.Unit, style: NumberStyle) -> NDArray[np.float64]:
    if unit.form in ("clock", "date") or len({unit_in_cell(cell) for cell in cells if cell[-1:].isalpha()}) > 1:
        exact = text_cells.exact_ns(cells, unit, style, relative=True)
        return np.array([np.nan if value is None else float(value) for value in exact])
    numbers = plain_numbers(cells, style)
    with np.errstate(divide="ignore", over="ignore"):  # a cell may hold any number
        return np.where(numbers > 0, 1e9 / numbers, np.nan) if unit.ns is None else numbers * float(unit.ns)


@lru_cache(maxsize=512)
def plain_numbers(cells: tuple[str, ...], style: NumberStyle) -> NDArray[np.float64]:
    """The numbers in a few cells, NaN where there is none or one that is far too large."""
    with suppress(ValueError):
        if not style.thousands and (style == POINT or "." not in "".join(cells)):
            values = np.array([cell.replace(style.decimal, ".") for cell in cells], dtype=np.float64)
            return np.where(np.abs(values) < _TOO_LARGE, values, np.nan)
    exact = [exact_value(cell, style) for cell in cells]
    return np.array([np.nan if value is None or abs(value) >= _TOO_LARGE else float(value) for value in exact])


def layout_choice(columns: Sequence[ColumnFacts]) -> str:
    """How a layout chooses one of several columns: by name, or by position where the names do not tell them apart.

    Examples
    --------
    >>> layout_choice(column_facts(("a", "b"), (), [], 2)), layout_choice(column_facts(("a", "a"), (), [], 2))
    ('"NAME"', '1 or 2, its position counted from 1')
    """
    names = {column.name for column in columns}
    if len(names) == len(columns) and all(names):
        return '"NAME"'
    return f"{' or '.join(str(column.position + 1) for column in columns)}, its position counted from 1"


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


def column_facts(
    names: Sequence[str],
    units_row: Sequence[str],
    rows: Sequence[tuple[str, ...]],
    n_columns: int,
    last_rows: Sequence[tuple[str, ...]] = (),
) -> tuple[ColumnFacts, ...]:
    """The facts of each column.

    Parameters
    ----------
    names, units_row : sequence of str
        One for each column, or empty.
    rows, last_rows : sequence of tuple of str
        Cells of the first and of the last rows, as many in each as there are columns.
    n_columns : int

    Examples
    --------
    >>> [fact.shown for fact in column_facts(("time", ""), (), [], 2)]
    ["'time'", 'number 2']
    """
    counts = Counter(names)
    found = []
    parts = rows[:_SAMPLE], last_rows[-_SAMPLE:]
    firsts, lasts = ([*zip(*part, strict=False)][:n_columns] or [()] * n_columns for part in parts)
    both = [*map(sum, zip(firsts, lasts, strict=True), [()] * n_columns)]
    for position, (cells, last_cells) in enumerate(zip(firsts, lasts, strict=True)):
        name = names[position] if names else ""
        unit_text = units_row[position] if units_row else _unit_beside(names, both, position)
        kinds = [*map(kind_of, cells)]
        filled = len(cells) - kinds.count(CellKind.MISSING)
        said = wording.header_meaning(name, unit_text)
        unit, unit_from = _unit(said, "beside the name" if unit_text.strip() else "in the name", cells, kinds, filled)
        if unit is not None and unit.form in ("rate", "number") and (name or unit is wording.RATE):
            said = wording.header_meaning(name, unit_text or unit.name)
        ref = name if name and counts[name] == 1 else position + 1
        numeric = filled > 0 and (filled - kinds.count(CellKind.TEXT)) * 2 > filled
        found.append(ColumnFacts(position, name, ref, said, unit, unit_from, cells, last_cells, numeric))
    return tuple(found)


def _unit_beside(names: Sequence[str], columns: Sequence[tuple[str, ...]], position: int) -> str:
    """The unit in all cells of the next column, where that is named as one of units; empty where it is of a sensor."""
    after = "".join(names[position + 1 : position + 2])
    told = {*columns[position + 1]} if wording.WORDS["unit"] & {*wording.words_of(after)} else set[str]()
    word = told.pop() if len(told) == 1 else ""
    is_bare = {*wording.words_of(names[position])} <= wording.WORDS["plain"] if names else True
    return "" if is_bare and wording.other_unit(word) else word


def _unit(
    said: wording.HeaderMeaning, place: str, cells: tuple[str, ...], kinds: list[CellKind], filled: int
) -> tuple[wording.Unit | None, str]:
    if kinds.count(CellKind.DATE) * 2 > filled > 0:
        return wording.DATE, "the cells are dates in ISO 8601 form"
    if kinds.count(CellKind.CLOCK) * 2 > filled > 0:
        return wording.CLOCK, "the cells have the form h:m:s"
    if said.unit is not None and said.unit not in (wording.DATE, wording.CLOCK):
        return said.unit, f"{said.unit.name} stands {place}"
    if kinds.count(CellKind.WITH_UNIT) * 2 > filled > 0:
        units = Counter(unit_in_cell(cell) for cell in cells if kind_of(cell) is CellKind.WITH_UNIT)
        if len(units) == 1 or all(unit is not None and unit.ns is not None for unit in units):
            return units.most_common(1)[0][0], "the unit stands in the cells"
    return None, "no unit"


class ColumnChoice(NamedTuple):
    """Which columns of a log are read as what.

    Attributes
    ----------
    uses : Mapping
        Role to column: ``time`` (timestamps), ``frame_time`` (or rates), ``gpu_work``, ``shown``, ``stream``, ..., and
        ``number`` (of the frame).
    style : NumberStyle
    evidence : dict
        Layout key to a sentence.
    caveats : tuple of Caveat
    usual_ns : tuple of int
        Length of the usual frame in the first and in the last rows.
    """

    uses: Mapping[str, ColumnUse]
    style: NumberStyle
    evidence: dict[str, str]
    caveats: tuple[Caveat, ...]
    usual_ns: tuple[int, ...]

    def timed(self) -> dict[str, tuple[int, wording.Unit]]:
        """Role to position and unit of each column of times or numbers that is read."""
        return {role: (use.position, use.unit) for role, use in self.uses.items() if use.unit is not None}

    def used_positions(self) -> set[int]:
        """Positions of every column that is read."""
        return {use.position for use in self.uses.values()}


@lru_cache(maxsize=256)
def _least_power(cells: tuple[str, ...], style: NumberStyle) -> int:
    """The power of ten of the last digit, of the cell with the most digits."""
    if not style.thousands and all(cell.isascii() and cell.replace(style.decimal, "", 1).isdigit() for cell in cells):
        return -max((len(cell.partition(style.decimal)[2]) for cell in cells), default=0)
    values = (exact_value(cell, style) for cell in cells)
    return min((0 if each is None else max(-30, int(each.as_tuple().exponent)) for each in values), default=0)


def coarse_rates(fact: ColumnFacts) -> tuple[Caveat, ...]:
    """A caveat where rates are written with so few digits that frame times come in steps of 1 % or more."""
    cells = tuple(cell for cell in (*fact.cells, *fact.last_cells) if cell.strip())
    step = 10.0 ** _least_power(cells, fact.style)
    rates = plain_numbers(cells, fact.style)
    usual = float(np.median(rates[rates > 0])) if (rates > 0).any() else np.inf
    if usual == np.inf or step < _COARSE_RATE * usual:
        return ()
    share = f"{100.0 * step / usual:.2g} % of the usual {usual:g} fps"
    message = f"Column {fact.shown} gives rates in steps of {step:g} fps, which is {share}: frame times are no finer."
    return (Caveat(code="coarse-rates", message=message),)
