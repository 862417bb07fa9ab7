"""Catalog rows of pacing, up to and including alternation."""

from __future__ import annotations

from functools import partial
from math import sqrt
from typing import Final

from frametime.metrics import pacing
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Compute, Metric, Missing
from frametime.units import DIMENSIONLESS, NS_PER_S
from frametime.words import counted

AVERAGED_FRAMES: Final = (1, 10, 100)
"""Frames averaged by the Allan deviations."""

_ALLAN: Final = "Riley, NIST Special Publication 1065, 2008"
_SUCCESSIVE: Final = "von Neumann et al., Annals of Mathematical Statistics 12, 1941"
_JITTER: Final = "RFC 3550, section 6.4.1 and appendix A.8, 2003"


def pacing_rows() -> tuple[Metric, ...]:
    """Spread, change from frame to frame, jitter, Allan deviation, alternation."""
    return (
        *_spread_rows(),
        *_step_rows(),
        *(_allan_row(averaged) for averaged in AVERAGED_FRAMES),
        Metric(
            key="alternation",
            label="alternation of frame times",
            unit=DIMENSIONLESS,
            better="neither",
            group="rhythm",
            definition="Lag-1 autocorrelation of the frame times: near -1 when short and long frames alternate.",
            source="NIST Statistical Reference Datasets, univariate summary statistics",
            compute=_needs(2, _alternation),
        ),
    )


def _spread_rows() -> tuple[Metric, ...]:
    return (
        Metric(
            key="frame_time_variance_ms2",
            label="variance of the frame time",
            unit="ms2",
            better="lower",
            group="pacing",
            definition="Sample variance of the frame times, divisor n - 1.",
            source="Chan, Golub and LeVeque, The American Statistician 37(3), 1983",
            compute=_needs(2, lambda series: series.variance_ms2),
        ),
        Metric(
            key="frame_time_cv",
            label="relative spread of the frame time",
            unit=DIMENSIONLESS,
            better="lower",
            group="pacing",
            definition="Standard deviation of the frame times divided by their mean (coefficient of variation).",
            source="NIST/SEMATECH e-Handbook of Statistical Methods (from memory)",
            compute=_needs(2, lambda series: sqrt(series.variance_ms2) / _mean_ms(series)),
        ),
    )


def _step_rows() -> tuple[Metric, ...]:
    kinds: tuple[tuple[str, str, str, str, Compute], ...] = (
        (
            "pacing_rmssd_ms",
            "frame-to-frame change, rms",
            "Root mean square of the differences from each frame time to the next.",
            _SUCCESSIVE,
            lambda series: pacing.rmssd_ms(series.frame_times_ms),
        ),
        (
            "pacing_masd_ms",
            "frame-to-frame change, mean",
            "Mean absolute difference from each frame time to the next.",
            PRACTICE,
            lambda series: pacing.masd_ms(series.frame_times_ms),
        ),
        (
            "pacing_jitter_last_ms",
            "running jitter at the end",
            "Running estimate J += (|D| - J) / 16 of the frame-to-frame change D, its value after the last frame.",
            _JITTER,
            lambda series: series.jitter.last_ms,
        ),
        (
            "pacing_jitter_median_ms",
            "running jitter, median",
            "Running estimate J += (|D| - J) / 16 of the frame-to-frame change D, its median over the run.",
            _JITTER,
            lambda series: series.jitter.median_ms,
        ),
    )
    return tuple(
        Metric(
            key=key,
            label=label,
            unit="ms",
            better="lower",
            group="pacing",
            definition=definition,
            source=source,
            compute=_needs(2, compute),
        )
        for key, label, definition, source, compute in kinds
    )


def _allan_row(averaged: int) -> Metric:
    frames = counted(averaged, "frame")
    return Metric(
        key=f"pacing_adev_{averaged}",
        label=f"Allan deviation over {frames}",
        unit=DIMENSIONLESS,
        better="lower",
        group="pacing",
        definition=(
            f"Overlapping Allan deviation of the timestamps: how much the mean of {frames} differs from the mean of "
            f"the {frames} before, as a share of the mean frame time."
        ),
        source=_ALLAN,
        compute=_needs(2 * averaged, partial(_allan, averaged=averaged)),
    )


def _allan(series: FrameSeries, *, averaged: int) -> float:
    tau0_ns = series.duration_s * NS_PER_S / series.n_frames
    return pacing.overlapping_allan_deviation(series.timestamps_ns, averaged=averaged, tau0=tau0_ns)


def _alternation(series: FrameSeries) -> float | Missing:
    if series.sorted_ms[0] == series.sorted_ms[-1]:
        return Missing(reason="all frame times are equal")
    return pacing.lag1_autocorrelation(series.frame_times_ms)


def _mean_ms(series: FrameSeries) -> float:
    return series.duration_s * 1000.0 / series.n_frames


def _needs(n_needed: int, compute: Compute) -> Compute:
    """``compute``, or the reason why there are too few frames for it."""

    def computed(series: FrameSeries) -> float | Missing:
        if series.n_frames < n_needed:
            return Missing(reason=f"{n_needed} frames or more are needed, this run has {series.n_frames}")
        return compute(series)

    return computed
