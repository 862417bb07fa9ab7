"""Tuning for a terminal: the next trial, the record judged so far, the verdict of an endurance run.

The words stand in ``tuning.txt.j2`` beside this file.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any, Final

from frametime.render.numbers import format_number
from frametime.render.tables.table import Inline, Mark, Table, plain_text
from frametime.render.tables.tuning import criteria_table, edge_table, map_table, setting_table, trial_table
from frametime.render.terminal_text import table_text, wrapped
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.tuning.proposal import Finished, NextStep, Proposal
from frametime.tuning.record import CAUTION, CAUTIONS, DEFAULT_RECORD, KNOBS, Outcome, option_of
from frametime.tuning.tuning_summary import NotedTrial, TuningSummary
from frametime.words import command_line, counted, percent_change, percent_change_range, percent_change_words, signed


def cautions_text(cautions: tuple[str, ...] = CAUTIONS) -> str:
    """The cautions with which every output about tuning ends: a list, or one line."""
    if len(cautions) == 1:
        return wrapped(f"Caution: {cautions[0]}") + "\n"
    return "\n".join(["Cautions", *(wrapped(caution, indent=2) for caution in cautions)]) + "\n"


def next_step_text(step: NextStep, *, record: str) -> str:
    """The next trial, why, and how to note it; or that tuning is finished."""
    return _written("next_step", step, record)


def bench_text(step: NextStep) -> str:
    """The next trial in few large words for a second screen: what to set, what to run, how long."""
    return _written("bench", step)


def short_noted_text(noted: NotedTrial) -> str:
    """What was appended to the record, and what was measured."""
    return _written("short_noted", noted)


def noted_text(noted: NotedTrial, *, record: str) -> str:
    """What was appended to the record, and what comes next."""
    return _written("noted", noted, record)


def summary_text(summary: TuningSummary, *, record: str) -> str:
    """The whole record in sections; every number with its unit, every missing one as n/a."""
    tables = {
        "edge": edge_table(summary).view("setting", "slower_than", "workload", ("ratio", "interval")),
        "map": _map_parts(map_table(summary)) if summary.clock_map else [],
        "settings": _settings_parts(summary),
        "trials": _short_table(trial_table(summary)),
    }
    return _written("summary", summary, tables, record)


def endurance_text(verdict: EnduranceVerdict) -> str:
    """The verdict first, then each criterion with its number and threshold, then what is not known."""
    return _written("endurance", verdict, criteria_table(verdict).view("label", "state", "value", "threshold"))


def _written(what: str, *told: object) -> str:
    text = str(getattr(_templates(), what)(*told))
    return re.sub(r"\n{3,}", "\n\n", text).strip("\n") + "\n"


@cache
def _templates() -> Any:
    """The macros of the template."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.tests["finished"] = lambda step: isinstance(step, Finished)
    environment.filters |= {"counted": counted, "wrapped": wrapped, "number": format_number, "table": table_text}
    environment.filters |= {"cautions": cautions_text, "percent": percent_change, "change": percent_change_words}
    environment.filters |= {"span": percent_change_range, "signed": signed}
    environment.filters |= {"short_command": _short_command, "whole_command": _whole_command}
    environment.globals["short"] = _short
    environment.globals["caution"] = CAUTION
    environment.globals["failures"] = ", ".join(item.value for item in Outcome if item is not Outcome.PASSED)
    return environment.from_string(Path(__file__).with_name("tuning.txt.j2").read_text("utf-8")).module


def _short_command(_: Proposal, record: str) -> str:
    """How a trial that was run as proposed is noted."""
    return command_line(["frametime", "tune", "add", *([record] if record != DEFAULT_RECORD else []), "--passed"])


def _whole_command(step: Proposal, record: str) -> str:
    """How a trial is noted with all that was set by hand."""
    words = ["frametime", "tune", "add", *([record] if record != DEFAULT_RECORD else [])]
    for axis, knob in KNOBS.items():
        if step.setting.turned(axis) or (axis in ("core", "memory") and step.goal == "speed"):
            words += [option_of(axis), f"{getattr(step.setting, knob.field):g}"]
    words += ["--workload", step.workload, "--outcome", "passed", *(["--endurance"] if step.is_endurance else [])]
    for run in range(1, step.n_runs + 1):
        number = str(run) if step.n_runs > 1 else ""
        words += ["--log", f"FILE{number}", "--sensors", f"SENSORS{number}"]
    return command_line(words)


_MAP_WIDTH = 9


def _map_parts(table: Table) -> list[Table]:
    """The map in parts, each as wide as a terminal."""
    first, *cores = (column.key for column in table.columns)
    labels = {first: "", **{core: signed(int(core), "+d") for core in cores}}
    return [table.view(first, *cores[at : at + _MAP_WIDTH], labels=labels) for at in range(0, len(cores), _MAP_WIDTH)]


def _short(part: Inline) -> str:
    """A mark as its symbol, a change without its percent sign."""
    return part.symbol if isinstance(part, Mark) else plain_text(part).removesuffix(" %").strip()


def _settings_parts(summary: TuningSummary) -> list[tuple[str, Table]]:
    """The settings of each workload, from the lightest, with the one of two columns that the goal is about."""
    left_out = ("workload", "frames_per_joule" if summary.goal == "speed" else "average_power_w")
    table = setting_table(summary)
    parts = ((name, table.where(workload=name)) for name in summary.workloads)
    return [(name, _short_table(part, left_out=left_out)) for name, part in parts if part.rows]


_SHORT_LABELS: Final = {
    **{"number": "No.", "core_offset_mhz": "Core", "memory_offset_mhz": "Memory", "core_voltage_offset_mv": "mV"},
    **{"power_limit_pct": "Limit %", "power": "Power", "n_runs": "Runs", "average_fps": "FPS", "average_power_w": "W"},
    **{"gain_pct_per_mhz": "% per MHz", "frames_per_joule": "FPS/W", "peak_temperature_c": "\N{DEGREE SIGN}C"},
}


def _short_table(table: Table, *, left_out: tuple[str, ...] = ()) -> Table:
    """With short headings, an interval behind its gain, and notes left to a list of their own."""
    keys = (column.key for column in table.columns if column.key not in ("interval", "note", *left_out))
    return table.view(*(("gain", "interval") if key == "gain" else key for key in keys), labels=_SHORT_LABELS)
