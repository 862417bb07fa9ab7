"""Logs with a row a second are no frame logs, whatever their rows say of the frames in between."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns.column_facts import ColumnFacts
from frametime.adapters.columns.column_readings import Reading, middle
from frametime.adapters.columns.header_words import Meaning
from frametime.adapters.columns.words import words_of
from frametime.adapters.text.number_style import NumberStyle
from frametime.errors import ReadError

_SLOW_NS: Final = 95e6
_EVEN: Final = 0.25
_ROWS_APART: Final = 3.0
"""Rows this many times as far apart as the frames that they tell of are summaries (common practice, no source)."""


def refuse_summaries(name: str, facts: Sequence[ColumnFacts], readings: Sequence[Reading], style: NumberStyle) -> None:
    """Refuse rows that come evenly and slowly beside columns of rates, frames or frame times, or of sensors.

    Raises
    ------
    ReadError
    """
    clocks = [reading for reading in readings if reading.kind == "timestamp" and reading.spans.size > 1]
    if any(r.kind == "timestamp" and r.plausible and not _is_slow(r) for r in clocks if r.fact.unit is not None):
        return
    for clock in clocks:
        if not _is_slow(clock):
            continue
        step_ns = middle(clock.spans)
        for fact in facts:
            lengths = _lengths_told(fact, style)
            if fact is not clock.fact and lengths.size and middle(lengths) * _ROWS_APART < step_ns:
                raise ReadError.at(
                    name,
                    f"rows come {step_ns / 1e9:.3g} s apart in {clock.fact.shown}, and {fact.shown} tells of many "
                    "frames in between: this is a log of summaries, with one row a second, not one row a frame",
                    helps="record a log with one row for each frame",
                )
        sensors = [fact.shown for fact in facts if fact.numeric and fact.said.other_unit is not None]
        if sensors and not any(r.fact is not clock.fact for r in readings):
            raise ReadError.at(
                name,
                f"this looks like a sensor log: rows come {step_ns / 1e9:.3g} s apart in {clock.fact.shown}, beside "
                f"{sensors[0]}",
                helps="give it with --sensors beside the frame log",
            )


def _is_slow(clock: Reading) -> bool:
    usual = middle(clock.spans) if clock.spans.size else 0.0
    even = np.abs(clock.spans - usual) <= _EVEN * usual
    return usual >= _SLOW_NS and float(even.mean()) >= 0.8


def _lengths_told(fact: ColumnFacts, style: NumberStyle) -> NDArray[np.float64]:
    """Lengths of frames in ns that a column tells of: by rates, by counts in a row, or by statistics of frame times."""
    words = set(words_of(fact.name))
    if not fact.numeric or fact.said.other_unit is not None:
        return np.empty(0)
    values = fact.ns(style)
    if fact.meaning in (Meaning.STATISTIC, Meaning.FRAME_TIME) and fact.unit is not None and fact.unit.ns is not None:
        lengths = values
    elif fact.meaning is Meaning.RATE or {"fps", "framerate", "frames"} & words or {"frame", "rate"} <= words:
        with np.errstate(divide="ignore", invalid="ignore"):
            lengths = values if fact.unit is not None and fact.unit.form == "rate" else 1e9 / values
    else:
        return np.empty(0)
    return lengths[np.isfinite(lengths) & (lengths > 0)]
