"""Sensor numbers where samples cover a part of the capture only, lie outside it, or cannot be right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_sensors import LIMITS, series_of

from frametime.caveats import Caveat, Weight
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.measure import measure
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions

INTERVALS = MeasureOptions(within_run_intervals=True)
POWER_KEYS = ("average_power_w", "peak_power_w", "energy_per_frame_j", "frames_per_joule")


def measured(series: FrameSeries) -> MeasuredRun:
    assert series.capture is not None
    return measure(series.capture, series.options)


def told(run: MeasuredRun, code: str) -> list[Caveat]:
    return [caveat for caveat in run.caveats if caveat.code == code]


def steps_s(first_s: float, last_s: float, step_s: float = 0.1) -> list[float]:
    return [float(time_s) for time_s in np.round(np.arange(first_s, last_s + 0.5 * step_s, step_s), 9)]


def falling(times_s: list[float], *, from_s: float) -> dict[str, list[float | None]]:
    """A clock that falls while the card stands at its temperature limit, from a time on."""
    return {
        "time_s": list(times_s),
        "core_clock_mhz": [1980.0 if time_s < from_s else 1700.0 for time_s in times_s],
        "temperature_c": [70.0 if time_s < from_s else 85.0 for time_s in times_s],
    }


# Throttling.


@pytest.mark.parametrize(
    ("times_s", "reason"),
    [
        (steps_s(-20.0, -3.2), "the core clock samples end 3.2 s before the capture begins"),
        (steps_s(34.6, 50.0), "the core clock samples begin 4.5 s after the capture ends"),
        ([-20.0, 15.0, 40.0], "fewer than two core clock samples lie in the capture"),
    ],
)
def test_throttling_is_not_zero_where_the_clock_was_not_sampled(times_s: list[float], reason: str) -> None:
    run = measured(series_of(falling(times_s, from_s=-10.0), seconds=30.1, options=LIMITS))
    for key in ("throttling_count", "throttling_time_fraction"):
        assert (run.values[key].value, run.values[key].reason) == (None, reason)
    assert run.findings.throttling == ()


def test_throttling_is_not_zero_where_the_limited_quantity_was_not_sampled() -> None:
    columns = falling(steps_s(-20.0, 30.0), from_s=5.0)
    columns["temperature_c"] = [85.0 if time_s < -3.0 else None for time_s in steps_s(-20.0, 30.0)]
    run = measured(series_of(columns, seconds=30.1, options=MeasureOptions(temperature_limit_c=85.0)))
    assert run.values["throttling_count"].reason == "the temperature samples end 3.1 s before the capture begins"


def test_throttling_ends_with_the_samples_and_is_a_share_of_their_time() -> None:
    # Samples from 0.0 to 9.9 s, each for 0.1 s: 5 of 10 s, whatever came in the other 20 s.
    run = measured(series_of(falling(steps_s(0.0, 9.9), from_s=5.0), seconds=30.1, options=LIMITS))
    (found,) = run.findings.throttling
    assert found.start_s == 5.0
    assert found.end_s == pytest.approx(10.0)
    assert run.values["throttling_time_fraction"].value == pytest.approx(0.5)
    assert told(run, "sensors-cover-part")[0] in run.values["throttling_time_fraction"].caveats


def test_a_temperature_that_is_no_longer_sampled_does_not_stay_at_its_limit() -> None:
    times_s = steps_s(0.0, 30.0)
    columns: dict[str, list[float | None]] = {
        "time_s": list(times_s),
        "core_clock_mhz": [1700.0 if 4.0 <= time_s < 6.0 or 20.0 <= time_s < 25.0 else 1980.0 for time_s in times_s],
        "temperature_c": [85.0 if time_s < 9.95 else None for time_s in times_s],
    }
    run = measured(series_of(columns, seconds=30.0, options=LIMITS))
    assert [(found.start_s, found.end_s) for found in run.findings.throttling] == [(4.0, 6.0)]
    # Known from 0 to 9.9 s and for one step of 0.1 s after it, where a clock sample stands until 10.1 s.
    assert run.values["throttling_time_fraction"].value == pytest.approx(2.0 / 10.1)


# Coverage and gaps.


@pytest.mark.parametrize(("first_s", "n_told"), [(0.01, 0), (0.02, 1)])
def test_a_part_that_reads_as_the_whole_is_not_told(first_s: float, n_told: int) -> None:
    times_s = [first_s, *steps_s(0.1, 30.1)]
    run = measured(series_of({"time_s": times_s, "power_w": [200.0] * len(times_s)}, seconds=30.1))
    assert len(told(run, "sensors-cover-part")) == n_told


def test_each_quantity_tells_the_part_that_its_own_samples_cover() -> None:
    times_s = steps_s(0.0, 30.1)
    part = [70.0 if time_s < 9.95 else None for time_s in times_s]
    columns: dict[str, list[float | None]] = {
        "time_s": list(times_s),
        "power_w": [200.0] * len(times_s),
        "temperature_c": part,
        "core_clock_mhz": [1980.0] * len(times_s),
        "utilization_pct": [99.0 if time_s < 9.95 else None for time_s in times_s],
    }
    run = measured(series_of(columns, seconds=30.1))
    (caveat,) = told(run, "sensors-cover-part")
    assert caveat.weight is Weight.CARE
    assert caveat.message.startswith("The temperature and utilization samples cover 0.0 to 9.9 s of 30.1 s (32.9 %)")
    for key in ("average_temperature_c", "peak_temperature_c", "utilization_under_90pct_fraction"):
        assert caveat in run.values[key].caveats, key
    for key in ("average_power_w", "average_core_clock_mhz", "throttling_count"):
        assert caveat not in run.values[key].caveats, key


def test_a_quantity_is_told_beside_the_log_only_where_it_covers_less() -> None:
    times_s = steps_s(0.0, 20.0)
    columns: dict[str, list[float | None]] = {
        "time_s": list(times_s),
        "power_w": [200.0] * len(times_s),
        "temperature_c": [70.0 if time_s < 5.05 else None for time_s in times_s],
    }
    series = series_of(columns, seconds=30.0)
    assert series.capture is not None
    assert series.capture.sensors is not None
    of_log = Caveat(code="sensors-cover-part", message="The sensor log covers a part.", weight=Weight.CARE)
    sensors = replace(series.capture.sensors, caveats=(of_log,))
    run = measure(replace(series.capture, sensors=sensors))
    assert [caveat.message.split(" samples")[0] for caveat in told(run, "sensors-cover-part")] == [
        "The sensor log covers a part.",
        "The temperature",
    ]


def test_a_gap_is_told_of_the_quantity_that_has_it() -> None:
    times_s = steps_s(0.0, 10.0, 0.5)
    columns: dict[str, list[float | None]] = {
        "time_s": list(times_s),
        "power_w": [200.0] * len(times_s),
        "core_clock_mhz": [None if 2.0 < time_s < 7.0 else 1980.0 for time_s in times_s],
    }
    (caveat,) = told(measured(series_of(columns)), "sensor-gap")
    assert caveat.message.startswith("There is no core clock sample for 5.0 s (usual step 0.50 s)")
    assert "average_core_clock_mhz" in caveat.metrics
    assert "average_power_w" not in caveat.metrics


def test_a_gap_before_the_capture_is_none_within_it() -> None:
    times_s = [-100.0, *steps_s(1.0, 10.0, 0.5)]
    assert told(measured(series_of({"time_s": times_s, "power_w": [200.0] * len(times_s)})), "sensor-gap") == []


@pytest.mark.parametrize(
    ("times_s", "reason"),
    [
        ([-10.0, -3.2], "the power samples end 3.2 s before the capture begins"),
        ([-10.0, -0.04], "the power samples end less than 0.1 s before the capture begins"),
        ([14.5, 20.0], "the power samples begin 4.5 s after the capture ends"),
        ([5.0], "the sensor log has a single power sample; two are needed"),
    ],
)
def test_samples_outside_the_capture_are_told_with_their_side(times_s: list[float], reason: str) -> None:
    run = measured(series_of({"time_s": list(times_s), "power_w": [200.0] * len(times_s)}))
    assert {run.values[key].reason for key in POWER_KEYS} == {reason}


def test_a_column_of_no_numbers_has_no_value() -> None:
    run = measured(series_of({"time_s": [0.0, 10.0], "power_w": [float("nan")] * 2}))
    assert run.values["average_power_w"].reason == "no cell of power_w holds a number"


# Power that no card draws.


@pytest.mark.parametrize("watts", [-5.0, 0.0])
def test_a_card_gives_no_power_back(watts: float) -> None:
    series = series_of({"time_s": [0.0, 5.0, 10.0], "power_w": [watts] * 3}, options=LIMITS)
    run = measured(series)
    for key in (*POWER_KEYS, "time_at_power_limit_fraction"):
        assert run.values[key].value is None, key
        assert "zero or below on average" in (run.values[key].reason or ""), key
    assert [caveat.code for caveat in told(run, "sensor-negative-power")] == ["sensor-negative-power"] * (watts < 0.0)


def test_some_samples_below_zero_are_a_caveat() -> None:
    run = measured(series_of({"time_s": [0.0, 4.0, 6.0, 10.0], "power_w": [200.0, -5.0, 200.0, 200.0]}))
    (caveat,) = told(run, "sensor-negative-power")
    assert caveat.message.startswith("1 of 4 power samples are below zero, down to \N{MINUS SIGN}5.0 W")
    assert caveat.weight is Weight.CARE
    assert caveat in run.values["energy_per_frame_j"].caveats
    assert told(measured(series_of({"time_s": [0.0, 10.0], "power_w": [200.0, 0.0]})), "sensor-negative-power") == []


def test_power_about_zero_gives_no_interval_of_energy() -> None:
    noise = 10.0 * np.random.default_rng(3).standard_normal(301)
    power_w = (noise - noise.mean() + 0.2).tolist()
    run = measured(series_of({"time_s": steps_s(0.0, 30.0), "power_w": power_w}, seconds=30.0, options=INTERVALS))
    for key in ("energy_per_frame_j", "frames_per_joule"):
        assert run.values[key].value is not None
        assert run.values[key].interval is None
        assert "about zero" in (run.values[key].interval_reason or "")


def test_a_card_busy_for_exactly_90_pct_is_under_it_in_no_resample() -> None:
    # Some pieces are level at 90 %, the others rise or fall between 90 and 95 %.
    utilization = [90.0 + 5.0 * place for place in np.random.default_rng(4).integers(0, 2, 301).tolist()]
    run = measured(
        series_of({"time_s": steps_s(0.0, 30.0), "utilization_pct": utilization}, seconds=30.0, options=INTERVALS)
    )
    found = run.values["utilization_under_90pct_fraction"]
    assert (found.value, found.interval) == (0.0, None)
    assert "all are alike" in (found.interval_reason or "")
