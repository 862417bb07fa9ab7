"""Tuning for a terminal: the next trial, the record judged so far, the verdict of an endurance run."""

from __future__ import annotations

from frametime.render.numbers import NOT_AVAILABLE, format_like, format_number
from frametime.render.terminal_text import text_table, wrapped
from frametime.statistics.differences import Interval, Ratio
from frametime.tuning.cautions import CAUTIONS
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.tuning.proposal import Finished, NextStep, Proposal
from frametime.tuning.record import Outcome
from frametime.tuning.tuning_summary import MapCell, NotedTrial, SettingRow, TrialRow, TuningSummary
from frametime.words import counted, percent_change, percent_change_words


def cautions_text() -> str:
    """The short cautions, as every output about tuning ends with them."""
    return "\n".join(["Cautions", *(wrapped(caution, indent=2) for caution in CAUTIONS)]) + "\n"


def next_step_text(step: NextStep, *, record: str) -> str:
    """The next trial, why, and how to note it; or that tuning is finished."""
    lines = _finished_lines(step) if isinstance(step, Finished) else _proposal_lines(step, record)
    for note in step.notes:
        lines.append(wrapped(f"Note: {note}"))
    return "\n".join([*lines, "", cautions_text()])


def _finished_lines(step: Finished) -> list[str]:
    return ["Tuning is finished." if step.best is not None else "There is nothing to tune.", wrapped(step.reason)]


def _proposal_lines(step: Proposal, record: str) -> list[str]:
    length = f", at least {step.minutes:g} minutes" if step.minutes is not None else ""
    runs = counted(step.n_runs, "run")
    power = "" if step.power_limit_w is None else f" ({step.power_limit_w:g} W)"
    failures = ", ".join(item.value for item in Outcome if item is not Outcome.PASSED)
    command = ["frametime", "tune", "add", record]
    command += ["--core", str(step.setting.core_offset_mhz), "--memory", str(step.setting.memory_offset_mhz)]
    command += ["--workload", step.workload, "--outcome", "passed"]
    command += ["--endurance", "--minutes", "MIN"] if step.is_endurance else []
    command += ["--log", "FILE", "--sensors", "FILE"]
    return [
        f"Next trial ({step.phase.value})",
        f"  set       {step.setting}",
        f"  run       '{step.workload}', {runs}{length}",
        f"  before    power limit at its maximum{power}, fan on automatic, work saved",
        wrapped(f"Why: {step.reason}"),
        wrapped("It fails on visible artifacts, a freeze, a driver reset, or when the workload does not finish."),
        "Note it with",
        f"  {' '.join(map(_quoted, command))}",
        f"  (outcome: passed, or {failures})",
    ]


def noted_text(noted: NotedTrial, *, record: str) -> str:
    """What was appended to the record, and what comes next."""
    trial = noted.trial
    verdict = "passed" if noted.failure is None else f"counts as failed: {noted.failure}"
    lines = [f"Trial {noted.number} is noted in {record}: {trial.setting}, '{trial.workload}', {verdict}."]
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
    limits = summary.limits
    power = "" if limits.power_w is None else f", {limits.power_w:g} W"
    lines = [
        f"Tuning of {summary.card}: {len(summary.trials)} trials",
        f"  limits      {limits.temperature_c:g} °C{power}, core up to {limits.max_core_offset_mhz:+d} MHz, "
        f"memory up to {limits.max_memory_offset_mhz:+d} MHz",
        f"  workloads   {', '.join(summary.workloads)} (from the lightest to the heaviest)",
    ]
    if summary.best is None:
        return "\n".join([*lines, "  best        n/a: no setting has passed the heaviest workload yet"])
    lines.append(f"  best        {summary.best}" + ("" if summary.best_is_final else " (so far)"))
    lines.append(f"    gain      {_gain_words(summary)}")
    lines.append(f"  every day   {summary.everyday}")
    cost = summary.everyday_cost
    if cost is not None:
        lines.append(f"    cost      {change_text(cost.value, cost.interval)} against the best, {cost.kind}")
        lines.append(wrapped(f"({cost.how})", indent=14))
    elif summary.everyday != summary.best:
        lines.append("    cost      n/a: neither measured, nor runs enough to predict it")
    return "\n".join(lines)


def _gain_words(summary: TuningSummary) -> str:
    if summary.best_gain is None:
        return "n/a: needs measured runs at stock and at the best setting"
    gain = summary.best_gain
    level = "" if gain.interval is None else f", {100.0 * gain.interval.level:g} % interval over runs"
    return (
        f"{change_text(gain.value, gain.interval)} average FPS over stock{level}\n"
        f"              ({gain.n_candidate} and {gain.n_baseline} runs of {summary.workloads[-1]})"
    )


def _edge(summary: TuningSummary) -> str:
    if not summary.past_edge:
        return ""
    lines = ["Past the edge (a higher clock that is credibly slower)"]
    for item in summary.past_edge:
        change = change_text(item.ratio.value, item.ratio.interval)
        lines.append(wrapped(f"{item.setting}: {change} against {item.slower_than}, under {item.workload}", indent=2))
    return "\n".join(lines)


