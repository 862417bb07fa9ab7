"""The files of the invented review: captures, sensor logs, plan and tuning record; and how files are written."""

from __future__ import annotations

import gzip
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from frametime.demo.models import frame_times_us, sensor_text
from frametime.demo.scenario import (
    BAD_RUN,
    BASELINE,
    CARDS,
    HALFWAY_TRIALS,
    HEAVY,
    LIGHT,
    RESOLUTIONS,
    RUNS,
    SCENES,
    TRIALS,
    TUNED_CARD,
    DemoRun,
    DemoTrial,
    demo_runs,
    tuning_run,
)
from frametime.replacing import claiming, write_bytes
from frametime.settings.toml_source import TomlValue, toml_lines, toml_value

SHORT_S: Final = 30.0
FULL_S: Final = 60.0
TRIAL_S: Final = 20.0
ENDURANCE_S: Final = 45 * 60.0


def run_files(run: DemoRun, stem: str, *, duration_s: float, lap_s: float | None = None) -> dict[str, bytes]:
    """The frame log of a run, in the layout that the logs of its card have, and its sensor log, by path.

    Captures of two cards state frame times in whole microseconds; those of the third were saved with decimal commas
    and semicolons, in ms. A review may mix layouts.
    """
    times_us = frame_times_us(run, duration_s=duration_s, lap_s=lap_s).tolist()
    if run.card.layout == "decimal comma":
        lines = ["frame;frame time (ms)"]
        lines += [f"{frame};{time_us / 1000:.3f}".replace(".", ",") for frame, time_us in enumerate(times_us, start=1)]
    else:
        lines = ["frame_time_us", *map(str, times_us)]
    return {
        f"{stem}.csv.gz": gzip_bytes("\n".join([*lines, ""]).encode()),
        f"{stem}.sensors.csv": sensor_text(run, duration_s=duration_s).encode(),
    }


def demo_files(*, full: bool) -> Mapping[str, bytes]:
    """Every file that ``frametime demo`` writes, by path: the same bytes each time.

    Parameters
    ----------
    full : bool
        Runs as long as those of a real review, and the log of an endurance run of 45 minutes.
    """
    files: dict[str, bytes] = {}
    for run in demo_runs():
        stem = f"captures/{run.card.key}/{run.scene.key}/{run.resolution}/run{run.run}"
        files |= run_files(run, stem, duration_s=FULL_S if full else SHORT_S)
    files["plan.toml"] = plan_text().encode()
    files |= {f"tuning/{name}": content for name, content in tuning_files(full=full).items()}
    return files


_HEAD = """\
# A review of three invented cards in five invented scenes. Nothing in it stands for a real product.
title = "Three cards, five scenes"
baseline = {baseline}
currency = "EUR"

# A smaller difference does not count as meaningful, as a fraction.
margin = 0.03
headline = "average_fps"
# "frametime metrics" lists all that can be compared.
metrics = ["average_fps", "low_1pct_percentile_fps"]

resolutions = {resolutions}
# Runs of each card in each scene at each resolution.
runs = {runs}
# One cut of the result for each resolution, beside those named below.
cut_each = ["resolution"]

[captures]
folder = "captures"
pattern = "{{card}}/{{scene}}/{{resolution}}/run{{run}}.csv.gz"
sensors = "{{card}}/{{scene}}/{{resolution}}/run{{run}}.sensors.csv"

[running_cost]
tariff_per_kwh = 0.30
hours_per_day = 3
years = 4
"""

_CUTS = """\
[[cuts]]
key = "ray-traced"
label = "Ray-traced scenes"
tags = ["ray-traced"]

[[cuts]]
key = "not-ray-traced"
label = "Without ray-traced scenes"
without_tags = ["ray-traced"]
"""

_EXCLUDE = """\
# A run stays in until it is left out by name, and the reason is printed with every result.
# Remove the # signs to leave out the run that a background task spoiled:
#
# [[exclude]]
# run = "{run}"
# reason = "a background task was running"
"""


