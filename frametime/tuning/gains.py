"""Gains of settings over stock, for each MHz, and the settings past the edge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from frametime.statistics.differences import Ratio, welch_ratio
from frametime.tuning.record import STOCK, Setting
from frametime.tuning.summary import PastEdge, SettingRow
from frametime.tuning.trial_view import Axis, TrialView, offset_of

AXES: Final[tuple[Axis, Axis]] = ("core", "memory")


def setting_rows(view: TrialView, level: float) -> tuple[SettingRow, ...]:
    """Every setting with measured runs, by workload, then core, then memory."""
    rows = []
    for workload in view.record.workloads:
        measured = measured_settings(view, workload.name)
        for setting in measured:
            fps = view.score(setting, workload.name)
            assert fps is not None
            lower = _one_clock_below(setting, measured)
            power_w = mean_power_w(view, setting, workload.name)
            rows.append(
                SettingRow(
                    setting=setting,
                    workload=workload.name,
                    n_runs=len(view.runs_fps(setting, workload.name)),
                    average_fps=fps,
                    gain=None if setting == STOCK else gain_over_stock(view, setting, workload.name, level),
                    step_from=lower,
                    gain_pct_per_mhz=None if lower is None else _gain_per_mhz(view, setting, lower, workload.name),
                    average_power_w=power_w,
                    frames_per_joule=None if power_w is None else fps / power_w,
                )
            )
    return tuple(rows)


def measured_settings(view: TrialView, workload: str) -> list[Setting]:
    """Settings with measured runs under a workload, by core, then memory."""
    return sorted({trial.setting for trial in view.record.trials if view.runs_fps(trial.setting, workload)})


def _one_clock_below(setting: Setting, measured: Sequence[Setting]) -> Setting | None:
    """The nearest lower setting that differs in one clock only; in the core clock where both have one."""
    for axis in AXES:
        below = _below(setting, measured, axis)
        if below:
            return below[-1]
    return None


def _below(setting: Setting, measured: Sequence[Setting], axis: Axis) -> list[Setting]:
    """Settings that are lower in one clock and equal in the other, from the lowest up."""
    other: Axis = "memory" if axis == "core" else "core"
    return sorted(
        known
        for known in measured
        if offset_of(known, other) == offset_of(setting, other) and offset_of(known, axis) < offset_of(setting, axis)
    )


def _gain_per_mhz(view: TrialView, setting: Setting, lower: Setting, workload: str) -> float | None:
    fps, lower_fps = view.score(setting, workload), view.score(lower, workload)
    if fps is None or lower_fps is None:
        return None
    step_mhz = sum(offset_of(setting, axis) - offset_of(lower, axis) for axis in AXES)
    return 100.0 * (fps / lower_fps - 1.0) / step_mhz


def gain_over_stock(view: TrialView, setting: Setting, workload: str, level: float) -> Ratio | None:
    """Average FPS over that at stock, runs as repeats; ``None`` where either was not measured."""
    runs, stock = view.runs_fps(setting, workload), view.runs_fps(STOCK, workload)
    return welch_ratio(runs, stock, level=level) if runs and stock else None


def mean_power_w(view: TrialView, setting: Setting, workload: str) -> float | None:
    """Mean over the runs that passed; ``None`` where power was not measured."""
    values = [
        power_w
        for trial in view.record.trials
        if trial.setting == setting
        and trial.workload == workload
        and not trial.is_endurance
        and view.failure_of(trial) is None
        for power_w in trial.average_power_w
    ]
    return sum(values) / len(values) if values else None


def past_edge(view: TrialView, level: float) -> tuple[PastEdge, ...]:
    """Along each clock, every setting that is credibly slower than the fastest one below it."""
    found = []
    for workload in view.record.workloads:
        speeds = {
            setting: view.score(setting, workload.name) or 0.0 for setting in measured_settings(view, workload.name)
        }
        for axis in AXES:
            for setting in speeds:
                below = _below(setting, list(speeds), axis)
                if not below:
                    continue
                fastest = max(below, key=speeds.__getitem__)
                ratio = welch_ratio(
                    view.runs_fps(setting, workload.name), view.runs_fps(fastest, workload.name), level=level
                )
                if ratio.is_credibly_below:
                    found.append(
                        PastEdge(setting=setting, slower_than=fastest, clock=axis, workload=workload.name, ratio=ratio)
                    )
    return tuple(found)


def doubtful_falls(view: TrialView, level: float) -> tuple[str, ...]:
    """Sentences about settings that scored clearly lower than one below them, in runs that give no interval."""
    found = []
    drop = view.record.steps.edge_drop_pct / 100.0
    for workload in view.record.workloads:
        speeds = {
            setting: view.score(setting, workload.name) or 0.0 for setting in measured_settings(view, workload.name)
        }
        for axis in AXES:
            for setting, fps in speeds.items():
                below = _below(setting, list(speeds), axis)
                fastest = max(below, key=speeds.__getitem__, default=None)
                if fastest is None or fps >= speeds[fastest] * (1.0 - drop):
                    continue
                ratio = welch_ratio(
                    view.runs_fps(setting, workload.name), view.runs_fps(fastest, workload.name), level=level
                )
                if ratio.interval is None:
                    fall_pct = 100.0 * (1.0 - fps / speeds[fastest])
                    found.append(
                        f"Whether {setting} is past the edge: it scored {fall_pct:.1f} % lower than {fastest} under "
                        f"'{workload.name}', in runs that give no interval (too few, or equal to the last digit)."
                    )
    return tuple(found)
