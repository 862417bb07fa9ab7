"""Catalog rows of what the eye sees: rhythm, drift, display, motion, dropped frames."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, TypeVar

from frametime.metrics.findings import SpectralLine
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Metric, Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.refresh_rates import describe_refresh
from frametime.units import DIMENSIONLESS, FRAMES_PER_SECOND

_RAYLEIGH: Final = "Rayleigh test: Mardia and Jupp, Directional Statistics, 2000, section 6.3.1 (from memory)"
_SPECTRUM: Final = "Press and Rybicki, The Astrophysical Journal 338, 1989; Baluev, MNRAS 385, 2008 (from memory)"
_TREND: Final = (
    "Sen, Journal of the American Statistical Association 63, 1968; Hamed and Rao, Journal of Hydrology 204, 1998 "
    "(from memory)"
)

F = TypeVar("F")


def regularity_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of rhythm, drift, display (where a refresh is given), motion and dropped frames.

    Examples
    --------
    >>> [row.key for row in regularity_metrics(MeasureOptions())][:2]
    ['alternating_fraction', 'alternation_ms']
    """
    return (*_rhythm_rows(), *_drift_rows(), *_display_rows(options), *_motion_rows(), *_dropped_rows())


def _given(value: float | None, reason: str) -> float | Missing:
    return Missing(reason=reason) if value is None else float(value)


def _part(finding: F | None, read: Callable[[F], float], reason: str) -> float | Missing:
    return Missing(reason=reason) if finding is None else float(read(finding))


