"""With ``--intervals`` the screen of one run says which of its numbers have no interval, and why."""

from __future__ import annotations

from pathlib import Path

import pytest

from frametime import MeasureOptions, measure, read_capture
from frametime.metrics.metric import MeasuredRun
from frametime.render.check_text import check_text

LOGS = Path(__file__).parents[2] / "reference_logs"
SPOILED = LOGS / "review" / "captures" / "brae-41" / "orchard" / "1440p" / "run2.csv.gz"
ATLAS = LOGS / "recorded" / "preset-base" / "atlas" / "1080p" / "run1.csv.gz"


def run_of(path: Path, *, intervals: bool = True) -> MeasuredRun:
    return measure(read_capture(path), MeasureOptions(within_run_intervals=intervals))


def told(screen: str) -> str:
    """The entries below *No interval*, each on one line."""
    section = screen.partition("\nNo interval\n")[2].partition("\nCaveats")[0]
    return section.replace("\n    ", " ")


@pytest.mark.parametrize("path", [SPOILED, ATLAS], ids=["spoiled", "atlas"])
def test_every_number_of_the_screen_has_an_interval_or_is_named_with_the_reason(path: Path) -> None:
    run = run_of(path)
    screen = check_text(run)
    numbers, _, _ = screen.partition("\nNo interval\n")
    gaps = told(screen)
    for label, key in (
        ("average", "average_fps"),
        ("1 % low, percentile", "low_1pct_percentile_fps"),
        ("1 % low, by time", "low_1pct_time_fps"),
        ("longest frame", "max_frame_time_ms"),
        ("stutters", "stutter_count"),
        ("time lost to them", "stutter_time_fraction"),
        ("step between neighbors", "pacing_rmssd_ms"),
    ):
        row = next(line for line in numbers.splitlines() if line.startswith(f"  {label} "))
        value = run.values[key]
        assert (" to " in row) == (value.interval is not None), row
        entries = [line for line in gaps.splitlines() if label in line.strip().partition(": ")[0].split("; ")]
        assert [value.interval_reason is not None] == [bool(entries)], label
        if value.interval_reason is not None:
            assert entries[0].endswith(value.interval_reason)
    assert all(len(line) <= 80 for line in screen.splitlines())
    assert "Bickel" not in screen


def test_counts_of_long_frames_stand_together_only_where_none_has_an_interval() -> None:
    spoiled = check_text(run_of(SPOILED))
    assert "\n  frames over 50 ms          8 (" in spoiled
    assert "frames over 100 ms; frames over 250 ms; frames over 500 ms: it never happened" in told(spoiled)
    assert "hitches and freezes: it never happened" in told(check_text(run_of(ATLAS)))


def test_a_count_is_written_as_a_count() -> None:
    row = next(line for line in check_text(run_of(ATLAS)).splitlines() if line.startswith("  stutters "))
    assert row.split()[1] == "5" and "." not in row


def test_without_intervals_nothing_is_said_of_them() -> None:
    run = run_of(ATLAS, intervals=False)
    assert "No interval" not in check_text(run)
