"""Catalog rows of what the eye sees: rhythm, drift, display, motion, dropped frames."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, TypeVar

from frametime.metrics.findings import SpectralLine
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Better, Metric, Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.refresh_rates import describe_refresh
from frametime.units import DIMENSIONLESS, FRAMES_PER_SECOND

PRACTICE: Final = "common practice, no source"
_RAYLEIGH: Final = "Rayleigh test: Mardia and Jupp, Directional Statistics, 2000, section 6.3.1 (from memory)"
_SPECTRUM: Final = "Press and Rybicki, The Astrophysical Journal 338, 1989; Baluev, MNRAS 385, 2008 (from memory)"
_TREND: Final = (
    "Sen, Journal of the American Statistical Association 63, 1968; Hamed and Rao, Journal of Hydrology 204, 1998 "
    "(from memory)"
)

F = TypeVar("F")
Compute = Callable[[FrameSeries], float | Missing]


def regularity_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of rhythm, drift, display (where a refresh is given), motion and dropped frames.

    Examples
    --------
    >>> [row.key for row in regularity_metrics(MeasureOptions())][:2]
    ['alternating_fraction', 'alternation_ms']
    """
    return (*_rhythm_rows(), *_drift_rows(), *_display_rows(options), *_motion_rows(), *_dropped_rows())


def _row(
    key: str, label: str, unit: str, better: Better, group: str, definition: str, source: str, compute: Compute
) -> Metric:
    return Metric(
        key=key,
        label=label,
        unit=unit,
        better=better,
        group=group,
        definition=definition,
        source=source,
        compute=compute,
    )


def _given(value: float | None, reason: str) -> float | Missing:
    return Missing(reason=reason) if value is None else float(value)


def _part(finding: F | None, read: Callable[[F], float], reason: str) -> float | Missing:
    return Missing(reason=reason) if finding is None else float(read(finding))


def _rhythm_rows() -> tuple[Metric, ...]:
    return (
        _row(
            "alternating_fraction",
            "frames that alternate",
            DIMENSIONLESS,
            "lower",
            "rhythm",
            "Share of frames in runs of 24 or more that are alternately longer and shorter by 5 % or more.",
            PRACTICE,
            lambda series: series.rhythm.alternating_fraction,
        ),
        _row(
            "alternation_ms",
            "size of the alternation",
            "ms",
            "lower",
            "rhythm",
            "Median step from frame to frame where frames alternate.",
            PRACTICE,
            lambda series: _given(series.rhythm.alternation_ms, "no frames alternate"),
        ),
        _row(
            "hitch_period_s",
            "hitches recur every",
            "s",
            "neither",
            "rhythm",
            "Period at which stutters recur, where chance would do as well in less than 1 of 100 runs.",
            _RAYLEIGH,
            _hitch_period,
        ),
        _row(
            "spectrum_line_hz",
            "strongest rhythm",
            "Hz",
            "neither",
            "rhythm",
            "Frequency of the largest significant line in the Lomb-Scargle spectrum of the frame times.",
            _SPECTRUM,
            lambda series: _line(series, lambda line: line.frequency_hz),
        ),
        _row(
            "spectrum_line_ms",
            "size of the strongest rhythm",
            "ms",
            "lower",
            "rhythm",
            "Amplitude of the largest significant line in the Lomb-Scargle spectrum of the frame times.",
            _SPECTRUM,
            lambda series: _line(series, lambda line: line.amplitude_ms),
        ),
    )


def _hitch_period(series: FrameSeries) -> float | Missing:
    period = series.rhythm.hitch_period
    return _given(None if period is None else period.period_s, series.rhythm.hitch_period_reason or "no period")


def _line(series: FrameSeries, part: Callable[[SpectralLine], float]) -> float | Missing:
    lines = series.rhythm.lines
    return part(lines[0]) if lines else Missing(reason="no line stands out of the noise")


def _drift_rows() -> tuple[Metric, ...]:
    return (
        _row(
            "drift_pct_per_min",
            "drift",
            "%/min",
            "neither",
            "drift",
            "Theil-Sen slope of the per-second median frame time, in percent of its median; without warm-up.",
            _TREND,
            lambda series: _given(series.drift.slope_pct_per_min, series.drift.sentence.rstrip(".")),
        ),
        _row(
            "warm_up_s",
            "warm-up",
            "s",
            "lower",
            "drift",
            "Length of the first part of the run whose level lies away from the rest; 0 when there is none.",
            PRACTICE,
            lambda series: 0.0 if series.drift.warm_up is None else series.drift.warm_up.skip_s,
        ),
        _row(
            "level_change_count",
            "changes of level",
            "{count}",
            "lower",
            "drift",
            "Change points of the per-second median frame time.",
            "Pettitt, Applied Statistics 28, 1979",
            lambda series: float(sum(change.kind == "level" for change in series.drift.changes)),
        ),
    )


def _display_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    if options.refresh is None:
        return ()
    on = describe_refresh(options.refresh)
    return _fixed_rows(on) if options.refresh.is_fixed else _variable_rows(on)


