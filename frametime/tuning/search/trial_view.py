"""What the trials made so far say about a setting: whether it holds, and how fast it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from frametime.tuning.record import Outcome, Setting, Trial, TuningRecord

Status: TypeAlias = Literal["passed", "failed", "unknown"]
Axis: TypeAlias = Literal["core", "memory"]

FIELD_OF: Final[dict[Axis, str]] = {"core": "core_offset_mhz", "memory": "memory_offset_mhz"}


def offset_of(setting: Setting, axis: Axis) -> int:
    """Offset of one clock in MHz."""
    return int(getattr(setting, FIELD_OF[axis]))


def with_offset(setting: Setting, axis: Axis, offset_mhz: int) -> Setting:
    """The setting with one clock changed.

    Examples
    --------
    >>> str(with_offset(Setting(core_offset_mhz=50), "memory", 100))
    'core +50 MHz, memory +100 MHz'
    """
    return replace(setting, **{FIELD_OF[axis]: offset_mhz})


def lowered(setting: Setting, axis: Axis, by_mhz: int) -> Setting:
    """The setting with one clock lowered, never below stock."""
    offset_mhz = offset_of(setting, axis)
    return with_offset(setting, axis, max(min(offset_mhz, 0), offset_mhz - by_mhz))


def geometric_mean(values: Sequence[float]) -> float | None:
    """Geometric mean of positive values; ``None`` where there are none."""
    return math.exp(sum(map(math.log, values)) / len(values)) if values else None


def mean(values: Sequence[float]) -> float | None:
    """Arithmetic mean; ``None`` of no values."""
    return sum(values) / len(values) if values else None


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """One trial reduced to what it proves: a setting under a weight of load holds, or does not."""

    setting: Setting
    weight: int
    holds: bool


class TrialView:
    """Conclusions from the trials of a record.

    A setting that failed is taken to fail under every heavier load, and so is every setting at or beyond it. A
    setting that passed is taken to pass under every lighter load, and so is every setting at or below it. Where
    the two contradict each other the failure counts: cards age, and a failure is the safer belief.
    """

    def __init__(self, record: TuningRecord) -> None:
        self.record = record
        self.evidence = tuple(self._evidence_of(trial) for trial in record.trials)

    def failure_of(self, trial: Trial) -> str | None:
        """Why a trial counts as failed; ``None`` when it passed."""
        if trial.outcome is not Outcome.PASSED:
            return trial.outcome.value
        limit_c = self.record.limits.temperature_c
        if trial.peak_temperature_c is not None and trial.peak_temperature_c > limit_c:
            return f"{trial.peak_temperature_c:g} °C, above the limit of {limit_c:g} °C"
        return None

    def _evidence_of(self, trial: Trial) -> Evidence:
        record = self.record
        weight = record.weight_of(trial.workload)
        holds = self.failure_of(trial) is None
        if trial.is_endurance and trial.workload == record.heaviest.name and (not holds or self._is_long(trial)):
            weight = record.endurance_weight
        return Evidence(setting=trial.setting, weight=weight, holds=holds)

    def _is_long(self, trial: Trial) -> bool:
        return trial.minutes is not None and trial.minutes >= self.record.steps.endurance_min_minutes

    def status(self, setting: Setting, weight: int) -> Status:
        """Whether a setting holds under a weight of load, as far as the trials say."""
        if any(
            not item.holds and item.weight <= weight and setting.is_at_or_beyond(item.setting) for item in self.evidence
        ):
            return "failed"
        if any(
            item.holds and item.weight >= weight and item.setting.is_at_or_beyond(setting) for item in self.evidence
        ):
            return "passed"
        return "unknown"

    def lightest_failed(self, setting: Setting) -> str | None:
        """Lightest load under which a setting fails, a workload or the endurance run; ``None`` where none is known."""
        loads = (*(workload.name for workload in self.record.workloads), "the endurance run")
        return next((load for weight, load in enumerate(loads) if self.status(setting, weight) == "failed"), None)

    def failure_above(self, setting: Setting, axis: Axis, weight: int) -> int | None:
        """Least offset of one clock above that in ``setting`` at which a trial failed; ``None`` if there is none.

        The other clock may have been the one at fault, so this is where to look, not what is proven; an offset that
        passed since, with the other clock as in ``setting``, is left out.
        """
        offsets = {offset_of(item.setting, axis) for item in self.evidence if not item.holds and item.weight <= weight}
        return min(
            (
                offset_mhz
                for offset_mhz in offsets
                if offset_mhz > offset_of(setting, axis)
                and self.status(with_offset(setting, axis, offset_mhz), weight) != "passed"
            ),
            default=None,
        )

    def runs_fps(self, setting: Setting, workload: str) -> tuple[float, ...]:
        """Average FPS of every run that passed at exactly this setting; endurance runs are left out."""
        return tuple(fps for trial in self._passed(setting, workload) for fps in trial.average_fps)

    def runs_power_w(self, setting: Setting, workload: str) -> tuple[float, ...]:
        """Average power of every run that passed at exactly this setting; endurance runs are left out."""
        return tuple(power_w for trial in self._passed(setting, workload) for power_w in trial.average_power_w)

    def score(self, setting: Setting, workload: str) -> float | None:
        """Geometric mean of the average FPS over runs; ``None`` where none was measured."""
        return geometric_mean(self.runs_fps(setting, workload))

    def n_runs(self, setting: Setting, workload: str) -> int:
        """Runs that passed at exactly this setting, measured or not."""
        return sum(trial.n_runs for trial in self._passed(setting, workload))

    def _passed(self, setting: Setting, workload: str) -> list[Trial]:
        return [
            trial
            for trial in self.record.trials
            if trial.setting == setting
            and trial.workload == workload
            and not trial.is_endurance
            and self.failure_of(trial) is None
        ]

    @property
    def has_scores(self) -> bool:
        """Whether any trial has a measured speed."""
        return any(trial.average_fps for trial in self.record.trials)

    @property
    def aged(self) -> tuple[str, ...]:
        """Sentences about settings that failed although they, or harder ones, had passed before."""
        found = []
        for place, item in enumerate(self.evidence):
            if item.holds:
                continue
            if any(
                earlier.holds and earlier.weight >= item.weight and earlier.setting.is_at_or_beyond(item.setting)
                for earlier in self.evidence[:place]
            ):
                found.append(
                    f"Trial {place + 1} ({item.setting}) failed although the same or a harder one had passed before: "
                    "a stable setting can stop being stable with age. Go back to stock and repeat from there."
                )
        return tuple(found)
