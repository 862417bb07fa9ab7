"""What is said of the choice of columns: the evidence for each, and caveats where it is thin or a name misleads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from frametime.adapters.columns.column_facts import ColumnFacts, resolution_ns
from frametime.adapters.columns.column_readings import Reading, values_of
from frametime.adapters.columns.header_words import Event, Meaning
from frametime.adapters.columns.words import Unit
from frametime.adapters.text.number_style import NumberStyle
from frametime.caveats import Caveat, Weight

_SURE_FPS: Final = (20.0, 1000.0)
"""A rate outside of this, in a unit that is not stated, is told with more weight (common practice, no source)."""


class ChoiceNotes:
    """Evidence and caveats of one choice, as they are found.

    Attributes
    ----------
    style : NumberStyle
    told_unit : Unit or None
    evidence : dict
        Layout key to a sentence.
    caveats : list of Caveat
    """

    def __init__(self, style: NumberStyle, told_unit: Unit | None) -> None:
        self.style = style
        self.told_unit = told_unit
        self.evidence: dict[str, str] = {}
        self.caveats: list[Caveat] = []

    def _not_used(self, fact: ColumnFacts, why: str) -> None:
        if any(fact.shown in caveat.message for caveat in self.caveats):
            return
        self.caveats.append(Caveat(code="column-not-used", message=f"Column {fact.shown} {why} is not used."))

    def _tell_inferred(self, reading: Reading, *, unnamed: bool) -> None:
        """Say that a unit was not stated, and what the choice rests on."""
        thin = unnamed or not _SURE_FPS[0] <= reading.fps <= _SURE_FPS[1]
        self.evidence["unit" if reading.kind != "frame time" or "unit" not in self.evidence else "frame_time_unit"] = (
            f"only in {reading.unit.name} do frames last 0.2 ms to 1 s"
        )
        self.caveats.append(
            Caveat(
                code="reading-inferred",
                message=f"No unit is stated{' and no column has a name' if unnamed else ''}: column "
                f"{reading.fact.shown} is read as {reading.said_kind} in {reading.unit.name}, "
                f"the only reading in which frames last 0.2 ms to 1 s ({reading.said_rate} on average at the start).",
                weight=Weight.CARE if thin else Weight.NOTE,
            )
        )

    def _tell_kind(self, reading: Reading) -> None:
        """Why a column holds what it is read as."""
        if reading.fact.meaning in (Meaning.FRAME_TIME, Meaning.RATE):
            self.evidence["kind"] = "the name says so"
        elif reading.fact.meaning is not Meaning.TIMESTAMP:
            steps = np.diff(values_of(reading.fact, None, self.style, None))
            rising = f"{np.count_nonzero(steps > 0) / max(1, steps.size):.0%} of the first steps rise"
            up_and_down = f"the values go up and down ({rising})"
            self.evidence["kind"] = rising if reading.kind == "timestamp" else up_and_down

    def _tell(self, time: Reading | None, frame_time: Reading | None, group: list[Reading]) -> None:
        """The evidence for each of the columns that are read."""
        first = time or frame_time
        if first is not None and (time is None or frame_time is None) and first.kind != "rate":
            self._tell_kind(first)
        if time is not None:
            fact = time.fact
            why = f"{fact.shown} holds timestamps"
            if fact.event is not Event.UNMARKED:
                why = f"{fact.shown} marks the {fact.event} of a frame"
            others = [r.fact.shown for r in group if r.kind == "timestamp" and r.fact is not fact]
            why += f", preferred over {', '.join(others[:6])}" if others else ""
            if frame_time is None and any(r.kind == "rate" for r in group):
                why += "; the column of rates is not needed"
            self.evidence["time_column"] = why
            self.evidence["unit"] = "as told" if time.unit is self.told_unit else fact.unit_from
        if frame_time is not None:
            keys = ("time_column", "unit") if time is None else ("frame_time_column", "frame_time_unit")
            self.evidence[keys[0]] = f"{frame_time.fact.shown} holds {frame_time.said_kind}"
            self.evidence[keys[1]] = "as told" if frame_time.unit is self.told_unit else frame_time.fact.unit_from

    def _best(self, readings: list[Reading], order: Sequence[Event]) -> Reading | None:
        """Of columns that say the same: by the event that they mark, then the one with the finest steps."""
        if not readings:
            return None
        ranked = sorted(
            readings,
            key=lambda r: (
                order.index(r.fact.event),
                resolution_ns(r.fact, r.unit, self.style),
                r.fact.position,
            ),
        )
        best = ranked[0]
        same = [r.fact for r in ranked if r.fact.name and r.fact.name == best.fact.name]
        if len(same) > 1:
            places = ", ".join(str(fact.position + 1) for fact in sorted(same, key=lambda fact: fact.position))
            self.caveats.append(
                Caveat(
                    code="duplicate-column",
                    message=f"Columns {places} have the same name and the same first values; "
                    f"column {best.fact.position + 1} was read.",
                )
            )
        return best
