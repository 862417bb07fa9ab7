"""Change points of a series of block values: changes of level by seeded binary segmentation, and jumps.

A jump is a rise that falls again inside a scene that swings as much: a test of two levels takes the swing for noise.
From one block to the next a scene swings little, and what steps far more than that is no swing.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import as_rows, median, medians_between
from frametime.metrics.drift.trend import autocorrelation, average_ranks, fitted_curve, pairwise_slopes
from frametime.statistics.distributions import student_cdf


class ChangeRule(NamedTuple):
    """When a change counts. All are common practice, no source.

    Attributes
    ----------
    significance : float
        Level of the tests. They are approximate and autocorrelation is estimated from few blocks, so that at 0.2 %
        fewer than 1 of 100 steady runs is called changed.
    min_blocks : int
        Least number of blocks on each side of a change; for so many the level must stay after a jump, too, and none is
        looked for nearer to the ends.
    min_ratio : float
        Least ratio of the medians on the two sides: 1.02 asks for 2 %.
    max_changes : int
        Most changes that are told. Work is bounded: each search tests some thirty stretches at most.
    jump_scatters, min_jump_ratio : float
        A level that jumps from one block to the next, inside a scene that swings: least size of the step in standard
        deviations of all such steps (from the median absolute deviation), and least ratio of the levels.
    """

    significance: float = 0.002
    min_blocks: int = 5
    min_ratio: float = 1.02
    max_changes: int = 8
    jump_scatters: float = 6.0
    min_jump_ratio: float = 1.05


class ChangePoint(NamedTuple):
    """A change between two blocks.

    Attributes
    ----------
    n_before : int
        Blocks before the change, counted from the start of the series.
    before, after : float
        Medians on both sides, up to the neighboring change or the end.
    p_value : float
        Chance of such a step anywhere in the series: of `step_chance` with all changes taken out, times the number of
        stretches looked at. Of a jump, see `find_jumps`.
    """

    n_before: int
    before: float
    after: float
    p_value: float


def pettitt(values: NDArray[np.float64]) -> tuple[float, int, float]:
    """Pettitt's statistic K, the number of values before the most likely change, and the approximate p value.

    A. N. Pettitt, Applied Statistics 28, 1979, 126-135: K = max |U_t|, p = 2 exp(-6 K^2 / (T^3 + T^2)). Assumes
    independent values; see `change_test`.
    """
    n = values.size
    if n < 2:
        raise ValueError(f"values must hold two points or more, got {n!r}")
    counts = np.arange(1, n + 1)
    scores = 2.0 * average_ranks(values).cumsum() - counts * (n + 1.0)
    split = int(np.abs(scores[:-1]).argmax()) + 1
    largest = float(abs(scores[split - 1]))
    return largest, split, min(1.0, 2.0 * math.exp(-6.0 * largest**2 / (n**3 + n**2)))


def inflation_of(residual: NDArray[np.float64], n_fitted: int) -> float:
    """Factor by which autocorrelation widens the variance of a sum: (1 + r) / (1 - r), 1 or more.

    r is the lag-1 coefficient of the ranks of the residual, corrected for its bias (Kendall, Biometrika 41, 1954): each
    fitted level or place costs it about (1 + 4 r) / n. Negative r is taken as 0.
    """
    first = float(autocorrelation(average_ranks(residual), 1)[0])
    first = min(max(first + n_fitted * (1.0 + 4.0 * max(first, 0.0)) / residual.size, 0.0), 0.98)
    return (1.0 + first) / (1.0 - first)


def clipped_variance(residual: NDArray[np.float64], n_fitted: int) -> float:
    """Mean square of a residual whose far outliers are clipped at three standard deviations, robustly estimated."""
    limit = 3.0 * 1.4826 * median(np.abs(residual))
    return float((residual.clip(-limit, limit) ** 2).sum()) / max(residual.size - n_fitted, 1)


def step_chance(step: float, n_before: int, n_after: int, variance: float) -> float:
    """Chance of a step so large between two levels, at the place where it is largest.

    The cumulated-sum test of W. Ploberger and W. Krämer, Econometrica 60, 1992, 271-285, with the scatter about the
    two levels: p = 2 exp(-2 D^2) with D the step times n1 n2 / n over the scatter times sqrt(n). The step is one of
    medians, whose variance is pi / 2 times that of means.
    """
    n = n_before + n_after
    if not variance > 0.0:
        return 0.0 if step else 1.0
    squared = (step * n_before * n_after / n) ** 2 / (0.5 * math.pi * variance * n)
    return min(1.0, 2.0 * math.exp(-2.0 * squared))


def change_test(values: NDArray[np.float64], least: float = 1.0) -> tuple[int, float]:
    """The most likely change of level of an autocorrelated series, and its p value.

    The place is Pettitt's. Two tests are made there and their smaller p value is doubled (Bonferroni): Pettitt's own,
    which is blind to the size of a step (of 60 values, 19 after it give p = 1e-7 at best), and `step_chance`. Both
    variances are widened for autocorrelation: noise that wanders is no change.

    Returns
    -------
    split : int
        Values before the change.
    p_value : float
        Where it is not below ``least`` it may be too small, but for that.
    """
    largest, split, _ = pettitt(values)
    n = values.size
    before, after = median(values[:split]), median(values[split:])
    residual = np.concatenate((values[:split] - before, values[split:] - after))
    clipped = clipped_variance(residual, 3)

    def chance(inflation: float) -> float:
        rank_p = 2.0 * math.exp(-6.0 * largest**2 / ((n**3 + n**2) * inflation))
        return min(1.0, 2.0 * min(rank_p, step_chance(after - before, split, n - split, inflation * clipped)))

    # What is likely without it is more likely with it.
    return split, p_value if (p_value := chance(1.0)) >= least else chance(inflation_of(residual, 3))


def best_split(values: NDArray[np.float64], before: float, after: float) -> int:
    """Values before the split that leaves the least sum of absolute distances from the two levels.

    Examples
    --------
    >>> best_split(np.array([8.0, 8.2, 8.1, 9.0, 9.1]), 8.0, 9.0)
    3
    """
    # Moving the split past a value costs its distance from the level before and saves that from the level after.
    return 1 + int(np.argmin(np.cumsum(np.abs(values - before) - np.abs(values - after))[:-1]))


def _line_squares(values: NDArray[np.float64]) -> float:
    """Sum of the squared residuals of a straight line."""
    return float(np.sum((values - fitted_curve(values, 1)) ** 2))


def _is_line(values: NDArray[np.float64], split: int) -> bool:
    """Whether a straight line describes the series better than one step, by the sum of squared residuals.

    A steady slope is drift, not a change at one time.
    """
    step_squares = float(np.var(values[:split]) * split + np.var(values[split:]) * (values.size - split))
    return _line_squares(values) < step_squares


def without_wild_values(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Single values far from their neighbors replaced by the median of the five around them.

    F. R. Hampel's identifier: farther than six standard deviations, from the median absolute deviation. A change
    lasts for several blocks; one block of a loading screen must not stand for one.
    """
    if values.size < 10:
        return values
    padded = np.concatenate((values[2:0:-1], values, values[-2:-4:-1]))
    medians = np.sort(padded[np.arange(values.size)[:, None] + np.arange(5)], axis=1)[:, 2]
    deviations = np.abs(values - medians)
    scatter = 1.4826 * median(deviations)
    return np.where(deviations > 6.0 * scatter, medians, values) if scatter > 0.0 else values


