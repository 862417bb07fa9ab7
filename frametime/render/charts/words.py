"""Sentences that several charts share: what a number is, in few words."""

from __future__ import annotations

from collections.abc import Mapping

from frametime.metrics.options import StutterRule
from frametime.render.charts.traces import RunTrace
from frametime.render.numbers import format_quantity, significant_digits
from frametime.units import FRAMES_PER_SECOND
from frametime.words import counted

FRAME_TIME = "Frame time: from the end of one frame to the end of the next; its axis starts at 0 ms."


def stutter_words(count: int, rule: StutterRule | None) -> str:
    """How many stutters, and what one is."""
    text = f"{counted(count, 'stutter')} marked"
    if rule is None:
        return f"{text}, by the rule of the review."
    return (
        f"{text}: a frame longer than {rule.ratio:g} × the local median (of {rule.window_s:g} s around it) and longer "
        f"than it by {rule.min_excess_ms:g} ms or more."
    )


def fps_value(values: Mapping[str, float | None], key: str, *, n_frames: int) -> str:
    """A rate of a run with as many digits as its frames support."""
    return format_quantity(values.get(key), FRAMES_PER_SECOND, digits=significant_digits(n_frames))


def run_figures(trace: RunTrace, *, short: bool = False) -> str:
    """Average and 1 % low of a run in one line."""
    average = fps_value(trace.values, "average_fps", n_frames=trace.n_frames)
    low = fps_value(trace.values, "low_1pct_percentile_fps", n_frames=trace.n_frames // 100)
    if short:
        return f"average {average} · 1 % low {low}"
    return f"average {average} · 1 % low (percentile) {low}"
