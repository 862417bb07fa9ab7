"""Packed frame times: nothing above or below the run is lost, and what is packed comes back."""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from report_page_reading import parsed

from frametime.metrics.metric import Curve
from frametime.render.report.document import TraceView
from frametime.render.report.html import render_html, with_traces
from frametime.render.report.page_data import STEPS, envelope, pack, place_of_traces, review_traces, trace
from frametime.render.report.review_report import review_report
from frametime.review.result import ReviewResult


def curve(x: list[float], y: list[float]) -> Curve:
    return Curve(x=tuple(x), y=tuple(y), x_label="elapsed time, s", y_label="frame time, ms")


def traces_of(view: TraceView) -> list[list[dict[str, Any]]]:
    data: Any = view.data
    return [part["traces"] for part in data["sets"]]


def unpack(packed: str) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """The way back: what the script of the page does."""
    planes = np.frombuffer(zlib.decompress(base64.b64decode(packed)), dtype=np.uint8).reshape(4, -1)
    values = planes.T.copy().view("<u4").ravel()
    half = len(values) // 2
    return values[:half], values[half:]


@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=50), st.data())
def test_packed_integers_come_back(low: list[int], data: st.DataObject) -> None:
    high = data.draw(st.lists(st.integers(0, 2**32 - 1), min_size=len(low), max_size=len(low)))
    sides = np.array(low, dtype=np.uint32), np.array(high, dtype=np.uint32)
    back = unpack(pack(sides))
    assert [side.tolist() for side in back] == [low, high]


def test_the_packing_is_what_the_page_unpacks() -> None:
    packed = pack((np.array([0x04030201], dtype=np.uint32), np.array([0x14131211], dtype=np.uint32)))
    assert zlib.decompress(base64.b64decode(packed)) == bytes([0x01, 0x11, 0x02, 0x12, 0x03, 0x13, 0x04, 0x14])


@given(st.lists(st.floats(0.1, 2000.0), min_size=1, max_size=200), st.integers(1, 60))
def test_no_extreme_is_lost(times_ms: list[float], n_steps: int) -> None:
    x = [(number + 1.0) / len(times_ms) * 10.0 for number in range(len(times_ms))]
    low, high = envelope(curve(x, times_ms), curve(x, times_ms), duration_s=10.0, n_steps=n_steps)
    assert high.max() == round(max(times_ms) * 1000.0)
    assert low[low > 0].min() == round(min(times_ms) * 1000.0)
    assert (low <= high).all()


def test_a_step_without_a_frame_is_zero_and_each_extreme_is_in_its_step() -> None:
    low, high = envelope(
        curve([0.5, 1.5, 3.5], [4.0, 5.0, 6.0]), curve([0.5, 1.5, 3.5], [8.0, 40.0, 9.5]), duration_s=4.0, n_steps=4
    )
    assert low.tolist() == [4000, 5000, 0, 6000]
    assert high.tolist() == [8000, 40000, 0, 9500]


def test_a_trace_has_no_more_steps_than_the_curve_has_points() -> None:
    both = curve([1.0, 2.0], [5.0, 6.0])
    assert trace(both, both, duration_s=2.0, n_steps=100)["n_steps"] == 2


def test_a_duration_of_nothing_is_a_mistake() -> None:
    with pytest.raises(ValueError, match=r"duration_s must be positive, got 0\.0"):
        envelope(curve([1.0], [1.0]), curve([1.0], [1.0]), duration_s=0.0, n_steps=1)


def test_the_finest_steps_that_fit_are_taken(hundred_cells: ReviewResult) -> None:
    wide = review_traces(hundred_cells, room_bytes=100_000_000)
    narrow = review_traces(hundred_cells, room_bytes=1_000_000)
    assert wide is not None
    assert narrow is not None
    steps = [traces_of(view)[0][0]["n_steps"] for view in (wide, narrow)]
    assert steps[0] == STEPS[0]
    assert steps[1] < steps[0]
    assert f"900 runs in at most {steps[1]} steps" in narrow.statement
    packed = sum(len(item["packed"]) for part in traces_of(narrow) for item in part)
    assert 500_000 < packed < 1_000_000


def test_what_is_left_out_is_said(hundred_cells: ReviewResult) -> None:
    view = review_traces(hundred_cells, room_bytes=250_000)
    assert view is not None
    assert [len(part) for part in traces_of(view)] == [3] * 100
    assert "300 runs" in view.statement
    assert "600 later runs of the same cells are left out" in view.statement
    assert review_traces(hundred_cells, room_bytes=1000) is None


def test_a_review_without_curves_has_no_traces(small: ReviewResult) -> None:
    bare = replace(small, runs=tuple(replace(run, curves={}) for run in small.runs))
    assert review_traces(bare, room_bytes=1_000_000) is None
    assert "Frame times of each run" not in render_html(review_report(bare))


def test_a_page_without_room_for_traces_says_so(small: ReviewResult) -> None:
    page = render_html(review_report(small, traces=None))
    assert "There is no room for the frame times in this page" in page
    assert "uPlot" not in page


def test_the_page_carries_what_was_packed(small: ReviewResult) -> None:
    view, place = review_traces(small, room_bytes=1_000_000), place_of_traces(small)
    page = render_html(review_report(small, traces=view))
    assert view is not None and place is not None
    assert with_traces(render_html(review_report(small, traces=place)), place, view) == page
    tree = parsed(page)
    data: Any = json.loads(next(item.text for item in tree.iter("script") if item.get("class") == "trace-data") or "")
    run = small.runs[0]
    item = data["sets"][0]["traces"][0]
    low, high = unpack(item["packed"])
    assert high.max() == round(max(run.curves["trace_high"].y) * 1000.0)
    assert low[low > 0].min() == round(min(run.curves["trace_low"].y) * 1000.0)
    assert item["duration_s"] == run.duration_s
