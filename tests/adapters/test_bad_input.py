"""Bad input: one clear line that names the file, the line or column, what was found and what would help."""

from __future__ import annotations

import errno
import gzip
import io
import os
import random
import sys
import tracemalloc
from pathlib import Path

import pytest

from frametime.adapters import stored_log
from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.errors import ReadError


def refused(content: bytes, options: ReadOptions | None = None) -> str:
    with pytest.raises(ReadError) as caught:
        read_capture(io.BytesIO(content), options=options or ReadOptions())
    assert "\n" not in str(caught.value)
    return str(caught.value)


def rows(cells: list[str], header: str = "FrameTime (ms)") -> bytes:
    return "\n".join([header, *cells, ""]).encode()


SOUND = [f"{16 + i % 3}.5" for i in range(200)]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty (0 bytes)"),
        (b"\xef\xbb\xbf", "holds no text"),
        (b"\0" * 5000, "holds no text"),
        (rows([]), "no rows of numbers were found"),
        (rows(["16.6"]), "only one frame"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "a PNG image"),
        (b"PK\x03\x04" + b"\0" * 50, "the zip data are damaged"),
        (b"PK\x05\x06" + b"\0" * 18, "an empty ZIP archive"),
        (b"<html><body>404</body></html>", "a web page"),
        (bytes(random.Random(1).randbytes(4000)), "binary"),
        (b"Once upon a time\nthere was a log\nwithout numbers\n", "no rows of numbers"),
        (b"name,age\nada,36\nbob,41\neve,29\n", "no column says that it is a time"),
        (rows(["1.5"] * 50, "Timestamp (s)"), "all 50 rows have the same time"),
        (rows(["1.5"] * 50, "Time (s)"), "frames of 1.5 s, which cannot be"),
        (rows(["0"] * 20), "20 of 20 rows cannot be used"),
        (rows(["-16.5"] * 20), "the frame time is negative (-16.5 ms)"),
        (rows(["nan"] * 20 + SOUND), "not a number (NaN)"),
        (rows([*SOUND, *["inf"] * 20]), "the value is infinite"),
        (rows([*SOUND, *["1e300"] * 20]), "is out of range"),
        (rows([*SOUND, *["16,53"] * 20]), "'16,53' is written in another way than the other numbers"),
        (rows(["16.525;1", "16,525;1"] * 60, "FrameTime (ms);x"), "'16.525' and '16,525' stand among its numbers"),
        (rows(["16.5 ms"] * 60 + ["0.0165 V"] * 60, "FrameTime"), "is in another unit than ms"),
        (rows(["500"] * 60, "FrameTime"), "--unit us --kind frame-time  (2000 fps on average)"),
        (rows(["1e18"] * 60, "FrameTime (ms)"), "frames of 1e+15 s, which cannot be"),
        (rows([str(i * 9_000_000_000) for i in range(60)], "Elapsed (s)"), "frames of 9e+09 s, which cannot be"),
    ],
)
def test_is_refused(content: bytes, says: str) -> None:
    assert says in refused(content)


def test_backwards_time_names_the_line_and_sorts_when_told() -> None:
    stamps = [f"0.{i:03d}" for i in range(0, 400, 10)]
    stamps[20], stamps[21] = stamps[21], stamps[20]
    content = rows(stamps, "Time (s)")
    assert "line 23: time runs backwards by 10 ms" in refused(content)
    capture = read_capture(io.BytesIO(content), options=ReadOptions(sort=True))
    assert capture.n_frames == 39
    assert [caveat.code for caveat in capture.caveats] == ["rows-sorted"]


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="there is no such file"):
        read_capture(tmp_path / "none.csv")
    with pytest.raises(ReadError, match="this is a folder"):
        read_capture(tmp_path)
    with pytest.raises(ReadError, match="embedded null"):
        read_capture("a\0b")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="an administrator may read anything")
def test_a_missing_permission(tmp_path: Path) -> None:
    path = tmp_path / "locked.csv"
    path.write_bytes(rows(SOUND))
    path.chmod(0)
    with pytest.raises(ReadError, match="may not be read"):
        read_capture(path)


def test_permission_is_named_whoever_asks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    path = tmp_path / "locked.csv"
    path.write_bytes(rows(SOUND))
    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(ReadError, match="this file may not be read; check its permissions"):
        read_capture(path)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="sparse files are made otherwise there")
