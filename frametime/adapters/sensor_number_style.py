"""How a sensor log writes its numbers: one way for the whole log, or none."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.adapters.cells import is_value, kind_of
from frametime.adapters.column_evidence import ColumnFacts
from frametime.adapters.layout import Layout
from frametime.adapters.number_style import NumberStyle, exact_value, number_styles
from frametime.adapters.time_units import CLOCK, DATE
from frametime.errors import SensorError


def sensor_number_style(facts: Sequence[ColumnFacts], layout: Layout, name: str) -> NumberStyle:
    """The style of the numbers, as told or as the first cells show it.

    Raises
    ------
    SensorError
        If two styles fit, or no style fits every column.
    """
    if layout.decimal is not None or layout.thousands is not None:
        thousands = "" if layout.thousands in (None, "none") else str(layout.thousands)
        return NumberStyle(layout.decimal or ("," if thousands == "." else "."), thousands)
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
