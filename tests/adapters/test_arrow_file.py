"""Arrow IPC and Parquet: written and read back equal; tables of others by the same evidence; damage in one line."""

from __future__ import annotations

import io
import json
import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from frametime.adapters.arrow.arrow_file import write_capture
from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.file_kind import METADATA_KEY
from frametime.adapters.reading import read_capture
from frametime.capture import Capture, Conditions, SensorTrace
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, OutputError, ReadError

STAMPS = np.cumsum(np.full(100, 16_666_667, dtype=np.int64))
ENDINGS = (".arrow", ".parquet")


def text_capture() -> Capture:
    lines = ["# card: invented", "time (ms),frame time (ms),GPU work (ms),dropped"]
    lines += [f"{16.5 * (i + 1):.3f},{16.5:.3f},{'' if i == 3 else 9.25},{int(i == 9)}" for i in range(50)]
    lines[20] = "broken" + lines[20][6:]
    return read_capture(
        io.BytesIO("\n".join(lines).encode()),
        options=ReadOptions(skip_start_s=0.1),
        conditions=Conditions(card="one", run="3"),
    )


def with_sensors(capture: Capture) -> Capture:
    samples = pa.table(
        {"time_ns": pa.array([0, 10**9, 2 * 10**9]), "power_w": pa.array([100.5, None, 120.0])},
    )
    schema = pa.schema(
        [
            pa.field("time_ns", pa.int64(), metadata={"unit": "ns"}),
            pa.field("power_w", pa.float64(), metadata={"unit": "W"}),
        ]
    )
    trace = SensorTrace(
        samples=samples.cast(schema),
        alignment="by absolute time",
        provenance=capture.provenance,
        missing_counts={"power_w": 1},
        caveats=(Caveat(code="sensor-gap", message="A gap.", weight=Weight.CARE, metrics=("average_power_w",)),),
    )
    return replace(capture, sensors=trace)


