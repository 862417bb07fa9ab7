"""Logs of a bench folder as programs and people write them: frames are read right, other logs not taken for them."""

from __future__ import annotations

import io
import random
import shlex
from itertools import accumulate
from pathlib import Path

import numpy as np
import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.file_kind import classify_file
from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_reader import SensorSamples, read_sensor_text
from frametime.caveats import Weight
from frametime.errors import ReadError
from tests.adapters.bench_logs import fixed, table
from tests.cli.run_cli import frametime

_DICE = random.Random(77)
N = 300
MS = [round(_DICE.gauss(8.3, 0.5) + (19.0 if k % 60 == 7 else 0.0), 3) for k in range(N)]
"""Lengths of frames, all with three decimals: ``8,435`` may be 8435."""
ENDS = [*accumulate(MS)]
COUNT = [*range(N)]
TIMES_S = [0.5 * k for k in range(60)]
POWER_W = [round(200.0 + _DICE.gauss(0.0, 3.0), 1) for _ in TIMES_S]
TEMPERATURE_C = [round(60.0 + _DICE.random(), 1) for _ in TIMES_S]


def lengths_ms(content: bytes, options: ReadOptions | None = None) -> list[float]:
    stamps = read_capture(io.BytesIO(content), options=options or ReadOptions()).frames["timestamp_ns"].to_pylist()
    return [float(each) for each in np.diff(stamps) / 1e6]


def sampled(step_s: float, *, header: str = "time_s,power_w,temp_c", jitter: float = 0.0) -> bytes:
    """Rows of a sensor log so far apart, each a little late or early."""
    times = [k * step_s + _DICE.uniform(-jitter, jitter) * step_s for k in range(400)]
    return table(
        header,
        fixed(times, 4),
        [f"{_DICE.gauss(200, 3):.1f}" for _ in times],
        [_DICE.choice((60, 61, 62)) for _ in times],
    )


def written(step: str) -> bytes:
    """A line a sample, as a program logs for people."""
    rows = zip(TIMES_S, POWER_W, TEMPERATURE_C, strict=True)
    return "".join(step.format(t=f"2026-11-02 20:15:{t:06.3f}", p=p, c=c) for t, p, c in rows).encode()


SENSORS = {
    "names with values and units": written("{t} gpu_power={p}W gpu_temp={c}C\n"),
    "units behind a space": written("[{t}] power: {p} W, temperature: {c} C\n"),
    "no units": sampled(0.5, header="time_s,gpu_power,gpu_temp"),
    "a unit alone": sampled(0.5, header="time_s,board (mW),core (°C)"),
    "no units, a row a second": sampled(1.0, header="time,power,temp"),
    "20 rows a second": sampled(0.05),
    "50 rows a second, nearly even": sampled(0.02, jitter=0.015),
    "100 rows a second": sampled(0.01),
}


@pytest.mark.parametrize("name", SENSORS)
def test_a_sensor_log_is_no_frame_log(name: str, tmp_path: Path) -> None:
    path = tmp_path / "log 1.csv"
    path.write_bytes(SENSORS[name])
    assert classify_file(path).kind == "sensors"
    with pytest.raises(ReadError, match="this looks like a sensor log") as caught:
        read_capture(path)
    command = str(caught.value).partition("if each row is a frame,  frametime ")[2].partition("  (")[0]
    assert frametime(*shlex.split(command)).code in (0, 1)


def test_moments_that_nothing_calls_frames_are_told() -> None:
    content = sampled(0.05, jitter=0.2)
    (caveat,) = read_capture(io.BytesIO(content)).caveats
    assert (caveat.code, caveat.weight) == ("reading-inferred", Weight.CARE)
    assert "no name speaks of frames and sensors stand beside it" in caveat.message
    slow = table("time (s),level", fixed([0.111 * k for k in COUNT], 4), [k % 4 + 0.5 for k in COUNT])
    (caveat,) = read_capture(io.BytesIO(slow)).caveats
    assert "no name speaks of frames: rows come 0.111 s apart" in caveat.message
    # Where a name speaks of frames, the game may be as slow and as even.
    frames = content.replace(b"time_s", b"frame end (s)")
    assert read_capture(io.BytesIO(frames)).caveats == ()


