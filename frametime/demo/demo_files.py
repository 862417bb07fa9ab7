"""The files of the invented review: captures, sensor logs, plan and tuning record; and how files are written."""

from __future__ import annotations

import gzip
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from frametime.demo.models import frame_times_us, sensor_text
from frametime.demo.scenario import (
    HALFWAY_TRIALS,
    TRIALS,
    DemoRun,
    demo_runs,
    tuning_run,
)
from frametime.replacing import claiming, write_bytes

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
    files["plan.toml"] = _text("plan.toml").encode()
    files |= {f"tuning/{name}": content for name, content in tuning_files(full=full).items()}
    return files


def tuning_files(*, full: bool) -> Mapping[str, bytes]:
    """Record, the same halfway, and logs, by path; ``full`` adds the log of the endurance run."""
    files: dict[str, bytes] = {}
    head, *trials = _text("tuning.toml").split("\n[[trials]]\n")
    for number, trial in enumerate(TRIALS, start=1):
        for run in range(1, trial.runs + 1):
            stem = f"trial{number:02d}-run{run}"
            files |= run_files(tuning_run(trial, number, run), stem, duration_s=TRIAL_S)
        if full and trial.endurance_minutes is not None and trial.outcome == "passed":
            files |= run_files(tuning_run(trial, number, 1), "endurance", duration_s=ENDURANCE_S, lap_s=60.0)
            trials[number - 1] += 'logs = ["endurance.csv.gz"]\nsensors = ["endurance.sensors.csv"]\n'
    made = f"# The record of tuning.toml as it stood after {HALFWAY_TRIALS} trials.\n#\n{head}"
    files["tuning.toml"] = "\n[[trials]]\n".join([head, *trials]).encode()
    files["halfway.toml"] = "\n[[trials]]\n".join([made, *trials[:HALFWAY_TRIALS]]).encode()
    return files


def _text(name: str) -> str:
    return Path(__file__).with_name(name).read_text("utf-8")


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