def assert_equal(one: Capture, other: Capture) -> None:
    assert one.frames.equals(other.frames, check_metadata=True)
    assert one.conditions == other.conditions
    assert one.provenance == other.provenance
    assert one.caveats == other.caveats
    assert (one.sensors is None) == (other.sensors is None)
    if one.sensors is not None and other.sensors is not None:
        assert one.sensors.samples.equals(other.sensors.samples, check_metadata=True)
        assert one.sensors.alignment == other.sensors.alignment
        assert one.sensors.provenance == other.sensors.provenance
        assert dict(one.sensors.missing_counts) == dict(other.sensors.missing_counts)
        assert one.sensors.caveats == other.sensors.caveats


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("sensors", [False, True])
def test_round_trip(tmp_path: Path, ending: str, sensors: bool) -> None:
    capture = with_sensors(text_capture()) if sensors else text_capture()
    assert capture.caveats
    path = tmp_path / f"run{ending}"
    write_capture(capture, path)
    assert_equal(read_capture(path), capture)
    assert [item.name for item in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize("ending", ENDINGS)
def test_the_same_capture_gives_the_same_bytes(tmp_path: Path, ending: str) -> None:
    first, second = tmp_path / f"a{ending}", tmp_path / f"b{ending}"
    write_capture(text_capture(), first)
    write_capture(text_capture(), second)
    assert first.read_bytes() == second.read_bytes()


def test_units_and_origin_stand_in_the_metadata(tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    write_capture(text_capture(), path)
    schema = pq.read_schema(path)
    assert schema.field("timestamp_ns").metadata[b"unit"] == b"ns"
    assert schema.field("shown").metadata[b"unit"] == b"1"
    content = json.loads(schema.metadata[METADATA_KEY])
    assert content["version"] == 1
    assert 'time_column = "time (ms)"' in content["provenance"]["layout_toml"]


def test_writing_never_replaces_unasked(tmp_path: Path) -> None:
    path = tmp_path / "run.arrow"
    path.write_bytes(b"precious")
    with pytest.raises(OutputError, match="the file exists; --force"):
        write_capture(text_capture(), path)
    assert path.read_bytes() == b"precious"
    write_capture(text_capture(), path, force=True)
    assert read_capture(path).n_frames > 2
    with pytest.raises(OutputError, match=r"the ending '\.csv' is no format for a capture; use \.arrow or \.parquet"):
        write_capture(text_capture(), tmp_path / "run.csv")
    with pytest.raises(OutputError, match=r"run\.arrow: this is a file, not a folder"):
        write_capture(text_capture(), path / "run.arrow")


def foreign(table: pa.Table, form: str) -> io.BytesIO:
    sink = io.BytesIO()
    if form == "parquet":
        pq.write_table(table, sink)
    else:
        new = pa.ipc.new_file if form == "file" else pa.ipc.new_stream
        with new(sink, table.schema) as writer:
            writer.write_table(table)
    sink.seek(0)
    return sink


def unit(name: str, kind: pa.DataType, code: str) -> pa.Schema:
    return pa.schema([pa.field(name, kind, metadata={"unit": code})])


TABLES = {
    "typed timestamps with zone": pa.table(
        {"when": pa.array(STAMPS + 1_790_000_000 * 10**9).cast(pa.timestamp("ns", "UTC"))}
    ),
    "typed durations": pa.table({"frame_time": pa.array(np.diff(STAMPS, prepend=0)).cast(pa.duration("ns"))}),
    "integer ns": pa.table({"x": pa.array(range(100)), "finished_ns": pa.array(STAMPS)}),
    "unit in the metadata": pa.table([pa.array(STAMPS / 1e6)], schema=unit("time", pa.float64(), "ms")),
    "texts": pa.table({"time (s)": pa.array([f"{ns / 1e9:.9f}" for ns in STAMPS])}),
    "dictionary of texts": pa.table({"time (s)": pa.array([f"{ns / 1e9:.9f}" for ns in STAMPS]).dictionary_encode()}),
    "unsigned": pa.table({"timestamp_ns": pa.array(STAMPS.astype(np.uint64))}),
}


@pytest.mark.parametrize("form", ["file", "stream", "parquet"])
@pytest.mark.parametrize("name", sorted(TABLES))
def test_tables_of_others(name: str, form: str) -> None:
    capture = read_capture(foreign(TABLES[name], form))
    steps = np.diff(capture.frames["timestamp_ns"].to_pylist())
    assert set(steps.tolist()) == {16_666_667}
    assert capture.n_frames == (100 if "durations" in name else 99)
    assert capture.provenance.adapter == "arrow-file"
    assert capture.caveats == ()


def test_a_timestamp_type_without_zone_is_not_taken_as_utc() -> None:
    naive = pa.table({"when": pa.array(STAMPS + 1_790_000_000 * 10**9).cast(pa.timestamp("ns"))})
    provenance = read_capture(foreign(naive, "file")).provenance
    assert provenance.recorded_from_utc is None
    assert provenance.metadata["recorded_from_local"].startswith("2026-09-21T14:13:20.016666667")
    zoned = read_capture(foreign(TABLES["typed timestamps with zone"], "file")).provenance
    assert zoned.recorded_from_utc == "2026-09-21T14:13:20.016666667Z"


def test_absolute_seconds_as_float_are_read_as_exactly_as_they_were_kept() -> None:
    """Near 1.8e9 s the steps of float64 are 2**-22 s, 238 ns (IEEE 754), and the nearest lies half a step away."""
    capture = read_capture(foreign(pa.table({"time_s": STAMPS / 1e9 + 1_790_000_000}), "file"))
    assert capture.provenance.recorded_from_utc is not None
    read = np.array(capture.frames["timestamp_ns"].to_pylist())
    assert np.abs((read - read[0]) - (STAMPS - STAMPS[0])).max() <= 239


def test_a_table_without_a_time_is_refused() -> None:
    with pytest.raises(ReadError, match="no column says that it is a time"):
        read_capture(foreign(pa.table({"a": [1, 2, 3], "b": [[1], [2], [3]]}), "file"))
    with pytest.raises(ReadError, match="it can be read in 2 ways that differ"):
        read_capture(foreign(pa.table({"frame_time": STAMPS}), "file"))


def test_nulls_are_rejected_rows() -> None:
    frames: list[float | None] = [16.5] * 100
    frames[7] = None
    capture = read_capture(foreign(pa.table({"frame_ms": frames}), "parquet"))
    assert capture.n_frames == 99
    assert [caveat.code for caveat in capture.caveats] == ["rejected-rows", "frames-left-out"]


def stored(form: str) -> bytes:
    capture = text_capture()
    table = capture.frames.replace_schema_metadata({METADATA_KEY: b"{}"})
    return foreign(table, form).getvalue()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"not json", "its metadata cannot be read .JSON is malformed"),
        (b"[]", "its metadata cannot be read .Expected `object`, got `array`"),
        (b"{}", "missing required field `version`"),
        (b'{"version": 2}', r"Invalid enum value 2 - at `\$.version`"),
        (b'{"version": 1}', "missing required field `provenance`"),
        (b'{"version": 1, "conditions": {"card": 5}}', r"Expected `str \| null`, got `int` - at `\$.conditions.card`"),
        (b"\xff\xfe", "its metadata cannot be read"),
        (b"[" * 100_000, "its metadata cannot be read"),
    ],
)
def test_bad_metadata(content: bytes, says: str) -> None:
    table = text_capture().frames.replace_schema_metadata({METADATA_KEY: content})
    with pytest.raises(ReadError, match=says):
        read_capture(foreign(table, "file"))


