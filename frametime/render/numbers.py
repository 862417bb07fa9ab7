"""How numbers are written for people: digits, units, "value (low to high)". Files carry full precision instead."""

from __future__ import annotations

import math

from frametime.units import shown_unit
from frametime.words import signed

NOT_AVAILABLE = "n/a"


def significant_digits(n_supporting: int) -> int:
    """Digits that a value can carry which rests on ``n_supporting`` frames or samples.

    Four from 1000, three from 10, two below: the relative standard error of a mean over n like values falls with
    the square root of n, and a digit far below it is noise. Common practice, no source.

    Examples
    --------
    >>> significant_digits(20_000), significant_digits(200), significant_digits(2)
    (4, 3, 2)
    """
    if n_supporting >= 1000:
        return 4
    return 3 if n_supporting >= 10 else 2


def format_number(value: float, *, digits: int = 4) -> str:
    """``value`` with so many significant digits, never in scientific notation between 1e-6 and 1e9.

    Digits before the decimal point are never replaced by zeros, and a minus sign is U+2212.

    Examples
    --------
    >>> format_number(104.2468), format_number(0.05213, digits=2), format_number(123456.7), format_number(-0.25)
    ('104.2', '0.052', '123457', '−0.2500')
    """
    if not math.isfinite(value):
        return NOT_AVAILABLE
    if value == 0.0:
        return "0"
    magnitude = math.floor(math.log10(abs(value)))
    if not -7 <= magnitude <= 9:
        return signed(value, f".{digits - 1}e")
    rounded = round(value, digits - 1 - magnitude)
    if rounded != 0.0:
        magnitude = math.floor(math.log10(abs(rounded)))
    decimals = max(0, digits - 1 - magnitude)
    return signed(value, f".{decimals}f")


def format_like(value: float, *, decimals: int) -> str:
    """``value`` with a fixed number of decimals, for columns that must line up.

    Examples
    --------
    >>> format_like(7.0, decimals=2), format_like(-0.001, decimals=2)
    ('7.00', '0.00')
    """
    return signed(value, f"z.{decimals}f") if math.isfinite(value) else NOT_AVAILABLE


def estimate_decimals(value: float, low: float, high: float) -> int:
    """Decimals at which half the width of an interval shows two significant digits, and the value six at most.

    An interval of no width makes no number exact.

    Examples
    --------
    >>> estimate_decimals(102.5, 101.23, 103.77), estimate_decimals(1.01, 0.981, 1.043), estimate_decimals(60.0, 60, 60)
    (1, 3, 3)
    """
    half_width = (high - low) / 2.0
    has_width = half_width > 0.0 and math.isfinite(half_width)
    of_interval = 1 - math.floor(math.log10(half_width)) if has_width else 3
    most = 3 if value == 0.0 else 5 - math.floor(math.log10(abs(value)))
    return max(0, min(of_interval, most))


def format_quantity(value: float | None, unit: str, *, digits: int = 4) -> str:
    """Number and unit, or ``n/a``. Fractions of 1 with unit ``1`` are written as they are.

    Examples
    --------
    >>> format_quantity(104.2468, "{frame}/s"), format_quantity(None, "ms"), format_quantity(3, "{count}")
    ('104.2 fps', 'n/a', '3')
    """
    if value is None or not math.isfinite(value):
        return NOT_AVAILABLE
    shown = shown_unit(unit)
    number = (
        str(int(value))
        if unit.startswith("{count}") and float(value).is_integer()
        else format_number(value, digits=digits)
    )
    return f"{number} {shown}" if shown else number


def format_estimate(value: float, unit: str, *, low: float, high: float) -> str:
    """``value (low to high) unit``, digits from the width of the interval; a count has whole numbers.

    Examples
    --------
    >>> format_estimate(102.5, "{frame}/s", low=101.23, high=103.77), format_estimate(5.0, "{count}", low=3.2, high=9)
    ('102.5 (101.2 to 103.8) fps', '5 (3 to 9)')
    """
    decimals = 0 if unit == "{count}" else estimate_decimals(value, low, high)
    numbers = [format_like(number, decimals=decimals) for number in (value, low, high)]
    return f"{numbers[0]} ({numbers[1]} to {numbers[2]}) {shown_unit(unit)}".rstrip()
