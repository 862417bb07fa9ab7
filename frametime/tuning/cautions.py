"""The short cautions: in full where a hand first reaches for a setting and near a limit, one line elsewhere."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final[tuple[str, ...]] = (
    "Tuning can make a system unstable, corrupt data, shorten a card's life and void its warranty. Save work first.",
    "Keep to the manufacturer's specification and limits; connectors, supplies and coolers have limits of their own.",
    "Stop on smell, smoke, or temperatures above the limit. Mains-side work is for a qualified person, under the "
    "local electrical code.",
    "frametime only reads logs: it sets no clock, no limit and no fan.",
)

CAUTION: Final = "Keep to the manufacturer's limits; stop on smell, smoke, or temperatures above the limit."
"""The line for every other output."""

NEAR_C: Final = 5.0
"""So near its limit a temperature is warned of (common practice, no source)."""
