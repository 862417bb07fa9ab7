"""Sensor logs: their clock, and the clock of the capture."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sensor_logs import (
    UTC_START,
    absolute_log,
    attached,
    capture_of,
    codes,
    column,
    elapsed_log,
    refusal,
    times_s,
)

from frametime.adapters.sensors.sensor_log import SensorOptions


def test_absolute_times_are_aligned_to_the_nanosecond() -> None:
    start = "2026-11-25T09:00:01.250000001Z"
    trace = attached(absolute_log(), capture_of(start=start))
    assert trace.samples.column("time_ns").to_pylist()[0] == 500_000_000 - 1_250_000_001
    assert "by absolute time" in trace.alignment
    assert trace.provenance.recorded_from_utc == "2026-11-25T09:00:00.500000+00:00"


def test_an_offset_in_the_dates_counts() -> None:
    one = attached(absolute_log("+02:00"), capture_of(start="2026-11-25T07:00:00Z"))
    two = attached(absolute_log("Z"), capture_of(start=UTC_START))
    assert times_s(one) == times_s(two)


def test_seconds_since_1970_are_absolute() -> None:
    epoch_s = 1795597200  # 2026-11-25T09:00:00Z: 20782 days and 9 hours after 1970-01-01
    log = "unix time (s),power_w\n" + "".join(f"{epoch_s + i},100\n" for i in range(12))
    assert times_s(attached(log, capture_of(start=UTC_START)))[:2] == [0.0, 1.0]


def test_dates_without_a_zone_are_never_guessed() -> None:
    message = refusal(absolute_log(""), capture_of(start=UTC_START))
    assert "name no time zone" in message
    assert "--sensor-zone" in message
    trace = attached(absolute_log(""), capture_of(start="2026-11-25T07:00:00Z"), time_zone="+02:00")
    assert times_s(trace)[0] == 0.5
    west = attached(absolute_log(""), capture_of(start="2026-11-25T14:00:00Z"), time_zone="-05:00")
    assert times_s(west)[0] == 0.5
    named = attached(absolute_log(""), capture_of(start="2026-11-25T08:00:00Z"), time_zone="Europe/Berlin")
    assert times_s(named)[0] == 0.5


def test_a_zone_that_changes_its_offset_within_the_log_is_refused() -> None:
    # Central Europe left summer time on 2026-10-25 at 01:00 UTC.
    log = "time,power_w\n2026-10-25T01:30:00,1\n2026-10-25T01:31:00,1\n2026-10-25T05:00:00,1\n"
    assert "changes its offset" in refusal(log, capture_of(start=UTC_START), time_zone="Europe/Berlin")


def test_absolute_sensors_need_an_absolute_capture_or_an_offset() -> None:
    message = refusal(absolute_log())
    assert "--recorded-from" in message
    assert "--sensor-offset" in message
    assert times_s(attached(absolute_log(), recorded_from=UTC_START))[0] == 0.5
    assert times_s(attached(absolute_log(), offset_s=2.0))[0] == -2.0


def test_a_json_file_beside_the_capture_says_when_it_was_recorded(tmp_path: Path) -> None:
    (tmp_path / "run1.json").write_text(json.dumps({"recorded_from_utc": UTC_START}), "utf-8")
    trace = attached(absolute_log(), capture_of(name=str(tmp_path / "run1.csv.gz")))
    assert times_s(trace)[0] == 0.5
    assert "from run1.json beside the capture" in trace.alignment
    (tmp_path / "run1.json").write_text(json.dumps({"recorded_from_utc": "2026-11-25T09:00:00"}), "utf-8")
    assert "names no time zone" in refusal(absolute_log(), capture_of(name=str(tmp_path / "run1.csv.gz")))
    (tmp_path / "run1.json").write_text("[" * 100_000, "utf-8")
    assert "--recorded-from" in refusal(absolute_log(), capture_of(name=str(tmp_path / "run1.csv.gz")))


def test_the_offset_is_sensor_clock_minus_capture_clock() -> None:
    trace = attached(elapsed_log(), offset_s=0.5)
    assert times_s(trace)[0] == -0.5


def test_an_absolute_capture_with_elapsed_sensors_is_a_caveat() -> None:
    assert "sensor-clocks-assumed" in codes(attached(elapsed_log(), capture_of(start=UTC_START)))


def test_of_an_absolute_and_an_elapsed_time_the_one_that_fits_the_capture_is_used() -> None:
    rows = "".join(f"2026-11-25T09:00:{i:02d}Z,{i + 3},100\n" for i in range(14))
    log = "time_utc,elapsed_s,power_w\n" + rows
    assert times_s(attached(log, capture_of(start=UTC_START)))[0] == 0.0
    assert times_s(attached(log, capture_of(start_s=3.0)))[0] == 3.0


@pytest.mark.parametrize("text", ["2026-11-25T09:00:00", "yesterday", "09:00"])
def test_a_start_that_is_no_absolute_time_is_a_wrong_value(text: str) -> None:
    with pytest.raises(ValueError, match=r"time zone|ISO 8601"):
        SensorOptions(recorded_from=text)


def test_wrong_option_values() -> None:
    with pytest.raises(ValueError, match="offset_s"):
        SensorOptions(offset_s=float("nan"))
    with pytest.raises(ValueError, match="not a time zone"):
        SensorOptions(time_zone="Mars")


def test_a_clock_that_jumps_back_is_refused_with_its_line() -> None:
    times = [0, 1, 2, 3, 4, 5, 0, 1, 2, 3]
    log = "elapsed_s,power_w\n" + "".join(f"{time},100\n" for time in times)
    message = refusal(log)
    assert "line 8" in message
    assert "jumps back by 5 s" in message


def test_a_late_row_is_put_in_order() -> None:
    times = [0.0, 1.0, 2.0, 3.0, 5.0, 4.0, 6.0, 7.0, 8.0, 9.0, 10.0]
    trace = attached("elapsed_s,power_w\n" + "".join(f"{time},{100 + time}\n" for time in times))
    assert times_s(trace) == sorted(times)
    assert column(trace, "power_w") == [100.0 + time for time in sorted(times)]
    assert codes(trace) == {"sensor-order"}


def test_two_samples_at_one_time_are_averaged() -> None:
    trace = attached("elapsed_s,power_w\n0,100\n5,100\n5,110\n10,120\n")
    assert times_s(trace) == [0.0, 5.0, 10.0]
    assert column(trace, "power_w") == [100.0, 105.0, 120.0]
    assert codes(trace) == {"sensor-equal-times"}


@pytest.mark.parametrize(("day", "hour"), [("2026-10-25", "02"), ("2026-03-29", "02")], ids=["twice", "never"])
def test_an_hour_that_comes_twice_or_never_needs_an_offset(day: str, hour: str) -> None:
    # Central European time changes on these days at 01:00 UTC (directive 2000/84/EC, articles 2 and 3).
    text = "time,power_w\n" + "".join(f"{day} {hour}:30:{i:02},{100 + i}\n" for i in range(12))
    start = capture_of(start=f"{day}T00:30:00Z")
    assert "give an offset" in refusal(text, start, time_zone="Europe/Berlin")
    if day == "2026-10-25":
        assert times_s(attached(text, start, time_zone="+02:00"))[0] == 0.0


def test_a_time_of_day_that_passes_midnight_goes_on() -> None:
    times = [f"23:59:{second}" for second in range(54, 60)] + [f"00:00:0{second}" for second in range(6)]
    text = "time,power_w\n" + "".join(f"{time},{100 + i}\n" for i, time in enumerate(times))
    trace = attached(text, offset_s=86_394.0)
    assert times_s(trace) == [float(i) for i in range(12)]
    assert "sensor-midnight" in codes(trace)


@pytest.mark.parametrize("time", ["05/11/2026 09:00:00", "11/05/2026 09:00", "05.11.2026 09:00:00"])
def test_a_date_whose_order_would_be_a_guess_is_refused_and_shown(time: str) -> None:
    message = refusal("date;power_w\n" + "".join(f"{time};{100 + i}\n" for i in range(12)), time_zone="UTC")
    assert f"'{time}' is no time that is read" in message
    assert "2026-11-25T09:00:00" in message
