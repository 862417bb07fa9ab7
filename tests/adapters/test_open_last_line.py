"""A log that stops in the middle of its last number: law of readers, right or left out with a word."""

from __future__ import annotations

import io
from itertools import accumulate

import pytest

from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_reader import read_sensor_text
from frametime.capture import TIME_COLUMN

QUOTED = b'"frame_time_us"\n' + b'"16700"\n' * 30
PLAIN = b"frame_time_us\n" + b"16700\n" * 30


@pytest.mark.parametrize(
    "content",
    [
        QUOTED + b'"10000',
        PLAIN + b"10000",
        b"n,frame_time_us\n" + b"".join(b"%d,16700\n" % n for n in range(30)) + b"30,10000",
        b"frame_time_ms\n" + b"16.7\n16.75\n" * 15 + b"10.0",
    ],
    ids=["open quote", "whole number", "second column", "decimals that vary"],
)
def test_a_frame_time_that_may_lack_digits_is_left_out(content: bytes) -> None:
    capture = read_capture(io.BytesIO(content))
    assert capture.frames.num_rows == 31
    assert [caveat.code for caveat in capture.caveats] == ["cut-last-line"]
    assert "10" in capture.caveats[0].message


@pytest.mark.parametrize(
    "content",
    [
        QUOTED + b'"10000"',
        PLAIN + b"10000\n",
        b"frame_time_ms\n" + b"16.70\n" * 30 + b"10.00",
        b"frame_time_us,n\n" + b"16700,1\n" * 30 + b"10000,1",
        b"time_us\n" + b"".join(b"%d\n" % (16700 * n) for n in range(1, 31)) + b"511000",
    ],
    ids=["closed quote", "line end", "fixed decimals", "another column last", "timestamps that rise"],
)
def test_a_last_frame_that_is_whole_is_kept(content: bytes) -> None:
    capture = read_capture(io.BytesIO(content))
    stamps = capture.frames[TIME_COLUMN].to_pylist()
    assert stamps[-1] - stamps[-2] == 10_000_000
    assert capture.caveats == ()


def test_a_sensor_sample_that_may_lack_digits_is_left_out() -> None:
    rows = b"".join(b"%d.0,215\n" % second for second in range(30))
    whole = read_sensor_text(
        io.BytesIO(b"time_s,power_w\n" + rows + b"30.0,210\n"), SensorOptions(), wants_absolute=False
    )
    cut = read_sensor_text(io.BytesIO(b"time_s,power_w\n" + rows + b"30.0,210"), SensorOptions(), wants_absolute=False)
    assert (whole.values["power_w"].size, cut.values["power_w"].size) == (31, 30)
    assert "sensor-cut-last-line" in [caveat.code for caveat in cut.caveats]
    assert "sensor-cut-last-line" not in [caveat.code for caveat in whole.caveats]


@pytest.mark.parametrize("is_end", [True, False])
def test_a_last_length_that_no_clock_confirms_is_left_out(is_end: bool) -> None:
    """Where the stamps mark the ends of frames the last step says the same; where they mark starts nothing does."""
    lengths = [9_959_120 + 350_001 * (n % 7) for n in range(60)]
    ends = list(accumulate(lengths))
    stamps = ends if is_end else [0, *ends[:-1]]
    rows = "\n".join(f"{stamp / 1e9:.9f},{length}" for stamp, length in zip(stamps, lengths, strict=True))
    capture = read_capture(io.BytesIO(f"t [s],frame time [ns]\n{rows}".encode()))
    assert [caveat.code for caveat in capture.caveats] == ([] if is_end else ["cut-last-line"])
    assert capture.n_frames == (60 if is_end else 59)
