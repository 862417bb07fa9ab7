"""Sensor logs with faults: what is told, and what is refused."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
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

from frametime.adapters.sensors import sensor_reader
from frametime.adapters.sensors.sensor_log import SensorLayout, SensorOptions
from frametime.adapters.sensors.sensor_trace import attach_sensors
from frametime.errors import FrametimeError, ReadError


def test_sensors_that_end_early_are_a_caveat() -> None:
    trace = attached(elapsed_log(6))
    (caveat,) = told(trace)
    assert caveat.code == "sensors-cover-part"
    assert "50.0 % of the capture (0.0 to 5.0 s of 10.0 s)" in caveat.message
    assert "sensors-cover-part" not in codes(attached(elapsed_log(11)))


def test_a_log_of_the_wrong_day_is_refused_and_says_how_far_off_it_is() -> None:
    message = refusal(absolute_log(day="2026-11-21"), capture_of(start=UTC_START))
    assert "the log ends 4.0 days before the capture;" in message
    assert "in UTC the sensors start at 2026-11-21T09:00:00, the capture at 2026-11-25T09:00:00" in message
    assert "the log starts 90.0 s after the capture;" in refusal(elapsed_log(), capture_of(start_s=-100.0))


def test_missing_cells_are_counted_and_not_zero() -> None:
    cells = ["100", "N/A", "nan", "", "104", "[N/A]", "106", "107", "108", "109", "110", "111"]
    trace = attached("elapsed_s,power_w,temperature_c\n" + "".join(f"{i},{cell},50\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w")[:6] == [100.0, None, None, None, 104.0, None]
    assert trace.missing_counts["power_w"] == 4
    assert trace.missing_counts["temperature_c"] == 0
    assert codes(trace) == {"sensor-cells-missing"}


def test_a_header_that_lacks_a_name_is_refused() -> None:
    rows = "".join(f"{second},{100 + second % 7},{60 + second % 3}\n" for second in range(12))
    assert "line 1: 2 names, but 3 cells in the rows below" in refusal(f"elapsed_s,power_w\n{rows}")


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
        ("time,power_w\n1,2\n1.02,3\n1.04,4\n", 'time_column = "time"'),
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


def test_reading_a_sensor_log_imports_nothing_heavy(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text(elapsed_log(), "utf-8")
    (tmp_path / "f.csv").write_text("time_s\n" + "".join(f"{i / 100}\n" for i in range(1000)), "utf-8")
    code = (
        "import sys; from frametime.adapters.reading import read_capture; "
        "from frametime.adapters.sensors.sensor_trace import attach_sensors; "
        "attach_sensors(read_capture('f.csv'), 's.csv'); "
        "print(sorted({'pandas', 'polars', 'scipy', 'matplotlib', 'jinja2'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# Lines and cells that were left out.


@pytest.mark.parametrize("surplus", [",7", ",50,60"])
def test_surplus_cells_are_told_with_their_line(surplus: str) -> None:
    rows = [f"{i},100,50\n" for i in range(12)]
    rows[4] = f"4,100,50{surplus}\n"
    trace = attached("elapsed_s,power_w,temperature_c\n" + "".join(rows))
    assert trace.samples.num_rows == 12
    (caveat,) = told(trace)
    assert caveat.code == "sensor-surplus-cells"
    assert "Sensor log: 1 row has more cells than the header, first in line 6" in caveat.message


@pytest.mark.parametrize("n", [12, 3000])
@pytest.mark.parametrize("footer", ["Min,90\nMax,110\nAvg,100\n", "\nMin:,90,\nMax:,110,\nAvg:,100,\n"])
def test_statistics_below_the_samples_are_told(n: int, footer: str) -> None:
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i * 12 / n},100\n" for i in range(n)) + footer)
    (caveat,) = told(trace)
    assert caveat.code == "sensor-footer"
    assert "Sensor log: 3 lines after the rows are none of them and left out, from 'Min" in caveat.message


@pytest.mark.parametrize("quotes", [(7,), (7000,), (7000, 9000), (7000, 7001), (29_999 - 40,)])
@pytest.mark.parametrize("cells", ['{t},"100,50', '{t},100,"50', '"{t},100,50'])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_an_open_quote_swallows_no_rows(quotes: tuple[int, ...], cells: str, end: str) -> None:
    rows = [f"{i / 100:.2f},100,50" for i in range(30_000)]
    for row in quotes:
        rows[row] = cells.format(t=f"{row / 100:.2f}")
    text = end.join(("elapsed_s,power_w,temperature_c", *rows))
    with pytest.raises(FrametimeError, match=f"line {quotes[0] + 2}: a cell opens a quote") as caught:
        attached(text, capture_of(seconds=299.0))
    assert "\n" not in str(caught.value)


def test_quotes_that_close_and_quotes_within_a_text_are_no_fault() -> None:
    notes = ['"a, b"', '24" wide', '"two\nlines"', '"a, b, c\nd, e, f"', '""', '"he said ""no"""', "x"]
    text = "elapsed_s,power_w,note\n" + "".join(f"{i},{100 + i},{notes[i % 7]}\n" for i in range(12))
    trace = attached(text)
    assert column(trace, "power_w") == [100.0 + i for i in range(12)]
    assert told(trace) == ()


