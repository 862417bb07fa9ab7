"""One thing looked at in an endurance run, and the thresholds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from frametime.metrics.metric import MeasuredRun

CriterionState = Literal["passed", "failed", "not measurable"]


@dataclass(frozen=True, kw_only=True)
class EnduranceRules:
    """Thresholds of the verdict.

    Length, freezes and the temperature limit are common practice, no source; the others are choices of this program,
    each a parameter.

    Attributes
    ----------
    min_minutes, max_minutes : float
        How long an endurance run lasts.
    max_freezes : int
        Frames over 500 ms.
    max_hitches_per_10min : float
        Frames over 250 ms, freezes left out.
    max_drift_pct : float
        Growth of the frame time over the whole run, by a slope or by a step to a longer level.
    min_seen_fraction : float
        Share of the run that sensor samples must cover before nothing seen counts as passed.
    """

    min_minutes: float = 30.0
    max_minutes: float = 60.0
    max_freezes: int = 0
    max_hitches_per_10min: float = 1.0
    max_drift_pct: float = 3.0
    min_seen_fraction: float = 0.95


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One thing looked at: its number (``None`` where it cannot be measured), the threshold, and a sentence."""

    key: str
    label: str
    state: CriterionState
    value: float | None
    unit: str
    threshold: str
    sentence: str


class Question(NamedTuple):
    """One thing to look at, in which unit, and the threshold: answered with a number, or with why there is none."""

    key: str
    unit: str
    threshold: str

    def judged(self, value: float, sentence: str, *, passed: bool) -> Criterion:
        """A criterion with its number, passed or failed."""
        return self._answer("passed" if passed else "failed", value, sentence)

    def unmeasured(self, reason: str) -> Criterion:
        """A criterion without a number, and why."""
        return self._answer("not measurable", None, reason)

    def _answer(self, state: CriterionState, value: float | None, sentence: str) -> Criterion:
        return Criterion(
            key=self.key,
            label=self.key,
            state=state,
            value=value,
            unit=self.unit,
            threshold=self.threshold,
            sentence=sentence,
        )


def value_of(run: MeasuredRun, key: str) -> tuple[float | None, str]:
    """A metric of the run, and why it has no value; the reason is empty where it has one."""
    found = run.values.get(key)
    if found is None:
        return None, f"{key} was not measured"
    return found.value, found.reason or ""
