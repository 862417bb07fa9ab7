"""Made logs of a few exact levels: constant, two levels, alternating, a freeze, hitches, a limiter, a coarse timer.

The rules used are those of ``known_answers``.
"""

from __future__ import annotations

import math
from fractions import Fraction

from made_log import Answer, MadeLog, frame_time_text, timestamp_text
from shared_answers import hitch_classes, lows, no_stutter, quantiles, spread


def constant() -> MadeLog:
    """Every frame lasts 8 ms."""
    n = 1_000
    return MadeLog(
        name="constant",
        description="Every one of 1000 frames lasts exactly 8 ms.",
        text=frame_time_text("frame_time_ms", [8_000] * n, 3),
        rows=n,
        frames=n,
        duration_s=Fraction(8),
        caveats=("capped",),
        answers=(
            Answer(key="average_fps", value=Fraction(n, 8), formula="n / T = 1000 / 8 s"),
            *quantiles((8, 8, 8, 8), ("all frames are equal",) * 4),
            *lows((8, 8, 8, 8, 8, 8), ("1000 / 8 ms",) * 6),
            *no_stutter(8),
            *spread(0, 8, "no deviation"),
            Answer(key="pacing_rmssd_ms", value=0, formula="no step differs from the one before"),
            Answer(key="pacing_masd_ms", value=0, formula="the same"),
        ),
        missing=("alternation",),
    )