def plan_text() -> str:
    """The plan as TOML."""
    told = {"baseline": toml_value(BASELINE), "resolutions": toml_value(RESOLUTIONS), "runs": len(RUNS)}
    parts = [_HEAD.format(**told)]
    for card in CARDS:
        head = toml_lines({"key": card.key, "label": card.label})
        rest = toml_lines({"settings": "stock", "driver": card.driver, "operating_system": "bench image 12"})
        parts.append(f"[[cards]]\n{head}price = {card.price:.2f}\n{rest}")
    for scene in SCENES:
        keys = toml_lines({"key": scene.key, "label": scene.label, "tags": scene.tags, "settings": "high"})
        parts.append(f"[[scenes]]\n{keys}")
    parts += [_CUTS, _EXCLUDE.format(run="/".join(map(str, BAD_RUN)))]
    return "\n".join(parts)


_TUNING_HEAD = """\
# An invented tuning record: one card raised step by step until it no longer held, then backed off.
# The paths of logs are counted from the folder of this file.

[card]
name = "{card.label}"
core_clock_mhz = {card.core_clock_mhz}
memory_clock_mhz = {card.memory_clock_mhz}

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

_HALFWAY = f"# The record of tuning.toml as it stood after {HALFWAY_TRIALS} trials.\n#\n"


def tuning_files(*, full: bool) -> Mapping[str, bytes]:
    """Record, the same halfway, and logs, by path; ``full`` adds the log of the endurance run."""
    files: dict[str, bytes] = {}
    trials = []
    for number, trial in enumerate(TRIALS, start=1):
        stems = [f"trial{number:02d}-run{run}" for run in range(1, trial.runs + 1)]
        for run, stem in enumerate(stems, start=1):
            files |= run_files(tuning_run(trial, number, run), stem, duration_s=TRIAL_S)
        if full and trial.endurance_minutes is not None and trial.outcome == "passed":
            stems = ["endurance"]
            files |= run_files(tuning_run(trial, number, 1), "endurance", duration_s=ENDURANCE_S, lap_s=60.0)
        trials.append(_trial_text(trial, stems))
    head = _TUNING_HEAD.format(card=TUNED_CARD, light=LIGHT, heavy=HEAVY)
    files["tuning.toml"] = "\n".join([head, *trials]).encode()
    files["halfway.toml"] = "\n".join([_HALFWAY + head, *trials[:HALFWAY_TRIALS]]).encode()
    return files


def _trial_text(trial: DemoTrial, stems: list[str]) -> str:
    told: dict[str, TomlValue | None] = {
        "core_offset_mhz": trial.core,
        "memory_offset_mhz": trial.memory,
        "workload": trial.workload,
        "outcome": trial.outcome,
        "endurance": trial.endurance_minutes is not None or None,
        "minutes": trial.endurance_minutes,
        "peak_temperature_c": trial.peak_temperature_c,
        "logs": [f"{stem}.csv.gz" for stem in stems] or None,
        "sensors": [f"{stem}.sensors.csv" for stem in stems] or None,
        "note": trial.note or None,
    }
    return f"[[trials]]\n{toml_lines(told)}"


def gzip_bytes(content: bytes) -> bytes:
    """``content`` in gzip, without file name or time, so that equal content gives equal bytes.

    The compressed bytes depend on the compression library that Python is linked to; the content does not.

    Examples
    --------
    >>> gzip.decompress(gzip_bytes(b"8000")), gzip_bytes(b"8000") == gzip_bytes(b"8000")
    (b'8000', True)
    """
    stored = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=stored, mtime=0) as stream:
        stream.write(content)
    return stored.getvalue()


def write_files(folder: Path, files: Mapping[str, bytes], *, force: bool) -> None:
    """Write ``files`` (path below the folder, with ``/``, to content) into ``folder``.

    Each is written under a temporary name in its own folder and then renamed. Nothing at all is written when
    one of them is there already, unless ``force`` is given. Other files in the folder are left alone.

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not given, or the folder cannot be written.
    """
    with claiming((folder / name for name in files), force=force, folder=folder):
        for name, content in files.items():
            write_bytes(folder / name, content)
