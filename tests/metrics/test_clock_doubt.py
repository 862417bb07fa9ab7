"""Sensors whose clock may be off: their numbers say so."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from made_captures import capture_of

from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_trace import attach_sensors
from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.measure import measure
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors.sensor_findings import with_clock_doubt
from frametime.metrics.sensors.sensor_values import average_power_w
from frametime.statistics.interval import Interval

SECONDS = 60
WITH_INTERVALS = MeasureOptions(within_run_intervals=True)


def captured(idle_s: float, **options: float) -> Capture:
    """A run of a minute whose sensor log begins with some seconds of waiting, at ten samples a second."""
    capture = capture_of(np.arange(0, SECONDS * 10**9 + 1, 10_000_000, dtype=np.int64))
    rng = np.random.default_rng(5)
    steady = np.where(np.arange(10 * SECONDS + 100) < 10 * idle_s, 20.0, 200.0)
    powers = steady + rng.normal(0.0, 2.0, steady.size)
    text = "elapsed_s,power_w\n" + "".join(f"{i / 10:.1f},{power:.2f}\n" for i, power in enumerate(powers))
    return attach_sensors(capture, io.BytesIO(text.encode()), options=SensorOptions(**options))


def measured(idle_s: float, **options: float) -> MeasuredRun:
    return measure(captured(idle_s, **options), WITH_INTERVALS)


def test_a_log_that_began_early_says_what_the_power_may_be() -> None:
    power = measured(3.0).values["average_power_w"]
    assert power.value == pytest.approx(200.0 - 180.0 * 3.0 / SECONDS, abs=0.3)
    (caveat,) = [caveat for caveat in power.caveats if caveat.code == "sensor-clock-doubt"]
    low, high = (float(text) for text in re.findall(r"([\d.]+) to ([\d.]+) W", caveat.message)[0])
    # Where the samples move to later ones, the first seconds are covered by none.
    assert low == pytest.approx(power.value, abs=1.0)
    assert high == pytest.approx(200.0, abs=0.5)


def test_the_interval_is_as_much_wider_as_the_clocks_may_be_apart() -> None:
    series = FrameSeries.of(captured(3.0), WITH_INTERVALS)
    given = Interval(low=190.0, high=192.0, level=0.95, method="made")
    found = with_clock_doubt(
        series, {"average_power_w": average_power_w}, {"average_power_w": 191.0}, {"average_power_w": given}
    )
    wider = found["average_power_w"]
    assert isinstance(wider, Interval)
    assert wider.high == pytest.approx(201.0, abs=0.5)
    assert 189.0 < wider.low <= 190.0
    assert "3.0 s apart" in wider.method


def test_an_offset_that_is_given_leaves_no_doubt() -> None:
    power = measured(3.0, offset_s=3.0).values["average_power_w"]
    assert power.value == pytest.approx(200.0, abs=0.3)
    assert power.interval is not None
    assert "apart" not in power.interval.method


def test_a_level_log_has_the_same_power_wherever_it_lies() -> None:
    run = measured(0.0)
    assert "sensor-clock-doubt" not in {caveat.code for caveat in run.caveats}
    assert run.values["average_power_w"].value == pytest.approx(200.0, abs=0.3)
