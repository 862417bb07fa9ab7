"""Catalog rows of what was shown: refreshes of the display, motion, dropped frames."""

from __future__ import annotations

from collections.abc import Callable

from frametime.metrics.display import fixed_steps, variable_steps
from frametime.metrics.findings import DroppedFrames, FixedRefreshFit, MotionSteps, VariableRefreshFit
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Metric, Missing
from frametime.metrics.motion import step_errors
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.metrics.refresh_rates import describe_refresh
from frametime.units import DIMENSIONLESS, FRAMES_PER_SECOND


def display_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of the display (where a refresh is given), of motion, and of dropped frames.

    Examples
    --------
    >>> [row.key for row in display_rows(MeasureOptions())][:2]
    ['motion_step_error_rms_ms', 'motion_step_error_p99_ms']
    """
    return (*_refresh_rows(options), *_motion_rows(), *_dropped_rows())


def _refresh_rows(options: MeasureOptions) -> tuple[Metric, ...]:
    if options.refresh is None:
        return ()
    on = describe_refresh(options.refresh)
    return _fixed_rows(on) if options.refresh.is_fixed else _variable_rows(on)


def _fixed_rows(on: str) -> tuple[Metric, ...]:
    return (
        Metric(
            key="refresh_uneven_per_min",
            label="uneven steps per minute",
            unit="{count}/min",
            better="lower",
            group="display",
            definition=f"Frames shown for another number of refreshes than the frame before, per minute; {on}.",
            source=PRACTICE,
            compute=lambda series: _of_fixed(series, _uneven_per_min),
        ),
        Metric(
            key="refresh_repeat_fraction",
            label="repeated refreshes",
            unit=DIMENSIONLESS,
            better="lower",
            group="display",
            definition=f"Share of refreshes that showed the frame of the refresh before once more; {on}.",
            source=PRACTICE,
            compute=lambda series: _of_fixed(series, lambda fit: fit.repeat_count / fit.n_refreshes),
        ),
        Metric(
            key="refresh_skipped_count",
            label="frames replaced unseen",
            unit="{count}",
            better="lower",
            group="display",
            definition=f"Frames that were replaced by the next before a refresh could show them; {on}.",
            source=PRACTICE,
            compute=lambda series: _of_fixed(series, lambda fit: fit.skipped_frame_count),
        ),
        Metric(
            key="judder_rms_ms",
            label="judder",
            unit="ms",
            better="lower",
            group="display",
            definition=f"Root mean square of the shown step minus the frame's own step; {on}.",
            source="2:3 cadence of film on 60 Hz as in SMPTE practice",
            compute=lambda series: _of_fixed(series, lambda fit: fit.judder_rms_ms),
        ),
    )


def _of_fixed(series: FrameSeries, read: Callable[[FixedRefreshFit], float | Missing]) -> float | Missing:
    if series.fixed_refresh is None:
        return _given_refresh(series, fixed_steps)
    value = read(series.fixed_refresh)
    return value if isinstance(value, Missing) else float(value)


def _uneven_per_min(fit: FixedRefreshFit) -> float | Missing:
    if fit.uneven_per_min is None:
        return Missing(reason="only two frames were seen: one step has none before it to differ from")
    return fit.uneven_per_min


def _of_variable(series: FrameSeries, read: Callable[[VariableRefreshFit], float]) -> float | Missing:
    if series.variable_refresh is not None:
        return float(read(series.variable_refresh))
    return _given_refresh(series, variable_steps)


def _given_refresh(series: FrameSeries, find: Callable[[FrameSeries, Refresh], object]) -> Missing:
    """Why there are no steps between the frames that were shown."""
    refresh = series.options.refresh
    found = None if refresh is None else find(series, refresh)
    return found if isinstance(found, Missing) else Missing(reason="no refresh of this kind was given")


def _variable_rows(on: str) -> tuple[Metric, ...]:
    return (
        Metric(
            key="refresh_inside_frames_fraction",
            label="frames inside the window",
            unit=DIMENSIONLESS,
            better="higher",
            group="display",
            definition=f"Share of frames whose step lies inside the window; {on}.",
            source=PRACTICE,
            compute=lambda series: _of_variable(series, lambda fit: fit.inside_frames_fraction),
        ),
        Metric(
            key="refresh_inside_time_fraction",
            label="time inside the window",
            unit=DIMENSIONLESS,
            better="higher",
            group="display",
            definition=f"Share of the time in which frames come inside the window; {on}.",
            source=PRACTICE,
            compute=lambda series: _of_variable(series, lambda fit: fit.inside_time_fraction),
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
            compute=lambda series: _of_variable(series, lambda fit: fit.below_time_fraction),
        ),
        Metric(
            key="refresh_above_time_fraction",
            label="time above the window",
            unit=DIMENSIONLESS,
            better="neither",
            group="display",
            definition=f"Share of the time in which frames come too fast and tear or wait; {on}.",
            source=PRACTICE,
            compute=lambda series: _of_variable(series, lambda fit: fit.above_time_fraction),
        ),
    )


def _motion_rows() -> tuple[Metric, ...]:
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
            compute=lambda series: _of_motion(series, lambda motion: motion.rms_ms),
        ),
        Metric(
            key="motion_step_error_p99_ms",
            label="motion step error, 99 %",
            unit="ms",
            better="lower",
            group="motion",
            definition=f"{said}: size that 99 % of the steps stay below (quantile of type 7).",
            source=PRACTICE,
            compute=lambda series: _of_motion(series, lambda motion: motion.p99_ms),
        ),
        Metric(
            key="motion_step_error_worst_ms",
            label="motion step error, worst",
            unit="ms",
            better="lower",
            group="motion",
            definition=f"{said}: the largest in size.",
            source=PRACTICE,
            compute=lambda series: _of_motion(series, lambda motion: abs(motion.worst_ms)),
        ),
    )


def _of_motion(series: FrameSeries, read: Callable[[MotionSteps], float]) -> float | Missing:
    if series.motion is not None:
        return float(read(series.motion))
    steps = step_errors(series)
    return steps if isinstance(steps, Missing) else Missing(reason="motion steps were not looked for")


def _dropped_rows() -> tuple[Metric, ...]:
    return (
        Metric(
            key="dropped_count",
            label="frames never shown",
            unit="{count}",
            better="lower",
            group="dropped",
            definition="Frames that were rendered and never shown.",
            source=PRACTICE,
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.count),
        ),
        Metric(
            key="dropped_fraction",
            label="share of frames never shown",
            unit=DIMENSIONLESS,
            better="lower",
            group="dropped",
            definition="Frames that were rendered and never shown, divided by all frames.",
            source=PRACTICE,
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.fraction),
        ),
        Metric(
            key="dropped_longest_run",
            label="most frames in a row never shown",
            unit="{count}",
            better="lower",
            group="dropped",
            definition="Longest run of frames of which none was shown.",
            source=PRACTICE,
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.longest_run),
        ),
        Metric(
            key="shown_average_fps",
            label="average rate of shown frames",
            unit=FRAMES_PER_SECOND,
            better="higher",
            group="dropped",
            definition="Shown frames divided by the time of the run.",
            source=PRACTICE,
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.shown_average_fps),
        ),
    )


def _of_dropped(series: FrameSeries, read: Callable[[DroppedFrames], float]) -> float | Missing:
    if series.dropped is None:
        return Missing(reason="the log does not say which frames were shown")
    return float(read(series.dropped))
