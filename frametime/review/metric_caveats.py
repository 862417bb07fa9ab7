"""Caveats that bear on one metric, and finding those that do."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.caveats import Caveat, Weight


def metric_caveat(metric: str, *, code: str, message: str, weight: Weight = Weight.CARE) -> Caveat:
    """A caveat about the numbers of one metric."""
    return Caveat(code=code, message=message, weight=weight, metrics=(metric,))


def bearing_on(caveats: Sequence[Caveat], metric: str) -> tuple[Caveat, ...]:
    """Those caveats that bear on a metric."""
    return tuple(caveat for caveat in caveats if not caveat.metrics or metric in caveat.metrics)


def no_scatter(metric: str) -> Caveat:
    """Runs that are equal to the last digit."""
    return metric_caveat(
        metric,
        code="no-scatter",
        message="All runs have exactly the same value, which gives no interval; were files copied?",
    )


def too_wide(metric: str) -> Caveat:
    """Runs that differ by orders of magnitude."""
    return metric_caveat(
        metric,
        code="too-wide",
        message="The runs scatter so much that the interval would span more than a factor of a million.",
        weight=Weight.REPEAT,
    )
