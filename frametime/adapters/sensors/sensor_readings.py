"""The cells of a column as readings of a quantity, how their numbers are written, and what must be known about them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import compute, numpy_of, text_scalar
from frametime.adapters.clocks.time_units import CLOCK, DATE
from frametime.adapters.clocks.time_values import clean_texts, is_missing, with_point
from frametime.adapters.columns.column_facts import ColumnFacts
from frametime.adapters.columns.header_words import unit_in_quantity_cell
from frametime.adapters.columns.layout import Layout
from frametime.adapters.sensors.sensor_columns import SensorColumn
from frametime.adapters.sensors.sensor_layout import CONVERSIONS
from frametime.adapters.text.cell_kind import is_value, kind_of
from frametime.adapters.text.number_style import NumberStyle, exact_value, number_styles, told_style
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight
from frametime.errors import SensorError
from frametime.words import counted


def sensor_number_style(facts: Sequence[ColumnFacts], layout: Layout, name: str) -> NumberStyle:
    """The style of the numbers, as told or as the first cells show it.

    Raises
    ------
    SensorError
        If two styles fit, or no style fits every column.
    """
    if (told := told_style(layout)) is not None:
        return told
    numbers = [_numbers(fact) for fact in facts]
    styles, why = number_styles(cell for cells in numbers for cell in cells)
    if len(styles) > 1:
        shown = " or ".join(_as_layout(style) for style in styles)
        raise SensorError.at(name, why, helps=f"say which in a sensor layout: {shown}")
    for fact, cells in zip(facts, numbers, strict=True):
        odd = [cell for cell in cells if exact_value(cell, styles[0]) is None]
        # A few such cells are faults, which are counted when the column is read.
        if 2 * len(odd) > len(cells):
            raise SensorError.at(
                name,
                f"'{odd[0].strip()}' is written in another way than the numbers of other columns ({why})",
                column=fact.name or None,
                helps='write all in one way, or say in a sensor layout which counts: decimal = "," or decimal = "."',
            )
    return styles[0]


def _numbers(fact: ColumnFacts) -> list[str]:
    if not fact.numeric or fact.unit in (DATE, CLOCK):
        return []
    return [cell for cell in fact.cells if is_value(kind_of(cell))]


def _as_layout(style: NumberStyle) -> str:
    return f'decimal = "{style.decimal}"' + (f' with thousands = "{style.thousands}"' if style.thousands else "")


_NUMBER: Final = (
    r"^(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(?P<unit>[A-Za-zµμ/%°]{0,12})$"
)

PLAUSIBLE: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "power_w": (0.0, 3000.0),
        "temperature_c": (-40.0, 130.0),
        "core_clock_mhz": (0.0, 10_000.0),
        "memory_clock_mhz": (0.0, 50_000.0),
        "utilization_pct": (0.0, 100.5),
        "fan_rpm": (0.0, 30_000.0),
        "fan_pct": (0.0, 200.0),
        "voltage_v": (0.0, 5.0),
        "memory_used_mib": (0.0, 2.0**22),
    }
)
"""Readings outside are taken for another unit or a fault, and left out (common practice, no source)."""


LEAST_HIGH: Final[Mapping[str, float]] = MappingProxyType(
    {
        "power_w": 1.0,
        "core_clock_mhz": 20.0,
        "memory_clock_mhz": 20.0,
        "utilization_pct": 1.0,
        "voltage_v": 0.1,
        "memory_used_mib": 1.0,
    }
)
"""Where no reading is above this, and not all are 0, the unit is another (common practice, no source)."""

NEVER_ZERO: Final = frozenset(("power_w", "temperature_c", "core_clock_mhz", "memory_clock_mhz", "voltage_v"))
"""Quantities that are not exactly 0 while a card draws frames: some programs write 0 for no reading."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings:
    """One quantity in the unit that is kept: NaN where a cell holds no usable number.

    Attributes
    ----------
    values : ndarray of float64, shape (n_rows,)
    missing : ndarray of bool, shape (n_rows,)
        Cells that are empty or a word such as ``N/A``.
    broken : ndarray of bool, shape (n_rows,)
        Cells that hold something that is not a number in a known unit.
    outside : ndarray of bool, shape (n_rows,)
        Numbers that no card can have.
    nothing : Mapping of float to int
        Numbers that stand for no reading, and how many of each were left out.
    alone : tuple of float
        Readings far above those on either side, and above all others.
    units : tuple of str
        Units that stand in the cells.
    """

    values: NDArray[np.float64]
    missing: NDArray[np.bool_]
    broken: NDArray[np.bool_]
    outside: NDArray[np.bool_]
    nothing: Mapping[float, int]
    alone: tuple[float, ...]
    units: tuple[str, ...]


