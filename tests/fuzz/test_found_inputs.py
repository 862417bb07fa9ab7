"""What fuzzing found once, so that it is not found again; warnings are errors here, so what is printed counts too."""

from __future__ import annotations

import io

import pytest

from frametime.adapters.reading import read_capture
from frametime.errors import ReadError

ROWS = b"10.25\n" * 60
NAMED = b"a,10.25\n" * 60


def test_a_row_of_odd_length_that_is_no_utf8_is_read_in_another_encoding() -> None:
    head = b"name,frame_time_ms\n" + b"a,10.25\n" * 20_000  # beyond what is looked at first
    capture = read_capture(io.BytesIO(head + b"\xffx,10,3\n" + NAMED))
    assert capture.n_frames == 20_061
    assert "encoding" in capture.provenance.layout_toml


def test_a_row_of_odd_length_that_is_no_utf8_below_its_mark_is_refused() -> None:
    with pytest.raises(ReadError, match="begins with the mark of UTF-8, and is not valid UTF-8"):
        read_capture(io.BytesIO(b"\xef\xbb\xbfname,frame_time_ms\n" + NAMED + b"\xffx,10,3\n" + NAMED))
