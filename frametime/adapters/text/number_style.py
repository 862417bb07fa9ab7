"""Decimal mark and thousands mark of a text, and the exact value of one cell (the few that are looked at first)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import Final, NamedTuple

from frametime.adapters.columns.layout import Layout
from frametime.adapters.columns.words import Unit, unit_named
from frametime.adapters.text.cell_kind import (
    GROUPED_BY_COMMA,
    GROUPED_BY_MARK,
    GROUPED_BY_POINT,
    NUMBER_POINT,
    WITH_UNIT,
    CellKind,
    kind_of,
    matches,
)

SPACES: Final = " \u00a0\u2009\u202f"


class NumberStyle(NamedTuple):
    """How numbers are written.

    Attributes
    ----------
    decimal : str
        ``.`` or ``,``.
    thousands : str
        ``,``, ``.``, ``'`` or a space; empty where digits are not grouped.
    """

    decimal: str = "."
    thousands: str = ""


POINT: Final = NumberStyle()


def told_style(layout: Layout) -> NumberStyle | None:
    """The style that a layout states; ``None`` where it states none."""
    if layout.decimal is None and layout.thousands is None:
        return None
    thousands = "" if layout.thousands in (None, "none") else str(layout.thousands)
    return NumberStyle(layout.decimal or ("," if thousands == "." else "."), thousands)


def number_styles(cells: Iterable[str]) -> tuple[tuple[NumberStyle, ...], str]:
    """The ways in which the numbers of a text can be read (more than one: open), and why.

    Examples
    --------
    >>> number_styles(["0,017247", "17,247"])[0]
    (NumberStyle(decimal=',', thousands=''),)
    >>> len(number_styles(["17,247", "16,076"])[0])
    2
    """
    cells = tuple(cells)
    together = "\n".join(cells)
    if together.isascii() and not any(mark in together for mark in ",' ") and not re.search(r"\.\d+\.", together):
        return (POINT,), "no cell has a comma"
    numbers = []
    for cell in cells:
        kind = kind_of(cell)
        if kind is CellKind.NUMBER:
            numbers.append(cell.strip())
        elif kind is CellKind.WITH_UNIT:
            match = WITH_UNIT.fullmatch(cell.strip())
            numbers.extend([match[1]] if match else [])
    # Most numbers hold no such mark: the pattern is tried on few.
    marked = next((n for n in numbers if not n.isascii() or " " in n or "'" in n if matches(GROUPED_BY_MARK, n)), None)
    if marked is not None:
        mark = next(character for character in marked if not character.isdigit() and character not in "+-.,")
        return (NumberStyle("," if any("," in n for n in numbers) else ".", " " if mark in SPACES else "'"),), (
            f"{marked!r} groups its digits"
        )
    with_comma = [n for n in numbers if "," in n]
    with_point = [n for n in numbers if "." in n]
    return _by_marks(with_comma, with_point)


def _by_marks(  # noqa: PLR0911 - one line for each way of writing numbers
    with_comma: list[str], with_point: list[str]
) -> tuple[tuple[NumberStyle, ...], str]:
    many_points = next((n for n in with_point if n.count(".") > 1 and matches(GROUPED_BY_POINT, n)), None)
    if many_points is not None:
        return (NumberStyle(",", "."),), f"{many_points!r} groups its digits with points"
    if not with_comma:
        return (POINT,), "no cell has a comma"
    both = next((n for n in with_comma if "." in n), None)
    if both is not None:
        if both.rfind(",") < both.rfind("."):
            return (NumberStyle(".", ","),), f"{both!r} groups its digits with commas"
        return (NumberStyle(",", "."),), f"{both!r} groups its digits with points"
    odd = next((n for n in with_comma if not matches(GROUPED_BY_COMMA, n)), None)
    if odd is not None:
        if with_point and all(matches(GROUPED_BY_POINT, n) for n in with_point):
            why = f"{with_point[0]!r} beside {odd!r} can be read in two ways"
            return (NumberStyle(",", "."), POINT), why
        if with_point:
            return (POINT,), "cells have points and commas"
        return (NumberStyle(",", ""),), f"{odd!r} can only be a decimal comma"
    if with_point or any(n.count(",") > 1 for n in with_comma):
        return (NumberStyle(".", ","),), f"{with_comma[0]!r} groups its digits with commas"
    return (NumberStyle(",", ""), NumberStyle(".", ",")), f"{with_comma[0]!r} can be read in two ways"


def exact_value(cell: str, style: NumberStyle) -> Decimal | None:
    """The number in one cell without its unit, exactly; ``None`` if it holds none."""
    text = cell.strip()
    match = WITH_UNIT.fullmatch(text)
    if match is not None and kind_of(text) is CellKind.WITH_UNIT:
        text = match[1]
    if style.thousands == " ":
        text = "".join(text.split())
    elif style.thousands:
        text = text.replace(style.thousands, "")
    if style.decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    return Decimal(text) if matches(NUMBER_POINT, text) else None


def digit_power(cell: str, style: NumberStyle) -> int:
    """The power of ten that is one step of the last digit of a number.

    Examples
    --------
    >>> digit_power("17.247", POINT), digit_power("1.72E+01", POINT), digit_power("17247", POINT)
    (-3, -1, 0)
    """
    value = exact_value(cell, style)
    return 0 if value is None else max(-30, int(value.as_tuple().exponent))


def unit_in_cell(cell: str) -> Unit | None:
    """The unit that stands behind the number of a cell."""
    match = WITH_UNIT.fullmatch(cell.strip())
    return unit_named(match[2]) if match else None
