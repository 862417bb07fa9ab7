"""What each key of a tuning record may hold, and how that is told."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Final, Literal

from frametime.errors import printable
from frametime.tuning.record import Outcome, Steps
from frametime.tuning.toml_text import date_text, toml_value

_ABOVE_ZERO: Final = 1e-9
_ALIKE: Final = 0.8
"""How much alike a wrong word must be to one that is suggested: "crashed" is not taken for "passed"."""

Kind = Literal["text", "flag", "whole", "number", "date", "texts", "numbers"]


@dataclass(frozen=True, kw_only=True)
class Rule:
    """What a key may hold; numbers lie in ``low`` to ``high``, and a required text is not blank."""

    kind: Kind
    low: float = -math.inf
    high: float = math.inf
    required: bool = False
    choices: tuple[str, ...] = ()


def _positive(kind: Kind, high: float, *, required: bool = False) -> Rule:
    return Rule(kind=kind, low=_ABOVE_ZERO if kind in ("number", "numbers") else 1, high=high, required=required)


_OFFSET: Final = Rule(kind="whole", low=-5000, high=5000)

TABLES: Final[Mapping[str, Mapping[str, Rule]]] = MappingProxyType(
    {
        "card": {
            "name": Rule(kind="text", required=True),
            "core_clock_mhz": _positive("number", 20_000),
            "memory_clock_mhz": _positive("number", 50_000),
        },
        "limits": {
            "temperature_c": Rule(kind="number", low=30, high=110, required=True),
            "max_core_offset_mhz": Rule(kind="whole", low=0, high=5000, required=True),
            "max_memory_offset_mhz": Rule(kind="whole", low=0, high=5000, required=True),
            "power_w": _positive("number", 5000),
        },
        "workloads": {"name": Rule(kind="text", required=True), "memory_heavy": Rule(kind="flag")},
        "steps": {
            item.name: _positive("number", 600) if item.type == "float" else _positive("whole", 1000)
            for item in fields(Steps)
        },
        "trials": {
            "core_offset_mhz": _OFFSET,
            "memory_offset_mhz": _OFFSET,
            "workload": Rule(kind="text", required=True),
            "outcome": Rule(kind="text", required=True, choices=tuple(item.value for item in Outcome)),
            "endurance": Rule(kind="flag"),
            "minutes": _positive("number", 10_000),
            "power_limit_w": _positive("number", 5000),
            "logs": Rule(kind="texts"),
            "sensors": Rule(kind="texts"),
            "average_fps": _positive("numbers", 1e6),
            "average_power_w": _positive("numbers", 5000),
            "peak_temperature_c": Rule(kind="number", low=-50, high=200),
            "on": Rule(kind="date"),
            "note": Rule(kind="text"),
        },
    }
)


def fits(value: object, rule: Rule) -> bool:
    """Whether a single value is of the kind and within the bounds of its rule; choices aside."""
    if rule.kind == "text":
        return isinstance(value, str) and bool(value.strip() or not rule.required)
    if rule.kind == "flag":
        return isinstance(value, bool)
    if rule.kind == "date":
        return date_text(value) is not None
    if isinstance(value, bool) or not isinstance(value, int if rule.kind == "whole" else (int, float)):
        return False
    return rule.low <= value <= rule.high  # False for NaN


def allowed(rule: Rule) -> str:
    """What a rule allows, in words."""
    words = {
        "text": "a text in quotes",
        "flag": "true or false",
        "whole": "a whole number",
        "number": "a number",
        "date": "a date such as 2026-11-25",
        "texts": "a list of texts in quotes",
        "numbers": "a list of numbers",
    }
    if rule.choices:
        return one_of("", rule.choices)
    if math.isinf(rule.low):
        return words[rule.kind] + (", not empty" if rule.required else "")
    if rule.low == _ABOVE_ZERO:
        return f"{words[rule.kind]} above 0, up to {rule.high:.0f}"
    return f"{words[rule.kind]} from {rule.low:g} to {rule.high:.0f}"


def one_of(found: str, choices: tuple[str, ...]) -> str:
    """The choices, and the one that was probably meant."""
    near = difflib.get_close_matches(found, choices, n=1, cutoff=_ALIKE)
    listed = "one of " + ", ".join(shown(choice) for choice in choices)
    return f"{listed} (did you mean {shown(near[0])}?)" if near else listed


def shown(value: object) -> str:
    """A value as it would be written in the record, short enough for a message."""
    if isinstance(value, str):
        return printable(toml_value(value), limit=60)
    return printable(str(value).lower() if isinstance(value, bool) else str(value), limit=60)
