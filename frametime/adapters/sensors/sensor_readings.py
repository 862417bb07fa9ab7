"""The cells of a column as readings of a quantity, and what must be known about them."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import compute, numpy_of, text_scalar
from frametime.adapters.columns.words import other_unit
from frametime.adapters.sensors.quantities import QUANTITIES, sensor_caveat
from frametime.adapters.sensors.sensor_columns import SensorColumn
from frametime.adapters.text.cells import NumberStyle
from frametime.adapters.time_values import bools, clean_texts, is_missing, with_point
from frametime.caveats import Caveat, Weight
from frametime.words import counted

_NUMBER: Final = (
    r"^(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(?P<unit>[A-Za-zµμ/%°]{0,12})$"
)
_NO_READINGS: Final = (65535.0, 9999.0, -1.0, 255.0)
"""What programs write where a sensor does not answer (common practice, no source)."""


def readings(column: Any, chosen: SensorColumn, style: NumberStyle) -> tuple[NDArray[np.float64], list[Caveat]]:
    """The cells of a column of texts as numbers of a quantity, in the unit that is kept, and what must be known of it.

    A cell without a usable number is NaN: one that is empty or a word such as ``N/A``, one whose unit contradicts the
    column's, a number that no card can have or that stands for no reading.
    """
    quantity, about = QUANTITIES[chosen.quantity], f"Column {chosen.shown}:"
    texts = clean_texts(column)
    raw, values, units = _numbers(texts, chosen, style)
    broken = int(np.count_nonzero(np.isnan(values) & ~is_missing(texts)))
    nothing = _stand_for_nothing(raw, values, never_zero=quantity.never_zero)
    values[np.isin(raw, list(nothing))] = np.nan
    outside = (values < quantity.plausible[0]) | (values > quantity.plausible[1])
    values[outside] = np.nan
    alone = _stand_alone(values) if chosen.quantity == "power_w" else np.zeros(0, dtype=np.int64)
    highest_alone = max(values[alone], default=0.0)
    values[alone] = np.nan
    caveats = []
    if outside.any():
        message = (
            f"{about} {int(outside.sum())} of {raw.size} readings beyond anything that {chosen.quantity} can be (in "
            f"{quantity.unit}), left out. Did the unit change in the log?"
        )
        caveats.append(sensor_caveat("sensor-out-of-range", message))
    if nothing:
        count = sum(nothing.values())
        listed = " and ".join(f"{times} of {value:g}" for value, times in nothing.items())
        message = f"{about} {count} of {raw.size} readings stand for none, and are left out ({listed})."
        weight = Weight.CARE if count > 0.05 * raw.size else Weight.NOTE
        caveats.append(sensor_caveat("sensor-no-reading", message, weight))
    if alone.size:
        rows = counted(alone.size, "reading")
        message = f"{about} {rows} far above those before and after, up to {highest_alone:g} {quantity.unit}, left out."
        caveats.append(sensor_caveat("sensor-reading-alone", message))
    highest = float(np.max(values, where=np.isfinite(values), initial=0.0))
    if 0.0 < highest <= quantity.low:
        message = (
            f"No reading in column {chosen.shown} is above {highest:.3g} (in {quantity.unit}), which is too low for "
            f"{chosen.quantity}. Is its unit another? A sensor layout states it, such as "
            f'{chosen.quantity}_unit = "{quantity.unit}".'
        )
        caveats.append(sensor_caveat("sensor-unit-doubtful", message))
    if broken:
        message = f"{about} {broken} of {raw.size} cells without a number in its unit, left out."
        caveats.append(sensor_caveat("sensor-cells-unreadable", message))
    if len(units) > 1:
        message = f"Cells in column {chosen.shown} are in {' and in '.join(units)}; each is converted by its own unit."
        caveats.append(sensor_caveat("sensor-unit-mixed", message, Weight.NOTE))
    return values, caveats


def _numbers(
    texts: Any, chosen: SensorColumn, style: NumberStyle
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[str]]:
    """Numbers as they stand in the cells, the same in the unit that is kept, and the units in the cells."""
    import pyarrow as pa

    pc, known = compute(), QUANTITIES[chosen.quantity].units
    texts = texts if isinstance(texts, pa.ChunkedArray) else pa.chunked_array([texts])
    parts = pc.extract_regex(with_point(texts, style), _NUMBER)
    number = pc.fill_null(pc.struct_field(parts, [0]), text_scalar("nan"))
    stated = pc.fill_null(pc.struct_field(parts, [1]), text_scalar(""))
    raw = np.asarray(numpy_of(pc.cast(number, pa.float64())), dtype=np.float64)
    values, units = np.full(raw.size, np.nan), []
    for word in sorted(pc.unique(stated).to_pylist()):
        unit = other_unit(word) if word else None
        code = unit.name if unit is not None else "" if word else chosen.unit or ""
        if code not in known or chosen.unit not in (None, code):
            continue
        factor, added = known[code]
        here = bools(pc.equal(stated, text_scalar(word)))
        values[here] = raw[here] * (factor if word else factor * chosen.factor) + added
        units += [word] if word else []
    values[~np.isfinite(values)] = np.nan
    return raw, values, units


def _stand_for_nothing(raw: NDArray[np.float64], values: NDArray[np.float64], *, never_zero: bool) -> dict[float, int]:
    """Numbers that stand for no reading, far from all others, and how many there are; 0 too where no card has it."""
    usable = np.isfinite(values)
    candidates = [number for number in _NO_READINGS if (raw[usable] == number).any()]
    if never_zero and (values == 0.0).any():
        candidates.append(0.0)
    others = raw[usable & ~np.isin(raw, candidates)]
    high, low = (float(others.max()), float(others.min())) if others.size else (0.0, 0.0)
    return {
        number: int(np.count_nonzero(raw[usable] == number))
        for number in candidates
        if number == 0.0 or number > 1.5 * high or number < 0.0 <= low
    }


def _stand_alone(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Single readings above three times both neighbors and twice all others: no card goes there and back in a step."""
    inner = values[1:-1]
    with np.errstate(invalid="ignore"):
        alone = np.flatnonzero((inner > 3.0 * values[:-2]) & (inner > 3.0 * values[2:])) + 1
    others = np.delete(values, alone)
    return alone[values[alone] > 2.0 * float(np.max(others, where=np.isfinite(others), initial=0.0))]
