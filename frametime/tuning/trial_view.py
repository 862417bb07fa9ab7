"""What the trials made so far say about a setting: whether it holds, and how fast it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal, NamedTuple, TypeAlias

from frametime.tuning.record import STOCK, Axis, Outcome, Setting, Trial, TuningRecord

Status: TypeAlias = Literal["passed", "failed", "unknown"]


def geometric_mean(values: Sequence[float]) -> float | None:
    """Geometric mean of positive values; ``None`` where there are none."""
    return math.exp(sum(map(math.log, values)) / len(values)) if values else None


def mean(values: Sequence[float]) -> float | None:
    """Arithmetic mean; ``None`` of no values."""
    return sum(values) / len(values) if values else None


class Evidence(NamedTuple):
    """One trial reduced to what it proves: a setting under a weight of load holds, or does not, be it for its heat."""

    setting: Setting
    weight: int
    holds: bool
    is_hot: bool

    def fails(self, setting: Setting) -> bool:
        """Whether a setting is taken to fail for this trial: less power or a lower voltage heats no card more."""
        return not self.holds and (setting.is_as_hot_as if self.is_hot else setting.fails_with)(self.setting)


class TrialView:
    """Conclusions from the trials of a record.

    A setting that failed is taken to fail under every heavier load, and so is every setting at or beyond it. A
    setting that passed is taken to pass under every lighter load, and so is every setting at or below it with the same
    power limit. A lowered voltage is the exception: a card clocks higher under a lighter load, so each load has to show
    by itself that it holds. Where a pass and a failure contradict each other the failure counts: cards age, and a
    failure is the safer belief.
    """

    def __init__(self, record: TuningRecord) -> None:
        self.record = replace(
            record, trials=tuple(replace(trial, setting=record.placed(trial)) for trial in record.trials)
        )
        self.evidence = tuple(self._evidence_of(trial) for trial in self.record.trials)

    def failure_of(self, trial: Trial) -> str | None:
        """Why a trial counts as failed; ``None`` when it passed."""
        if trial.outcome is not Outcome.PASSED:
            return trial.outcome.value
        return self.record.limits.heat(trial.peak_temperature_c)

    def _evidence_of(self, trial: Trial) -> Evidence:
        record = self.record
        weight = record.weight_of(trial.workload)
        holds = self.failure_of(trial) is None
        is_long = trial.minutes is not None and trial.minutes >= record.steps.endurance_min_minutes
        if trial.is_endurance and trial.workload == record.heaviest.name and (not holds or is_long):
            weight = record.endurance_weight
        return Evidence(trial.setting, weight, holds, is_hot=not holds and trial.outcome is Outcome.PASSED)

    def status(self, setting: Setting, weight: int) -> Status:
        """Whether a setting holds under a weight of load, as far as the trials say."""
        if any(item.weight <= weight and item.fails(setting) for item in self.evidence):
            return "failed"
        return "passed" if any(self._covers(item, setting, weight) for item in self.evidence) else "unknown"

    def _covers(self, item: Evidence, setting: Setting, weight: int) -> bool:
        """Whether a trial held and proves a setting under a load."""
        heaviest = self.record.endurance_weight - 1
        is_same_load = min(item.weight, heaviest) == min(weight, heaviest)
        is_as_hard = item.weight >= weight and (is_same_load or not setting.turned("voltage"))
        return item.holds and is_as_hard and item.setting.proves(setting)

    def lightest_failed(self, setting: Setting) -> str | None:
        """Lightest load under which a setting fails, a workload or the endurance run; ``None`` where none is known."""
        loads = (*(workload.name for workload in self.record.workloads), "the endurance run")
        return next((load for weight, load in enumerate(loads) if self.status(setting, weight) == "failed"), None)

    def failure_above(self, setting: Setting, axis: Axis, weight: int) -> float | None:
        """Least turn of one knob beyond that in ``setting`` at which a trial failed; ``None`` if there is none.

        Another knob may have been the one at fault, so this is where to look, not what is proven; a turn that passed
        since, with the other knobs as in ``setting``, is left out.
        """
        failed = {item.setting.turned(axis) for item in self.evidence if not item.holds and item.weight <= weight}
        above = [turned for turned in failed if turned > setting.turned(axis)]
        open_yet = [at for at in above if self.status(setting.turned_to(axis, at), weight) != "passed"]
        return min(open_yet, default=None)

    def runs_fps(self, setting: Setting, workload: str) -> tuple[float, ...]:
        """Average FPS of every run that passed at exactly this setting; endurance runs are left out."""
        return tuple(fps for trial in self._passed(setting, workload) for fps in trial.average_fps)

    def runs_power_w(self, setting: Setting, workload: str) -> tuple[float, ...]:
        """Average power of every run that passed at exactly this setting; endurance runs are left out."""
        return tuple(power_w for trial in self._passed(setting, workload) for power_w in trial.average_power_w)

    def score(self, setting: Setting, workload: str) -> float | None:
        """Geometric mean of the average FPS over runs; ``None`` where none was measured."""
        return geometric_mean(self.runs_fps(setting, workload))

    def power_w(self, setting: Setting, workload: str) -> float | None:
        """Mean of the average power over runs; ``None`` where none was measured."""
        return mean(self.runs_power_w(setting, workload))

    def worth(self, setting: Setting, axis: Axis, workload: str) -> float | None:
        """What one knob is turned for: more is better, ``None`` where it was not measured.

        Speed for the clocks. For voltage and power limit frames per joule, or the least power where the goal is quiet
        and the limit is turned; the limit stands for the power where no trial has a measured one.
        """
        fps = self.score(setting, workload)
        if axis in ("core", "memory") or fps is None:
            return fps
        if not (power_w := self.power_w(setting, workload)) and not self.has_power:
            power_w = setting.power_limit_pct
        return (1.0 if self.record.goal == "quiet" and axis == "power" else fps) / power_w if power_w else None

    def speed_to_spare(self, setting: Setting) -> float | None:
        """Speed above the least that the goal allows, under the heaviest workload, as a share of that at stock.

        ``None`` where one of them was not measured, or speed is what is sought.
        """
        workload = self.record.heaviest.name
        fps, stock_fps = self.score(setting, workload), self.score(STOCK, workload)
        if self.record.goal == "speed" or fps is None or stock_fps is None:
            return None
        return fps / stock_fps - (1.0 - self.record.max_speed_loss_pct / 100.0)

    def spare_at_lower_voltage(self, setting: Setting) -> float | None:
        """Speed to spare with the same clocks and power limit at the nearest lower voltage that was measured."""
        turned = setting.turned("voltage")
        same = (one for trial in self.record.trials if (one := trial.setting).turned_to("voltage", turned) == setting)
        lower = [one for one in same if one.turned("voltage") > turned]
        known = {one.turned("voltage"): spare for one in lower if (spare := self.speed_to_spare(one)) is not None}
        return known[min(known)] if known else None

    def is_too_slow(self, setting: Setting) -> bool:
        """Whether a setting costs more of stock speed, under the heaviest workload, than the goal allows."""
        return (self.speed_to_spare(setting) or 0.0) < 0.0

    def n_runs(self, setting: Setting, workload: str) -> int:
        """Runs that passed at exactly this setting, measured or not."""
        return sum(trial.n_runs for trial in self._passed(setting, workload))

    def _passed(self, setting: Setting, workload: str) -> Sequence[Trial]:
        made = (trial for trial in self.record.trials if (trial.setting, trial.workload) == (setting, workload))
        return [trial for trial in made if not trial.is_endurance and self.failure_of(trial) is None]

    @property
    def has_scores(self) -> bool:
        """Whether any trial has a measured speed."""
        return any(trial.average_fps for trial in self.record.trials)

    @property
    def has_power(self) -> bool:
        """Whether any trial has a measured power."""
        return any(trial.average_power_w for trial in self.record.trials)

    @property
    def aged(self) -> tuple[str, ...]:
        """Sentences about settings that failed although they, or harder ones, had passed before."""
        return tuple(
            f"Trial {place + 1} ({item.setting}) failed although the same or a harder one had passed before: "
            "a stable setting can stop being stable with age. Go back to stock and repeat from there."
            for place, item in enumerate(self.evidence)
            if not item.holds and any(self._covers(one, item.setting, item.weight) for one in self.evidence[:place])
        )
