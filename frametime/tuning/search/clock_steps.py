"""Steps of one clock: how far it goes up at a time, and up to where."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from frametime.tuning.record import Setting, Workload
from frametime.tuning.search.proposal import Phase, Proposal, propose
from frametime.tuning.search.trial_view import Axis, TrialView, offset_of, with_offset

_FIRST_STRIDE: Final = 2
_STEADY_GAIN: Final = 0.8
"""A stretch that gains less for each MHz than so much of the one before it may hold the edge: its middle is tried."""


def climb(
    view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, workload: Workload, ceiling: Setting
) -> Proposal | Setting:
    """Raise one clock in coarse steps to the last that holds, or to the fastest where a step scored clearly lower."""
    if view.record.steps.search == "halving":
        return _climb_by_halving(view, phase, setting, axis, workload=workload, ceiling=ceiling)
    step_mhz = coarse_step_mhz(view, axis)
    weight = view.record.weight_of(workload.name)
    current = best = setting
    while offset_of(current, axis) < offset_of(ceiling, axis):
        offset_mhz = min(offset_of(current, axis) + step_mhz, offset_of(ceiling, axis))
        higher = with_offset(current, axis, offset_mhz)
        status = view.status(higher, weight)
        if status == "failed":
            return current
        if status == "unknown":
            reason = (
                f"{current} holds under '{workload.name}': {axis} up to {offset_mhz:+d} MHz, the other clock as it was."
            )
            return propose(view, phase, higher, workload, start=current, reason=reason)
        if _fell(view, higher, best, workload.name):
            return best
        best = _faster(view, best, higher, workload.name)
        current = higher
    return current


def _climb_by_halving(
    view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, workload: Workload, ceiling: Setting
) -> Proposal | Setting:
    """Raise one clock in steps that double while they pass; then halve the gaps around the fastest that holds.

    No gap is halved that is a coarse step wide or less, nor one below the fastest over which the speed has risen as it
    did before.
    """
    step_mhz, weight = coarse_step_mhz(view, axis), view.record.weight_of(workload.name)
    start_mhz, most_mhz = offset_of(setting, axis), offset_of(ceiling, axis)
    held_mhz, edge_mhz, stride_mhz = [start_mhz], most_mhz + 1, _FIRST_STRIDE * step_mhz
    while True:
        best = max(
            (with_offset(setting, axis, held) for held in held_mhz), key=lambda one: _rank(view, one, axis, workload)
        )
        best_mhz = offset_of(best, axis)
        above_mhz = min([held for held in held_mhz if held > best_mhz], default=edge_mhz)
        if edge_mhz > most_mhz and best_mhz == held_mhz[-1]:
            offset_mhz = min(best_mhz + stride_mhz, most_mhz)
            stride_mhz *= 2
        else:
            offset_mhz = _middle(view, best, held_mhz, above_mhz, axis, step_mhz, workload)
        if offset_mhz in held_mhz:
            return best
        higher = with_offset(setting, axis, offset_mhz)
        status = view.status(higher, weight)
        is_timed = not view.has_scores or view.n_runs(higher, workload.name) > 0
        if status == "unknown" or (status == "passed" and not is_timed):
            reason = (
                f"{best} holds under '{workload.name}': {axis} at {offset_mhz:+d} MHz, the other clock as it was; the "
                "step doubles while it passes, and halves after a failure."
            )
            return propose(view, phase, higher, workload, start=best, reason=reason)
        if status == "failed":
            edge_mhz = min(edge_mhz, offset_mhz)
        else:
            held_mhz = sorted([*held_mhz, offset_mhz])


def _rank(view: TrialView, setting: Setting, axis: Axis, workload: Workload) -> tuple[float, int]:
    """The faster is the better; where nothing was measured, the higher."""
    return view.score(setting, workload.name) or 0.0, offset_of(setting, axis)


def _middle(
    view: TrialView, best: Setting, held_mhz: list[int], above_mhz: int, axis: Axis, step_mhz: int, workload: Workload
) -> int:
    """The middle of a gap beside the fastest, in whole coarse steps; the fastest itself where none is worth a trial."""
    best_mhz = offset_of(best, axis)
    if above_mhz - best_mhz > step_mhz:
        return best_mhz + max(step_mhz, (above_mhz - best_mhz) // 2 // step_mhz * step_mhz)
    below_mhz = [held for held in held_mhz if held < best_mhz][-2:]
    scores = [view.score(with_offset(best, axis, at), workload.name) or 0.0 for at in (*below_mhz, best_mhz)]
    if not below_mhz or 0.0 in scores or best_mhz - below_mhz[-1] <= step_mhz:
        return best_mhz
    gains = [(scores[at + 1] - scores[at]) / (b - a) for at, (a, b) in enumerate(pairwise((*below_mhz, best_mhz)))]
    if len(gains) > 1 and gains[-1] > _STEADY_GAIN * gains[0]:
        return best_mhz
    return below_mhz[-1] + (best_mhz - below_mhz[-1]) // 2 // step_mhz * step_mhz


def _fell(view: TrialView, higher: Setting, best: Setting, workload: str) -> bool:
    """Whether a step scored clearly lower than the best before it: past the edge (common practice, no source)."""
    higher_fps, best_fps = view.score(higher, workload), view.score(best, workload)
    if higher_fps is None or best_fps is None:
        return False
    return higher_fps < best_fps * (1.0 - view.record.steps.edge_drop_pct / 100.0)


def _faster(view: TrialView, one: Setting, other: Setting, workload: str) -> Setting:
    one_fps, other_fps = view.score(one, workload), view.score(other, workload)
    return one if one_fps is not None and other_fps is not None and one_fps > other_fps else other


def clocks_of(workload: Workload) -> tuple[Axis, Axis]:
    """The clock that is suspected first comes first."""
    return ("memory", "core") if workload.memory_heavy else ("core", "memory")


def ceiling_of(view: TrialView) -> Setting:
    """Both clocks at the limits of the record."""
    limits = view.record.limits
    return Setting(core_offset_mhz=limits.max_core_offset_mhz, memory_offset_mhz=limits.max_memory_offset_mhz)


def fine_step_mhz(view: TrialView, axis: Axis) -> int:
    """Step between the last coarse step that held and the first that failed."""
    steps = view.record.steps
    return steps.core_fine_mhz if axis == "core" else steps.memory_fine_mhz


def coarse_step_mhz(view: TrialView, axis: Axis) -> int:
    """Step of the search upward."""
    steps = view.record.steps
    return steps.core_up_mhz if axis == "core" else steps.memory_up_mhz
