"""Tuning for a terminal: the next trial, the record judged so far, the verdict of an endurance run."""

from __future__ import annotations

from typing import Final

from frametime.render.numbers import format_number
from frametime.render.tables.table import Inline, Mark, plain_text
from frametime.render.tables.tuning import criteria_table, edge_table, map_table, setting_table, trial_table
from frametime.render.terminal_text import table_text, wrapped
from frametime.statistics.differences import Interval
from frametime.tuning.cautions import CAUTION, CAUTIONS
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.tuning.proposal import Finished, NextStep, Proposal
from frametime.tuning.record import DEFAULT_RECORD, KNOBS, Axis, Outcome, Setting
from frametime.tuning.tuning_summary import NotedTrial, TuningSummary
from frametime.words import counted, percent_change, percent_change_words


def cautions_text(cautions: tuple[str, ...] = CAUTIONS) -> str:
    """The cautions with which every output about tuning ends: a list, or one line."""
    if len(cautions) == 1:
        return wrapped(f"Caution: {cautions[0]}") + "\n"
    return "\n".join(["Cautions", *(wrapped(caution, indent=2) for caution in cautions)]) + "\n"


def next_step_text(step: NextStep, *, record: str) -> str:
    """The next trial, why, and how to note it; or that tuning is finished."""
    lines = _finished_lines(step) if isinstance(step, Finished) else _proposal_lines(step, record)
    for note in step.notes:
        lines.append(wrapped(f"Note: {note}"))
    return "\n".join([*lines, "", cautions_text(step.cautions)])


_OPTIONS: Final[dict[Axis, str]] = {
    "core": "--core",
    "memory": "--memory",
    "voltage": "--voltage",
    "power": "--power-limit-pct",
}


def _finished_lines(step: Finished) -> list[str]:
    return ["Tuning is finished." if step.best is not None else "There is nothing to tune.", wrapped(step.reason)]


def _set_and_run(step: Proposal) -> tuple[str, str]:
    """What to set, and what to run for how long."""
    least = counted(step.minutes, "minute") if step.minutes >= 1 else counted(step.minutes * 60.0, "second")
    length = f", at least {least}" + (" each" if step.n_runs > 1 else "")
    watts = f" ({step.power_limit_w:.0f} W)" if step.power_limit_w and step.setting.turned("power") > 0 else ""
    return f"{step.setting}{watts}", f"'{step.workload}', {counted(step.n_runs, 'run')}{length}"


def _proposal_lines(step: Proposal, record: str) -> list[str]:
    set_, run_ = _set_and_run(step)
    watts = "" if step.power_limit_w is None else f" ({step.power_limit_w:.0f} W)"
    before = f"power limit at its maximum{watts}" if step.goal == "speed" else "clocks as delivered"
    failures = ", ".join(item.value for item in Outcome if item is not Outcome.PASSED)
    command = ["frametime", "tune", "add"] + ([record] if record != DEFAULT_RECORD else [])
    for axis, option in _OPTIONS.items():
        if step.setting.turned(axis) or (axis in ("core", "memory") and step.goal == "speed"):
            command += [option, f"{getattr(step.setting, KNOBS[axis].field):g}"]
    command += ["--workload", step.workload, "--outcome", "passed"]
    command += ["--endurance"] if step.is_endurance else []
    for run in range(1, step.n_runs + 1):
        number = str(run) if step.n_runs > 1 else ""
        command += ["--log", f"FILE{number}", "--sensors", f"SENSORS{number}"]
    short = f" {_quoted(record)}" if record != DEFAULT_RECORD else ""
    return [
        f"Next trial ({step.phase.value})",
        f"  set       {set_}",
        f"  run       {run_}",
        f"  before    {before}, fan on automatic, work saved",
        wrapped(f"Why: {step.reason}"),
        wrapped("It fails on visible artifacts, a freeze, a driver reset, or when the workload does not finish."),
        "Note it with",
        f"  frametime tune add{short} --passed",
        "or with what was set by hand:",
        f"  {' '.join(map(_quoted, command))}",
        f"  (outcome: passed, or {failures})",
    ]


def bench_text(step: NextStep) -> str:
    """The next trial in few large words for a second screen: what to set, what to run, how long."""
    if isinstance(step, Finished):
        return "\n".join([*_finished_lines(step), "", "u take back   q end", "", cautions_text(step.cautions)])
    set_, run = _set_and_run(step)
    lines = [
        f"NEXT TRIAL: {step.phase.value}",
        "",
        f"    SET   {set_}",
        f"    RUN   {run}",
        "",
        wrapped(step.reason),
        *(wrapped(f"Note: {note}") for note in step.notes),
        "The log is taken as it is finished. f froze   d driver reset   a artifacts   x did not finish",
        "u take back   q end",
    ]
    return "\n".join([*lines, "", cautions_text(step.cautions)])


