"""Numbers for a sentence: so many decimals, or as many as it takes to show more than a zero."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

_WHOLE_FROM: Final = 10_000.0


def in_decimals(value: float, decimals: int) -> str:
    """A number with so many decimals; a smaller one with two significant digits, a large one whole.

    Examples
    --------
    >>> in_decimals(10.0, 2), in_decimals(0.001, 2), in_decimals(100_030.0, 2), in_decimals(0.0, 1)
    ('10.00', '0.001', '100,030', '0.0')
    """
    size = abs(value)
    if size >= _WHOLE_FROM:
        return f"{value:,.0f}"
    if 0.0 < size < 10.0**-decimals:
        return format(Decimal(f"{value:.2g}"), "f")
    return f"{value:.{decimals}f}"
