"""What one column says, by its name and by its first cells: the facts from which the time column is chosen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Final, NamedTuple

from frametime.adapters.cells import CellKind, is_value, kind_of
from frametime.adapters.header_words import Event, HeaderMeaning, Meaning, header_meaning
from frametime.adapters.layout import ColumnRef
from frametime.adapters.number_style import NumberStyle, exact_ns, exact_value, unit_in_cell
from frametime.adapters.time_units import CLOCK, DATE, TimeUnit
from frametime.errors import printable

PLAUSIBLE_NS: Final = (50_000, 2_000_000_000)
"""Typical frame times lie between 20 000 fps and one frame in 2 s (common practice, no source)."""
GOES_UP_AND_DOWN: Final = 0.75
"""Values of which at most this share of the steps rise are no timestamps (common practice, no source)."""
_SAMPLE: Final = 60


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
    unit : TimeUnit or None
        From the name, the units row, or the cells.
    unit_from : str
        Where the unit stands.
    cells, last_cells : tuple of str
        The first and the last rows.
    numeric : bool
        Whether most cells hold a value.
    """

    position: int
    name: str
    ref: ColumnRef
    said: HeaderMeaning
    unit: TimeUnit | None
    unit_from: str
    cells: tuple[str, ...]
    last_cells: tuple[str, ...]
    numeric: bool

    @property
    def meaning(self) -> Meaning:
        """What the name says."""
        return self.said.meaning

    @property
    def event(self) -> Event:
        """Which moment the name says."""
        return self.said.event

    @property
    def shown(self) -> str:
        """The column for messages."""
        return shown_column(self.name, self.position)

    def values(self, style: NumberStyle, unit: TimeUnit | None = None) -> list[int]:
        """The first values in ns; without a unit, in billionths of whatever it is."""
        unit = unit or self.unit
        if unit is None:
            plain = (exact_value(cell, style) for cell in self.cells)
            return [round(value * 10**9) for value in plain if value is not None]
        timed = (exact_ns(cell, unit, style) for cell in self.cells)
        return [value for value in timed if value is not None]

    def rising_fraction(self, style: NumberStyle) -> float | None:
        """Share of steps that go up; ``None`` with fewer than two values."""
        values = self.values(style)
        if len(values) < 2:
            return None
        steps = [b - a for a, b in pairwise(values)]
        return sum(step > 0 for step in steps) / len(steps)

    def mostly_rises(self, style: NumberStyle) -> bool:
        """Whether the first values can be moments in their order: lengths of time go up and down."""
        rising = self.rising_fraction(style)
        return rising is None or rising > GOES_UP_AND_DOWN


def shown_column(name: str, position: int) -> str:
    """A column for messages: its name, or its place counted from 1 where it has none.

    Examples
    --------
    >>> shown_column("time", 0), shown_column("", 2)
    ("'time'", 'number 3')
    """
    return f"'{printable(name, limit=60)}'" if name else f"number {position + 1}"


def layout_choice(columns: Sequence[tuple[str, int]]) -> str:
    """How a layout chooses one of several columns: by name, or by position where the names do not tell them apart.

    Examples
    --------
    >>> layout_choice([("a", 1), ("b", 2)]), layout_choice([("a", 1), ("a", 2)])
    ('"NAME"', '2 or 3, its position counted from 1')
    """
    names = {name for name, _ in columns}
    if len(names) == len(columns) and all(names):
        return '"NAME"'
    return f"{' or '.join(str(position + 1) for _, position in columns)}, its position counted from 1"


def column_facts(
    names: tuple[str, ...],
    units_row: tuple[str, ...],
    rows: list[tuple[str, ...]],
    n_columns: int,
    last_rows: list[tuple[str, ...]] | None = None,
) -> tuple[ColumnFacts, ...]:
    """The facts of each column.

    Parameters
    ----------
    names, units_row : tuple of str
        One for each column, or empty.
    rows : list of tuple of str
        Cells of the first rows.
    n_columns : int
    last_rows : list of tuple of str, optional
        Cells of the last rows.
    """
    counts = Counter(names)
    found = []
    for position in range(n_columns):
        name = names[position] if names else ""
        unit_text = units_row[position] if units_row else ""
        cells = tuple(row[position] for row in rows[:_SAMPLE] if len(row) > position)
        kinds = Counter(kind_of(cell) for cell in cells)
        filled = sum(count for kind, count in kinds.items() if kind is not CellKind.MISSING)
        said = header_meaning(name, unit_text)
        unit, unit_from = _unit(said, unit_text, cells, kinds, filled)
        found.append(
            ColumnFacts(
                position=position,
                name=name,
                ref=name if name and counts[name] == 1 else position + 1,
                said=said,
                unit=unit,
                unit_from=unit_from,
                cells=cells,
                last_cells=tuple(row[position] for row in (last_rows or [])[-_SAMPLE:] if len(row) > position),
                numeric=filled > 0 and sum(count for kind, count in kinds.items() if is_value(kind)) * 2 > filled,
            )
        )
    return tuple(found)


def _unit(
    said: HeaderMeaning, unit_text: str, cells: tuple[str, ...], kinds: Counter[CellKind], filled: int
) -> tuple[TimeUnit | None, str]:
    if kinds[CellKind.DATE] * 2 > filled > 0:
        return DATE, "the cells are dates in ISO 8601 form"
    if kinds[CellKind.CLOCK] * 2 > filled > 0:
        return CLOCK, "the cells have the form h:m:s"
    if said.unit is not None and said.unit not in (DATE, CLOCK):
        return said.unit, f"{said.unit.name} stands in " + ("the units row" if unit_text.strip() else "the name")
    if kinds[CellKind.WITH_UNIT] * 2 > filled > 0:
        units = {unit_in_cell(cell) for cell in cells if kind_of(cell) is CellKind.WITH_UNIT}
        if len(units) == 1 and None not in units:
            (unit,) = units
            return unit, "the unit stands in the cells"
    return None, "no unit"