def short_noted_text(noted: NotedTrial) -> str:
    """What was appended to the record, in a line."""
    verdict = "passed" if noted.failure is None else f"failed: {noted.failure}"
    return f"Trial {noted.number}: {noted.trial.setting}, '{noted.trial.workload}', {verdict}.\n"


def noted_text(noted: NotedTrial, *, record: str) -> str:
    """What was appended to the record, and what comes next."""
    trial = noted.trial
    verdict = "passed" if noted.failure is None else f"counts as failed: {noted.failure}"
    lines = [f"Trial {noted.number} is noted in {record}: {trial.setting}, '{trial.workload}', {verdict}."]
    if trial.logs:
        lines.append(wrapped(f"  logs: {', '.join(trial.logs)}"))
    if trial.average_fps:
        lines.append(f"  average FPS of each run: {', '.join(map(format_number, trial.average_fps))}")
    if trial.average_power_w:
        lines.append(f"  average power of each run: {', '.join(map(format_number, trial.average_power_w))} W")
    if trial.peak_temperature_c is not None:
        lines.append(f"  peak temperature: {format_number(trial.peak_temperature_c, digits=3)} °C")
    return "\n".join([*lines, "", next_step_text(noted.next_step, record=record)])


def _quoted(word: str) -> str:
    """A word of a command line, in double quotes where it needs any: they mean the same in every shell."""
    if word and all(character.isalnum() or character in "-_./:\\+" for character in word):
        return word
    return '"' + word.replace('"', '\\"') + '"'


_MAP_WIDTH = 9


def summary_text(summary: TuningSummary, *, record: str) -> str:
    """The whole record in sections; every number with its unit, every missing one as n/a."""
    sections = [
        _head(summary),
        _edge(summary),
        _map(summary),
        _settings(summary),
        _trials(summary),
        _listed("Not yet known", summary.not_known),
        _listed("Caveats", tuple(caveat.message for caveat in summary.caveats)),
        next_step_text(summary.next_step, record=record).rstrip(),
    ]
    return "\n\n".join(section for section in sections if section) + "\n"


def change_text(value: float, interval: Interval | None) -> str:
    """A ratio as a change in percent with its interval, or why it has none.

    Examples
    --------
    >>> change_text(1.05, Interval(low=1.04, high=1.06, level=0.95, method="t")), change_text(1.05, None)
    ('+5.0 % (+4.0 to +6.0 %)', '+5.0 % (no interval: fewer than 2 runs on a side)')
    """
    if interval is None:
        return f"{percent_change(value)} (no interval: fewer than 2 runs on a side)"
    return percent_change_words(value, interval)


def _head(summary: TuningSummary) -> str:
    limits, is_speed = summary.limits, summary.goal == "speed"
    watts = "" if limits.power_w is None else f", {limits.power_w:g} W"
    farthest = f"core up to {limits.max_core_offset_mhz:+d} MHz, memory up to {limits.max_memory_offset_mhz:+d} MHz"
    if not is_speed:
        farthest = f"down to {limits.farthest.words('voltage')} and {limits.farthest.words('power')}"
    lines = [
        f"Tuning of {summary.card}: {counted(len(summary.trials), 'trial')}",
        f"  limits      {limits.temperature_c:g} °C{watts}, {farthest}",
        f"  workloads   {', '.join(summary.workloads)} (from the lightest to the heaviest)",
    ]
    if not is_speed:
        sought = {"efficiency": "most frames per joule", "quiet": "least power"}[summary.goal]
        lines.append(f"  goal        {sought}, at most {summary.max_speed_loss_pct:g} % of stock speed lost")
    if summary.best is None:
        return "\n".join([*lines, "  best        n/a: no setting has passed the heaviest workload yet"])
    lines.append(f"  best        {summary.best}" + ("" if summary.best_is_final else " (so far)"))
    if not is_speed:
        lines.append(f"    trade     {trade_words(summary, summary.best)}")
        lines.append(f"  every day   {summary.everyday}")
        lines.append(f"    trade     {trade_words(summary, summary.everyday)}")
        return "\n".join(lines)
    lines.append(f"    gain      {_gain_words(summary)}")
    lines.append(f"  every day   {summary.everyday}")
    cost = summary.everyday_cost
    if cost is not None:
        lines.append(f"    cost      {change_text(cost.value, cost.interval)} against the best, {cost.kind}")
        lines.append(wrapped(f"({cost.how})", indent=14))
    elif summary.everyday != summary.best:
        lines.append("    cost      n/a: neither measured, nor runs enough to predict it")
    return "\n".join(lines)


