"""Tuning for a terminal: the next trial, the record so far, the verdict of an endurance run."""

from __future__ import annotations

from frametime.render.numbers import format_number
from frametime.render.text import wrapped
from frametime.tuning.cautions import CAUTIONS
from frametime.tuning.proposal import Finished, NextStep, Proposal
from frametime.tuning.record import Outcome
from frametime.tuning.tuning_summary import NotedTrial
from frametime.words import counted


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
