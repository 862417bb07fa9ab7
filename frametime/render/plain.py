"""Frozen results as plain JSON values: every number in full precision, no NaN, a missing value as null."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from typing import TypeAlias, cast

Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"


def plain(value: object) -> Plain:
    """``value`` as JSON values: dataclasses, named tuples and mappings become objects, tuples become lists.

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
    if value is None or type(value) in (bool, int, str):
        return cast("Plain", value)
    if isinstance(value, Enum):
        value = value.value
    if isinstance(value, Fraction):
        value = str(value)
    if isinstance(value, float):
        value = _finite(value)
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (set, frozenset)):
        value = sorted(value)
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return {name: plain(item) for name, item in zip(value._fields, value, strict=True)}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    raise ValueError(f"value has no plain form, got {type(value).__name__}")


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"value must be finite, got {value!r}")
    return float(value)


def json_text(value: object, *, indent: int | None = 2) -> str:
    """`plain` as JSON text in ASCII, which every shell passes on unchanged."""
    return json.dumps(plain(value), ensure_ascii=True, allow_nan=False, indent=indent)
