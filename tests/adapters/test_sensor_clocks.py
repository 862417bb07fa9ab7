"""Sensor logs: their clock, and the clock of the capture."""

from __future__ import annotations

import json
import os
import time
from datetime import datetime, timedelta
from pathlib import Path

import made_captures
import numpy as np
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
    told,
)

from frametime.adapters.capture_start import sidecar_of, stated_start
from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_trace import seen_load
from frametime.caveats import Weight


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


def test_dates_without_a_zone_are_local_times_of_the_machine_where_the_capture_is_in_utc(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TZ", "XYZ-3:30")  # three and a half hours east of UTC, in the notation of POSIX
    time.tzset()
    try:
        trace = attached(absolute_log(""), capture_of(start="2026-11-25T05:30:00Z"))
    finally:
        monkeypatch.undo()
        time.tzset()
    assert times_s(trace)[0] == 0.5
    (note,) = [caveat for caveat in told(trace) if caveat.code == "sensor-local-time"]
    assert "UTC+03:30" in note.message


def test_dates_without_a_zone_need_none_where_those_of_the_capture_name_none_either() -> None:
    capture = made_captures.capture_of(
        np.arange(0, 10_000_000_000, 10_000_000, dtype=np.int64),
        metadata={"recorded_from_local": "2026-11-25T09:00:00"},
    )
    trace = attached(absolute_log(""), capture)
    assert times_s(trace)[0] == 0.5
    assert "sensor-local-time" not in codes(trace)


@pytest.mark.parametrize(
    ("line", "is_start"),
    [
        ("Recorded: 2026-11-25 09:00:00", True),
        ("# Start of capture: 2026-11-25T09:00:00", True),
        ("Aufgenommen;2026-11-25 09:00:00", True),
        ("Recorded: 2026-11-25", False),
        ("Driver from: 2026-11-25 09:00:00", False),
    ],
)
def test_a_line_above_the_frames_says_when_they_were_recorded(line: str, is_start: bool, tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text(f"{line}\nframe;frame time (ms)\n" + "".join(f"{n};10.0\n" for n in range(900)), encoding="utf-8")
    start = stated_start(read_capture(path).provenance, None)
    assert (start is not None) == is_start
    if start is not None:
        assert start.kind == "zoneless" and "above the frames" in start.words and start.doubt_s == 1.0
        assert times_s(attached(absolute_log(""), read_capture(path)))[0] == 0.5


def test_the_zone_that_is_given_counts() -> None:
    trace = attached(absolute_log(""), capture_of(start="2026-11-25T07:00:00Z"), time_zone="+02:00")
    assert times_s(trace)[0] == 0.5
    west = attached(absolute_log(""), capture_of(start="2026-11-25T14:00:00Z"), time_zone="-05:00")
    assert times_s(west)[0] == 0.5
    named = attached(absolute_log(""), capture_of(start="2026-11-25T08:00:00Z"), time_zone="Europe/Berlin")
    assert times_s(named)[0] == 0.5


def test_a_log_goes_on_over_the_end_of_summer_time() -> None:
    # Central Europe left summer time on 2026-10-25 at 01:00 UTC: 02:59:59 is followed by 02:00:00.
    clocks = [f"02:59:{second}" for second in range(55, 60)] + [f"02:00:{second:02d}" for second in range(10)]
    log = "time,power_w\n" + "".join(f"2026-10-25T{clock},{100 + i}\n" for i, clock in enumerate(clocks))
    trace = attached(log, capture_of(start="2026-10-25T00:59:55Z"), time_zone="Europe/Berlin")
    assert times_s(trace) == [float(i) for i in range(13)]
    assert codes(trace) == set()


def test_absolute_sensors_need_an_absolute_capture_or_an_offset() -> None:
    message = refusal(absolute_log(n=40))
    assert "--recorded-from" in message
    assert "recorded_from" in message
    assert "--sensor-offset" in message
    assert times_s(attached(absolute_log(), recorded_from=UTC_START))[0] == 0.5
    assert times_s(attached(absolute_log(), offset_s=2.0))[0] == -2.0


@pytest.mark.parametrize("ending", [".csv", ".tab", ".out", ".pq", ".csv.gz", ".arrows.zst", ""])
def test_a_log_of_every_ending_has_the_json_file_of_its_name_beside_it(ending: str) -> None:
    assert sidecar_of(f"runs/run1{ending}") == Path("runs/run1.json")


def test_a_json_file_beside_the_capture_says_when_it_was_recorded(tmp_path: Path) -> None:
    (tmp_path / "run1.json").write_text(json.dumps({"recorded_from_utc": UTC_START}), "utf-8")
    trace = attached(absolute_log(), capture_of(name=str(tmp_path / "run1.csv.gz")))
    assert times_s(trace)[0] == 0.5
    assert "from run1.json beside the capture" in trace.alignment
    (tmp_path / "run1.json").write_text(json.dumps({"recorded_from_utc": "2026-11-25T09:00:00"}), "utf-8")
    local = attached(absolute_log(""), capture_of(name=str(tmp_path / "run1.csv.gz")))
    assert times_s(local)[0] == 0.5
    (tmp_path / "run1.json").write_text(json.dumps({"recorded_from_utc": "yesterday"}), "utf-8")
    assert "run1.json: recorded_from_utc" in refusal(absolute_log(), capture_of(name=str(tmp_path / "run1.csv.gz")))
    (tmp_path / "run1.json").write_text("[" * 100_000, "utf-8")
    assert "--recorded-from" in refusal(absolute_log(n=40), capture_of(name=str(tmp_path / "run1.csv.gz")))


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


@pytest.mark.parametrize("text", ["2026-11-25T29:00:00", "yesterday", "09:00"])
def test_a_start_that_is_no_absolute_time_is_a_wrong_value(text: str) -> None:
    with pytest.raises(ValueError, match="ISO 8601"):
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


def test_a_row_that_comes_late_at_midnight_is_of_its_own_day() -> None:
    seconds = [86_394, 86_395, 86_396, 86_398, 86_399, 86_400, 86_397, 86_401, 86_402]
    clocks = [f"{second // 3600 % 24:02d}:{second // 60 % 60:02d}:{second % 60:02d}" for second in seconds]
    text = "time,power_w\n" + "".join(f"{clock},{100 + i}\n" for i, clock in enumerate(clocks))
    trace = attached(text, offset_s=86_394.0)
    assert times_s(trace) == [float(second - 86_394) for second in sorted(seconds)]
    assert {"sensor-midnight", "sensor-order"} <= codes(trace)


@pytest.mark.parametrize(
    "first",
    [
        "25/11/2026 09:00:{:02d}",
        "11/25/2026 09:00:{:02d}",
        "25.11.2026 09:00:{:02d},000",
        "2026/11/25 09:00:{:02d}.000",
        "2026.11.25T9:00:{:02d}",
        "25/11/2026 9:00:{:02d} AM",
    ],
)
def test_dates_of_which_one_reading_is_left_are_read(first: str) -> None:
    text = "date;power_w\n" + "".join(f"{first.format(i)};{100 + i}\n" for i in range(12))
    assert times_s(attached(text, capture_of(start=UTC_START), time_zone="UTC"))[:2] == [0.0, 1.0]


@pytest.mark.parametrize(("date", "clock"), [("25.11.2026", "09:00:{:02d}"), ("2026-11-25", "9:00:{:02d} AM")])
def test_a_date_with_the_time_in_the_next_column(date: str, clock: str) -> None:
    text = "date;time;power_w\n" + "".join(f"{date};{clock.format(i)};{100 + i}\n" for i in range(12))
    assert times_s(attached(text, capture_of(start=UTC_START), time_zone="UTC"))[:2] == [0.0, 1.0]


def test_a_date_of_two_readings_is_told_by_the_capture_or_refused_with_both() -> None:
    text = "date;power_w\n" + "".join(f"02/01/2026 09:00:{i:02d};{100 + i}\n" for i in range(40))
    for day in ("2026-01-02", "2026-02-01"):
        trace = attached(text, capture_of(start=f"{day}T09:00:00Z"), time_zone="UTC")
        assert times_s(trace)[0] == 0.0
        assert "sensor-date-order" in codes(trace)
    message = refusal(text, capture_of(start="2026-05-05T09:00:00Z"), time_zone="UTC")
    assert "2026-01-02 or 2026-02-01" in message


def test_dates_that_pass_midnight_tell_the_day_by_their_course() -> None:
    clocks = [("01/02/2026", f"23:59:{i}") for i in range(50, 60)] + [
        ("02/02/2026", f"00:00:{i:02d}") for i in range(9)
    ]
    text = "date;power_w\n" + "".join(f"{date} {clock};{100 + i}\n" for i, (date, clock) in enumerate(clocks))
    trace = attached(text, capture_of(start="2026-02-01T23:59:55Z"), time_zone="UTC")
    assert times_s(trace)[2] == 0.0


def test_a_clock_in_disorder_is_refused_for_what_it_is() -> None:
    times = [0, 5, 1, 9, 2, 8, 3, 7, 4, 6, 10, 11]
    message = refusal("elapsed_s,power_w\n" + "".join(f"{t},100\n" for t in times))
    assert "jumps back" in message
    assert "no time column" not in message


def test_the_name_of_a_file_says_when_it_was_recorded() -> None:
    for name in ("lake_2026-11-25_09-00-00.csv", "lake 20261125-090000.csv", "2026.11.25 at 09.00.00 lake.csv"):
        trace = attached(absolute_log(""), capture_of(name=f"/nowhere/{name}"))
        assert times_s(trace)[0] == 0.5
        assert trace.clock_doubt_s == 1.0
        assert "from the name" in trace.alignment


def rising_log(*, idle_s: int, load_s: int, after_s: int, zone: str = "Z", day: str = "2026-11-25") -> str:
    powers = [20.0] * idle_s + [200.0] * load_s + [20.0] * after_s
    return "time,power_w\n" + "".join(
        f"{day}T09:{i // 60:02d}:{i % 60:02d}{zone},{power}\n" for i, power in enumerate(powers)
    )


def test_the_last_change_of_a_file_is_the_end_of_its_capture_where_the_load_agrees(tmp_path: Path) -> None:
    path = tmp_path / "run1.csv"
    path.write_text("frame_time_ms\n10\n", "utf-8")
    begun_s = 1795597200 + 20  # 2026-11-25T09:00:20Z
    os.utime(path, (begun_s + 10, begun_s + 10))
    trace = attached(rising_log(idle_s=20, load_s=10, after_s=20), capture_of(name=str(path)))
    assert column(trace, "power_w")[times_s(trace).index(0.0) :][:10] == [200.0] * 10
    (caveat,) = told(trace)
    assert (caveat.code, caveat.weight) == ("sensor-clocks-guessed", Weight.CARE)
    assert "last change of its file" in caveat.message


def test_a_last_change_that_the_load_contradicts_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "run1.csv"
    path.write_text("frame_time_ms\n10\n", "utf-8")
    os.utime(path, (1795597215, 1795597215))
    trace = attached(rising_log(idle_s=20, load_s=11, after_s=20), capture_of(name=str(path)))
    assert "by the load" in trace.alignment
    twice = (
        rising_log(idle_s=20, load_s=11, after_s=20)
        + rising_log(idle_s=20, load_s=11, after_s=20, day="2026-11-26").partition("\n")[2]
    )
    assert "its load does not begin and end with the capture" in refusal(twice, capture_of(name=str(path)))


@pytest.mark.parametrize("late_s", [0, 5])
@pytest.mark.parametrize("load_w", [60.0, 80.0])
def test_a_light_scene_beside_heavy_ones_is_told_from_waiting(load_w: float, late_s: int, tmp_path: Path) -> None:
    """In one log of an evening: what a card takes in heavy scenes says nothing of how it works in a light one."""
    path = tmp_path / "run1.csv"
    path.write_text("frame_time_ms\n10\n", "utf-8")
    powers = ([20.0] * 10 + [load_w] * 11) * 3 + ([20.0] * 10 + [200.0] * 11) * 4
    log = "time,power_w\n" + "".join(f"2026-11-25T09:{i // 60:02d}:{i % 60:02d}Z,{w}\n" for i, w in enumerate(powers))
    ended_s = 1795597200 + 10 + 10 + late_s
    os.utime(path, (ended_s, ended_s))
    for is_shared in (True, False):
        if late_s:
            assert "its load does not begin and end" in refusal(log, capture_of(name=str(path)), is_shared=is_shared)
        else:
            trace = attached(log, capture_of(name=str(path)), is_shared=is_shared)
            assert column(trace, "power_w")[times_s(trace).index(0.0) :][:10] == [load_w] * 10


def test_light_work_after_a_capture_says_nothing_against_it() -> None:
    """What a card works at is told by the samples of the capture: a film in the evening lies between it and waiting."""
    times = np.arange(-30.0, 131.0)
    power_w = np.select([times < 0.0, times <= 30.0], [20.0, 200.0], 80.0)
    assert seen_load(times, {"power_w": power_w}, 30.0).state == "confirmed"


def test_two_elapsed_clocks_are_held_against_the_load() -> None:
    def log(idle_s: int) -> str:
        powers = [20.0] * idle_s * 2 + [200.0] * 30
        return "elapsed_s,power_w\n" + "".join(f"{0.5 * i - 2.0},{power}\n" for i, power in enumerate(powers))

    confirmed = attached(log(2))
    assert confirmed.clock_doubt_s == 0.0
    assert "confirms it" in confirmed.caveats[-1].message
    early = attached(log(5))
    assert early.caveats[-1].weight is Weight.CARE
    assert "--sensor-offset 3.0" in early.caveats[-1].message
    assert early.clock_doubt_s == pytest.approx(3.0)
    assert attached(log(0)).clock_doubt_s == 1.0


def test_single_samples_that_come_late_are_put_in_order() -> None:
    times = [float(i) for i in range(60)]
    times.insert(36, times.pop(30))
    trace = attached("elapsed_s,power_w\n" + "".join(f"{t},{100 + t}\n" for t in times), capture_of(seconds=50.0))
    assert codes(trace) == {"sensor-order"}
    assert column(trace, "power_w")[:50] == [100.0 + i for i in range(50)]


@pytest.mark.parametrize("clock", ["09:00:{:02d}", "9:00:{:02d} AM", "09:00:{:02d}.000"])
def test_times_of_day_are_of_the_day_of_the_capture(clock: str) -> None:
    text = "time,power_w\n" + "".join(f"{clock.format(i)},{100 + i}\n" for i in range(40))
    trace = attached(text, capture_of(start="2026-11-25T08:00:03Z"), time_zone="Europe/Berlin")
    assert column(trace, "power_w")[times_s(trace).index(0.0)] == 103.0
    assert "nothing says when" in refusal(text)


def test_times_of_day_around_midnight_are_of_two_days() -> None:
    clocks = [f"23:59:{second}" for second in range(50, 60)] + [f"00:00:{second:02d}" for second in range(20)]
    text = "time,power_w\n" + "".join(f"{clock},{100 + i}\n" for i, clock in enumerate(clocks))
    for start, first in (("2026-11-25T23:59:55Z", 5), ("2026-11-26T00:00:05Z", 15)):
        trace = attached(text, capture_of(start=start), time_zone="UTC")
        assert column(trace, "power_w")[times_s(trace).index(0.0)] == 100.0 + first


@pytest.mark.parametrize(
    "form",
    [
        "%d %b %Y %H:%M:%S", "%d-%b-%y %H:%M:%S", "%b %d, %Y %I:%M:%S %p", "%d. %B %Y %H:%M:%S", "%d.%m.%Y %H.%M.%S",
        "%m/%d/%Y %I:%M:%S\u202f%p", "%d/%m/%Y %I:%M:%S\u00a0%p.", "%Y.%m.%d. %H:%M:%S", "%Y-%m-%d %Hh%Mm%Ss",
        "%Y%m%d%H%M%S", "%Y-%m-%d %H:%M:%S:000", "%Y/%m/%d 上午 %I:%M:%S",
    ],
)  # fmt: skip
def test_dates_as_locales_write_them(form: str) -> None:
    start = datetime(2026, 11, 25, 9, 0)
    stamps = [(start + timedelta(seconds=i)).strftime(form) for i in range(12)]
    log = "time;gpu power (W)\n" + "".join(f"{stamp};{100 + i}\n" for i, stamp in enumerate(stamps))
    trace = attached(log, capture_of(start="2026-11-25T09:00:02"))
    assert times_s(trace)[:3] == [-2.0, -1.0, 0.0]
    assert column(trace, "power_w")[:3] == [100.0, 101.0, 102.0]


def test_the_day_of_dates_with_names_of_months_beside_times_of_day_counts() -> None:
    log = "Date,Time,gpu power (W)\n" + "".join(f"24-Nov-2026,09:00:{i:02d},{100 + i}\n" for i in range(12))
    assert "the log ends 24.0 h before the capture" in refusal(log, capture_of(start="2026-11-25T09:00:02"))
