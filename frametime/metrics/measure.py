"""From a capture to a measured run: every metric computed once, every finding made once, and what it is worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isfinite
from types import MappingProxyType
from typing import Final

import numpy as np

from frametime.capture import Capture
from frametime.caveats import Caveat, Weight
from frametime.metrics.catalog import catalog_for, shown_values
from frametime.metrics.display.display import fixed_refresh_of, variable_refresh_of
from frametime.metrics.display.shown import dropped_of, motion_steps
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.drift.segments import segments_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import (
    Curve,
    Findings,
    Judgement,
    JudgementWord,
    MeasuredRun,
    Metric,
    MetricValue,
    Missing,
    Stutter,
    known,
)
from frametime.metrics.options import MeasureOptions
from frametime.metrics.profile import smoothness_profile
from frametime.metrics.quality import quality_caveats
from frametime.metrics.regularity import regularity_caveats
from frametime.metrics.rhythm.rhythm import rhythm_of
from frametime.metrics.sensors.sensor_findings import sensor_caveats, throttling_of, with_clock_doubt
from frametime.metrics.stutter import stutters_of
from frametime.statistics.interval import Interval
from frametime.words import continued

LISTED_STUTTERS: Final = 1000
"""At most so many stutters are listed with their times; all of them are counted."""

_DEFAULT_OPTIONS: Final = MeasureOptions()


def measure(
    capture: Capture,
    options: MeasureOptions = _DEFAULT_OPTIONS,
    metrics: Mapping[str, Metric] | None = None,
    *,
    with_curves: bool = True,
) -> MeasuredRun:
    """Measure one capture.

    Parameters
    ----------
    capture : Capture
    options : MeasureOptions
        Every definition is a parameter with a default.
    metrics : Mapping of str to Metric, optional
        Rows to compute instead of ``catalog_for(options)``: a smaller mapping to compute less, or a larger one with
        metrics of your own.
    with_curves : bool
        Also make the curves that charts are drawn from.

    Returns
    -------
    MeasuredRun

    Raises
    ------
    ValueError
        If a metric returns a number that is not finite.
    """
    rows = catalog_for(options) if metrics is None else metrics
    series = FrameSeries.of(capture, options)
    caveats = _caveats(series, capture)
    values = _values(series, rows, caveats)
    curves: Mapping[str, Curve] = {}
    if with_curves:
        from frametime.metrics.curves import run_curves

        curves = run_curves(series)
    return MeasuredRun(
        conditions=capture.conditions,
        provenance=capture.provenance,
        options=options,
        n_frames=series.n_frames,
        duration_s=series.duration_s,
        values=values,
        findings=_findings(series, values),
        curves=curves,
        caveats=caveats,
        judgement=judge(caveats, n_frames=series.n_frames, duration_s=series.duration_s),
    )


def _values(series: FrameSeries, rows: Mapping[str, Metric], caveats: tuple[Caveat, ...]) -> Mapping[str, MetricValue]:
    results = {key: row.compute(series) for key, row in rows.items()}
    intervals: Mapping[str, Interval | Missing] = {}
    if series.options.within_run_intervals:
        from frametime.metrics.intervals.run_intervals import within_run_intervals

        numbers = {key: float(result) for key, result in results.items() if not isinstance(result, Missing)}
        found = within_run_intervals(series, numbers)
        intervals = with_clock_doubt(series, {key: row.compute for key, row in rows.items()}, numbers, found)
    return MappingProxyType(
        {
            key: _value(row, results[key], intervals.get(key), tuple(c for c in caveats if key in c.metrics))
            for key, row in rows.items()
        }
    )


def _value(
    row: Metric, result: float | Missing, interval: Interval | Missing | None, caveats: tuple[Caveat, ...]
) -> MetricValue:
    value, reason = (None, result.reason) if isinstance(result, Missing) else (float(result), None)
    if value is not None and not isfinite(value):
        raise ValueError(f"{row.key} must be a finite number or Missing with its reason, got {value!r}")
    limits, why_none = (None, interval.reason) if isinstance(interval, Missing) else (interval, None)
    return MetricValue(row.key, row.unit, value, reason, limits, caveats, why_none)


def _caveats(series: FrameSeries, capture: Capture) -> tuple[Caveat, ...]:
    """Of the reader and of all checks, the heaviest first."""
    found = (
        *capture.caveats,
        *quality_caveats(series),
        *regularity_caveats(series),
        *sensor_caveats(series),
        *_listing_caveats(series),
    )
    return tuple(sorted(found, key=lambda caveat: caveat.weight.place))


def _listing_caveats(series: FrameSeries) -> tuple[Caveat, ...]:
    if stutters_of(series).count <= LISTED_STUTTERS:
        return ()
    message = f"Only the {LISTED_STUTTERS} largest of {stutters_of(series).count} stutters are listed; all are counted."
    return (Caveat(code="stutters-listed-in-part", message=message, weight=Weight.NOTE),)


def _findings(series: FrameSeries, values: Mapping[str, MetricValue]) -> Findings:
    dropped = known(dropped_of(series))
    findings = Findings(
        stutters=_listed_stutters(series),
        rhythm=rhythm_of(series),
        drift=drift_of(series),
        segments=segments_of(series),
        fixed_refresh=known(fixed_refresh_of(series)),
        variable_refresh=known(variable_refresh_of(series)),
        motion=known(motion_steps(series)),
        dropped=dropped and replace(dropped, shown_values=shown_values(series)),
        throttling=throttling_of(series),
        profile=(),
    )
    return findings._replace(profile=smoothness_profile(values, findings))


def _listed_stutters(series: FrameSeries) -> tuple[Stutter, ...]:
    """The stutters, in the order of time; of very many the longest beyond their local median."""
    stutters = stutters_of(series)
    chosen = np.sort(np.argsort(-stutters.excess_ms, kind="stable")[:LISTED_STUTTERS])
    columns = (stutters.ends_s, stutters.frame_times_ms, stutters.local_medians_ms)
    return tuple(Stutter(*values) for values in zip(*(column[chosen].tolist() for column in columns), strict=True))


def judge(caveats: Sequence[Caveat], *, n_frames: int, duration_s: float) -> Judgement:
    """The heaviest caveat decides, and the reasons are the messages of all caveats that weigh as much.

    Lighter caveats stay in the list of caveats: a run that must be repeated is not read in detail.

    Parameters
    ----------
    caveats : sequence of Caveat
        Of the reader and of all checks.
    n_frames : int
    duration_s : float
        What a usable run rests on.

    Examples
    --------
    >>> gap = Caveat(code="gap", message="No frame for 3.2 s.", weight=Weight.REPEAT)
    >>> judge([gap], n_frames=900, duration_s=13.2)
    Judgement(word='repeat this run', reasons=('no frame for 3.2 s',))
    >>> judge([], n_frames=900, duration_s=10.0)
    Judgement(word='usable', reasons=('900 frames in 10.0 s, a sound capture',))
    """
    words: dict[Weight, JudgementWord] = {Weight.REPEAT: "repeat this run", Weight.CARE: "usable with care"}
    for weight, word in words.items():
        if reasons := [continued(item.message).removesuffix(".") for item in caveats if item.weight is weight]:
            return Judgement(word=word, reasons=tuple(reasons))
    return Judgement(word="usable", reasons=(f"{n_frames} frames in {duration_s:.1f} s, a sound capture",))
