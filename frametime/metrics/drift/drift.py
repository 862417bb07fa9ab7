"""Slow change over a run: warm-up, drift, change points, each with its time and in words."""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import Blocks, Levels, levels_between, make_blocks, median
from frametime.metrics.drift import trend
from frametime.metrics.drift.change_points import ChangePoint, ChangeRule, best_split, find_change_points, find_jumps
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.metric import Change, Drift, Missing, WarmUp
from frametime.statistics.distributions import normal_quantile
from frametime.units import NS_PER_MS
from frametime.words import begun, counted, signed


def seconds(time_s: float) -> str:
    """A time for a sentence: whole seconds from 20 s on, one decimal below.

    Examples
    --------
    >>> seconds(41.3), seconds(3.71)
    ('41 s', '3.7 s')
    """
    return f"{time_s:.0f} s" if time_s >= 20.0 else f"{time_s:.1f} s"


def percent(value: float) -> str:
    """Two significant digits and never an exponent.

    Examples
    --------
    >>> percent(5.21), percent(0.034), percent(152.3)
    ('5.2', '0.034', '152')
    """
    size = abs(value)
    return f"{size:.0f}" if size >= 100.0 else f"{size:.1f}" if size >= 1.0 else f"{size:.2g}" if size >= 0.001 else "0"


def change_sentence(
    kind: Literal["level", "spread"], before_ms: float, after_ms: float, time_s: float, of: str = "median"
) -> str:
    """One change.

    Examples
    --------
    >>> change_sentence("level", 8.0, 8.416, 41.2)
    '5.2 % longer frames after 41 s (median 8.00 to 8.42 ms)'
    >>> change_sentence("spread", 0.5, 1.0, 12.0)
    'steps from frame to frame 2.0 times as large after 12.0 s (0.50 to 1.00 ms)'
    """
    values = f"{before_ms:.3g} to {after_ms:.3g} ms" if min(before_ms, after_ms) < 0.01 else None
    values = values or f"{before_ms:.2f} to {after_ms:.2f} ms"
    if kind == "level":
        word = "longer" if after_ms > before_ms else "shorter"
        change_pct = 100.0 * (after_ms / before_ms - 1.0)
        return f"{percent(change_pct)} % {word} frames after {seconds(time_s)} ({of} {values})"
    ratio = after_ms / before_ms
    how = f"{ratio:.1f} times as large" if ratio > 1.0 else f"down to {100.0 * ratio:.0f} %"
    return f"steps from frame to frame {how} after {seconds(time_s)} ({values})"


def warm_up_sentence(skip_s: float, difference_pct: float) -> str:
    """The warm-up.

    Examples
    --------
    >>> warm_up_sentence(12.0, -4.2)
    'the first 12.0 s are warm-up, with 4.2 % shorter frames than the rest'
    """
    word = "longer" if difference_pct > 0.0 else "shorter"
    return f"the first {seconds(skip_s)} are warm-up, with {percent(difference_pct)} % {word} frames than the rest"


def open_sentence(low_pct: float, high_pct: float, part: str) -> str:
    """What is left open where neither drift nor its absence is shown.

    Examples
    --------
    >>> open_sentence(-7.2, 21.0, "this run")
    'a steady change of −7.2 to +21.0 % over this run is not ruled out'
    >>> open_sentence(-143.0, 147.0, "the rest")
    'a steady change of 100 % or more over the rest is not ruled out'
    >>> open_sentence(3.8, 4.4, "this run")
    'the level changes by +3.8 to +4.4 % over this run; a level that wanders may do so by chance'
    """
    # A slope that would take the level below 0 is no bound at all.
    is_bound = max(abs(low_pct), abs(high_pct)) < 100.0
    change = f"{signed(low_pct)} to {signed(high_pct)} %" if is_bound else "100 % or more"
    if low_pct <= 0.0 <= high_pct:
        return f"a steady change of {change} over {part} is not ruled out"
    return f"the level changes by {change} over {part}; a level that wanders may do so by chance"


def slope_words(slope_pct_per_min: float) -> str:
    """How fast a run gets slower or faster."""
    return f"{percent(slope_pct_per_min)} % {'slower' if slope_pct_per_min > 0.0 else 'faster'} per minute"