def readings(column: Any, chosen: SensorColumn, style: NumberStyle) -> Readings:
    """The cells of a column of texts as numbers of a quantity; a cell whose unit contradicts the column's is broken."""
    import pyarrow as pa

    pc = compute()
    quantity, unit = chosen.quantity, chosen.unit
    texts = clean_texts(column)
    absent = is_missing(texts)
    parts = pc.extract_regex(with_point(texts, style), _NUMBER)
    number = pc.fill_null(pc.struct_field(parts, [0]), text_scalar("nan"))
    stated = pc.fill_null(pc.struct_field(parts, [1]), text_scalar(""))
    raw = np.asarray(numpy_of(_chunked(pc.cast(number, pa.float64()))), dtype=np.float64)
    values = np.full(raw.size, np.nan)
    known = CONVERSIONS[SENSOR_COLUMNS[quantity][1]]
    units = []
    for word in sorted(pc.unique(stated).to_pylist()):
        code = unit if word == "" else unit_in_quantity_cell(word)
        if code is None or code not in known or (unit is not None and code != unit):
            continue
        here = np.asarray(numpy_of(_chunked(pc.cast(pc.equal(stated, text_scalar(word)), pa.uint8()))), dtype=np.bool_)
        factor, added = known[code]
        values[here] = raw[here] * (factor if word else factor * chosen.factor) + added
        if word:
            units.append(word)
    values[~np.isfinite(values)] = np.nan
    nothing = _stand_for_nothing(raw, values, quantity)
    left_out = np.isin(raw, list(nothing)) & np.isfinite(values)
    values[left_out] = np.nan
    low, high = PLAUSIBLE[quantity]
    outside = (values < low) | (values > high)
    values[outside] = np.nan
    alone = _stand_alone(values) if quantity == "power_w" else np.zeros(values.size, dtype=np.bool_)
    high_alone = tuple(float(value) for value in values[alone])
    values[alone] = np.nan
    return Readings(
        values=values,
        missing=absent,
        broken=np.isnan(values) & ~absent & ~outside & ~left_out & ~alone,
        outside=outside,
        nothing=nothing,
        alone=high_alone,
        units=tuple(units),
    )


_NO_READINGS: Final = (65535.0, 9999.0, -1.0, 255.0)
"""What programs write where a sensor does not answer (common practice, no source)."""


def _stand_for_nothing(raw: NDArray[np.float64], values: NDArray[np.float64], quantity: str) -> dict[float, int]:
    """Numbers that stand for no reading, far from all others, and how many there are; 0 too where no card has it."""
    usable = np.isfinite(values)
    candidates = [number for number in _NO_READINGS if (raw[usable] == number).any()]
    if quantity in NEVER_ZERO and (values == 0.0).any():
        candidates.append(0.0)
    if not candidates:
        return {}
    others = raw[usable & ~np.isin(raw, candidates)]
    found = {}
    for number in candidates:
        high, low = (float(others.max()), float(others.min())) if others.size else (0.0, 0.0)
        if number == 0.0 or number > 1.5 * high or (number < 0.0 <= low):
            found[number] = int(np.count_nonzero(raw[usable] == number))
    return found


def _stand_alone(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Single readings above three times both neighbors and twice all others: no card goes there and back in a step."""
    alone = np.zeros(values.size, dtype=np.bool_)
    inner = values[1:-1]
    with np.errstate(invalid="ignore"):
        alone[1:-1] = (inner > 3.0 * values[:-2]) & (inner > 3.0 * values[2:])
    if not alone.any():
        return alone
    highest = float(np.max(values[~alone], where=np.isfinite(values[~alone]), initial=0.0))
    alone &= values > 2.0 * highest
    return alone


def _chunked(column: Any) -> Any:
    import pyarrow as pa

    return column if isinstance(column, pa.ChunkedArray) else pa.chunked_array([column])


def _doubtful(values: NDArray[np.float64], column: SensorColumn) -> list[Caveat]:
    """Readings that are used as they stand, although a card at work hardly has them."""
    caveats = []
    unit = SENSOR_COLUMNS[column.quantity][1]
    largest = float(values.max(initial=0.0))
    if 0.0 < largest <= LEAST_HIGH.get(column.quantity, 0.0):
        caveats.append(
            Caveat(
                code="sensor-unit-doubtful",
                message=f"No reading in column {column.column.shown} is above {largest:.3g} (in {unit}), which is too "
                f"low for {column.quantity}. Is its unit another? A sensor layout states it, such as "
                f'{column.quantity}_unit = "{unit}".',
            )
        )
    return caveats


def reading_caveats(found: Readings, column: SensorColumn) -> list[Caveat]:
    """What must be known about the cells of one column."""
    caveats = []
    if found.outside.any():
        unit = SENSOR_COLUMNS[column.quantity][1]
        caveats.append(
            Caveat(
                code="sensor-out-of-range",
                message=f"Column {column.column.shown}: {int(found.outside.sum())} of {found.outside.size} readings "
                f"beyond anything that {column.quantity} can be (in {unit}), left out. Did the unit change in the "
                "log?",
                weight=Weight.CARE,
            )
        )
    if found.nothing:
        count = sum(found.nothing.values())
        listed = " and ".join(f"{number} of {value:g}" for value, number in found.nothing.items())
        caveats.append(
            Caveat(
                code="sensor-no-reading",
                message=f"Column {column.column.shown}: {count} of {found.values.size} readings stand for none, and "
                f"are left out ({listed}).",
                weight=Weight.CARE if count > 0.05 * found.values.size else Weight.NOTE,
            )
        )
    if found.alone:
        unit = SENSOR_COLUMNS[column.quantity][1]
        caveats.append(
            Caveat(
                code="sensor-reading-alone",
                message=f"Column {column.column.shown}: {counted(len(found.alone), 'reading')} far above those before "
                f"and after, up to {max(found.alone):g} {unit}, left out.",
            )
        )
    caveats += _doubtful(found.values[np.isfinite(found.values)], column)
    if found.broken.any():
        caveats.append(
            Caveat(
                code="sensor-cells-unreadable",
                message=f"Column {column.column.shown}: {int(found.broken.sum())} of {found.broken.size} cells without "
                "a number in its unit, left out.",
                weight=Weight.CARE,
            )
        )
    if len(found.units) > 1:
        caveats.append(
            Caveat(
                code="sensor-unit-mixed",
                message=f"Cells in column {column.column.shown} are in {' and in '.join(found.units)}; each is "
                "converted by its own unit.",
                weight=Weight.NOTE,
            )
        )
    return caveats
