"""Frozen results as plain JSON values: every number in full precision, no NaN, a missing value as null."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from typing import TypeAlias

Plain: TypeAlias = "None | bool | int | float | str | list[Plain] | dict[str, Plain]"


def plain(value: object) -> Plain:
    """``value`` as JSON values: dataclasses and mappings become objects, tuples become lists.

    Raises
    ------
    ValueError
        If a number is NaN or infinite, or a type has no plain form: both are mistakes of the caller.

    Examples
    --------
    >>> from frametime.caveats import Caveat
    >>> plain(Caveat(code="gap", message="no frame for 3 s", metrics=("average_fps",)))
    {'code': 'gap', 'message': 'no frame for 3 s', 'weight': 'care', 'metrics': ['average_fps']}
    """
    if isinstance(value, Enum):
        return plain(value.value)
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"value must be finite, got {value!r}")
        return float(value)
    if isinstance(value, Fraction):
        return str(value)
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        items = sorted(value) if isinstance(value, (set, frozenset)) else value
        return [plain(item) for item in items]
    raise ValueError(f"value has no plain form, got {type(value).__name__}")


def json_text(value: object, *, indent: int | None = 2) -> str:
    """`plain` as JSON text in ASCII, which every shell passes on unchanged."""
    return json.dumps(plain(value), ensure_ascii=True, allow_nan=False, indent=indent)