def test_a_stored_capture_with_falling_times_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.arrow"
    write_capture(text_capture(), path)
    with pa.ipc.open_file(path) as reader:
        table = reader.read_all()
    turned = table.take(list(range(table.num_rows - 1, -1, -1)))
    with pytest.raises(ReadError, match="it holds timestamps that do not rise"):
        read_capture(foreign(turned, "file"))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(["file", "stream", "parquet"]), st.data())
def test_damaged_tables(form: str, data: st.DataObject) -> None:
    content = bytearray(stored(form) if data.draw(st.booleans()) else foreign(TABLES["integer ns"], form).getvalue())
    for _ in range(data.draw(st.integers(0, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    cut = bytes(content[: data.draw(st.integers(0, len(content)))]) if data.draw(st.booleans()) else bytes(content)
    try:
        capture = read_capture(io.BytesIO(cut))
    except FrametimeError as error:
        assert "\n" not in str(error)
    else:
        assert capture.n_frames >= 2


@pytest.mark.parametrize("form", ["file", "stream", "parquet"])
def test_a_name_of_a_column_that_is_no_text_is_damage(form: str) -> None:
    content = foreign(TABLES["integer ns"], form).getvalue().replace(b"finished_ns", b"\x80inished_ns")
    with pytest.raises(ReadError, match="the Arrow or Parquet data are damaged"):
        read_capture(io.BytesIO(content))


def test_a_file_that_was_cut_between_two_batches_is_damage() -> None:
    """What lies before the cut is a sound stream; the end that each file has is missing."""
    sink = io.BytesIO()
    with pa.ipc.new_file(sink, TABLES["integer ns"].schema) as writer:
        writer.write_table(TABLES["integer ns"])
        cut = sink.tell()
        writer.write_table(TABLES["integer ns"])
    with pytest.raises(ReadError, match="its end is missing"):
        read_capture(io.BytesIO(sink.getvalue()[:cut]))


def test_the_printed_layout_reads_the_same() -> None:
    for name, table in TABLES.items():
        if name == "typed timestamps with zone":
            continue
        capture = read_capture(foreign(table, "file"))
        layout = Layout.from_toml(capture.provenance.layout_toml, "printed")
        again = read_capture(foreign(table, "file"), options=ReadOptions(layout=layout))
        assert again.frames.equals(capture.frames)


TIMES_MS = np.round(16.6 + np.random.default_rng(1).normal(0.0, 1.0, 300), 3)


@pytest.mark.parametrize("form", ["file", "parquet"])
def test_a_text_that_many_rows_share_is_counted_once_for_each(form: str) -> None:
    shared = pa.DictionaryArray.from_arrays(pa.array([0] * 300, pa.int32()), pa.array(["x" * 1_000_000]))
    table = pa.table({"frame time (ms)": TIMES_MS, "application": shared})
    with pytest.raises(ReadError, match=r"unpacks to more than (2000 times its size|100000000 bytes)"):
        read_capture(foreign(table, form), options=ReadOptions(max_decompressed_bytes=100_000_000))


@pytest.mark.parametrize("form", ["file", "parquet"])
@pytest.mark.parametrize("kind", [pa.string_view(), pa.binary(), pa.large_string()])
def test_names_of_applications_may_be_texts_of_any_form(form: str, kind: pa.DataType) -> None:
    table = pa.table({"frame time (ms)": TIMES_MS, "app": pa.array(["a", "a", "b"] * 100).cast(pa.binary()).cast(kind)})
    capture = read_capture(foreign(table, form))
    assert [caveat.code for caveat in capture.caveats] == ["several-streams"]
    assert capture.n_frames == 200


@pytest.mark.parametrize(
    "other", [pa.array([2**64 - 1] * 300, pa.uint64()), pa.array([253_402_300_799] * 300, pa.timestamp("s"))]
)
def test_other_columns_beyond_what_ns_can_count_do_no_harm(other: pa.Array) -> None:
    assert read_capture(foreign(pa.table({"frame time (ms)": TIMES_MS, "other": other}), "parquet")).n_frames == 300


def test_the_unit_in_the_metadata_of_a_column_is_told_with_its_place() -> None:
    field = pa.field("finished", pa.int64(), metadata={"unit": "us"})
    table = pa.Table.from_arrays([pa.array(STAMPS // 1000)], schema=pa.schema([field]))
    layout = Layout(time_column="finished", kind="timestamp")
    capture = read_capture(foreign(table, "parquet"), options=ReadOptions(layout=layout))
    assert "unit: us stands beside the name" in capture.provenance.evidence


def test_single_precision_times_are_told() -> None:
    stamps_s = (5000.0 + np.cumsum(TIMES_MS) / 1e3).astype(np.float32)
    capture = read_capture(foreign(pa.table({"time (s)": stamps_s}), "parquet"))
    assert "exact to 0.244 ms here" in next(c.message for c in capture.caveats if c.code == "rounded-timestamps")


# What the type of a column, or a stored capture, says by itself.


def parquet_of(**columns: pa.Array) -> io.BytesIO:
    stream = io.BytesIO()
    pq.write_table(pa.table(columns), stream)
    stream.seek(0)
    return stream


@pytest.mark.parametrize(("unit", "per_s"), [("ms", 10**3), ("us", 10**6), ("ns", 10**9)])
def test_a_time_of_day_that_passes_midnight_goes_on(unit: str, per_s: int) -> None:
    counts = (86_399 * per_s + np.arange(200) * (per_s // 100)) % (86_400 * per_s)
    kind = pa.time32(unit) if unit == "ms" else pa.time64(unit)
    integers = pa.array(counts.astype(np.int32 if unit == "ms" else np.int64))
    capture = read_capture(parquet_of(time=integers.cast(kind)))
    assert set(np.diff(capture.frames["timestamp_ns"].to_pylist())) == {10**7}
    assert "clock-ran-over" in {caveat.code for caveat in capture.caveats}


@pytest.mark.parametrize(("kind", "last"), [("int32", 2**31), ("uint32", 2**32)])
def test_a_counter_that_runs_over_goes_on(kind: str, last: int) -> None:
    ticks = (last - 500 + np.arange(200, dtype=np.int64) * 10).astype(kind)
    capture = read_capture(parquet_of(timestamp_ms=pa.array(ticks)))
    assert set(np.diff(capture.frames["timestamp_ns"].to_pylist())) == {10**7}
    (message,) = [caveat.message for caveat in capture.caveats if caveat.code == "clock-ran-over"]
    assert "A 32-bit counter" in message


def test_a_short_counter_that_runs_over_is_refused() -> None:
    ticks = (2**16 - 500 + np.arange(200, dtype=np.int64) * 10).astype(np.uint16)
    with pytest.raises(ReadError, match="line 51: time runs backwards by 65526 ms"):
        read_capture(parquet_of(timestamp_ms=pa.array(ticks)))


def test_a_clock_that_jumps_back_is_no_counter_that_ran_over() -> None:
    ticks = np.where(np.arange(200) == 100, 3, np.arange(200) * 16)
    with pytest.raises(ReadError, match="line 101: time runs backwards by 1581 ms"):
        read_capture(parquet_of(timestamp_ms=pa.array(ticks.astype(np.int32))))


@pytest.mark.parametrize("kind", [pa.timestamp("ns"), pa.duration("ns"), pa.time64("ns")], ids=str)
def test_a_unit_that_the_type_contradicts_is_refused(kind: pa.DataType) -> None:
    column = "duration" if pa.types.is_duration(kind) else "time"
    times = pa.array(np.diff(STAMPS) if column == "duration" else STAMPS).cast(kind)
    with pytest.raises(ReadError, match=r"is in another unit than ms|is not a number"):
        read_capture(parquet_of(**{column: times}), options=ReadOptions(unit="ms"))
    assert read_capture(parquet_of(**{column: times})).n_frames == 99


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_stored_capture_does_not_pass_over_unit_and_stream(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"run{ending}"
    write_capture(text_capture(), path)
    with pytest.raises(ReadError, match="the times of a stored capture are in ns, and the unit given is ms"):
        read_capture(path, options=ReadOptions(unit="ms"))
    named = read_capture(path, options=ReadOptions(unit="ns", stream="invented", sort=True))
    assert [caveat.code for caveat in named.caveats].count("stream-not-named") == 1


def test_a_table_that_names_no_stream_says_so() -> None:
    capture = read_capture(parquet_of(time_ns=pa.array(STAMPS)), options=ReadOptions(stream="invented"))
    assert "stream-not-named" in {caveat.code for caveat in capture.caveats}


def test_a_text_that_many_views_share_is_counted_once_for_each() -> None:
    """A string view may point into one text from each row."""
    text = b"x" * 1_000_000
    views = np.tile(np.frombuffer(np.int32([len(text)]).tobytes() + b"xxxx" + bytes(8), dtype=np.uint8), 300)
    shared = pa.Array.from_buffers(pa.string_view(), 300, [None, pa.py_buffer(views), pa.py_buffer(text)])
    assert shared[299].as_py() == text.decode()
    table = pa.table({"frame time (ms)": TIMES_MS, "application": shared})
    with pytest.raises(ReadError, match="unpacks to more than 100000000 bytes"):
        read_capture(foreign(table, "file"), options=ReadOptions(max_decompressed_bytes=100_000_000))


@pytest.mark.parametrize("ending", ENDINGS)
def test_texts_with_a_decimal_comma_are_numbers(ending: str, tmp_path: Path) -> None:
    times = [f"{16 + i % 3}.52" for i in range(200)]
    read = []
    for mark in ".,":
        texts = [time.replace(".", mark) for time in times]
        path = write_table(pa.table({"frame time (ms)": texts, "application": ["run,5.exe"] * 200}), tmp_path, ending)
        read.append(read_capture(str(path)))
    assert read[0].frames.equals(read[1].frames) and read[0].n_frames == 200
    assert shortest_ns(read[0]) == 16_520_000


def shortest_ns(capture: Capture) -> int:
    return int(np.diff(capture.frames["timestamp_ns"].to_numpy()).min())


def write_table(table: pa.Table, folder: Path, ending: str) -> Path:
    path = folder / f"texts{ending}"
    if ending == ".parquet":
        pq.write_table(table, path)
    else:
        with pa.ipc.new_file(path, table.schema) as writer:
            writer.write_table(table)
    return path


def test_marks_of_texts_by_what_frames_can_be_as_told_or_refused(tmp_path: Path) -> None:
    whole = write_table(pa.table({"frame time (ms)": ["16,525", "17,125"] * 60}), tmp_path, ".parquet")
    assert shortest_ns(read_capture(str(whole))) == 16_525_000
    open_ = write_table(pa.table({"frame time (us)": ["950,525", "150,525"] * 60}), tmp_path, ".parquet")
    with pytest.raises(ReadError, match=r"can be read with a decimal comma or .*--decimal , "):
        read_capture(str(open_))
    told = ReadOptions(layout=Layout(decimal=","))
    assert shortest_ns(read_capture(str(open_), options=told)) == 150_525
    both = write_table(pa.table({"frame time (ms)": ["16.525", "16,525"] * 60}), tmp_path, ".parquet")
    with pytest.raises(ReadError, match=r"'16\.525' and '16,525' stand among its numbers"):
        read_capture(str(both))
    odd = write_table(pa.table({"frame time (ms)": ["16.52", "16,53", "16.5"] * 60}), tmp_path, ".parquet")
    with pytest.raises(ReadError, match=r"line 2: '16,53' is written in another way"):
        read_capture(str(odd))


@pytest.mark.skipif(sys.platform != "linux", reason="such names cannot be made there")
def test_a_log_whose_name_is_no_text_is_stored(tmp_path: Path) -> None:
    log = tmp_path / os.fsdecode(b"n\xff.csv")
    log.write_text("frame_time_ms\n" + "8.25\n" * 100)
    capture = read_capture(log)
    write_capture(capture, tmp_path / "n.arrow")
    stored = read_capture(tmp_path / "n.arrow")
    assert stored.provenance.file_name.endswith("n?.csv")
    assert stored.frames == capture.frames
