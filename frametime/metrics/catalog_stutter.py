"""Catalog rows of stutters, hitches and freezes."""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np

from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Compute, Metric
from frametime.metrics.options import StutterRule
from frametime.units import DIMENSIONLESS

_CLASSES: Final = (
    ("hitch", 50, "W3C Long Tasks API: a task that keeps the main thread busy for 50 ms or longer"),
    ("hitch", 100, PRACTICE),
    (
        "hitch",
        250,
        "common practice, no source; spikes of 225 ms lower smoothness and score (Tokey et al., I3D 2026, abstract)",
    ),
    ("freeze", 500, PRACTICE),
)


def stutter_rows(rule: StutterRule) -> tuple[Metric, ...]:
    """Frames that are long beside those around them."""
    text = (
        f"over {rule.ratio:g} times as long as the median of the frames within {rule.window_s / 2:g} s before and "
        f"after, and by {rule.min_excess_ms:g} ms or more"
    )
    source = "common practice, no source; least excess: Klein et al., IEEE CoG 2024"
    kinds: tuple[tuple[str, str, str, str, Compute], ...] = (
        (
            "stutter_count",
            "stutters",
            "{count}",
            f"Frames {text}.",
            lambda series: float(series.stutters.count),
        ),
        (
            "stutter_per_min",
            "stutters per minute",
            "{count}/min",
            f"Stutters divided by the length of the run; a stutter is a frame {text}.",
            lambda series: series.stutters.count / (series.duration_s / 60.0),
        ),
        (
            "stutter_time_fraction",
            "time lost to stutters",
            DIMENSIONLESS,
            "Share of the time by which stutters are longer than the median of the frames around them.",
            lambda series: float(series.stutters.excess_ms.sum()) / (series.duration_s * 1000.0),
        ),
    )
    return tuple(
        Metric(
            key=key,
            label=label,
            unit=unit,
            better="lower",
            group="stutter",
            definition=definition,
            source=source,
            compute=compute,
        )
        for key, label, unit, definition, compute in kinds
    )


def class_rows() -> tuple[Metric, ...]:
    """Frames that are long whatever is around them, and the longest."""
    counts = tuple(
        Metric(
            key=f"{word}_over_{limit_ms}ms_count",
            label=f"{'hitches' if word == 'hitch' else 'freezes'} over {limit_ms} ms",
            unit="{count}",
            better="lower",
            group="stutter",
            definition=f"Frames longer than {limit_ms} ms.",
            source=source,
            compute=partial(_count_over, limit_ms=float(limit_ms)),
        )
        for word, limit_ms, source in _CLASSES
    )
    longest = Metric(
        key="max_frame_time_ms",
        label="longest frame time",
        unit="ms",
        better="lower",
        group="tail",
        definition="The longest frame of the run.",
        source=PRACTICE,
        compute=lambda series: float(series.sorted_ms[-1]),
    )
    return (*counts, longest)


def _count_over(series: FrameSeries, *, limit_ms: float) -> float:
    return float(series.n_frames - int(np.searchsorted(series.sorted_ms, limit_ms, side="right")))
