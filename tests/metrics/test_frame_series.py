"""Frame times from timestamps: exact at any absolute time, and the only differences in the package."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_captures import DEFAULT, capture_of, series_of

from frametime.metrics import frame_series, pacing
from frametime.metrics.frame_series import FrameSeries, frame_times_ms, frame_times_ns
from frametime.metrics.options import MeasureOptions

EPOCH_NS = 1_790_000_000_000_000_000


@given(times_ns=st.lists(st.integers(1, 10**10), min_size=1, max_size=50))
def test_absolute_times_lose_nothing(times_ns: list[int]) -> None:
    stamps_ns = EPOCH_NS + np.concatenate([[0], np.cumsum(times_ns)])
    assert frame_times_ns(stamps_ns).tolist() == times_ns
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


def test_jitter_of_a_long_run_is_that_of_a_short_one(monkeypatch: pytest.MonkeyPatch) -> None:
    times_ns = np.cumsum(np.random.default_rng(4).integers(1, 40_000_000, 5000))
    usual = FrameSeries(times_ns, options=MeasureOptions())
    monkeypatch.setattr(frame_series, "MANY_FRAMES", 1000)
    ahead = FrameSeries(times_ns, options=MeasureOptions())
    monkeypatch.setattr(pacing, "jitter", None)  # It is not computed again when asked for.
    assert ahead.jitter is not None
    monkeypatch.undo()
    assert ahead.jitter == usual.jitter
