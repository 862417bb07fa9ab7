"""Catalog rows of the average rate, the quantiles and the lows."""

from __future__ import annotations

from functools import partial
from typing import Final

from frametime.metrics import lows, throughput
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Compute, Metric
from frametime.metrics.options import MeasureOptions
from frametime.units import FRAMES_PER_SECOND

_QUANTILES: Final = "Hyndman and Fan, The American Statistician 50(4), 1996"

_PERCENTILES: Final = (
    ("median", 0.5, "median frame time", "half of the frames are shorter"),
    ("p95", 0.95, "95th percentile frame time", "95 % of the frames are shorter"),
    ("p99", 0.99, "99th percentile frame time", "99 % of the frames are shorter"),
    ("p99p9", 0.999, "99.9th percentile frame time", "99.9 % of the frames are shorter"),
)


def level_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    """Average rate, median and quantiles in the tail."""
    kind = f"type {options.quantile_type}, {throughput.QUANTILE_NAMES[options.quantile_type]}"
    average = Metric(
        key="average_fps",
        label="average rate",
        unit=FRAMES_PER_SECOND,
        better="higher",
        group="level",
        definition="Frames divided by the time they took; never the mean of the rates of single frames.",
        source="J. E. Smith, Communications of the ACM 31(10), 1988",
        compute=lambda series: throughput.average_fps(series.n_frames, series.duration_s),
    )
    return (
        average,
        *(
            Metric(
                key=f"{name}_frame_time_ms",
                label=label,
                unit="ms",
                better="lower",
                group="level" if probability == 0.5 else "tail",
                definition=f"Frame time than which {meaning} (quantile of {kind}).",
                source=_QUANTILES,
                compute=partial(_quantile, probability=probability),
            )
            for name, probability, label, meaning in _PERCENTILES
        ),
    )


def _quantile(series: FrameSeries, *, probability: float) -> float:
    return throughput.quantile(series.sorted_ms, probability, quantile_type=series.options.quantile_type)


def low_rows(slowest_pct: float, options: MeasureOptions) -> tuple[Metric, ...]:
    """The three lows of one share of the slowest frames."""
    share = lows.share_label(slowest_pct)
    kinds: tuple[tuple[str, str, str, str, Compute], ...] = (
        (
            "percentile",
            f"{share} low, percentile",
            f"Rate that all but the slowest {share} of frames reach (quantile of type {options.quantile_type}).",
            _QUANTILES,
            lambda series: lows.percentile_low_fps(
                series.sorted_ms, slowest_pct=slowest_pct, quantile_type=series.options.quantile_type
            ),
        ),
        (
            "mean",
            f"{share} low, mean",
            f"Rate over the slowest {share} of frames: their count divided by the time they took.",
            PRACTICE,
            lambda series: lows.mean_low_fps(series.sorted_ms, slowest_pct=slowest_pct),
        ),
        (
            "time",
            f"{share} low, by time",
            f"Rate of the frame at which the slowest frames together fill {share} of the time.",
            PRACTICE,
            lambda series: lows.time_low_fps(
                series.sorted_ms, slowest_pct=slowest_pct, duration_ms=series.duration_s * 1000.0
            ),
        ),
    )
    return tuple(
        Metric(
            key=lows.low_key(slowest_pct, kind),
            label=label,
            unit=FRAMES_PER_SECOND,
            better="higher",
            group="lows",
            definition=definition,
            source=source,
            compute=compute,
        )
        for kind, label, definition, source, compute in kinds
    )
