"""The layout of a sensor log as a person writes it: which column is which quantity, in which unit, on which clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from frametime.adapters.columns.layout import (
    ColumnRef,
    Layout,
    check_layout,
    choice_type,
    column_type,
    layout_types,
    layout_values,
)
from frametime.adapters.sensors.quantities import QUANTITIES
from frametime.settings.toml_source import toml_lines

_OF_TEXT: Final = (
    *("time_column", "unit", "delimiter", "decimal", "thousands", "quote", "encoding"),
    *("header_line", "units_line", "first_data_line"),
)


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
        column = column_type()
        types = {key: kind for key, kind in layout_types().items() if key in _OF_TEXT}
        types |= {"time_zone": str, "device_column": column, **dict.fromkeys(QUANTITIES, column)}
        types |= {f"{key}_unit": choice_type(quantity.units) for key, quantity in QUANTITIES.items()}
        source, values = layout_values(text, name, types)
        check_layout(source)
        if "time_zone" in values:
            from frametime.adapters.capture_start import zone_named

            try:
                zone_named(values["time_zone"])
            except ValueError as error:
                from frametime.settings.toml_source import shown

                raise source.fault(("time_zone",), f"is {shown(values['time_zone'])}", str(error)) from None
        return cls(
            text=Layout(**{key: values[key] for key in _OF_TEXT if key in values}),
            time_zone=values.get("time_zone"),
            device_column=values.get("device_column"),
            columns={key: values[key] for key in QUANTITIES if key in values},
            units={key: values[f"{key}_unit"] for key in QUANTITIES if f"{key}_unit" in values},
        )

    def to_toml(self, *, comments: Mapping[str, str] | None = None) -> str:
        """The layout as the text of a layout file, with the evidence as comments."""
        own: dict[str, ColumnRef | None] = {"time_zone": self.time_zone, "device_column": self.device_column}
        for name, column in self.columns.items():
            own |= {name: column, f"{name}_unit": self.units.get(name)}
        return self.text.to_toml(comments=comments) + toml_lines(own, comments=comments)
