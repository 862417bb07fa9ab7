"""What a reader must know about a number. A caveat is part of the result and is shown with it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Weight(StrEnum):
    """How much a caveat matters to whoever must decide about the run or the number."""

    NOTE = "note"
    """Good to know; changes nothing."""
    CARE = "care"
    """The number can be used, with this in mind."""
    REPEAT = "repeat"
    """The run should be made again, or the number not be used."""


@dataclass(frozen=True, kw_only=True)
class Caveat:
    """One thing to know about a number, a capture or a comparison.

    Attributes
    ----------
    code : str
        Stable identifier in kebab-case, listed in ``docs/caveats.md``.
    message : str
        One sentence for people, with the numbers that led to it.
    weight : Weight
        What it means for the use of the number.
    metrics : tuple of str
        Keys of the metrics it bears on; empty when it bears on all of them.
    """

    code: str
    message: str
    weight: Weight = Weight.CARE
    metrics: tuple[str, ...] = ()