def samples_of(content: bytes, options: SensorOptions | None = None) -> SensorSamples:
    return read_sensor_text(io.BytesIO(content), options or SensorOptions(), wants_absolute=False)


def test_a_unit_behind_a_space_is_not_lost() -> None:
    content = written("{t} power: {p} W, temperature: {c} F\n").replace(b" W,", b" mW,")
    values = samples_of(content).values
    assert values["power_w"] == pytest.approx([power / 1000 for power in POWER_W])
    assert values["temperature_c"] == pytest.approx([(each - 32) / 1.8 for each in TEMPERATURE_C])


def test_settings_whose_section_names_their_values_are_refused() -> None:
    """What ``0=118.7`` is stands in the name of the section, which no reader takes for that of a column."""
    rows = "".join(f"{k}={1000 / value:.1f}\n" for k, value in zip(COUNT, MS, strict=True))
    with pytest.raises(ReadError, match="no rows of numbers"):
        lengths_ms(f"[Run]\nscene=lake\n\n[fps]\n{rows}".encode())


@pytest.mark.parametrize("delimiter", [";", ","])
def test_rates_beside_a_counter_without_names_are_asked_for(delimiter: str) -> None:
    rates = fixed([1000 / value for value in MS])
    with pytest.raises(ReadError, match="--unit fps --kind rate"):
        lengths_ms(table(None, COUNT, rates, delimiter=delimiter))
    assert lengths_ms(table(None, COUNT, fixed(MS), delimiter=delimiter)) == pytest.approx(MS)


def test_decimal_commas_beside_a_time_of_day() -> None:
    """As 8435 ms the lengths could not be: only the clock would be left, whatever the numbers mean."""
    clock = [f"20:{int(end) // 60000:02d}:{end / 1000 % 60:09.6f}" for end in ENDS]
    comma = [each.replace(".", ",") for each in fixed(MS)]
    content = table("Datum;Uhrzeit;Bildzeit in ms", ["02.11.2026"] * N, clock, comma, delimiter=";")
    assert lengths_ms(content) == pytest.approx(MS)


def test_seconds_per_frame_are_no_rate(tmp_path: Path) -> None:
    assert lengths_ms(table("seconds_per_frame", fixed(MS, 6, 1e-3))) == pytest.approx(MS)
    # What is called a rate and cannot be one is proposed as lengths, by a command that reads it.
    path = tmp_path / "run.csv"
    path.write_bytes(table("rate (fps)", fixed(MS, 6, 1e-3)))
    with pytest.raises(ReadError, match="in fps, as stated") as caught:
        read_capture(path)
    command = str(caught.value).partition("if it is another,  frametime ")[2].partition("  (")[0]
    assert frametime(*shlex.split(command)).code in (0, 1)


def test_the_time_of_many_frames_is_not_that_of_one() -> None:
    with pytest.raises(ReadError, match=r"'time for 60 frames .ms.' is not understood; if a column is the time of"):
        lengths_ms(table("lap,time for 60 frames (ms)", COUNT, fixed(MS, 3, 60)))


def test_rows_sorted_as_told_are_in_the_order_of_their_numbers() -> None:
    content = table("frame,time (ms)", COUNT[::-1], fixed(ENDS[::-1]))
    capture = read_capture(io.BytesIO(content), options=ReadOptions(sort=True))
    assert [caveat.code for caveat in capture.caveats] == ["rows-sorted"]
    # Of lengths alone the numbers tell in which order they were.
    capture = read_capture(io.BytesIO(table("frame,frame time (ms)", COUNT[::-1], fixed(MS[::-1]))))
    assert [(caveat.code, caveat.weight) for caveat in capture.caveats] == [("rows-sorted", Weight.NOTE)]
    assert np.diff(capture.frames["timestamp_ns"].to_pylist()) / 1e6 == pytest.approx(MS, abs=1e-3)


