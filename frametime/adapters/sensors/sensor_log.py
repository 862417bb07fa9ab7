"""What a sensor log is read with: its quantities and their columns, layout, options; and the log beside a capture."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import numpy_of, pc, text_scalar
from frametime.adapters.capture_start import any_ns
from frametime.adapters.columns.column_facts import ColumnFacts, layout_choice, plain_numbers
from frametime.adapters.columns.layout import OF_ONE_FILE, ColumnRef, Layout, choice_type, layout_types, layout_values
from frametime.adapters.columns.words import CONVERSIONS, WORDS, Unit, other_unit, unit_of_text
from frametime.adapters.text.cells import bools, clean_texts, is_missing, parted, with_point
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight
from frametime.errors import printable
from frametime.ranges import check_ranges
from frametime.settings.toml_source import shown, toml_lines
from frametime.units import zone_named
from frametime.words import counted, table_rows


class Quantity(NamedTuple):
    """One quantity: how its column is known, and which readings a card can have.

    Attributes
    ----------
    unit, said : str
        The unit that is kept, as a UCUM code; the quantity in words.
    units : Mapping of str to tuple
        Unit that a log may state to factor and what is then added.
    metrics : tuple of str
        Keys of the metrics that rest on it.
    needed : tuple of frozenset
        Of each, the column's name must hold a word. The words are those of the trade and of the SI, of no program.
    refused, better : frozenset
        Words that it must not hold, and that make it the better of two.
    plausible : tuple of float
        Readings outside are taken for another unit or a fault, and left out.
    usual : tuple of float
        Where no unit is stated, typical readings between these two are in the unit that is kept; empty: none are.
    low : float
        Where no reading is above this, and not all are 0, the unit is another.
    never_zero : bool
        Whether a card that draws frames is not exactly at 0: some programs write 0 for no reading.

    The four about readings are common practice, no source.
    """

    unit: str
    said: str
    units: Mapping[str, tuple[float, float]]
    metrics: tuple[str, ...]
    needed: tuple[frozenset[str], ...]
    refused: frozenset[str]
    better: frozenset[str]
    plausible: tuple[float, ...]
    usual: tuple[float, ...]
    low: float
    never_zero: bool


def _quantities() -> Iterator[tuple[str, Quantity]]:
    of_all, *listed = table_rows(__file__, "quantities.tsv")
    for name, metrics, needed, refused, better, *numbers, never_zero in listed:
        _, unit, said = SENSOR_COLUMNS[name]
        words = [frozenset(each.split()) for each in needed.split("|")]
        against, for_it = (frozenset(each.split()) for each in (f"{of_all[3]} {refused}", better))
        plausible, usual, (low,) = (tuple(map(float, each.split())) for each in numbers)
        known = unit, said, CONVERSIONS[unit], tuple(metrics.split())
        yield name, Quantity(*known, tuple(words), against, for_it, plausible, usual, low, never_zero == "yes")


QUANTITIES: Final[Mapping[str, Quantity]] = dict(_quantities())
SENSOR_METRICS: Final = tuple(key for quantity in QUANTITIES.values() for key in quantity.metrics)
"""Keys of the metrics that rest on sensor samples."""


def sensor_caveat(code: str, message: str, weight: Weight = Weight.CARE) -> Caveat:
    """A caveat of everything that rests on sensor samples."""
    return Caveat(code=code, message=message, weight=weight, metrics=SENSOR_METRICS)


_OF_TEXT: Final = ("time_column", "unit", "decimal", "thousands", *OF_ONE_FILE)


@dataclass(frozen=True, kw_only=True)
class SensorLayout:
    """How one sensor log is laid out. What is not stated is found in the log.

    Attributes
    ----------
    text : Layout
        Time column, its unit, and how the text is written.
    time_zone : str or None
        Of dates that name none: ``UTC``, ``+02:00`` or a name such as ``Europe/Berlin``.
    device_column : str, int or None
        Column that names the card, where a log holds several.
    columns : Mapping of str to (str or int)
        Quantity (``power_w``, ``temperature_c``, ...) to column, by name or by position counted from 1.
    units : Mapping of str to str
        Quantity to unit of that column, as a UCUM code.

    Examples
    --------
    >>> layout = SensorLayout.from_toml('power_w = "Board draw"\\npower_w_unit = "mW"\\n', "bench.toml")
    >>> layout.columns["power_w"], layout.units["power_w"]
    ('Board draw', 'mW')
    """

    text: Layout = field(default_factory=Layout)
    time_zone: str | None = None
    device_column: ColumnRef | None = None
    columns: Mapping[str, ColumnRef] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def from_toml(cls, text: str, name: str) -> SensorLayout:
        """The layout written in ``text``; ``name`` is the file name shown in errors.

        Raises
        ------
        LayoutError
            If the text is not TOML, or a key or value is not allowed: the message names file, line and key.
        """
        of_log = layout_types()
        types, column = {key: of_log[key] for key in _OF_TEXT}, of_log["time_column"]
        types |= {"time_zone": str, "device_column": column, **dict.fromkeys(QUANTITIES, column)}
        types |= {f"{key}_unit": choice_type(quantity.units) for key, quantity in QUANTITIES.items()}
        source, values = layout_values(text, name, types)
        try:
            zone_named(values.get("time_zone", "UTC"))
        except ValueError as error:
            raise source.fault(("time_zone",), f"is {shown(values['time_zone'])}", str(error)) from None
        own = {key: values[key] for key in ("time_zone", "device_column") if key in values}
        columns = {key: values[key] for key in QUANTITIES if key in values}
        units = {key: values[f"{key}_unit"] for key in QUANTITIES if f"{key}_unit" in values}
        log = Layout(**{key: values[key] for key in _OF_TEXT if key in values})
        return cls(text=log, columns=columns, units=units, **own)

    def to_toml(self) -> str:
        """The layout as the text of a layout file."""
        own: dict[str, ColumnRef | None] = {"time_zone": self.time_zone, "device_column": self.device_column}
        for name, column in self.columns.items():
            own |= {name: column, f"{name}_unit": self.units.get(name)}
        return self.text.to_toml() + toml_lines(own)


def long_gap_s(step_s: float) -> float:
    """Seconds beyond which a hole between samples that come this far apart is told (common practice, no source)."""
    return max(5.0 * step_s, 2.0)


SENSORS_UNUSABLE: Final = "sensors-unusable"
"""Code of the caveat of a run whose sensor log could not be used."""

CLOCKS_GUESSED: Final = "sensor-clocks-guessed"
"""Code of the caveat of a capture whose file's last change was taken for its end."""


