"""What fuzzing found once, so that it is not found again; warnings are errors here, so what is printed counts too."""

from __future__ import annotations

import io

import pytest

from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.sensors.sensor_trace import attach_sensors
from frametime.errors import FrametimeError, ReadError

ROWS = b"10.25\n" * 60
NAMED = b"a,10.25\n" * 60


def test_a_row_of_odd_length_that_is_no_utf8_is_read_in_another_encoding() -> None:
    head = b"name,frame_time_ms\n" + b"a,10.25\n" * 20_000  # beyond what is looked at first
    capture = read_capture(io.BytesIO(head + b"\xffx,10,3\n" + NAMED))
    assert capture.n_frames == 20_061
    assert "encoding" in capture.provenance.layout_toml


def test_a_row_of_odd_length_that_is_no_utf8_below_its_mark_is_refused() -> None:
    with pytest.raises(ReadError, match="the text is said or marked to be UTF-8, and is not"):
        read_capture(io.BytesIO(b"\xef\xbb\xbfname,frame_time_ms\n" + NAMED + b"\xffx,10,3\n" + NAMED))


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["without a mark", "below its mark"])
@pytest.mark.parametrize("before", [3, 20_000], ids=["near", "far"])
def test_a_sensor_log_with_a_byte_that_is_no_utf8_is_read_or_refused(mark: bytes, before: int) -> None:
    rows = [b"%d.5,200,card" % i for i in range(before + 50)]
    rows[before] = b"%d.5,200,car\xe9" % before
    log = io.BytesIO(mark + b"time_s,power_w,note\n" + b"\n".join(rows) + b"\n")
    capture = read_capture(io.BytesIO(NAMED.replace(b"a,10.25\n", b"a,frame_time_ms\n", 1) + NAMED))
    if mark:
        with pytest.raises(FrametimeError, match="the text is said or marked to be UTF-8, and is not"):
            attach_sensors(capture, log, options=SensorOptions(offset_s=0.0))
    else:
        attach_sensors(capture, log, options=SensorOptions(offset_s=0.0))
