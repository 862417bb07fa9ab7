"""The next trial by the steps of common practice: a pure function of the record.

The states follow one another in a fixed order. Each looks at the trials made so far and either still has a question,
which is the next trial, or hands the setting it ended with to the state after it. Nothing is kept between two calls:
the same record gives the same answer, and a failure that turns up late is taken into account from the start.

A search for less power at nearly the same speed turns one knob at a time, towards safety at the end. Power limit first,
then the core voltage, each in steps of common practice (no source). With a lower voltage the card is faster at the same
power, so the power limit is looked at again, at the voltage for every day: the loss of speed that counts is the one
that is lived with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, TypeAlias

from frametime.tuning.knob_steps import between, climb, clocks_of, resolved_pct, unresolved_pct
from frametime.tuning.proposal import (
    Finished,
    NextStep,
    Phase,
    Proposal,
    notes_of,
    propose,
    propose_endurance,
    propose_runs,
    stock_fails,
)
from frametime.tuning.record import KNOBS, STOCK, Axis, Setting, TuningRecord, Workload
from frametime.tuning.trial_view import TrialView
from frametime.words import counted

Answer: TypeAlias = Proposal | Finished | Setting
State: TypeAlias = Callable[[TrialView, Setting], Answer]


def next_trial(record: TuningRecord) -> NextStep:
    """The next trial and why, or that tuning is finished.

    Examples
    --------
    >>> from frametime.tuning.record import CardFacts, Limits, Steps, Workload
    >>> record = TuningRecord(
    ...     card=CardFacts(name="Borealis"),
    ...     limits=Limits(temperature_c=85, max_core_offset_mhz=300, max_memory_offset_mhz=1000),
    ...     workloads=(Workload(name="courtyard"),),
    ...     steps=Steps(),
    ...     trials=(),
    ... )
    >>> next_trial(record).reason
    'Stock first: it must hold, and every gain is measured against it.'
    """
    view = TrialView(record)
    setting = STOCK
    for state in STATES if record.goal == "speed" else SAVING_STATES:
        answer = state(view, setting)
        if not isinstance(answer, Setting):
            return answer
        setting = answer
    raise AssertionError("the last state always ends in a trial or in the finish")


def _stock(view: TrialView, _setting: Setting) -> Answer:
    workload = _first_workload(view)
    # Clocks are not raised on a card whose stock setting fails, be it under a heavier load than the one at hand.
    if (load := view.lightest_failed(STOCK)) is not None:
        return stock_fails(view, load)
    reason = "Stock first: it must hold, and every gain is measured against it."
    if view.status(STOCK, 0) != "unknown":
        if view.record.goal == "speed" or view.score(STOCK, workload.name) is not None:
            return STOCK
        reason = "What is lost of stock speed has to be measured: note stock with its frame logs and sensor logs."
    n_runs = 1 if _is_by_steps(view) else view.record.steps.repeats
    return propose(view, Phase.STOCK, STOCK, workload, n_runs=n_runs, reason=reason)


def _climbing(phase: Phase, axis: Axis) -> State:
    """The state that turns one knob in coarse steps under the first workload."""
    return lambda view, setting: climb(view, phase, setting, axis, workload=_first_workload(view))


def _is_by_steps(view: TrialView) -> bool:
    """Whether the search begins under the lightest workload.

    A search by halving, and one that saves power, begins under the heaviest: what holds there is taken to hold under
    the others, and it is where power is drawn.
    """
    return view.record.steps.search == "steps" and view.record.goal == "speed"


def _first_workload(view: TrialView) -> Workload:
    return view.record.workloads[0] if _is_by_steps(view) else view.record.heaviest


def _heavier_workloads(view: TrialView, setting: Setting) -> Answer:
    for workload in view.record.workloads[1:]:
        ceiling, answer = setting, _back_off(view, setting, workload)
        for axis in clocks_of(workload):
            if isinstance(answer, Setting):
                # What the search gave up on one clock while the other was at fault is won back.
                answer = climb(view, Phase.HEAVIER, answer, axis, workload=workload, ceiling=ceiling)
        if not isinstance(answer, Setting):
            return answer
        setting = answer
    return setting


def _back_off(view: TrialView, setting: Setting, workload: Workload) -> Answer:
    """Lower one clock at a time until the workload passes; where either clock helps, the better score is kept."""
    weight = view.record.weight_of(workload.name)
    stand = start = setting
    while True:
        status = view.status(stand, weight)
        if status == "passed":
            return stand
        if status == "unknown":
            reason = f"Does it hold under '{workload.name}', which is heavier?"
            return propose(view, Phase.HEAVIER, stand, workload, start=start, reason=reason)
        if not (stand.turned("core") > 0 or stand.turned("memory") > 0):
            return stock_fails(view, workload.name)
        options = _one_clock_lower(view, stand, workload)
        for axis, option in options:
            if view.status(option, weight) == "unknown":
                reason = (
                    f"{stand} failed under '{workload.name}': {option.words(axis)}, the other clock as it was; "
                    "where both ways hold, the better score is kept."
                )
                return propose(view, Phase.HEAVIER, option, workload, start=stand, reason=reason)
        holding = [option for _, option in options if view.status(option, weight) == "passed"]
        if holding:
            return max(holding, key=lambda option: view.score(option, workload.name) or 0.0)
        start = options[0][1]
        stand = start if len(options) == 1 else _one_clock_lower(view, start, workload, only=options[1][0])[0][1]


def _one_clock_lower(
    view: TrialView, setting: Setting, workload: Workload, *, only: Axis | None = None
) -> list[tuple[Axis, Setting]]:
    steps = view.record.steps
    back_mhz: dict[Axis, int] = {
        "core": steps.core_back_mhz,
        "memory": steps.memory_back_heavy_mhz if workload.memory_heavy else steps.memory_back_mhz,
    }
    return [
        (axis, setting.lowered(axis, back_mhz[axis]))
        for axis in clocks_of(workload)
        if only in (None, axis) and setting.turned(axis) > 0
    ]


def _wins_nothing(view: TrialView, higher: Setting, lower: Setting, workload: str) -> bool:
    higher_fps, lower_fps = view.score(higher, workload), view.score(lower, workload)
    return higher_fps is not None and lower_fps is not None and higher_fps <= lower_fps


def _gaps(view: TrialView, setting: Setting) -> Iterator[tuple[Axis, float]]:
    """Each clock with a failure less than a coarse step above the setting, and where it failed."""
    heaviest = view.record.heaviest
    for axis in clocks_of(heaviest):
        failure_mhz = view.failure_above(setting, axis, view.record.weight_of(heaviest.name))
        if failure_mhz is not None and failure_mhz - setting.turned(axis) <= view.record.steps.coarse(axis):
            yield axis, failure_mhz


def _fine_steps(view: TrialView, setting: Setting) -> Answer:
    """Between the last coarse step that held and the first that failed: down from the failure in fine steps."""
    record, workload = view.record, view.record.heaviest
    weight = record.weight_of(workload.name)
    for axis, failure_mhz in list(_gaps(view, setting)):
        fine_mhz = record.steps.fine(axis)
        offset_mhz = min(failure_mhz - fine_mhz, record.limits.farthest.turned(axis))
        # A search by halving leaves out what of the core clock is less than a fine step away.
        least_mhz = fine_mhz if axis == "core" and record.steps.search == "halving" else 1
        while offset_mhz >= setting.turned(axis) + least_mhz:
            candidate = setting.turned_to(axis, offset_mhz)
            status = view.status(candidate, weight)
            if status == "unknown" and unresolved_pct(view, setting, axis, failure_mhz) is not None:
                break
            if status == "unknown":
                reason = (
                    f"{setting.turned_to(axis, failure_mhz).words(axis)} failed and {setting.words(axis)} holds: "
                    f"{candidate.words(axis)} lies between, the other clock as it was."
                )
                return propose(view, Phase.FINE, candidate, workload, start=setting, reason=reason)
            is_slower = record.steps.search == "halving" and _wins_nothing(view, candidate, setting, workload.name)
            if status == "passed" and not is_slower:
                setting = candidate
            offset_mhz -= fine_mhz
    return setting


def _repeats(view: TrialView, setting: Setting) -> Answer:
    """Repeat stock, the best and what lies one coarse step below it: a clock that wins nothing is given back."""
    if not view.has_scores:
        return setting
    asked = propose_runs(view, Phase.REPEATS, STOCK, start=STOCK, why="the gain is measured against stock")
    if view.record.steps.search == "halving":
        return asked or setting  # the best is repeated once the long run has shown which it is
    why = "one run does not say how much runs scatter"
    asked = asked or propose_runs(view, Phase.REPEATS, setting, start=setting, why=why)
    for axis in clocks_of(view.record.heaviest):
        lower = setting.lowered(axis, view.record.steps.coarse(axis))
        if asked is None and lower != setting:
            why = f"is the last step of the {axis} clock worth anything?"
            asked = propose_runs(view, Phase.REPEATS, lower, start=setting, why=why)
            if asked is None and _wins_nothing(view, setting, lower, view.record.heaviest.name):
                return _repeats(view, lower)
    return asked or setting


def _endurance(view: TrialView, setting: Setting) -> Answer:
    """The long run; where it fails, back by a fine step of one knob, in turn, and again."""
    record = view.record
    entry, start, turn = setting, setting, 0
    while True:
        status = view.status(setting, record.endurance_weight)
        if status == "passed":
            return _win_back(view, setting, entry)
        if status == "unknown":
            why = "" if start == setting else f"It failed at {start}: back by a fine step. "
            return propose_endurance(view, setting, start=start, why=why)
        axes = [axis for axis in _axes(view) if setting.turned(axis) > 0]
        if not axes:
            return stock_fails(view, f"the endurance run under '{record.heaviest.name}'")
        start = setting
        for axis in axes if record.steps.search == "halving" else [axes[turn % len(axes)]]:
            setting = setting.lowered(axis, view.record.steps.fine(axis))
        turn += 1


def _axes(view: TrialView) -> tuple[Axis, ...]:
    """The knobs that are turned back, one step at a time, where a setting does not hold."""
    return clocks_of(view.record.heaviest) if view.record.goal == "speed" else ("voltage",)


def _win_back(view: TrialView, setting: Setting, entry: Setting) -> Answer:
    """What a clock was lowered by for the other's fault is given back in fine steps, as long as the long run holds."""
    weight = view.record.endurance_weight
    for axis in _axes(view):
        given_up_mhz = view.record.steps.fine(axis) if view.record.steps.search == "halving" else 0
        while setting.turned(axis) + given_up_mhz < entry.turned(axis):
            offset_mhz = min(setting.turned(axis) + view.record.steps.fine(axis), entry.turned(axis))
            higher = setting.turned_to(axis, offset_mhz)
            status = view.status(higher, weight)
            if status == "unknown":
                why = f"{setting} held, and the {axis} clock may have been lowered for the other's fault. "
                return propose_endurance(view, higher, start=setting, why=why)
            if status == "failed":
                break
            setting = higher
    return setting


