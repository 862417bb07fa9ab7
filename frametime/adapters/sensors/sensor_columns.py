"""Which column of a log is which quantity, by the words of its name and its unit; and the rows of one card."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from frametime.adapters.columns.column_facts import ColumnFacts, layout_choice, shown_column
from frametime.adapters.columns.header_words import quantity_unit, unit_in_quantity_cell, words_of
from frametime.adapters.sensors.sensor_cards import names_device
from frametime.adapters.sensors.sensor_layout import CONVERSIONS, QUANTITIES
from frametime.adapters.text.cell_kind import CellKind, kind_of
from frametime.adapters.text.number_style import POINT, NumberStyle, exact_value
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight
from frametime.errors import printable

_DIGITS: Final = "+-.,eE0123456789"


@dataclass(frozen=True, kw_only=True)
class QuantityWords:
    """Words that a column's name must and must not hold, and words that make it the better of two.

    ``needed`` is a choice of sets: one of each must be there. The words are those of the trade and of the SI, not of
    any program.
    """

    needed: tuple[frozenset[str], ...]
    refused: frozenset[str]
    better: frozenset[str]


_JOINED: Final = (
    r"(?:^|[\s(\[{_,;])[x×*]?\s*(\d+(?:[.,]\d+)?(?:[eE][+-]?\d{1,2})?|(?:ten|hundred|thousand)ths? of)\s*[x×*]?\s*"
    r"([A-Za-zµμ%°]{1,4})\s*[)\]}]?\s*$"
)
_PARTS: Final[Mapping[str, float]] = MappingProxyType({"ten": 0.1, "hundred": 0.01, "thousand": 0.001})


def _with_factor(name: str) -> tuple[str, float] | None:
    """The unit and the number joined to it at the end of a name; ``None`` where there is no such number.

    Examples
    --------
    >>> _with_factor("power (0.1 W)"), _with_factor("core clock (10 MHz)"), _with_factor("GPU 1 power (W)")
    (('W', 0.1), ('MHz', 10.0), None)
    """
    found = re.search(_JOINED, name)
    unit = None if found is None else unit_in_quantity_cell(found[2])
    if found is None or unit is None:
        return None
    part = _PARTS.get(found[1].partition("th")[0])
    return unit, float(found[1].replace(",", ".")) if part is None else part


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_LIMITS: Final = _words(
    "limit target cap maximum max minimum min rated tdp default offset delta average avg mean peak requested request "
    "wanted desired setpoint programmed nominal allowed expected predicted"
)
_OTHERS: Final = _words(
    "cpu processor system ram motherboard mainboard psu disk ssd nvme hdd drive storage chipset battery ambient room "
    "case air water coolant liquid pump package wall outlet mains display monitor screen"
)
_SCREEN: Final = _words("refresh pixel sampling sample polling poll")
_MEMORY: Final = _words("memory mem vram")

WORDS: Final[Mapping[str, QuantityWords]] = MappingProxyType(
    {
        "power_w": QuantityWords(
            needed=(_words("power draw drawn watt watts w consumption"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("fan slot connector rail"),
            better=_words("board card total"),
        ),
        "temperature_c": QuantityWords(
            needed=(_words("temperature temp temperatures thermal"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("hotspot hot spot junction fan vrm"),
            better=_words("gpu card core edge"),
        ),
        "core_clock_mhz": QuantityWords(
            needed=(_words("clock frequency freq clk"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _SCREEN | _words("base boost fan video bus shader"),
            better=_words("core gpu graphics"),
        ),
        "memory_clock_mhz": QuantityWords(
            needed=(_words("clock frequency freq clk"), _MEMORY),
            refused=_LIMITS | _OTHERS | _SCREEN | _words("base boost fan video bus"),
            better=frozenset(),
        ),
        "utilization_pct": QuantityWords(
            needed=(_words("utilization utilisation usage load busy util"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("fan video bus encoder decoder power"),
            better=_words("gpu card core"),
        ),
        "fan_rpm": QuantityWords(needed=(_words("fan fans"),), refused=_LIMITS | _OTHERS, better=frozenset()),
        "fan_pct": QuantityWords(needed=(_words("fan fans"),), refused=_LIMITS | _OTHERS, better=frozenset()),
        "voltage_v": QuantityWords(
            needed=(_words("voltage volt volts vcore vdd"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("input rail slot connector"),
            better=_words("core gpu"),
        ),
        "memory_used_mib": QuantityWords(
            needed=(_MEMORY, _words("used usage allocated use")),
            refused=_LIMITS | _OTHERS | _words("free total"),
            better=_words("gpu card vram"),
        ),
    }
)


@dataclass(frozen=True, kw_only=True)
class NamedColumn:
    """A column as it stands in the log: its name, its position from 0, and the unit outside its cells.

    ``factor`` is the number that stands before the unit, as in ``(0.1 W)``.
    """

    name: str
    position: int
    unit: str | None
    cells: tuple[str, ...]
    factor: float = 1.0

    @classmethod
    def of(cls, fact: ColumnFacts) -> NamedColumn:
        """A column with the unit that its name or the units row states."""
        unit, factor = _with_factor(fact.name) or (quantity_unit(fact.name, fact.said), 1.0)
        return cls(name=fact.name, position=fact.position, unit=unit, cells=fact.cells, factor=factor)

    @property
    def cell_unit(self) -> str | None:
        """Unit that stands behind the numbers of the first cells, where there is one."""
        for cell in self.cells:
            if kind_of(cell) is CellKind.WITH_UNIT:
                return unit_in_quantity_cell(cell.strip().lstrip(_DIGITS).strip())
        return None

    @property
    def shown(self) -> str:
        """The column for messages."""
        return shown_column(self.name, self.position)


@dataclass(frozen=True, kw_only=True)
class SensorColumn:
    """A column that was chosen for a quantity; ``unit`` as a UCUM code, ``None`` where only its cells state it.

    A reading is its number times ``factor``, in that unit.
    """

    quantity: str
    column: NamedColumn
    unit: str | None
    evidence: str
    factor: float = 1.0


@dataclass(frozen=True, kw_only=True)
class SensorChoice:
    """The columns chosen, one a quantity at most, and what must be known about the choice."""

    columns: tuple[SensorColumn, ...]
    caveats: tuple[Caveat, ...]


def choose_sensor_columns(
    columns: Sequence[NamedColumn],
    *,
    device: str | None = None,
    told: Collection[str] = (),
    style: NumberStyle = POINT,
) -> SensorChoice:
    """Find the quantities among the columns of a log, without those whose column is told.

    A column needs a word of the quantity in its name and a unit in name, units row or cells. Where no unit is stated,
    the one in which a card can have such readings is taken, with a note. Of two that fit equally well and differ
    neither is taken, and a caveat says which line of a layout settles it.

    Examples
    --------
    >>> columns = [NamedColumn(name="Board power [W]", position=1, unit="W", cells=("120.3",))]
    >>> [found.quantity for found in choose_sensor_columns(columns).columns]
    ['power_w']
    """
    chosen: list[SensorColumn] = []
    caveats: list[Caveat] = []
    # A column that does not name the card may be of another one.
    of_device = [column for column in columns if device is not None and names_device(column.name, device)]
    for quantity in (each for each in QUANTITIES if each not in told):
        fitting = [column for column in columns if fits(column, quantity)]
        if of_device:
            fitting = [column for column in fitting if column in of_device]
        with_unit = [column for column in fitting if _unit_of(column, quantity) is not None]
        best = _best(with_unit, quantity)
        if not best and (inferred := _without_stated_unit(_best(fitting, quantity), quantity, style)) is not None:
            fitting = best = [inferred]
            caveats.append(_inferred(quantity, inferred))
        if best and len({column.cells for column in best}) == 1:
            unit = _unit_of(best[0], quantity)
            times = "" if best[0].factor == 1.0 else f"{best[0].factor:g} "
            evidence = f"{quantity}: column {best[0].shown}, by its name, in {times}{unit} (--sensor-layout overrides)"
            factor = best[0].factor if best[0].unit is not None else 1.0
            chosen.append(
                SensorColumn(quantity=quantity, column=best[0], unit=best[0].unit, factor=factor, evidence=evidence)
            )
        elif best:
            caveats.append(_ambiguous(quantity, best))
        elif fitting and all(column.unit is None and column.cell_unit is None for column in fitting):
            caveats.append(_without_unit(quantity, fitting[0]))
    return SensorChoice(columns=tuple(chosen), caveats=tuple(caveats))


_INFERRED: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "power_w": (3.0, 1500.0),
        "temperature_c": (15.0, 115.0),
        "core_clock_mhz": (100.0, 6000.0),
        "memory_clock_mhz": (100.0, 30_000.0),
        "utilization_pct": (2.0, 100.0),
        "voltage_v": (0.4, 2.0),
    }
)
"""Where no unit is stated, typical readings between these are in the unit that is kept (common practice, no source)."""


def _without_stated_unit(columns: Sequence[NamedColumn], quantity: str, style: NumberStyle) -> NamedColumn | None:
    """The one column whose readings are plausible in the unit that is kept, with that unit."""
    if quantity not in _INFERRED or len({column.cells for column in columns}) != 1:
        return None
    column = columns[0]
    # A bracket states something that is not understood.
    if column.unit is not None or column.cell_unit is not None or re.search(r"[(\[{]", column.name):
        return None
    numbers = [float(value) for cell in column.cells if (value := exact_value(cell, style)) is not None]
    low, high = _INFERRED[quantity]
    if not numbers or not low <= float(np.median(numbers)) <= high or max(numbers) < low:
        return None
    return replace(column, unit=SENSOR_COLUMNS[quantity][1])


def _inferred(quantity: str, column: NamedColumn) -> Caveat:
    low, high = _INFERRED[quantity]
    unit = SENSOR_COLUMNS[quantity][1]
    return Caveat(
        code="sensor-unit-inferred",
        message=f"Column {column.shown} states no unit; its readings lie between {low:g} and {high:g}, so it is "
        f"read as {SENSOR_COLUMNS[quantity][2]} in {unit} (a sensor layout overrides: {quantity}_unit).",
        weight=Weight.NOTE,
    )


def _unit_of(column: NamedColumn, quantity: str) -> str | None:
    unit = column.unit or column.cell_unit
    return unit if unit in CONVERSIONS[SENSOR_COLUMNS[quantity][1]] else None


def fits(column: NamedColumn, quantity: str) -> bool:
    """Whether name and unit of a column speak for a quantity; its unit may still stand in the cells alone."""
    words, rule = set(words_of(column.name)), WORDS[quantity]
    if words & rule.refused or not all(words & choice for choice in rule.needed):
        return False
    unit = column.unit or column.cell_unit
    if unit is None:
        # A fan without a unit may turn in either; a share of memory is no amount.
        return quantity != "fan_pct"
    return unit in CONVERSIONS[SENSOR_COLUMNS[quantity][1]]


def _best(columns: Sequence[NamedColumn], quantity: str) -> list[NamedColumn]:
    """Those with the most words that speak for them."""
    counts = [len(set(words_of(column.name)) & WORDS[quantity].better) for column in columns]
    return [column for column, count in zip(columns, counts, strict=True) if count == max(counts)]


def _ambiguous(quantity: str, columns: Sequence[NamedColumn]) -> Caveat:
    listed = [column.shown for column in columns]
    return Caveat(
        code="sensor-ambiguous-column",
        message=f"{', '.join(listed)} may each hold {SENSOR_COLUMNS[quantity][2]}, so none is used; settle it in a "
        f"sensor layout with the line: {quantity} = {layout_choice([(c.name, c.position) for c in columns])}",
        weight=Weight.CARE,
    )


def _without_unit(quantity: str, column: NamedColumn) -> Caveat:
    return Caveat(
        code="sensor-unit-unknown",
        message=f"Column {column.shown} may hold {SENSOR_COLUMNS[quantity][2]} but states no unit that is known, so it "
        f'is not used; give it in a sensor layout: {quantity} = "{printable(column.name, limit=60)}" and '
        f'{quantity}_unit = "{SENSOR_COLUMNS[quantity][1]}"',
        weight=Weight.CARE,
    )
