"""Bars of the average and the lows of every card: over a cut, and cell by cell for one scene."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametime.metrics.metric import Interval
from frametime.render.charts.review_words import (
    comparisons_of,
    page_words,
    run_counts,
    same_unit_metrics,
)
from frametime.render.charts.scales import set_x_ticks
from frametime.render.charts.sheet import KeyEntry, Sheet, x_caption
from frametime.render.charts.words import joined
from frametime.render.numbers import decimals_for_interval, format_like
from frametime.render.text_fit import shorten, text_width_pt
from frametime.render.theme import Theme
from frametime.review.result import CellSummary, ReviewResult, Standing
from frametime.units import shown_unit

MOST_PANELS: Final = 3
"""Resolutions side by side on one figure."""

_BAR_EM: Final = 1.2
_HEAD_EM: Final = 1.4
_LEAST_GAP_EM: Final = 0.45
_WIDE_EM: Final = 34.0
_PANEL_EM: Final = 24.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One bar: a value with its interval, and the number of its metric among those shown."""

    value: float
    interval: Interval | None
    metric: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BarRow:
    """All bars of one card: its name, and what is said beside it (place, verdict)."""

    label: str
    remark: str
    bars: tuple[Bar, ...]


def metrics_that_fit(result: ReviewResult, n_rows: int) -> tuple[str, ...]:
    """Metrics in the unit of the headline that can be shown together for so many cards, the headline first."""
    metrics = same_unit_metrics(result)
    for count in range(len(metrics), 1, -1):
        if n_rows * (_HEAD_EM + count * _BAR_EM + _LEAST_GAP_EM) <= _PANEL_EM:
            return metrics[:count]
    return metrics[:1]


def rows_that_fit(n_metrics: int) -> int:
    """Cards that one figure can hold."""
    return int(_PANEL_EM / (_HEAD_EM + n_metrics * _BAR_EM + _LEAST_GAP_EM))


def standings_pages(result: ReviewResult) -> int:
    """Figures that the standings of one cut need."""
    n_cards = len(result.cards)
    return max(1, -(-n_cards // rows_that_fit(len(metrics_that_fit(result, n_cards)))))


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
    n_pages = standings_pages(result)
    if not 0 <= page < n_pages:
        raise ValueError(f"page must be 0 to {n_pages - 1}, got {page!r}")
    metrics = metrics_that_fit(result, len(result.cards))
    standings = {
        metric: {item.card: item for item in result.standings if (item.cut, item.metric) == (cut, metric)}
        for metric in metrics
    }
    lead_standings = standings[metrics[0]]
    rows = [_standing_row(result, standings, metrics, card) for card in _best_first(result, lead_standings, metrics[0])]
    most = rows_that_fit(len(metrics))
    unit = shown_unit(result.metric(metrics[0]).unit)
    n_cells = max((item.n_cells for item in lead_standings.values()), default=0)
    entry = result.cut(cut)
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"{result.title}: {entry.label}{page_words(page, n_pages)}",
            lead=f"{_better(result, metrics[0])} Places are given only as far as the intervals carry them.",
            notes=[
                f"Bars start at 0 {unit}: geometric mean over {n_cells} {'cell' if n_cells == 1 else 'cells'} "
                f"({entry.definition}), of {_runs(result, entry.cells)} each.",
                _definitions(result, metrics),
                "Whisker: 95 % interval of the ratio to the baseline over these scenes (run noise only), times the "
                "baseline's mean; the baseline itself has none.",
                "Not told apart: neither shown to be better nor to be worse.",
            ],
            head_lines=(1, 1),
        )
        sheet.key(_key(result, metrics, theme))
        _panels(sheet, [("", rows[page * most : (page + 1) * most])], unit)
        return sheet.figure


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
    pages = scene_pages(result)
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
            lead=f"{_better(result, metrics[0])} Best first at each resolution.",
            notes=[
                f"Bars start at 0 {unit}: geometric mean over {_runs(result, cells)}.",
                _definitions(result, metrics),
                "Whisker: 95 % t interval over the runs, on logs." if has_interval else "Too few runs for an interval.",
                f"Verdict against the baseline at a margin of {result.margin * 100.0:g} %, from the ratio of the two.",
            ],
            head_lines=(1, 1),
        )
        sheet.key(_key(result, metrics, theme))
        _panels(sheet, panels, unit)
        return sheet.figure


