"""Sentences that several charts share: what a number is, in few words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from frametime.metrics.options import StutterRule
from frametime.render.charts.traces import RunTrace
from frametime.render.numbers import format_quantity, significant_digits
from frametime.units import FRAMES_PER_SECOND

FRAME_TIME = "Frame time: from the end of one frame to the end of the next; its axis starts at 0 ms."


def counted(count: int, singular: str, plural: str | None = None) -> str:
    """A count and its noun.

    Examples
    --------
    >>> counted(1, "run"), counted(3, "run"), counted(12_500, "frame")
    ('1 run', '3 runs', '12,500 frames')
    """
    return f"{count:,} {singular if count == 1 else plural or singular + 's'}"


def joined(parts: Sequence[str]) -> str:
    """A list in a sentence.

    Examples
    --------
    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def stutter_words(count: int, rule: StutterRule | None) -> str:
    """How many stutters, and what one is."""
    text = f"{counted(count, 'stutter')} marked"
    if rule is None:
        return f"{text}, by the rule of the review."
    return (
        f"{text}: a frame longer than {rule.factor:g} × the local median (of {rule.window_s:g} s around it) and longer "
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