def _map(summary: TuningSummary) -> str:
    if not summary.map:
        return ""
    cells = {(cell.setting.core_offset_mhz, cell.setting.memory_offset_mhz): cell for cell in summary.map}
    cores = sorted({core for core, _ in cells})
    memories = sorted({memory for _, memory in cells}, reverse=True)
    lines = ["Map (memory offset down, core offset across, MHz)"]
    for first in range(0, len(cores), _MAP_WIDTH):
        part = cores[first : first + _MAP_WIDTH]
        rows = [
            [f"{memory:+d}", *(_map_cell(cells.get((core, memory)), summary) for core in part)] for memory in memories
        ]
        columns = frozenset(range(len(part) + 1))
        lines.append(text_table(["", *(f"{core:+d}" for core in part)], rows, right=columns, indent=2))
    lines.append(
        wrapped(
            f"number: gain over stock in % under {summary.workloads[-1]}; ok: passed what it ran; x: failed; "
            "dot: not tried; *: best",
            indent=2,
        )
    )
    return "\n".join(lines)


def _map_cell(cell: MapCell | None, summary: TuningSummary) -> str:
    if cell is None or cell.status == "not tried":
        return "."
    mark = "*" if cell.setting == summary.best else ""
    if cell.status == "failed" and not mark:
        return "x"
    if cell.gain is None:
        return f"ok{mark}"
    return percent_change(cell.gain.value).removesuffix(" %") + mark


def _settings(summary: TuningSummary) -> str:
    if not summary.settings:
        return ""
    header = ["core", "memory", "workload", "runs", "FPS", "gain over stock, %", "% per MHz", "W", "FPS/W"]
    rows = [_setting_cells(row) for row in summary.settings]
    return "Speed of the settings\n" + text_table(header, rows, right=frozenset({0, 1, 3, 4, 6, 7, 8}), indent=2)


def _setting_cells(row: SettingRow) -> list[str]:
    per_mhz = NOT_AVAILABLE
    if row.gain_pct_per_mhz is not None and row.step_from is not None:
        clock = "core" if row.step_from.core_offset_mhz != row.setting.core_offset_mhz else "memory"
        per_mhz = f"{row.gain_pct_per_mhz:+.3f} {clock}".replace("-", "\N{MINUS SIGN}")
    return [
        f"{row.setting.core_offset_mhz:+d}",
        f"{row.setting.memory_offset_mhz:+d}",
        row.workload,
        str(row.n_runs),
        format_number(row.average_fps),
        _gain_cell(
            row.gain, is_stock=row.gain is None and row.setting.core_offset_mhz == row.setting.memory_offset_mhz == 0
        ),
        per_mhz,
        NOT_AVAILABLE if row.average_power_w is None else format_number(row.average_power_w, digits=3),
        NOT_AVAILABLE if row.frames_per_joule is None else format_number(row.frames_per_joule, digits=3),
    ]


def _gain_cell(gain: Ratio | None, *, is_stock: bool) -> str:
    if gain is None:
        return "stock" if is_stock else NOT_AVAILABLE
    if gain.interval is None:
        return percent_change(gain.value).removesuffix(" %")
    return percent_change_words(gain.value, gain.interval).replace(" %", "")


def _trials(summary: TuningSummary) -> str:
    if not summary.trials:
        return ""
    header = ["no.", "core", "memory", "workload", "outcome", "runs", "FPS", "W", "°C", "note"]
    rows = [_trial_cells(row) for row in summary.trials]
    return "Trials\n" + text_table(header, rows, right=frozenset({0, 1, 2, 5, 6, 7, 8}), indent=2)


def _trial_cells(row: TrialRow) -> list[str]:
    outcome = row.outcome.value
    if row.failure is not None and row.failure != outcome:
        outcome = "too hot"
    if row.is_endurance:
        outcome += f", {row.minutes:g} min" if row.minutes is not None else ", endurance"
    return [
        str(row.number),
        f"{row.setting.core_offset_mhz:+d}",
        f"{row.setting.memory_offset_mhz:+d}",
        row.workload,
        outcome,
        str(row.n_runs),
        NOT_AVAILABLE if row.average_fps is None else format_number(row.average_fps),
        NOT_AVAILABLE if row.average_power_w is None else format_number(row.average_power_w, digits=3),
        NOT_AVAILABLE if row.peak_temperature_c is None else format_like(row.peak_temperature_c, decimals=0),
        " ".join(row.note.split())[:40],
    ]


def _listed(title: str, sentences: tuple[str, ...]) -> str:
    return "\n".join([title, *(wrapped(sentence, indent=2) for sentence in sentences)]) if sentences else ""


def endurance_text(verdict: EnduranceVerdict) -> str:
    """The verdict first, then each criterion with its number and threshold, then what is not known."""
    rows = [[item.label, item.state, item.threshold] for item in verdict.criteria]
    lines = [
        f"{verdict.word.capitalize()}: {verdict.file_name}",
        wrapped(verdict.sentence),
        "",
        text_table(["criterion", "state", "threshold"], rows),
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
    return "\n".join([*lines, "", cautions_text()])
