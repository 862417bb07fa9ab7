"""Jumps of the level between two blocks: a rise that falls again inside a scene that swings as much.

A test of two levels (`change_points`) takes the swing of the scene for noise. From one block to the next a scene
swings little, and what steps far more than that is no swing.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median
from frametime.metrics.drift.change_points import ChangePoint
from frametime.metrics.drift.trend import pairwise_slopes
from frametime.statistics.distributions import student_cdf

MAD_EFFICIENCY: Final = 0.37
"""Of the median absolute deviation of normal values: P. J. Rousseeuw and C. Croux, Journal of the American Statistical
Association 88, 1993, 1273-1283. A scatter estimated with it knows as much as a standard deviation of 37 % of them."""


def find_jumps(
    levels: NDArray[np.float64], *, significance: float, scatters: float, min_ratio: float, min_blocks: int
) -> tuple[ChangePoint, ...]:
    """Steps between neighboring blocks that no other comes near and after which the level stays, in order of time.

    Looked at are the steps of the logarithm from each block to the next, and to the next but one for a jump in the
    middle of a block. A step counts when it is ``scatters`` times the robust scatter of all such steps or more, its
    p value by Student's distribution, times the number of steps looked at, is below ``significance``, and both it and
    what is left of it once the slope of the blocks around it is taken out have a ratio of ``min_ratio`` or more. Each
    of the ``min_blocks`` blocks on either side must lie nearer to its own side of the step than to the other.

    Parameters
    ----------
    levels : ndarray of float64, shape (n_blocks,)
        All > 0.
    significance : float
    scatters : float
        In standard deviations, from the median absolute deviation.
    min_ratio : float
        More than 1; 1.05 asks for 5 %.
    min_blocks : int
        Blocks for which the level must stay; no jump is looked for nearer to the ends.

    Returns
    -------
    tuple of ChangePoint
        ``before`` and ``after`` are the levels just before and just after the jump, the slope of the scene taken out;
        two jumps lie more than ``min_blocks`` apart.

    Examples
    --------
    >>> swing = 10.0 + np.sin(np.arange(30) / 5.0)
    >>> swing[10:20] *= 1.2
    >>> found = find_jumps(swing, significance=0.002, scatters=6.0, min_ratio=1.05, min_blocks=5)
    >>> [(jump.n_before, round(jump.after / jump.before, 2)) for jump in found]
    [(10, 1.2), (20, 0.83)]
    """
    n = levels.size
    n_places = n - 2 * min_blocks + 1
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
        least = max(scatters * scatter, math.log(min_ratio))
        for place in (np.flatnonzero(np.abs(deviations) >= least) + 1).tolist():
            chance = 2.0 * student_cdf(-abs(float(deviations[place - 1])) / scatter, degrees) * 2 * n_places
            sides = _sides(logs, place, place + gap - 1, min_blocks, math.log(min_ratio))
            if chance < significance and sides is not None and (sides[1] > sides[0]) == (deviations[place - 1] > 0.0):
                before, after = math.exp(sides[0]), math.exp(sides[1])
                found.append(ChangePoint(n_before=place, before=before, after=after, p_value=chance))
        for jump in sorted(found, key=lambda each: each.p_value):
            if all(abs(jump.n_before - other.n_before) > min_blocks for other in kept):
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