def _rhythm_rows() -> tuple[Metric, ...]:
    return (
        Metric(
            key="alternating_fraction",
            label="frames that alternate",
            unit=DIMENSIONLESS,
            better="lower",
            group="rhythm",
            definition="Share of frames in runs of 24 or more that are alternately longer and shorter by 5 % or more.",
            source=PRACTICE,
            compute=lambda series: series.rhythm.alternating_fraction,
        ),
        Metric(
            key="alternation_ms",
            label="size of the alternation",
            unit="ms",
            better="lower",
            group="rhythm",
            definition="Median step from frame to frame where frames alternate.",
            source=PRACTICE,
            compute=lambda series: _given(series.rhythm.alternation_ms, "no frames alternate"),
        ),
        Metric(
            key="hitch_period_s",
            label="hitches recur every",
            unit="s",
            better="neither",
            group="rhythm",
            definition="Period at which stutters recur, where chance would do as well in less than 1 of 100 runs.",
            source=_RAYLEIGH,
            compute=_hitch_period,
        ),
        Metric(
            key="spectrum_line_hz",
            label="strongest rhythm",
            unit="Hz",
            better="neither",
            group="rhythm",
            definition="Frequency of the largest significant line in the Lomb-Scargle spectrum of the frame times.",
            source=_SPECTRUM,
            compute=lambda series: _line(series, lambda line: line.frequency_hz),
        ),
        Metric(
            key="spectrum_line_ms",
            label="size of the strongest rhythm",
            unit="ms",
            better="lower",
            group="rhythm",
            definition="Amplitude of the largest significant line in the Lomb-Scargle spectrum of the frame times.",
            source=_SPECTRUM,
            compute=lambda series: _line(series, lambda line: line.amplitude_ms),
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
        Metric(
            key="drift_pct_per_min",
            label="drift",
            unit="%/min",
            better="neither",
            group="drift",
            definition=(
                "Theil-Sen slope of the per-second median frame time, in percent of its median; without warm-up."
            ),
            source=_TREND,
            compute=lambda series: _given(series.drift.slope_pct_per_min, series.drift.sentence.rstrip(".")),
        ),
        Metric(
            key="warm_up_s",
            label="warm-up",
            unit="s",
            better="lower",
            group="drift",
            definition="Length of the first part of the run whose level lies away from the rest; 0 when there is none.",
            source=PRACTICE,
            compute=lambda series: 0.0 if series.drift.warm_up is None else series.drift.warm_up.skip_s,
        ),
        Metric(
            key="level_change_count",
            label="changes of level",
            unit="{count}",
            better="lower",
            group="drift",
            definition="Change points of the per-second median frame time.",
            source="Pettitt, Applied Statistics 28, 1979",
            compute=lambda series: float(sum(change.kind == "level" for change in series.drift.changes)),
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
        Metric(
            key="refresh_uneven_per_min",
            label="uneven steps per minute",
            unit="{count}/min",
            better="lower",
            group="display",
            definition=f"Frames shown for another number of refreshes than the frame before, per minute; {on}.",
            source=PRACTICE,
            compute=lambda series: _part(series.fixed_refresh, lambda fit: fit.uneven_per_min, few),
        ),
        Metric(
            key="refresh_repeat_fraction",
            label="repeated refreshes",
            unit=DIMENSIONLESS,
            better="lower",
            group="display",
            definition=f"Share of refreshes that showed the frame of the refresh before once more; {on}.",
            source=PRACTICE,
            compute=_repeat_fraction,
        ),
        Metric(
            key="refresh_skipped_count",
            label="frames replaced unseen",
            unit="{count}",
            better="lower",
            group="display",
            definition=f"Frames that were replaced by the next before a refresh could show them; {on}.",
            source=PRACTICE,
            compute=lambda series: _part(series.fixed_refresh, lambda fit: fit.skipped_frame_count, few),
        ),
        Metric(
            key="judder_rms_ms",
            label="judder",
            unit="ms",
            better="lower",
            group="display",
            definition=f"Root mean square of the shown step minus the frame's own step; {on}.",
            source="2:3 cadence of film on 60 Hz as in SMPTE practice",
            compute=lambda series: _part(series.fixed_refresh, lambda fit: fit.judder_rms_ms, few),
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
        Metric(
            key="refresh_inside_frames_fraction",
            label="frames inside the window",
            unit=DIMENSIONLESS,
            better="higher",
            group="display",
            definition=f"Share of frames whose step lies inside the window; {on}.",
            source=PRACTICE,
            compute=lambda series: _part(series.variable_refresh, lambda fit: fit.inside_frames_fraction, few),
        ),
        Metric(
            key="refresh_inside_time_fraction",
            label="time inside the window",
            unit=DIMENSIONLESS,
            better="higher",
            group="display",
            definition=f"Share of the time in which frames come inside the window; {on}.",
            source=PRACTICE,
            compute=lambda series: _part(series.variable_refresh, lambda fit: fit.inside_time_fraction, few),
        ),
        Metric(
            key="refresh_below_time_fraction",
            label="time below the window",
            unit=DIMENSIONLESS,
            better="lower",
            group="display",
            definition=(
                "Share of the time in which frames come too slowly and the display repeats them (frame doubling); "
                f"{on}."
            ),
            source=PRACTICE,
            compute=lambda series: _part(series.variable_refresh, lambda fit: fit.below_time_fraction, few),
        ),
        Metric(
            key="refresh_above_time_fraction",
            label="time above the window",
            unit=DIMENSIONLESS,
            better="neither",
            group="display",
            definition=f"Share of the time in which frames come too fast and tear or wait; {on}.",
            source=PRACTICE,
            compute=lambda series: _part(series.variable_refresh, lambda fit: fit.above_time_fraction, few),
        ),
    )


def _motion_rows() -> tuple[Metric, ...]:
    missing = "the log has no simulation times"
    said = "Shown step minus simulated step, drift between the two clocks removed"
    return (
        Metric(
            key="motion_step_error_rms_ms",
            label="motion step error, rms",
            unit="ms",
            better="lower",
            group="motion",
            definition=f"{said}: root mean square.",
            source=PRACTICE,
            compute=lambda series: _part(series.motion, lambda motion: motion.rms_ms, missing),
        ),
        Metric(
            key="motion_step_error_p99_ms",
            label="motion step error, 99 %",
            unit="ms",
            better="lower",
            group="motion",
            definition=f"{said}: size that 99 % of the steps stay below (quantile of type 7).",
            source=PRACTICE,
            compute=lambda series: _part(series.motion, lambda motion: motion.p99_ms, missing),
        ),
        Metric(
            key="motion_step_error_worst_ms",
            label="motion step error, worst",
            unit="ms",
            better="lower",
            group="motion",
            definition=f"{said}: the largest in size.",
            source=PRACTICE,
            compute=lambda series: _part(series.motion, lambda motion: abs(motion.worst_ms), missing),
        ),
    )


def _dropped_rows() -> tuple[Metric, ...]:
    missing = "the log does not say which frames were shown"
    return (
        Metric(
            key="dropped_count",
            label="frames never shown",
            unit="{count}",
            better="lower",
            group="dropped",
            definition="Frames that were rendered and never shown.",
            source=PRACTICE,
            compute=lambda series: _part(series.dropped, lambda dropped: dropped.count, missing),
        ),
        Metric(
            key="dropped_fraction",
            label="share of frames never shown",
            unit=DIMENSIONLESS,
            better="lower",
            group="dropped",
            definition="Frames that were rendered and never shown, divided by all frames.",
            source=PRACTICE,
            compute=lambda series: _part(series.dropped, lambda dropped: dropped.fraction, missing),
        ),
        Metric(
            key="dropped_longest_run",
            label="most frames in a row never shown",
            unit="{count}",
            better="lower",
            group="dropped",
            definition="Longest run of frames of which none was shown.",
            source=PRACTICE,
            compute=lambda series: _part(series.dropped, lambda dropped: dropped.longest_run, missing),
        ),
        Metric(
            key="shown_average_fps",
            label="average rate of shown frames",
            unit=FRAMES_PER_SECOND,
            better="higher",
            group="dropped",
            definition="Shown frames divided by the time of the run.",
            source=PRACTICE,
            compute=lambda series: _part(series.dropped, lambda dropped: dropped.shown_average_fps, missing),
        ),
    )
