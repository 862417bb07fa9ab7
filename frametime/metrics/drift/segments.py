"""Parts of a capture that are not play: pauses without frames, still pictures such as menus, loading screens."""

from __future__ import annotations

from itertools import pairwise
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import Blocks, Numbers, make_blocks, median
from frametime.metrics.drift.change_points import best_split
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.metric import Segment

Kind = Literal["play", "still", "pause"]


class SegmentRule(NamedTuple):
    """When a stretch of a capture is told from play. Common practice, no source.

    Attributes
    ----------
    pause_s : float
        A frame longer than this is a pause; the same length as the gap of the capture checks.
    block_s : float
        Resolution of the search.
    max_blocks : int
        Long captures get longer blocks.
    min_stretch_s : float
        Shorter stretches are not told.
    jump_ratio : float
        The median frame time must jump by this factor at the end of the stretch.
    sharp_s : float
        The jump must be complete within this time on each side.
    spread_ratio : float
        The relative step from frame to frame must be this many times smaller (still picture) or larger (loading)
        than in the longest stretch.
    """

    pause_s: float = 2.0
    block_s: float = 0.5
    max_blocks: int = 2000
    min_stretch_s: float = 2.0
    jump_ratio: float = 1.5
    sharp_s: float = 0.2
    spread_ratio: float = 2.0


RULE: Final = SegmentRule()
_MIN_FRAMES: Final = 3


@once_a_series
def segments_of(series: FrameSeries) -> tuple[Segment, ...]:
    """The stretches of a capture in order of time; together they cover it, and nothing is cut.

    A *pause* is a single frame longer than ``pause_s``. Elsewhere the capture is split where the level jumps; a
    stretch is *still* (menu, loading screen) when its level is away from that of the longest stretch by
    ``jump_ratio`` **and** its relative spread differs by ``spread_ratio``. One of the two alone is a change of scene
    and stays *play*. A level that swings smoothly has no jump and is never split.
    """
    stretches: list[tuple[int, int, Kind]] = []
    low = 0
    for pause in (*np.flatnonzero(series.frame_times_ms > 1000.0 * RULE.pause_s).tolist(), series.n_frames):
        if low < pause:
            stretches += [(first, last, "play") for first, last in _split_at_jumps(series, low, pause)]
        if pause < series.n_frames:
            stretches.append((pause, pause + 1, "pause"))
        low = pause + 1
    return _numbered(series, _with_still(series, stretches))


def _split_at_jumps(series: FrameSeries, low: int, high: int) -> list[tuple[int, int]]:
    """Cut the frames ``low`` to ``high`` where the level jumps."""
    times_ms = series.frame_times_ms[low:high]
    ends_s = series.ends_s[low:high] - series.ends_s[low - 1] if low else series.ends_s[:high]
    if ends_s[-1] < 2.0 * RULE.min_stretch_s:
        return [(low, high)]
    return list(
        pairwise([low, *(low + cut for cut in _jump_frames(series.steps_ns[low:high], times_ms, ends_s)), high])
    )


def _jump_frames(steps_ns: Numbers, times_ms: NDArray[np.float64], ends_s: NDArray[np.float64]) -> list[int]:
    """Frames before each jump of the level, largest jump first taken, none closer than the shortest stretch."""
    blocks = make_blocks(steps_ns, ends_s, block_s=RULE.block_s, max_blocks=RULE.max_blocks, min_frames=_MIN_FRAMES)
    logs = np.log(blocks.levels_ms)
    if logs.size < 4:
        return []
    # The block in which a jump lies may be of both levels, so the two blocks before it meet the two after it.
    padded = np.concatenate((logs[:1], logs))
    pairs_low, pairs_high = np.minimum(padded[:-1], padded[1:]), np.maximum(padded[:-1], padded[1:])
    middles = np.arange(1, logs.size - 2)
    before_low, before_high = pairs_low[middles - 1], pairs_high[middles - 1]
    after_low, after_high = pairs_low[middles + 2], pairs_high[middles + 2]
    sizes = np.abs(0.5 * (after_low + after_high - before_low - before_high))
    # A jump stands between two levels: what lies on either side of it agrees within half of it.
    even = np.maximum(before_high - before_low, after_high - after_low) <= 0.5 * sizes
    candidates = np.flatnonzero((sizes >= np.log(RULE.jump_ratio)) & even)
    n_apart = max(round(RULE.min_stretch_s / blocks.block_s), 2)
    taken: list[int] = []
    cuts: list[int] = []
    for place in candidates[np.argsort(-sizes[candidates], kind="stable")].tolist():
        middle = int(middles[place])
        if any(abs(middle - other) < n_apart for other in taken):
            continue
        taken.append(middle)
        cut = _sharpest(times_ms, blocks, middle)
        if _is_sharp(times_ms, ends_s, cut):
            cuts.append(cut)
    return sorted(cuts)


