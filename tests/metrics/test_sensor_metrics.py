"""Power, heat, clock and throttling: by hand, by law, and on recorded sensor logs."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sensors import LIMITS, series_of

from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_trace import attach_sensors
from frametime.caveats import Weight
from frametime.metrics.catalog import catalog_for
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.measure import measure
from frametime.metrics.metric import Missing, Throttling
from frametime.metrics.sensors.sensor_findings import (
    sensor_caveats,
    throttled_words,
    throttling_count,
    throttling_of,
    throttling_time_fraction,
)
from frametime.render.check_text import check_text


def value(series: FrameSeries, key: str) -> Any:
    """Of a metric, by the catalog."""
    return catalog_for(series.options)[key].compute(series)


RECORDED = Path(__file__).parents[1] / "reference" / "data" / "recorded_sensors"


# By hand.


def test_the_trapezoid_takes_in_the_first_and_last_partial_step() -> None:
    # Power rises by 10 W a second from 85 W at -0.5 s: 90 to 190 W over the capture, 140 W on average.
    times_s = [-0.5, 3.0, 4.5, 11.0]
    series = series_of({"time_s": times_s, "power_w": [90.0 + 10.0 * time_s for time_s in times_s]})
    assert value(series, "average_power_w") == pytest.approx(140.0, rel=1e-12)
    assert value(series, "energy_per_frame_j") == pytest.approx(1.4, rel=1e-12)
    assert value(series, "frames_per_joule") == pytest.approx(1 / 1.4, rel=1e-12)
    assert value(series, "peak_power_w") == pytest.approx(135.0)  # the greatest sample inside; 190 W was not sampled


def test_nothing_is_assumed_beyond_the_samples_and_it_is_said() -> None:
    series = series_of({"time_s": [2.0, 6.0], "power_w": [100.0, 200.0]})
    assert value(series, "average_power_w") == pytest.approx(150.0)
    assert value(series, "energy_per_frame_j") == pytest.approx(600.0 / 400.0)
    (caveat,) = sensor_caveats(series)
    assert caveat.code == "sensors-cover-part"
    assert "2.0 to 6.0 s of 10.0 s (40.0 %)" in caveat.message
    assert caveat.weight is Weight.CARE


def test_a_long_gap_between_samples_is_said() -> None:
    times_s = [0.0, 0.5, 1.0, 1.5, 7.0, 7.5, 8.0, 8.5, 9.0, 9.5, 10.0]
    series = series_of({"time_s": times_s, "power_w": [100.0] * len(times_s)})
    assert [caveat.code for caveat in sensor_caveats(series)] == ["sensor-gap"]


def test_missing_cells_are_left_out_and_not_zero() -> None:
    series = series_of({"time_s": [0.0, 2.0, 4.0, 6.0, 10.0], "power_w": [100.0, None, 100.0, float("nan"), 100.0]})
    assert value(series, "average_power_w") == pytest.approx(100.0)


def test_temperature_at_the_end_and_above_the_limit() -> None:
    # 80 to 90 °C in 10 s: above 85 °C in the second half.
    series = series_of({"time_s": [0.0, 10.0], "temperature_c": [80.0, 90.0]}, options=LIMITS)
    assert value(series, "time_above_temperature_limit_fraction") == pytest.approx(0.5)
    assert value(series, "end_temperature_c") == pytest.approx(90.0)
    assert value(series, "average_temperature_c") == pytest.approx(85.0)
    level = series_of({"time_s": [0.0, 10.0], "temperature_c": [85.0, 85.0]}, options=LIMITS)
    assert value(level, "time_above_temperature_limit_fraction") == 0.0
    early = series_of({"time_s": [0.0, 1.0, 2.0, 3.0], "temperature_c": [80.0] * 4})
    assert value(early, "end_temperature_c") == Missing(reason="the temperature samples end 7.0 s before the capture")


def test_clock_spread_is_the_sample_standard_deviation() -> None:
    # Of 2, 4, 4, 4, 5, 5, 7, 9 the sum of squares about the mean 5 is 32 (a textbook example).
    series = series_of(
        {"time_s": [float(i) for i in range(8)], "core_clock_mhz": [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]}
    )
    assert value(series, "core_clock_sd_mhz") == pytest.approx((32 / 7) ** 0.5)


def test_a_card_that_waits_is_a_caveat() -> None:
    times_s = [float(i) for i in range(11)]
    busy = series_of({"time_s": times_s, "utilization_pct": [99.0] * 11})
    assert value(busy, "utilization_under_90pct_fraction") == 0.0
    assert sensor_caveats(busy) == ()
    waiting = series_of({"time_s": times_s, "utilization_pct": [99.0] * 5 + [70.0] * 6})
    # From 4 to 5 s it falls from 99 to 70: under 90 for the last 20/29 of that second.
    assert value(waiting, "utilization_under_90pct_fraction") == pytest.approx((5.0 + 20.0 / 29.0) / 10.0)
    assert [caveat.code for caveat in sensor_caveats(waiting)] == ["card-not-the-limit"]


def test_work_on_each_frame_against_its_length() -> None:
    work_ns: list[int | None] = [None, *([9_500_000] * 600), *([None] * 100), *([5_000_000] * 300)]
    series = series_of({"time_s": [0.0, 10.0]}, frames={"gpu_work_ns": work_ns})
    assert value(series, "gpu_work_under_90pct_fraction") == pytest.approx(300 / 900)


# Throttling.


def throttled(*, clock: float = 1700.0, temperature: float = 85.0, power: float = 200.0) -> FrameSeries:
    times_s = [float(i) for i in range(31)]
    inside = [10 <= i < 16 for i in range(31)]
    return series_of(
        {
            "time_s": times_s,
            "core_clock_mhz": [clock if low else 1980.0 for low in inside],
            "temperature_c": [temperature if low else 70.0 for low in inside],
            "power_w": [power if low else 200.0 for low in inside],
        },
        seconds=30.0,
        options=LIMITS,
    )


@pytest.mark.parametrize(("limit", "cause"), [({}, "temperature"), ({"temperature": 70.0, "power": 249.0}, "power")])
def test_throttling_is_found_with_its_time_depth_and_cause(limit: dict[str, float], cause: str) -> None:
    (found,) = throttling_of(throttled(**limit))
    assert (found.start_s, found.end_s, found.depth_mhz, found.cause) == (10.0, 16.0, 280.0, cause)
    assert throttling_count(throttled(**limit)) == 1.0
    assert throttling_time_fraction(throttled(**limit)) == pytest.approx(0.2)


def test_throttling_at_the_temperature_limit_stands_on_the_screen_and_in_the_judgement() -> None:
    series = throttled()
    assert series.capture is not None
    run = measure(series.capture, LIMITS)
    words = "throttled for 20 % of the time, the clock down by up to 280 MHz at the temperature limit"
    assert run.judgement.word == "usable with care"
    assert any(reason.startswith(f"the card {words}") for reason in run.judgement.reasons)
    screen = check_text(run).splitlines()
    # Before the other numbers of its group.
    assert screen[screen.index("Power and heat") + 1] == f"  {words.replace('throttled for', 'throttled')}"


def test_throttling_at_the_power_limit_is_told_and_needs_no_care() -> None:
    series = throttled(temperature=70.0, power=249.0)
    assert series.capture is not None
    run = measure(series.capture, LIMITS)
    assert "throttled" not in [caveat.code for caveat in run.caveats]
    assert "  throttled 20 % of the time, the clock down by up to 280 MHz at the power limit\n" in check_text(run)


@pytest.mark.parametrize("kept", [{"temperature": 70.0}, {"clock": 1980.0}, {"clock": 1975.0}])
def test_a_clock_that_falls_below_the_limits_or_not_at_all_is_no_throttling(kept: dict[str, float]) -> None:
    assert throttling_of(throttled(**kept)) == ()
    assert throttling_count(throttled(**kept)) == 0.0


@pytest.mark.parametrize(("share", "is_told"), [(0.011, True), (0.009, False)])
def test_a_clock_counts_as_down_from_one_percent_below_the_high_one_of_the_run(share: float, is_told: bool) -> None:
    assert bool(throttling_of(throttled(clock=1980.0 * (1.0 - share)))) is is_told


def stretches(*low: range, every_s: float = 1.0) -> list[tuple[float, float]]:
    """Where the clock is down at the temperature limit, of samples that are so in these ranges."""
    inside = [any(at in each for each in low) for at in range(31)]
    columns = {"time_s": [every_s * at for at in range(31)]}
    columns["core_clock_mhz"] = [1700.0 if at else 1980.0 for at in inside]
    columns["temperature_c"] = [85.0 if at else 70.0 for at in inside]
    found = throttling_of(series_of(columns, seconds=30.0 * every_s, fps=20.0, options=LIMITS))
    return [(item.start_s, item.end_s) for item in found]


def test_falls_of_the_clock_that_lie_near_are_one_and_samples_that_follow_one_another_are_never_two() -> None:
    assert stretches(range(5, 8), range(9, 12)) == [(5.0, 12.0)]
    assert stretches(range(5, 8), range(10, 12)) == [(5.0, 8.0), (10.0, 12.0)]
    assert stretches(range(5, 9), every_s=4.0) == [(20.0, 36.0)]
    assert stretches(range(5, 6)) == [(5.0, 6.0)] and stretches(range(5, 6), every_s=0.9) == []


@pytest.mark.parametrize(("fraction", "words"), [(0.0949, "9.5 %"), (0.004, "0.4 %"), (0.101, "10 %"), (1.0, "100 %")])
def test_a_small_share_of_the_time_has_two_digits(fraction: float, words: str) -> None:
    found = [Throttling(start_s=0.0, end_s=2.0, depth_mhz=50.0, cause="temperature")]
    assert throttled_words(found, fraction).startswith(f"{words} of the time, ")


def falling(
    *, every_s: float, late_s: float = 0.0, low: tuple[float, float] = (20.0, 32.0), seed: int = 1, **low_values: float
) -> FrameSeries:
    """Two minutes in which frames are 12 % longer once a minute, and some quantities other than usual."""
    rng, period_s = np.random.default_rng(seed), 60.0
    times_ms = 8.0 * rng.lognormal(0.0, 0.06, 15000)
    at_s = np.cumsum(times_ms) / 1000.0
    times_ms[(at_s % period_s >= low[0]) & (at_s % period_s < low[1])] *= 1.12
    time_s = np.arange(-every_s, 122.0, every_s)
    is_low = ((time_s - late_s) % period_s >= low[0]) & ((time_s - late_s) % period_s < low[1])
    usual = {"core_clock_mhz": 2500.0, "memory_clock_mhz": 10500.0, "utilization_pct": 97.0, "temperature_c": 81.0}
    columns = {
        key: (np.where(is_low, low_values.get(key, value), value) + rng.normal(0.0, 1.0, time_s.size)).tolist()
        for key, value in usual.items()
    }
    return series_of({"time_s": time_s.tolist(), **columns}, times_ms=times_ms, options=LIMITS)


def messages(series: FrameSeries) -> dict[str, str]:
    assert series.capture is not None
    return {caveat.code: caveat.message for caveat in measure(series.capture, series.options).caveats}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("every_s", "late_s", "low"),
    [(1.0, 0.0, (20.0, 32.0)), (5.0, 0.0, (20.0, 32.0)), (0.1, 3.0, (20.0, 32.0)), (1.0, 1.0, (20.0, 26.0))],
)
def test_a_clock_that_falls_where_frames_get_longer_is_told_with_them(
    every_s: float, late_s: float, low: tuple[float, float], seed: int
) -> None:
    told = messages(falling(every_s=every_s, late_s=late_s, low=low, seed=seed, core_clock_mhz=2200.0))
    match = re.match(
        r"The run has 1\d\.\d % longer .*; the core clock goes from (\d+) to (\d+) MHz\.$", told["level-change"]
    )
    assert match is not None
    assert [int(mhz) for mhz in match.groups()] == pytest.approx([2500, 2200], abs=3)
    assert "throttled" not in told


def test_throttling_is_told_before_the_changes_of_level_that_it_makes() -> None:
    told = messages(falling(every_s=1.0, core_clock_mhz=2200.0, temperature_c=88.0))
    assert [code for code in told if code in ("throttled", "level-change")] == ["throttled", "level-change"]


def test_the_memory_clock_and_a_card_that_waits_are_told_too() -> None:
    told = messages(falling(every_s=1.0, memory_clock_mhz=8000.0, utilization_pct=60.0))["level-change"]
    assert re.match(
        r".*; the memory clock goes from 10\d+ to 8\d+ MHz and the utilization goes from 9\d to \d+ %\.$", told
    )


@pytest.mark.parametrize("low", [{}, {"core_clock_mhz": 2450.0}, {"core_clock_mhz": 2600.0, "utilization_pct": 99.0}])
def test_what_does_not_go_with_the_frames_is_not_told(low: dict[str, float]) -> None:
    assert "goes from" not in messages(falling(every_s=1.0, **low))["level-change"]


def test_a_clock_that_is_read_as_zero_is_not_told_with_the_frames() -> None:
    times_ms = 8.0 * np.random.default_rng(2).lognormal(0.0, 0.04, 15000)
    times_ms[7500:] *= 1.12
    clock = {"time_s": [float(at) for at in range(130)], "core_clock_mhz": [2500.0] * 60 + [0.0] * 70}
    assert "goes from" not in messages(series_of(clock, times_ms=times_ms))["level-change"]


def test_a_clock_that_falls_with_a_drift_is_told_with_it() -> None:
    times_ms = 8.0 * np.random.default_rng(2).lognormal(0.0, 0.04, 20000) * np.linspace(1.0, 1.06, 20000)
    clock = {"time_s": [float(at) for at in range(170)], "core_clock_mhz": np.linspace(2500, 2360, 170).tolist()}
    told = messages(series_of(clock, times_ms=times_ms))["drift"]
    assert re.match(r"The run gets 2\.\d % slower.*; the core clock goes from 249\d to 23[67]\d MHz\.$", told)


@pytest.mark.parametrize(("warm_mhz", "last_mhz", "is_told"), [(2700.0, 2500.0, False), (1700.0, 2400.0, True)])
def test_of_a_drift_after_a_warm_up_the_clock_of_the_warm_up_says_nothing(
    warm_mhz: float, last_mhz: float, is_told: bool
) -> None:
    times_ms = 8.0 * np.random.default_rng(2).lognormal(0.0, 0.04, 12000) * np.linspace(1.0, 1.05, 12000)
    times_ms[:1500] *= 0.8
    at_s = np.arange(102.0)
    clock_mhz = np.where(at_s < 12.0, warm_mhz, 2500.0 + (last_mhz - 2500.0) * (at_s - 12.0) / 90.0)
    told = messages(series_of({"time_s": at_s.tolist(), "core_clock_mhz": clock_mhz.tolist()}, times_ms=times_ms))
    assert "warm-up" in told and ("; the core clock goes from 24" in told["drift"]) is is_told


def test_throttling_without_a_limit_is_not_zero_but_unknown() -> None:
    series = series_of({"time_s": [0.0, 10.0], "core_clock_mhz": [1980.0, 1500.0], "temperature_c": [90.0, 90.0]})
    assert throttling_count(series) == Missing(reason="neither a temperature limit nor a power limit was given")


def test_every_row_says_why_it_is_missing_without_sensors() -> None:
    series = FrameSeries(np.arange(0, 10_000_000_000, 10_000_000), options=LIMITS)
    rows = [row for row in catalog_for(LIMITS).values() if row.group in ("power", "temperature", "clock")]
    assert len(rows) == 17
    for row in rows:
        found = row.compute(series)
        assert isinstance(found, Missing), row.key
        assert found.reason
    assert sensor_caveats(series) == ()


# Laws.

powers = st.lists(st.floats(1.0, 500.0), min_size=2, max_size=30)


@given(powers, st.floats(0.1, 10.0))
@settings(deadline=None, max_examples=60)
def test_power_scales_and_stays_between_its_samples(watts: list[float], factor: float) -> None:
    times_s = np.linspace(-1.0, 12.0, len(watts)).tolist()
    one = value(series_of({"time_s": times_s, "power_w": list(watts)}), "average_power_w")
    many = value(series_of({"time_s": times_s, "power_w": [factor * watt for watt in watts]}), "average_power_w")
    assert isinstance(one, float)
    assert many == pytest.approx(factor * one, rel=1e-9)
    assert min(watts) - 1e-9 <= one <= max(watts) + 1e-9


@given(powers, st.floats(0.5, 9.5))
@settings(deadline=None, max_examples=60)
def test_a_sample_on_the_line_between_two_changes_nothing(watts: list[float], at_s: float) -> None:
    times_s = np.linspace(-1.0, 12.0, len(watts))
    more_s = np.unique(np.append(times_s, at_s))
    before = series_of({"time_s": times_s.tolist(), "power_w": list(watts)})
    after = series_of({"time_s": more_s.tolist(), "power_w": np.interp(more_s, times_s, watts).tolist()})
    assert value(after, "average_power_w") == pytest.approx(value(before, "average_power_w"), rel=1e-7)
    assert value(after, "energy_per_frame_j") == pytest.approx(value(before, "energy_per_frame_j"), rel=1e-7)


@given(powers)
@settings(deadline=None, max_examples=40)
def test_energy_per_frame_is_a_ratio_of_sums(watts: list[float]) -> None:
    """Average power over average rate, and one over the frames of a joule."""
    times_s = np.linspace(-1.0, 12.0, len(watts)).tolist()
    series = series_of({"time_s": times_s, "power_w": list(watts)})
    power_w, energy_j = value(series, "average_power_w"), value(series, "energy_per_frame_j")
    assert isinstance(power_w, float)
    assert isinstance(energy_j, float)
    assert energy_j == pytest.approx(power_w / 100.0, rel=1e-9)
    assert value(series, "frames_per_joule") == pytest.approx(1.0 / energy_j, rel=1e-12)


# Recorded: power integral over frames, by plain numpy from the files.


def plain_energy_j(name: str) -> float:
    ends_ns = np.loadtxt(RECORDED / f"{name}.csv", skiprows=1, dtype=np.int64)
    start = json.loads((RECORDED / f"{name}.json").read_text("utf-8"))["recorded_from_utc"]
    zero_s = datetime.fromisoformat(start).timestamp()
    rows = [line.split(",") for line in (RECORDED / f"{name}.sensors.csv").read_text("utf-8").splitlines()[1:]]
    times_s = np.array([datetime.fromisoformat(row[0]).timestamp() - zero_s for row in rows])
    power_w = np.array([float(row[1]) for row in rows])
    first_s, last_s = ends_ns[0] / 1e9, min(ends_ns[-1] / 1e9, times_s[-1])
    inside = (times_s > first_s) & (times_s < last_s)
    points_s = np.concatenate(([first_s], times_s[inside], [last_s]))
    energy_j = np.sum(
        0.5
        * np.diff(points_s)
        * (np.interp(points_s[1:], times_s, power_w) + np.interp(points_s[:-1], times_s, power_w))
    )
    frames = np.interp(last_s, ends_ns / 1e9, np.arange(ends_ns.size))
    return float(energy_j / frames)


@pytest.mark.parametrize("name", sorted(path.stem for path in RECORDED.glob("*.json")))
def test_energy_per_frame_of_a_recorded_run(name: str) -> None:
    capture = attach_sensors(read_capture(RECORDED / f"{name}.csv"), RECORDED / f"{name}.sensors.csv")
    run = measure(capture)
    value = run.values["energy_per_frame_j"].value
    # The times of the plain computation are float64 seconds since 1970, good to 0.2 µs.
    assert value == pytest.approx(plain_energy_j(name), rel=1e-6)
    power = run.values["average_power_w"].value
    assert power is not None
    if "canyon-2160p" in name:
        assert 120.0 < power < 140.0  # recorded at about 130 W
    assert [caveat.weight for caveat in run.caveats if caveat.code == "sensors-cover-part"] in ([], [Weight.NOTE])


def test_the_heavier_preset_of_canyon_costs_more_energy_a_frame() -> None:
    """It does 15 march steps a frame instead of 14: about 7 % more time a frame, and so more energy.

    The two presets ran on two samples of the accelerator; the second draws about 5 % more power at the same work, which
    is why energy rises by more than time.
    """
    runs = {
        preset: [
            measure(attach_sensors(read_capture(RECORDED / f"{name}.csv"), RECORDED / f"{name}.sensors.csv")).values
            for name in (f"{preset}-canyon-2160p-run{run}" for run in (1, 2, 3))
        ]
        for preset in ("base", "heavy")
    }

    def mean(preset: str, key: str) -> float:
        return float(np.mean([run[key].value for run in runs[preset]]))

    time_ratio = mean("base", "average_fps") / mean("heavy", "average_fps")
    power_ratio = mean("heavy", "average_power_w") / mean("base", "average_power_w")
    energy_ratio = mean("heavy", "energy_per_frame_j") / mean("base", "energy_per_frame_j")
    assert 1.05 < time_ratio < 1.10
    assert 1.0 < power_ratio < 1.08
    assert energy_ratio == pytest.approx(time_ratio * power_ratio, rel=2e-3)


def test_the_caveats_of_the_reader_are_told_with_the_run() -> None:
    series = series_of({"time_s": [0.0, 10.0], "power_w": [100.0, 100.0]})
    assert series.capture is not None
    capture = series.capture
    assert capture.sensors is not None
    caveat = replace(
        sensor_caveats(series_of({"time_s": [2.0, 6.0], "power_w": [1.0, 1.0]}))[0], code="from-the-reader"
    )
    told = replace(capture, sensors=replace(capture.sensors, caveats=(caveat,)))
    assert caveat in measure(told).caveats


def test_a_capture_between_two_samples_has_an_average_but_no_sample_of_its_own() -> None:
    samples = {"time_s": [-5.0, 15.0], "power_w": [100.0, 300.0], "core_clock_mhz": [2000.0, 1800.0]}
    series = series_of(samples | {"temperature_c": [60.0, 80.0]})
    assert value(series, "average_power_w") == pytest.approx(200.0)
    assert value(series, "average_core_clock_mhz") == pytest.approx(1900.0)
    assert value(series, "peak_power_w") == Missing(reason="no power sample lies in the capture")
    assert value(series, "peak_temperature_c") == Missing(reason="no temperature sample lies in the capture")
    assert value(series, "min_core_clock_mhz") == Missing(reason="no core clock sample lies in the capture")
    assert value(series, "core_clock_sd_mhz") == Missing(reason="fewer than two core clock samples lie in the capture")


@pytest.mark.parametrize(("power_w", "fraction"), [(245.0, 1.0), (244.9, 0.0), (245.1, 1.0)])
def test_power_exactly_2_percent_under_its_limit_stands_at_it(power_w: float, fraction: float) -> None:
    # 98 % of the 250 W of LIMITS, as throttling counts it too.
    series = series_of({"time_s": [0.0, 5.0, 10.0], "power_w": [power_w] * 3}, options=LIMITS)
    assert value(series, "time_at_power_limit_fraction") == fraction
