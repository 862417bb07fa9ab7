"""Made logs that follow a curve: a sine, a straight line, the same out of order, power that rises.

The rules used are those of ``known_answers``.
"""

from __future__ import annotations

import math
import random
from fractions import Fraction

from made_log import Answer, MadeLog, frame_time_text, timestamp_text
from shared_answers import lows, no_stutter, quantiles, spread

SEED = 1_812


def sine() -> MadeLog:
    """A sine of one period in a hundred frames."""
    period, periods = 100, 60
    n = period * periods
    step = 2 * math.pi / period
    # The sine is rounded to ns with half away from 0 on both sides, so that the sum over a period stays exact.
    wave = [_rounded(2_000_000 * math.sin(step * i)) for i in range(period)]
    quarter = wave[: period // 4 + 1]
    half = quarter + quarter[-2:0:-1]
    wave = half + [-value for value in half]
    return MadeLog(
        name="sine",
        description="Frame i of 6000 lasts 10 + 2 sin(2 pi i / 100) ms, rounded to ns: sixty whole periods.",
        text=timestamp_text("timestamp_ns", [10_000_000 + value for value in wave] * periods, 0),
        rows=n + 1,
        frames=n,
        duration_s=Fraction(60),
        relative_tolerance=1e-6,
        answers=(
            Answer(key="average_fps", value=Fraction(n, 60), formula="the sine sums to 0 over a period: 6000 / 60 s"),
            *quantiles(
                (
                    10,
                    10 + 2 * (0.95 * math.cos(3 * step) + 0.05 * math.cos(2 * step)),
                    10 + 2 * (0.99 * math.cos(step) + 0.01),
                    12,
                ),
                (
                    "by symmetry; the 120 frames at ranks 2940 to 3059 are 10 ms",
                    "the top lasts 60 frames, each step down from it 120: rank 5699.05 is 0.05 of the way from 3 to 2",
                    "rank 5939.01 is 0.01 of the way from one step below the top to the top (ranks 5940 to 5999)",
                    "rank 5993.001, the top",
                ),
            ),
            *lows(
                (10 + 2 * (0.99 * math.cos(step) + 0.01), 12, 12, 12, 12, 12),
                (
                    "1000 / p99",
                    "the slowest 60 frames are the tops: 1000 / 12 ms",
                    "1 % of 60 s is 0.6 s; the tops fill 0.72 s: 1000 / 12 ms",
                    "1000 / 12 ms",
                    "1000 / 12 ms",
                    "1000 / 12 ms",
                ),
            ),
            *no_stutter(12),
            *spread(Fraction(n * 2, n - 1), 10, "sum of squares n A**2 / 2 = 6000 x 2, over 5999"),
            Answer(
                key="pacing_rmssd_ms",
                value=math.sqrt((n * 8 * math.sin(step / 2) ** 2 - 4 * math.sin(step) ** 2) / (n - 1)),
                formula="all round, the mean square is 2 A**2 sin(pi/100)**2; less the step from the last frame to the "
                "first, A sin(2 pi/100); over 5999 steps",
            ),
            Answer(
                key="alternation",
                value=math.cos(step),
                formula="cos(2 pi / 100): the pair that is missing at the end has the factor sin(0) = 0",
            ),
        ),
    )


def linear_drift() -> MadeLog:
    """Each frame a little longer than the one before."""
    n = 6_001
    return MadeLog(
        name="linear_drift",
        description="Frame i of 6001 lasts 10 ms + i x 0.0002 ms: from 10 ms to 11.2 ms, each step the same.",
        caveats=("drift",),
        text=frame_time_text("frame_time_us", _ramp(n), 1),
        rows=n,
        frames=n,
        duration_s=Fraction(n * 106, 10_000),
        answers=(
            *_ramp_level(n),
            Answer(
                key="pacing_rmssd_ms",
                value=Fraction(2, 10_000),
                formula="every step is 0.0002 ms",
                # Counted in ns the steps are 200; in double-precision ms they carry the rounding of 10 ms.
                relative_tolerance=1e-8,
            ),
            Answer(
                key="pacing_masd_ms",
                value=Fraction(2, 10_000),
                formula="every step is 0.0002 ms",
                relative_tolerance=1e-8,
            ),
            Answer(
                key="alternation",
                value=1 - Fraction(3, n),
                formula="1 - 3 / n: the lagged sum of a straight line is less by (n**2 - 1) / 4 of n (n**2 - 1) / 12",
            ),
            *(
                Answer(
                    key=f"pacing_adev_{m}",
                    value=m * Fraction(2, 10_000) / Fraction(106, 10) / math.sqrt(2),
                    formula=f"{m} x 0.0002 ms of 10.6 ms, over the square root of 2",
                    relative_tolerance=1e-8,
                )
                for m in (1, 10, 100)
            ),
            Answer(
                key="drift_pct_per_min",
                value=Fraction(2, 10_000) / ((10**2 + Fraction(112, 10) ** 2) / 2) * 60_000 * 100,
                formula="blocks of one second share time evenly, not frames: half way through the time a frame lasts "
                "f = sqrt((10**2 + 11.2**2) / 2) ms (f**2 rises evenly with time) and grows by 0.0002 ms every f ms; "
                "0.0002 / f**2, x 60000 ms, in percent",
                # The median slope of all pairs lies between that and the slope from end to end, 10.661 % per minute.
                relative_tolerance=0.0015,
            ),
        ),
    )


def shuffled() -> MadeLog:
    """The frames of ``linear_drift`` in random order."""
    n = 6_001
    order = random.Random(SEED)
    # Sorting by a random key rests on random() alone, whose sequence Python promises to keep.
    frame_times = [value for _, value in sorted((order.random(), value) for value in _ramp(n))]
    return MadeLog(
        name="shuffled",
        description=f"The frames of linear_drift in random order (seed {SEED}): the same level and lows, no drift.",
        text=frame_time_text("frame_time_us", frame_times, 1),
        rows=n,
        frames=n,
        duration_s=Fraction(n * 106, 10_000),
        answers=_ramp_level(n),
    )


def steady_power() -> MadeLog:
    """Equal frames while the power rises in a straight line."""
    n = 2_500
    samples = [f"{second},{100 + 10 * second},60" for second in range(21)]
    return MadeLog(
        name="steady_power",
        description="2500 frames of 8 ms; beside it a sensor log in which power rises from 100 W to 300 W in 20 s.",
        text=timestamp_text("elapsed_us", [8_000] * n, 0),
        rows=n + 1,
        frames=n,
        duration_s=Fraction(20),
        sensors="\n".join(["elapsed_s,power_w,temperature_c", *samples]) + "\n",
        answers=(
            Answer(key="average_fps", value=Fraction(n, 20), formula="2500 / 20 s"),
            Answer(key="average_power_w", value=200, formula="the mean of a straight line: (100 W + 300 W) / 2"),
            Answer(key="energy_per_frame_j", value=Fraction(4_000, n), formula="200 W x 20 s / 2500"),
            Answer(key="frames_per_joule", value=Fraction(n, 4_000), formula="2500 / 4000 J"),
        ),
    )


def _rounded(value: float) -> int:
    return math.floor(value + 0.5)


def _ramp(n: int) -> list[int]:
    """10 ms and up in steps of 0.0002 ms, in units of 0.0001 ms."""
    return [100_000 + 2 * i for i in range(n)]


def _ramp_level(n: int) -> tuple[Answer, ...]:
    """What does not depend on the order of the frames ``11.2 ms - 0.0002 ms k``, ``k`` from the slowest."""
    top, step = Fraction(112, 10), Fraction(2, 10_000)
    mean_1pct = (60 * top - step * 1_770 + Fraction(1, 100) * (top - 60 * step)) / Fraction(6_001, 100)
    mean_0p1pct = (6 * top - step * 15 + Fraction(1, 1_000) * (top - 6 * step)) / Fraction(6_001, 1_000)
    return (
        Answer(
            key="average_fps", value=Fraction(10_000, 106), formula="the mean frame time is that of the middle, 10.6 ms"
        ),
        *quantiles(
            (Fraction(106, 10), Fraction(1_114, 100), Fraction(11_188, 1_000), Fraction(111_988, 10_000)),
            tuple(f"10 ms + 0.0002 ms x {rank}" for rank in (3_000, 5_700, 5_940, 5_994)),
        ),
        *lows(
            (
                Fraction(11_188, 1_000),
                mean_1pct,
                top - 56 * step,
                Fraction(111_988, 10_000),
                mean_0p1pct,
                top - 5 * step,
            ),
            (
                "1000 / p99",
                "the slowest 60.01 frames: k from 0 to 59, sum of k 1770, and 0.01 of the frame k = 60",
                "1 % of T is 636.106 ms: 56 frames fill 626.892 ms, 57 fill 638.0808 ms, so k = 56",
                "1000 / p99.9",
                "the slowest 6.001 frames: k from 0 to 5, sum of k 15, and 0.001 of the frame k = 6",
                "0.1 % of T is 63.6106 ms: 5 frames fill 55.998 ms, 6 fill 67.197 ms, so k = 5",
            ),
        ),
        *no_stutter(top),
        *spread(step**2 * n * (n + 1) / 12, Fraction(106, 10), "step**2 n (n + 1) / 12 of an arithmetic series"),
    )