def ends_words(levels_ms: NDArray[np.float64]) -> str:
    """Level of the first and of the last tenth of a run: a slope says little of a change that speeds up.

    Examples
    --------
    >>> ends_words(8.0 * 1.02 ** np.arange(40.0))
    'level 8.24 to 16.81 ms'
    """
    tenth = max(levels_ms.size // 10, 1)
    return f"level {median(levels_ms[:tenth]):.2f} to {median(levels_ms[-tenth:]):.2f} ms"


def _sentence(
    drift: Drift, slope: float, interval: tuple[float, float], minutes: float, levels_ms: NDArray[np.float64]
) -> str:
    """All of it in one sentence; a step in the level is told instead of the slope that it causes."""
    warm_up, changes = drift.warm_up, drift.changes
    parts = [] if warm_up is None else [warm_up.sentence]
    parts += [change.sentence for change in changes[:3]]
    if len(changes) > 3:
        parts.append(counted(len(changes) - 3, "more change"))
    if not any(change.kind == "level" for change in changes):
        low, high = interval
        rest = "" if warm_up is None else " in the rest"
        if drift.is_drift:
            bounds = sorted((abs(low), abs(high)))
            span = f"{percent(bounds[0])} to {percent(bounds[1])}"
            parts.append(f"{slope_words(slope)}{rest} ({span}), {ends_words(levels_ms)}")
        elif drift.is_steady and low <= 0.0 <= high:
            parts.append(f"no drift found{rest} ({signed(low)} to {signed(high)} % per minute)")
        else:
            if drift.wander_pct is not None:
                swing = percent(drift.wander_pct)
                parts.append(f"the level slowly goes up and down{rest} by {swing} % (standard deviation)")
            part = "this run" if warm_up is None else "the rest"
            parts.append(open_sentence(low * minutes, high * minutes, part))
    return f"{begun('; '.join(parts))}."


class DriftRule(NamedTuple):
    """Thresholds of drift, change and warm-up. All are common practice, no source, unless a source is named.

    Attributes
    ----------
    block_s : float
        Duration of the blocks whose medians are looked at.
    max_blocks : int
        Long runs get longer blocks instead of more: the slope looks at all pairs of blocks.
    min_blocks : int
        Fewer give no slope: over a few seconds the scene changes more than the card.
    significance : float
        Level of the test for a trend. It is approximate and autocorrelation is estimated from few blocks, so that at
        0.2 % fewer than 1 of 100 steady runs is called drifting.
    min_total_pct : float
        Change of the level over the run below which a trend is not called drift.
    steady_total_pct : float
        A run is called steady only where the interval of the slope leaves out a change larger than this over the run.
    wander_pct, wander_power : float
        A level wanders when its slowest waves alone scatter by this much or more about a line, and have so many times
        the power of the others or more: white noise exceeds 5 in 1 of 2 000 runs of a minute (F distribution).
    level_changes, spread_changes : ChangeRule
        For the medians of the blocks, and for their median steps from frame to frame.
    warm_up_pct, warm_up_scatters : float
        A first block belongs to the warm-up when it differs from the level of the later run by more than both: this
        many percent and this many standard deviations (from the median absolute deviation) of the later blocks.
    warm_up_fraction : float
        Longest share of the run that can be warm-up.
    warm_up_min_s : float
        Shorter runs have no warm-up told from the scene.
    odd_ratio, odd_fraction : float
        Blocks so many times as long as their median, or as short, are told where they make up this part of the run or
        less.
    """

    block_s: float = 1.0
    max_blocks: int = 600
    min_blocks: int = 20
    significance: float = 0.002
    min_total_pct: float = 1.0
    steady_total_pct: float = 5.0
    wander_pct: float = 0.5
    wander_power: float = 5.0
    level_changes: ChangeRule = ChangeRule()
    spread_changes: ChangeRule = ChangeRule(min_ratio=1.5)
    warm_up_pct: float = 2.0
    warm_up_scatters: float = 5.0
    warm_up_fraction: float = 0.25
    warm_up_min_s: float = 20.0
    odd_ratio: float = 1.5
    odd_fraction: float = 0.1


RULE: Final = DriftRule()


@once_a_series
def drift_of(series: FrameSeries) -> Drift:
    """Warm-up, slope and changes of the per-second median frame time.

    The slope is Theil-Sen, its interval from the ranks of the slopes, its p value Mann-Kendall, both with the
    variance widened for autocorrelation; a drift and steps of the level must be more than what the level wanders. Where
    the first seconds are warm-up, slope and changes are those of the
    rest, and the sentence says so. Percentages are of the frame time: slower means longer.

    Returns
    -------
    Drift
        The slope is ``None`` where there are too few blocks; the sentence gives the reason.
    """
    blocks = blocks_of(series)
    warm_up, first = _find_warm_up(blocks)
    drift = Drift(None, None, None, None, False, False, None, changes=(), warm_up=warm_up, sentence="")
    times_s, levels_ms = blocks.middles_s[first:], blocks.levels_ms[first:]
    if levels_ms.size < RULE.min_blocks:
        return drift._replace(
            sentence=f"Not enough for drift: {counted(levels_ms.size, 'block')} of {blocks.block_s:.2g} s; "
            f"{RULE.min_blocks} or more are needed."
        )
    slope, low, high, p_value = _slope(times_s, levels_ms, level=series.options.level)
    changes = _find_changes(series, blocks, first)
    minutes = float(times_s[-1] - times_s[0]) / 60.0
    total_pct = abs(slope) * minutes
    has_step = any(change.kind == "level" for change in changes)
    logs = np.log(levels_ms)
    has_trend = p_value < RULE.significance and total_pct >= RULE.min_total_pct and not has_step
    is_drift = has_trend and trend.stands_out(logs, total_pct / 100.0)
    slow, power = trend.wandering(logs)
    wanders = not (is_drift or has_step) and 100.0 * slow >= RULE.wander_pct and power >= RULE.wander_power
    drift = drift._replace(
        slope_pct_per_min=slope,
        slope_low_pct_per_min=low,
        slope_high_pct_per_min=high,
        p_value=p_value,
        is_drift=is_drift,
        is_steady=not (has_trend or has_step or wanders)
        and max(abs(low), abs(high)) * minutes <= RULE.steady_total_pct,
        wander_pct=100.0 * slow if wanders else None,
        changes=changes,
    )
    return drift._replace(sentence=_sentence(drift, slope, (low, high), minutes, levels_ms))


@once_a_series
def blocks_of(series: FrameSeries) -> Blocks:
    """The blocks in which slow change is looked for."""
    return make_blocks(series.steps_ns, series.ends_s, block_s=RULE.block_s, max_blocks=RULE.max_blocks)


def odd_stretch(series: FrameSeries) -> str:
    """Where blocks in a small part of a run, after its warm-up, are far from the usual, too few for a level.

    Of several such stretches the longest is told; empty where there is none, or they are not rare.
    """
    blocks, usual_ms = blocks_of(series), median(blocks_of(series).levels_ms)
    logs = np.log(blocks.levels_ms / usual_ms)
    odd = np.flatnonzero(np.abs(logs) >= math.log(RULE.odd_ratio))
    odd = odd[odd >= _find_warm_up(blocks)[1]]
    longest = max(np.split(odd, np.flatnonzero((np.diff(odd) > 1) | np.diff(logs[odd] > 0.0)) + 1), key=len)
    if odd.size > RULE.odd_fraction * blocks.n_blocks or not 0 < longest.size < RULE.level_changes.min_blocks:
        return ""
    times = median(blocks.levels_ms[longest]) / usual_ms
    begin_s, end_s = 2.0 * blocks.middles_s[longest[0]] - blocks.ends_s[longest[0]], blocks.ends_s[longest[-1]]
    return f"Frames take {times:.2g} times as long as usual from {seconds(begin_s)} to {seconds(end_s)}"


def settled_levels_ms(series: FrameSeries) -> NDArray[np.float64]:
    """Level of each block after the warm-up."""
    blocks = blocks_of(series)
    return blocks.levels_ms[_find_warm_up(blocks)[1] :]


def change_over_run_pct(series: FrameSeries) -> tuple[float, float] | None:
    """Interval of the change of the level over the run after its warm-up, in percent; ``None`` of too few blocks."""
    levels_ms = settled_levels_ms(series)
    if levels_ms.size < RULE.min_blocks:
        return None
    low, high = trend.change_over(np.log(levels_ms), series.options.level)
    return 100.0 * math.expm1(low), 100.0 * math.expm1(min(high, 5.0))


def warm_up_length_s(series: FrameSeries) -> float | Missing:
    """Length of the warm-up: 0 only where it was looked for and there is none."""
    if (warm_up := drift_of(series).warm_up) is not None:
        return warm_up.skip_s
    if series.duration_s < RULE.warm_up_min_s:
        return Missing(reason=f"in runs under {RULE.warm_up_min_s:g} s warm-up cannot be told from the scene")
    n_blocks = blocks_of(series).n_blocks
    if _longest_warm_up(n_blocks) < 2:
        return Missing(reason=f"{counted(n_blocks, 'block')} of frames: too few to tell warm-up from the scene")
    return 0.0


def level_change_count(series: FrameSeries) -> float | Missing:
    """Number of changes of level: 0 only where they were looked for and there is none."""
    if drift_of(series).slope_pct_per_min is None:
        return Missing(reason=f"changes of level are looked for in {RULE.min_blocks} blocks of a second or more")
    return float(sum(change.kind == "level" for change in drift_of(series).changes))


def _longest_warm_up(n_blocks: int) -> int:
    """Most of so many blocks that can be warm-up; fewer than two are none."""
    return int(RULE.warm_up_fraction * n_blocks)


def _slope(
    times_s: NDArray[np.float64], levels_ms: NDArray[np.float64], *, level: float
) -> tuple[float, float, float, float]:
    """Slope and its interval in percent of the median level per minute, and the p value of the trend."""
    slopes = trend.pairwise_slopes(times_s, levels_ms)
    slope = 0.5 * float(slopes[(slopes.size - 1) // 2] + slopes[slopes.size // 2])
    test = trend.trend_test(levels_ms)
    low, high = trend.slope_interval(
        slopes, score_variance=test.variance, normal_factor=normal_quantile(0.5 + 0.5 * level)
    )
    to_pct_per_min = 6000.0 / median(levels_ms)
    return slope * to_pct_per_min, low * to_pct_per_min, high * to_pct_per_min, test.p_value


def _find_warm_up(blocks: Blocks) -> tuple[WarmUp | None, int]:
    """Warm-up, and the number of blocks that belong to it.

    The first blocks that all lie on one side of the level of the later run, farther than its own blocks scatter.
    A run that drifts scatters as much as its start differs, and a run whose scene changes does so too: neither is
    taken for warm-up.
    """
    levels_ms = blocks.levels_ms
    longest = _longest_warm_up(blocks.n_blocks)
    if blocks.ends_s[-1] < RULE.warm_up_min_s or longest < 2:
        return None, 0
    rest = levels_ms[longest:]
    center = median(rest)
    scatter = 1.4826 * median(np.abs(rest - center))
    threshold = max(RULE.warm_up_pct / 100.0 * center, RULE.warm_up_scatters * scatter)
    deviations = levels_ms - center
    side = float(np.sign(deviations[0]))
    if abs(deviations[0]) <= threshold or np.mean(np.abs(deviations[longest:]) > threshold) > 0.05:
        return None, 0
    # Once begun, it lasts until the level is back within half the threshold: an exponential approach has a tail.
    inside = np.flatnonzero(side * deviations <= 0.5 * threshold)
    n_first = int(inside[0]) if inside.size else blocks.n_blocks
    if n_first < 2 or n_first > longest:
        return None, 0
    skip_s = float(blocks.ends_s[n_first - 1])
    difference_pct = 100.0 * (median(levels_ms[:n_first]) / median(levels_ms[n_first:]) - 1.0)
    sentence = warm_up_sentence(skip_s, difference_pct)
    return WarmUp(skip_s=skip_s, difference_pct=difference_pct, sentence=sentence), n_first


def _find_changes(series: FrameSeries, blocks: Blocks, first: int) -> tuple[Change, ...]:
    """Changes of level and of spread after the warm-up, in order of time."""
    levels_ms = blocks.levels_ms[first:]
    points = find_change_points(levels_ms, RULE.level_changes)
    # A level that wanders can be cut into steps: they count where they are more than that.
    if points and not trend.steps_stand_out(np.log(levels_ms), [point.n_before for point in points]):
        points = ()
    places = [point.n_before for point in points]
    jumps = [
        jump
        for jump in find_jumps(levels_ms, RULE.level_changes)
        if all(abs(jump.n_before - place) > RULE.level_changes.min_blocks for place in places)
    ]
    points = (*points, *jumps[: RULE.level_changes.max_changes - len(points)])
    found = [_told(series, "level", blocks.levels, blocks.edges[first:], point) for point in points]
    # The median step from frame to frame is blind to a slow rise of the level and to single hitches.
    moved_ns = np.diff(series.steps_ns, prepend=series.steps_ns[:1])
    spreads = levels_between(np.abs(moved_ns, out=moved_ns), blocks.edges, unit=NS_PER_MS)
    # Behind a coarse timer a step is none or one of the timer's, by where the level lies: the ratio then says nothing.
    if spreads.sizes.min() > 0.0 and not blocks.levels.are_means:
        spread_points = find_change_points(spreads.sizes[first:], RULE.spread_changes)
        found += [_told(series, "spread", spreads, blocks.edges[first:], point) for point in spread_points]
    return tuple(sorted(found, key=lambda change: change.time_s))


def _told(
    series: FrameSeries,
    kind: Literal["level", "spread"],
    levels: Levels,
    edges: NDArray[np.int64],
    point: ChangePoint,
) -> Change:
    """A change with its time: the split of the four blocks around it with the least sum of absolute residuals."""
    low, high = int(edges[point.n_before - 2]), int(edges[point.n_before + 2])
    time_s = float(series.ends_s[low + best_split(levels.values[low:high] / NS_PER_MS, point.before, point.after) - 1])
    sentence = change_sentence(kind, point.before, point.after, time_s, "mean" if levels.are_means else "median")
    return Change(time_s, kind, point.before, point.after, point.p_value, sentence)
