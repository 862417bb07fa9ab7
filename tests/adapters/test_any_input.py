"""Whatever the bytes, the answer is a capture or one clear line; never another exception."""

from __future__ import annotations

import gzip
import io
from itertools import pairwise
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.capture import TIME_COLUMN
from frametime.errors import FrametimeError

DATA = Path(__file__).parent / "data" / "frame_pollutions"
SEEDS = [path.read_bytes() for path in sorted(DATA.glob("*.*")) if path.suffix != ".json"]
QUIET = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))

# fmt: off
CELLS = st.sampled_from([
    "0.016", "16.6", "17,247", '"17,247"', "", "NA", "nan", "inf", "-1", "0", "1e5", "1e400", "x", '"', "'",
    "12:00:01.5",
    "2026-01-02T03:04:05.1Z", "2026-13-45T99:99:99Z", "9" * 30, "-" + "9" * 25, "1.5 ms", "1 s", "\u00b5", "\0", "1_0",
    "0x10", "1'000", "1 000", "\u0663", "True", "+5", ".5", "5.", "=1+1",
])
HEADERS = st.sampled_from([
    "Time (s)", "time", "FrameTime (ms)", "frame_us", "fps", "Elapsed", "timestamp_ns", "App", "dropped", "shown",
    "gpu_work_ns", "start_ns", "finished_ns", "displayed_ms", "power (W)", "", "x", "t_us", "#", "frame", "1",
])
# fmt: on


def outcome(content: bytes, options: ReadOptions | None = None) -> None:
    try:
        capture = read_capture(io.BytesIO(content), options=options or ReadOptions())
    except FrametimeError as error:
        assert str(error).replace("\u00a0", " ").isprintable()
        return
    stamps = capture.frames[TIME_COLUMN].to_pylist()
    assert len(stamps) == capture.n_frames + 1 >= 3
    assert all(a < b for a, b in pairwise(stamps))


@QUIET
@given(st.binary(max_size=400))
@example(b"\xff\xfe")
@example(b"\xfe\xff\x00")
@example(b"\x1f\x8b")
@example(b"ARROW1\0\0" + b"\0" * 40)
@example(b"PAR1PAR1")
@example(b"time (s)\n0\n")
@example(b"0\n")
@example(b"\xff\xff\xff\xff\xff\xff\xff\x7f")
@example(b"\x28\xb5\x2f\xfd\0\0\0")
def test_any_bytes(content: bytes) -> None:
    outcome(content)


@QUIET
@given(st.sampled_from(SEEDS), st.data())
def test_damaged_logs(content: bytes, data: st.DataObject) -> None:
    """A sound or odd log with a few bytes changed, cut, doubled or compressed."""
    damaged = bytearray(content)
    for _ in range(data.draw(st.integers(0, 6))):
        if damaged:
            damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    start = data.draw(st.integers(0, max(0, len(damaged) // 4)))
    stop = data.draw(st.integers(0, len(damaged)))
    content = bytes(damaged[start:]) if data.draw(st.booleans()) else bytes(damaged[:stop])
    if data.draw(st.booleans()):
        packed = gzip.compress(content, mtime=0)
        content = packed[: data.draw(st.integers(1, len(packed)))]
    outcome(content)


@QUIET
@given(
    st.lists(HEADERS, min_size=1, max_size=5),
    st.lists(st.lists(CELLS, min_size=0, max_size=6), max_size=30),
    st.sampled_from([",", ";", "\t", " ", "|"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_tables_of_odd_cells(header: list[str], rows: list[list[str]], delimiter: str, end: str) -> None:
    text = end.join(delimiter.join(row) for row in [header, *rows])
    outcome(text.encode("utf-8"))


@QUIET
@given(
    st.text(max_size=300)
    | st.lists(
        st.tuples(
            st.sampled_from(
                ["time_column", "unit", "kind", "delimiter", "header_line", "first_data_line", "colour", "a.b"]
            ),
            st.sampled_from(
                ['"Time (s)"', '"ms"', "1", "0", "-5", '"\\t"', '"none"', "true", "[]", '"rate"', "1e400", "nan"]
            ),
        ).map(" = ".join),
        max_size=6,
    ).map("\n".join)
)
def test_any_layout(text: str) -> None:
    try:
        layout = Layout.from_toml(text, "any.toml")
    except FrametimeError as error:
        assert str(error).startswith("any.toml")
        assert str(error).replace("\u00a0", " ").isprintable()
        return
    assert Layout.from_toml(layout.to_toml(), "again.toml") == layout
    outcome(SEEDS[0], ReadOptions(layout=layout))
