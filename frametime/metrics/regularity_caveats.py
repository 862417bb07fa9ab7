"""What must be known about rhythm, drift, segments, display, motion and dropped frames of a run."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from frametime.caveats import Caveat, Weight
from frametime.metrics.display.display import display_time_falls, fixed_refresh_of, variable_refresh_of
from frametime.metrics.display.dropped import dropped_of
from frametime.metrics.display.motion import motion_steps
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.drift.drift_words import percent, seconds
from frametime.metrics.drift.segments import segments_of
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.metrics.frame_series import FrameSeries

FIXED_KEYS: Final = ("refresh_uneven_per_min", "refresh_repeat_fraction", "refresh_skipped_count", "judder_rms_ms")
VARIABLE_KEYS: Final = (
    "refresh_inside_frames_fraction",
    "refresh_inside_time_fraction",
    "refresh_below_time_fraction",
    "refresh_above_time_fraction",
)
MOTION_KEYS: Final = ("motion_step_error_rms_ms", "motion_step_error_p99_ms", "motion_step_error_worst_ms")

TOLD_CLOCK_DRIFT_PPM: Final = 10.0
"""Drift of two clocks beyond which it is told; two ordinary quartz clocks differ by tens of parts per million
(common practice, no source)."""
TOLD_RATE_DIFFERENCE: Final = 2e-4
"""Relative difference of the measured from the nominal refresh rate beyond which it is told. A fifth of the step from
60 to 60000/1001 Hz."""


def regularity_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    """Caveats of the findings of a run, each naming the metrics it bears on.

    Codes: ``warm-up``, ``drift``, ``level-change``, ``not-all-play``, ``display-times-fall``,
    ``display-from-frame-ends``, ``refresh-rate-differs``, ``motion-from-frame-ends``,
    ``clock-drift-removed``, ``dropped-frames``.
    """
    return (
        *_of_drift(series),
        *_of_segments(series),
        *_of_display(series),
        *_of_motion(series),
        *_of_dropped(series),
    )


def _of_drift(series: FrameSeries) -> Iterator[Caveat]:
    drift = drift_of(series)
    if drift.warm_up is not None:
        sentence = drift.warm_up.sentence
        yield Caveat(
            code="warm-up",
            message=f"{sentence[0].upper()}{sentence[1:]}; --skip-start auto leaves them out.",
            weight=Weight.CARE,
        )
    steps = [change for change in drift.changes if change.kind == "level"]
    if steps:
        more = f", and {counted(len(steps) - 1, 'more change')} of level" if len(steps) > 1 else ""
        yield Caveat(code="level-change", message=f"The run is {steps[0].sentence}{more}.", weight=Weight.CARE)
    if drift.is_drift and drift.slope_pct_per_min is not None:
        word = "slower" if drift.slope_pct_per_min > 0.0 else "faster"
        yield Caveat(
            code="drift",
            message=f"The run gets {percent(drift.slope_pct_per_min)} % {word} per minute (p = {drift.p_value:.1g}).",
            weight=Weight.CARE,
        )


def _of_segments(series: FrameSeries) -> Iterator[Caveat]:
    others = [segment for segment in segments_of(series) if segment.kind != "play"]
    if others:
        listed = ", ".join(
            f"{segment.kind} from {seconds(segment.start_s)} to {seconds(segment.end_s)}" for segment in others[:3]
        )
        more = f" and {len(others) - 3} more" if len(others) > 3 else ""
        yield Caveat(
            code="not-all-play",
            message=f"Parts of the capture are not play: {listed}{more}. Nothing was cut; --segment measures one part.",
            weight=Weight.CARE,
        )


def _of_display(series: FrameSeries) -> Iterator[Caveat]:
    fixed, variable = fixed_refresh_of(series), variable_refresh_of(series)
    n_falls = display_time_falls(series)
    if n_falls:
        yield Caveat(
            code="display-times-fall",
            message=(
                f"The display times fall back {counted(n_falls, 'time')}: the frames do not stand in the order in "
                "which they were shown, so nothing is told of the display."
            ),
            weight=Weight.CARE,
            metrics=(*FIXED_KEYS, *VARIABLE_KEYS, *MOTION_KEYS),
        )
    keys = FIXED_KEYS if fixed is not None else VARIABLE_KEYS
    fit = fixed or variable
    if fit is not None and not fit.from_display_times:
        yield Caveat(
            code="display-from-frame-ends",
            message="The log has no display times: what the display showed is worked out from the ends of the frames.",
            weight=Weight.NOTE,
            metrics=keys,
        )
    if fixed is not None and fixed.measured_hz is not None:
        difference = fixed.measured_hz / fixed.refresh_hz - 1.0
        if abs(difference) > TOLD_RATE_DIFFERENCE:
            yield Caveat(
                code="refresh-rate-differs",
                message=f"The times follow {fixed.measured_hz:.5g} Hz, not the {fixed.refresh_hz:.5g} Hz given.",
                weight=Weight.NOTE,
                metrics=keys,
            )


def _of_motion(series: FrameSeries) -> Iterator[Caveat]:
    motion = motion_steps(series)
    if motion is None:
        return
    if not motion.from_display_times:
        yield Caveat(
            code="motion-from-frame-ends",
            message="The log has no display times: motion steps are from the ends of the frames.",
            weight=Weight.NOTE,
            metrics=MOTION_KEYS,
        )
    if abs(motion.clock_drift_ppm) > TOLD_CLOCK_DRIFT_PPM:
        yield Caveat(
            code="clock-drift-removed",
            message=(
                f"Shown and simulated times part by {abs(motion.clock_drift_ppm):.3g} parts per million: two clocks "
                "that drift apart, or a delay that changes with the scene; removed from the motion steps."
            ),
            weight=Weight.NOTE,
            metrics=MOTION_KEYS,
        )


def _of_dropped(series: FrameSeries) -> Iterator[Caveat]:
    dropped = dropped_of(series)
    if dropped is not None and dropped.count:
        yield Caveat(
            code="dropped-frames",
            message=(
                f"{dropped.count} of {series.n_frames} frames were never shown ({percent(100.0 * dropped.fraction)} %, "
                f"{dropped.longest_run} in a row at most): the metrics count rendered frames, the shown ones alone "
                f"run at {dropped.shown_average_fps:.4g} fps."
            ),
            weight=Weight.CARE,
        )
