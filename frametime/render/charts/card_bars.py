"""Every card as bars, best first: means over the cells of a cut, values in one scene, its cost and its power."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from matplotlib.figure import Figure

from frametime.render.charts.bar_panels import (
    MOST_ROWS,
    Bar,
    BarPanel,
    BarRow,
    bar_key,
    draw_bar_panels,
    greatest_end,
    metrics_that_fit,
)
from frametime.render.charts.chart_sheet import KeyEntry, Sheet
from frametime.render.charts.review_labels import (
    apart_note,
    card_index,
    cells_words,
    comparisons_of,
    definition_words,
    even_parts,
    page_of,
    page_words,
    run_words,
)
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_quantity
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellSummary, Standing
from frametime.statistics.differences import Interval
from frametime.units import shown_unit
from frametime.words import counted, joined

MOST_PANELS: Final = 3
"""Resolutions side by side on one figure."""

_MOST_NARROW_PANELS: Final = 2


def standings_pages(result: ReviewResult) -> list[slice]:
    """Cards of each figure that the standings of one cut need, by their rank: about as many on each."""
    return even_parts(len(result.cards), MOST_ROWS)


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
    headline = result.metric(metrics[0])
    unit = shown_unit(headline.unit)
    entry, cells = result.cut(cut), result.cells_of(cut)
    within = "" if entry == result.cuts[0] else f" ({entry.definition})"
    only = f"{headline.label}, " if len(metrics) == 1 else ""
    return _draw(
        theme,
        [BarPanel(name="", unit=unit, rows=rows, greatest=greatest_end(rows), shown=shown)],
        bar_key(result, metrics, theme),
        title=f"{result.title}: {entry.label}{page_words(page, len(pages))}",
        lead=f"{only}{unit}: {headline.better} is better. Best first; a place is a range where the runs settle "
        "no order.",
        notes=[
            f"Mean over {cells_words(cells)}{within}, of {run_words(result, cells.cells)} each. Whisker: 95 % "
            "interval of the ratio to the baseline (run noise only).",
            "Apart: too few cells for a place; its mean and that of the baseline are over the cells of these two."
            if cells.apart
            else "",
        ],
        full=[
            f"Bars start at 0 {unit}; means are geometric.",
            definition_words(result, metrics),
            "The whisker is that interval over these scenes, times the baseline's mean; the baseline has none.",
            "Not told apart: neither shown to be better nor to be worse.",
        ],
    )


def _draw(theme: Theme, panels: Sequence[BarPanel], key: Sequence[KeyEntry], **texts: Any) -> Figure:
    """Panels of bars below the texts of their sheet."""
    with theme.settings():
        sheet = Sheet(theme, **texts)
        sheet.key(key)
        draw_bar_panels(sheet, panels)
        return sheet.figure


def best_first(result: ReviewResult, cut: str = "all") -> list[Standing]:
    """Standings of a cut by the headline metric, best first; cards that stand apart below, those without runs last."""
    sign = 1.0 if result.metric(result.headline).better == "lower" else -1.0
    return sorted(
        (item for item in result.standings if (item.cut, item.metric) == (cut, result.headline)),
        key=lambda item: (item.mean_value is None, item.stands_apart, sign * (item.mean_value or 0.0)),
    )


def _row(result: ReviewResult, card: str, bars: Sequence[Bar], remark: str, short: str) -> BarRow:
    return BarRow(
        card=card_index(result, card),
        label=result.card(card).label,
        remark=remark,
        short=short,
        bars=tuple(bars),
        is_subject=card in result.subject,
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
        remark = short = "no usable run"
    elif standing.stands_apart:
        remark = short = f"apart · {counted(standing.n_cells, 'cell')}"
        if standing.baseline_mean_value is not None and card != result.baseline:
            unit = result.metric(metrics[0]).unit
            remark += (
                f" · {result.card(result.baseline).label} there {format_quantity(standing.baseline_mean_value, unit)}"
            )
    else:
        remark = short = f"place {standing.place}"
    if card == result.baseline:
        remark += " · baseline"
        short += " · baseline"
    if standing is not None and standing.not_told_apart_from:
        others = [result.card(key).label for key in standing.not_told_apart_from]
        named = joined(others) if len(others) == 1 or not theme.is_narrow else f"{len(others)} others"
        shared = f" · {'tied with' if standing.tied_with else 'not told apart from'} {named}"
        # On a narrow page the baseline's remark would be cut in the middle; its place says that it is shared.
        if not (theme.is_narrow and card == result.baseline):
            remark += shared
    return _row(result, card, bars, remark, short)


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
    headline = result.metric(metrics[0])
    unit = shown_unit(headline.unit)
    found = {}
    for resolution in resolutions:
        summaries = {item.card: item for item in result.cells if (item.scene, item.resolution) == (scene, resolution)}
        found[resolution] = _cell_rows(result, summaries, metrics, scene, resolution)
    greatest = max(greatest_end(rows) for rows in found.values())
    has_interval = any(bar.interval for rows in found.values() for row in rows[shown] for bar in row.bars)
    only = f"{headline.label}, " if len(metrics) == 1 else ""
    return _draw(
        theme,
        [
            BarPanel(name=resolution, unit=unit, rows=rows, greatest=greatest, shown=shown)
            for resolution, rows in found.items()
        ],
        bar_key(result, metrics, theme),
        title=f"{result.scene(scene).label}{page_words(page, len(pages))}",
        lead=f"{only}{unit}: {headline.better} is better. Best first at each resolution.",
        notes=[
            f"Mean of {run_words(result, [(scene, resolution) for resolution in resolutions])}.",
            "Whisker: 95 % interval of the mean, from the scatter of the runs."
            if has_interval
            else "Too few runs for an interval.",
            f"Verdict against the baseline at a margin of {result.margin * 100.0:g} %.",
        ],
        full=[f"Bars start at 0 {unit}; means are geometric.", definition_words(result, metrics)],
    )


def scene_pages(result: ReviewResult, theme: Theme) -> list[tuple[tuple[str, ...], slice]]:
    """Resolutions of each figure that one scene needs, and its cards by their rank."""
    panels = _MOST_NARROW_PANELS if theme.is_narrow else MOST_PANELS
    return [
        (tuple(result.resolutions[start : start + panels]), cards)
        for start in range(0, len(result.resolutions), panels)
        for cards in even_parts(len(result.cards), MOST_ROWS)
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
        rows.append((rank, _row(result, card.key, bars, remark, remark)))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


def cost_panels(result: ReviewResult, cut: str) -> list[BarPanel]:
    """Price per frame, average power and frames per joule, each with the cards that have one, best first."""
    values = [row for row in result.value if row.cut == cut and not row.stands_apart]
    powers = [row for row in result.efficiency if row.cut == cut and not row.stands_apart]
    currency = next((row.currency for row in values if row.currency), "price")
    headline = shown_unit(result.metric(result.headline).unit)
    ask: list[tuple[str, str, bool, dict[str, Bar]]] = [
        ("Price per frame", f"{currency} per {headline}", True, _known(values, lambda row: (row.money_per_fps, None))),
        ("Average power", "W", True, _known(powers, lambda row: (row.average_power_w, row.average_power_interval))),
        ("Frames per joule", "frames/J", False, _known(powers, lambda row: (row.frames_per_joule, None))),
    ]
    panels = []
    for name, unit, lower, bars in ask:
        order = sorted(bars, key=lambda card: bars[card].value if lower else -bars[card].value)
        rows = [
            _row(result, card, [bars[card]], *["baseline" if card == result.baseline else ""] * 2) for card in order
        ]
        if rows:
            panels.append(BarPanel(name=name, unit=unit, rows=rows, greatest=greatest_end(rows)))
    return panels


def _known(rows: Sequence[Any], value_of: Callable[[Any], tuple[float | None, Interval | None]]) -> dict[str, Bar]:
    found = {row.card: value_of(row) for row in rows}
    return {card: Bar(value=value, interval=interval) for card, (value, interval) in found.items() if value is not None}


def cost_pages(result: ReviewResult, theme: Theme, cut: str) -> list[list[BarPanel]]:
    """Panels of each figure; none where nothing is known, or where more cards are known than a panel holds."""
    panels = cost_panels(result, cut) if len(result.cards) <= MOST_ROWS else []
    step = 1 if theme.is_narrow else MOST_PANELS
    return [panels[start : start + step] for start in range(0, len(panels), step)]


def draw_costs(result: ReviewResult, theme: Theme, *, cut: str = "all", page: int = 0) -> Figure:
    """What a frame costs in money and in power: a panel for each quantity that is known, every card a bar.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    cut : str
        Key of the cut.
    page : int
        From 0; a narrow figure holds one panel.

    Raises
    ------
    ValueError
        If there is no such page: no card has a price or a sensor log, or there are too many cards.
    """
    pages = cost_pages(result, theme, cut)
    panels = page_of(pages, page)
    speed, entry = result.cells_of(cut), result.cut(cut)
    powered = any(row.cut == cut for row in result.efficiency)
    power = f", power over {len(result.cells_of(cut, 'power').cells)}" if powered else ""
    return _draw(
        theme,
        panels,
        bar_key(result, [result.headline], theme),
        title=f"Price and power: {entry.label}{page_words(page, len(pages))}",
        lead="Lower is better for price and power, higher for frames per joule. Best first in each panel.",
        notes=[
            f"Prices by the mean of {result.metric(result.headline).label} over {cells_words(speed)}{power}, of "
            f"{run_words(result)} each. Whisker: 95 % interval (run noise only).",
            apart_note(result, speed),
        ],
        full=["Bars start at 0; means are geometric.", definition_words(result, [result.headline])],
    )
