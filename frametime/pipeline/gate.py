"""Requirements on a measured run: ``KEY=VALUE`` as least or greatest value."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from frametime.errors import did_you_mean
from frametime.metrics.metric import MeasuredRun
from frametime.units import shown_unit


@dataclass(frozen=True, kw_only=True)
class Requirement:
    """One requirement: metric key, which side, and the value that is still allowed."""

    key: str
    side: Literal["min", "max"]
    value: float

    @classmethod
    def parse(cls, text: str, side: Literal["min", "max"], known: Iterable[str]) -> Requirement:
        """Read ``KEY=VALUE``.

        Raises
        ------
        ValueError
            If the text has another form, the key is not known (the nearest one is named) or the value is no number.

        Examples
        --------
        >>> Requirement.parse("average_fps=60", "min", ["average_fps"]).value
        60.0
        """
        key, equals, value_text = text.partition("=")
        if not equals:
            raise ValueError(f"--{side} takes KEY=VALUE, not {text!r}")
        names = list(known)
        if key not in names:
            hint = did_you_mean(key, names, cutoff=0.6) or "'frametime metrics' lists them"
            raise ValueError(f"--{side}: there is no metric {key!r}; {hint}")
        try:
            value = float(value_text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise ValueError(f"--{side} {key}: {value_text!r} is not a number")
        return cls(key=key, side=side, value=value)


@dataclass(frozen=True, kw_only=True)
class Unmet:
    """A requirement that a run does not meet. ``actual`` is None where the metric has no value."""

    requirement: Requirement
    actual: float | None
    sentence: str


def unmet(run: MeasuredRun, requirements: Iterable[Requirement]) -> tuple[Unmet, ...]:
    """The requirements that ``run`` does not meet; a metric without a value meets none."""
    missed = []
    for requirement in requirements:
        value = run.values[requirement.key]
        unit = shown_unit(value.unit)
        bound = f"{'at least' if requirement.side == 'min' else 'at most'} {requirement.value:g} {unit}".rstrip()
        if value.value is None:
            sentence = f"{requirement.key} is not available ({value.reason}), {bound} is required"
        else:
            short = requirement.value - value.value if requirement.side == "min" else value.value - requirement.value
            if short <= 0.0:
                continue
            way = "below" if requirement.side == "min" else "above"
            actual = f"{value.value:.6g} {unit}".rstrip()
            sentence = f"{requirement.key} is {actual}, {bound} is required: {f'{short:.3g} {unit}'.rstrip()} {way}"
        missed.append(Unmet(requirement=requirement, actual=value.value, sentence=sentence))
    return tuple(missed)
