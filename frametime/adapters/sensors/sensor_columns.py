"""Which column of a log is which quantity, by the words of its name and its unit; and the rows of one card."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.time_values import clean_texts
from frametime.adapters.columns.column_facts import ColumnFacts, layout_choice, shown_column
from frametime.adapters.columns.header_words import quantity_unit, unit_in_quantity_cell, words_of
from frametime.adapters.sensors.sensor_layout import CONVERSIONS, QUANTITIES
from frametime.adapters.text.cell_kind import CellKind, kind_of
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError, printable

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


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_LIMITS: Final = _words("limit target cap maximum max minimum min rated tdp default offset delta average avg mean peak")
_OTHERS: Final = _words("cpu processor system ram motherboard psu disk ambient room package wall outlet mains")
_SCREEN: Final = _words("refresh display monitor screen pixel sampling sample polling poll")
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
    """A column as it stands in the log: its name, its position from 0, and the unit outside its cells."""

    name: str
    position: int
    unit: str | None
    cells: tuple[str, ...]

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
    """A column that was chosen for a quantity; ``unit`` as a UCUM code, ``None`` where only its cells state it."""

    quantity: str
    column: NamedColumn
    unit: str | None
    evidence: str


@dataclass(frozen=True, kw_only=True)
class SensorChoice:
    """The columns chosen, one a quantity at most, and what must be known about the choice."""

    columns: tuple[SensorColumn, ...]
    caveats: tuple[Caveat, ...]


def choose_sensor_columns(
    columns: Sequence[NamedColumn], *, device: str | None = None, told: Collection[str] = ()
) -> SensorChoice:
    """Find the quantities among the columns of a log, without those whose column is told.

    A column needs a word of the quantity in its name and a unit in name, units row or cells; a unit is never guessed.
    Of two that fit equally well neither is taken, and a caveat says which line of a layout settles it.

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
        if len(best) == 1:
            unit = _unit_of(best[0], quantity)
            evidence = f"{quantity}: column {best[0].shown}, by its name, in {unit} (--sensor-layout overrides)"
            chosen.append(SensorColumn(quantity=quantity, column=best[0], unit=best[0].unit, evidence=evidence))
        elif best:
            caveats.append(_ambiguous(quantity, best))
        elif fitting and all(column.unit is None and column.cell_unit is None for column in fitting):
            caveats.append(_without_unit(quantity, fitting[0]))
    return SensorChoice(columns=tuple(chosen), caveats=tuple(caveats))


def names_device(name: str, device: str) -> bool:
    """Whether the name of a column speaks of that card: the whole of it, so that card 1 is not card 10.

    Examples
    --------
    >>> names_device("GPU 1 power (W)", "gpu 1"), names_device("GPU 10 power (W)", "gpu 1")
    (True, False)
    """
    word = re.escape(device.strip().casefold())
    return re.search(rf"(?<![^\W_]){word}(?![^\W_])", name.casefold()) is not None


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


_DEVICE_WORDS: Final = frozenset(("device", "card", "gpu", "adapter"))
_NAME_WORDS: Final = frozenset(("name", "index", "id", "number", "no", "nr", "uuid", "model"))
_MAX_DEVICES: Final = 16


class RowsOfDevice(NamedTuple):
    """The rows of one card, and how it was chosen."""

    rows: NDArray[np.int64]
    evidence: tuple[str, ...]


def device_column(facts: Sequence[ColumnFacts], used: Collection[int]) -> int | None:
    """Position of the column that names the card of each row; ``used`` are the positions of times and readings."""
    for fact in facts:
        words = set(words_of(fact.name))
        if fact.position in used or fact.unit is not None or quantity_unit(fact.name, fact.said) is not None:
            continue
        if not words or not words <= _DEVICE_WORDS | _NAME_WORDS or not words & (_DEVICE_WORDS | {"name"}):
            continue
        cells = Counter(cell.strip() for cell in fact.cells if kind_of(cell) is not CellKind.MISSING)
        if cells and sum(cells.values()) >= 2 * len(cells):
            return fact.position
    return None


def rows_of_device(texts: Any, wanted: str | None, *, name: str, column: str) -> RowsOfDevice:
    """The rows of the card that is wanted, or all where there is one.

    Parameters
    ----------
    texts : pyarrow.ChunkedArray
        Cells of the column that names the cards.
    wanted : str or None
    name, column : str
        Of the log and of that column, for messages.

    Raises
    ------
    SensorError
        If there are several and none was chosen, or the one that was chosen is not there.
    """
    cells = np.array(clean_texts(texts).to_pylist(), dtype=object)
    names = [str(cell) for cell in dict.fromkeys(cells.tolist())]
    listed = ", ".join(f"'{printable(each, limit=40)}'" for each in names[:_MAX_DEVICES])
    if wanted is None:
        if len(names) == 1:
            return RowsOfDevice(np.arange(cells.size, dtype=np.int64), ())
        raise SensorError.at(
            name,
            f"the log holds {len(names)} cards: {listed}",
            column=column or None,
            helps="choose one with --sensor-device",
        )
    found = next((each for each in names if each.casefold() == wanted.strip().casefold()), None)
    if found is None:
        raise SensorError.at(
            name,
            f"there is no card '{printable(wanted, limit=40)}'",
            column=column or None,
            helps=f"the log holds {listed}",
        )
    evidence = f"card: '{printable(found)}' of {len(names)}, chosen with --sensor-device"
    return RowsOfDevice(np.flatnonzero(cells == found), (evidence,))
