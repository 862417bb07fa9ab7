"""Sensors that stand in the columns of the frame log itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from frametime.adapters.arrow_columns import numpy_of
from frametime.adapters.base import ParsedLog
from frametime.adapters.layout import Layout
from frametime.adapters.number_style import NumberStyle
from frametime.adapters.sensor_columns import NamedColumn, choose_sensor_columns, fits
from frametime.adapters.sensor_layout import QUANTITIES
from frametime.adapters.sensor_log import missing_caveats, sample_table
from frametime.adapters.sensor_readings import reading_caveats, readings
from frametime.capture import TIME_COLUMN, Provenance, SensorTrace
from frametime.caveats import Weight

_LOOKED_AT = 60


def own_sensors(parsed: ParsedLog, provenance: Provenance) -> SensorTrace | None:
    """The samples in a frame log's own columns, one a frame; ``None`` where there are none.

    Only columns whose name speaks for a quantity are read. The log must still be open.
    """
    if parsed.read_columns is None:
        return None
    named = [
        NamedColumn(name=column.name, position=column.position, unit=column.unit, cells=())
        for column in parsed.other_columns
    ]
    named = [column for column in named if any(fits(column, quantity) for quantity in QUANTITIES)]
    if not named:
        return None
    table = parsed.read_columns([column.name for column in named])
    named = [
        replace(column, cells=tuple(cell or "" for cell in table.column(column.name).slice(1, _LOOKED_AT).to_pylist()))
        for column in named
    ]
    choice = choose_sensor_columns(named)
    if not choice.columns:
        return None
    style = _style(parsed)
    values, caveats = {}, [replace(caveat, weight=Weight.NOTE) for caveat in choice.caveats]
    for column in choice.columns:
        found = readings(table.column(column.column.name), column.quantity, column.unit, style)
        # Where the first frame began there is no row of the log, so no sample either.
        values[column.quantity] = found.values[1:] if found.missing[0] else found.values
        caveats += reading_caveats(found, column)
    times_ns = np.asarray(numpy_of(parsed.frames.column(TIME_COLUMN)), dtype=np.int64)
    size = min(column.size for column in values.values())
    values = {quantity: column[column.size - size :] for quantity, column in values.items()}
    missing = {quantity: int(np.isnan(column).sum()) for quantity, column in values.items()}
    return SensorTrace(
        samples=sample_table(times_ns[times_ns.size - size :], values),
        alignment="the sensors stand in the rows of the frame log",
        provenance=replace(provenance, evidence=tuple(column.evidence for column in choice.columns)),
        missing_counts=missing,
        caveats=(*caveats, *missing_caveats(missing, size)),
    )


def _style(parsed: ParsedLog) -> NumberStyle:
    """How the log writes its numbers, as its reader found."""
    layout = Layout.from_toml(parsed.layout_toml, "layout")
    thousands = "" if layout.thousands in (None, "none") else layout.thousands
    return NumberStyle(layout.decimal or ".", thousands or "")