def test_zero_bytes_are_told_or_refused() -> None:
    rows = [f"{i / 100},100\n" for i in range(1200)]
    held = attached("elapsed_s,power_w\n" + "".join([*rows[:700], "7.0,\0\n", *rows[701:]]))
    assert "1 zero byte stands among the rows, from line 702 on" in held.caveats[0].message
    padded = attached("elapsed_s,power_w\n" + "".join(rows) + "\0" * 512)
    assert codes(padded) == {"sensor-zero-bytes-at-end"}
    for text in ("elapsed_s,pow\0er_w\n" + "".join(rows), "elapsed_s,power_w\n0,\0\n" + "".join(rows)):
        with pytest.raises(FrametimeError, match=r"line [12]: a zero byte stands in the names or in the first rows"):
            attached(text)


@pytest.mark.parametrize("quantity", ["power_w", "temperature_c"])
def test_a_hole_within_the_capture_is_told_whatever_the_log_holds(quantity: str) -> None:
    text = f"elapsed_s,{quantity}\n" + "".join(f"{i / 10},60\n" for i in range(120) if not 40 < i < 70)
    (caveat,) = told(attached(text))
    assert caveat.code == "sensor-gap"
    assert "no sample from 4.0 to 7.0 s of the capture (usual step 0.10 s)" in caveat.message
    # Before the capture begins, and for less than two seconds, it is no hole in the capture.
    assert told(attached(text, capture_of(seconds=4.0, start_s=7.0))) == ()
    assert told(attached(text, capture_of(seconds=5.0, start_s=5.5))) == ()


# Refusals that say what is wrong.


def test_one_row_is_no_log() -> None:
    assert "there is one row of readings, two are needed" in refusal("elapsed_s,power_w\n0,100\n")


@pytest.mark.parametrize("rows", [["{i}\n"], ["{i},100\n", "{i}\n"]])
def test_rows_of_one_cell_are_no_log(rows: list[str]) -> None:
    message = refusal("elapsed_s,power_w\n" + "".join(rows[i % len(rows)].format(i=i) for i in range(12)))
    assert "no delimiter parts the rows into a time and readings, although the line above them is 'elapsed_s" in message


@pytest.mark.parametrize(
    "word", ["Not Supported", "[not available]", "n.a.", "(none)", "<missing>", "{ NA }", "[]", "[[N/A]]"]
)
@pytest.mark.parametrize("missing", [range(5), range(0, 12, 3), range(12)], ids=["first", "some", "all"])
@pytest.mark.parametrize("reading", ["100", "120.5"])
def test_a_reading_that_is_not_supported_is_missing(word: str, missing: range, reading: str) -> None:
    cells = [word if i in missing else reading for i in range(12)]
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w") == [None if i in missing else float(reading) for i in range(12)]
    assert codes(trace) == {"sensor-cells-missing"}


@pytest.mark.parametrize("form", ["parquet", "arrow", "jsonl", "json"])
def test_tables_and_json_lines_are_sensor_logs_too(form: str) -> None:
    times = [f"2026-11-25T09:00:{i:02d}Z" for i in range(12)]
    table = pa.table({"time": times, "power_w": [100.0 + i for i in range(12)]})
    held = io.BytesIO()
    if form == "parquet":
        pq.write_table(table, held)
    elif form == "arrow":
        with pa.ipc.new_file(held, table.schema) as writer:
            writer.write_table(table)
    elif form == "json":
        held.write(json.dumps(table.to_pylist()).encode())
    else:
        held.write("".join(f"{json.dumps(row)}\n" for row in table.to_pylist()).encode())
    trace = attached(held.getvalue(), capture_of(start=UTC_START))
    assert column(trace, "power_w")[:2] == [100.0, 101.0]
    assert times_s(trace)[:2] == [0.0, 1.0]


def test_times_of_a_parquet_table_need_no_text() -> None:
    start = datetime(2026, 11, 25, 9, tzinfo=UTC)
    table = pa.table({"when": [start + timedelta(seconds=0.5 * i) for i in range(30)], "power_w": [100.0] * 30})
    held = io.BytesIO()
    pq.write_table(table, held)
    assert times_s(attached(held.getvalue(), capture_of(start=UTC_START)))[:2] == [0.0, 0.5]


def test_a_parquet_table_that_is_damaged_is_refused() -> None:
    with pytest.raises(ReadError, match="the Arrow or Parquet data are damaged"):
        attached("PAR1 and nothing more")


def test_a_log_that_runs_share_is_read_once_while_it_stays_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []

    class Counted(sensor_reader._SensorLog):
        def __init__(self, *given: Any) -> None:
            read.append(given[0].name)
            super().__init__(*given)

    monkeypatch.setattr(sensor_reader, "_SensorLog", Counted)
    path = tmp_path / "evening.csv"
    path.write_text(elapsed_log(), encoding="utf-8")
    first = attach_sensors(capture_of(), path)
    again = attach_sensors(capture_of(), path)
    assert len(read) == 1
    assert again.sensors is not None and first.sensors is not None
    assert again.sensors.samples.equals(first.sensors.samples)
    attach_sensors(capture_of(), path, options=SensorOptions(layout=SensorLayout(columns={"power_w": "power_w"})))
    attach_sensors(capture_of(), path)
    assert len(read) == 3
    path.write_text(elapsed_log() + "99,100,60\n", encoding="utf-8")
    attach_sensors(capture_of(), path)
    assert len(read) == 4
    for _ in range(2):
        attach_sensors(capture_of(), io.BytesIO(elapsed_log().encode()))
    assert len(read) == 6