MOMENTS = [f"2026-11-02T20:15:{second:06.3f}Z" for second in TIMES_S]
NAMED = {"GPU Power": ("W", POWER_W), "GPU Temperature": ("°C", TEMPERATURE_C)}


def one_reading_a_row(header: str, row: str) -> bytes:
    """A sensor log as a data base gives it: each reading in a row of its own, with the name of its sensor."""
    rows = (
        row.format(t=time, s=TIMES_S[k], name=name, key=name.lower().replace(" ", "_"), unit=unit, value=values[k])
        for k, time in enumerate(MOMENTS)
        for name, (unit, values) in NAMED.items()
    )
    return "\n".join([*([header] if header else []), *rows, ""]).encode()


LONG = {
    "time, name, value, unit": ("time,sensor,value,unit", "{t},{name},{value},{unit}"),
    "the unit before the value": ("elapsed (s);sensor;unit;value", "{s};{name};{unit};{value}"),
    "no unit": ("timestamp\tmetric\treading", "{t}\t{key}\t{value}"),
    "the unit behind the value": ("time,sensor,value", "{t},{name},{value} {unit}"),
    "a card and a number beside": ("time,id,card,sensor,value,unit", "{t},7,front,{name},{value},{unit}"),
    "lines of JSON": ("", '{{"at": "{t}", "sensor": "{name}", "value": {value}, "unit": "{unit}"}}'),
}


@pytest.mark.parametrize("name", LONG)
def test_a_sensor_log_of_one_reading_a_row(name: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(one_reading_a_row(*LONG[name]))
    assert classify_file(path).kind == "sensors"
    with pytest.raises(ReadError, match="this looks like a sensor log"):
        read_capture(path)
    samples = read_sensor_text(path, SensorOptions(), wants_absolute=False)
    assert np.diff(samples.ns).tolist() == [500_000_000] * (len(TIMES_S) - 1)
    assert {each: values.tolist() for each, values in samples.values.items()} == {
        "power_w": POWER_W,
        "temperature_c": TEMPERATURE_C,
    }
    assert [caveat.code for caveat in samples.caveats if caveat.weight is not Weight.NOTE] == []


@pytest.mark.parametrize("name", LONG)
def test_a_reading_a_second_is_no_count_of_frames(name: str) -> None:
    """Of ``value`` it was said that it tells of many frames in between."""
    header, row = LONG[name]
    rows = [
        f"{row}\n".format(
            t=f"2026-11-02T20:15:{at:02d}Z", s=at, name=at_name, key=at_name.lower(), unit=unit, value=60 + at % 3
        )
        for at in range(60)
        for at_name, (unit, _) in NAMED.items()
    ]
    with pytest.raises(ReadError, match="this looks like a sensor log: rows come 1 s apart"):
        read_capture(io.BytesIO("".join([*([f"{header}\n"] if header else []), *rows]).encode()))


def test_what_a_sensor_is_of_stands_in_columns_of_its_own() -> None:
    """``GPU``, ``Core``, ``Temperature``: one word alone would put the processor's readings beside the card's."""
    parts = [("GPU", "Core", "Temperature", "°C", TEMPERATURE_C), ("GPU", "Board", "Power", "W", POWER_W)]
    parts += [("CPU", "Core", "Temperature", "°C", [45.0] * 60), ("CPU", "Package", "Power", "W", [80.0] * 60)]
    rows = [f"{t},{a},{b},{c},{v[k]},{u}" for k, t in enumerate(MOMENTS) for a, b, c, u, v in parts]
    values = samples_of("\n".join(["time,hardware,sensor,type,value,unit", *rows, ""]).encode()).values
    assert values["power_w"].tolist() == POWER_W
    assert values["temperature_c"].tolist() == TEMPERATURE_C


def test_more_sensors_than_rows_that_are_looked_at_first(tmp_path: Path) -> None:
    disks = [(f"Disk {number} Temperature", "°C", [30.0] * 60) for number in range(80)]
    parts = [*disks, ("GPU Power", "W", POWER_W), ("GPU Temperature", "°C", TEMPERATURE_C)]
    rows = [f"{time},{name},{v[k]},{unit}" for k, time in enumerate(MOMENTS) for name, unit, v in parts]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["timestamp,name,value,unit", *rows, ""]), "utf-8")
    assert classify_file(path).kind == "sensors"
    values = read_sensor_text(path, SensorOptions(), wants_absolute=False).values
    assert values["power_w"].tolist() == POWER_W
    assert values["temperature_c"].tolist() == TEMPERATURE_C


