"""What a sensor log is read with: the quantities it may hold, its layout, the options; and the log beside a capture."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Final, NamedTuple

from frametime.adapters.capture_start import any_ns, without_endings, zone_named
from frametime.adapters.columns.layout import OF_ONE_FILE, ColumnRef, Layout, choice_type, layout_types, layout_values
from frametime.adapters.columns.words import CONVERSIONS, rows_of
from frametime.adapters.file_kind import LOG_ENDINGS, classify_file
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight
from frametime.ranges import check_ranges
from frametime.settings.toml_source import shown, toml_lines


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
    of_all, *listed = rows_of("quantities.tsv")
    for name, metrics, needed, refused, better, *numbers, never_zero in listed:
        _, unit, said = SENSOR_COLUMNS[name]
        words = [frozenset(each.split()) for each in needed.split("|")]
        against, for_it = (frozenset(each.split()) for each in (f"{of_all[3]} {refused}", better))
        plausible, usual, (low,) = (tuple(map(float, each.split())) for each in numbers)
        known = unit, said, CONVERSIONS[unit], tuple(metrics.split())
        yield name, Quantity(*known, tuple(words), against, for_it, plausible, usual, low, never_zero == "yes")


QUANTITIES: Final[Mapping[str, Quantity]] = MappingProxyType(dict(_quantities()))
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


_ADDED: Final = r"[-_. ]+[^\W\d_]+(?:[-_. ][^\W\d_]+)*"
"""What such a name adds: words without a digit, which could be the number of another run."""


def sensor_log_beside(capture: str | os.PathLike[str]) -> Path | None:
    """The one sensor log that has the name of the capture and a word more; ``None`` where there is none, or several.

    That it is a sensor log is seen by its content.
    """
    path = Path(capture)
    stem, folder = without_endings(path).name, path.parent
    if not stem or os.fspath(capture) == "-":
        return None
    try:
        names = _logs_in(folder, folder.stat().st_mtime_ns)
    except OSError:
        return None
    longer = [name for name in names if name.startswith(stem) and name != path.name]
    found = [folder / name for name in longer if re.fullmatch(_ADDED, without_endings(Path(name)).name[len(stem) :])]
    found = [path for path in found if classify_file(path).kind == "sensors"]
    return found[0] if len(found) == 1 else None


@lru_cache(maxsize=64)
def _logs_in(folder: Path, changed_ns: int) -> tuple[str, ...]:
    """Names of logs in a folder; a folder that has changed since is listed again."""
    return tuple(path.name for path in folder.iterdir() if path.suffix.casefold() in LOG_ENDINGS)