def _everyday(view: TrialView, best: Setting) -> Answer:
    """Measure what the everyday setting costs, then finish."""
    everyday = _everyday_for(view, everyday_setting(best, view.record))
    heaviest = view.record.heaviest
    if not view.has_scores and view.n_runs(everyday, heaviest.name) == 0:
        # It lies below the best, and is what the card is to run at every day: that it holds is seen, not concluded.
        reason = f"{everyday} is for every day: tried by itself, not only taken to hold because {best} does."
        return propose(view, Phase.EVERYDAY, everyday, heaviest, start=best, reason=reason)
    if view.has_scores:
        why = "the cost of the setting for every day is measured from it"
        asked = propose_runs(view, Phase.REPEATS, best, start=best, why=why) if view.record.goal == "speed" else None
        why = "what the everyday setting costs is measured, not guessed"
        if asked := asked or propose_runs(view, Phase.EVERYDAY, everyday, start=best, why=why):
            return asked
    unseen = "No trial has a measured temperature: whether the card keeps to its limit is not shown."
    heat = [] if any(trial.peak_temperature_c is not None for trial in view.record.trials) else [unseen]
    return Finished(
        best=best,
        everyday=everyday,
        reason=f"Best setting that held: {best}. For every day: {everyday}.",
        notes=(*notes_of(view), *heat, *_small_gains(view, best)),
    )


