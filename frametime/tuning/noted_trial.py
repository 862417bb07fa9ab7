"""A trial that was just noted."""

from __future__ import annotations

from dataclasses import dataclass

from frametime.caveats import Caveat
from frametime.tuning.proposal import NextStep
from frametime.tuning.record import Trial


@dataclass(frozen=True, kw_only=True)
class NotedTrial:
    """A trial that was appended: its number in the record, why it counts as failed (if it does), and what is next."""

    number: int
    trial: Trial
    failure: str | None
    next_step: NextStep
    caveats: tuple[Caveat, ...]
