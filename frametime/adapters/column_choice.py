"""The columns that are chosen, and the arithmetic by which they are judged."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

from frametime.adapters.column_evidence import PLAUSIBLE_NS, ColumnFacts
from frametime.adapters.header_words import Event
from frametime.adapters.layout import ColumnRef
from frametime.adapters.number_style import NumberStyle, digit_power, exact_value
from frametime.adapters.time_units import RATE, TimeUnit
from frametime.caveats import Caveat

TIMED_ROLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        # layout key without "_column": column of the capture
        "simulation_start": "simulation_start_ns",
        "displayed": "displayed_ns",
        "gpu_work": "gpu_work_ns",
        "cpu_work": "cpu_work_ns",
    }
)
_COARSE_RATE: Final = Fraction(1, 100)
"""Step of the rates, as a share of the usual rate, from which it is told (common practice, no source)."""
FLAG_ROLES: Final = ("shown", "dropped")


class ColumnUse(NamedTuple):
    """One column that is read, and the unit it is read in."""

    position: int
    ref: ColumnRef
    unit: TimeUnit | None
    event: Event = Event.UNMARKED
    resolution_ns: int = 1


class ColumnChoice(NamedTuple):
    """Which columns of a log are read as what.

    Attributes
    ----------
    time : ColumnUse or None
        Timestamps.
    frame_time : ColumnUse or None
        Frame times or rates.
    others : Mapping
        Role (``gpu_work``, ``shown``, ``stream``, ...) to column.
    style : NumberStyle
    evidence : dict
        Layout key to a sentence.
    caveats : tuple of Caveat
    """

    time: ColumnUse | None
    frame_time: ColumnUse | None
    others: Mapping[str, ColumnUse]
    style: NumberStyle
    evidence: dict[str, str]
    caveats: tuple[Caveat, ...]

    def used_positions(self) -> set[int]:
        """Positions of every column that is read."""
        uses = [use for use in (self.time, self.frame_time, *self.others.values()) if use is not None]
        return {use.position for use in uses}


def column_use(fact: ColumnFacts, unit: TimeUnit, style: NumberStyle) -> ColumnUse:
    """A column, to be read in a unit."""
    return ColumnUse(
        position=fact.position,
        ref=fact.ref,
        unit=unit,
        event=fact.event,
        resolution_ns=resolution_ns(fact, unit, style),
    )


def resolution_ns(fact: ColumnFacts, unit: TimeUnit | None, style: NumberStyle) -> int:
    """Step of the last digit that is written, the coarser of the first and the last rows."""
    if unit is None or unit is RATE:
        return 1_000_000
    if unit.ns is None:
        # Clock times and dates: the digits of their seconds.
        seconds = [_digits_of_seconds(cell) for cell in (*fact.cells, *fact.last_cells) if cell.strip()]
        return int(10 ** max(0, 9 - min(seconds, default=9)))
    powers = [
        min((digit_power(cell, style) for cell in cells), default=0)
        for cells in (fact.cells, fact.last_cells or fact.cells)
    ]
    return max(1, round(unit.ns * Fraction(10) ** max(powers)))


def _digits_of_seconds(cell: str) -> int:
    match = re.search(r"[.,](\d+)", cell)
    return len(match[1]) if match else 0


def coarse_rates(fact: ColumnFacts, style: NumberStyle) -> tuple[Caveat, ...]:
    """A caveat where rates are written with so few digits that frame times come in steps of 1 % or more."""
    cells = [cell for cell in (*fact.cells, *fact.last_cells) if cell.strip()]
    step = Fraction(10) ** min((digit_power(cell, style) for cell in cells), default=0)
    rates = sorted(rate for rate in (exact_value(cell, style) for cell in cells) if rate is not None and rate > 0)
    if not rates or step < _COARSE_RATE * rates[len(rates) // 2]:
        return ()
    usual = float(rates[len(rates) // 2])
    return (
        Caveat(
            code="coarse-rates",
            message=f"Column {fact.shown} gives rates in steps of {float(step):g} fps, which is "
            f"{100.0 * float(step) / usual:.2g} % of the usual {usual:g} fps: frame times are no finer.",
        ),
    )


def steps_of(values: Sequence[int]) -> list[int]:
    """Differences of neighbours."""
    return [b - a for a, b in pairwise(values)]


def rising_fraction(values: Sequence[int]) -> float | None:
    """Share of steps that go up; ``None`` with fewer than two values."""
    steps = steps_of(values)
    return sum(step > 0 for step in steps) / len(steps) if steps else None


def is_plausible(spans_ns: Sequence[int]) -> bool:
    """Whether the median of the positive spans lies where frame times lie."""
    positive = sorted(span for span in spans_ns if span > 0)
    return bool(positive) and PLAUSIBLE_NS[0] <= positive[len(positive) // 2] <= PLAUSIBLE_NS[1]