@lru_cache(maxsize=64)
def seeded_stretches(low: int, high: int, min_length: int) -> tuple[tuple[int, int], ...]:
    """Stretches of a series in which to look for one change each, longest first.

    S. Kovács, P. Bühlmann, H. Li and A. Munk, "Seeded binary segmentation", Biometrika 110, 2023, 249-256: lengths that
    fall by the square root of 2, each length overlapping by half. A test of the whole series is blind to a rise
    that is followed by a fall; one of these stretches holds only one of the two. Here down to a sixth of the whole.

    Examples
    --------
    >>> seeded_stretches(0, 20, 14)
    ((0, 20), (0, 14), (3, 17), (6, 20))
    """
    n = high - low
    found = [(low, high)] if n >= min_length else []
    for layer in range(1, 6):
        length = round(n * 2.0 ** (-layer / 2.0))
        if length < min_length:
            break
        n_stretches = 2 * math.ceil(2.0 ** (layer / 2.0)) - 1
        step = (n - length) / (n_stretches - 1)
        starts = [*(int(place * step + low) for place in range(n_stretches - 1)), high - length]
        found += [(start, start + length) for start in starts]
    return tuple(found)


def find_change_points(values: NDArray[np.float64], rule: ChangeRule) -> tuple[ChangePoint, ...]:
    """Changes in the level of a positive series, told in order of time.

    Of all stretches in which a change is significant the shortest is believed first: it is the least likely to hold
    a second one. The series is split there and both parts are searched again. A change counts when its p value,
    times the number of stretches looked at, is below the significance, and both sides are long and differ enough.

    Parameters
    ----------
    values : ndarray of float64, shape (n_blocks,)
        All > 0.
    rule : ChangeRule
    """
    values = without_wild_values(values)
    places: list[int] = []
    parts = [(0, values.size)]
    while parts and len(places) < rule.max_changes:
        low, high = parts.pop(0)
        split = _shortest_change(values, low, high, rule)
        if split is not None:
            places.append(split)
            parts += [(low, split), (split, high)]
    found = _confirmed(values, sorted(places), rule)
    return () if found and _is_slope(values, [point.n_before for point in found]) else found


