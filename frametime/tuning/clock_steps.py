"""Steps of one clock: how far it goes up at a time, and up to where."""

from __future__ import annotations

from frametime.tuning.proposal import Phase, Proposal, propose
from frametime.tuning.record import Setting, Workload
from frametime.tuning.trial_view import Axis, TrialView, offset_of, with_offset


def climb(
    view: TrialView, phase: Phase, setting: Setting, axis: Axis, *, workload: Workload, ceiling: Setting
) -> Proposal | Setting:
    """Raise one clock in coarse steps to the last that holds, or to the fastest where a step scored clearly lower."""
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
