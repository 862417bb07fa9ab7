"""Cutting is exact at the edges, and never silent."""

from __future__ import annotations

import io

import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.capture import Capture, cut_capture
from frametime.caveats import Weight
from frametime.errors import ReadError

MS = 1_000_000


def capture_of(n: int = 100, frame_ms: float = 10.0) -> Capture:
    return read_capture(io.BytesIO(b"frame time (ms)\n" + f"{frame_ms}\n".encode() * n))


@pytest.mark.parametrize(
    ("cut", "first_ms", "last_ms"),
    [
        ({"skip_start_s": 0.2}, 200, 1000),
        ({"skip_start_s": 0.195}, 200, 1000),
        ({"skip_start_s": 0.201}, 210, 1000),
        ({"skip_end_s": 0.2}, 0, 800),
        ({"skip_end_s": 0.199}, 0, 800),
        ({"from_s": 0.1, "to_s": 0.3}, 100, 300),
        ({"from_s": 0.1, "to_s": 0.305}, 100, 300),
        ({"skip_start_s": 0.2, "from_s": 0.1, "to_s": 0.5, "skip_end_s": 0.6}, 200, 400),
        ({"to_s": 99.0}, 0, 1000),
    ],
)
def test_whole_frames_inside_are_kept(cut: dict[str, float], first_ms: int, last_ms: int) -> None:
    capture = cut_capture(capture_of(), **cut)
    stamps = capture.frames["timestamp_ns"].to_pylist()
    assert stamps == [t * MS for t in range(first_ms, last_ms + 1, 10)]
    assert capture.caveats[-1].code == "capture-cut"
    assert capture.caveats[-1].weight is Weight.NOTE
    assert f"{(last_ms - first_ms) // 10} of 100 frames" in capture.caveats[-1].message
    assert set(capture.provenance.options) == set(cut)


def test_nothing_cut_is_the_same_capture() -> None:
    capture = capture_of()
    assert cut_capture(capture) is capture


def test_a_clock_that_does_not_start_at_zero() -> None:
    log = "timestamp_ms\n" + "".join(f"{5000 + 10 * i}\n" for i in range(101))
    capture = read_capture(io.BytesIO(log.encode()), options=ReadOptions(from_s=0.5, to_s=0.6))
    assert capture.frames["timestamp_ns"].to_pylist() == [t * MS for t in range(5500, 5601, 10)]


def test_a_cut_that_leaves_too_little() -> None:
    with pytest.raises(ReadError, match=r"\(skip start 0.99 s\) leaves 1 of 100 frames; the capture is 1.000 s"):
        cut_capture(capture_of(), skip_start_s=0.99)
    with pytest.raises(ReadError, match="leaves 0 of 100 frames"):
        cut_capture(capture_of(), from_s=5.0)


@pytest.mark.parametrize("cut", [{"skip_start_s": -1.0}, {"skip_end_s": float("nan")}, {"from_s": float("inf")}])
def test_wrong_seconds(cut: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(cut))):
        cut_capture(capture_of(), **cut)
    with pytest.raises(ValueError, match=next(iter(cut))):
        ReadOptions(**cut)  # type: ignore[arg-type]


def test_cutting_twice_keeps_both_in_the_options() -> None:
    capture = cut_capture(cut_capture(capture_of(), skip_start_s=0.2), to_s=0.3)
    assert dict(capture.provenance.options) == {"skip_start_s": "0.2", "to_s": "0.3"}
    assert capture.frames["timestamp_ns"].to_pylist() == [t * MS for t in range(200, 501, 10)]
