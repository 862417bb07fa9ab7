"""Which column of a log is which quantity, by the words of its name and its unit, and what its cells say."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import numpy_of, pc, text_scalar
from frametime.adapters.columns.column_facts import ColumnFacts, layout_choice, plain_numbers
from frametime.adapters.columns.words import WORDS, Unit, other_unit, unit_of_text
from frametime.adapters.sensors.sensor_log import QUANTITIES, Quantity, sensor_caveat
from frametime.adapters.time_values import bools, clean_texts, is_missing, parted, with_point
from frametime.caveats import Caveat, Weight
from frametime.errors import printable
from frametime.words import counted


class SensorColumn(NamedTuple):
    """A column that holds a quantity.

    Attributes
    ----------
    fact : ColumnFacts
    quantity : str
    unit : Unit or None
        The unit outside its cells; a reading is its number times the factor, 0.1 for ``(0.1 W)``.
    evidence : str
    """

    fact: ColumnFacts
    quantity: str
    unit: Unit | None
    evidence: str


def choose_sensor_columns(
    columns: Sequence[ColumnFacts], *, device: str | None = None, told: Collection[str] = ()
) -> tuple[tuple[SensorColumn, ...], tuple[Caveat, ...]]:
    """Find the quantities among the columns of a log, one column each, without those whose column is told.

    A column needs a word of the quantity in its name and a unit in name, units row or cells. Where no unit is stated,
    the one in which a card can have such readings is taken, with a note. Of two that fit equally well and differ
    neither is taken, and a caveat says which line of a layout settles it.

    Examples
    --------
    >>> from frametime.adapters.columns.column_facts import column_facts
    >>> columns = column_facts(("Board power [W]",), (), [("120.3",)], 1)
    >>> [found.quantity for found in choose_sensor_columns(columns)[0]]
    ['power_w']
    """
    chosen: list[SensorColumn] = []
    caveats: list[Caveat] = []
    # A column that does not name the card may be of another one.
    columns = [column for column in columns if device and names_device(column.name, device)] or columns
    for key, quantity in QUANTITIES.items():
        fitting = [] if key in told else [column for column in columns if _speaks_for(column, key)]
        best = _best([column for column in fitting if column.other_unit is not None], quantity)
        inferred = [] if best else _best(fitting, quantity)
        if (likely := _unit_that_fits(inferred, quantity)) == quantity.unit:
            said = inferred[0].said._replace(other_unit=Unit(quantity.unit, None, "other"))
            best = [inferred[0]._replace(said=said)]
            found = f"states no unit; its readings lie between {quantity.usual[0]:g} and {quantity.usual[1]:g}"
            read = f"read as {quantity.said} in {quantity.unit} (a sensor layout overrides: {key}_unit)."
            message = f"Column {best[0].shown} {found}, so it is {read}"
            caveats.append(sensor_caveat("sensor-unit-inferred", message, Weight.NOTE))
        if len({column.cells for column in best}) == 1 and (unit := best[0].other_unit) is not None:
            times = "" if unit.factor == 1 else f"{float(unit.factor):g} "
            evidence = f"{key}: column {best[0].shown}, by its name, in {times}{unit.name} (--sensor-layout overrides)"
            chosen.append(SensorColumn(best[0], key, best[0].said.other_unit, evidence))
        elif best:
            found = f"{', '.join(column.shown for column in best)} may each hold {quantity.said}, so none is used"
            message = f"{found}; settle it in a sensor layout with the line: {key} = {layout_choice(best)}"
            caveats.append(sensor_caveat("sensor-ambiguous-column", message))
        elif fitting:
            found = f"Column {fitting[0].shown} may hold {quantity.said} but states no unit that is known"
            lines = f'{key} = "{printable(fitting[0].name, limit=60)}" and {key}_unit = "{likely or quantity.unit}"'
            message = f"{found}, so it is not used; give it in a sensor layout: {lines}"
            caveats.append(sensor_caveat("sensor-unit-unknown", message))
    return tuple(chosen), tuple(caveats)


def _speaks_for(column: ColumnFacts, key: str) -> bool:
    """Whether the name and the unit of a column fit a quantity; the unit may still stand in the cells alone."""
    words, rule, unit = column.words, QUANTITIES[key], column.said.other_unit or column.other_unit
    # A name of nothing but known words and a unit needs no word of the quantity: "core MHz", "Card °C".
    known = WORDS["plain"].union(rule.better, *rule.needed)
    plain = column.said.other_unit and all(word in known or unit_of_text(word) for word in words)
    says = plain and unit and unit.name in rule.units and (unit.name != "%" or words & rule.better)
    needed = rule.needed[1:] if says else rule.needed
    if words & rule.refused or not all(words & choice for choice in needed):
        return False
    # A fan without a unit may turn in either; a share of memory is no amount.
    return key != "fan_pct" and column.unit is None if unit is None else unit.name in rule.units


def names_device(name: str, device: str) -> bool:
    """Whether the name of a column speaks of that card: the whole of it, so that card 1 is not card 10.

    Examples
    --------
    >>> names_device("GPU 1 power (W)", "gpu 1"), names_device("GPU 10 power (W)", "gpu 1")
    (True, False)
    """
    return re.search(rf"(?<![^\W_]){re.escape(device.strip().casefold())}(?![^\W_])", name.casefold()) is not None


def _best(columns: Sequence[ColumnFacts], quantity: Quantity) -> list[ColumnFacts]:
    """Those with the most words that speak for them."""
    counts = [len(column.words & quantity.better) for column in columns]
    return [column for column, count in zip(columns, counts, strict=True) if count == max(counts)]


def _unit_that_fits(columns: Sequence[ColumnFacts], quantity: Quantity) -> str | None:
    """The first unit, from the one that is kept, in which a card has such readings, where one column is left."""
    # A bracket states something that is not understood.
    if not quantity.usual or len({c.cells for c in columns}) != 1 or re.search(r"[(\[{]", columns[0].name):
        return None
    numbers = plain_numbers(columns[0].cells, columns[0].style)
    typical = float(np.median(numbers[np.isfinite(numbers)])) if np.isfinite(numbers).any() else np.nan
    (low, high), units = quantity.usual, quantity.units.items()
    return next((name for name, (factor, added) in units if low <= factor * typical + added <= high), None)


_NO_READINGS: Final = (65535.0, 9999.0, -1.0, 255.0)
"""What programs write where a sensor does not answer (common practice, no source)."""


def readings(column: Any, chosen: SensorColumn) -> tuple[NDArray[np.float64], list[Caveat]]:
    """The cells of a column of texts as numbers of a quantity, in the unit that is kept, and what must be known of it.

    A cell without a usable number is NaN: one that is empty or a word such as ``N/A``, one whose unit contradicts the
    column's, a number that no card can have or that stands for no reading.
    """
    quantity, name, caveats = QUANTITIES[chosen.quantity], chosen.fact.shown, list[Caveat]()
    texts = clean_texts(column)

    def tell(code: str, message: str, weight: Weight = Weight.CARE) -> None:
        caveats.append(sensor_caveat(code, message, weight))

    raw, values, units = _numbers(texts, chosen)
    broken = int(np.count_nonzero(np.isnan(values) & ~is_missing(texts)))
    nothing = _stand_for_nothing(raw, values, never_zero=quantity.never_zero)
    values[np.isin(raw, list(nothing))] = np.nan
    outside = (values < quantity.plausible[0]) | (values > quantity.plausible[1])
    values[outside] = np.nan
    alone = _stand_alone(values) if chosen.quantity == "power_w" else np.zeros(0, dtype=np.int64)
    highest_alone = max(values[alone], default=0.0)
    values[alone] = np.nan
    if outside.any():
        found = f"readings beyond anything that {chosen.quantity} can be (in {quantity.unit}), left out"
        message = f"Column {name}: {int(outside.sum())} of {raw.size} {found}. Did the unit change in the log?"
        tell("sensor-out-of-range", message)
    if count := sum(nothing.values()):
        listed = " and ".join(f"{times} of {value:g}" for value, times in nothing.items())
        message = f"Column {name}: {count} of {raw.size} readings stand for none, and are left out ({listed})."
        tell("sensor-no-reading", message, Weight.CARE if count > 0.05 * raw.size else Weight.NOTE)
    if alone.size:
        found = f"{counted(alone.size, 'reading')} far above those before and after, up to {highest_alone:g}"
        tell("sensor-reading-alone", f"Column {name}: {found} {quantity.unit}, left out.")
    highest = float(np.max(values, where=np.isfinite(values), initial=0.0))
    if 0.0 < highest <= quantity.low:
        low = f"above {highest:.3g} (in {quantity.unit}), which is too low for {chosen.quantity}"
        stated = f'A sensor layout states it, such as {chosen.quantity}_unit = "{quantity.unit}".'
        tell("sensor-unit-doubtful", f"No reading in column {name} is {low}. Is its unit another? {stated}")
    if broken:
        found = f"{broken} of {raw.size} cells without a number in its unit, left out."
        tell("sensor-cells-unreadable", f"Column {name}: {found}")
    if len(units) > 1:
        found = f"Cells in column {name} are in {' and in '.join(units)}; each is converted by its own unit."
        tell("sensor-unit-mixed", found, Weight.NOTE)
    return values, caveats


def _numbers(texts: Any, chosen: SensorColumn) -> tuple[NDArray[np.float64], NDArray[np.float64], list[str]]:
    """Numbers as they stand in the cells, the same in the unit that is kept, and the units in the cells."""
    known = QUANTITIES[chosen.quantity].units
    number, stated = parted(with_point(texts, chosen.fact.style))
    raw = np.asarray(numpy_of(pc.cast(number, "float64")), dtype=np.float64)
    values, units = np.full(raw.size, np.nan), []
    for word in sorted(pc.unique(stated).to_pylist()):
        unit = other_unit(word) if word else chosen.unit
        if unit is None or unit.name not in known or (chosen.unit is not None and chosen.unit.name != unit.name):
            continue
        factor, added = known[unit.name]
        here = bools(pc.equal(stated, text_scalar(word)))
        values[here] = raw[here] * (factor * float(unit.factor)) + added
        units += [word] if word else []
    values[~np.isfinite(values)] = np.nan
    return raw, values, units


def _stand_for_nothing(raw: NDArray[np.float64], values: NDArray[np.float64], *, never_zero: bool) -> dict[float, int]:
    """Numbers that stand for no reading, far from all others, and how many there are; 0 too where no card has it."""
    usable = np.isfinite(values)
    candidates = [number for number in _NO_READINGS if (raw[usable] == number).any()]
    candidates += [0.0] if never_zero and (values == 0.0).any() else []
    others = raw[usable & ~np.isin(raw, candidates)]
    high, low = (float(others.max()), float(others.min())) if others.size else (0.0, 0.0)
    far = [number for number in candidates if number == 0.0 or number > 1.5 * high or number < 0.0 <= low]
    return {number: int(np.count_nonzero(raw[usable] == number)) for number in far}


def _stand_alone(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Single readings above three times both neighbors and twice all others: no card goes there and back in a step."""
    inner = values[1:-1]
    with np.errstate(invalid="ignore"):
        alone = np.flatnonzero((inner > 3.0 * values[:-2]) & (inner > 3.0 * values[2:])) + 1
    others = np.delete(values, alone)
    return alone[values[alone] > 2.0 * float(np.max(others, where=np.isfinite(others), initial=0.0))]
