"""The files of the invented review: captures, sensor logs, plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from frametime.demo.file_writing import gzip_bytes
from frametime.demo.frame_model import frame_times_us
from frametime.demo.plan_text import plan_text
from frametime.demo.scenario import DemoRun, demo_runs
from frametime.demo.sensor_model import sensor_text
from frametime.demo.tuning_files import tuning_files

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
