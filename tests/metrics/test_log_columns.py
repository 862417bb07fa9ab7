"""Columns beside the timestamps, gaps included."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from made_captures import capture_of
from made_regularity import run_of

from frametime.metrics.frame_series import FrameSeries, column_with_gaps, logged_times_ns, shown_frames
from frametime.metrics.options import MeasureOptions


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
