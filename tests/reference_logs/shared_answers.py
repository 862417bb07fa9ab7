"""Groups of answers that most made logs share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from made_log import Answer, Number


def quantiles(values_ms: Sequence[Number], formulas: Sequence[str]) -> tuple[Answer, ...]:
    keys = ("median_frame_time_ms", "p95_frame_time_ms", "p99_frame_time_ms", "p99p9_frame_time_ms")
    return tuple(
        Answer(key=key, value=value, formula=formula)
        for key, value, formula in zip(keys, values_ms, formulas, strict=True)
    )


def lows(frame_times_ms: Sequence[Number], formulas: Sequence[str]) -> tuple[Answer, ...]:
    """Six lows from the frame times that they stand for: percentile, mean, time-weighted, at 1 % and at 0.1 %."""
    keys = [f"low_{share}_{kind}_fps" for share in ("1pct", "0p1pct") for kind in ("percentile", "mean", "time")]
    return tuple(
        Answer(key=key, value=1_000 / (Fraction(value) if isinstance(value, int) else value), formula=formula)
        for key, value, formula in zip(keys, frame_times_ms, formulas, strict=True)
    )


def no_stutter(longest_ms: Number) -> tuple[Answer, ...]:
    none = "no frame exceeds twice its local median"
    return (
        Answer(key="stutter_count", value=0, formula=none),
        Answer(key="stutter_per_min", value=0, formula=none),
        Answer(key="stutter_time_fraction", value=0, formula=none),
        *hitch_classes(0, 0, 0, 0, longest_ms),
    )


def hitch_classes(
    over_50ms: int, over_100ms: int, over_250ms: int, over_500ms: int, longest_ms: Number
) -> tuple[Answer, ...]:
    return (
        Answer(key="hitch_over_50ms_count", value=over_50ms, formula="frames longer than 50 ms"),
        Answer(key="hitch_over_100ms_count", value=over_100ms, formula="frames longer than 100 ms"),
        Answer(key="hitch_over_250ms_count", value=over_250ms, formula="frames longer than 250 ms"),
        Answer(key="freeze_over_500ms_count", value=over_500ms, formula="frames longer than 500 ms"),
        Answer(key="max_frame_time_ms", value=longest_ms, formula="the longest frame"),
    )


def spread(variance_ms2: Number, mean_ms: Number, formula: str) -> tuple[Answer, ...]:
    return (
        Answer(key="frame_time_variance_ms2", value=variance_ms2, formula=formula),
        Answer(
            key="frame_time_cv",
            value=math.sqrt(variance_ms2) / mean_ms,
            formula="square root of the variance, over the mean frame time",
        ),
    )
