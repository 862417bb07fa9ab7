"""Gains of settings over stock, for each MHz, and the settings past the edge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from frametime.statistics.differences import Ratio, welch_ratio
from frametime.tuning.judging.tuning_summary import PastEdge, SettingRow
from frametime.tuning.record import STOCK, Axis, Setting
from frametime.tuning.search.knob_steps import CLOCKS
from frametime.tuning.search.trial_view import TrialView, mean


def setting_rows(view: TrialView, level: float) -> tuple[SettingRow, ...]:
    """Every setting with measured runs, by workload, then core, then memory."""
    rows = []
    for workload in view.record.workloads:
        measured = measured_settings(view, workload.name)
        for setting in measured:
            fps = view.score(setting, workload.name)
            assert fps is not None
            lower = _one_clock_below(setting, measured)
            power_w = mean(view.runs_power_w(setting, workload.name))
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
                    power=None if setting == STOCK else _power_over_stock(view, setting, workload.name, level),
                    is_frontier=_is_frontier(view, setting, measured, workload.name),
                )
            )
    return tuple(rows)


def _power_over_stock(view: TrialView, setting: Setting, workload: str, level: float) -> Ratio | None:
    runs, stock = view.runs_power_w(setting, workload), view.runs_power_w(STOCK, workload)
    return welch_ratio(runs, stock, level=level) if runs and stock else None


def _is_frontier(view: TrialView, setting: Setting, measured: Sequence[Setting], workload: str) -> bool:
    """Whether no other setting gives more speed for the same power, or the same for less."""
    fps, power_w = view.score(setting, workload), view.power_w(setting, workload)
    if fps is None or power_w is None:
        return False
    others = ((view.score(other, workload) or 0.0, view.power_w(other, workload)) for other in measured)
    return not any(
        other_w is not None and other_fps >= fps and other_w <= power_w and (other_fps, other_w) != (fps, power_w)
        for other_fps, other_w in others
    )


def measured_settings(view: TrialView, workload: str) -> list[Setting]:
    """Settings with measured runs under a workload, by core, then memory."""
    return sorted({trial.setting for trial in view.record.trials if view.runs_fps(trial.setting, workload)})


def _one_clock_below(setting: Setting, measured: Sequence[Setting]) -> Setting | None:
    """The nearest lower setting that differs in one clock only; in the core clock where both have one."""
    for axis in CLOCKS:
        below = _below(setting, measured, axis)
        if below:
            return below[-1]
    return None


def _below(setting: Setting, measured: Sequence[Setting], axis: Axis) -> list[Setting]:
    """Settings that are lower in one clock and equal in all else, from the lowest up."""
    turned = setting.turned(axis)
    return sorted(
        known for known in measured if known.turned(axis) < turned and known.turned_to(axis, turned) == setting
    )


def _gain_per_mhz(view: TrialView, setting: Setting, lower: Setting, workload: str) -> float | None:
    fps, lower_fps = view.score(setting, workload), view.score(lower, workload)
    if fps is None or lower_fps is None:
        return None
    step_mhz = sum(setting.turned(axis) - lower.turned(axis) for axis in CLOCKS)
    return 100.0 * (fps / lower_fps - 1.0) / step_mhz


def gain_over_stock(view: TrialView, setting: Setting, workload: str, level: float) -> Ratio | None:
    """Average FPS over that at stock, runs as repeats; ``None`` where either was not measured."""
    runs, stock = view.runs_fps(setting, workload), view.runs_fps(STOCK, workload)
    return welch_ratio(runs, stock, level=level) if runs and stock else None


class _Fall(NamedTuple):
    """A setting along one clock, the fastest one below it, and the ratio of their speeds."""

    setting: Setting
    fastest: Setting
    clock: Axis
    workload: str
    speed: float
    ratio: Ratio


def _falls(view: TrialView, level: float) -> Iterator[_Fall]:
    """Along each clock, every setting with the fastest one below it."""
    for workload in (workload.name for workload in view.record.workloads):
        speeds = {setting: view.score(setting, workload) or 0.0 for setting in measured_settings(view, workload)}
        for axis in CLOCKS:
            for setting, fps in speeds.items():
                fastest = max(_below(setting, list(speeds), axis), key=speeds.__getitem__, default=None)
                if fastest is not None:
                    runs = view.runs_fps(setting, workload), view.runs_fps(fastest, workload)
                    speed = fps / speeds[fastest]
                    yield _Fall(setting, fastest, axis, workload, speed, welch_ratio(*runs, level=level))


def past_edge(view: TrialView, level: float) -> tuple[PastEdge, ...]:
    """Along each clock, every setting that is credibly slower than the fastest one below it."""
    return tuple(
        PastEdge(
            setting=fall.setting,
            slower_than=fall.fastest,
            clock=fall.clock,
            workload=fall.workload,
            ratio=fall.ratio,
        )
        for fall in _falls(view, level)
        if fall.ratio.is_credibly_below
    )


def doubtful_falls(view: TrialView, level: float) -> tuple[str, ...]:
    """Sentences about settings that scored clearly lower than one below them, in runs that give no interval."""
    least = 1.0 - view.record.steps.edge_drop_pct / 100.0
    return tuple(
        f"Whether {fall.setting} is past the edge: it scored {100.0 * (1.0 - fall.speed):.1f} % lower than "
        f"{fall.fastest} under '{fall.workload}', in runs that give no interval (too few, or equal to the last digit)."
        for fall in _falls(view, level)
        if fall.speed < least and fall.ratio.interval is None
    )
