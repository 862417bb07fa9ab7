"""Catalog rows of what the eye sees: rhythm, drift, refreshes of the display, motion, dropped frames."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final, TypeVar

from frametime.metrics.display.display import fixed_refresh_of, fixed_steps, variable_refresh_of, variable_steps
from frametime.metrics.display.dropped import dropped_of
from frametime.metrics.display.motion import motion_steps, step_errors
from frametime.metrics.display.refresh_rates import describe_refresh
from frametime.metrics.drift.drift import drift_of, level_change_count, warm_up_length_s
from frametime.metrics.findings import (
    DroppedFrames,
    FixedRefreshFit,
    MotionSteps,
    SpectralLine,
    VariableRefreshFit,
)
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Metric, Missing, row
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.metrics.rhythm.rhythm import rhythm_of
from frametime.metrics.rhythm.spectrum import NO_LINE, spectrum_of
from frametime.units import DIMENSIONLESS, FRAMES_PER_SECOND

_LATTICE: Final = "Sadler and Casey, IEEE Transactions on Signal Processing 46, 1998 (from memory)"
_SPECTRUM: Final = "Bracewell, The Fourier Transform, 1965; Baluev, MNRAS 385, 2008 (both from memory)"
_TREND: Final = (
    "Sen, Journal of the American Statistical Association 63, 1968; Hamed and Rao, Journal of Hydrology 204, 1998 "
    "(from memory)"
)
_CHANGES: Final = (
    "Pettitt, Applied Statistics 28, 1979; Ploberger and Krämer, Econometrica 60, 1992; Kovács et al., Biometrika 110, "
    "2023"
)

Fit = TypeVar("Fit")
Find = Callable[[FrameSeries, Refresh], object]


def regularity_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of rhythm, drift, display (where a refresh is given), motion and dropped frames.

    Examples
    --------
    >>> [row.key for row in regularity_metrics(MeasureOptions())][:2]
    ['alternating_fraction', 'alternation_ms']
    """
    refresh = options.refresh
    display: tuple[Metric, ...] = ()
    if refresh is not None:
        display = (_fixed_rows if refresh.is_fixed else _variable_rows)(describe_refresh(refresh))
    return (*_rhythm_rows(), *_drift_rows(), *display, *_motion_rows(), *_dropped_rows())


def _given(value: float | None, reason: str) -> float | Missing:
    return Missing(reason=reason) if value is None else float(value)


def _rhythm_rows() -> tuple[Metric, ...]:
    return (
        row("alternating_fraction", "frames that alternate", unit=DIMENSIONLESS, better="lower", group="rhythm")(
            definition="Share of frames in runs of 24 or more that are alternately longer and shorter by 5 % or more.",
            compute=lambda series: rhythm_of(series).alternating_fraction,
        ),
        row("alternation_ms", "size of the alternation", unit="ms", better="lower", group="rhythm")(
            definition="Median step from frame to frame where frames alternate.",
            compute=lambda series: _given(rhythm_of(series).alternation_ms, "no frames alternate"),
        ),
        row("hitch_period_s", "hitches recur every", unit="s", better="neither", group="rhythm")(
            definition="Period at which frames that stand out recur, where chance would do as well in less than 1 of "
            "100 runs.",
            compute=_hitch_period,
            source=_LATTICE,
        ),
        row("spectrum_line_hz", "strongest rhythm", unit="Hz", better="neither", group="rhythm")(
            definition="Frequency of the largest significant line in the spectrum of the frame times.",
            compute=lambda series: _line(series, lambda line: line.frequency_hz),
            source=_SPECTRUM,
        ),
        row("spectrum_line_ms", "size of the strongest rhythm", unit="ms", better="lower", group="rhythm")(
            definition="Amplitude of the largest significant line in the spectrum of the frame times.",
            compute=lambda series: _line(series, lambda line: line.amplitude_ms),
            source=_SPECTRUM,
        ),
    )


def _hitch_period(series: FrameSeries) -> float | Missing:
    rhythm = rhythm_of(series)
    period_s = None if rhythm.hitch_period is None else rhythm.hitch_period.period_s
    return _given(period_s, rhythm.hitch_period_reason or "no period")


def _line(series: FrameSeries, part: Callable[[SpectralLine], float]) -> float | Missing:
    if lines := rhythm_of(series).lines:
        return part(lines[0])
    spectrum = spectrum_of(series)
    return Missing(reason=spectrum if isinstance(spectrum, str) else NO_LINE)


def _drift_rows() -> tuple[Metric, ...]:
    return (
        row("drift_pct_per_min", "drift", unit="%/min", better="neither", group="drift")(
            definition="Theil-Sen slope of the per-second median frame time, in percent of its median; "
            "without warm-up.",
            compute=lambda series: _given(drift_of(series).slope_pct_per_min, drift_of(series).sentence.rstrip(".")),
            source=_TREND,
        ),
        row("warm_up_s", "warm-up", unit="s", better="lower", group="drift")(
            definition="Length of the first part of the run whose level lies away from the rest; 0 when there is none.",
            compute=warm_up_length_s,
        ),
        row("level_change_count", "changes of level", unit="{count}", better="lower", group="drift")(
            definition="Change points of the per-second median frame time.",
            compute=level_change_count,
            source=_CHANGES,
        ),
    )


