"""What the trials have shown: gains over stock, the edge, the best and the everyday setting, and what is not known."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from frametime.caveats import Caveat, Weight
from frametime.statistics.differences import Ratio, linear_contrast, welch_ratio
from frametime.statistics.interval import Interval
from frametime.tuning.knob_steps import CLOCKS
from frametime.tuning.next_trial import everyday_setting, next_trial
from frametime.tuning.proposal import Finished
from frametime.tuning.record import CAUTIONS, STOCK, Axis, Setting, Trial, TuningRecord
from frametime.tuning.trial_view import TrialView, geometric_mean, mean
from frametime.tuning.tuning_summary import Cost, MapCell, PastEdge, SettingRow, TrialRow, TuningSummary
from frametime.words import begun, counted, joined


def summarize(record: TuningRecord, *, caveats: Sequence[Caveat] = ()) -> TuningSummary:
    """Judge a tuning record.

    Parameters
    ----------
    record : TuningRecord
        With the average FPS of its runs, where they were measured.
    caveats : sequence of Caveat
        What was found while the logs were measured.
    """
    view = TrialView(record)
    record = view.record
    step = next_trial(record)
    best = step.best if isinstance(step, Finished) else _best_so_far(view)
    everyday = step.everyday if isinstance(step, Finished) else best and everyday_setting(best, record)
    summary = TuningSummary(
        card=record.card.name,
        goal=record.goal,
        max_speed_loss_pct=record.max_speed_loss_pct,
        limits=record.limits,
        workloads=tuple(workload.name for workload in record.workloads),
        trials=tuple(_trial_row(view, trial, number) for number, trial in enumerate(record.trials, start=1)),
        settings=tuple(_setting_rows(view)),
        map=tuple(_map(view)),
        past_edge=past_edge(view),
        best=best,
        best_is_final=isinstance(step, Finished) and step.best is not None,
        endurance=_endurance_words(view, best),
        best_gain=None if best is None else over_stock(view.runs_fps, best, record.heaviest.name),
        everyday=everyday,
        everyday_cost=_everyday_cost(view, best, everyday) if best and everyday and best != everyday else None,
        not_known=(),
        next_step=step,
        caveats=(*caveats, *_caveats(view)),
        cautions=CAUTIONS,
    )
    return replace(summary, not_known=_not_known(view, summary))


SEEN: Final = "seen by the operator, not measured"


def _endurance_words(view: TrialView, best: Setting | None) -> str:
    if best is None or view.status(best, view.record.endurance_weight) != "passed":
        return "endurance run not passed yet"
    return f"passed the endurance run{'' if any(of.logs for of in _long_runs(view, best)) else f' ({SEEN})'}"


def _long_runs(view: TrialView, best: Setting) -> list[Trial]:
    """Endurance runs that show a setting to hold."""
    weight, proofs = view.record.endurance_weight, zip(view.record.trials, view.evidence, strict=True)
    return [of for of, one in proofs if one.holds and one.weight == weight and one.setting.proves(best)]


def _trial_row(view: TrialView, trial: Trial, number: int) -> TrialRow:
    fps, power_w = geometric_mean(trial.average_fps), mean(trial.average_power_w)
    return TrialRow(
        number=number,
        setting=trial.setting,
        workload=trial.workload,
        outcome=trial.outcome,
        failure=view.failure_of(trial),
        is_endurance=trial.is_endurance,
        minutes=trial.minutes,
        n_runs=trial.n_runs,
        is_seen_only=trial.is_endurance and not trial.logs,
        average_fps=fps,
        average_power_w=power_w,
        frames_per_joule=None if fps is None or power_w is None else fps / power_w,
        peak_temperature_c=trial.peak_temperature_c,
        note=trial.note,
    )


def _map(view: TrialView) -> Iterator[MapCell]:
    record = view.record
    loads = [*(workload.name for workload in record.workloads), "endurance"]
    for setting in sorted({trial.setting for trial in record.trials}):
        own = [item for item in view.evidence if item.setting == setting]
        # A setting that passed is not believed where it, or one below it, failed under the same load.
        failed = min((i.weight for i in own if view.status(setting, i.weight) == "failed"), default=None)
        passed = max((i.weight for i in own if i.holds and view.status(setting, i.weight) == "passed"), default=None)
        yield MapCell(
            setting=setting,
            status="passed" if failed is None else "failed",
            heaviest_passed=None if passed is None else loads[passed],
            failed_under=None if failed is None else loads[failed],
            gain=over_stock(view.runs_fps, setting, record.heaviest.name),
        )


def _best_so_far(view: TrialView) -> Setting | None:
    """The setting within the limits that is worth most of those that hold under the heaviest workload.

    One that failed its long run holds no more. Without a measured speed, the one with the highest core clock.
    """
    record, heaviest = view.record, view.record.heaviest.name
    tried = {trial.setting for trial in record.trials if record.limits.allows(trial.setting)}
    tried -= {one for one in tried if view.status(one, record.endurance_weight) == "failed"}
    holding = sorted(one for one in tried if view.status(one, record.weight_of(heaviest)) == "passed")
    axis: Axis = "core" if record.goal == "speed" else "power"
    fast = [one for one in holding if not view.is_too_slow(one)]
    worth = {one: value for one in fast if (value := view.worth(one, axis, heaviest)) is not None}
    return max(worth, key=worth.__getitem__, default=next(iter(holding[-1:]), None))


def _everyday_cost(view: TrialView, best: Setting, everyday: Setting) -> Cost | None:
    workload = view.record.heaviest.name
    at_best, at_everyday = view.runs_fps(best, workload), view.runs_fps(everyday, workload)
    if at_best and at_everyday:
        ratio = welch_ratio(at_everyday, at_best)
        how = f"{counted(ratio.n_candidate, 'run')} at the everyday setting, {ratio.n_baseline} at the best"
        return Cost(value=ratio.value, interval=ratio.interval, kind="measured", how=how)
    return _predicted_cost(view, best, everyday)


def _predicted_cost(view: TrialView, best: Setting, everyday: Setting) -> Cost | None:
    """A plane through the logs of all runs at or below the best setting, under the heaviest workload."""
    workload = view.record.heaviest.name
    below = [setting for setting in measured_settings(view, workload) if best.is_at_or_beyond(setting)]
    if view.record.goal != "speed":
        return None  # speed follows power in no straight line
    axes = [axis for axis in CLOCKS if len({setting.turned(axis) for setting in below}) > 1]
    if any(best.turned(axis) != everyday.turned(axis) for axis in CLOCKS if axis not in axes) or not axes:
        return None
    runs = [(setting, fps) for setting in below for fps in view.runs_fps(setting, workload)]
    places, logs = [[setting.turned(axis) for axis in axes] for setting, _ in runs], [math.log(fps) for _, fps in runs]
    contrast = [everyday.turned(axis) - best.turned(axis) for axis in axes]
    if (found := linear_contrast(places, logs, contrast)) is None:
        return None
    estimate, bounds = found
    return Cost(
        value=math.exp(estimate),
        interval=Interval(
            low=math.exp(bounds[0]), high=math.exp(bounds[1]), level=0.95, method="t interval of a least-squares line"
        ),
        kind="predicted",
        how=f"a straight line through {len(logs)} runs at {len(below)} settings up to the best",
    )


def _not_known(view: TrialView, summary: TuningSummary) -> tuple[str, ...]:
    record, heaviest = view.record, view.record.heaviest.name
    best, gain, everyday, cost = summary.best, summary.best_gain, summary.everyday, summary.everyday_cost
    if best is None:
        return (f"No setting holds under '{heaviest}', the heaviest workload, so far.",)
    found, long_runs = [], _long_runs(view, best)
    if not summary.best_is_final:
        found.append("Tuning is not finished: the best setting is the best so far.")
    untried = [one.name for one in record.workloads if view.status(best, record.weight_of(one.name)) == "unknown"]
    if untried:
        found.append(f"Whether {best} holds under {joined(untried)}: a lower voltage has to be run there too.")
    if view.status(best, record.endurance_weight) != "passed":
        minutes = f"{record.steps.endurance_min_minutes:g} to {record.steps.endurance_max_minutes:g} minutes"
        found.append(f"{begun(str(best))} has not passed an endurance run of {minutes}.")
    elif not any(trial.logs for trial in long_runs):
        found.append(f"The endurance run at {best} was {SEEN}: the log of a long run would show it.")
    lived_with = (best, "the best setting") if record.goal == "speed" else (everyday, "the everyday setting")
    for setting, words in ((STOCK, "stock"), lived_with):
        runs = 0 if setting is None else len(view.runs_fps(setting, heaviest))
        if runs < 2 and (setting != STOCK or best != STOCK):
            found.append(
                f"{counted(runs, 'measured run')} at {words} under '{heaviest}': no interval; 2 or more runs give one."
            )
    if gain is not None and gain.interval is None and min(gain.n_candidate, gain.n_baseline) > 1:
        found.append("How sure the gain is: the runs agree to the last digit, at stock and at the best setting.")
    if record.goal == "speed" and gain and gain.interval and not (gain.is_credibly_above or gain.is_credibly_below):
        found.append("Whether the best setting is faster than stock at all: its interval holds 1.")
    if record.goal == "speed" and everyday != best and (cost is None or cost.kind == "predicted"):
        found.append(f"What the everyday setting ({everyday}) really costs: it has not been measured.")
    found += doubtful_falls(view)
    if not any(trial.average_power_w for trial in record.trials):
        found.append("Power: none was measured, so frames per joule are not known.")
    if all(trial.peak_temperature_c is None for trial in long_runs or record.trials):
        where = " in the endurance run" if long_runs else ""
        found.append(f"Temperature: none was measured{where}, so the limit is not checked.")
    return tuple(found)


def _caveats(view: TrialView) -> tuple[Caveat, ...]:
    limits = view.record.limits
    found = [Caveat(code="setting-aged", message=sentence, weight=Weight.REPEAT) for sentence in view.aged]
    if limits.temperature_c > 90.0:
        message = f"The temperature limit of {limits.temperature_c:g} °C is above 90 °C (common practice, no source)."
        found.append(Caveat(code="temperature-limit-high", message=message, weight=Weight.CARE))
    low = [
        number
        for number, trial in enumerate(view.record.trials, start=1)
        if limits.power_w is not None and trial.power_limit_w is not None and trial.power_limit_w < limits.power_w
    ]
    if low and view.record.goal == "speed":
        numbers = ", ".join(map(str, low))
        message = f"The power limit was not at its maximum in trials {numbers}: they are not like the others."
        found.append(Caveat(code="power-limit-lowered", message=message, weight=Weight.CARE))
    return tuple(found)


def _setting_rows(view: TrialView) -> Iterator[SettingRow]:
    """Every setting with measured runs, by workload, then core, then memory."""
    for workload in view.record.workloads:
        measured = measured_settings(view, workload.name)
        holding = [one for one in measured if view.status(one, view.record.endurance_weight) != "failed"]
        for setting in measured:
            fps = view.score(setting, workload.name)
            assert fps is not None
            # The nearest lower setting that differs in one clock only; in the core clock where both have one.
            lower = next((below[-1] for axis in CLOCKS if (below := _below(setting, measured, axis))), None)
            gain_pct_per_mhz = None
            if lower is not None and (lower_fps := view.score(lower, workload.name)) is not None:
                step_mhz = sum(setting.turned(axis) - lower.turned(axis) for axis in CLOCKS)
                gain_pct_per_mhz = 100.0 * (fps / lower_fps - 1.0) / step_mhz
            power_w = view.power_w(setting, workload.name)
            yield SettingRow(
                setting=setting,
                workload=workload.name,
                n_runs=len(view.runs_fps(setting, workload.name)),
                average_fps=fps,
                gain=over_stock(view.runs_fps, setting, workload.name),
                step_from=lower,
                gain_pct_per_mhz=gain_pct_per_mhz,
                average_power_w=power_w,
                frames_per_joule=None if power_w is None else fps / power_w,
                power=over_stock(view.runs_power_w, setting, workload.name),
                is_frontier=setting in holding and _is_frontier(view, setting, holding, workload.name),
            )


def _is_frontier(view: TrialView, setting: Setting, holding: Sequence[Setting], workload: str) -> bool:
    """Whether no other setting that holds gives more speed for the same power, or the same for less."""
    fps, power_w = view.score(setting, workload), view.power_w(setting, workload)
    if fps is None or power_w is None:
        return False
    others = ((view.score(other, workload) or 0.0, view.power_w(other, workload)) for other in holding)
    return not any(
        other_w is not None and other_fps >= fps and other_w <= power_w and (other_fps, other_w) != (fps, power_w)
        for other_fps, other_w in others
    )


def measured_settings(view: TrialView, workload: str) -> list[Setting]:
    """Settings with measured runs under a workload, by core, then memory."""
    return sorted({trial.setting for trial in view.record.trials if view.runs_fps(trial.setting, workload)})


def _below(setting: Setting, measured: Sequence[Setting], axis: Axis) -> list[Setting]:
    """Settings that are lower in one clock and equal in all else, from the lowest up."""
    turned = setting.turned(axis)
    return sorted(
        known for known in measured if known.turned(axis) < turned and known.turned_to(axis, turned) == setting
    )


def over_stock(runs_of: Callable[[Setting, str], Sequence[float]], setting: Setting, workload: str) -> Ratio | None:
    """Runs at a setting over those at stock, runs as repeats; ``None`` at stock, and where either was not measured."""
    runs, stock = runs_of(setting, workload), runs_of(STOCK, workload)
    return welch_ratio(runs, stock) if setting != STOCK and runs and stock else None


def _falls(view: TrialView) -> Iterator[tuple[PastEdge, float]]:
    """Along each clock, every setting with the fastest one below it, and the ratio of their speeds."""
    for workload in (workload.name for workload in view.record.workloads):
        speeds = {setting: view.score(setting, workload) or 0.0 for setting in measured_settings(view, workload)}
        for axis in CLOCKS:
            for setting, fps in speeds.items():
                fastest = max(_below(setting, list(speeds), axis), key=speeds.__getitem__, default=None)
                if fastest is not None:
                    ratio = welch_ratio(view.runs_fps(setting, workload), view.runs_fps(fastest, workload))
                    fall = PastEdge(setting=setting, slower_than=fastest, clock=axis, workload=workload, ratio=ratio)
                    yield fall, fps / speeds[fastest]


def past_edge(view: TrialView) -> tuple[PastEdge, ...]:
    """Along each clock, every setting that is credibly slower than the fastest one below it."""
    return tuple(fall for fall, _ in _falls(view) if fall.ratio.is_credibly_below)


def doubtful_falls(view: TrialView) -> tuple[str, ...]:
    """Sentences about settings that scored clearly lower than one below them, in runs that give no interval."""
    least = 1.0 - view.record.steps.edge_drop_pct / 100.0
    return tuple(
        f"Whether {fall.setting} is past the edge: it scored {100.0 * (1.0 - speed):.1f} % lower than "
        f"{fall.slower_than} under '{fall.workload}', in runs that give no interval (too few, or equal to the last "
        "digit)."
        for fall, speed in _falls(view)
        if speed < least and fall.ratio.interval is None
    )
