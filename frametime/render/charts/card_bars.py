"""Every card as bars, best first: its means over the cells of a cut, and its values in one scene."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from matplotlib.figure import Figure

from frametime.render.charts.bar_panels import (
    Bar,
    BarRow,
    bar_key,
    better_words,
    definition_words,
    draw_bar_panels,
    greatest_end,
    metrics_that_fit,
    rows_that_fit,
    run_words,
)
from frametime.render.charts.chart_sheet import Sheet
from frametime.render.charts.review_labels import cells_words, comparisons_of, even_parts, page_of, page_words
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_quantity
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellSummary, Standing
from frametime.units import shown_unit
from frametime.words import counted, joined

MOST_PANELS: Final = 3
"""Resolutions side by side on one figure."""

_MOST_NARROW_PANELS: Final = 2


def standings_pages(result: ReviewResult) -> list[slice]:
    """Cards of each figure that the standings of one cut need, by their rank: about as many on each."""
    n_cards = len(result.cards)
    return even_parts(n_cards, rows_that_fit(len(metrics_that_fit(result, n_cards))))


def draw_standings(result: ReviewResult, theme: Theme, *, cut: str = "all", page: int = 0) -> Figure:
    """Mean of every card over the cells of a cut, best first, with ties as ties.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    cut : str
        Key of the cut.
    page : int
        From 0; very many cards are drawn on several pages.

    Raises
    ------
    ValueError
        If there is no such page.
    """
    pages = standings_pages(result)
    shown = page_of(pages, page)
    metrics = metrics_that_fit(result, len(result.cards))
    standings = {
        metric: {item.card: item for item in result.standings if (item.cut, item.metric) == (cut, metric)}
        for metric in metrics
    }
    ranked = [item.card for item in best_first(result, cut)]
    cards = [*ranked, *(card.key for card in result.cards if card.key not in ranked)]
    rows = [_standing_row(result, standings, metrics, card, theme) for card in cards]
    unit = shown_unit(result.metric(metrics[0]).unit)
    entry, cells = result.cut(cut), result.cells_of(cut)
    within = "" if entry == result.cuts[0] else f" ({entry.definition})"
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"{result.title}: {entry.label}{page_words(page, len(pages))}",
            lead=f"{better_words(result, metrics[0])} Best first; a place is a range where the runs settle no order.",
            notes=[
                f"Bars start at 0 {unit}: geometric mean over {cells_words(cells)}{within}, of "
                f"{run_words(result, cells.cells)} each.",
                "Apart: too few cells for a place; its mean and that of the baseline are over the cells of these two."
                if cells.apart
                else "",
                definition_words(result, metrics),
                "Whisker: 95 % interval of the ratio to the baseline over these scenes (run noise only), times the "
                "baseline's mean; the baseline itself has none.",
                "Not told apart: neither shown to be better nor to be worse.",
            ],
            head_lines=(1, 1),
        )
        sheet.key(bar_key(result, metrics, theme))
        draw_bar_panels(sheet, [("", rows[shown])], unit, greatest=greatest_end(rows))
        return sheet.figure


def best_first(result: ReviewResult, cut: str = "all") -> list[Standing]:
    """Standings of a cut by the headline metric, best first; cards that stand apart below, those without runs last."""
    sign = 1.0 if result.metric(result.headline).better == "lower" else -1.0
    return sorted(
        (item for item in result.standings if (item.cut, item.metric) == (cut, result.headline)),
        key=lambda item: (item.mean_value is None, item.stands_apart, sign * (item.mean_value or 0.0)),
    )


def _standing_row(
    result: ReviewResult, standings: dict[str, dict[str, Standing]], metrics: Sequence[str], card: str, theme: Theme
) -> BarRow:
    bars = []
    for number, metric in enumerate(metrics):
        standing = standings[metric].get(card)
        if standing is not None and standing.mean_value is not None:
            bars.append(Bar(value=standing.mean_value, interval=standing.mean_interval, metric=number))
    standing = standings[metrics[0]].get(card)
    if standing is None or not bars:
        remark = "no usable run"
    elif standing.stands_apart:
        remark = f"apart · {counted(standing.n_cells, 'cell')}"
        if standing.baseline_mean_value is not None and card != result.baseline:
            unit = result.metric(metrics[0]).unit
            remark += (
                f" · {result.card(result.baseline).label} there {format_quantity(standing.baseline_mean_value, unit)}"
            )
    else:
        remark = f"place {standing.place}"
    if card == result.baseline:
        remark += " · baseline"
    if standing is not None and standing.not_told_apart_from:
        others = [result.card(key).label for key in standing.not_told_apart_from]
        named = joined(others) if len(others) == 1 or not theme.is_narrow else f"{len(others)} others"
        shared = f" · {'tied with' if standing.tied_with else 'not told apart from'} {named}"
        # On a narrow page the baseline's remark would be cut in the middle; its place says that it is shared.
        if not (theme.is_narrow and card == result.baseline):
            remark += shared
    return BarRow(label=result.card(card).label, remark=remark, bars=tuple(bars))


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
    resolutions, shown = page_of(pages, page)
    planned = result.cuts[0].cells
    resolutions = tuple(item for item in resolutions if (scene, item) in planned) or resolutions
    metrics = metrics_that_fit(result, len(result.cards))
    unit = shown_unit(result.metric(metrics[0]).unit)
    panels = []
    has_interval, greatest = False, 0.0
    for resolution in resolutions:
        summaries = {item.card: item for item in result.cells if (item.scene, item.resolution) == (scene, resolution)}
        rows = _cell_rows(result, summaries, metrics, scene, resolution)
        greatest = max(greatest, greatest_end(rows))
        has_interval = has_interval or any(bar.interval for row in rows[shown] for bar in row.bars)
        panels.append((resolution, rows[shown]))
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
        draw_bar_panels(sheet, panels, unit, greatest=greatest)
        return sheet.figure


def scene_pages(result: ReviewResult, theme: Theme) -> list[tuple[tuple[str, ...], slice]]:
    """Resolutions of each figure that one scene needs, and its cards by their rank."""
    most = rows_that_fit(len(metrics_that_fit(result, len(result.cards))))
    panels = _MOST_NARROW_PANELS if theme.is_narrow else MOST_PANELS
    return [
        (tuple(result.resolutions[start : start + panels]), cards)
        for start in range(0, len(result.resolutions), panels)
        for cards in even_parts(len(result.cards), most)
    ]


def _cell_rows(
    result: ReviewResult, summaries: dict[str, CellSummary], metrics: Sequence[str], scene: str, resolution: str
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