def _small_gains(view: TrialView, best: Setting) -> Iterator[str]:
    """Steps of a clock that gain less than the runs tell apart: the last that was made, and finer ones left out."""
    record, resolved = view.record, resolved_pct(view)
    if record.goal != "speed" or resolved is None:
        return
    told = f"and {counted(record.steps.repeats, 'run')} tell apart {resolved:.1f} %."
    for axis in clocks_of(record.heaviest):
        lower = best.lowered(axis, record.steps.coarse(axis))
        higher_fps, lower_fps = (view.score(setting, record.heaviest.name) for setting in (best, lower))
        gain_pct = 100.0 * (higher_fps / lower_fps - 1.0) if higher_fps and lower_fps else resolved
        if lower != best and gain_pct < resolved:
            yield f"The step from {lower.words(axis)} to {best.words(axis)} gained {gain_pct:.2f} %, {told}"
    for axis, failure_mhz in _gaps(view, best):
        if (unresolved := unresolved_pct(view, best, axis, failure_mhz)) is not None:
            most = f"at most {max(unresolved[0], 0.1):.1f} %"
            yield f"Finer steps of the {axis} clock are left out: they can gain {most}, {told}"


def everyday_setting(best: Setting, record: TuningRecord) -> Setting:
    """The setting for every day: clocks and voltage backed off from the tuned maximum, never past stock.

    The amounts are common practice, no source.
    """
    for axis in KNOBS:
        best = best.lowered(axis, record.steps.back(axis))
    return best


