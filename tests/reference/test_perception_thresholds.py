"""Thresholds that a publication names stand in the defaults, with that publication as their source.

``data/perception_thresholds.json`` holds what was published and how each was read; the rest is common practice.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from frametime.metrics.catalog import CATALOG
from frametime.metrics.options import MeasureOptions, StutterRule

PUBLISHED = {
    entry["name"]: entry
    for entry in json.loads((Path(__file__).parent / "data" / "perception_thresholds.json").read_text("utf-8"))
}


def test_the_shortest_hitch_is_the_long_task() -> None:
    published = PUBLISHED["long task"]
    assert (published["value"], published["unit"]) == (50, "ms")
    for source in (published["source"], CATALOG["hitch_over_50ms_count"].source):
        assert "W3C Long Tasks API" in source


def test_the_least_excess_is_the_small_variation_of_the_study() -> None:
    """4 ms hardly lowers perceived smoothness, 12 ms clearly does: from 4 ms on, a long frame is worth counting."""
    assert (
        f"{MeasureOptions().stutter.min_excess_ms:.0f} to 12 ms variation"
        in (PUBLISHED["small frame-time variation"]["statement"])
    )
    assert "Klein et al., IEEE CoG 2024" in CATALOG["stutter_count"].source
    assert "Klein et al." in (StutterRule.__doc__ or "")


def test_a_class_near_a_studied_spike_names_the_study_and_does_not_claim_it() -> None:
    assert PUBLISHED["large frame-time spikes"]["value"] == 225
    source = CATALOG["hitch_over_250ms_count"].source
    assert source.startswith("common practice, no source")
    assert "225 ms" in source


@pytest.mark.parametrize(
    "key",
    [
        "freeze_over_500ms_count",
        "hitch_over_100ms_count",
        "low_1pct_mean_fps",
        "low_1pct_time_fps",
        "stutter_count",
    ],
)
def test_what_has_no_source_says_so(key: str) -> None:
    assert CATALOG[key].source.startswith("common practice, no source")
