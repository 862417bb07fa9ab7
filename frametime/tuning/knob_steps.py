"""Steps of one knob: how far it is turned from stock at a time, up to where, and what the runs can tell apart.

A step that cannot gain so much is not worth a trial. Only first runs and those at stock count for that, so that a later
repeat changes no answer that was given before it.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np

from frametime.statistics.distributions import t_quantile
from frametime.tuning.proposal import Phase, Proposal, propose, propose_runs
from frametime.tuning.record import STOCK, Axis, Setting, Workload
from frametime.tuning.trial_view import Status, TrialView

CLOCKS: Final[tuple[Axis, Axis]] = ("core", "memory")
_LOWER: Final = "it scored lower, and one run does not say how much runs scatter"
_FIRST_STRIDE: Final[dict[Axis, int]] = {"core": 2, "memory": 4, "voltage": 2, "power": 2}
"""Coarse steps of the first stride of a search by halving; a choice of this program."""
_SURE_SPARE: Final = 0.005
"""With so much of stock speed to spare at a lower voltage a step of the power limit is not measured anew; a choice of
this program. The setting for every day is always measured itself."""
_STEADY_GAIN: Final = 0.8
"""A stretch that gains less for each MHz than so much of the one before it may hold the edge: its middle is tried."""


def climb(
    view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, workload: Workload, ceiling: Setting | None = None
) -> Proposal | Setting:
    """Turn one knob in coarse steps to the last that holds, or to the best where a step scored clearly lower.

    Up to ``ceiling``, or to the limits of the record.
    """
    ceiling = view.record.limits.farthest if ceiling is None else ceiling
    if view.record.steps.search == "halving":
        return _climb_by_halving(view, phase, setting, axis, workload=workload, ceiling=ceiling)
    step = view.record.steps.coarse(axis)
    current = best = setting
    while current.turned(axis) < ceiling.turned(axis):
        farther = setting.turned_to(axis, min(current.turned(axis) + step, ceiling.turned(axis)))
        status = _status(view, farther, axis, workload)
        if status == "failed":
            return current
        if status == "unknown":
            reason = f"{current} holds under '{workload.name}': {farther.words(axis)}, all else as it was."
            return propose(view, phase, farther, workload, start=current, reason=reason)
        if _fell(view, farther, best, axis, workload.name):
            return best if axis in CLOCKS else propose_runs(view, phase, farther, start=best, why=_LOWER) or best
        best = max((farther, best), key=lambda one: view.worth(one, axis, workload.name) or 0.0)
        current = farther
    return current


def _status(view: TrialView, setting: Setting, axis: Axis, workload: Workload) -> Status:
    """Whether a step holds: one that loses more speed than the goal allows does not.

    Where it is chosen by its worth, one that was not measured is not known: but of a power limit that was measured at a
    lower voltage, where the card is faster, one too slow there is too slow, and one well fast enough holds.
    """
    status = view.status(setting, view.record.weight_of(workload.name))
    by_worth = axis == "power" or (view.record.steps.search == "halving" and view.has_scores and axis != "voltage")
    if status == "passed" and by_worth and view.score(setting, workload.name) is None:
        spare = view.spare_at_lower_voltage(setting) if axis == "power" else None
        return "unknown" if spare is None or 0.0 <= spare < _SURE_SPARE else "failed" if spare < 0.0 else "passed"
    # A lower voltage makes no card slower but one past its edge: what a run near the allowed loss says is chance.
    slack = view.record.steps.edge_drop_pct / 100.0 if axis == "voltage" else 0.0
    return "failed" if (view.speed_to_spare(setting) or 0.0) < -slack else status


def _climb_by_halving(
    view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, workload: Workload, ceiling: Setting
) -> Proposal | Setting:
    """Turn one knob in steps that double while they pass; then halve the gaps around the best that holds.

    No gap is halved that is a coarse step wide or less, nor one below the best over which the speed has risen as it
    did before.
    """
    step, most = view.record.steps.coarse(axis), ceiling.turned(axis)
    held, edge, stride = [setting.turned(axis)], most + 1, _FIRST_STRIDE[axis] * step
    while True:
        best = _best(view, [setting.turned_to(axis, turned) for turned in held], axis, workload.name)
        at = best.turned(axis)
        above = min((turned for turned in (*held, edge) if turned > at), default=edge)
        if edge > most and at == held[-1]:
            turned = min(at + stride, most)
            stride *= 2
        else:
            turned = _middle(view, best, held, above, axis, step, workload)
        farther = setting.turned_to(axis, turned)
        status = _status(view, farther, axis, workload)
        if turned in held or (status == "failed" and turned < at):
            return best  # too slow, though more of it is fast enough: chance, and no edge
        if status == "unknown":
            reason = (
                f"{best} holds under '{workload.name}': {farther.words(axis)}, all else as it was; the step doubles "
                "while it passes, and halves after a failure."
            )
            return propose(view, phase, farther, workload, start=best, reason=reason)
        if status == "failed":
            edge = min(edge, turned)
        else:
            held = sorted([*held, turned])


def _best(view: TrialView, tried: list[Setting], axis: Axis, workload: str) -> Setting:
    """Of what holds, the one that is worth most; where nothing was measured, the one that is turned farthest.

    Where power is saved each step farther saves some, so the farthest counts that is not clearly worth less.
    """
    top = max(tried, key=lambda one: (view.worth(one, axis, workload) or 0.0, one.turned(axis)))
    if axis in CLOCKS:
        return top
    return max((one for one in tried if not _fell(view, one, top, axis, workload)), key=lambda one: one.turned(axis))


def _middle(
    view: TrialView, best: Setting, held: list[float], above: float, axis: Axis, step: float, workload: Workload
) -> float:
    """The middle of a gap beside the best, in whole coarse steps; the best itself where none is worth a trial."""
    at = best.turned(axis)
    if above - at > step:
        return at + max(step, (above - at) // 2 // step * step)
    below = [turned for turned in held if turned < at][-2:]
    worth = [view.worth(best.turned_to(axis, turned), axis, workload.name) or 0.0 for turned in (*below, at)]
    if not below or 0.0 in worth or at - below[-1] <= step:
        return at
    gains = [(worth[i + 1] - worth[i]) / (b - a) for i, (a, b) in enumerate(pairwise((*below, at)))]
    if len(gains) > 1 and gains[-1] > _STEADY_GAIN * gains[0]:
        return at
    return below[-1] + (at - below[-1]) // 2 // step * step


def _fell(view: TrialView, farther: Setting, best: Setting, axis: Axis, workload: str) -> bool:
    """Whether a step scored clearly lower than the best before it: past the edge (common practice, no source).

    Where power is saved the speed has to fall with the frames per joule: one lucky run ends no search.
    """
    drop = 1.0 - view.record.steps.edge_drop_pct / 100.0
    scores = [(view.worth(one, axis, workload), view.score(one, workload)) for one in (farther, best)]
    return all(now is not None and most is not None and now < most * drop for now, most in zip(*scores, strict=True))


def between(
    view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, workload: Workload, n_runs: int = 1
) -> Proposal | Setting:
    """Close the gap between the last coarse step that held and the first that did not, down to a fine step.

    Each time by half of it; of the power limit, where the gap ends in too much speed lost, by a straight line, until by
    that line the next fine step loses too much: no runs are spent to see that.
    """
    steps = view.record.steps
    fine, low, weight = steps.fine(axis), setting.turned(axis), view.record.weight_of(workload.name)
    failed = view.failure_above(setting, axis, weight) if axis == "voltage" else None
    high = min(low + steps.coarse(axis), view.record.limits.farthest.turned(axis), failed or math.inf)
    end = setting.turned_to(axis, high)
    # A voltage that is too slow is past its edge though it holds, and so may be what lies between.
    is_held = axis == "voltage" and view.status(end, weight) == "passed"
    if is_held or _status(view, end, axis, workload) == "passed":
        return setting  # it holds, and is worth less
    while high - low > fine:
        n_steps = _share_that_holds(view, setting, axis, low, high) * (high - low) // fine
        if axis == "power" and n_steps < 1:
            break
        # Fine steps of the voltage are counted from the one that failed: none that is nearer to it is kept.
        turned = high - math.ceil((high - low) / fine / 2) * fine if axis == "voltage" else low + max(1, n_steps) * fine
        farther = setting.turned_to(axis, turned)
        status = _status(view, farther, axis, workload)
        if status == "unknown":
            reason = f"{setting.turned_to(axis, low)} holds: {farther.words(axis)} stops short of the next coarse step."
            return propose(view, phase, farther, workload, start=setting, n_runs=n_runs, reason=reason)
        low, high = (low, turned) if status == "failed" else (turned, high)
    return setting.turned_to(axis, low)


def _share_that_holds(view: TrialView, setting: Setting, axis: Axis, low: float, high: float) -> float:
    """How much of a gap may hold, 0 to 1: as much as leaves the speed that the goal asks for, or half of it."""
    ends = (setting.turned_to(axis, turned) for turned in (low, high))
    spare, lacking = (view.speed_to_spare(end) or view.spare_at_lower_voltage(end) for end in ends)
    return spare / (spare - lacking) if axis == "power" and spare and lacking and lacking < 0.0 < spare else 0.5


def clocks_of(workload: Workload) -> tuple[Axis, Axis]:
    """The clock that is suspected first comes first."""
    return (CLOCKS[1], CLOCKS[0]) if workload.memory_heavy else CLOCKS


def resolved_pct(view: TrialView) -> float | None:
    """The smallest difference of speed that the repeats of two settings tell apart, in percent.

    Half the width of the 95 % t interval for a difference of two means, on logarithms, with the scatter of the runs at
    stock; ``None`` with fewer than two of them.
    """
    logs = np.log(view.runs_fps(STOCK, view.record.heaviest.name))
    if logs.size < 2:
        return None
    scatter = float(np.std(logs, ddof=1))
    return 100.0 * t_quantile(0.975, logs.size - 1) * scatter * math.sqrt(2.0 / view.record.steps.repeats)


def unresolved_pct(view: TrialView, setting: Setting, axis: Axis, farther: float) -> tuple[float, float] | None:
    """What a step of a clock up to ``farther`` can gain at most and what the runs tell apart, both in percent.

    As much for each MHz as over the last step up to the setting. ``None`` where the gain may show, or nothing below was
    measured.
    """
    turned, resolved, workload = setting.turned(axis), resolved_pct(view), view.record.heaviest.name
    fps = {
        trial.setting.turned(axis): runs[0]
        for trial in view.record.trials
        if trial.setting.turned_to(axis, turned) == setting and (runs := view.runs_fps(trial.setting, workload))
    }
    below = max((at for at in fps if at < turned), default=None)
    if resolved is None or below is None or turned not in fps:
        return None
    left = 100.0 * (fps[turned] / fps[below] - 1.0) * (farther - turned) / (turned - below)
    return None if left >= resolved else (left, resolved)
