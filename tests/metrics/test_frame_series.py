"""Timestamps to frame times, the columns beside them, and what a series works out once."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_captures import DEFAULT, capture_of, series_of
from made_regularity import run_of

from frametime.metrics.frame_series import (
    FrameSeries,
    column_with_gaps,
    frame_times_ms,
    logged_times_ns,
    shown_frames,
)
from frametime.metrics.options import MeasureOptions

EPOCH_NS = 1_790_000_000_000_000_000


@given(times_ns=st.lists(st.integers(1, 10**10), min_size=1, max_size=50))
def test_absolute_times_lose_nothing(times_ns: list[int]) -> None:
    stamps_ns = EPOCH_NS + np.concatenate([[0], np.cumsum(times_ns)])
    assert frame_times_ms(stamps_ns).tolist() == [time_ns / 1e6 for time_ns in times_ns]


def test_across_the_edges_of_blocks() -> None:
    stamps_ns = EPOCH_NS + np.cumsum(np.random.default_rng(1).integers(1, 10**8, 100_001))
    assert np.array_equal(frame_times_ms(stamps_ns), np.diff(stamps_ns) / 1e6)


@pytest.mark.parametrize("stamps_ns", [[], [5], [5, 5], [5, 4]])
def test_too_few_or_not_rising(stamps_ns: list[int]) -> None:
    with pytest.raises(ValueError, match="timestamps_ns must"):
        frame_times_ms(np.array(stamps_ns, dtype=np.int64))


def test_a_fall_far_inside_is_seen() -> None:
    stamps_ns = np.arange(1, 100_001) * 1000
    stamps_ns[32_768] = stamps_ns[32_767]
    with pytest.raises(ValueError, match="rise strictly"):
        frame_times_ms(stamps_ns)


def test_a_series_of_several_chunks() -> None:
    whole = capture_of(EPOCH_NS + np.arange(9) * 10**7)
    chunked = pa.concat_tables([whole.frames.slice(0, 4), whole.frames.slice(4)])
    series = FrameSeries.of(replace(whole, frames=chunked), DEFAULT)
    assert series.frame_times_ms.tolist() == [10.0] * 8


def test_what_a_series_says_of_itself() -> None:
    series = series_of(EPOCH_NS + np.array([0, 10, 40]) * 10**6)
    assert (series.n_frames, series.duration_s) == (2, 0.04)
    assert series.sorted_ms.tolist() == [10.0, 30.0]
    assert series.ends_s.tolist() == [0.01, 0.04]


@pytest.mark.parametrize(("longest_ns", "kind"), [(1_999_999_999, np.int32), (3_000_000_000, np.int64)])
def test_steps_are_whole_and_narrow_where_they_fit(longest_ns: int, kind: type) -> None:
    times_ns = [8_333_333, longest_ns, 1, 16_666_667]
    series = FrameSeries(EPOCH_NS + np.cumsum([0, *times_ns]), options=MeasureOptions())
    assert series.steps_ns.dtype == kind
    assert series.steps_ns.tolist() == times_ns
    assert series.sorted_ms.tolist() == [time_ns / 1e6 for time_ns in sorted(times_ns)]


@pytest.mark.parametrize("n_chunks", [1, 3])
def test_values_and_gaps_over_chunks(n_chunks: int) -> None:
    chunk = pa.array([None, 1_790_000_000_000_000_001, 3], type=pa.int64())
    values, valid = column_with_gaps(pa.table({"x": pa.chunked_array([chunk] * n_chunks)}), "x")
    # Beyond 2**53: through a floating-point number the last digit would be lost.
    assert values.tolist() == [0, 1_790_000_000_000_000_001, 3] * n_chunks
    assert valid.tolist() == [False, True, True] * n_chunks


def test_truth_values_come_as_numbers() -> None:
    values, valid = column_with_gaps(pa.table({"x": pa.array([True, None, False])}), "x")
    assert values.tolist() == [1, 0, 0]
    assert valid.tolist() == [True, False, True]


def test_a_column_of_gaps_alone() -> None:
    values, valid = column_with_gaps(pa.table({"x": pa.array([None, None], type=pa.int64())}), "x")
    assert values.tolist() == [0, 0]
    assert not valid.any()


def test_what_is_not_logged_is_none() -> None:
    series = FrameSeries(np.arange(3) * 10**7, options=MeasureOptions())
    assert logged_times_ns(series, "displayed_ns") is None
    assert shown_frames(series) is None
    bare = FrameSeries.of(capture_of(np.arange(3) * 10**7), MeasureOptions())
    assert logged_times_ns(bare, "displayed_ns") is None
    assert shown_frames(bare) is None


def test_the_first_row_is_no_frame() -> None:
    series = run_of(np.full(3, 10.0), shown=[False, True, False, True])
    assert shown_frames(series).tolist() == [True, False, True]


def test_reading_gaps_does_not_import_pandas() -> None:
    code = (
        "import io, sys, pyarrow.csv as c\n"
        "from frametime.metrics.frame_series import column_with_gaps\n"
        "table = c.read_csv(io.BytesIO(b'a,b\\n1,true\\n,\\n3,false\\n'))\n"
        "assert column_with_gaps(table, 'a')[0].tolist() == [1, 0, 3]\n"
        "assert column_with_gaps(table, 'b')[0].tolist() == [1, 0, 0]\n"
        "assert 'pandas' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
