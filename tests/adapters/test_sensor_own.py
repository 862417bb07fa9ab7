"""Sensors in the columns of the frame log itself."""

from __future__ import annotations

import io

import pytest

from frametime.adapters.reading import read_capture
from frametime.caveats import Weight
from frametime.metrics.measure import measure


def log(header: str, row: str, *, n: int = 200) -> bytes:
    """Frames of 10 ms; ``{i}`` and ``{even}`` stand for numbers of the row."""
    rows = "".join(row.format(t=f"{10 * (i + 1)}", i=i, even=100 + 20 * (i % 2)) + "\n" for i in range(n))
    return f"{header}\n{rows}".encode()


def test_sensors_are_taken_from_columns_with_a_word_and_a_unit() -> None:
    capture = read_capture(io.BytesIO(log("frame,time_ms,board power [W],gpu temp [C],note", "{i},{t},{even},60,7")))
    assert capture.sensors is not None
    samples = capture.sensors.samples
    assert samples.column_names == ["time_ns", "power_w", "temperature_c"]
    assert samples.column("power_w").to_pylist()[:2] == [100.0, 120.0]
    assert samples.column("time_ns").to_pylist() == capture.frames.column("timestamp_ns").to_pylist()
    assert "rows of the frame log" in capture.sensors.alignment
    # 200 samples change between 100 and 120 W in even steps: 110 W on average, at 100 frames a second.
    run = measure(capture)
    assert run.values["average_power_w"].value == pytest.approx(110.0)
    assert run.values["energy_per_frame_j"].value == pytest.approx(1.1)
    assert run.values["peak_temperature_c"].value == 60.0


def test_units_in_the_cells_and_decimal_commas() -> None:
    text = log("frame time (ms);power;core clock", "10,0;{even},5 W;1550 MHz").decode()
    capture = read_capture(io.BytesIO(text.encode()))
    assert capture.sensors is not None
    assert capture.sensors.samples.num_rows == 200
    assert capture.sensors.samples.column("power_w").to_pylist()[:2] == [100.5, 120.5]
    assert capture.sensors.samples.column("core_clock_mhz").to_pylist()[0] == 1550.0


def test_cells_without_a_number_are_counted() -> None:
    content = log("frame,time_ms,power_w", "{i},{t},{even}").replace(b"30,100\n", b"30,N/A\n", 1)
    sensors = read_capture(io.BytesIO(content)).sensors
    assert sensors is not None
    assert sensors.missing_counts == {"power_w": 1}
    assert [caveat.code for caveat in sensors.caveats] == ["sensor-cells-missing"]


@pytest.mark.parametrize(
    "header", ["time_ms,frames", "time_ms,cpu power [W]", "time_ms,power limit [W]", "time_ms,draw_ms"]
)
def test_columns_that_are_no_sensor_of_the_card_are_left_alone(header: str) -> None:
    assert read_capture(io.BytesIO(log(f"frame,{header}", "{i},{t},{even}"))).sensors is None


def test_a_column_without_a_unit_does_not_spoil_the_judgement() -> None:
    capture = read_capture(io.BytesIO(log("frame,time_ms,power,gpu temp [C]", "{i},{t},{even},60")))
    assert capture.sensors is not None
    assert "power_w" in capture.sensors.samples.column_names
    assert [(caveat.code, caveat.weight) for caveat in capture.sensors.caveats] == [
        ("sensor-unit-inferred", Weight.NOTE)
    ]