@pytest.mark.parametrize(
    ("header", "row"),
    [("time,sensor,value,unit\n", "{k},GPU power {k},{k},W\n"), ("", '{{"time": {k}, "GPU power {k} (W)": 100}}\n')],
)
def test_a_name_of_its_own_in_each_row_is_no_column(header: str, row: str) -> None:
    """A table of as many columns as rows would fill the memory."""
    content = header + "".join(row.format(k=k) for k in range(2500))
    with pytest.raises(ReadError, match="2501 columns, at most 2000 are read"):
        samples_of(content.encode())


def test_of_two_cards_in_such_a_log_one_is_chosen() -> None:
    front = one_reading_a_row("time,card,sensor,value,unit", "{t},front,{name},{value},{unit}").decode()
    rear = one_reading_a_row("", "{t},rear,{name},{value}1,{unit}").decode()
    content = (front + rear).encode()
    assert samples_of(content, SensorOptions(device="front")).values["power_w"].tolist() == POWER_W
    assert samples_of(content, SensorOptions(device="rear")).values["power_w"].tolist() == pytest.approx(
        [power + 0.01 for power in POWER_W]
    )


def test_readings_that_a_moment_lacks_or_has_twice() -> None:
    lines = one_reading_a_row(*LONG["time, name, value, unit"]).decode().splitlines(keepends=True)
    # The second sample has no power, the third one twice, and the fourth lacks a cell of it.
    twice = lines[5].replace(str(POWER_W[2]), str(POWER_W[2] + 2))
    content = "".join([*lines[:3], *lines[4:6], twice, lines[6], lines[7].rpartition(",")[0] + "\n", *lines[8:]])
    samples = samples_of(content.encode())
    assert len(samples.ns) == len(TIMES_S) + 1
    assert any(
        f"1 line beside the rows is none of them and left out, from '{MOMENTS[3]}" in c.message for c in samples.caveats
    )
    power = samples.values["power_w"]
    assert np.isnan(power[1])
    assert power[2:4].tolist() == [POWER_W[2], POWER_W[2] + 2]


def test_a_word_beside_each_sample_makes_no_such_log() -> None:
    """``power`` says what held the clock back: the number is that of a column with a name of its own."""
    content = table(
        "time_s,gpu_power,limit", TIMES_S, POWER_W, ["power" if k % 2 else "thermal" for k in range(len(TIMES_S))]
    )
    assert samples_of(content).values["power_w"].tolist() == POWER_W


@pytest.mark.parametrize("name", ["gpu ms", "cpu_ms", "GPU (ms)"])
def test_the_work_of_a_chip_alone_is_no_time_of_frames(name: str) -> None:
    """A card that waits works less than a frame lasts: the average would be too high, and nothing would say so."""
    with pytest.raises(ReadError, match="no column says that it is a time of whole frames"):
        lengths_ms(table(name, fixed(MS)))


def test_frames_whose_newest_stands_first_are_no_sensor_log(tmp_path: Path) -> None:
    """A plan passed them over in silence; they are read from the last row up."""
    path = tmp_path / "run.csv"
    fast = fixed([1000 / each for each in MS])
    path.write_bytes(table("time (s),fps,temp (C)", fixed(ENDS[::-1], 6, 1e-3), fast, [60 + k // 100 for k in COUNT]))
    assert classify_file(path).kind == "frames"
    capture = read_capture(path)
    assert np.diff(capture.frames["timestamp_ns"].to_pylist()) / 1e6 == pytest.approx(MS[1:], abs=2e-3)
    times = fixed(TIMES_S[::-1])
    path.write_bytes(table("time (s),power (W),temp (C)", times, POWER_W, TEMPERATURE_C))
    assert classify_file(path).kind == "sensors"
