"""Which numbers on the screen of one run have no interval within the run, and why."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from frametime.metrics.level import low_key, share_label
from frametime.metrics.metric import MeasuredRun

HITCHES: Final = {
    "hitch_over_50ms_count": "frames over 50 ms",
    "hitch_over_100ms_count": "frames over 100 ms",
    "hitch_over_250ms_count": "frames over 250 ms",
    "freeze_over_500ms_count": "frames over 500 ms",
}
"""Label of each count of long frames, by key of the catalog."""
ALL_HITCHES: Final = "hitches and freezes"
LOW_KINDS: Final = {"percentile": "percentile", "mean": "mean", "time": "by time"}
"""How the screen names the kinds of low, by their part of the key."""
_BEFORE_LOWS: Final = {"average_fps": "average", "median_frame_time_ms": "median frame time"}
_AFTER_LOWS: Final = {
    "max_frame_time_ms": "longest frame",
    "stutter_count": "stutters",
    "stutter_time_fraction": "time lost to them",
    **HITCHES,
    "pacing_rmssd_ms": "step between neighbors",
    "alternation": "alternation",
    "hitch_period_s": "hitches recur every",
    "average_power_w": "average power",
    "energy_per_frame_j": "energy per frame",
    "peak_temperature_c": "highest temperature",
}


def gap_lines(run: MeasuredRun, *, width: int) -> Iterator[str]:
    """One entry for each reason: the labels of the screen that it holds for, then the reason, wrapped to ``width``.

    Parameters
    ----------
    run : MeasuredRun
        Measured with intervals; without them there is nothing to tell.
    width : int
        Columns.
    """
    by_reason: dict[str, list[str]] = {}
    for key, label in _labels(run).items():
        reason = run.values[key].interval_reason if key in run.values else None
        if reason is not None:
            by_reason.setdefault(reason, []).append(label)
    for reason, labels in by_reason.items():
        told = "; ".join(_together(labels))
        yield from textwrap.wrap(f"{told}: {reason}", width, initial_indent="  ", subsequent_indent="    ")


def _labels(run: MeasuredRun) -> dict[str, str]:
    lows = {
        low_key(pct, kind): f"{share_label(pct)} low, {word}"
        for pct in run.options.slowest_pcts
        for kind, word in LOW_KINDS.items()
    }
    return _BEFORE_LOWS | lows | _AFTER_LOWS


def _together(labels: list[str]) -> list[str]:
    """One label instead of four where all counts of long frames stand together."""
    long_frames = list(HITCHES.values())
    if not set(long_frames) <= set(labels):
        return labels
    place = labels.index(long_frames[0])
    rest = [label for label in labels if label not in long_frames]
    return [*rest[:place], ALL_HITCHES, *rest[place:]]