def test_a_line_of_two_gigabytes_is_refused_in_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    with path.open("wb") as stream:
        stream.write(b"FrameTime (ms)\n16.5\n1")
        stream.seek(2 << 30)
        stream.write(b"7\n")
    tracemalloc.start()
    with pytest.raises(ReadError):
        read_capture(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 64 << 20


def test_a_long_line_at_the_start(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_bytes(b"1" * (3 << 20) + b"\n")
    with pytest.raises(ReadError, match="a line is longer than 1048576 bytes"):
        read_capture(path)


def test_a_long_line_in_the_midst() -> None:
    content = rows(SOUND * 400) + b"1" * (5 << 20) + b"\n" + rows(SOUND)
    assert "a line is longer than" in refused(content)


def test_a_compressed_long_line_is_refused_while_it_is_unpacked() -> None:
    packed = gzip.compress(b"7" * (40 << 20), mtime=0)
    assert "a line is longer than" in refused(packed)


def test_limits_of_unpacking() -> None:
    packed = gzip.compress(rows(["16.5"] * 400_000), mtime=0)
    assert "unpacks to more than 1000000 bytes" in refused(packed, ReadOptions(max_decompressed_bytes=1_000_000))
    bomb = gzip.compress(b"16.5\n" * (20 << 20), mtime=0)
    assert "times its size" in refused(bomb, ReadOptions(max_decompression_ratio=100.0))
    assert "compressed twice" in refused(gzip.compress(gzip.compress(rows(SOUND), mtime=0), mtime=0))


@pytest.mark.parametrize("kind", ["gzip", "bz2", "xz", "zstd"])
def test_damaged_compression(kind: str) -> None:
    packed = {
        "gzip": gzip.compress(rows(SOUND), mtime=0),
        "bz2": __import__("bz2").compress(rows(SOUND)),
        "xz": __import__("lzma").compress(rows(SOUND)),
        "zstd": bytes(__import__("pyarrow").compress(rows(SOUND), codec="zstd", asbytes=True)),
    }[kind]
    capture = read_capture(io.BytesIO(packed))
    assert capture.n_frames == 200
    assert f"the {kind} data" in refused(packed[: len(packed) // 2])


def test_too_many_columns() -> None:
    content = b"\n".join([b",".join(b"frame_ms" for _ in range(40))] + [b",".join([b"16.5"] * 40)] * 30)
    assert "40 columns, at most 10 are read" in refused(content, ReadOptions(max_columns=10))


def test_rejected_rows_are_listed_with_their_lines() -> None:
    cells = [*SOUND]
    cells[4], cells[100] = "[NA]", "broken"
    capture = read_capture(io.BytesIO(rows(cells)))
    assert [(row.line, row.reason) for row in capture.provenance.rejected_rows] == [
        (6, "no value"),
        (102, "'broken' is not a number"),
    ]
    assert capture.provenance.rows_rejected == 2
    assert capture.provenance.rows_read == 198
    assert capture.n_frames == 198


@pytest.mark.parametrize("option", ["tolerated_rows", "max_rejected_fraction", "max_columns"])
def test_a_number_that_is_too_low_is_refused_by_name(option: str) -> None:
    with pytest.raises(ValueError, match=option):
        ReadOptions(**{option: -1})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("n_rows", "bad", "options", "allowed"),
    [
        (200, 2, ReadOptions(), True),
        (200, 3, ReadOptions(), True),
        (200, 4, ReadOptions(), False),
        (200, 4, ReadOptions(max_rejected_fraction=0.02), True),
        (200, 1, ReadOptions(max_rejected_fraction=0.0), False),
        (20, 2, ReadOptions(), True),
        (20, 3, ReadOptions(), False),
        (2000, 20, ReadOptions(), True),
        (2000, 21, ReadOptions(), False),
    ],
)
def test_how_many_rejected_rows_are_let_pass(n_rows: int, bad: int, options: ReadOptions, allowed: bool) -> None:
    cells = [f"{16 + i % 5}.25" for i in range(n_rows)]
    for i in range(bad):
        cells[3 + 7 * i] = "?"
    if allowed:
        assert read_capture(io.BytesIO(rows(cells)), options=options).provenance.rows_rejected == bad
    else:
        assert f"{bad} of {n_rows} rows cannot be used" in refused(rows(cells), options)


def test_lines_are_counted_through_blank_lines_and_line_ends_in_cells() -> None:
    text = 'App,frame (ms)\r\n"two\nlines",16.5\r\n\r\n' + '"two\nlines",17.5\r\n' * 40 + '"two\nlines",bad\r\n' * 1
    text += '"two\nlines",17.5\r\n' * 40
    capture = read_capture(io.BytesIO(text.encode()))
    (row,) = capture.provenance.rejected_rows
    assert row.line == 1 + 2 + 1 + 2 * 40 + 1


def damaged(**lines: str) -> bytes:
    """A frame log of 9000 rows with some of its lines replaced."""
    rows = {f"line{i + 2}": f"{i * 10},10.0,demo" for i in range(9000)}
    return "".join(f"{line}\n" for line in ({"line1": "time_ms,frame_time_ms,app"} | rows | lines).values()).encode()


@pytest.mark.parametrize(
    ("line", "text"), [("line1", "time_ms,frame\0_time_ms,app"), ("line2", "0,\0,demo"), ("line2", "\0,10.0,demo")]
)
def test_a_zero_byte_in_the_names_or_the_first_row_is_refused(line: str, text: str) -> None:
    with pytest.raises(ReadError, match=rf"line {line[4:]}: a zero byte stands in the names or in the first rows"):
        read_capture(io.BytesIO(damaged(**{line: text})))


@pytest.mark.parametrize("line", ["line3", "line5002", "line8999"])
@pytest.mark.parametrize("text", ["{t},10.0,de\0mo", "{t},\0,demo", "\0\0\0{t},10.0,demo"])
def test_zero_bytes_among_the_rows_are_told(line: str, text: str) -> None:
    moment = str((int(line[4:]) - 2) * 10)
    capture = read_capture(io.BytesIO(damaged(**{line: text.format(t=moment)})))
    (caveat,) = [caveat for caveat in capture.caveats if caveat.code == "zero-bytes-inside"]
    assert f"among the rows, from line {line[4:]} on" in caveat.message


@pytest.mark.parametrize("lines", [("line8",), ("line5002",), ("line5002", "line7000"), ("line8990",)])
@pytest.mark.parametrize("text", ['{t},"10.0,demo', '{t},10.0,"demo'])
def test_an_open_quote_in_a_frame_log_swallows_no_rows(lines: tuple[str, ...], text: str) -> None:
    replaced = {line: text.format(t=(int(line[4:]) - 2) * 10) for line in lines}
    with pytest.raises(ReadError, match=f"line {lines[0][4:]}: a cell opens a quote"):
        read_capture(io.BytesIO(damaged(**replaced)))


def test_points_that_may_group_digits_are_not_taken_for_decimal_points() -> None:
    """Beside a decimal comma 300.234 us may be 300234 us; where only one of them is a frame time, that one is read."""
    text = "frame_time_us;voltage (V)\n" + "".join(f"300.{100 + 371 * i % 800};1,05\n" for i in range(300))
    message = r"such as '300\.100' can be read with a decimal point or with points .*--decimal \.  or  .*--decimal ,$"
    with pytest.raises(ReadError, match=message):
        read_capture(io.BytesIO(text.encode()))
    for mark, ns in ((".", 300_100), (",", 300_100_000)):
        told = read_capture(io.BytesIO(text.encode()), options=ReadOptions(layout=Layout(decimal=mark)))
        assert told.frames["timestamp_ns"][1].as_py() == ns
    slow = text.replace("_us", "_ms").replace("\n300.", "\n16.")
    assert read_capture(io.BytesIO(slow.encode())).frames["timestamp_ns"][1].as_py() == 16_100_000


@pytest.mark.parametrize(
    ("names", "row"),
    [
        ("frame,ms,gpu,temp\n", "{n},{ms}\n{n},{ms},7.1,60\n"),
        ("ms,gpu,temp\n", "{ms}\n{ms},7.1,60\n"),
        ("frame,ms\n", "{n},{ms}\ncpu,7.1,60,30\n"),
        ("", "{ms}\n{ms},7.1,60\n"),
    ],
)
def test_long_and_short_rows_in_turn_are_told_as_what_they_are(names: str, row: str) -> None:
    """They were refused for having one frame, or with commands that read the last rows alone."""
    log = names + "".join(row.format(n=n, ms=9 + n * 7 % 5 / 10) for n in range(200))
    with pytest.raises(
        ReadError, match=r"rows of \d and of \d cells take turns: a frame is no single row; write one row"
    ):
        read_capture(io.BytesIO(log.encode()))


class _Broken(io.FileIO):
    def read(self, size: int | None = -1, /) -> bytes:
        raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_a_file_that_the_disk_does_not_give_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (log := tmp_path / "run.csv").write_bytes(b"ms\n16.5\n16.6\n")
    monkeypatch.setattr(stored_log, "open", lambda name, _: _Broken(name), raising=False)
    with pytest.raises(ReadError, match=r"run\.csv: this file cannot be opened \(.*error\)"):
        read_capture(log)
