"""The short cautions that every output about tuning shows."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final[tuple[str, ...]] = (
    "Tuning can make a system unstable, corrupt data, shorten a card's life and void its warranty. Save work first.",
    "Keep to the manufacturer's specification and limits; connectors, supplies and coolers have limits of their own.",
    "Stop on smell, smoke, or temperatures above the limit. Mains-side work is for a qualified person, under the "
    "local electrical code.",
    "frametime only reads logs: it sets no clock, no limit and no fan.",
)
