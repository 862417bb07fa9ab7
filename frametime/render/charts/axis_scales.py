"""Axes that say what they count: ticks with even decimals, a percent scale that opens the tail, ratios in percent."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from frametime.render.charts.text_fit import drawable, text_width_pt
from frametime.render.numbers import format_like
from frametime.review.result_tables import CellComparison, OverallComparison

_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
TAIL_TICKS_PCT: Final = (0.0, 50.0, 90.0, 99.0, 99.9, 99.99, 99.999)
_CHANGE_STEPS_PCT: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
_FACTORS: Final = (1, 2, 4, 8, 16, 32, 64, 128, 256)


def round_ticks(low: float, high: float, most: int, *, least: int = 2) -> list[float]:
    """Round values from ``low`` to ``high``, at most ``most`` + 1 of them unless fewer than ``least`` would be left.

    Examples
    --------
    >>> round_ticks(0.0, 37.0, 4)
    [0.0, 10.0, 20.0, 30.0]
    """
    found = MaxNLocator(most, steps=_STEPS, min_n_ticks=least).tick_values(low, high)
    slack = 1e-9 * (high - low)
    return [float(tick) + 0.0 for tick in found if low - slack <= tick <= high + slack]


def tick_labels(ticks: Sequence[float]) -> list[str]:
    """Labels with the same number of decimals, as many as the step needs.

    Examples
    --------
    >>> tick_labels([0.0, 2.5, 5.0])
    ['0.0', '2.5', '5.0']
    """
    decimals = next(
        (
            count
            for count in range(7)
            if all(abs(tick - round(tick, count)) < 1e-9 + 1e-9 * abs(tick) for tick in ticks)
        ),
        6,
    )
    return [drawable(format_like(tick, decimals=decimals)) for tick in ticks]


def size_of(axes: Axes) -> tuple[float, float]:
    """Width and height of the axes in points."""
    extent, dpi = axes.get_window_extent(), axes.figure.dpi
    return float(extent.width / dpi * 72.0), float(extent.height / dpi * 72.0)


def set_x_ticks(axes: Axes, em_pt: float, *, spacing_em: float = 7.0) -> None:
    """Round ticks on a linear x axis whose limits are set, so far apart that their labels have room."""
    low, high = axes.get_xlim()
    most = max(1, int(size_of(axes)[0] / (spacing_em * em_pt)))
    ticks = round_ticks(low, high, most)
    axes.set_xticks(ticks, spaced_labels(axes, ticks, tick_labels(ticks), em_pt))


def set_y_ticks(axes: Axes, em_pt: float, *, spacing_em: float = 3.4) -> None:
    """Round ticks on a linear y axis whose limits are set."""
    low, high = axes.get_ylim()
    most = max(1, int(size_of(axes)[1] / (spacing_em * em_pt)))
    ticks = round_ticks(low, high, most)  # two at least: one tick alone gives no scale
    axes.set_yticks(ticks, tick_labels(ticks))


def spaced_labels(axes: Axes, ticks: Sequence[float], labels: Sequence[str], em_pt: float) -> list[str]:
    """Labels, emptied where one would come too near to the one before or beyond the edge of the figure."""
    width_pt = size_of(axes)[0]
    figure = axes.figure
    end_pt = (figure.bbox.width - axes.get_window_extent().x0) / figure.dpi * 72.0 - 0.4 * em_pt
    to_axes = axes.transData + axes.transAxes.inverted()
    kept: list[str] = []
    last_end = -math.inf
    for tick, label in zip(ticks, labels, strict=True):
        x, _ = to_axes.transform((tick, axes.get_ylim()[0]))
        half_pt = text_width_pt(label, em_pt) / 2.0
        start, end = float(x) * width_pt - half_pt, float(x) * width_pt + half_pt
        if start < last_end + 1.0 * em_pt or end > end_pt:
            kept.append("")
        else:
            kept.append(label)
            last_end = end
    return kept


def tail_position(share_pct: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place of a percentile on the tail scale: one unit for each factor of ten fewer slow frames.

    ``-log10(1 - share)``: 0 at 0 %, 1 at 90 %, 2 at 99 %, 3 at 99.9 %.

    Examples
    --------
    >>> tail_position(np.array([0.0, 90.0, 99.0])).round(6).tolist()
    [0.0, 1.0, 2.0]
    """
    left = np.clip(1.0 - np.asarray(share_pct, dtype=np.float64) / 100.0, 1e-9, None)
    return np.asarray(-np.log10(left) + 0.0, dtype=np.float64)


