"""A walk over a folder: frame logs, sensor logs and other files are told apart, and no broken log is passed over."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from frametime.adapters.file_kind import classify_file

FRAMES = b"time (s),frame time (ms)\n" + b"".join(b"%.4f,16.5\n" % (0.0165 * i) for i in range(1, 60))
STAMPS = b"finished_ns,gpu_work_ns\n" + b"".join(b"%d,9000000\n" % (16_500_000 * i) for i in range(1, 60))
SENSORS = b"time_utc,power_w,temperature_c\n" + b"".join(
    b"2026-01-02T03:04:%02d.%d00Z,120.5,61\n" % (i // 5, i % 5 * 2) for i in range(60)
)
SLOW_SENSORS = b"time (s);GPU power (W);core clock (MHz)\n" + b"".join(b"%d;300;1900\n" % i for i in range(30))


def at_15_fps(names: str, *cells: str) -> bytes:
    """Rows 1/15 s apart: a time, and the cells (``#`` is the number of the row)."""
    rows = (f"{i / 15:.4f}," + ",".join(cells).replace("#", str(i)) for i in range(60))
    return "\n".join((names, *rows, "")).encode()


PRICES = b"card,price\n" + b"one,500\ntwo,600\nthree,550\n"


@pytest.mark.parametrize(
    ("name", "content", "kind"),
    [
        ("run1.csv", FRAMES, "frames"),
        ("run1.txt", FRAMES, "frames"),
        ("run1.log", FRAMES, "frames"),
        ("run1", FRAMES, "frames"),
        ("run1.csv.gz", gzip.compress(FRAMES, mtime=0), "frames"),
        ("run1.CSV", STAMPS, "frames"),
        ("run1.csv", FRAMES.decode().encode("utf-16"), "frames"),
        ("run1.csv", b"16.5\n16.75\n" * 30, "frames"),
        ("run1.csv", FRAMES.replace(b"\n", b",300\n").replace(b"(ms),300", b"(ms),power (W)"), "frames"),
        # few frames a second, with power beside them
        ("run1.csv", at_15_fps("time (s),frame time (ms),power (W)", "66.67", "210"), "frames"),
        ("run1.csv", at_15_fps("time (s),fps,power (W)", "15", "210"), "frames"),
        ("run1.csv", at_15_fps("time (s),frame,power (W)", "#", "210"), "frames"),
        ("run1.csv", at_15_fps("frame_start_s,power (W)", "210"), "frames"),
        ("run1.csv", at_15_fps("time (s),dropped,power (W)", "0", "210"), "frames"),
        ("monitor.csv", at_15_fps("time (s),framebuffer (MB),power (W)", "900", "210"), "sensors"),
        ("monitor.csv", at_15_fps("time (s),fps,power (W)", "60", "210"), "sensors"),
        # broken logs are logs
        ("run1.csv", b"", "frames"),
        ("run1.csv", b"time (s),frame time (ms)\n", "frames"),
        ("run1.csv", b"frame_ms\n", "frames"),
        ("run1.csv", b"\0" * 3000, "frames"),
        ("run1.csv", b"\x89PNG\r\n\x1a\n" + bytes(100), "frames"),
        ("run1.csv", b"<html>404</html>", "frames"),
        ("run1.csv.gz", gzip.compress(FRAMES, mtime=0)[:30], "frames"),
        ("run1.parquet", b"PAR1" + b"x" * 50, "frames"),
        # sensors
        ("run1.sensors.csv", SENSORS, "sensors"),
        ("run1.sensors.csv", SENSORS[:31], "sensors"),
        ("monitor.csv", SLOW_SENSORS, "sensors"),
        (
            "monitor.csv",
            b"time (s),fps,power (W)\n" + b"".join(b"%d,%d,210\n" % (i, 60 + i % 7) for i in range(60)),
            "sensors",
        ),
        ("monitor.txt", SLOW_SENSORS, "sensors"),
        # cut after 64 KiB, in the midst of a character of two bytes
        ("long.csv", (SENSORS + SENSORS[31:] * 60).decode().encode("utf-16"), "sensors"),
        # neighbours
        ("prices.csv", PRICES, "other"),
        ("run1.json", b'{"scene": "one"}', "other"),
        ("run1.json", b'{"schema": "frametime.run/1", "stutters": [{"start_s": 1.5}, {"start_s": 2.5}]}', "results"),
        ("run1.json", b'{"app": "x", "frames": [%s]}' % b", ".join([b'{"frame_ms": 16.6}'] * 9000), "frames"),
        ("notes.md", b"# notes\n", "other"),
        ("readme.txt", b"Some words about the bench.\nNothing else.\n", "other"),
        ("empty.txt", b"", "other"),
        ("shot.png", b"\x89PNG\r\n\x1a\n", "other"),
        ("plan.toml", b"x = 1\n", "other"),
        (".hidden.csv", FRAMES, "other"),
    ],
)
def test_kinds(tmp_path: Path, name: str, content: bytes, kind: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    found = classify_file(path)
    assert found.kind == kind, found.reason
    assert found.reason


def test_a_sidecar_in_json_is_told_as_what_it_is(tmp_path: Path) -> None:
    path, starts = tmp_path / "starts.json", {f"run{run}.csv": f"2026-11-28T19:2{run}:38+00:00" for run in range(6)}
    path.write_text(json.dumps(starts, indent=1), "utf-8")
    found = classify_file(path)
    assert (found.kind, found.reason) == ("other", "JSON without a list of frames")


def test_tables(tmp_path: Path) -> None:
    for name, columns, kind in (
        ("a.parquet", {"frame_ms": [16.5, 16.6]}, "frames"),
        ("b.parquet", {"time_s": [1.0, 2.0], "power (W)": [1.0, 2.0]}, "sensors"),
        ("c.parquet", {"card": ["x"], "price": [1.0]}, "other"),
    ):
        pq.write_table(pa.table(columns), tmp_path / name)
        assert classify_file(tmp_path / name).kind == kind


def test_little_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "large.csv"
    path.write_bytes(FRAMES * 5000)
    read = 0
    inner = open

    def counting(*arguments: object, **options: object) -> object:
        stream = inner(*arguments, **options)  # type: ignore[call-overload]
        whole = stream.read

        class Counting:
            def __getattr__(self, name: str) -> object:
                return getattr(stream, name)

            def __enter__(self) -> Counting:
                return self

            def __exit__(self, *_: object) -> None:
                stream.close()

            def read(self, size: int = -1) -> bytes:
                nonlocal read
                block: bytes = whole(size)
                read += len(block)
                return block

        return Counting()

    monkeypatch.setattr("builtins.open", counting)
    assert classify_file(path).kind == "frames"
    assert 0 < read <= 128 << 10


def test_a_file_that_is_gone(tmp_path: Path) -> None:
    assert classify_file(tmp_path / "gone.csv").kind == "frames"
