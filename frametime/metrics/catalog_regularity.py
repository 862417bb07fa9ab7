"""Catalog rows of what the eye sees: rhythm and drift, followed by those of the display."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from frametime.metrics.catalog_display import display_rows
from frametime.metrics.findings import SpectralLine
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import PRACTICE, Metric, Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.spectrum import averaged_spectrum
from frametime.units import DIMENSIONLESS

_RAYLEIGH: Final = "Rayleigh test: Mardia and Jupp, Directional Statistics, 2000, section 6.3.1 (from memory)"
_SPECTRUM: Final = "Bracewell, The Fourier Transform, 1965; Baluev, MNRAS 385, 2008 (both from memory)"
_TREND: Final = (
    "Sen, Journal of the American Statistical Association 63, 1968; Hamed and Rao, Journal of Hydrology 204, 1998 "
    "(from memory)"
)

_CHANGES: Final = (
    "Pettitt, Applied Statistics 28, 1979; Ploberger and Krämer, Econometrica 60, 1992; Kovács et al., Biometrika 110, "
    "2023"
)


def regularity_metrics(options: MeasureOptions) -> tuple[Metric, ...]:
    """Rows of rhythm, drift, display (where a refresh is given), motion and dropped frames.

    Examples
    --------
    >>> [row.key for row in regularity_metrics(MeasureOptions())][:2]
    ['alternating_fraction', 'alternation_ms']
    """
    return (*_rhythm_rows(), *_drift_rows(), *display_rows(options))


def _given(value: float | None, reason: str) -> float | Missing:
    return Missing(reason=reason) if value is None else float(value)


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
            definition="Frequency of the largest significant line in the spectrum of the frame times.",
            source=_SPECTRUM,
            compute=lambda series: _line(series, lambda line: line.frequency_hz),
        ),
        Metric(
            key="spectrum_line_ms",
            label="size of the strongest rhythm",
            unit="ms",
            better="lower",
            group="rhythm",
            definition="Amplitude of the largest significant line in the spectrum of the frame times.",
            source=_SPECTRUM,
            compute=lambda series: _line(series, lambda line: line.amplitude_ms),
        ),
    )


def _hitch_period(series: FrameSeries) -> float | Missing:
    period = series.rhythm.hitch_period
    return _given(None if period is None else period.period_s, series.rhythm.hitch_period_reason or "no period")


def _line(series: FrameSeries, part: Callable[[SpectralLine], float]) -> float | Missing:
    lines = series.rhythm.lines
    if lines:
        return part(lines[0])
    found = averaged_spectrum(series.frame_times_ms, series.ends_s)
    return Missing(reason=found if isinstance(found, str) else "no line stands out of the noise")


def _warm_up(series: FrameSeries) -> float | Missing:
    from frametime.metrics.drift import warm_up_length_s

    return warm_up_length_s(series)


def _level_changes(series: FrameSeries) -> float | Missing:
    from frametime.metrics.drift import level_change_count

    return level_change_count(series)


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
            compute=_warm_up,
        ),
        Metric(
            key="level_change_count",
            label="changes of level",
            unit="{count}",
            better="lower",
            group="drift",
            definition="Change points of the per-second median frame time.",
            source=_CHANGES,
            compute=_level_changes,
        ),
    )
