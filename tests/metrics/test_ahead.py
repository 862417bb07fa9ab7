"""Work begun in a second thread gives the same, and its errors are not lost."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from frametime.metrics import frame_series, pacing
from frametime.metrics.ahead import begun
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions


def test_the_work_is_begun_at_once_in_another_thread() -> None:
    started = threading.Event()

    def work() -> int:
        started.set()
        return threading.get_ident()

    answer = begun(work)
    assert started.wait(timeout=60)
    assert answer() != threading.get_ident()
    assert answer() == answer()


def test_an_error_is_raised_where_the_result_is_asked_for() -> None:
    answer = begun(lambda: 1 // 0)
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            answer()


def test_jitter_of_a_long_run_is_that_of_a_short_one(monkeypatch: pytest.MonkeyPatch) -> None:
    times_ns = np.cumsum(np.random.default_rng(4).integers(1, 40_000_000, 5000))
    usual = FrameSeries(times_ns, options=MeasureOptions())
    monkeypatch.setattr(frame_series, "MANY_FRAMES", 1000)
    ahead = FrameSeries(times_ns, options=MeasureOptions())
    monkeypatch.setattr(pacing, "jitter", None)  # It is not computed again when asked for.
    assert ahead.jitter is not None
    monkeypatch.undo()
    assert ahead.jitter == usual.jitter
