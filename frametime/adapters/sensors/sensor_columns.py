"""Which column of a log is which quantity, by the words of its name and its unit, and what its cells say."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from typing import Final, NamedTuple

import numpy as np

from frametime.adapters.columns.column_facts import layout_choice, plain_numbers, shown_column
from frametime.adapters.columns.header_words import header_meaning
from frametime.adapters.columns.words import other_unit, words_of
from frametime.adapters.sensors.quantities import QUANTITIES, sensor_caveat
from frametime.adapters.text.cells import POINT, CellKind, NumberStyle, kind_of
from frametime.caveats import Caveat, Weight
from frametime.errors import printable

_DIGITS: Final = "+-.,eE0123456789"


class SensorColumn(NamedTuple):
    """A column as it stands in the log, and the quantity that it was chosen for.

    Attributes
    ----------
    name : str
    position : int
        Counted from 0.
    cells : tuple of str
        The first rows.
    unit : str or None
        UCUM code of the unit outside its cells.
    factor : float
        A reading is its number times this, in that unit: 0.1 for ``(0.1 W)``.
    quantity, evidence : str
        Empty where it was not chosen.
    """

    name: str
    position: int
    cells: tuple[str, ...]
    unit: str | None
    factor: float = 1.0
    quantity: str = ""
    evidence: str = ""

    @classmethod
    def of(cls, name: str, position: int, cells: tuple[str, ...], units_row: str | None = None) -> SensorColumn:
        """A column with the unit that its name or the units row states."""
        unit = header_meaning(name, units_row or "").other_unit
        return cls(name, position, cells, unit and unit.name, 1.0 if unit is None else float(unit.factor))

    @property
    def stated_unit(self) -> str | None:
        """The unit of the column, or that behind the numbers of its first cells."""
        if self.unit is not None:
            return self.unit
        cell = next((cell for cell in self.cells if kind_of(cell) is CellKind.WITH_UNIT), "")
        unit = other_unit(cell.strip().lstrip(_DIGITS))
        return unit and unit.name

    @property
    def shown(self) -> str:
        """The column for messages."""
        return shown_column(self.name, self.position)

    def speaks_for(self, quantity: str) -> bool:
        """Whether its name and its unit fit a quantity; the unit may still stand in the cells alone."""
        words, rule = set(words_of(self.name)), QUANTITIES[quantity]
        if words & rule.refused or not all(words & choice for choice in rule.needed):
            return False
        # A fan without a unit may turn in either; a share of memory is no amount.
        return self.stated_unit in rule.units or (self.stated_unit is None and quantity != "fan_pct")


def choose_sensor_columns(
    columns: Sequence[SensorColumn],
    *,
    device: str | None = None,
    told: Collection[str] = (),
    style: NumberStyle = POINT,
) -> tuple[tuple[SensorColumn, ...], tuple[Caveat, ...]]:
    """Find the quantities among the columns of a log, one column each, without those whose column is told.

    A column needs a word of the quantity in its name and a unit in name, units row or cells. Where no unit is stated,
    the one in which a card can have such readings is taken, with a note. Of two that fit equally well and differ
    neither is taken, and a caveat says which line of a layout settles it.

    Examples
    --------
    >>> columns = [SensorColumn("Board power [W]", 1, ("120.3",), "W")]
    >>> [found.quantity for found in choose_sensor_columns(columns)[0]]
    ['power_w']
    """
    chosen: list[SensorColumn] = []
    caveats: list[Caveat] = []
    # A column that does not name the card may be of another one.
    columns = [column for column in columns if device and names_device(column.name, device)] or columns
    for quantity in (each for each in QUANTITIES if each not in told):
        fitting = [column for column in columns if column.speaks_for(quantity)]
        best = _best([column for column in fitting if column.stated_unit is not None], quantity)
        if not best and (inferred := _without_stated_unit(_best(fitting, quantity), quantity, style)) is not None:
            best = [inferred]
            caveats.append(_inferred(quantity, inferred))
        if len({column.cells for column in best}) == 1:
            times = "" if best[0].factor == 1.0 else f"{best[0].factor:g} "
            unit = f"{times}{best[0].stated_unit}"
            evidence = f"{quantity}: column {best[0].shown}, by its name, in {unit} (--sensor-layout overrides)"
            chosen.append(best[0]._replace(quantity=quantity, evidence=evidence))
        elif best:
            caveats.append(_ambiguous(quantity, best))
        elif fitting:
            caveats.append(_without_unit(quantity, fitting[0]))
    return tuple(chosen), tuple(caveats)


def names_device(name: str, device: str) -> bool:
    """Whether the name of a column speaks of that card: the whole of it, so that card 1 is not card 10.

    Examples
    --------
    >>> names_device("GPU 1 power (W)", "gpu 1"), names_device("GPU 10 power (W)", "gpu 1")
    (True, False)
    """
    word = re.escape(device.strip().casefold())
    return re.search(rf"(?<![^\W_]){word}(?![^\W_])", name.casefold()) is not None


def _best(columns: Sequence[SensorColumn], quantity: str) -> list[SensorColumn]:
    """Those with the most words that speak for them."""
    counts = [len(set(words_of(column.name)) & QUANTITIES[quantity].better) for column in columns]
    return [column for column, count in zip(columns, counts, strict=True) if count == max(counts)]


def _without_stated_unit(columns: Sequence[SensorColumn], quantity: str, style: NumberStyle) -> SensorColumn | None:
    """The one column whose readings are plausible in the unit that is kept, with that unit."""
    usual = QUANTITIES[quantity].usual
    # A bracket states something that is not understood.
    if usual is None or len({column.cells for column in columns}) != 1 or re.search(r"[(\[{]", columns[0].name):
        return None
    numbers = plain_numbers(columns[0].cells, style)
    numbers = numbers[np.isfinite(numbers)]
    if not numbers.size or not usual[0] <= float(np.median(numbers)) <= usual[1]:
        return None
    return columns[0]._replace(unit=QUANTITIES[quantity].unit)


def _inferred(quantity: str, column: SensorColumn) -> Caveat:
    (low, high), unit = QUANTITIES[quantity].usual or (0, 0), QUANTITIES[quantity].unit
    message = (
        f"Column {column.shown} states no unit; its readings lie between {low:g} and {high:g}, so it is read as "
        f"{QUANTITIES[quantity].said} in {unit} (a sensor layout overrides: {quantity}_unit)."
    )
    return sensor_caveat("sensor-unit-inferred", message, Weight.NOTE)


def _ambiguous(quantity: str, columns: Sequence[SensorColumn]) -> Caveat:
    message = (
        f"{', '.join(column.shown for column in columns)} may each hold {QUANTITIES[quantity].said}, so none is used; "
        f"settle it in a sensor layout with the line: {quantity} = "
        f"{layout_choice([(column.name, column.position) for column in columns])}"
    )
    return sensor_caveat("sensor-ambiguous-column", message)


def _without_unit(quantity: str, column: SensorColumn) -> Caveat:
    message = (
        f"Column {column.shown} may hold {QUANTITIES[quantity].said} but states no unit that is known, so it is not "
        f'used; give it in a sensor layout: {quantity} = "{printable(column.name, limit=60)}" and '
        f'{quantity}_unit = "{QUANTITIES[quantity].unit}"'
    )
    return sensor_caveat("sensor-unit-unknown", message)
