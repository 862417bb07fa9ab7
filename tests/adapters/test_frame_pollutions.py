"""Frame logs, each broken or styled in one way: right, right with a caveat, or refused; never silently wrong."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture
from frametime.adapters.text.dialect import detect_dialect
from frametime.adapters.text.text_source import open_text
from frametime.capture import Capture
from frametime.errors import ReadError
from frametime.metrics.measure import measure

DATA = Path(__file__).parent / "data" / "frame_pollutions"
EXPECTED: dict[str, dict[str, Any]] = json.loads((DATA / "expected.json").read_text("utf-8"))["files"]

TOLD = {
    "unit_ticks_100ns_no_unit.csv": ReadOptions(unit="100ns"),
    "two_processes_interleaved.csv": ReadOptions(stream="a.exe"),
}
"""What a person would add where the file alone does not say."""

UNIT_NAMES = {"1/s": "fps"}


def check_numbers(capture: Capture, expected: dict[str, Any]) -> None:
    if expected["n_frames"] is not None:
        assert capture.n_frames == expected["n_frames"]
    if expected["sum_frame_ms"] is not None:
        stamps = capture.frames["timestamp_ns"].to_pylist()
        assert (stamps[-1] - stamps[0]) / 1e6 == pytest.approx(expected["sum_frame_ms"], abs=1e-4)


def check_layout(capture: Capture, expected: dict[str, Any]) -> None:
    """Dialect, columns and units as they are printed in the layout that was found."""
    found = Layout.from_toml(capture.provenance.layout_toml, "found")
    assert (found.encoding or "utf-8") == expected["encoding"]
    assert found.delimiter == (expected["delimiter"] or "none")
    assert found.decimal == expected["decimal"]
    assert found.header_line == (0 if expected["header_row"] is None else expected["header_row"] + 1)
    if "units_row" in expected:
        assert found.units_line == expected["units_row"] + 1
    named = {found.time_column, found.frame_time_column}
    for key in ("time_column", "frame_column"):
        if isinstance(expected[key], str) and expected[key]:
            # Columns with the same name are told apart by position.
            assert expected[key] in named or 1 in named
    unit = found.frame_time_unit or found.unit
    if expected["frame_unit"] is not None:
        assert unit == UNIT_NAMES.get(expected["frame_unit"], expected["frame_unit"])


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_outcome(name: str) -> None:
    expected = EXPECTED[name]
    outcome = expected["outcome"]
    try:
        capture = read_capture(DATA / name)
    except ReadError as error:
        assert "error" in outcome
        assert name in str(error)
        assert "\n" not in str(error)
        if name in TOLD:
            told = read_capture(DATA / name, options=TOLD[name])
            check_numbers(told, expected)
        return
    assert outcome != "error"
    assert name not in TOLD, "what the file does not say was guessed"
    check_numbers(capture, expected)
    check_layout(capture, expected)
    if outcome == "ok":
        assert capture.caveats == ()
    elif name == "time_gap_paused.csv":
        # A gap is a finding about the run, not about the text: it is made where the run is measured.
        assert "gap" in {caveat.code for caveat in measure(capture).caveats}
    else:
        assert capture.caveats != ()


@pytest.mark.parametrize("name", sorted(name for name, expected in EXPECTED.items() if expected["outcome"] == "ok"))
def test_byte_order_mark(name: str) -> None:
    with (DATA / name).open("rb") as log:
        source = open_text(log, ReadOptions())
        detect_dialect(source, ReadOptions())
        assert source.bom is EXPECTED[name]["bom"]


def test_true_frame_times() -> None:
    """Every frame of a clean file, to the nanosecond, not the sum alone."""
    frames_us = json.loads((DATA / "expected.json").read_text("utf-8"))["frames_us"]
    for name, expected in EXPECTED.items():
        if expected["outcome"] != "ok" or expected["n_frames"] != 64:
            continue
        stamps = read_capture(DATA / name).frames["timestamp_ns"].to_pylist()
        steps = [b - a for a, b in pairwise(stamps)]
        allowed_ns = 1 if name == "unit_fps_only.csv" else 0
        assert all(abs(step - us * 1000) <= allowed_ns for step, us in zip(steps, frames_us, strict=True)), name
