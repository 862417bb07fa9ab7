"""The quantities that a sensor log may hold, as ``quantities.tsv`` beside this file tells them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final, NamedTuple

from frametime.adapters.columns.words import CONVERSIONS
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight


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
    usual : tuple of float or None
        Where no unit is stated, typical readings between these are in the unit that is kept.
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
    plausible: tuple[float, float]
    usual: tuple[float, float] | None
    low: float
    never_zero: bool


def _quantities() -> dict[str, Quantity]:
    lines = Path(__file__).with_name("quantities.tsv").read_text("utf-8").splitlines()
    _, of_all, *rows = (line.split("\t") for line in lines)
    found = {}
    for name, metrics, needed, refused, better, plausible, usual, low, never_zero in rows:
        _, unit, said = SENSOR_COLUMNS[name]
        least, most = map(float, plausible.split())
        span = [float(bound) for bound in usual.split()]
        found[name] = Quantity(
            unit=unit,
            said=said,
            units=CONVERSIONS[unit],
            metrics=tuple(metrics.split()),
            needed=tuple(frozenset(words.split()) for words in needed.split("|")),
            refused=frozenset((*of_all[3].split(), *refused.split())),
            better=frozenset(better.split()),
            plausible=(least, most),
            usual=(span[0], span[1]) if span else None,
            low=float(low),
            never_zero=never_zero == "yes",
        )
    return found


QUANTITIES: Final[Mapping[str, Quantity]] = MappingProxyType(_quantities())
SENSOR_METRICS: Final = tuple(key for quantity in QUANTITIES.values() for key in quantity.metrics)
"""Keys of the metrics that rest on sensor samples."""


def sensor_caveat(code: str, message: str, weight: Weight = Weight.CARE) -> Caveat:
    """A caveat of everything that rests on sensor samples."""
    return Caveat(code=code, message=message, weight=weight, metrics=SENSOR_METRICS)