def _sharpest(times_ms: NDArray[np.float64], blocks: Blocks, middle: int) -> int:
    """The frame at which the two levels around block ``middle`` are told apart best."""
    low, high = int(blocks.edges[max(middle - 2, 0)]), int(blocks.edges[min(middle + 2, blocks.n_blocks)])
    before, after = blocks.levels_ms[max(middle - 2, 0)], blocks.levels_ms[min(middle + 1, blocks.n_blocks - 1)]
    return low + best_split(np.log(times_ms[low:high]), float(np.log(before)), float(np.log(after)))


def _is_sharp(times_ms: NDArray[np.float64], ends_s: NDArray[np.float64], cut: int) -> bool:
    """Whether the jump is complete within ``sharp_s`` on each side: a scene that swings takes longer."""
    at_s = float(ends_s[cut - 1])
    first = min(int(np.searchsorted(ends_s, at_s - RULE.sharp_s)), cut - 3)
    last = max(int(np.searchsorted(ends_s, at_s + RULE.sharp_s)), cut + 3)
    before, after = median(times_ms[max(first, 0) : cut]), median(times_ms[cut:last])
    return max(before, after) >= RULE.jump_ratio * min(before, after)


def _with_still(series: FrameSeries, stretches: list[tuple[int, int, Kind]]) -> list[tuple[int, int, Kind]]:
    """Mark still stretches; neighbors that are both play are joined again."""
    play = [item for item in stretches if item[2] == "play"]
    if len(play) < 2:
        return stretches
    longest = max(play, key=lambda item: float(np.sum(series.frame_times_ms[item[0] : item[1]])))
    level, spread = _level_and_spread(series, *longest[:2])
    marked: list[tuple[int, int, Kind]] = []
    for low, high, own_kind in stretches:
        may_be_still = own_kind == "play" and (low, high) != longest[:2]
        kind: Kind = "still" if may_be_still and _is_still(series, low, high, level, spread) else own_kind
        if marked and kind == "play" and marked[-1][2] == "play":
            marked[-1] = (marked[-1][0], high, "play")
        else:
            marked.append((low, high, kind))
    return marked


def _is_still(series: FrameSeries, low: int, high: int, level: float, spread: float) -> bool:
    """Whether a stretch is long, and away from the level and from the spread of play; two without spread are alike."""
    own_level, own_spread = _level_and_spread(series, low, high)
    long_enough = float(np.sum(series.frame_times_ms[low:high])) >= 1000.0 * RULE.min_stretch_s
    away = max(own_level, level) >= RULE.jump_ratio * min(own_level, level)
    larger = max(own_spread, spread)
    return long_enough and away and larger > 0.0 and larger >= RULE.spread_ratio * min(own_spread, spread)


def _level_and_spread(series: FrameSeries, low: int, high: int) -> tuple[float, float]:
    """Median frame time, and median absolute step relative to it."""
    times_ms = series.frame_times_ms[low:high]
    level = median(times_ms)
    steps = np.abs(np.diff(times_ms))
    return level, (median(steps) if steps.size else 0.0) / level


def _numbered(series: FrameSeries, stretches: list[tuple[int, int, Kind]]) -> tuple[Segment, ...]:
    segments = []
    for number, (low, high, kind) in enumerate(stretches, start=1):
        start_s, end_s = float(series.ends_s[low - 1]) if low else 0.0, float(series.ends_s[high - 1])
        median_ms = None if kind == "pause" else median(series.frame_times_ms[low:high])
        segments.append(Segment(number, start_s, end_s, kind, high - low, median_ms))
    return tuple(segments)


def choose_segment(segments: tuple[Segment, ...], which: int | Literal["longest"]) -> Segment:
    """One segment, by its number or the longest stretch of play.

    Raises
    ------
    ValueError
        If there is no segment of that number, or none of play; the message lists what there is.

    Examples
    --------
    >>> only = Segment(number=1, start_s=0.0, end_s=10.0, kind="play", n_frames=600, median_frame_time_ms=16.7)
    >>> choose_segment((only,), "longest").number
    1
    """
    if which == "longest":
        play = [segment for segment in segments if segment.kind == "play"]
        if not play:
            raise ValueError("the capture has no stretch of play")
        return max(play, key=lambda segment: segment.end_s - segment.start_s)
    for segment in segments:
        if segment.number == which:
            return segment
    listed = ", ".join(f"{item.number} ({item.kind}, {item.start_s:.1f} to {item.end_s:.1f} s)" for item in segments)
    raise ValueError(f"the capture has no segment {which}; it has {listed}")
