"""What a reader must know about a number. A caveat is part of the result and is shown with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final


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


CAVEAT_TITLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "capped": "Frames gather at one frame time, as with a frame limiter",
        "card-not-the-limit": "The card was under 90 % busy, so something else limits",
        "cells-without-power": "Power is known in some cells only",
        "coarse-timer": "Coarse timestamps",
        "common-trend": "The runs of a card rise or fall over all cells",
        "session-scatter": "Sessions without a card in common",
        "session-unknown": "Sessions of which nothing shows how they differ",
        "shelf-cells-differ": "Cells on the shelf at other scene settings",
        "drift-not-told": "No drift of the session is taken out",
        "currencies-differ": "Prices in several currencies",
        "drift": "The frame time drifts over the run",
        "driver-differs": "Several drivers",
        "dropped-frames": "Frames rendered and never shown",
        "few-frames": "Fewer than 100 frames",
        "files-not-in-plan": "Files that the plan does not know",
        "frame-numbers": "Frames are missing, double or out of order by their numbers",
        "gap": "A gap without frames",
        "layout-remembered": "Read with a remembered layout",
        "level-change": "The frame time steps to another level",
        "low-few-frames": "Few frames behind a low",
        "missing-cells": "Cells left out, for lack of a card",
        "no-common-cell": "No cell to compare in",
        "no-price": "No price",
        "no-ratio": "No value above zero",
        "no-repeats": "No cell has two runs",
        "no-scatter": "All runs have exactly the same value",
        "not-all-play": "Parts are still or without frames",
        "one-run": "A single run",
        "one-run-pooled": "A single run, with the scatter of other cells",
        "operating-system-differs": "Several operating systems",
        "plain-mean": "Plain mean, since a value is zero or below",
        "reading-inferred": "The unit is not stated, and one alone is possible",
        "recurring-hitches": "Hitches recur at one period",
        "rejected-rows": "Rows that could not be read",
        "run-to-repeat": "A run stands out: repeat it",
        "left-out-run": "A run that stood out is left out",
        "run-trend": "The runs rise or fall in the order made",
        "runs-without-sensors": "Runs without a sensor log",
        "runs-without-value": "Runs without a value",
        "same-file-twice": "Two runs hold the same bytes",
        "same-number-twice": "One number by two names",
        "scattered-set": "The runs scatter more than in the card's other cells",
        "sensor-clock-doubt": "The sensor clock may be off",
        "sensor-clocks-assumed": "Sensor log assumed to start with the capture",
        "sensor-clocks-by-load": "Placed in the sensor log by the load",
        "sensor-clocks-guessed": "When the capture was made is taken from its file",
        "sensor-negative-power": "Power below zero",
        "sensors-unusable": "Sensor logs that could not be used",
        "sensors-cover-part": "Sensor samples cover a part only",
        "several-levels": "The runs lie at two levels",
        "short-run": "Runs shorter than 5 s",
        "stands-apart": "A card has too few cells for the table",
        "throttled": "The core clock fell while the temperature stood at its limit",
        "too-few-scenes": "One scene says nothing of others",
        "too-wide": "The runs differ by a factor of a million",
        "warm-up": "The first seconds differ from the rest",
    }
)
"""What a kind of caveat says of several runs or cells at once; each member's own message has the numbers."""


def caveat_title(code: str) -> str:
    """Words for a kind of caveat; a code without a title is spelled out.

    Examples
    --------
    >>> caveat_title("warm-up"), caveat_title("sensor-gap")
    ('The first seconds differ from the rest', 'Sensor gap')
    """
    return CAVEAT_TITLES.get(code) or code.replace("-", " ").capitalize()
