"""The types in which a measured run is told: what was found in it, metric, value, interval, run.

Plain frozen values without arrays, so that a measured run can be kept as JSON. Most are named tuples: a quick check
makes all of these classes anew at its start, and a dataclass takes four times as long.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final, Literal, NamedTuple, TypeAlias, TypeVar

from frametime.capture import Conditions, Provenance
from frametime.caveats import Caveat
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.options import MeasureOptions
from frametime.statistics.interval import Interval


@lru_cache(maxsize=1)
def table() -> Mapping[str, Mapping[str, str]]:
    """Every row of ``metrics.tsv`` by its key; ``-`` stands for what a metric does not have."""
    text = Path(__file__).with_name("metrics.tsv").read_text("utf-8")
    names, *rows = (line.split("\t") for line in text.splitlines())
    return {row[0]: dict(zip(names, row, strict=True)) for row in rows}


def keys_with(column: str, word: str) -> tuple[str, ...]:
    """Keys of the metrics that have this word in a column of the table."""
    return tuple(key for key, row in table().items() if row[column] == word)


class Stutter(NamedTuple):
    """One stutter: when the frame ended (s since the start), how long it was, the local median (both ms)."""

    time_s: float
    frame_time_ms: float
    local_median_ms: float


class Hitch(NamedTuple):
    """Frames that stand out of those around them: number of the first and when it began (s since the start).

    ``longest_ms`` is the longest of them, ``excess_ms`` by how much it is longer than the frames around it.
    """

    position: int
    start_s: float
    longest_ms: float
    excess_ms: float


class HitchPeriod(NamedTuple):
    """Hitches that recur: the period, how many beats have one, how long these are, each with its interval.

    ``n_left_over`` of the hitches looked at lie beside the beats that the sentence tells, which may be those of other
    periods as well; ``size_ms`` is the median length of those on the beat, with an interval from six hitches on.
    ``p_value`` is the chance of as good a period in random hitches, at most.
    """

    period_s: float
    period_low_s: float
    period_high_s: float
    p_value: float
    n_following: int
    n_beats: int
    n_left_over: int
    share_low: float
    share_high: float
    size_ms: float
    size_low_ms: float | None
    size_high_ms: float | None
    sentence: str


class SpectralLine(NamedTuple):
    """One line of the spectrum of the frame times."""

    frequency_hz: float
    amplitude_ms: float
    false_alarm_probability: float


class Rhythm(NamedTuple):
    """Regular patterns: alternating frames, recurring hitches, strongest lines.

    ``alternating_fraction`` is the share of frames that stand in runs of alternating short and long frames;
    ``alternation_ms`` the median size of the alternation there. Of very many hitches the largest are listed.
    ``unlooked_reason`` says why nothing that recurs was looked for; it is ``None`` where it was.
    """

    alternating_fraction: float
    alternation_ms: float | None
    hitch_period: HitchPeriod | None
    hitch_period_reason: str | None
    lines: tuple[SpectralLine, ...]
    hitches: tuple[Hitch, ...] = ()
    unlooked_reason: str | None = None


class Change(NamedTuple):
    """A change point: when, of what, from which value to which."""

    time_s: float
    kind: Literal["level", "spread"]
    before_ms: float
    after_ms: float
    p_value: float
    sentence: str


class WarmUp(NamedTuple):
    """The first seconds differ from the rest: how many seconds to skip, and by how much they differ."""

    skip_s: float
    difference_pct: float
    sentence: str


class Drift(NamedTuple):
    """Slow change over the run, from per-block medians of the frame time.

    ``is_drift`` says whether the slope is larger than chance and large enough to matter, and no step explains it;
    ``is_steady`` whether its interval leaves out any change that would matter; ``wander_pct`` how far the level swings
    slowly to and fro (standard deviation), where that is what it does. With none of them, nothing is shown.
    """

    slope_pct_per_min: float | None
    slope_low_pct_per_min: float | None
    slope_high_pct_per_min: float | None
    p_value: float | None
    is_drift: bool
    is_steady: bool
    wander_pct: float | None
    changes: tuple[Change, ...]
    warm_up: WarmUp | None
    sentence: str


class Segment(NamedTuple):
    """A stretch of the capture: play, or a still part such as a menu, or a pause without frames."""

    number: int
    start_s: float
    end_s: float
    kind: Literal["play", "still", "pause"]
    n_frames: int
    median_frame_time_ms: float | None


class FixedRefreshFit(NamedTuple):
    """How frames fall on the refreshes of a fixed display.

    ``measured_hz`` is the rate that the times follow, ``None`` where they follow none; ``cadence`` counts the frames
    by the number of refreshes for which each was shown. ``uneven_per_min`` is ``None`` where only two frames are seen:
    one step has none before it to differ from. Where ``are_shown_times``, the log's times are the shown ones, and
    judder is that of the shown steps against an even step.
    """

    refresh_hz: float
    measured_hz: float | None
    n_refreshes: int
    repeat_count: int
    skipped_frame_count: int
    cadence: Mapping[str, int]
    uneven_per_min: float | None
    judder_rms_ms: float
    from_display_times: bool
    are_shown_times: bool = False


class VariableRefreshFit(NamedTuple):
    """How frames fall into the window of a variable-refresh display; fractions of frames and of time."""

    low_hz: float
    high_hz: float
    inside_frames_fraction: float
    inside_time_fraction: float
    below_frames_fraction: float
    below_time_fraction: float
    above_frames_fraction: float
    above_time_fraction: float
    from_display_times: bool


class MotionSteps(NamedTuple):
    """Shown step minus simulated step, where both clocks are logged."""

    rms_ms: float
    p99_ms: float
    worst_ms: float
    worst_time_s: float
    clock_drift_ppm: float
    from_display_times: bool


@dataclass(frozen=True, kw_only=True)
class DroppedFrames:
    """Frames that were rendered and never shown.

    ``shown_values`` holds the metrics of the catalog about level, lows, tail and stutter on the shown frames alone, to
    stand beside those on all rendered frames; it is empty when nothing was dropped, since the two are then the same.
    """

    count: int
    fraction: float
    longest_run: int
    shown_average_fps: float
    shown_values: Mapping[str, float] = field(default_factory=dict)


class Throttling(NamedTuple):
    """The clock fell while temperature or power stood at its limit."""

    start_s: float
    end_s: float
    depth_mhz: float
    cause: Literal["temperature", "power"]


ProfileItemName: TypeAlias = Literal["level", "tail", "stutter", "rhythm", "drift", "display"]


class ProfileItem(NamedTuple):
    """One line of the smoothness profile: a number, a word, and the threshold between the words."""

    item: ProfileItemName
    key: str
    value: float | None
    word: str
    threshold: str
    source: str


class Findings(NamedTuple):
    """All that was found in one run. ``None`` means that it was not looked for or could not be: see the caveats."""

    stutters: tuple[Stutter, ...]
    rhythm: Rhythm | None
    drift: Drift | None
    segments: tuple[Segment, ...]
    fixed_refresh: FixedRefreshFit | None
    variable_refresh: VariableRefreshFit | None
    motion: MotionSteps | None
    dropped: DroppedFrames | None
    throttling: tuple[Throttling, ...]
    profile: tuple[ProfileItem, ...]


Found = TypeVar("Found")
Better: TypeAlias = Literal["higher", "lower", "neither"]
JudgementWord: TypeAlias = Literal["usable", "usable with care", "repeat this run"]

PRACTICE: Final = "common practice, no source"
"""What stands as the source of a number that the trade uses and no publication fixes."""


class Missing(NamedTuple):
    """No value, and why: shown as n/a with the reason."""

    reason: str


def known(found: Found | Missing) -> Found | None:
    """What was found; ``None`` where it is missing."""
    return None if isinstance(found, Missing) else found


Compute: TypeAlias = Callable[[FrameSeries], float | Missing]
"""The value of a metric in one run, or why it has none."""


def part_of(find: Callable[[FrameSeries], Found | Missing], part: Callable[[Found], float | Missing]) -> Compute:
    """A number of what is found in a run, or the reason why that is missing."""

    def compute(series: FrameSeries) -> float | Missing:
        found = find(series)
        return found if isinstance(found, Missing) else part(found)

    return compute


class Metric(NamedTuple):
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


class MetricValue(NamedTuple):
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


class Judgement(NamedTuple):
    """What a capture is worth, in one word, and the reasons."""

    word: JudgementWord
    reasons: tuple[str, ...]


class Curve(NamedTuple):
    """A curve for a chart, small enough to be kept: at most a few thousand points.

    ``x`` and ``y`` have equal length; ``x_label`` and ``y_label`` carry the unit.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    x_label: str
    y_label: str


class MeasuredRun(NamedTuple):
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
