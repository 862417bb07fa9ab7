"""What can be asked of ``measure``: every definition is a parameter with a default."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from frametime.ranges import check_ranges


@dataclass(frozen=True, kw_only=True)
class StutterRule:
    """When a frame is a stutter.

    A frame is a stutter when it is longer than ``ratio`` times the local median and longer than it by
    ``min_excess_ms``. The local median is over ``window_s`` seconds, centred, the frame itself left out.

    The ratio and the window are common practice, no source. The least excess of 4 ms is the smaller of the two
    variations tried by Klein et al., "Variable Frame Timing Affects Perception of Smoothness in First-Person
    Gaming", IEEE CoG 2024 (12 ms clearly lowers perceived smoothness, 4 ms much less).
    """

    ratio: float = 2.0
    window_s: float = 1.0
    min_excess_ms: float = 4.0

    def __post_init__(self) -> None:
        check_ranges(self, "ratio", "window_s", "min_excess_ms")


@dataclass(frozen=True, kw_only=True)
class QualityRule:
    """When a capture is to be read with care, or made again.

    Every threshold is common practice, no source.

    Attributes
    ----------
    gap_s : float
        No frame for longer than this is a gap.
    min_tail_frames : int
        A low rests on at least so many frames.
    min_frames : int
        With fewer frames the run is to be made again.
    min_duration_s : float
        A shorter run is used with care.
    timer_note_fraction, timer_care_fraction, timer_repeat_fraction : float
        Resolution of the timestamps as a share of the median frame time from which it is noted, from which pacing and
        lows are used with care, and from which the run is to be made again with a finer clock.
    cap_near_fraction, cap_wide_fraction : float
        How far around the commonest frame time a frame still counts as being at the cap: for a sharp cluster, and for
        one whose timestamps keep to a fixed beat.
    cap_share : float
        Share of frames in the sharp cluster from which frames are at a cap when hardly any frame is faster.
    cap_faster_share, cap_one_sided : float
        Hardly any: at most this share of all frames, and at most this share of the frames slower than the cluster.
    cap_all_share : float
        Share of frames in the sharp cluster from which the run is at a cap whatever the rest does.
    cap_beat_share : float
        Share of frames in the wide cluster from which the beat is looked at.
    cap_beat_ratio : float
        Timestamps keep to a beat when ten frames together spread less than this share of what ten independent frames
        would.
    """

    gap_s: float = 2.0
    min_tail_frames: int = 10
    min_frames: int = 100
    min_duration_s: float = 5.0
    timer_note_fraction: float = 0.01
    timer_care_fraction: float = 0.05
    timer_repeat_fraction: float = 0.25
    cap_near_fraction: float = 0.005
    cap_wide_fraction: float = 0.025
    cap_share: float = 0.3
    cap_faster_share: float = 0.02
    cap_one_sided: float = 0.1
    cap_all_share: float = 0.8
    cap_beat_share: float = 0.6
    cap_beat_ratio: float = 0.5

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if not value > 0:
                raise ValueError(f"{name} must be positive, got {value!r}")


@dataclass(frozen=True, kw_only=True)
class Refresh:
    """Refresh of the display: fixed when ``low_hz == high_hz``, else a variable window.

    Rates are fractions, so that 60000/1001 Hz is exact.
    """

    low_hz: Fraction
    high_hz: Fraction
    tearing: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.low_hz <= self.high_hz:
            raise ValueError(f"the window must be positive and rising, got {self.low_hz!r} to {self.high_hz!r}")

    @property
    def is_fixed(self) -> bool:
        """Whether every refresh has the same length."""
        return self.low_hz == self.high_hz


@dataclass(frozen=True, kw_only=True)
class MeasureOptions:
    """Parameters of ``measure``.

    Attributes
    ----------
    quantile_type : int
        1 to 9, numbered as in Hyndman and Fan, The American Statistician 50(4), 1996.
    slowest_pcts : tuple of float
        Shares of the slowest frames for which lows are computed, in percent.
    stutter : StutterRule
    quality : QualityRule
    refresh : Refresh or None
        Needed for the display metrics.
    temperature_limit_c, power_limit_w : float or None
        Limits of the card, for the time above them and for throttling.
    within_run_intervals : bool
        Compute intervals for every metric.
    level : float
        Confidence level of every interval, between 0 and 1.
    """

    quantile_type: int = 7
    slowest_pcts: tuple[float, ...] = (1.0, 0.1)
    stutter: StutterRule = StutterRule()
    quality: QualityRule = QualityRule()
    refresh: Refresh | None = None
    temperature_limit_c: float | None = None
    power_limit_w: float | None = None
    within_run_intervals: bool = False
    level: float = 0.95

    def __post_init__(self) -> None:
        check_ranges(self, "quantile_type", "slowest_pcts", "temperature_limit_c", "power_limit_w")
        if not 0.0 < self.level < 1.0:
            raise ValueError(f"level must be between 0 and 1, got {self.level!r}")