def scene_pages(result: ReviewResult) -> list[tuple[tuple[str, ...], int]]:
    """Resolutions and first card of each figure that one scene needs."""
    most = rows_that_fit(len(metrics_that_fit(result, len(result.cards))))
    return [
        (tuple(result.resolutions[start : start + MOST_PANELS]), first)
        for start in range(0, len(result.resolutions), MOST_PANELS)
        for first in range(0, max(1, len(result.cards)), most)
    ]


def _better(result: ReviewResult, metric: str) -> str:
    entry = result.metric(metric)
    return f"{shown_unit(entry.unit)}: {entry.better} is better."


def _definitions(result: ReviewResult, metrics: Sequence[str]) -> str:
    return " ".join(f"{result.metric(key).label}: {result.metric(key).definition.rstrip('.')}." for key in metrics)


def _runs(result: ReviewResult, cells: Sequence[tuple[str, str]]) -> str:
    return run_counts([len(item.run_names) for item in result.cells if (item.scene, item.resolution) in cells])


def _best_first(result: ReviewResult, standings: dict[str, Standing], metric: str) -> list[str]:
    """Keys of the cards, those without a mean last."""
    sign = 1.0 if result.metric(metric).better == "lower" else -1.0

    def rank(card: str) -> tuple[bool, float]:
        value = standings[card].mean_value if card in standings else None
        return value is None, 0.0 if value is None else sign * value

    return sorted((card.key for card in result.cards), key=rank)


def _standing_row(
    result: ReviewResult, standings: dict[str, dict[str, Standing]], metrics: Sequence[str], card: str
) -> BarRow:
    bars = []
    for number, metric in enumerate(metrics):
        standing = standings[metric].get(card)
        if standing is not None and standing.mean_value is not None:
            bars.append(Bar(value=standing.mean_value, interval=_around(standing), metric=number))
    standing = standings[metrics[0]].get(card)
    remark = "no cell in common with the others" if standing is None or not bars else f"place {standing.place}"
    if card == result.baseline:
        remark += " · baseline"
    if standing is not None and standing.not_told_apart_from:
        remark += f" · not told apart from {joined([result.card(key).label for key in standing.not_told_apart_from])}"
    return BarRow(label=result.card(card).label, remark=remark, bars=tuple(bars))


def _around(standing: Standing) -> Interval | None:
    """The interval of the ratio to the baseline, carried over to the mean."""
    if standing.interval is None or not standing.ratio_to_baseline or standing.mean_value is None:
        return None
    scale = standing.mean_value / standing.ratio_to_baseline
    return Interval(
        low=standing.interval.low * scale,
        high=standing.interval.high * scale,
        level=standing.interval.level,
        method=standing.interval.method,
    )


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
            remark = "baseline"
        else:
            compared = comparisons_of(result, card.key, metrics[0]).get((scene, resolution))
            remark = "no usable run" if not bars else "not compared" if compared is None else compared.verdict
        lead = next((bar.value for bar in bars if bar.metric == 0), None)
        rank = float("inf") if lead is None else lead if lower else -lead
        rows.append((rank, BarRow(label=card.label, remark=remark, bars=tuple(bars))))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


def _key(result: ReviewResult, metrics: Sequence[str], theme: Theme) -> list[KeyEntry]:
    entries = []
    for number, metric in enumerate(metrics):
        style = theme.style(number)
        entries.append(KeyEntry(label=result.metric(metric).label, kind="patch", color=style.color, hatch=style.hatch))
    return entries


