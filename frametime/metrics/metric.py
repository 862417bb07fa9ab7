"""The types in which a measured run is told: metric, value, interval, run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from frametime.capture import Conditions, Provenance
from frametime.caveats import Caveat
from frametime.metrics.findings import Findings
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions
from frametime.statistics.differences import Interval as Interval  # noqa: PLC0414  (read from here with the other types of a run)

Better: TypeAlias = Literal["higher", "lower", "neither"]
JudgementWord: TypeAlias = Literal["usable", "usable with care", "repeat this run"]

PRACTICE: Final = "common practice, no source"
"""What stands as the source of a number that the trade uses and no publication fixes."""


@dataclass(frozen=True, kw_only=True)
class Missing:
    """No value, and why: shown as n/a with the reason."""

    reason: str


Compute: TypeAlias = Callable[[FrameSeries], float | Missing]
"""The value of a metric in one run, or why it has none."""


@dataclass(frozen=True, kw_only=True)
class Metric:
    """One row of the catalog.

    Attributes
    ----------
    key : str
        Name with its definition and unit in it (``low_1pct_percentile_fps``).
    label : str
        A few words for people.
    unit : str
        UCUM code.
    better : {'higher', 'lower', 'neither'}
    group : str
        Heading under which it is shown: level, lows, tail, stutter, pacing, rhythm, drift, display, motion,
        dropped, power, temperature, clock.
    definition : str
        One sentence.
    source : str
        Publication, or ``PRACTICE``.
    compute : callable
        ``compute(series)`` gives the value, or ``Missing`` with the reason.
    decimals : int or None
        How many are shown, where the digits of a number do not follow its size.
    """

    key: str
    label: str
    unit: str
    better: Better
    group: str
    definition: str
    source: str
    compute: Compute
    decimals: int | None = None


@dataclass(frozen=True, kw_only=True)
class MetricValue:
    """A metric of one run: its value, or the reason why there is none.

    ``interval`` is *within run* and never used to compare cards. Where intervals were
    asked for and a value has none, ``interval_reason`` says why.
    """

    key: str
    unit: str
    value: float | None
    reason: str | None
    interval: Interval | None
    caveats: tuple[Caveat, ...]
    interval_reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """What a capture is worth, in one word, and the reasons."""

    word: JudgementWord
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A curve for a chart, small enough to be kept: at most a few thousand points.

    ``x`` and ``y`` have equal length; ``x_label`` and ``y_label`` carry the unit.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    x_label: str
    y_label: str


@dataclass(frozen=True, kw_only=True)
class MeasuredRun:
    """One measured capture: plain numbers only, no frames, so that it can be kept, sent and compared.

    Attributes
    ----------
    conditions, provenance
        Of the capture.
    options : MeasureOptions
        What was asked for.
    n_frames : int
    duration_s : float
        From the start of the first frame to the end of the last.
    values : Mapping of str to MetricValue
        By key, in the order of the catalog.
    findings : Findings
        What has a time, a place or a list: stutters, drift, rhythm, segments, display.
    curves : Mapping of str to Curve
        ``percentile`` (share of frames in % to frame time in ms), ``distribution`` (frame time in ms to share of
        frames in %), ``rate`` (elapsed s to fps of each second), ``trace_low`` and ``trace_high`` (elapsed s to least
        and greatest frame time in ms of each step), ``local_median`` (elapsed s to the median frame time around).
    caveats : tuple of Caveat
        Of the reader and of the capture checks.
    judgement : Judgement
    """

    conditions: Conditions
    provenance: Provenance
    options: MeasureOptions
    n_frames: int
    duration_s: float
    values: Mapping[str, MetricValue]
    findings: Findings
    curves: Mapping[str, Curve]
    caveats: tuple[Caveat, ...]
    judgement: Judgement