def two_levels() -> MadeLog:
    """One frame in a hundred is half as long again."""
    fast, slow = 9_900, 100
    n = fast + slow
    return MadeLog(
        name="two_levels",
        description="4950 frames of 10 ms, 100 of 15 ms, 4950 of 10 ms: one frame in a hundred is slow.",
        text=frame_time_text("frame_time_us", [10_000] * (fast // 2) + [15_000] * slow + [10_000] * (fast // 2), 0),
        rows=n,
        frames=n,
        duration_s=Fraction(100_500, 1_000),
        answers=(
            Answer(key="average_fps", value=Fraction(n * 1_000, 100_500), formula="10000 / (99 s + 1.5 s)"),
            *quantiles(
                (10, 10, 10 + Fraction(5, 100), 15),
                (
                    "rank 4999.5 of 9900 fast frames",
                    "rank 9499.05, still fast",
                    "rank 9899.01: 10 ms at rank 9899, 15 ms at rank 9900, 0.01 of the way",
                    "rank 9989.001, slow",
                ),
            ),
            *lows(
                (10 + Fraction(5, 100), 15, 15, 15, 15, 15),
                (
                    "1000 / 10.05 ms",
                    "the slowest 100 frames are the slow ones: 1000 / 15 ms",
                    "1 % of 100.5 s is 1.005 s; the slow frames fill 1.5 s: 1000 / 15 ms",
                    "1000 / 15 ms",
                    "the slowest 10 frames: 1000 / 15 ms",
                    "0.1 % is 0.1005 s, within the slow frames: 1000 / 15 ms",
                ),
            ),
            *no_stutter(15),
            *spread(
                Fraction(fast * slow * 25, n) / (n - 1),
                Fraction(1_005, 100),
                "A B d**2 / n / (n - 1) = 9900 x 100 x 25 / 10000 / 9999",
            ),
            Answer(
                key="pacing_rmssd_ms",
                value=math.sqrt(Fraction(2 * 25, n - 1)),
                formula="one step up and one down, of 5 ms: square root of 50 / 9999",
            ),
            Answer(key="pacing_masd_ms", value=Fraction(10, n - 1), formula="10 / 9999"),
            Answer(
                key="alternation",
                value=(
                    99 * Fraction(495, 100) ** 2
                    - 2 * Fraction(5, 100) * Fraction(495, 100)
                    + (n - 1 - 101) * Fraction(5, 100) ** 2
                )
                / 2_475,
                formula="deviations -0.05 and 4.95; 99 slow pairs, 2 mixed, 9898 fast; over the sum of squares 2475",
            ),
        ),
    )


def alternating() -> MadeLog:
    """Short and long frames in turn."""
    n = 6_000
    return MadeLog(
        name="alternating",
        description="8 ms and 12 ms in turn, 6000 frames: the average and the lows of a calm run, and yet uneven.",
        text=timestamp_text("elapsed_ms", [8_000, 12_000] * (n // 2), 3),
        rows=n + 1,
        frames=n,
        duration_s=Fraction(60),
        answers=(
            Answer(key="average_fps", value=Fraction(n, 60), formula="6000 / 60 s"),
            *quantiles((10, 12, 12, 12), ("rank 2999.5, between 8 and 12", "rank 5699.05", "12 ms", "12 ms")),
            *lows((12, 12, 12, 12, 12, 12), ("1000 / 12 ms",) * 6),
            *no_stutter(12),
            *spread(Fraction(n * 4, n - 1), 10, "every deviation is 2 ms: 6000 x 4 / 5999"),
            Answer(key="pacing_rmssd_ms", value=4, formula="every step is 4 ms"),
            Answer(key="pacing_masd_ms", value=4, formula="every step is 4 ms"),
            Answer(
                key="pacing_jitter_last_ms",
                value=4,
                formula="J += (4 - J) / 16 from 0: 4 (1 - (15/16)**5999), which is 4 to 160 digits",
            ),
            Answer(key="pacing_adev_1", value=0.4 / math.sqrt(2), formula="4 ms of 10 ms, over the square root of 2"),
            Answer(key="pacing_adev_10", value=0, formula="the mean of any ten frames in a row is 10 ms"),
            Answer(key="pacing_adev_100", value=0, formula="so is that of any hundred"),
            Answer(key="alternation", value=Fraction(1 - n, n), formula="5999 products of -4 over 6000 squares of 4"),
        ),
    )


def one_freeze() -> MadeLog:
    """A single freeze of one second."""
    n = 6_001
    return MadeLog(
        name="one_freeze",
        description="3000 frames of 10 ms, one of 1000 ms, 3000 of 10 ms.",
        text=frame_time_text("frame_time_ms", [100] * 3_000 + [10_000] + [100] * 3_000, 1),
        rows=n,
        frames=n,
        duration_s=Fraction(61),
        answers=(
            Answer(key="average_fps", value=Fraction(n, 61), formula="6001 / 61 s"),
            *quantiles((10, 10, 10, 10), ("rank 3000", "rank 5700", "rank 5940", "rank 5994 of 6000")),
            *lows(
                (
                    10,
                    (1_000 + Fraction(5_901, 100) * 10) / Fraction(6_001, 100),
                    1_000,
                    10,
                    (1_000 + Fraction(5_001, 1_000) * 10) / Fraction(6_001, 1_000),
                    1_000,
                ),
                (
                    "1000 / 10 ms: a percentile does not see one frame",
                    "the slowest 60.01 frames: one of 1000 ms, 59.01 of 10 ms",
                    "1 % of 61 s is 0.61 s, within the freeze: 1000 / 1000 ms",
                    "1000 / 10 ms",
                    "the slowest 6.001 frames: one of 1000 ms, 5.001 of 10 ms",
                    "1000 / 1000 ms",
                ),
            ),
            Answer(key="stutter_count", value=1, formula="1000 ms is above 2 x 10 ms, by more than 4 ms"),
            Answer(key="stutter_per_min", value=Fraction(60, 61), formula="1 in 61 s"),
            Answer(key="stutter_time_fraction", value=Fraction(990, 61_000), formula="(1000 - 10) ms of 61 s"),
            *hitch_classes(1, 1, 1, 1, 1_000),
            *spread(Fraction(990**2, n), Fraction(61_000, n), "A B d**2 / n / (n - 1) = 6000 x 990**2 / 6001 / 6000"),
            Answer(
                key="pacing_rmssd_ms",
                value=math.sqrt(Fraction(2 * 990**2, n - 1)),
                formula="one step up and one down, of 990 ms: square root of 2 x 990**2 / 6000",
            ),
            Answer(key="pacing_masd_ms", value=Fraction(1_980, n - 1), formula="1980 / 6000"),
            Answer(
                key="alternation",
                value=Fraction(-6_002, n * (n - 1)),
                formula="in units of (990 / 6001)**2: 5998 pairs of 1, 2 of -6000, over 6001 x 6000",
            ),
        ),
    )


def periodic_hitches() -> MadeLog:
    """A hitch every 2.05 s."""
    blocks, block = 30, 200
    n = blocks * block
    return MadeLog(
        name="periodic_hitches",
        description="Thirty times over: 99 frames of 10 ms, one of 60 ms, 100 of 10 ms. A hitch every 2.05 s.",
        text=timestamp_text("time_s", ([10] * 99 + [60] + [10] * 100) * blocks, 3),
        rows=n + 1,
        frames=n,
        duration_s=Fraction(615, 10),
        answers=(
            Answer(key="average_fps", value=Fraction(n * 10, 615), formula="6000 / 61.5 s"),
            *quantiles((10, 10, 10, 60), ("rank 2999.5", "rank 5699.05", "rank 5939.01 of 5970", "rank 5993.001")),
            *lows(
                (10, 35, 60, 60, 60, 60),
                (
                    "1000 / 10 ms: the hitches are half a percent of the frames",
                    "the slowest 60 frames: 30 of 60 ms, 30 of 10 ms, mean 35 ms",
                    "1 % of 61.5 s is 0.615 s; the hitches fill 1.8 s: 1000 / 60 ms",
                    "1000 / 60 ms",
                    "the slowest 6 frames: 1000 / 60 ms",
                    "1000 / 60 ms",
                ),
            ),
            Answer(key="stutter_count", value=blocks, formula="each hitch: 60 ms against a local median of 10 ms"),
            Answer(key="stutter_per_min", value=Fraction(blocks * 600, 615), formula="30 in 61.5 s"),
            Answer(key="stutter_time_fraction", value=Fraction(blocks * 50, 61_500), formula="30 x 50 ms of 61.5 s"),
            *hitch_classes(blocks, 0, 0, 0, 60),
            Answer(
                key="hitch_period_s",
                value=Fraction(205, 100),
                formula="199 x 10 ms + 60 ms",
                relative_tolerance=0.001,
            ),
            *spread(
                Fraction(5_970 * 30 * 2_500, n) / (n - 1),
                Fraction(1_025, 100),
                "A B d**2 / n / (n - 1) = 5970 x 30 x 50**2 / 6000 / 5999",
            ),
            Answer(
                key="pacing_rmssd_ms",
                value=math.sqrt(Fraction(60 * 2_500, n - 1)),
                formula="30 steps up and 30 down, of 50 ms: square root of 60 x 2500 / 5999",
            ),
            Answer(key="pacing_masd_ms", value=Fraction(60 * 50, n - 1), formula="60 x 50 / 5999"),
            Answer(
                key="alternation",
                value=Fraction(5_939 - 60 * 199, 16) / 74_625,
                formula="in units of 0.25**2: 5939 pairs of 1, 60 of -199; over the sum of squares 74625",
            ),
        ),
    )


def capped() -> MadeLog:
    """A limiter at 60 fps holds most of the run."""
    held, slow = 3_000, 600
    n = held + slow
    mean = Fraction(62_000, n)
    squares = (
        1_000 * (Fraction(16_666, 1_000) - mean) ** 2
        + 2_000 * (Fraction(16_667, 1_000) - mean) ** 2
        + slow * (20 - mean) ** 2
    )
    return MadeLog(
        name="capped",
        description="A limiter at 60 fps: 1000 times 16.667, 16.667, 16.666 ms, then 600 frames of 20 ms below it.",
        text=frame_time_text("frame_time_ms", [16_667, 16_667, 16_666] * (held // 3) + [20_000] * slow, 3),
        rows=n,
        frames=n,
        duration_s=Fraction(62),
        caveats=("capped",),
        answers=(
            Answer(key="average_fps", value=Fraction(n, 62), formula="3600 / (50 s + 12 s)"),
            *quantiles(
                (Fraction(16_667, 1_000), 20, 20, 20),
                ("rank 1799.5, among ranks 1000 to 2999", "rank 3419.05 of 3000 held frames", "20 ms", "20 ms"),
            ),
            *lows((20, 20, 20, 20, 20, 20), ("1000 / 20 ms",) * 6),
            *no_stutter(20),
            *spread(squares / (n - 1), mean, "1000, 2000 and 600 squares around the mean of 62 s / 3600, over 3599"),
            Answer(
                key="pacing_rmssd_ms",
                value=math.sqrt((1_999 * Fraction(1, 1_000) ** 2 + Fraction(3_334, 1_000) ** 2) / (n - 1)),
                formula="1999 steps of 0.001 ms and one of 3.334 ms, over 3599",
            ),
            Answer(
                key="pacing_masd_ms",
                value=(Fraction(1_999, 1_000) + Fraction(3_334, 1_000)) / (n - 1),
                formula="(1999 x 0.001 + 3.334) / 3599",
            ),
        ),
    )


def coarse_timer() -> MadeLog:
    """Equal frames seen by a clock of whole milliseconds."""
    n = 5_000
    return MadeLog(
        name="coarse_timer",
        description="Frames of 16.4 ms, their ends cut down to whole ms: 16, 16, 17, 16, 17 ms, a thousand times over.",
        text=timestamp_text("time_s", [16, 16, 17, 16, 17] * (n // 5), 3),
        rows=n + 1,
        frames=n,
        duration_s=Fraction(82),
        caveats=("coarse-timer",),
        answers=(
            Answer(
                key="average_fps", value=Fraction(n, 82), formula="5000 / 82 s: the clock spoils single frames only"
            ),
            *quantiles((16, 17, 17, 17), ("three frames in five are 16 ms", "rank 4749.05 of 3000", "17 ms", "17 ms")),
            *lows((17, 17, 17, 17, 17, 17), ("1000 / 17 ms",) * 6),
            *no_stutter(17),
            *spread(
                Fraction(1_200, n - 1), Fraction(164, 10), "per five frames 3 x 0.4**2 + 2 x 0.6**2 = 1.2; 1200 / 4999"
            ),
            Answer(
                key="pacing_rmssd_ms",
                value=math.sqrt(Fraction(3_999, n - 1)),
                formula="four steps of 1 ms in five, less the one after the last frame: square root of 3999 / 4999",
            ),
            Answer(key="pacing_masd_ms", value=Fraction(3_999, n - 1), formula="3999 / 4999"),
            Answer(
                key="alternation",
                value=(-800 + Fraction(24, 100)) / 1_200,
                formula="per five pairs 0.16 - 4 x 0.24 = -0.8, less the pair after the last frame; over 1200",
            ),
        ),
    )