@dataclass(frozen=True, kw_only=True)
class SensorOptions:
    """How a sensor log is to be read and brought together with its capture.

    Attributes
    ----------
    layout : SensorLayout or None
        What the log leaves open, stated by the user; it wins over anything found in the log.
    offset_s : float or None
        Sensor clock minus capture clock, in s; wins over absolute times.
    offset_doubt_s : float
        How far ``offset_s`` may be off, where it was found and not given.
    is_shared : bool
        Several captures share the log, so its clock did not start with this one.
    trusts_file_time : bool
        The file's last change is taken for the end of the capture where nothing else says when it was made.
    time_zone : str or None
        Of dates that name none: ``UTC``, ``+02:00`` or a name such as ``Europe/Berlin``; by default
        they are local times, of the capture as of the sensor log, or of this machine where one of the two is in UTC.
    device : str or None
        Card to read, where the log holds several.
    recorded_from : str or None
        Absolute time at which the capture's clock stood at 0: ISO 8601; without a zone
        a local time.
    """

    layout: SensorLayout | None = None
    offset_s: float | None = None
    offset_doubt_s: float = 0.0
    is_shared: bool = False
    trusts_file_time: bool = True
    time_zone: str | None = None
    device: str | None = None
    recorded_from: str | None = None

    def __post_init__(self) -> None:
        check_ranges(self, "offset_s")
        if self.time_zone is not None:
            zone_named(self.time_zone)
        if self.recorded_from is not None:
            any_ns(self.recorded_from)

    def stated(self) -> dict[str, str]:
        """The options that are not at their default, as texts."""
        given = {f"sensor_{key}": getattr(self, key) for key in ("offset_s", "time_zone", "device")}
        given |= {"recorded_from": self.recorded_from, "sensor_layout": self.layout and self.layout.to_toml()}
        return {key: str(value) for key, value in given.items() if value is not None}


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
            evidence = f"{key}: column {best[0].shown}, by its name, in {times}{unit.name} (a sensor layout overrides)"
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
    plain = column.said.other_unit and all(word in known or word.isdigit() or unit_of_text(word) for word in words)
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
    unread, digits = np.isnan(values) & ~is_missing(texts), bools(pc.match_substring_regex(texts, "[0-9]"))
    nothing = _stand_for_nothing(raw, values, never_zero=quantity.never_zero)
    values[np.isin(raw, list(nothing))] = np.nan
    outside = (values < quantity.plausible[0]) | (values > quantity.plausible[1])
    values[outside] = np.nan
    alone = _stand_alone(values) if chosen.quantity == "power_w" else np.zeros(0, dtype=np.int64)
    highest_alone = max(values[alone], default=0.0)
    values[alone] = np.nan

    def left_out(at: NDArray[np.bool_], found: str) -> str:
        in_a_row, said = at & digits, "left out"
        if max(4, 0.05 * at.size) < np.count_nonzero(in_a_row) < at.size and np.count_nonzero(np.diff(in_a_row)) <= 2:
            values[:], said = np.nan, "in a row: the unit or the decimal mark changes, so no reading is used"
        return f"Column {name}: {int(at.sum())} of {raw.size} {found}, {said}."

    if outside.any():
        tell("sensor-out-of-range", left_out(outside, f"readings that {chosen.quantity} never has ({quantity.unit})"))
    if unread.any():
        tell("sensor-cells-unreadable", left_out(unread, "cells without a number in its unit"))
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