def trade_words(summary: TuningSummary, setting: Setting | None) -> str:
    """What a setting saves of power, and what it costs of speed: both over stock, under the heaviest workload."""
    row = summary.speed_of(setting)
    if row is None or row.gain is None:
        return "n/a: needs measured runs there and at stock"
    power = "power n/a" if row.power is None else f"{percent_change(row.power.value)} power"
    return f"{power} for {change_text(row.gain.value, row.gain.interval)} speed"


def _gain_words(summary: TuningSummary) -> str:
    if summary.best_gain is None:
        return "n/a: needs measured runs at stock and at the best setting"
    gain = summary.best_gain
    each_pct = 100.0 * (gain.value - 1.0) / len(summary.trials)
    level = "" if gain.interval is None else f", {100.0 * gain.interval.level:g} % interval over runs"
    return (
        f"{change_text(gain.value, gain.interval)} average FPS over stock{level}\n"
        f"              ({gain.n_candidate} and {gain.n_baseline} runs of {summary.workloads[-1]}; "
        f"{each_pct:+.2f} % for each of {len(summary.trials)} trials)".replace("-", "\N{MINUS SIGN}")
    )


def _edge(summary: TuningSummary) -> str:
    table = edge_table(summary)
    if not table.rows:
        return ""
    shown = table.view("setting", "slower_than", "workload", ("ratio", "interval"))
    return "Past the edge (a higher clock that is credibly slower)\n" + table_text(shown)


def _map(summary: TuningSummary) -> str:
    if not summary.clock_map:
        return ""
    table = map_table(summary)
    first, *cores = (column.key for column in table.columns)
    labels = {first: "", **{core: f"{int(core):+d}" for core in cores}}
    lines = ["Map (memory offset down, core offset across, MHz)"]
    for start in range(0, len(cores), _MAP_WIDTH):
        part = table.view(first, *cores[start : start + _MAP_WIDTH], labels=labels)
        lines.append(table_text(part, write=_short))
    words = f"number: gain over stock in % under {summary.workloads[-1]}; "
    words += "\N{CHECK MARK}: passed what it ran; !: failed; \N{EN DASH}: not tried; *: best"
    return "\n".join([*lines, wrapped(words, indent=2)])


def _short(part: Inline) -> str:
    """A mark as its symbol, a change without its percent sign."""
    return part.symbol if isinstance(part, Mark) else plain_text(part).removesuffix(" %").strip()


_SHORT_LABELS: Final = {
    **{"core_offset_mhz": "Core", "memory_offset_mhz": "Memory"},
    **{"core_voltage_offset_mv": "mV", "power_limit_pct": "Limit %", "power": "Power"},
    **{"n_runs": "Runs", "average_fps": "FPS", "average_power_w": "W"},
}


def _settings(summary: TuningSummary) -> str:
    if not summary.settings:
        return ""
    labels = {**_SHORT_LABELS, "gain_pct_per_mhz": "% per MHz", "frames_per_joule": "FPS/W"}
    table = setting_table(summary)
    knobs = [column.key for column in table.columns if column.key in {knob.field for knob in KNOBS.values()}]
    more = [key for key in ("gain_pct_per_mhz", "power", "is_frontier") if any(c.key == key for c in table.columns)]
    shown = table.view(
        *(*knobs, "workload", "n_runs", "average_fps"),
        ("gain", "interval"),
        *(*more, "average_power_w", "frames_per_joule"),
        labels=labels,
    )
    return "Speed of the settings\n" + table_text(shown)


def _trials(summary: TuningSummary) -> str:
    if not summary.trials:
        return ""
    labels = {**_SHORT_LABELS, "number": "No.", "peak_temperature_c": "\N{DEGREE SIGN}C"}
    table = trial_table(summary)
    return "Trials\n" + table_text(table.view(*(column.key for column in table.columns), labels=labels))


def _listed(title: str, sentences: tuple[str, ...]) -> str:
    return "\n".join([title, *(wrapped(sentence, indent=2) for sentence in sentences)]) if sentences else ""


def endurance_text(verdict: EnduranceVerdict) -> str:
    """The verdict first, then each criterion with its number and threshold, then what is not known."""
    lines = [
        f"{verdict.word.capitalize()}: {verdict.file_name}",
        wrapped(verdict.sentence),
        "",
        table_text(criteria_table(verdict).view("label", "state", "value", "threshold")),
        "",
        "What was found",
        *(
            wrapped(f"{item.label}: {item.sentence}", indent=2)
            for item in verdict.criteria
            if item.state != "not measurable"  # told below
        ),
    ]
    if verdict.not_known:
        lines += ["", "Not known", *(wrapped(sentence, indent=2) for sentence in verdict.not_known)]
    return "\n".join([*lines, "", cautions_text((CAUTION,))])