def _lowered(view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, n_runs: int = 1) -> Proposal | Setting:
    """One knob down in coarse steps to the last that holds, then in fine ones."""
    workload = view.record.heaviest
    held = climb(view, phase, setting, axis, workload=workload)
    return held if isinstance(held, Proposal) else between(view, phase, held, axis, workload=workload, n_runs=n_runs)


def _power_again(view: TrialView, setting: Setting) -> Proposal | Setting:
    """Power limit down once more at the voltage for every day, with repeats at the end, for a small loss decides."""
    everyday = setting.lowered("voltage", view.record.steps.everyday_voltage_back_mv)
    answer = _lowered(view, Phase.POWER_AGAIN, everyday, "power", n_runs=view.record.steps.repeats)
    return answer if isinstance(answer, Proposal) else answer.turned_to("voltage", setting.turned("voltage"))


def _other_workloads(view: TrialView, setting: Setting) -> Proposal | Finished | Setting:
    """A card clocks higher under a lighter load: a low voltage has to hold under each of them.

    There the edge may be nearest, and no long run follows: one run that held would be chance.
    """
    record = view.record
    for workload in record.workloads:
        status = view.status(setting, record.weight_of(workload.name))
        while status == "failed" and setting.turned("voltage") > 0:
            setting = setting.lowered("voltage", record.steps.voltage_fine_mv)
            status = view.status(setting, record.weight_of(workload.name))
        if status == "failed":
            return stock_fails(view, f"'{workload.name}'")
        if status == "unknown":
            is_heaviest = workload == record.heaviest
            why = "" if is_heaviest else " A card clocks higher under a lighter load."
            reason = f"Does the voltage hold under '{workload.name}' too?{why}"
            n_runs = 1 if is_heaviest else record.steps.repeats
            return propose(view, Phase.OTHERS, setting, workload, start=setting, n_runs=n_runs, reason=reason)
    return setting


def _everyday_for(view: TrialView, everyday: Setting) -> Setting:
    """The setting for every day with as much of the power limit given back as keeps its speed within the goal."""
    while view.is_too_slow(everyday) and everyday.turned("power") > 0:
        everyday = everyday.lowered("power", view.record.steps.power_fine_pct)
    return everyday


STATES: Final[tuple[State, ...]] = (
    _stock,
    _climbing(Phase.CORE, "core"),
    _climbing(Phase.MEMORY, "memory"),
    _heavier_workloads,
    _fine_steps,
    _repeats,
    _endurance,
    _everyday,
)

SAVING_STATES: Final[tuple[State, ...]] = (
    _stock,
    _climbing(Phase.POWER, "power"),
    lambda view, setting: _lowered(view, Phase.VOLTAGE, setting, "voltage"),
    _power_again,
    _other_workloads,
    _endurance,
    _everyday,
)