def _panels(sheet: Sheet, panels: Sequence[tuple[str, Sequence[BarRow]]], unit: str) -> None:
    em, theme = sheet.em, sheet.theme
    gap = 2.4 * em
    width = (sheet.width - gap * (len(panels) - 1)) / len(panels)
    head = 2.0 * em if panels[0][0] else 0.3 * em
    top, bottom = sheet.top - head, sheet.bottom + 3.4 * em
    n_rows = max(1, *(len(rows) for _, rows in panels)) if panels else 1
    n_bars = max((len(row.bars) for _, rows in panels for row in rows), default=1) or 1
    row_height = min((top - bottom) / n_rows, (_HEAD_EM + 1.7 * n_bars + 1.6) * em)
    bottom = top - n_rows * row_height
    greatest = max(
        (_end(bar) for _, rows in panels for row in rows for bar in row.bars),
        default=1.0,
    )
    bar_em = min(1.9, (row_height / em - _HEAD_EM - _LEAST_GAP_EM) / n_bars)
    number_of = _number_style(greatest, with_interval=width > _WIDE_EM * em)
    for number, (name, rows) in enumerate(panels):
        left = sheet.left + number * (width + gap)
        if name:
            shown = shorten(name, width, theme.label_pt, bold=True)
            sheet.text(left, top + 1.0 * em, shown, size_pt=theme.label_pt, bold=True)
        axes = sheet.axes(left, bottom, width, top - bottom)
        longest = max((text_width_pt(number_of(bar), em) for row in rows for bar in row.bars), default=em)
        axes.set_xlim(0.0, greatest * width / max(width - longest - 0.8 * em, 0.3 * width))
        axes.set_ylim((top - bottom) / em, 0.0)
        axes.set_yticks([])
        axes.grid(axis="x")
        axes.axvline(0.0, color=theme.palette.muted, linewidth=theme.hair_pt)
        set_x_ticks(axes, em)
        x_caption(axes, unit, theme)
        for place, row in enumerate(rows):
            _row(sheet, axes, row, (place * row_height / em, bar_em), (left, top, width), number_of)


def _row(
    sheet: Sheet,
    axes: Axes,
    row: BarRow,
    place_em: tuple[float, float],
    box: tuple[float, float, float],
    number_of: Callable[[Bar], str],
) -> None:
    """Name and bars of a card; the axes count down in em.

    ``place_em`` is where the row starts and how high a bar is.
    """
    theme, em = sheet.theme, sheet.em
    left, top, width = box
    start_em, step_em = place_em
    label = shorten(row.label, width * (0.45 if len(row.remark) > 20 else 0.66), em, bold=True)
    y = top - (start_em + 0.85) * em
    sheet.text(left, y, label, bold=True)
    start = left + text_width_pt(label, em, bold=True) + 0.9 * em
    sheet.text(start, y, shorten(row.remark, left + width - start, em), color=theme.palette.muted)
    for place, bar in enumerate(row.bars):
        style = theme.style(bar.metric)
        middle = start_em + _HEAD_EM + (place + 0.5) * step_em
        axes.barh(
            middle,
            bar.value,
            height=0.84 * step_em,
            facecolor=style.color,
            edgecolor=theme.palette.ground if style.hatch else style.color,
            hatch=style.hatch or None,
            linewidth=0.0,
            gid=f"bar-{bar.metric}-{row.label}",
        )
        if bar.interval is not None:
            # Twice: a wide line of the ground below the line itself, so that it is seen on its bar as well.
            for color, scale, gid in (
                (theme.palette.ground, 3.0, "halo"),
                (theme.palette.ink, 1.1, f"interval-{bar.metric}-{row.label}"),
            ):
                axes.plot(
                    [bar.interval.low, bar.interval.high],
                    [middle, middle],
                    color=color,
                    linewidth=scale * theme.line_pt,
                    marker="|",
                    markersize=0.55 * em,
                    markeredgewidth=scale * theme.line_pt,
                    gid=gid,
                )
        axes.annotate(
            number_of(bar),
            (_end(bar), middle),
            xytext=(0.5 * em, 0.0),
            textcoords="offset points",
            va="center",
            ha="left",
            fontsize=em,
            annotation_clip=False,
        )


def _end(bar: Bar) -> float:
    return bar.value if bar.interval is None else max(bar.value, bar.interval.high)


def _number_style(greatest: float, *, with_interval: bool) -> Callable[[Bar], str]:
    """How the values of one figure are written: with their intervals where there is room, else with equal decimals."""
    decimals = max(0, min(2, 3 - math.floor(math.log10(greatest))))

    def number(bar: Bar) -> str:
        if bar.interval is None or not with_interval:
            return format_like(bar.value, decimals=decimals)
        fine = decimals_for_interval(bar.interval.low, bar.interval.high)
        value, low, high = (
            format_like(number, decimals=fine) for number in (bar.value, bar.interval.low, bar.interval.high)
        )
        return f"{value} ({low} to {high})"

    return number
