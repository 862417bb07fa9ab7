"""Hitches, frames that stand out of those around them whether or not they are stutters, and whether they recur."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import Numbers, median
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.metric import Hitch, HitchPeriod
from frametime.metrics.quality import timer_step_of
from frametime.metrics.rhythm.period_search import RULE, Lattice, Times, best_lattice, chance_of
from frametime.statistics.distributions import normal_quantile, student_quantile
from frametime.words import counted


class HitchRule(NamedTuple):
    """When a frame stands out. Common practice, no source, except for the spread.

    Attributes
    ----------
    least_share : float
        It is longer than the local median by this share of it.
    scatters : float
        And by so many standard deviations of the frames around it, from their median absolute deviation (Rousseeuw
        and Croux, Journal of the American Statistical Association 88, 1993).
    block_frames : int
        What is around it: its block of so many frames, the one before and the one after. The largest of the three
        medians and of the three spreads counts, so that a step of the level is no hitch.
    gap_frames : int
        Frames that stand out with fewer than so many between them are one hitch.
    max_listed : int
        Of more hitches the largest are told.
    """

    least_share: float = 0.25
    scatters: float = 5.0
    block_frames: int = 32
    gap_frames: int = 2
    max_listed: int = 1000


HITCH_RULE: Final = HitchRule()

_TO_SD: Final = 1.4826


class Hitches(NamedTuple):
    """The hitches of one run, in the order of time, and the run's size.

    ``positions`` and ``starts_s`` (since the start of the run) are those of the first frame of each: what stops the
    game sits there, and how long it lasts differs from one to the next. ``longest_ms`` is its longest frame,
    ``excess_ms`` by how much that is longer than the frames around it.
    """

    positions: NDArray[np.int64]
    starts_s: NDArray[np.float64]
    longest_ms: NDArray[np.float64]
    excess_ms: NDArray[np.float64]
    n_frames: int
    run_s: float

    def chosen(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Hitches:
        """Some of the hitches of the same run."""
        arrays = self.positions[which], self.starts_s[which], self.longest_ms[which], self.excess_ms[which]
        return Hitches(*arrays, self.n_frames, self.run_s)

    def first(self, most: int) -> Hitches:
        """The run up to its hitch of this number, whole where it has fewer."""
        if self.positions.size <= most:
            return self
        part = self.chosen(np.arange(most))
        return part._replace(n_frames=int(self.positions[most]), run_s=float(self.starts_s[most]))


@once_a_series
def hitches_of(series: FrameSeries) -> Hitches:
    """The hitches of a run by the usual HITCH_RULE."""
    return find_hitches(series.frame_times_ms, series.ends_s, timer_ms=timer_step_of(series))


def listed(hitches: Hitches) -> tuple[Hitch, ...]:
    """The hitches as plain values, in the order of time; of very many the largest."""
    largest = np.sort(np.argsort(-hitches.excess_ms, kind="stable")[: HITCH_RULE.max_listed])
    some = hitches.chosen(largest)
    columns = (some.positions, some.starts_s, some.longest_ms, some.excess_ms)
    return tuple(Hitch(*values) for values in zip(*(column.tolist() for column in columns), strict=True))


def hitches_listed(hitches: Sequence[Hitch], *, n_frames: int, run_s: float) -> Hitches:
    """Hitches from their plain values: the other way round from `listed`."""
    positions, starts_s, longest_ms, excess_ms = np.array(hitches, dtype=np.float64).reshape(-1, 4).T
    return Hitches(positions.astype(np.int64), starts_s, longest_ms, excess_ms, n_frames, run_s)


def find_hitches(frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64], *, timer_ms: float = 0.0) -> Hitches:
    """The frames that stand out, neighbors joined; none in a run of fewer frames than three blocks.

    Parameters
    ----------
    frame_times_ms, ends_s : ndarray of float64, shape (n_frames,)
    timer_ms : float
        Step of a coarse timer: a frame that is longer by one step alone may be no longer at all.

    Examples
    --------
    >>> times_ms = np.full(960, 10.0)
    >>> times_ms[[200, 500, 501]] = 18.0
    >>> found = find_hitches(times_ms, np.cumsum(times_ms) / 1000.0)
    >>> found.positions.tolist(), found.excess_ms.tolist()
    ([200, 500], [8.0, 8.0])
    """
    positions, excess_ms = _standing_out(frame_times_ms, 1.5 * timer_ms)
    begins = np.flatnonzero(np.diff(positions, prepend=-frame_times_ms.size) > HITCH_RULE.gap_frames)
    first, longest_ms = positions[begins], frame_times_ms[positions]
    if begins.size:
        longest_ms, excess_ms = (np.maximum.reduceat(each, begins) for each in (longest_ms, excess_ms))
    starts_s = ends_s[first] - frame_times_ms[first] / 1000.0
    return Hitches(first, starts_s, longest_ms, excess_ms, frame_times_ms.size, float(ends_s[-1]))


def _standing_out(
    frame_times_ms: NDArray[np.float64], least_ms: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Every frame that stands out, and by how much; the last frames, too few for a block, belong to the last one."""
    size = HITCH_RULE.block_frames
    n_blocks = frame_times_ms.size // size
    if n_blocks < 3:
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    blocks = frame_times_ms[: n_blocks * size].reshape(n_blocks, size)
    medians = _row_medians(blocks.copy())
    levels = largest_around(medians)
    away = blocks - medians[:, None]
    spreads = _TO_SD * _row_medians(np.abs(away, out=away))
    limits = np.maximum(HITCH_RULE.least_share * levels, HITCH_RULE.scatters * largest_around(spreads)).clip(least_ms)
    stands_out = np.subtract(blocks, levels[:, None], out=away) >= limits[:, None]
    out = np.flatnonzero(np.append(stands_out, frame_times_ms[n_blocks * size :] - levels[-1] >= limits[-1]))
    return out, frame_times_ms[out] - levels[np.minimum(out // size, n_blocks - 1)]


def _row_medians(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Upper median of each row; the rows lose their order."""
    middle = rows.shape[1] // 2
    rows.partition(middle, axis=1)
    return rows[:, middle].copy()


def largest_around(values: Numbers) -> Numbers:
    """The largest of each value, the one before and the one after; of flags, whether any of the three is set."""
    largest = values.copy()
    np.maximum(largest[1:], values[:-1], out=largest[1:])
    np.maximum(largest[:-1], values[1:], out=largest[:-1])
    return largest


_EXACT: Final = 200
"""Beyond so many hitches a binomial variable is as good as normal."""
_BEYOND_DOUBT: Final = 1e-6
_SAME_PERIOD: Final = 0.01
_OTHER_PERIOD: Final = 0.1
"""A beat that wanders leaves hitches at nearly its own period beside it: of 720 simulated ones none farther off."""
_WALKS: Final = 0.5
"""Correlation of the residuals from one hitch to the next beyond which they add up; *common practice, no source*."""


def find_hitch_period(runs: Sequence[Hitches]) -> tuple[HitchPeriod | None, str | None]:
    """The period at which hitches recur in one run or in all runs of a set, or the reason why none is claimed.

    Runs share the period; each has its own first beat. All hitches are looked at, then the largest alone: a few large
    ones may recur among many small. They are looked at by the clock, and by the number of the frame where that tells
    more: some games do their housekeeping every so many frames. The chance counts every look. Where a period is found,
    the hitches beside its beats are searched for another, which the sentence names.

    Parameters
    ----------
    runs : sequence of Hitches

    Returns
    -------
    tuple of HitchPeriod or None, and str or None
        Exactly one of the two is ``None``.
    """
    runs = [run.first(RULE.max_hitches) for run in runs]
    n = sum(run.positions.size for run in runs)
    if n < RULE.min_hitches:
        verb = "carry" if n > 1 else "carries"
        count = f"{counted(n, 'hitch', 'hitches')} {verb} no period" if n else "no hitch was found"
        return None, f"{count}; {RULE.min_hitches} or more are needed"
    looks = _looks(runs)
    spanned_s = sum(float(run.starts_s[-1] - run.starts_s[0]) for run in runs if run.positions.size)
    least_span = RULE.min_span * spanned_s / sum(run.run_s for run in runs)
    found: list[tuple[float, Sequence[Hitches], Lattice]] = []
    for look in looks:
        for train in _by_time_and_frame(look):
            if (lattice := best_lattice(train)) is None:
                continue
            n_spanned = _n_spanned(lattice)
            reaches = n_spanned * lattice.period_s >= least_span * sum(run.run_s for run in train)
            if reaches and lattice.n_following >= RULE.min_share * n_spanned:
                found.append((chance_of(lattice.evidence, 2 * len(looks)), look, lattice))
            if found and found[-1][0] < _BEYOND_DOUBT:
                break
    least = min((chance for chance, _, _ in found), default=1.0)
    if least >= RULE.significance:
        how = f": chance does as well with p = {least:.2g}" if found else ""
        return None, f"{counted(n, 'hitch', 'hitches')} follow no period{how}"
    told = [(_told(*each), *each[1:]) for each in found if each[0] < RULE.significance]
    surest = min((period for period, _, _ in told), key=lambda period: period.p_value)
    # Of the looks that find this period the first has the most hitches: the large ones alone leave beats without one.
    period, look, lattice = next(each for each in told if abs(each[0].period_s / surest.period_s - 1.0) < _SAME_PERIOD)
    beside = [np.setdiff1d(np.arange(run.positions.size), at) for run, at in zip(look, lattice.places, strict=True)]
    other, _ = find_hitch_period([run.chosen(places) for run, places in zip(look, beside, strict=True)])
    if other is not None and abs(other.period_s / period.period_s - 1.0) > _OTHER_PERIOD:
        period = period._replace(n_left_over=other.n_left_over, sentence=f"{period.sentence}; {other.sentence}")
    return period._replace(p_value=surest.p_value), None


def _looks(runs: Sequence[Hitches]) -> list[Sequence[Hitches]]:
    """All hitches; those half as large as the fourth largest or more; the largest quarter; the largest sixteenth.

    Where they differ, and while they are enough to tell missing beats.
    """
    ordered_ms = np.sort(np.concatenate([run.excess_ms for run in runs]))
    n = ordered_ms.size
    least_ms = [ordered_ms[0], 0.5 * ordered_ms[-RULE.min_hitches]]
    least_ms += [ordered_ms[n - n // part] for part in (4, 16) if n // part >= 2 * RULE.min_hitches]
    counts = {int(np.searchsorted(ordered_ms, least)): least for least in least_ms}
    looks = ([run.chosen(run.excess_ms >= least) for run in runs] for least in counts.values())
    return [[run for run in look if run.positions.size] for look in looks]


def _by_time_and_frame(runs: Sequence[Hitches]) -> tuple[list[Times], list[Times]]:
    """The hitches by the clock, where a frame is as long as the usual ones around them; and by the number of frames."""
    frame_s = median(np.concatenate([run.longest_ms - run.excess_ms for run in runs])) / 1000.0
    by_frame = [Times(run.positions.astype(np.float64), float(run.n_frames), 1.0) for run in runs]
    return [Times(run.starts_s, run.run_s, frame_s) for run in runs], by_frame


def _n_spanned(lattice: Lattice) -> int:
    """Beats from the first to the last of each run that has a hitch."""
    return sum(int(beats[-1] - beats[0]) + 1 for beats in lattice.beats if beats.size)


def _told(chance: float, runs: Sequence[Hitches], lattice: Lattice) -> HitchPeriod:
    """The finding and its words; period and interval are those of the hitches' own times."""
    # A run may have hitches and none on the beat.
    followed = [(run, beats, at) for run, beats, at in zip(runs, lattice.beats, lattice.places, strict=True) if at.size]
    period_s, half_s = _interval([(run.starts_s[at], beats) for run, beats, at in followed], RULE.level)
    n_following, n_beats = lattice.n_following, _n_spanned(lattice)
    sizes_ms = np.sort(np.concatenate([run.longest_ms[at] for run, _, at in followed]))
    size_ms = median(sizes_ms)
    size_limits_ms = _median_limits(sizes_ms, RULE.level)
    n_left_over = sum(run.positions.size for run in runs) - n_following
    # The first and the last beat of a run have one by choice; where strays are many, some lie on a beat by chance.
    on_beat = min(2.0 * lattice.half_s / lattice.period_s * n_left_over / n_beats, 0.9)
    share_low, share_high = (
        max(limit - on_beat, 0.0) / (1.0 - on_beat)
        for limit in _share_limits(n_following - 2 * len(followed), n_beats - 2 * len(followed), RULE.level)
    )
    return HitchPeriod(
        period_s=period_s,
        period_low_s=period_s - half_s,
        period_high_s=period_s + half_s,
        p_value=chance,
        n_following=n_following,
        n_beats=n_beats,
        n_left_over=n_left_over,
        share_low=share_low,
        share_high=share_high,
        size_ms=size_ms,
        size_low_ms=size_limits_ms[0],
        size_high_ms=size_limits_ms[1],
        sentence=f"a hitch of about {round(size_ms)} ms every {_seconds(period_s, half_s)}: "
        f"{n_following} of {n_beats} beats",
    )


def _seconds(period_s: float, half_s: float) -> str:
    """The period with the digits that its interval carries, to milliseconds; below a second to a tenth of them."""
    if not half_s < math.inf:
        return f"{period_s:.3g} s"
    finest = 3 if period_s >= 1.0 else 4
    decimals = min(max(-math.floor(math.log10(half_s)), 0), finest) if half_s > 0.0 else finest
    # Rounded up: an interval is not told as narrower than it is.
    doubt_s = max(math.ceil(half_s * 10**decimals - 1e-9), 1) / 10**decimals
    return f"{period_s:.{decimals}f} s (give or take {doubt_s:.{decimals}f} s)"


def _interval(groups: Sequence[tuple[NDArray[np.float64], NDArray[np.int64]]], level: float) -> tuple[float, float]:
    """Least-squares period over groups of times on beats, each group with its own start: value and half width.

    Where the residuals hang together from one hitch to the next, the timer starts anew after each hitch, and what it is
    off adds up. The slope of such a random walk of N steps of variance v has the variance 6 v / (5 N) (S. Durlauf and
    P. Phillips, Econometrica 56, 1988, 1333-1354, from memory).
    """
    centered = [(beats - beats.mean(), times_s - times_s.mean()) for times_s, beats in groups]
    squares = sum(float(beats @ beats) for beats, _ in centered)
    period_s = sum(float(beats @ times_s) for beats, times_s in centered) / squares
    rests = [times_s - period_s * beats for beats, times_s in centered]
    residual = sum(float(rest @ rest) for rest in rests)
    degrees = sum(rest.size for rest in rests) - len(groups) - 1
    if degrees < 1:
        return period_s, math.inf
    error = math.sqrt(residual / degrees / squares)
    products = sum(float(rest[1:] @ rest[:-1]) for rest in rests)
    if products > _WALKS * residual:
        steps = [(np.diff(rest), np.diff(beats)) for rest, (beats, _) in zip(rests, centered, strict=True)]
        variance = sum(float((moved**2 / n_beats).sum()) for moved, n_beats in steps) / degrees
        error = max(error, math.sqrt(1.2 * variance / sum(float(n_beats.sum()) for _, n_beats in steps)))
    return period_s, student_quantile(0.5 + 0.5 * level, degrees) * error


def _median_limits(ordered: NDArray[np.float64], level: float) -> tuple[float, float] | tuple[None, None]:
    """Interval of a median by order statistics; ``None`` where even the whole range holds it less often.

    The number of values below the median is binomial with one half (W. J. Conover, Practical Nonparametric
    Statistics, 1999, section 3.2, from memory).
    """
    n = ordered.size
    if n > _EXACT:
        rank = int(0.5 * (n - normal_quantile(0.5 + 0.5 * level) * math.sqrt(n)))
        return float(ordered[rank - 1]), float(ordered[n - rank])
    tail, rank = 0.5**n, 0
    while tail <= 0.5 * (1.0 - level):
        rank += 1
        tail += math.comb(n, rank) * 0.5**n
    return (float(ordered[rank - 1]), float(ordered[n - rank])) if rank else (None, None)


def _share_limits(n_with: int, n: int, level: float) -> tuple[float, float]:
    """Score interval of a share: E. B. Wilson, Journal of the American Statistical Association 22, 1927, 209-212."""
    z, n_with, n = normal_quantile(0.5 + 0.5 * level), max(n_with, 0), max(n, 1)
    middle = (n_with + 0.5 * z * z) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(n_with * (n - n_with) / n + 0.25 * z * z)
    return max(middle - half, 0.0), min(middle + half, 1.0)
