"""The charts of a tuning record: which there are, and what draws each."""

from __future__ import annotations

from collections.abc import Callable, Collection
from functools import partial

from matplotlib.figure import Figure

from frametime.render.charts.catalog import keys_for
from frametime.render.charts.tuning_gain import draw_tuning_gain, gain_lines
from frametime.render.charts.tuning_map import draw_tuning_map
from frametime.render.theme import Theme
from frametime.tuning.tuning_summary import TuningSummary


def tuning_figures(
    summary: TuningSummary, theme: Theme, *, only: Collection[str] | None = None
) -> list[tuple[str, Callable[[], Figure]]]:
    """Name and drawing of each chart of a tuning record; a chart without anything to show is left out.

    Parameters
    ----------
    summary : TuningSummary
    theme : Theme
    only : collection of str or None
        Keys of the catalog.
    """
    wanted = set(keys_for("tuning") if only is None else only)
    found: list[tuple[str, Callable[[], Figure]]] = []
    if "tuning-map" in wanted and summary.map:
        found.append(("tuning-map", partial(draw_tuning_map, summary, theme)))
    if "tuning-gain" in wanted and (gain_lines(summary, "core") or gain_lines(summary, "memory")):
        found.append(("tuning-gain", partial(draw_tuning_gain, summary, theme)))
    return found
