"""What can be asked of ``measure``: every definition is a parameter with a default.

Refresh rates are exact fractions: what a person writes, what a standard means by it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce
from operator import truediv
from typing import Final

from frametime.errors import OptionError
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
        Timestamps keep to a beat when many frames together spread less than so many times what one does.
    """

    gap_s: float = 2.0
    min_tail_frames: int = 10
    min_frames: int = 100
    min_duration_s: float = 5.0
    timer_note_fraction: float = 0.01
    timer_care_fraction: float = 0.05
    timer_repeat_fraction: float = 0.25
    cap_near_fraction: float = 0.005
    cap_wide_fraction: float = 0.1
    cap_share: float = 0.3
    cap_faster_share: float = 0.02
    cap_one_sided: float = 0.1
    cap_all_share: float = 0.8
    cap_beat_share: float = 0.6
    cap_beat_ratio: float = 1.5

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


FAMILY_HZ: Final = (24, 30, 60, 120)
"""Whole rates that SMPTE ST 274 and CTA-861 also give as N x 1000/1001."""

_WHERE: Final = "refresh rate"
_HELPS: Final = (
    "write one rate such as 144 or 59.94, a fraction such as 60000/1001, a window such as 48-165, or the display "
    "timing as pixel clock in Hz, total width and total height: 173000000/2576/1120"
)
_DECIMAL = re.compile(r"\d{1,9}(\.\d{1,9})?")


def parse_refresh(text: str, *, tearing: bool = False) -> Refresh:
    """The refresh that a person wrote.

    ``144`` is fixed, ``48-165`` a variable window, ``60000/1001`` exact as it stands, ``173000000/2576/1120`` a
    display timing: pixel clock over all pixels of a frame, blanking included, as in VESA DMT and CVT. A decimal that
    is a rate of the families 24, 30, 60, 120 times 1000/1001, rounded to the digits that were written (two or more),
    means that exact rate: ``59.94`` is 60000/1001. ``describe_refresh`` says so.

    Parameters
    ----------
    text : str
    tearing : bool
        Whether a new frame may appear in the middle of a refresh.

    Raises
    ------
    OptionError
        If the text is none of these, or a rate lies outside 1 to 10 000 Hz.

    Examples
    --------
    >>> parse_refresh("59.94").low_hz
    Fraction(60000, 1001)
    >>> window = parse_refresh("48-165")
    >>> (int(window.low_hz), int(window.high_hz), window.is_fixed)
    (48, 165, False)
    """
    cleaned = re.sub(r"\s*hz\s*$", "", text.strip(), flags=re.IGNORECASE).replace(" ", "").replace("\N{EN DASH}", "-")
    low_text, dash, high_text = cleaned.partition("-")
    low_hz = _rate(low_text, text)
    high_hz = _rate(high_text, text) if dash else low_hz
    if dash and not low_hz < high_hz:
        raise OptionError.at(_WHERE, f"the window '{text}' does not rise", helps="write the lower rate first")
    return Refresh(low_hz=low_hz, high_hz=high_hz, tearing=tearing)


def _rate(part: str, text: str) -> Fraction:
    """One rate out of ``part``; ``text`` is what the person wrote, for the message."""
    pieces = part.split("/")
    if len(pieces) > 3 or not all(_DECIMAL.fullmatch(piece) for piece in pieces):
        raise OptionError.at(_WHERE, f"'{text}' is not a refresh rate", helps=_HELPS)
    if any(Fraction(piece) == 0 for piece in pieces):
        raise OptionError.at(_WHERE, f"'{text}' holds a zero", helps=_HELPS)
    family_hz = _family_rate(part) if len(pieces) == 1 else None
    rate_hz = family_hz or reduce(truediv, map(Fraction, pieces))
    if not 1 <= rate_hz <= 10_000:
        raise OptionError.at(_WHERE, f"'{text}' gives {float(rate_hz):.6g} Hz", helps="give a rate from 1 to 10000 Hz")
    return rate_hz


def _family_rate(part: str) -> Fraction | None:
    """The rate N x 1000/1001 that this decimal rounds, if there is one."""
    digits = len(part.partition(".")[2])
    if digits < 2:
        return None
    rates = (Fraction(whole_hz * 1000, 1001) for whole_hz in FAMILY_HZ)
    return next((rate for rate in rates if abs(rate - Fraction(part)) <= Fraction(1, 2 * 10**digits)), None)


def describe_rate(rate_hz: Fraction) -> str:
    """One rate for people, with the exact fraction where the decimal is rounded.

    Examples
    --------
    >>> describe_rate(Fraction(144)), describe_rate(Fraction(60000, 1001))
    ('144 Hz', '59.94006 Hz (exactly 60000/1001)')
    """
    shown = f"{float(rate_hz):.7g}"
    if Fraction(shown) == rate_hz:
        return f"{shown} Hz"
    return f"{shown} Hz (exactly {rate_hz.numerator}/{rate_hz.denominator})"


def describe_refresh(refresh: Refresh) -> str:
    """What the refresh is, in words.

    Examples
    --------
    >>> describe_refresh(parse_refresh("144", tearing=True))
    'fixed refresh of 144 Hz, with tearing'
    >>> describe_refresh(parse_refresh("48-165"))
    'variable refresh from 48 Hz to 165 Hz'
    """
    if refresh.is_fixed:
        return f"fixed refresh of {describe_rate(refresh.low_hz)}" + (", with tearing" if refresh.tearing else "")
    return f"variable refresh from {describe_rate(refresh.low_hz)} to {describe_rate(refresh.high_hz)}"
