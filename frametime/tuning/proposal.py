"""The answers of the search: the trial to make next, or that none is left."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from frametime.tuning.record import CAUTION, CAUTIONS, KNOBS, NEAR_C, STOCK, Goal, Setting, TuningRecord, Workload
from frametime.tuning.trial_view import TrialView
from frametime.words import counted


class Phase(StrEnum):
    """States, in their order."""

    STOCK = "stock"
    CORE = "core steps"
    MEMORY = "memory steps"
    POWER = "power steps"
    VOLTAGE = "voltage steps"
    POWER_AGAIN = "power again"
    OTHERS = "other workloads"
    HEAVIER = "heavier workloads"
    FINE = "fine steps"
    REPEATS = "repeats"
    ENDURANCE = "endurance"
    EVERYDAY = "everyday setting"


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """The trial to make next.

    Attributes
    ----------
    phase : Phase
    setting : Setting
        What to set.
    start : Setting
        The tried setting from which this step is taken.
    workload : str
    n_runs : int
        Runs to make.
    minutes : float
        Least length of a run.
    goal : str
    power_limit_w : float or None
        To be set before clocks are raised, or with the setting where power is to be saved.
    reason : str
    notes : tuple of str
    cautions : tuple of str
        In full before the first trial and near a limit, one line else.
    """

    phase: Phase
    setting: Setting
    start: Setting
    workload: str
    n_runs: int
    minutes: float
    goal: Goal
    power_limit_w: float | None
    reason: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def is_endurance(self) -> bool:
        """Whether this is the long run at the end."""
        return self.phase is Phase.ENDURANCE


@dataclass(frozen=True, kw_only=True)
class Finished:
    """No trial is left to make. ``best`` is ``None`` when not even the stock setting holds."""

    best: Setting | None
    everyday: Setting | None
    reason: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = (CAUTION,)


NextStep: TypeAlias = Proposal | Finished


def propose(
    view: TrialView,
    phase: Phase,
    setting: Setting,
    workload: Workload,
    *,
    reason: str,
    start: Setting = STOCK,
    n_runs: int = 1,
) -> Proposal:
    """A trial, with the limits and the notes of the record."""
    most_w = view.record.limits.power_w
    return Proposal(
        phase=phase,
        setting=setting,
        start=start,
        workload=workload.name,
        n_runs=n_runs,
        minutes=view.record.least_minutes(workload.name, is_endurance=phase is Phase.ENDURANCE),
        goal=view.record.goal,
        power_limit_w=None if most_w is None else most_w * setting.power_limit_pct / 100.0,
        reason=reason,
        notes=notes_of(view),
        cautions=CAUTIONS if not view.record.trials or _is_near_limit(view.record, setting) else (CAUTION,),
    )


def _is_near_limit(record: TuningRecord, setting: Setting) -> bool:
    """Whether a knob comes within a coarse step of its limit, or the last known temperature came near its own."""
    limits, peaks_c = record.limits, [trial.peak_temperature_c for trial in record.trials]
    if next((peak_c for peak_c in reversed(peaks_c) if peak_c is not None), 0.0) >= limits.temperature_c - NEAR_C:
        return True
    return any(0 < setting.turned(axis) > limits.farthest.turned(axis) - record.steps.coarse(axis) for axis in KNOBS)


def stock_fails(view: TrialView, load: str) -> Finished:
    """The search ends: the card as it was delivered fails under this load, or would, as one that draws less was hot."""
    reason = f"The stock setting itself does not hold under {load}: nothing is left to tune. "
    for number, (item, trial) in enumerate(zip(view.evidence, view.record.trials, strict=True), start=1):
        if item.is_hot and item.fails(STOCK) and item.setting != STOCK:
            reason = f"Trial {number} ({item.setting}) got too hot: {view.failure_of(trial)}. Stock draws no less. "
            reason += "Once the cause is found, take the trial back and run it again. "
    return Finished(
        best=None, everyday=None, reason=f"{reason}Look at cooling, power and the card first.", notes=notes_of(view)
    )


def notes_of(view: TrialView) -> tuple[str, ...]:
    """What is to be said beside any answer."""
    notes = [*view.aged, *_beyond_limits(view.record)]
    if view.record.card.name == "my card":  # as a new record has it
        notes.append(
            "The card is still 'my card': name it, and put the manufacturer's limits in place of the examples."
        )
    for trial in view.record.trials[-1:]:
        for label, text in (("voltage at a clock", trial.voltage_at_clock), ("fan curve", trial.fan_curve)):
            if text:
                notes.append(f"The last trial had a {label} of its own: {text}. Keep it, so that trials stay alike.")
        if view.is_too_slow(trial.setting) and not trial.is_endurance and trial.workload == view.record.heaviest.name:
            most = f"more than {view.record.max_speed_loss_pct:g} % of stock speed is lost"
            notes.append(f"The last trial was too slow: {most} at {trial.setting}.")
        if view.record.goal != "speed" and view.has_power and trial.average_fps and not trial.average_power_w:
            notes.append("The last trial has no measured power, so it is not compared: run it again with a sensor log.")
    if not view.has_scores and view.record.trials:
        notes.append(
            "No trial has a measured speed: give frame logs with --log, or a higher clock that is slower stays unseen."
        )
    return tuple(notes)


def _beyond_limits(record: TuningRecord) -> Iterator[str]:
    """Trials that were set beyond the limits of the record: noted as they were made, never without a word."""
    limits = record.limits
    for number, trial in enumerate(record.trials, start=1):
        setting, watts = trial.setting, trial.power_limit_w or 0.0
        beyond = [limits.farthest.words(axis) for axis in KNOBS if setting.turned(axis) > limits.farthest.turned(axis)]
        beyond += [f"{limits.power_w:g} W"] if limits.power_w is not None and watts > limits.power_w else []
        if beyond:
            yield (
                f"Trial {number} was set to {setting}{f', {watts:g} W' if watts else ''}, beyond the limits of the "
                f"record ({', '.join(beyond)}): go back to them; the manufacturer's limits come first."
            )


def propose_runs(view: TrialView, phase: Phase, setting: Setting, *, start: Setting, why: str) -> Proposal | None:
    """The repeats that a setting still lacks; ``None`` where it has them all."""
    workload = view.record.heaviest
    missing = view.record.steps.repeats - view.n_runs(setting, workload.name)
    if missing <= 0:
        return None
    runs = counted(missing, "more run")
    return propose(view, phase, setting, workload, start=start, n_runs=missing, reason=f"{runs} at {setting}: {why}.")


def propose_endurance(view: TrialView, setting: Setting, *, start: Setting, why: str) -> Proposal:
    """The long run."""
    steps = view.record.steps
    reason = (
        f"{why}A run of {steps.endurance_min_minutes:g} to {steps.endurance_max_minutes:g} minutes "
        "under the heaviest workload shows whether the setting holds."
    )
    return propose(view, Phase.ENDURANCE, setting, view.record.heaviest, start=start, reason=reason)