def tail_share_pct(position: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of ``tail_position``."""
    return np.asarray(100.0 * (1.0 - 10.0 ** (-np.asarray(position, dtype=np.float64))), dtype=np.float64)


def set_tail_scale(axes: Axes, highest_pct: float, em_pt: float) -> None:
    """Percent of frames on the x axis, opened toward the slowest."""
    axes.set_xscale("function", functions=(tail_position, tail_share_pct))
    axes.set_xlim(0.0, highest_pct)
    ticks = [tick for tick in TAIL_TICKS_PCT if tick <= highest_pct]
    axes.set_xticks(ticks, spaced_labels(axes, ticks, [drawable(f"{tick:g} %") for tick in ticks], em_pt))
    axes.set_xticks([], minor=True)


def set_ratio_scale(axes: Axes, low: float, high: float, em_pt: float, *, spacing_em: float = 5.6) -> None:
    """A ratio on a logarithmic x axis, labelled as a change in percent; 0 % stands at equal.

    On this scale "twice" and "half" lie equally far from the middle, so that neither card is favored by being the
    baseline. Ratios beyond a factor of two are labelled as factors.
    """
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    most = max(3, int(size_of(axes)[0] / (spacing_em * em_pt)))
    span = math.log(high / low)
    if span <= math.log(2.0):
        step_pct = next((step for step in _CHANGE_STEPS_PCT if span / (step / 100.0) <= most), _CHANGE_STEPS_PCT[-1])
        changes = [number * step_pct for number in range(math.ceil(-90.0 / step_pct), math.floor(900.0 / step_pct) + 1)]
        pairs = [(1.0 + change / 100.0, _change_label(change)) for change in changes]
    else:
        pairs = [(1.0 / factor, f"÷ {factor}") for factor in reversed(_FACTORS[1:])]
        pairs += [(1.0, "0 %"), *((float(factor), f"× {factor}") for factor in _FACTORS[1:])]
        if span <= math.log(8.0):
            pairs = sorted([*pairs, (1.5, "× 1.5"), (1.0 / 1.5, "÷ 1.5")])
    pairs = [(ratio, label) for ratio, label in pairs if low <= ratio <= high]
    ticks = [ratio for ratio, _ in pairs]
    axes.set_xticks(ticks, spaced_labels(axes, ticks, [label for _, label in pairs], em_pt))
    axes.set_xticks([], minor=True)


def set_change_ticks(axes: Axes, em_pt: float, *, unit: str) -> None:
    """Signed ticks around 0 on an x axis in percent: the middle and one to each side at least, clear of the edges."""
    high = axes.get_xlim()[1]
    most = max(2, int(size_of(axes)[0] / (6.0 * em_pt)))
    ticks: list[float] = []
    while len(ticks) < 3:
        ticks = [tick for tick in round_ticks(-high, high, most) if abs(tick) < 0.86 * high]
        most += 1
    axes.set_xticks(ticks, spaced_labels(axes, ticks, signed_labels(ticks, unit), em_pt))
    axes.grid(axis="x", visible=False)


def signed_labels(ticks: Sequence[float], unit: str) -> list[str]:
    """Labels of changes, with their signs.

    Examples
    --------
    >>> signed_labels([-5.0, 0.0, 5.0], " %")
    ['−5 %', '0 %', '+5 %']
    """
    return [f"{'+' if tick > 0 else ''}{label}{unit}" for tick, label in zip(ticks, tick_labels(ticks), strict=True)]


def _change_label(change_pct: float) -> str:
    if abs(change_pct) < 1e-9:
        return "0 %"
    return f"{change_pct:+.4g} %".replace("-", "\N{MINUS SIGN}")


def ratio_limits(
    comparisons: Sequence[CellComparison], overall: Sequence[OverallComparison | None], margin: float
) -> tuple[float, float]:
    """Limits of the ratio axis: every mark and the margin are inside, and intervals unless far wider than the marks.

    A cell with two runs can have an interval of several hundred percent; drawn in full it would press all others
    together. It is cut at the edge then, with an arrowhead.
    """
    logs = [math.log(item.ratio) for item in comparisons if item.ratio is not None]
    logs += [math.log(item.ratio) for item in overall if item is not None and item.ratio is not None]
    marks_low, marks_high = min([0.0, *logs]), max([0.0, *logs])
    least = 2.2 * math.log1p(margin)
    room = max(marks_high - marks_low, least)
    ends: list[float] = []
    intervals = [item.interval_95 for item in comparisons]
    intervals += [item.interval_these_scenes for item in overall if item is not None]
    intervals += [item.interval_scenes_like_these for item in overall if item is not None]
    for interval in intervals:
        if interval is not None and interval.low > 0.0:
            ends += [math.log(interval.low), math.log(interval.high)]
    low = max(min([marks_low, -least, *ends]), marks_low - 1.5 * room)
    high = min(max([marks_high, least, *ends]), marks_high + 1.5 * room)
    pad = 0.04 * (high - low)
    return math.exp(low - pad), math.exp(high + pad)
