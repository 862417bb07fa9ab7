"""The layout of a sensor log as a person writes it: which column is which quantity, in which unit, on which clock."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from frametime.adapters.layout import ColumnRef, Layout
from frametime.capture import SENSOR_COLUMNS
from frametime.errors import LayoutError, did_you_mean, printable
from frametime.toml_loading import load_toml

QUANTITIES: Final = tuple(name for name in SENSOR_COLUMNS if name != "time_ns")

CONVERSIONS: Final[Mapping[str, Mapping[str, tuple[float, float]]]] = MappingProxyType(
    {
        # unit as UCUM code: (factor, then added) to the unit that is kept
        "W": {"W": (1.0, 0.0), "uW": (1e-6, 0.0), "mW": (1e-3, 0.0), "kW": (1e3, 0.0)},
        "Cel": {"Cel": (1.0, 0.0), "[degF]": (5.0 / 9.0, -160.0 / 9.0), "K": (1.0, -273.15)},
        "MHz": {"MHz": (1.0, 0.0), "GHz": (1e3, 0.0), "kHz": (1e-3, 0.0), "Hz": (1e-6, 0.0)},
        "%": {"%": (1.0, 0.0)},
        "{rpm}": {"{rpm}": (1.0, 0.0)},
        "V": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
        "MiBy": {
            "MiBy": (1.0, 0.0),
            "By": (2.0**-20, 0.0),
            "kBy": (1e3 * 2.0**-20, 0.0),
            "KiBy": (2.0**-10, 0.0),
            "MBy": (1e6 * 2.0**-20, 0.0),
            "GBy": (1e9 * 2.0**-20, 0.0),
            "GiBy": (2.0**10, 0.0),
        },
    }
)
"""How each unit of a sensor log becomes the unit that is kept: definitions of the SI and of IEC 80000-13."""

_OWN_KEYS: Final = (
    "time_zone",
    "device_column",
    *QUANTITIES,
    *(f"{name}_unit" for name in QUANTITIES),
)
_SHARED_KEYS: Final = (
    "time_column",
    "unit",
    "delimiter",
    "decimal",
    "thousands",
    "quote",
    "encoding",
    "header_line",
    "units_line",
    "first_data_line",
)
_KEY: Final = re.compile(r"\s*[\"']?([A-Za-z0-9_-]+)[\"']?\s*=")


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
        try:
            table = load_toml(text)
        except ValueError as error:
            raise LayoutError.at(name, f"this is not TOML: {printable(str(error))}") from None
        lines = text.splitlines()
        for key in table:
            if key not in _OWN_KEYS and key not in _SHARED_KEYS:
                raise _unknown(key, name, _line_of(key, lines))
        own = {key: value for key, value in table.items() if key in _OWN_KEYS}
        for key, value in own.items():
            _check(key, value, name, _line_of(key, lines))
        # The other keys are those of any layout; blank lines keep the line numbers of its messages.
        rest = "\n".join("" if (match := _KEY.match(line)) and match[1] in _OWN_KEYS else line for line in lines)
        return cls(
            text=Layout.from_toml(rest, name),
            time_zone=own.get("time_zone"),
            device_column=own.get("device_column"),
            columns={key: own[key] for key in QUANTITIES if key in own},
            units={key: own[f"{key}_unit"] for key in QUANTITIES if f"{key}_unit" in own},
        )

    def to_toml(self, *, comments: Mapping[str, str] | None = None) -> str:
        """The layout as the text of a layout file, with the evidence as comments."""
        own: dict[str, ColumnRef | None] = {"time_zone": self.time_zone, "device_column": self.device_column}
        for name, column in self.columns.items():
            own |= {name: column, f"{name}_unit": self.units.get(name)}
        lines = []
        for key, value in own.items():
            if value is not None:
                line = key + Layout(time_column=value).to_toml().removeprefix("time_column").rstrip("\n")
                comment = (comments or {}).get(key)
                lines.append(line + (f"  # {printable(comment, limit=400)}" if comment else "") + "\n")
        return self.text.to_toml(comments=comments) + "".join(lines)


def _unknown(key: str, name: str, line: int | None) -> LayoutError:
    known = (*_SHARED_KEYS, *_OWN_KEYS)
    helps = did_you_mean(key, known) or f"known keys are {', '.join(known)}"
    return _error(name, f"unknown key '{printable(key, limit=60)}'", line, helps)


def _check(key: str, value: object, name: str, line: int | None) -> None:
    if key.endswith("_unit"):
        allowed = CONVERSIONS[SENSOR_COLUMNS[key.removesuffix("_unit")][1]]
        if value not in allowed:
            helps = f"allowed is one of {', '.join(allowed)}"
            raise _error(name, f"{key} is {printable(str(value), limit=60)}", line, helps)
    elif key == "time_zone":
        from frametime.adapters.sensor_clock import zone_named

        try:
            zone_named(str(value))
        except ValueError as error:
            raise _error(name, f"{key}: {error}", line, None) from None
    elif isinstance(value, bool) or not isinstance(value, (str, int)):
        raise _error(
            name, f"{key} is {printable(str(value), limit=60)}", line, "allowed is the name or position of a column"
        )


def _error(name: str, found: str, line: int | None, helps: str | None) -> LayoutError:
    error = LayoutError.at(name, found, line=line, helps=helps)
    assert isinstance(error, LayoutError)
    return error


def _line_of(key: str, lines: list[str]) -> int | None:
    for number, line in enumerate(lines, start=1):
        match = _KEY.match(line)
        if match and match[1] == key:
            return number
    return None
