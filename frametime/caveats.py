"""What a reader must know about a number. A caveat is part of the result and is shown with it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path


class Weight(StrEnum):
    """How much a caveat matters to whoever must decide about the run or the number."""

    NOTE = "note"
    """Good to know; changes nothing."""
    CARE = "care"
    """The number can be used, with this in mind."""
    REPEAT = "repeat"
    """The run should be made again, or the number not be used."""

    @property
    def place(self) -> int:
        """0 for the weightiest: lists of caveats begin with those."""
        return (Weight.REPEAT, Weight.CARE, Weight.NOTE).index(self)


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
    is_carried : bool
        It is told again from a place below, where it stands with its numbers: of a cell with its comparison, of cells
        with their mean.
    """

    code: str
    message: str
    weight: Weight = Weight.CARE
    metrics: tuple[str, ...] = ()
    is_carried: bool = False


@cache
def caveat_titles() -> dict[str, str]:
    """What a kind of caveat says of several runs or cells at once; each member's own message has the numbers."""
    lines = Path(__file__).with_name("caveat_titles.tsv").read_text("utf-8").splitlines()
    return dict(line.split("\t") for line in lines)


def caveat_title(code: str) -> str:
    """Words for a kind of caveat; a code without a title is spelled out.

    Examples
    --------
    >>> caveat_title("warm-up"), caveat_title("sensor-gap")
    ('The first seconds differ from the rest', 'Sensor gap')
    """
    return caveat_titles().get(code) or code.replace("-", " ").capitalize()
