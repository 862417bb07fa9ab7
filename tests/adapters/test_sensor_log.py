"""Sensor logs: dialects, units, clocks, several cards, and everything that can be wrong with them."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.adapters.arrow_columns import arrow_int64
from frametime.adapters.sensor_layout import SensorLayout
from frametime.adapters.sensor_log import SensorOptions, attach_sensors
from frametime.capture import Capture, Conditions, Provenance, SensorTrace
from frametime.errors import FrametimeError, LayoutError, SensorError

UTC_START = "2026-11-25T09:00:00Z"


def capture_of(*, seconds: float = 10.0, start: str | None = None, name: str = "-", start_s: float = 0.0) -> Capture:
    """A capture at 100 fps whose clock begins at ``start_s``."""
    import pyarrow as pa

    stamps_ns = np.arange(round(start_s * 1e9), round((start_s + seconds) * 1e9) + 1, 10_000_000, dtype=np.int64)
    return Capture(
        frames=pa.Table.from_arrays([arrow_int64(stamps_ns)], names=["timestamp_ns"]),
        conditions=Conditions(),
        provenance=Provenance(
            file_name=name,
            sha256="",
            size_bytes=0,
            adapter="test",
            rows_read=stamps_ns.size,
            rows_rejected=0,
            rejected_rows=(),
            layout_toml="",
            evidence=(),
            metadata=MappingProxyType({}),
            recorded_from_utc=start,
        ),
        sensors=None,
        caveats=(),
    )


def attached(text: str | bytes, capture: Capture | None = None, **options: object) -> SensorTrace:
    stream = io.BytesIO(text if isinstance(text, bytes) else text.encode())
    trace = attach_sensors(capture or capture_of(), stream, options=SensorOptions(**options)).sensors
    assert trace is not None
    return trace


def refusal(text: str, capture: Capture | None = None, **options: object) -> str:
    with pytest.raises(SensorError) as caught:
        attached(text, capture, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def column(trace: SensorTrace, name: str) -> list[float | None]:
    return trace.samples.column(name).to_pylist()


def times_s(trace: SensorTrace) -> list[float]:
    return [ns / 1e9 for ns in trace.samples.column("time_ns").to_pylist()]


def codes(trace: SensorTrace) -> set[str]:
    return {caveat.code for caveat in trace.caveats}


def elapsed_log(n: int = 12) -> str:
    return "elapsed_s,power_w,temperature_c\n" + "".join(f"{i},{100 + i}.5,{50 + i}\n" for i in range(n))


# Dialects and units.


def test_an_elapsed_log_is_read_on_the_clock_of_the_capture() -> None:
    trace = attached(elapsed_log())
    assert times_s(trace) == [float(i) for i in range(12)]
    assert column(trace, "power_w")[:2] == [100.5, 101.5]
    assert trace.samples.schema.field("temperature_c").metadata == {b"unit": b"Cel"}
    assert "elapsed time" in trace.alignment
    assert trace.caveats == ()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "time (ms);board power [W];GPU clock [GHz]\n0;120,5;1,98\n6000;121,5;1,95\n12000;119,5;1,9\n",
            (120.5, 1980.0),
        ),
        ("t_s\tpower draw (mW)\tcore frequency (kHz)\n0\t120500\t1980000\n6\t1\t1\n12\t1\t1\n", (120.5, 1980.0)),
        ("elapsed [s],power,core clock\n0,120.50 W,1980 MHz\n6,121 W,1980 MHz\n12,119 W,1980 MHz\n", (120.5, 1980.0)),
        ("elapsed,power,clock\n[s],[W],[MHz]\n0,120.5,1980\n6,121,1980\n12,119,1980\n", (120.5, 1980.0)),
    ],
    ids=["decimal-comma", "milliwatt", "units-in-cells", "units-row"],
)
def test_units_and_dialects(text: str, expected: tuple[float, float]) -> None:
    trace = attached(text)
    assert column(trace, "power_w")[0] == pytest.approx(expected[0], rel=1e-12)
    assert column(trace, "core_clock_mhz")[0] == pytest.approx(expected[1], rel=1e-12)


def test_fahrenheit_and_memory_units_are_converted() -> None:
    # 212 °F is 100 °C by definition; 1 GB is 10**9 / 2**20 MiB.
    trace = attached("elapsed_s,gpu temp (°F),vram used (GB)\n0,212,1\n6,32,2\n12,32,2\n")
    assert column(trace, "temperature_c")[0] == pytest.approx(100.0, abs=1e-9)
    assert column(trace, "memory_used_mib")[0] == pytest.approx(1e9 / 2**20, rel=1e-12)


def test_every_quantity_is_found_by_its_words() -> None:
    header = (
        "elapsed_s,card power [W],power limit [W],gpu temperature [°C],hotspot temperature [°C],core clock [MHz],"
        "memory clock [MHz],gpu usage [%],memory usage [%],fan [rpm],fan speed [%],core voltage [mV],"
        "memory used [MiB]\n"
    )
    rows = "".join(f"{i},120,250,60,75,1980,2600,98,40,1500,45,1010,4096\n" for i in range(12))
    trace = attached(header + rows)
    assert {name: column(trace, name)[0] for name in trace.samples.column_names[1:]} == {
        "power_w": 120.0,
        "temperature_c": 60.0,
        "core_clock_mhz": 1980.0,
        "memory_clock_mhz": 2600.0,
        "utilization_pct": 98.0,
        "fan_rpm": 1500.0,
        "fan_pct": 45.0,
        "voltage_v": 1.01,
        "memory_used_mib": 4096.0,
    }


def test_a_column_without_a_unit_is_not_guessed() -> None:
    trace = attached("elapsed_s,power,temperature_c\n" + "".join(f"{i},120,50\n" for i in range(12)))
    assert "power_w" not in trace.samples.column_names
    (caveat,) = trace.caveats
    assert caveat.code == "sensor-unit-unknown"
    assert 'power_w_unit = "W"' in caveat.message
    layout = SensorLayout.from_toml('power_w = "power"\npower_w_unit = "W"\n', "bench.toml")
    told = attached("elapsed_s,power,temperature_c\n" + "".join(f"{i},120,50\n" for i in range(12)), layout=layout)
    assert column(told, "power_w")[0] == 120.0


def test_two_columns_that_fit_equally_well_are_not_chosen_between() -> None:
    log = "elapsed_s,power a [W],power b [W],temp [C]\n" + "".join(f"{i},120,130,50\n" for i in range(12))
    trace = attached(log)
    assert "power_w" not in trace.samples.column_names
    assert codes(trace) == {"sensor-ambiguous-column"}
    layout = SensorLayout.from_toml('power_w = "power b [W]"\n', "bench.toml")
    told = attached(log, layout=layout)
    assert column(told, "power_w")[0] == 130.0
    assert told.caveats == ()


def test_the_layout_that_was_found_reads_the_log_in_the_same_way() -> None:
    first = attached(elapsed_log())
    layout = SensorLayout.from_toml(first.provenance.layout_toml, "found.toml")
    again = attached(elapsed_log(), layout=layout)
    assert again.samples.equals(first.samples)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('power = "x"\n', "line 1: unknown key 'power'"),
        ('unit = "s"\npower_w_unit = "hp"\n', "line 2: power_w_unit is hp; allowed is one of W, uW, mW, kW"),
        ("power_w = true\n", "line 1: power_w is True"),
        ('time_zone = "Nowhere/Land"\n', "line 1: time_zone: 'Nowhere/Land' is not a time zone"),
        ('unit = "parsec"\n', "line 1: unit"),
        ("power_w =\n", "this is not TOML"),
    ],
)
def test_a_wrong_sensor_layout_is_refused_with_its_line(text: str, message: str) -> None:
    with pytest.raises(LayoutError) as caught:
        SensorLayout.from_toml(text, "bench.toml")
    assert message in str(caught.value)


# Clocks.


def absolute_log(zone: str = "Z", day: str = "2026-11-25", n: int = 14) -> str:
    return "time,power_w\n" + "".join(f"{day}T09:00:{i:02d}.500{zone},{100 + i}\n" for i in range(n))


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


# Several cards.


def many_cards() -> str:
    rows = "".join(f"{i},{card},{base + i}\n" for i in range(12) for card, base in (("front", 100), ("rear", 200)))
    return "elapsed_s,card,power_w\n" + rows


def test_several_cards_in_one_log_must_be_chosen_between() -> None:
    message = refusal(many_cards())
    assert "2 cards: 'front', 'rear'" in message
    assert "--sensor-device" in message
    assert column(attached(many_cards(), device="rear"), "power_w")[:2] == [200.0, 201.0]
    assert "the log holds 'front', 'rear'" in refusal(many_cards(), device="middle")


def test_cards_in_columns_side_by_side() -> None:
    log = "elapsed_s,front power [W],rear power [W]\n" + "".join(f"{i},100,200\n" for i in range(12))
    assert column(attached(log, device="rear"), "power_w")[0] == 200.0


# Bad input.


def test_sensors_that_end_early_are_a_caveat() -> None:
    trace = attached(elapsed_log(6))
    (caveat,) = trace.caveats
    assert caveat.code == "sensors-cover-part"
    assert "50.0 % of the capture (0.0 to 5.0 s of 10.0 s)" in caveat.message
    assert "sensors-cover-part" not in codes(attached(elapsed_log(11)))


def test_a_log_of_the_wrong_day_is_refused_and_says_how_far_off_it_is() -> None:
    message = refusal(absolute_log(day="2026-11-21"), capture_of(start=UTC_START))
    assert "no time in common: it ends 4.0 days before the capture begins" in message
    assert "sensors from 2026-11-21T09:00:00.500000+00:00, capture from 2026-11-25T09:00:00+00:00" in message
    assert "after the capture ends" in refusal(elapsed_log().replace("\n", "\n", 1), capture_of(start_s=-100.0))


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


def test_missing_cells_are_counted_and_not_zero() -> None:
    cells = ["100", "N/A", "nan", "", "104", "[N/A]", "106", "107", "108", "109", "110", "111"]
    trace = attached("elapsed_s,power_w,temperature_c\n" + "".join(f"{i},{cell},50\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w")[:6] == [100.0, None, None, None, 104.0, None]
    assert trace.missing_counts["power_w"] == 4
    assert trace.missing_counts["temperature_c"] == 0
    assert codes(trace) == {"sensor-cells-missing"}


def test_a_unit_that_changes_halfway_is_converted_where_it_is_stated() -> None:
    cells = ["120.5 W"] * 6 + ["120500 mW"] * 6
    trace = attached("elapsed_s,power\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w") == pytest.approx([120.5] * 12)
    assert codes(trace) == {"sensor-unit-mixed"}


def test_a_unit_that_changes_halfway_without_a_word_is_found_by_its_size() -> None:
    cells = ["120.5"] * 6 + ["120500"] * 6
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w") == [120.5] * 6 + [None] * 6
    assert "sensor-out-of-range" in codes(trace)


def test_a_cell_whose_unit_contradicts_its_column_is_no_reading() -> None:
    cells = ["120 W"] * 6 + ["120 mW"] + ["120 W"] * 5
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w")[6] is None
    assert "sensor-cells-unreadable" in codes(trace)


def test_rows_without_a_time_are_left_out_and_counted() -> None:
    rows = [f"{i},100\n" for i in range(12)]
    rows[4] = "?,100\n"
    trace = attached("elapsed_s,power_w\n" + "".join(rows))
    assert trace.provenance.rows_rejected == 1
    assert trace.provenance.rejected_rows[0].line == 6
    assert codes(trace) == {"sensor-rows-rejected"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n2,3\n3,4\n", "no time column is found among 'a', 'b'"),
        ("time,power_w\n1,2\n2,3\n3,4\n", 'time_column = "time"'),
        ("elapsed_s,frames\n1,2\n2,3\n3,4\n", "no column is found that holds power"),
        ("elapsed_s,power_w\n5,100\n5,100\n5,100\n", "no time column"),
        ("start time_s,end time_s,power_w\n0,0.5,1\n1,1.5,1\n2,2.5,1\n", "may each be the time"),
        ("time of day,power_w\n09:43:15,1\n09:43:16,1\n09:43:17,1\n", "times of day without a date"),
    ],
)
def test_what_cannot_be_used_is_refused_with_what_helps(text: str, message: str) -> None:
    assert message in refusal(text)


@pytest.mark.parametrize("text", ["", "\x00" * 100, "\x89PNG\r\n", "elapsed_s,power_w\n", "hello\n"])
def test_no_log_at_all_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(FrametimeError) as caught:
        attached(text)
    assert "\n" not in str(caught.value)


@given(
    st.binary(max_size=300)
    | st.text(st.sampled_from("0123456789.,;\n\"' WCMHz%eE-:T_sptow"), max_size=300).map(str.encode)
)
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    for head in (b"", b"elapsed_s,power_w\n0,100\n1,100\n2,100\n"):
        try:
            attached(head + content)
        except FrametimeError as error:
            assert "\n" not in str(error)


@given(
    st.lists(st.floats(0.0, 2900.0).map(lambda value: round(value, 2)), min_size=3, max_size=40),
    st.sampled_from([(",", "."), (";", ","), ("\t", "."), ("|", ",")]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["\n", "\r\n"]),
)
@settings(max_examples=80, deadline=None)
def test_a_known_series_comes_back_from_any_dialect(
    watts: list[float], marks: tuple[str, str], encoding: str, line_end: str
) -> None:
    delimiter, decimal = marks
    rows = [f"{i / 4:.2f}{delimiter}{watt:.2f}{delimiter}{50 + i % 3}" for i, watt in enumerate(watts)]
    text = line_end.join([delimiter.join(("elapsed [s]", "power [W]", "temperature [°C]")), *rows, ""])
    if decimal == ",":
        text = text.replace(".", ",")
    trace = attached(text.encode(encoding), capture_of(seconds=0.5))
    kept = len(column(trace, "power_w"))
    assert column(trace, "power_w") == watts[:kept]


def test_reading_a_sensor_log_imports_nothing_heavy(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text(elapsed_log(), "utf-8")
    (tmp_path / "f.csv").write_text("time_s\n" + "".join(f"{i / 100}\n" for i in range(1000)), "utf-8")
    code = (
        "import sys; from frametime.adapters.reading import read_capture; "
        "from frametime.adapters.sensor_log import attach_sensors; "
        "attach_sensors(read_capture('f.csv'), 's.csv'); "
        "print(sorted({'pandas', 'polars', 'scipy', 'matplotlib', 'jinja2'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# What would be wrong without a word.


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


def test_a_card_that_the_log_does_not_name_is_refused() -> None:
    text = "elapsed_s,GPU 0 power (W)\n" + "".join(f"{i},120\n" for i in range(12))
    assert "nothing in the log names a card 'gpu 1'" in refusal(text, device="gpu 1")


def test_card_1_is_not_card_10_and_no_column_of_another_card_is_taken() -> None:
    header = "elapsed_s,GPU 1 power (W),GPU 10 power (W),GPU 10 core clock (MHz)\n"
    trace = attached(header + "".join(f"{i},120,200,1980\n" for i in range(12)), device="gpu 1")
    assert trace.samples.column_names == ["time_ns", "power_w"]
    assert column(trace, "power_w")[0] == 120.0


@pytest.mark.parametrize(
    ("name", "cell", "code"),
    [
        ("power (mW)", "120", "sensor-unit-doubtful"),
        ("core clock (MHz)", "1.98", "sensor-unit-doubtful"),
        ("gpu usage (%)", "0.97", "sensor-unit-doubtful"),
        ("core voltage (mV)", "1.05", "sensor-unit-doubtful"),
        ("power (W)", "0", "sensor-zeros"),
        ("gpu temperature (°C)", "0", "sensor-zeros"),
        ("gpu usage (%)", "0", None),
        ("fan (rpm)", "0", None),
        ("power (W)", "120", None),
    ],
)
def test_readings_that_a_card_at_work_hardly_has_are_told(name: str, cell: str, code: str | None) -> None:
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(12)))
    assert codes(trace) == ({code} if code else set())


def test_many_samples_at_each_time_may_be_of_several_cards() -> None:
    trace = attached("elapsed_s,board,power_w\n" + "".join(f"{i},{b},1{b}0\n" for i in range(12) for b in (1, 2)))
    (caveat,) = [caveat for caveat in trace.caveats if caveat.code == "sensor-equal-times"]
    assert "several cards" in caveat.message


def test_twenty_cards_are_several_cards() -> None:
    text = "elapsed_s,gpu,power_w\n" + "".join(f"{i},{g},120\n" for i in range(12) for g in range(20))
    assert "the log holds 20 cards" in refusal(text)


def test_power_at_the_wall_is_not_that_of_the_card() -> None:
    trace = attached("elapsed_s,wall power (W),temperature_c\n" + "".join(f"{i},490,60\n" for i in range(12)))
    assert "power_w" not in trace.samples.column_names


@pytest.mark.parametrize("time", ["25/11/2026 09:00:00", "11/25/2026 09:00", "25.11.2026 09:00:00", "09:00:00 AM"])
def test_a_date_whose_order_would_be_a_guess_is_refused_and_shown(time: str) -> None:
    message = refusal("date;power_w\n" + "".join(f"{time};{100 + i}\n" for i in range(12)), time_zone="UTC")
    assert f"'{time}' is no time that is read" in message
    assert "2026-11-25T09:00:00" in message


@pytest.mark.parametrize(
    ("name", "cell", "quantity", "expected"),
    [
        ("power (uW)", "250000000", "power_w", 250.0),
        ("power [µW]", "250000000", "power_w", 250.0),
        ("gpu temp (degF)", "140", "temperature_c", 60.0),
        ("gpu temp (Fahrenheit)", "140", "temperature_c", 60.0),
    ],
)
def test_more_units_in_names(name: str, cell: str, quantity: str, expected: float) -> None:
    # 140 °F is 60 °C by definition of the scale: (140 - 32) * 5 / 9.
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(12)))
    assert column(trace, quantity)[0] == pytest.approx(expected, rel=1e-12)
