"""What a plan says about measuring reaches every run."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from frametime.errors import PlanError
from frametime.pipeline.review_files import review_plan
from frametime.plans.plan import parse_plan

PLAN = """\
title = "Bench"
baseline = "amber"
resolutions = ["1080p"]
metrics = ["average_fps"]

[captures]
folder = "captures"
pattern = "{{card}}/{{scene}}/run{{run}}.csv"
{captures}
[measure]
{measure}

[[cards]]
key = "amber"
temperature_limit_c = 85
power_limit_w = 250

[[cards]]
key = "cobalt"
{card}

[[scenes]]
key = "mill"
"""


def plan_text(captures: str = "", measure: str = "", card: str = "") -> str:
    return PLAN.format(captures=captures, measure=measure, card=card)


def test_refresh_lows_and_limits_are_read() -> None:
    text = plan_text("skip_warm_up = true", 'refresh = "60000/1001"\ntearing = true\nslowest_pcts = [5, 1]')
    plan = parse_plan(text, file_name="plan.toml", folder=Path())
    assert plan.captures.keys.skip_warm_up
    assert plan.measure.refresh is not None
    assert (plan.measure.refresh.low_hz, plan.measure.refresh.tearing) == (Fraction(60000, 1001), True)
    assert plan.measure.slowest_pcts == (5.0, 1.0)
    assert (plan.cards["amber"].temperature_limit_c, plan.cards["amber"].power_limit_w) == (85.0, 250.0)
    assert plan.cards["cobalt"].power_limit_w is None


@pytest.mark.parametrize(
    ("kind", "line", "words"),
    [
        ("measure", 'refresh = "fast"', "refresh"),
        ("measure", "tearing = 1", "allowed: true or false"),
        ("measure", "slowest_pcts = [0]", "a number from 1e-06 to 99.999"),
        ("captures", 'skip_warm_up = "yes"', "allowed: true or false"),
        ("captures", "segment = 2", "longest"),
        ("card", "power_limit_w = -1", "a number from 1 to 5000"),
    ],
)
def test_a_wrong_value_is_refused_with_its_line(kind: str, line: str, words: str) -> None:
    text = plan_text(**{kind: line})
    with pytest.raises(PlanError) as caught:
        parse_plan(text, file_name="plan.toml", folder=Path())
    assert words in str(caught.value)
    assert f"line {text.splitlines().index(line) + 1}" in str(caught.value)


def test_the_longest_stretch_of_play_alone_counts_where_the_plan_says_so(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    play, menu = 10.0 * rng.lognormal(0.0, 0.05, 2000), 2.0 * rng.lognormal(0.0, 0.002, 5000)
    for card in ("amber", "cobalt"):
        folder = tmp_path / "captures" / card / "mill"
        folder.mkdir(parents=True)
        rows = "\n".join(f"{time_ms:.4f}" for time_ms in (*menu, *play))
        (folder / "run1.csv").write_text(f"frame_time_ms\n{rows}\n")
    rates = []
    for key in ("", 'segment = "longest"'):
        plan = parse_plan(plan_text(key), file_name="plan.toml", folder=tmp_path)
        rates.append([run.values["average_fps"] for run in review_plan(plan, workers=1).runs])
    assert rates[0] == [pytest.approx(233.0, rel=0.01)] * 2
    assert rates[1] == [pytest.approx(100.0, rel=0.01)] * 2


def test_a_refresh_makes_display_metrics_of_every_run(tmp_path: Path) -> None:
    for card in ("amber", "cobalt"):
        folder = tmp_path / "captures" / card / "mill"
        folder.mkdir(parents=True)
        for run in (1, 2):
            (folder / f"run{run}.csv").write_text("frame_time_ms\n" + f"{15 + run / 10}\n14\n" * 200)
    text = plan_text(measure='refresh = "60"').replace('["average_fps"]', '["judder_rms_ms"]')
    result = review_plan(parse_plan(text, file_name="plan.toml", folder=tmp_path), workers=1)
    values = [run.values["judder_rms_ms"] for run in result.runs]
    assert len(values) == 4 and all(value is not None and value > 0.0 for value in values)