def _fixed_rows(on: str) -> tuple[Metric, ...]:
    few = "fewer than two frames were shown"
    return (
        _row(
            "refresh_uneven_per_min",
            "uneven steps per minute",
            "{count}/min",
            "lower",
            "display",
            f"Frames shown for another number of refreshes than the frame before, per minute; {on}.",
            PRACTICE,
            lambda series: _part(series.fixed_refresh, lambda fit: fit.uneven_per_min, few),
        ),
        _row(
            "refresh_repeat_fraction",
            "repeated refreshes",
            DIMENSIONLESS,
            "lower",
            "display",
            f"Share of refreshes that showed the frame of the refresh before once more; {on}.",
            PRACTICE,
            _repeat_fraction,
        ),
        _row(
            "refresh_skipped_count",
            "frames replaced unseen",
            "{count}",
            "lower",
            "display",
            f"Frames that were replaced by the next before a refresh could show them; {on}.",
            PRACTICE,
            lambda series: _part(series.fixed_refresh, lambda fit: fit.skipped_frame_count, few),
        ),
        _row(
            "judder_rms_ms",
            "judder",
            "ms",
            "lower",
            "display",
            f"Root mean square of the shown step minus the frame's own step; {on}.",
            "2:3 cadence of film on 60 Hz as in SMPTE practice",
            lambda series: _part(series.fixed_refresh, lambda fit: fit.judder_rms_ms, few),
        ),
    )


def _repeat_fraction(series: FrameSeries) -> float | Missing:
    fit = series.fixed_refresh
    if fit is None or fit.n_refreshes == 0:
        return Missing(reason="fewer than two frames were shown on different refreshes")
    return fit.repeat_count / fit.n_refreshes


def _variable_rows(on: str) -> tuple[Metric, ...]:
    few = "fewer than two frames were shown"
    return (
        _row(
            "refresh_inside_frames_fraction",
            "frames inside the window",
            DIMENSIONLESS,
            "higher",
            "display",
            f"Share of frames whose step lies inside the window; {on}.",
            PRACTICE,
            lambda series: _part(series.variable_refresh, lambda fit: fit.inside_frames_fraction, few),
        ),
        _row(
            "refresh_inside_time_fraction",
            "time inside the window",
            DIMENSIONLESS,
            "higher",
            "display",
            f"Share of the time in which frames come inside the window; {on}.",
            PRACTICE,
            lambda series: _part(series.variable_refresh, lambda fit: fit.inside_time_fraction, few),
        ),
        _row(
            "refresh_below_time_fraction",
            "time below the window",
            DIMENSIONLESS,
            "lower",
            "display",
            f"Share of the time in which frames come too slowly and the display repeats them (frame doubling); {on}.",
            PRACTICE,
            lambda series: _part(series.variable_refresh, lambda fit: fit.below_time_fraction, few),
        ),
        _row(
            "refresh_above_time_fraction",
            "time above the window",
            DIMENSIONLESS,
            "neither",
            "display",
            f"Share of the time in which frames come too fast and tear or wait; {on}.",
            PRACTICE,
            lambda series: _part(series.variable_refresh, lambda fit: fit.above_time_fraction, few),
        ),
    )


def _motion_rows() -> tuple[Metric, ...]:
    missing = "the log has no simulation times"
    said = "Shown step minus simulated step, drift between the two clocks removed"
    return (
        _row(
            "motion_step_error_rms_ms",
            "motion step error, rms",
            "ms",
            "lower",
            "motion",
            f"{said}: root mean square.",
            PRACTICE,
            lambda series: _part(series.motion, lambda motion: motion.rms_ms, missing),
        ),
        _row(
            "motion_step_error_p99_ms",
            "motion step error, 99 %",
            "ms",
            "lower",
            "motion",
            f"{said}: size that 99 % of the steps stay below (quantile of type 7).",
            PRACTICE,
            lambda series: _part(series.motion, lambda motion: motion.p99_ms, missing),
        ),
        _row(
            "motion_step_error_worst_ms",
            "motion step error, worst",
            "ms",
            "lower",
            "motion",
            f"{said}: the largest in size.",
            PRACTICE,
            lambda series: _part(series.motion, lambda motion: abs(motion.worst_ms), missing),
        ),
    )


def _dropped_rows() -> tuple[Metric, ...]:
    missing = "the log does not say which frames were shown"
    return (
        _row(
            "dropped_count",
            "frames never shown",
            "{count}",
            "lower",
            "dropped",
            "Frames that were rendered and never shown.",
            PRACTICE,
            lambda series: _part(series.dropped, lambda dropped: dropped.count, missing),
        ),
        _row(
            "dropped_fraction",
            "share of frames never shown",
            DIMENSIONLESS,
            "lower",
            "dropped",
            "Frames that were rendered and never shown, divided by all frames.",
            PRACTICE,
            lambda series: _part(series.dropped, lambda dropped: dropped.fraction, missing),
        ),
        _row(
            "dropped_longest_run",
            "most frames in a row never shown",
            "{count}",
            "lower",
            "dropped",
            "Longest run of frames of which none was shown.",
            PRACTICE,
            lambda series: _part(series.dropped, lambda dropped: dropped.longest_run, missing),
        ),
        _row(
            "shown_average_fps",
            "average rate of shown frames",
            FRAMES_PER_SECOND,
            "higher",
            "dropped",
            "Shown frames divided by the time of the run.",
            PRACTICE,
            lambda series: _part(series.dropped, lambda dropped: dropped.shown_average_fps, missing),
        ),
    )
