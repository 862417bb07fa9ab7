"""The files of the invented review: captures, sensor logs, plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from frametime.demo.file_writing import gzip_bytes
from frametime.demo.models import frame_times_us, sensor_text
from frametime.demo.scenario import (
    BAD_RUN,
    BASELINE,
    CARDS,
    CURRENCY,
    HOURS_PER_DAY,
    OPERATING_SYSTEM,
    RESOLUTIONS,
    RUNS,
    SCENE_SETTINGS,
    SCENES,
    TARIFF_PER_KWH,
    YEARS,
    DemoRun,
    demo_runs,
)
from frametime.demo.tuning_files import tuning_files
from frametime.settings.toml_writing import toml_lines, toml_value

SHORT_S: Final = 30.0
FULL_S: Final = 60.0


def capture_text(run: DemoRun, *, duration_s: float) -> str:
    """The frame log of a run, in the layout that the logs of its card have.

    Captures of two cards state frame times in whole microseconds; those of the third were saved with decimal commas
    and semicolons, in ms. A review may mix layouts.
    """
    times_us = frame_times_us(run, duration_s=duration_s).tolist()
    if run.card.layout == "decimal comma":
        lines = ["frame;frame time (ms)"]
        lines += [f"{frame};{time_us / 1000:.3f}".replace(".", ",") for frame, time_us in enumerate(times_us, start=1)]
    else:
        lines = ["frame_time_us", *map(str, times_us)]
    return "\n".join(lines) + "\n"


def capture_files(*, duration_s: float) -> Mapping[str, bytes]:
    """Captures and sensor logs of the whole matrix, by path."""
    files: dict[str, bytes] = {}
    for run in demo_runs():
        stem = f"captures/{run.card.key}/{run.scene.key}/{run.resolution}/run{run.run}"
        files[f"{stem}.csv.gz"] = gzip_bytes(capture_text(run, duration_s=duration_s).encode())
        files[f"{stem}.sensors.csv"] = sensor_text(run, duration_s=duration_s).encode()
    return files


def demo_files(*, full: bool) -> Mapping[str, bytes]:
    """Every file that ``frametime demo`` writes, by path: the same bytes each time.

    Parameters
    ----------
    full : bool
        Runs as long as those of a real review, and the log of an endurance run of 45 minutes.
    """
    files = dict(capture_files(duration_s=FULL_S if full else SHORT_S))
    files["plan.toml"] = plan_text().encode()
    files |= {f"tuning/{name}": content for name, content in tuning_files(full=full).items()}
    return files


_HEAD = """\
# A review of three invented cards in five invented scenes. Nothing in it stands for a real product.
title = "Three cards, five scenes"
baseline = {baseline}
currency = {currency}

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
tariff_per_kwh = {tariff:.2f}
hours_per_day = {hours:g}
years = {years:g}
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
    parts = [
        _HEAD.format(
            baseline=toml_value(BASELINE),
            currency=toml_value(CURRENCY),
            resolutions=toml_value(RESOLUTIONS),
            runs=len(RUNS),
            tariff=TARIFF_PER_KWH,
            hours=HOURS_PER_DAY,
            years=YEARS,
        )
    ]
    for card in CARDS:
        head = toml_lines({"key": card.key, "label": card.label})
        rest = toml_lines({"settings": card.settings, "driver": card.driver, "operating_system": OPERATING_SYSTEM})
        parts.append(f"[[cards]]\n{head}price = {card.price:.2f}\n{rest}")
    for scene in SCENES:
        keys = toml_lines({"key": scene.key, "label": scene.label, "tags": scene.tags, "settings": SCENE_SETTINGS})
        parts.append(f"[[scenes]]\n{keys}")
    parts += [_CUTS, _EXCLUDE.format(run="/".join(map(str, BAD_RUN)))]
    return "\n".join(parts)