def _fixed_rows(on: str) -> tuple[Metric, ...]:
    return (
        row("refresh_uneven_per_min", "uneven steps per minute", unit="{count}/min", better="lower", group="display")(
            definition=f"Frames shown for another number of refreshes than the frame before, per minute; {on}.",
            compute=lambda series: _of_fixed(series, _uneven_per_min),
        ),
        row("refresh_repeat_fraction", "repeated refreshes", unit=DIMENSIONLESS, better="lower", group="display")(
            definition=f"Share of refreshes that showed the frame of the refresh before once more; {on}.",
            compute=lambda series: _of_fixed(series, lambda fit: fit.repeat_count / fit.n_refreshes),
        ),
        row("refresh_skipped_count", "frames replaced unseen", unit="{count}", better="lower", group="display")(
            definition=f"Frames that were replaced by the next before a refresh could show them; {on}.",
            compute=lambda series: _of_fixed(series, lambda fit: fit.skipped_frame_count),
        ),
        row("judder_rms_ms", "judder", unit="ms", better="lower", group="display")(
            definition="Root mean square of the shown step minus the frame's own step, or minus an even step where the "
            f"log's times are the shown times; {on}.",
            compute=lambda series: _of_fixed(series, lambda fit: fit.judder_rms_ms),
            source="2:3 cadence of film on 60 Hz as in SMPTE practice",
        ),
    )


def _of_fixed(series: FrameSeries, read: Callable[[FixedRefreshFit], float | Missing]) -> float | Missing:
    return _read(fixed_refresh_of(series), read, lambda: _no_steps(series, fixed_steps))


def _of_variable(series: FrameSeries, read: Callable[[VariableRefreshFit], float]) -> float | Missing:
    return _read(variable_refresh_of(series), read, lambda: _no_steps(series, variable_steps))


def _read(found: Fit | None, read: Callable[[Fit], float | Missing], without: Callable[[], Missing]) -> float | Missing:
    if found is None:
        return without()
    value = read(found)
    return value if isinstance(value, Missing) else float(value)


def _uneven_per_min(fit: FixedRefreshFit) -> float | Missing:
    return _given(fit.uneven_per_min, "only two frames were seen: one step has none before it to differ from")


def _no_steps(series: FrameSeries, find: Find) -> Missing:
    """Why there are no steps between the frames that were shown."""
    refresh = series.options.refresh
    found = None if refresh is None else find(series, refresh)
    return found if isinstance(found, Missing) else Missing(reason="no refresh of this kind was given")


def _variable_rows(on: str) -> tuple[Metric, ...]:
    return (
        row(
            "refresh_inside_frames_fraction",
            "frames inside the window",
            unit=DIMENSIONLESS,
            better="higher",
            group="display",
        )(
            definition=f"Share of frames whose step lies inside the window; {on}.",
            compute=lambda series: _of_variable(series, lambda fit: fit.inside_frames_fraction),
        ),
        row(
            "refresh_inside_time_fraction",
            "time inside the window",
            unit=DIMENSIONLESS,
            better="higher",
            group="display",
        )(
            definition=f"Share of the time in which frames come inside the window; {on}.",
            compute=lambda series: _of_variable(series, lambda fit: fit.inside_time_fraction),
        ),
        row(
            "refresh_below_time_fraction", "time below the window", unit=DIMENSIONLESS, better="lower", group="display"
        )(
            definition="Share of the time in which frames come too slowly and the display repeats them "
            f"(frame doubling); {on}.",
            compute=lambda series: _of_variable(series, lambda fit: fit.below_time_fraction),
        ),
        row(
            "refresh_above_time_fraction",
            "time above the window",
            unit=DIMENSIONLESS,
            better="neither",
            group="display",
        )(
            definition=f"Share of the time in which frames come too fast and tear or wait; {on}.",
            compute=lambda series: _of_variable(series, lambda fit: fit.above_time_fraction),
        ),
    )


def _motion_rows() -> tuple[Metric, ...]:
    kinds: tuple[tuple[str, str, str, Callable[[MotionSteps], float]], ...] = (
        ("rms", "rms", "root mean square", lambda motion: motion.rms_ms),
        ("p99", "99 %", "size that 99 % of the steps stay below (quantile of type 7)", lambda motion: motion.p99_ms),
        ("worst", "worst", "the largest in size", lambda motion: abs(motion.worst_ms)),
    )
    return tuple(
        row(f"motion_step_error_{kind}_ms", f"motion step error, {label}", unit="ms", better="lower", group="motion")(
            definition=f"Shown step minus simulated step, drift between the two clocks removed: {meaning}.",
            compute=partial(_of_motion, read=read),
        )
        for kind, label, meaning, read in kinds
    )


def _of_motion(series: FrameSeries, read: Callable[[MotionSteps], float]) -> float | Missing:
    motion = motion_steps(series)
    if motion is not None:
        return float(read(motion))
    steps = step_errors(series)
    return steps if isinstance(steps, Missing) else Missing(reason="motion steps were not looked for")


def _dropped_rows() -> tuple[Metric, ...]:
    return (
        row("dropped_count", "frames never shown", unit="{count}", better="lower", group="dropped")(
            definition="Frames that were rendered and never shown.",
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.count),
        ),
        row("dropped_fraction", "share of frames never shown", unit=DIMENSIONLESS, better="lower", group="dropped")(
            definition="Frames that were rendered and never shown, divided by all frames.",
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.fraction),
        ),
        row("dropped_longest_run", "most frames in a row never shown", unit="{count}", better="lower", group="dropped")(
            definition="Longest run of frames of which none was shown.",
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.longest_run),
        ),
        row(
            "shown_average_fps",
            "average rate of shown frames",
            unit=FRAMES_PER_SECOND,
            better="higher",
            group="dropped",
        )(
            definition="Shown frames divided by the time of the run.",
            compute=lambda series: _of_dropped(series, lambda dropped: dropped.shown_average_fps),
        ),
    )


def _of_dropped(series: FrameSeries, read: Callable[[DroppedFrames], float]) -> float | Missing:
    return _read(dropped_of(series), read, lambda: Missing(reason="the log does not say which frames were shown"))
