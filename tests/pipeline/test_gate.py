"""Requirements: read, refused, met and missed."""

from __future__ import annotations

from pathlib import Path

import pytest

from frametime import measure, read_capture
from frametime.pipeline.gate import Requirement, unmet

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
    with pytest.raises(ValueError, match=message):
        Requirement.parse(text, "min", KNOWN)


def test_what_is_missed_is_named_with_the_distance(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    log.write_text("frame_time_ms\n" + "10\n" * 500)
    run = measure(read_capture(log))
    met = Requirement(key="average_fps", side="min", value=100.0)
    too_high = Requirement(key="average_fps", side="min", value=120.0)
    too_low = Requirement(key="max_frame_time_ms", side="max", value=8.0)
    missed = unmet(run, [met, too_high, too_low])
    assert [miss.requirement for miss in missed] == [too_high, too_low]
    assert missed[0].sentence == "average_fps is 100 fps, at least 120 fps is required: 20 fps below"
    assert missed[1].sentence == "max_frame_time_ms is 10 ms, at most 8 ms is required: 2 ms above"


def test_a_metric_without_a_value_meets_nothing(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    log.write_text("frame_time_ms\n" + "10\n" * 500)
    run = measure(read_capture(log))
    assert unmet(run, [Requirement(key="average_power_w", side="max", value=1e9)])
