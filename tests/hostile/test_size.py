"""Logs that are far larger than they look, or than any log is: refused by a limit, in bounded memory."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hostile_memory import MemoryMeter

from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.errors import ReadError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="peak memory is measured otherwise there")

MIB = 1 << 20
# One byte in this many MiB is far less than any of these inputs would take if it was read whole.
ROOM_BYTES = 192 * MIB

ZEROS = b"\0" * MIB
ROWS = b"frame_time_ms\n" + b"8.25\n" * (MIB // 5)


@pytest.fixture(scope="module")
def meter() -> Iterator[MemoryMeter]:
    with MemoryMeter() as found:
        yield found


def packed(kind: str, block: bytes, times: int) -> bytes:
    """``block`` so many times over, compressed."""
    if kind == "zstd":
        sink = pa.BufferOutputStream()
        with pa.CompressedOutputStream(sink, "zstd") as stream:
            for _ in range(times):
                stream.write(block)
        return sink.getvalue().to_pybytes()
    if kind == "gzip":
        return b"".join([gzip.compress(block, mtime=0)] * times)
    if kind == "bz2":
        return bz2.compress(block) * times
    return lzma.compress(block) * times


@pytest.mark.parametrize("kind", ["gzip", "bz2", "xz", "zstd"])
@pytest.mark.parametrize("block", [ROWS, b"7" * MIB, ZEROS], ids=["rows", "one line", "zeros"])
def test_a_bomb_is_refused(kind: str, block: bytes, tmp_path: Path, meter: MemoryMeter) -> None:
    """1 GiB in a few KiB or MiB."""
    path = tmp_path / "bomb.csv.packed"
    path.write_bytes(packed(kind, block, 1024))
    said, added = meter.peak_of(path, max_decompressed_bytes=32 * MIB)
    assert "unpacks to more than" in said or "a line is longer than" in said
    assert "--max-" in said
    assert added < ROOM_BYTES + 32 * MIB


def test_the_default_limits_refuse_a_bomb(tmp_path: Path, meter: MemoryMeter) -> None:
    path = tmp_path / "bomb.csv.zst"
    path.write_bytes(packed("zstd", ROWS, 1024))
    said, added = meter.peak_of(path)
    assert "unpacks to more than 2000 times its size" in said
    assert "raise --max-decompression-ratio" in said
    assert added < ROOM_BYTES + 64 * MIB


@pytest.mark.parametrize("n_columns", [2001, 1_000_000])
def test_very_many_columns(n_columns: int, tmp_path: Path, meter: MemoryMeter) -> None:
    path = tmp_path / "wide.csv"
    names = b",".join(b"a%d" % i for i in range(n_columns))
    path.write_bytes(names + b"\n" + (b",".join([b"1"] * n_columns) + b"\n") * 5)
    said, added = meter.peak_of(path, max_line_bytes=64 * MIB)
    assert f"{n_columns} columns, at most 2000 are read" in said
    assert added < ROOM_BYTES
    said, added = meter.peak_of(path)
    assert ("columns, at most 2000" if n_columns == 2001 else "a line is longer than 1048576 bytes") in said
    assert added < ROOM_BYTES


@pytest.mark.parametrize("at", ["start", "midst"])
@pytest.mark.parametrize("form", ["{}", "0.{}", "-1e{}"])
def test_a_number_of_very_many_digits(at: str, form: str, tmp_path: Path, meter: MemoryMeter) -> None:
    """A million digits are one line too many by default; with room for them they are no time."""
    cell = form.format("7" * (3 * MIB)).encode()
    rows = [b"8.25"] * 100_000
    rows[0 if at == "start" else 50_000] = cell
    path = tmp_path / "digits.csv"
    path.write_bytes(b"frame_time_ms\n" + b"\n".join(rows) + b"\n")
    said, added = meter.peak_of(path)
    # At the start there is no row of numbers within the limit.
    assert ("a line is longer than 1048576 bytes" if at == "midst" else "no rows of numbers") in said
    assert added < ROOM_BYTES
    said, added = meter.peak_of(path, max_line_bytes=8 * MIB)
    assert said or at == "midst"
    assert added < 2 * ROOM_BYTES


@pytest.mark.parametrize("n_digits", [10, 20, 400, 100_000])
def test_numbers_that_fit_a_line_and_no_type(n_digits: int, tmp_path: Path, meter: MemoryMeter) -> None:
    rows = [b"8.25"] * 1000
    rows[500] = b"9" * n_digits
    path = tmp_path / "digits.csv"
    path.write_bytes(b"frame_time_ms\n" + b"\n".join(rows) + b"\n")
    _, added = meter.peak_of(path)
    assert added < ROOM_BYTES


def test_memory_does_not_grow_with_a_number_of_500_million_digits(tmp_path: Path, meter: MemoryMeter) -> None:
    """Sparse, so that it takes no room on the disk: the zeros are no digits, the limit on the line is the same."""
    path = tmp_path / "digits.csv"
    with path.open("wb") as stream:
        stream.write(b"frame_time_ms\n" + b"8.25\n" * 20_000 + b"7" * (2 * MIB))
        stream.seek(500_000_000)
        stream.write(b"7\n8.25\n")
    said, added = meter.peak_of(path)
    assert said
    assert added < ROOM_BYTES


def test_a_parquet_bomb_is_refused(tmp_path: Path, meter: MemoryMeter) -> None:
    """Regular times are stored as little more than their number."""
    path = tmp_path / "bomb.parquet"
    pq.write_table(
        pa.table({"timestamp_ns": np.arange(10_000_000, dtype=np.int64) * 8_000_000}),
        path,
        compression="zstd",
        use_dictionary=False,
        column_encoding={"timestamp_ns": "DELTA_BINARY_PACKED"},
    )
    assert path.stat().st_size < MIB
    said, added = meter.peak_of(path, max_decompressed_bytes=64 * MIB)
    assert "unpacks to more than 67108864 bytes" in said
    assert "raise --max-decompressed-bytes" in said
    assert added < ROOM_BYTES
    said, added = meter.peak_of(path, max_decompression_ratio=50.0)
    assert "unpacks to more than 50 times its size" in said
    assert "raise --max-decompression-ratio" in said
    assert added < ROOM_BYTES


@pytest.mark.parametrize("form", ["file", "stream"])
@pytest.mark.parametrize("codec", ["zstd", "lz4"])
@pytest.mark.parametrize("batches", [1, 64])
def test_an_arrow_bomb_is_refused(form: str, codec: str, batches: int, tmp_path: Path, meter: MemoryMeter) -> None:
    """512 MiB of zeros, in one batch or in many."""
    path = tmp_path / "bomb.arrow"
    table = pa.table({"frame_time_ms": np.zeros((1 << 26) // batches)})
    options = pa.ipc.IpcWriteOptions(compression=codec)
    new = pa.ipc.new_file if form == "file" else pa.ipc.new_stream
    with new(str(path), table.schema, options=options) as writer:
        for _ in range(batches):
            writer.write_table(table)
    said, added = meter.peak_of(path, max_decompressed_bytes=32 * MIB)
    assert "unpacks to more than 33554432 bytes" in said
    assert "raise --max-decompressed-bytes" in said
    assert added < ROOM_BYTES + 32 * MIB


@pytest.mark.parametrize("form", ["file", "stream"])
def test_an_arrow_bomb_of_texts_is_refused_while_it_is_read(form: str, tmp_path: Path, meter: MemoryMeter) -> None:
    """1 GiB of texts in 64 batches of one row each: only reading a batch tells how long its texts are."""
    path = tmp_path / "bomb.arrow"
    table = pa.table({"frame_time_ms": [8.25], "application": ["x" * (16 * MIB)]})
    options = pa.ipc.IpcWriteOptions(compression="zstd")
    new = pa.ipc.new_file if form == "file" else pa.ipc.new_stream
    with new(str(path), table.schema, options=options) as writer:
        for _ in range(64):
            writer.write_table(table)
    said, added = meter.peak_of(path)
    assert "a line is longer than 1048576 bytes" in said
    assert added < ROOM_BYTES
    said, added = meter.peak_of(path, max_decompressed_bytes=64 * MIB, max_line_bytes=32 * MIB)
    assert "unpacks to more than 67108864 bytes" in said
    assert added < ROOM_BYTES + 64 * MIB


@pytest.mark.parametrize("form", ["text", "parquet", "file", "stream"])
def test_rows_are_counted_by_what_they_hold_once_read(form: str, tmp_path: Path, meter: MemoryMeter) -> None:
    """Short rows take more room as numbers than as text or as runs of one value: 40 bytes each."""
    n_rows = 1 << 20
    path = tmp_path / "rows"
    if form == "text":
        path.write_bytes(gzip.compress(b"frame_time_ms\n" + b"8\n" * n_rows))
    elif form == "parquet":
        pq.write_table(pa.table({"frame_time_ms": np.full(n_rows, 8, dtype=np.int8)}), path)
    else:
        table = pa.table({"frame_time_ms": np.full(n_rows, 8, dtype=np.int8)})
        new = pa.ipc.new_file if form == "file" else pa.ipc.new_stream
        with new(str(path), table.schema) as writer:
            writer.write_table(table, max_chunksize=n_rows // 4)
    # At least half the rows were seen by then; the text alone is 2 MiB.
    said, _ = meter.peak_of(path, max_decompressed_bytes=21 * MIB)
    found = re.search(r"unpacks to more than 22020096 bytes \((\d+) or more, from (\d+) stored\)", said)
    assert found is not None
    assert int(found[1]) > 21 * MIB
    assert int(found[2]) == path.stat().st_size
    assert "raise --max-decompressed-bytes" in said


EXTREME_CELLS = ("3e5", "1e15", "1e308", "-1e308", "1e-320", "9" * 300, "9223372036854775807", "nan")
EXTREME_BYTES_A_FRAME = 4096


def extreme_rows(n_frames: int, where: str) -> list[tuple[str, str]]:
    """Stamps and readings with extreme cells: each frame lasts days, or some do, or each 200th cell is odd."""
    if where == "every frame":
        return [(f"{3e4 * i:.1f}", "200") for i in range(n_frames)]
    rng = np.random.default_rng(n_frames)
    stamps = np.cumsum(rng.choice([0.01, 0.02, 3000.0], n_frames, p=[0.69, 0.3, 0.01]))
    rows = [(f"{stamp:.6f}", f"{200 + i % 9}") for i, stamp in enumerate(stamps)]
    for number, at in enumerate(range(150, n_frames, 200)):
        cell = EXTREME_CELLS[number % len(EXTREME_CELLS)]
        rows[at] = (cell, rows[at][1]) if where == "stamps" else (rows[at][0], cell)
    return rows


@pytest.mark.parametrize("kind", ["csv", "sensors", "arrow", "parquet", "jsonl"])
@pytest.mark.parametrize("where", ["readings", "stamps", "every frame"])
def test_memory_follows_the_frames_whatever_a_cell_says(
    kind: str, where: str, tmp_path: Path, meter: MemoryMeter
) -> None:
    """The bound is in frames: no value of a cell is in it. Both lengths have the same cells."""
    for n_frames in (1500, 30_000):
        rows = extreme_rows(n_frames, where)
        path, sensors = tmp_path / f"run{n_frames}.{kind}", None
        if kind in ("arrow", "parquet"):
            stamps, watts = (np.array([float(row[at]) for row in rows]) for at in (0, 1))
            table = pa.table({"frame_end_s": stamps, "power_w": watts})
            if kind == "parquet":
                pq.write_table(table, path)
            else:
                with pa.ipc.new_file(str(path), table.schema) as writer:
                    writer.write_table(table)
        elif kind == "jsonl":
            path.write_text("".join(f'{{"frame_end_s": {stamp}, "power_w": {watts}}}\n' for stamp, watts in rows))
        else:
            text = "frame_end_s,power_w\n" + "".join(f"{stamp},{watts}\n" for stamp, watts in rows)
            path = path.with_suffix(".csv")
            if kind == "sensors":
                sensors = tmp_path / "hw.csv"
                sensors.write_text(text)
                path.write_text("frame_time_ms\n" + "8.25\n" * n_frames)
            else:
                path.write_text(text)
        for rejected in (0.01, 1.0):
            said, added = meter.peak_of(path, sensors=sensors, measured=True, max_rejected_fraction=rejected)
            assert "not enough memory" not in said
            # Where the stamps are sound the run is measured, so the bound is on that as well.
            assert said == "" or where in ("stamps", "every frame") or kind in ("sensors", "jsonl"), said
            assert added < ROOM_BYTES / 2 + EXTREME_BYTES_A_FRAME * n_frames, (n_frames, said)


@pytest.mark.slow
@pytest.mark.parametrize("content", ["7", "frame_time_ms,x"], ids=["no row", "header"])
def test_a_long_line_takes_time_in_proportion(content: str, tmp_path: Path) -> None:
    """Four times the line takes four times as long, or sixteen where each block looks at all before it."""
    seconds = []
    for mib in (1, 4):
        log = (content + content[-1] * (mib * MIB) + "\n8.25,1\n" * 3).encode()
        best = float("inf")
        for _ in range(2):
            start = time.process_time()
            with pytest.raises(ReadError):
                read_capture(io.BytesIO(log), options=ReadOptions(max_line_bytes=32 * MIB))
            best = min(best, time.process_time() - start)
        seconds.append(best)
    assert seconds[1] < 9 * seconds[0], seconds


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="the limit on memory is set as Linux does")
def test_a_table_that_memory_cannot_hold_is_not_called_damaged(tmp_path: Path, meter: MemoryMeter) -> None:
    """A file of some KiB with 50 million rows of one value, limits raised, and 512 MiB of address space left."""
    path = tmp_path / "one_value.parquet"
    groups = [pa.table({"frame_time_ms": np.full(10_000_000, 8.25)})] * 5
    with pq.ParquetWriter(path, groups[0].schema) as writer:
        for group in groups:
            writer.write_table(group)
    raised = {"max_decompressed_bytes": 1 << 50, "max_decompression_ratio": 1e12}
    said, _ = meter.peak_of(path, room_bytes=512 * MIB, **raised)
    assert "there is not enough memory to hold it" in said
    assert f"({path.stat().st_size} bytes stored)" in said
    assert "--max-decompressed-bytes" in said
