"""How far the axis of the ratio chart reaches."""

from __future__ import annotations

import math
from collections.abc import Sequence

from frametime.review.result_tables import CellComparison, OverallComparison


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
