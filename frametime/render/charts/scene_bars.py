"""Every card in one scene: average and lows, a panel for each resolution, best first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from matplotlib.figure import Figure

from frametime.render.charts.bars import (
    Bar,
    BarRow,
    bar_key,
    better_words,
    definition_words,
    draw_bar_panels,
    metrics_that_fit,
    rows_that_fit,
    run_words,
)
from frametime.render.charts.review_words import comparisons_of, page_words
from frametime.render.charts.sheet import Sheet
from frametime.render.theme import Theme
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellSummary
from frametime.units import shown_unit

MOST_PANELS: Final = 3
"""Resolutions side by side on one figure."""

_MOST_NARROW_PANELS: Final = 2


def draw_scene_bars(result: ReviewResult, theme: Theme, *, scene: str, page: int = 0) -> Figure:
    """Every card in one scene, a panel for each resolution, best first.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    scene : str
        Key of the scene.
    page : int
        From 0; more than three resolutions, or very many cards, are drawn on several pages.

    Raises
    ------
    ValueError
        If there is no such page.
    """
    pages = scene_pages(result, theme)
    if not 0 <= page < len(pages):
        raise ValueError(f"page must be 0 to {len(pages) - 1}, got {page!r}")
    resolutions, start = pages[page]
    metrics = metrics_that_fit(result, len(result.cards))
    unit = shown_unit(result.metric(metrics[0]).unit)
    summaries = {item.card: item for item in result.cells if item.scene == scene}
    panels = []
    has_interval = False
    for resolution in resolutions:
        summaries = {item.card: item for item in result.cells if (item.scene, item.resolution) == (scene, resolution)}
        rows = _cell_rows(result, summaries, metrics, scene, resolution)
        rows = rows[start : start + rows_that_fit(len(metrics))]
        has_interval = has_interval or any(bar.interval for row in rows for bar in row.bars)
        panels.append((resolution, rows))
    cells = [(scene, resolution) for resolution in resolutions]
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"{result.scene(scene).label}{page_words(page, len(pages))}",
            lead=f"{better_words(result, metrics[0])} Best first at each resolution.",
            notes=[
                f"Bars start at 0 {unit}: geometric mean over {run_words(result, cells)}.",
                definition_words(result, metrics),
                "Whisker: 95 % interval of the mean, from the scatter of the runs."
                if has_interval
                else "Too few runs for an interval.",
                f"Verdict against the baseline at a margin of {result.margin * 100.0:g} %, from the ratio of the two.",
            ],
            head_lines=(1, 1),
        )
        sheet.key(bar_key(result, metrics, theme))
        draw_bar_panels(sheet, panels, unit)
        return sheet.figure


def scene_pages(result: ReviewResult, theme: Theme) -> list[tuple[tuple[str, ...], int]]:
    """Resolutions and first card of each figure that one scene needs."""
    most = rows_that_fit(len(metrics_that_fit(result, len(result.cards))))
    panels = _MOST_NARROW_PANELS if theme.is_narrow else MOST_PANELS
    return [
        (tuple(result.resolutions[start : start + panels]), first)
        for start in range(0, len(result.resolutions), panels)
        for first in range(0, max(1, len(result.cards)), most)
    ]


def _cell_rows(
    result: ReviewResult,
    summaries: dict[str, CellSummary],
    metrics: Sequence[str],
    scene: str,
    resolution: str,
) -> list[BarRow]:
    rows: list[tuple[float, BarRow]] = []
    lower = result.metric(metrics[0]).better == "lower"
    for card in result.cards:
        summary = summaries.get(card.key)
        bars = []
        for number, metric in enumerate(metrics):
            estimate = None if summary is None else summary.estimates.get(metric)
            if estimate is not None and estimate.value is not None:
                bars.append(Bar(value=estimate.value, interval=estimate.interval, metric=number))
        if card.key == result.baseline:
            remark = "baseline" if bars else "baseline · no usable run"
        else:
            compared = comparisons_of(result, card.key, metrics[0]).get((scene, resolution))
            remark = "no usable run" if not bars else "not compared" if compared is None else compared.verdict
        lead = next((bar.value for bar in bars if bar.metric == 0), None)
        rank = float("inf") if lead is None else lead if lower else -lead
        rows.append((rank, BarRow(label=card.label, remark=remark, bars=tuple(bars))))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]
