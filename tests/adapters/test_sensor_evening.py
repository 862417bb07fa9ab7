"""A recorded session: frame logs without dates, and one sensor log with dates of the bench's own time.

Three runs of one evening, free to use and to publish; ``starts.json`` holds the true start of each run in UTC, the time
of the bench. What is read is held against NumPy on the own numbers of the session.
"""

from __future__ import annotations

import json
import os
import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.measuring import MeasureRequest, measure_file

DATA = Path(__file__).parent / "data" / "evening"
STARTS = json.loads((DATA / "starts.json").read_text("utf-8"))


def measured(capture: Path, **options: str) -> tuple[MeasuredRun, float]:
    """The run, and how long it lasted after its clock's 0 until its last frame."""
    request = MeasureRequest(
        path=str(capture),
        read=ReadOptions(),
        sensors=str(DATA / "session.csv"),
        sensor_options=SensorOptions(is_shared=True, **options),
    )
    found, run = measure_file(request)
    return run, found.frames.column("timestamp_ns")[-1].as_py() / 1e9


def true_power_w(name: str, seconds: float, run: MeasuredRun) -> float:
    """Mean power over the run, by linear interpolation on a fine grid."""
    rows = [line.split(",") for line in (DATA / "session.csv").read_text("utf-8").splitlines()[1:]]
    times_s = [datetime.strptime(f"{row[0]}+0000", "%Y/%m/%d %H:%M:%S.%f%z").timestamp() for row in rows]
    end_s = datetime.fromisoformat(STARTS[name]).timestamp() + seconds
    grid_s = np.linspace(end_s - run.duration_s, end_s, 50_001)
    return float(np.interp(grid_s, times_s, [float(row[1]) for row in rows]).mean())


@pytest.mark.parametrize("name", sorted(STARTS))
def test_with_its_start_given_each_run_has_its_power(name: str) -> None:
    run, seconds = measured(DATA / f"{name}.csv.gz", recorded_from=STARTS[name], time_zone="UTC")
    assert run.values["average_power_w"].value == pytest.approx(true_power_w(name, seconds, run), rel=5e-4)
    assert run.values["peak_temperature_c"].value == pytest.approx(37.0, abs=5.0)


@pytest.mark.parametrize("late_s", [0.1, 2.0, 5.0, 300.0])
@pytest.mark.parametrize("name", sorted(STARTS))
def test_without_it_the_power_is_right_or_there_is_none(name: str, late_s: float, tmp_path: Path) -> None:
    capture = tmp_path / f"{name}.csv.gz"
    shutil.copy(DATA / capture.name, capture)
    _, seconds = measured(capture, recorded_from=STARTS[name], time_zone="UTC")
    ended = datetime.fromisoformat(STARTS[name]).timestamp() + seconds + late_s
    os.utime(capture, (ended, ended))
    run, _ = measured(capture, time_zone="UTC")
    power = run.values["average_power_w"].value
    assert (power is not None) == (late_s < 1.0)
    if power is not None:
        assert power == pytest.approx(true_power_w(name, seconds, run), rel=5e-3)
