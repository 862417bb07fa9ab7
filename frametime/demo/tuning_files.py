"""The files of the invented tuning record: logs of each trial, sensor logs, the record itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from frametime.demo.file_writing import gzip_bytes
from frametime.demo.frame_model import frame_times_us
from frametime.demo.scenario import CARDS
from frametime.demo.sensor_model import sensor_text
from frametime.demo.tuning_scenario import (
    ENDURANCE_S,
    HEAVY,
    LAP_S,
    LIGHT,
    TRIAL_S,
    TRIALS,
    TUNED_CARD,
    DemoTrial,
    TuningRun,
)

_HEAD = """\
# An invented tuning record: one card raised step by step until it no longer held, then backed off.
# The paths of logs are counted from the folder of this file.

[card]
name = "{name}"
core_clock_mhz = {core}
memory_clock_mhz = {memory}

[limits]
temperature_c = 85
max_core_offset_mhz = 200
max_memory_offset_mhz = 500
power_w = 300

# From the lightest to the heaviest.
[[workloads]]
name = "{light}"

[[workloads]]
name = "{heavy}"

# Least length of a run in minutes: these invented runs are short.
[lengths]
{light} = 0.3
{heavy} = 0.3
"""

HALFWAY_TRIALS: Final = 14
_HALFWAY = f"# The record of tuning.toml as it stood after {HALFWAY_TRIALS} trials.\n#\n"


def tuning_files(*, full: bool) -> Mapping[str, bytes]:
    """Record, the same halfway, and logs, by path; ``full`` adds the log of the endurance run."""
    files: dict[str, bytes] = {}
    trials = []
    for number, trial in enumerate(TRIALS, start=1):
        stems = [f"trial{number:02d}-run{run}" for run in range(1, trial.runs + 1)]
        for run, stem in enumerate(stems, start=1):
            files |= _logs(TuningRun(number=number, run=run, trial=trial), stem, duration_s=TRIAL_S)
        if full and trial.endurance_minutes is not None and trial.outcome == "passed":
            stems = ["endurance"]
            files |= _logs(TuningRun(number=number, run=1, trial=trial), "endurance", duration_s=ENDURANCE_S)
        trials.append(_trial_text(trial, stems))
    card = next(card for card in CARDS if card.key == TUNED_CARD)
    head = _HEAD.format(
        name=card.label, core=card.core_clock_mhz, memory=card.memory_clock_mhz, light=LIGHT, heavy=HEAVY
    )
    files["tuning.toml"] = "\n".join([head, *trials]).encode()
    files["halfway.toml"] = "\n".join([_HALFWAY + head, *trials[:HALFWAY_TRIALS]]).encode()
    return files


def _logs(run: TuningRun, stem: str, *, duration_s: float) -> dict[str, bytes]:
    times_us = frame_times_us(run, duration_s=duration_s, lap_s=min(LAP_S, duration_s)).tolist()
    text = "\n".join(["frame_time_us", *map(str, times_us)]) + "\n"
    return {
        f"{stem}.csv.gz": gzip_bytes(text.encode()),
        f"{stem}.sensors.csv": sensor_text(run, duration_s=duration_s).encode(),
    }


def _trial_text(trial: DemoTrial, stems: list[str]) -> str:
    lines = [
        "[[trials]]",
        f"core_offset_mhz = {trial.core}",
        f"memory_offset_mhz = {trial.memory}",
        f'workload = "{trial.workload}"',
        f'outcome = "{trial.outcome}"',
    ]
    if trial.endurance_minutes is not None:
        lines += ["endurance = true", f"minutes = {trial.endurance_minutes:g}"]
    if trial.peak_temperature_c is not None:
        lines.append(f"peak_temperature_c = {trial.peak_temperature_c}")
    if stems:
        logs = ", ".join(f'"{stem}.csv.gz"' for stem in stems)
        sensors = ", ".join(f'"{stem}.sensors.csv"' for stem in stems)
        lines += [f"logs = [{logs}]", f"sensors = [{sensors}]"]
    if trial.note:
        lines.append(f'note = "{trial.note}"')
    return "\n".join(lines) + "\n"
