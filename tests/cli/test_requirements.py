"""Requirements: read, refused, met and missed."""

from __future__ import annotations

from pathlib import Path

import click
import pytest

from frametime import measure, read_capture
from frametime.cli.check import Requirement

KNOWN = ("average_fps", "low_1pct_mean_fps")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("average_fps", "takes KEY=VALUE"),
        ("average_fbs=60", "did you mean 'average_fps'"),
        ("average_fps=fast", "'fast' is not a number"),
        ("average_fps=nan", "'nan' is not a number"),
    ],
)
def test_a_wrong_requirement_is_refused(text: str, message: str) -> None:
    with pytest.raises(click.UsageError, match=message):
        Requirement.parse(text, "min", KNOWN)


def test_what_is_missed_is_named_with_the_distance(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    log.write_text("frame_time_ms\n" + "10\n" * 500)
    run = measure(read_capture(log))
    assert Requirement.parse("average_fps=100", "min", KNOWN).missed(run) is None
    too_high = Requirement("average_fps", "min", 120.0).missed(run)
    assert too_high == "average_fps is 100 fps, at least 120 fps is required: 20 fps below"
    too_low = Requirement("max_frame_time_ms", "max", 8.0).missed(run)
    assert too_low == "max_frame_time_ms is 10 ms, at most 8 ms is required: 2 ms above"


def test_a_metric_without_a_value_meets_nothing(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    log.write_text("frame_time_ms\n" + "10\n" * 500)
    run = measure(read_capture(log))
    told = Requirement("average_power_w", "max", 1e9).missed(run)
    assert told is not None and told.endswith(", at most 1e+09 W is required")