def _shortest_change(values: NDArray[np.float64], low: int, high: int, rule: ChangeRule) -> int | None:
    """Place of the change in the shortest stretch that has one."""
    stretches = seeded_stretches(low, high, 2 * rule.min_blocks)
    least = rule.significance / max(len(stretches), 1)
    for at in np.flatnonzero(_may_change(values, stretches, least))[::-1].tolist():
        start, stop = stretches[at]
        part = values[start:stop]
        split, p_value = change_test(part, least)
        if p_value >= least or _is_line(part, split):
            continue
        # Ranks find that there is a change, but blocks that lie a little high before it draw the place to them.
        split = best_split(part, median(part[:split]), median(part[split:]))
        before, after = median(part[:split]), median(part[split:])
        shortest = min(split, part.size - split, start + split - low, high - start - split)
        if shortest >= rule.min_blocks and max(before, after) >= rule.min_ratio * min(before, after):
            return int(start) + split
    return None


def _may_change(values: NDArray[np.float64], stretches: tuple[tuple[int, int], ...], least: float) -> NDArray[np.bool_]:
    """Which stretches may have a p value below ``least``: all at the cost of a `change_test`, and most hold no change.

    As if the values were independent, with the scatter from their steps: autocorrelation makes that too small.
    """
    starts, stops = np.array(stretches, dtype=np.int64).reshape(-1, 2).T
    lengths = stops - starts
    rows, beyond = as_rows(values, starts, lengths)
    steps = np.abs(rows[:, 1:] - rows[:, :-1])
    steps[beyond[:, 1:]] = np.inf
    steps.sort(axis=1)
    scatters = 1.0484 * steps[np.arange(lengths.size), (lengths - 1) // 2]
    rows -= (rows.sum(axis=1, where=~beyond) / lengths)[:, None]
    rows[beyond] = 0.0
    # 2 exp(-2 D^2) of the cumulated sums, half of the squared ratio to leave room: medians against means, clipped
    # against plain scatter.
    highest = (rows.cumsum(axis=1) ** 2).max(axis=1, initial=0.0)
    return np.asarray(4.5 * highest >= scatters**2 * (lengths * math.log(2.0 / least)), dtype=np.bool_)


def _is_slope(values: NDArray[np.float64], places: list[int]) -> bool:
    """Whether one straight line describes the whole series better than these steps.

    By the Bayesian information criterion (G. Schwarz, The Annals of Statistics 6, 1978, 461-464): n log(squares / n)
    plus log n for each fitted number. A staircase follows a slope closely, but needs many numbers for it.
    """
    n = values.size
    edges = np.array([0, *places, n])
    means = np.add.reduceat(values, edges[:-1]) / np.diff(edges)
    steps = float(np.sum((values - np.repeat(means, np.diff(edges))) ** 2))
    tiny = 1e-12 * float(values @ values)
    return n * math.log((_line_squares(values) + tiny) / (steps + tiny)) < (2 * len(places) - 1) * math.log(n)


def _confirmed(values: NDArray[np.float64], places: list[int], rule: ChangeRule) -> tuple[ChangePoint, ...]:
    """The changes that hold when all of them are looked at together; the weakest is given up until all do.

    A short stretch underestimates the autocorrelation. Once the levels between all changes are taken out, the whole
    series shows it: a level that wanders keeps wandering inside each part.
    """
    n_tests = len(seeded_stretches(0, values.size, 2 * rule.min_blocks))
    while places:
        edges = [0, *places, values.size]
        levels = medians_between(values, np.array(edges, dtype=np.int64))
        residual = values - np.repeat(levels, np.diff(edges))
        n_fitted = 2 * len(places) + 1
        variance = inflation_of(residual, n_fitted) * clipped_variance(residual, n_fitted)
        sizes = np.diff(edges).tolist()
        chances = [
            n_tests * step_chance(after - before, n_before, n_after, variance)
            if max(before, after) >= rule.min_ratio * min(before, after)
            else math.inf
            for (before, after), (n_before, n_after) in zip(pairwise(levels.tolist()), pairwise(sizes), strict=True)
        ]
        if max(chances) < rule.significance:
            return tuple(
                ChangePoint(n_before=place, before=before, after=after, p_value=chance)
                for place, (before, after), chance in zip(places, pairwise(levels.tolist()), chances, strict=True)
            )
        places = [place for position, place in enumerate(places) if position != int(np.argmax(chances))]
    return ()


MAD_EFFICIENCY: Final = 0.37
"""Of the median absolute deviation of normal values: P. J. Rousseeuw and C. Croux, Journal of the American Statistical
Association 88, 1993, 1273-1283. A scatter estimated with it knows as much as a standard deviation of 37 % of them."""


def find_jumps(levels: NDArray[np.float64], rule: ChangeRule) -> tuple[ChangePoint, ...]:
    """Steps between neighboring blocks that no other comes near and after which the level stays, in order of time.

    Looked at are the steps of the logarithm from each block to the next, and to the next but one for a jump in the
    middle of a block. A step counts when it is ``jump_scatters`` times the robust scatter of all such steps or more,
    its p value by Student's distribution, times the number of steps looked at, is below ``significance``, and both it
    and what is left of it once the slope of the blocks around it is taken out have a ratio of ``min_jump_ratio`` or
    more. Each of the ``min_blocks`` blocks on either side must lie nearer to its own side of the step than to the
    other.

    Parameters
    ----------
    levels : ndarray of float64, shape (n_blocks,)
        All > 0.
    rule : ChangeRule

    Returns
    -------
    tuple of ChangePoint
        ``before`` and ``after`` are the levels just before and just after the jump, the slope of the scene taken out;
        two jumps lie ``min_blocks`` apart or more.

    Examples
    --------
    >>> swing = 10.0 + np.sin(np.arange(30) / 5.0)
    >>> swing[10:20] *= 1.2
    >>> found = find_jumps(swing, ChangeRule())
    >>> [(jump.n_before, round(jump.after / jump.before, 2)) for jump in found]
    [(10, 1.2), (20, 0.83)]
    """
    n = levels.size
    n_side, log_ratio = rule.min_blocks, math.log(rule.min_jump_ratio)
    n_places = n - 2 * n_side + 1
    if n_places < 1:
        return ()
    logs = np.log(levels)
    degrees = max(int(MAD_EFFICIENCY * n), 1)
    kept: list[ChangePoint] = []
    # A jump between two blocks also shows in steps over one block more, but not as well where it is.
    for gap in (1, 2):
        steps = logs[gap:] - logs[:-gap]
        deviations = steps - median(steps)
        scatter = 1.4826 * median(np.abs(deviations))
        # Most steps are equal where a timer is coarse: then it gives no scale, and two levels are told by their test.
        if not scatter > 0.0:
            continue
        found = []
        least = max(rule.jump_scatters * scatter, log_ratio)
        for place in (np.flatnonzero(np.abs(deviations) >= least) + 1).tolist():
            size = abs(float(deviations[place - 1]))
            chance = 2.0 * student_cdf(-size / scatter, degrees) * 2 * n_places
            # What goes up and soon comes back is no jump, however the lines around it are tilted.
            sides = _sides(logs, place, place + gap - 1, n_side, max(log_ratio, 0.5 * size))
            if chance < rule.significance and sides and (sides[1] > sides[0]) == (deviations[place - 1] > 0.0):
                before, after = math.exp(sides[0]), math.exp(sides[1])
                found.append(ChangePoint(n_before=place, before=before, after=after, p_value=chance))
        for jump in sorted(found, key=lambda each: each.p_value):
            if all(abs(jump.n_before - other.n_before) >= n_side for other in kept):
                kept.append(jump)
    return tuple(sorted(kept, key=lambda jump: jump.n_before))


def _sides(logs: NDArray[np.float64], stop: int, start: int, n_side: int, least: float) -> tuple[float, float] | None:
    """Levels just before and after a jump, on two lines of one slope; ``None`` where the blocks do not stay with them.

    The lines are fitted to the ``n_side`` blocks up to ``stop`` and from ``start`` on.
    """
    if stop < n_side or logs.size - start < n_side:
        return None
    times = np.arange(n_side, dtype=np.float64) - 0.5 * (n_side - 1)
    first, second = logs[stop - n_side : stop], logs[start : start + n_side]
    # A median of slopes: a block that has left the level again must not bend the lines towards itself.
    slope = median(np.concatenate([pairwise_slopes(times, side) for side in (first, second)]))
    flat_first, flat_second = first - slope * times, second - slope * times
    to_middle = 0.5 * (n_side - 1) + 0.5 * (start - stop + 1)
    before = median(flat_first) + slope * to_middle
    after = median(flat_second) - slope * to_middle
    if (step := abs(after - before)) < least:
        return None
    # At the time of each block it must lie beyond half the step from the line of the other side.
    sign = math.copysign(1.0, after - before)
    stays = np.all(sign * (flat_second - median(flat_second)) > -0.5 * step) and np.all(
        sign * (flat_first - median(flat_first)) < 0.5 * step
    )
    return (before, after) if stays else None
