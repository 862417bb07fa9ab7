"""Frozen results as JSON: every number in full precision, no NaN, a missing value as null."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Set
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Final, TypeAlias, cast

from frametime import __version__
from frametime.metrics.metric import MeasuredRun

if TYPE_CHECKING:  # a check of one capture does without the room of tuning
    from frametime.tuning.endurance_verdict import EnduranceVerdict
    from frametime.tuning.proposal import NextStep
    from frametime.tuning.tuning_summary import TuningSummary

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
    {'code': 'gap', 'message': 'no frame for 3 s', 'weight': 'care', 'metrics': ['average_fps'], 'is_carried': False}
    """
    kind: type = type(value)
    if kind in (bool, int, str, type(None)):
        return cast("Plain", value)
    if isinstance(value, Enum):
        return plain(value.value)
    names = _field_names(kind)
    if names:
        return {name: plain(getattr(value, name)) for name in names}
    form = next((form for family, form in _FORMS.items() if issubclass(kind, family)), None)
    if form is None:
        raise ValueError(f"value has no plain form, got {kind.__name__}")
    return form(value)


@cache
def _field_names(kind: type) -> tuple[str, ...]:
    """The fields of a dataclass or named tuple."""
    return tuple(item.name for item in fields(kind)) if is_dataclass(kind) else getattr(kind, "_fields", ())


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"value must be finite, got {value!r}")
    return float(value)


_FORMS: Final[dict[type, Callable[[Any], Plain]]] = {
    int: int,
    str: str,
    float: _finite,
    Fraction: str,
    Mapping: lambda value: {str(key): plain(item) for key, item in value.items()},
    Set: lambda value: [plain(item) for item in sorted(value)],
    list: lambda value: [plain(item) for item in value],
    tuple: lambda value: [plain(item) for item in value],
}


def json_text(value: object, *, indent: int | None = 2) -> str:
    """`plain` as JSON text in ASCII, which every shell passes on unchanged."""
    return json.dumps(plain(value), ensure_ascii=True, allow_nan=False, indent=indent)


SCHEMA: Final = "frametime.run/1"


def run_document(run: MeasuredRun, *, path: str | None = None, curves: bool = False) -> dict[str, Plain]:
    """Everything about one run. Keys are only ever added within a schema number.

    Parameters
    ----------
    run : MeasuredRun
    path : str or None
        The file that was measured; the provenance names the log that a converted capture came from.
    curves : bool
        Include the curves for charts, which are most of the size.
    """
    told: dict[str, Plain] = {"schema": SCHEMA, "frametime_version": __version__}
    told["file"] = run.provenance.file_name if path is None else path
    told |= {name: plain(getattr(run, name)) for name in ("judgement", "n_frames", "duration_s")}
    told["metrics"] = plain(run.values)
    others = ("findings", "caveats", "conditions", "options", "provenance", *(("curves",) if curves else ()))
    return told | {name: plain(getattr(run, name)) for name in others}


_TUNING_SCHEMA_VERSION = 1


_TUNING_KINDS: Final = {
    "Finished": ("tuning-finished", "step"),
    "Proposal": ("tuning-next-trial", "step"),
    "TuningSummary": ("tuning-summary", "summary"),
    "EnduranceVerdict": ("endurance-verdict", "verdict"),
}


def tuning_json(told: NextStep | TuningSummary | EnduranceVerdict) -> str:
    """The next trial or the finish, a tuning record, judged, or the verdict of an endurance run."""
    from frametime.tuning.record import CAUTIONS

    kind, name = _TUNING_KINDS[type(told).__name__]
    version = {"schema_version": _TUNING_SCHEMA_VERSION, "frametime_version": __version__}
    return json_text({"kind": kind, **version, "cautions": CAUTIONS, name: told}) + "\n"
