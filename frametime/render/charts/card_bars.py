"""Cards as bars, best first: means over the cells of a cut, values in a scene, two cards in all scenes, costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from frametime.render.charts.bars import SHADES, Bar, BarPanel, BarRow, Bars, bar_layout, greatest_end
from frametime.render.charts.chart_sheet import Chart, KeyEntry
from frametime.render.charts.review_view import Cell, PagedChart, ReviewView, even_parts
from frametime.render.numbers import NOT_AVAILABLE, format_quantity
from frametime.review.result import ReviewResult
from frametime.review.result_tables import Estimate, Standing
from frametime.statistics.differences import Interval
from frametime.units import shown_unit
from frametime.words import counted, joined, percent_change

MOST_ROWS: Final = 20
"""Cards of one figure."""

MOST_PANELS: Final = 3
"""Resolutions side by side on one figure."""

_MOST_METRICS: Final = 3
_MOST_SCENES: Final = 11

ScenePage = tuple[tuple[str, ...], slice]


def metrics_that_fit(result: ReviewResult, n_rows: int) -> tuple[str, ...]:
    """Metrics in the unit of the headline that can be shown together for so many cards, the headline first."""
    first = result.metric(result.headline)
    alike = [item.key for item in result.metrics if (item.unit, item.better) == (first.unit, first.better)]
    alike = sorted(alike, key=lambda key: key != first.key)[:_MOST_METRICS]
    return tuple(alike[: bar_layout(n_rows, len(alike))[0]])


def _key(view: ReviewView, metrics: Sequence[str]) -> list[KeyEntry]:
    """A shade for each of several metrics, and the ground of the subject."""
    palette = view.theme.palette
    shades = zip(metrics, SHADES, strict=False) if len(metrics) > 1 else ()
    entries = [KeyEntry(view.metric(key).label, palette.undecided, "patch", alpha=shade) for key, shade in shades]
    return entries + ([KeyEntry("what this review is about", palette.band, "patch")] if view.result.subject else [])


def _row(view: ReviewView, card: str, bars: Sequence[Bar], remark: str, short: str) -> BarRow:
    return BarRow(view.label(card), remark, short, bars, is_subject=card in view.result.subject)


def _bars_of(card: int, estimates: Sequence[Standing | Estimate | None]) -> list[Bar]:
    """A bar for each metric that is known."""
    found = []
    for metric, item in enumerate(estimates):
        if isinstance(item, Standing):
            value, interval = item.mean_value, item.mean_interval
        else:
            value, interval = (None, None) if item is None else (item.value, item.interval)
        if value is not None:
            found.append(Bar(value, interval, card, metric))
    return found


def _unit_values(view: ReviewView, metrics: Sequence[str]) -> dict[str, str]:
    """Unit of the bars, which way is better, and what the metrics are."""
    first = view.metric(metrics[0])
    unit = shown_unit(first.unit)
    better = f"{f'{first.label}, ' if len(metrics) == 1 else ''}{unit}: {first.better} is better."
    return {"unit": unit, "better": better, "definitions": view.definitions(metrics)}


def _standings_pages(view: ReviewView, *, cut: str = "all") -> list[slice]:
    """Cards of each figure by their rank; none of a cut without a cell in common."""
    known = any(item.cut == cut and item.mean_value is not None for item in view.result.standings)
    return even_parts(len(view.result.cards), MOST_ROWS) if known else []


def _standings(view: ReviewView, shown: slice, *, cut: str = "all") -> Chart:
    result = view.result
    metrics = metrics_that_fit(result, len(result.cards))
    standings = {(item.metric, item.card): item for item in result.standings if item.cut == cut}
    ranked = [item.card for item in best_first(result, cut)]
    cards = [*ranked, *(card.key for card in result.cards if card.key not in ranked)]
    rows = [_standing_row(view, [standings.get((metric, card)) for metric in metrics], card) for card in cards]
    entry, cells, units = result.cut(cut), result.cells_of(cut), _unit_values(view, metrics)
    values = {
        **units,
        "review": result.title,
        "cut": entry.label,
        "cells": view.cells_words(cut),
        "within": "" if entry == result.cuts[0] else f" ({entry.definition})",
        "runs": view.runs_words(cells.cells),
        "if_apart": "" if cells.apart else None,
    }
    body = Bars(panels=[BarPanel("", units["unit"], rows, greatest_end(rows))], shown=shown)
    return Chart(kind="standings", values=values, key=_key(view, metrics), body=body)


def best_first(result: ReviewResult, cut: str = "all") -> list[Standing]:
    """Standings of a cut by the headline metric, best first; cards that stand apart below, those without runs last."""
    sign = 1.0 if result.metric(result.headline).better == "lower" else -1.0
    return sorted(
        (item for item in result.standings if (item.cut, item.metric) == (cut, result.headline)),
        key=lambda item: (item.mean_value is None, item.stands_apart, sign * (item.mean_value or 0.0)),
    )


def _standing_row(view: ReviewView, standings: Sequence[Standing | None], card: str) -> BarRow:
    bars, standing = _bars_of(view.number(card), standings), standings[0]
    is_baseline, end = card == view.result.baseline, " · baseline" if card == view.result.baseline else ""
    if standing is None or not bars:
        return _row(view, card, bars, f"no usable run{end}", f"no usable run{end}")
    short = f"apart · {counted(standing.n_cells, 'cell')}" if standing.stands_apart else f"place {standing.place}"
    there = ""
    if standing.stands_apart and standing.baseline_mean_value is not None and not is_baseline:
        mean = format_quantity(standing.baseline_mean_value, view.metric(standing.metric).unit)
        there = f" · {view.label(view.result.baseline)} there {mean}"
    shared = ""
    # On a narrow page the baseline's remark would be cut in the middle; its place says that it is shared.
    if standing.not_told_apart_from and not (view.theme.is_narrow and is_baseline):
        others = [view.label(key) for key in standing.not_told_apart_from]
        named = joined(others) if len(others) == 1 or not view.theme.is_narrow else f"{len(others)} others"
        shared = f" · {'tied with' if standing.tied_with else 'not told apart from'} {named}"
    return _row(view, card, bars, f"{short}{there}{end}{shared}", f"{short}{end}")


draw_standings: Final = PagedChart(_standings_pages, _standings)
"""Mean of every card over the cells of a ``cut``, best first, with ties as ties."""


def _resolution_pages(view: ReviewView, rows: Sequence[slice]) -> list[ScenePage]:
    """Resolutions and rows of each figure."""
    every, step = view.result.resolutions, 2 if view.theme.is_narrow else MOST_PANELS
    return [(every[start : start + step], part) for start in range(0, len(every), step) for part in rows]


def _scene_pages(view: ReviewView, **_: str) -> list[ScenePage]:
    return _resolution_pages(view, even_parts(len(view.result.cards), MOST_ROWS))


def _scene_bars(view: ReviewView, page: ScenePage, *, scene: str) -> Chart:
    result = view.result
    planned = tuple(item for item in page[0] if (scene, item) in result.cuts[0].cells) or page[0]
    metrics = metrics_that_fit(result, len(result.cards))
    panels = {resolution: _cell_rows(view, metrics, (scene, resolution)) for resolution in planned}
    values = {
        "scene": result.scene(scene).label,
        "runs": view.runs_words([(scene, resolution) for resolution in planned]),
        "margin": result.margin * 100.0,
    }
    return _scenes_chart("scene-bars", view, panels, page[1], metrics, values, _key(view, metrics))


def _scenes_chart(
    kind: str,
    view: ReviewView,
    panels: Mapping[str, Sequence[BarRow]],
    shown: slice,
    metrics: Sequence[str],
    values: Mapping[str, object],
    key: Sequence[KeyEntry],
) -> Chart:
    """A panel for each resolution, on one scale, of runs in single cells."""
    greatest, units = max(map(greatest_end, panels.values())), _unit_values(view, metrics)
    has_interval = any(bar.interval for rows in panels.values() for row in rows for bar in row.bars)
    whisker = "Whisker: 95 % interval of the mean, from the scatter of the runs."
    values = {**values, **units, "whisker": whisker if has_interval else "Too few runs for an interval."}
    body = Bars(panels=[BarPanel(name, units["unit"], rows, greatest) for name, rows in panels.items()], shown=shown)
    return Chart(kind=kind, values=values, key=key, body=body)


def _cell_rows(view: ReviewView, metrics: Sequence[str], cell: Cell) -> list[BarRow]:
    """Every card in a cell, best first, with its verdict."""
    result = view.result
    summaries = {item.card: item.estimates for item in result.cells if (item.scene, item.resolution) == cell}
    sign = 1.0 if view.metric(metrics[0]).better == "lower" else -1.0
    rows: list[tuple[float, BarRow]] = []
    for number, card in enumerate(result.cards):
        bars = _bars_of(number, [summaries.get(card.key, {}).get(metric) for metric in metrics])
        item = view.compared(card.key, metrics[0]).get(cell)
        remark: str = "no usable run" if not bars else "not compared" if item is None else item.verdict
        if card.key == result.baseline:
            remark = "baseline" if bars else "baseline · no usable run"
        rank = sign * bars[0].value if bars and bars[0].metric == 0 else float("inf")
        rows.append((rank, _row(view, card.key, bars, remark, remark)))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


draw_scene_bars: Final = PagedChart(_scene_pages, _scene_bars)
"""Every card in one ``scene``, a panel for each resolution, best first, with the verdict against the baseline."""


def _pair_pages(view: ReviewView, **_: str) -> list[ScenePage]:
    return _resolution_pages(view, even_parts(len(view.result.scenes), _MOST_SCENES))


def _pair(view: ReviewView, page: ScenePage, *, candidate: str) -> Chart:
    result, cards = view.result, (candidate, view.result.baseline)
    metric = result.headline
    estimates = {(item.card, item.scene, item.resolution): item.estimates[metric] for item in result.cells}
    compared = view.compared(candidate, metric)
    colors = [view.style(card).color for card in cards]
    shade = 0 if colors[0] != colors[1] else 1  # of very many cards two may have one color
    panels: dict[str, list[BarRow]] = {resolution: [] for resolution in page[0]}
    for resolution, rows in panels.items():
        for scene in result.scenes:
            cell = scene.key, resolution
            item = compared.get(cell)
            ratio = None if item is None else item.ratio
            short = NOT_AVAILABLE if ratio is None else percent_change(ratio)
            remark = "not compared" if item is None or ratio is None else f"{short} · {item.verdict}"
            remark = short if view.theme.is_narrow else remark
            first, second = (_bars_of(view.number(card), [estimates.get((card, *cell))]) for card in cards)
            rows.append(BarRow(scene.label, remark, short, [*first, *(bar._replace(metric=shade) for bar in second)]))
    values = {
        "pair": view.pair(candidate, metric, ", scene by scene"),
        "baseline": view.short(result.baseline),
        "runs": view.runs_words(),
    }
    looks = zip(cards, colors, (SHADES[0], SHADES[shade]), strict=True)
    key = [KeyEntry(view.label(card), color, "patch", alpha=alpha) for card, color, alpha in looks]
    return _scenes_chart("pair", view, panels, page[1], [metric], values, key)


draw_pair: Final = PagedChart(_pair_pages, _pair)
"""A ``candidate`` and the baseline in all scenes, two bars a scene, a panel for each resolution."""


def _cost_panels(view: ReviewView, *, cut: str = "all") -> list[list[BarPanel]]:
    """Panels of each figure; none where nothing is known, or where more cards are known than a panel holds."""
    result = view.result
    values = [row for row in result.value if row.cut == cut and not row.stands_apart]
    powers = [row for row in result.efficiency if row.cut == cut and not row.stands_apart]
    currency = next((row.currency for row in values if row.currency), "price")
    per_frame = f"{currency} per {shown_unit(view.metric(None).unit)}"
    watts = {row.card: row.average_power_interval for row in powers}
    asked: tuple[tuple[str, str, float, Mapping[str, float | None], Mapping[str, Interval | None]], ...] = (
        ("Price per frame", per_frame, 1.0, {row.card: row.money_per_fps for row in values}, {}),
        ("Average power", "W", 1.0, {row.card: row.average_power_w for row in powers}, watts),
        ("Frames per joule", "frames/J", -1.0, {row.card: row.frames_per_joule for row in powers}, {}),
        ("Peak temperature", "°C", 1.0, _peak_temperatures_c(result, cut), {}),
    )
    panels = []
    for name, unit, sign, known, intervals in asked if len(result.cards) <= MOST_ROWS else ():
        bars = {
            card: Bar(value, intervals.get(card), view.number(card))
            for card, value in sorted(known.items(), key=lambda item: sign * (item[1] or 0.0))
            if value is not None
        }
        remarks = {card: "baseline" if card == result.baseline else "" for card in bars}
        rows = [_row(view, card, [bar], remarks[card], remarks[card]) for card, bar in bars.items()]
        if rows:
            # Sensors count whole degrees, and a peak is one sample.
            panels.append(BarPanel(name, unit, rows, greatest_end(rows), decimals=0 if unit == "°C" else None))
    most = 1 if view.theme.is_narrow else 2 if bar_layout(len(result.cards), 1)[1] else 4
    return [panels[part] for part in even_parts(len(panels), most)]


def _peak_temperatures_c(result: ReviewResult, cut: str) -> dict[str, float | None]:
    """The greatest temperature of each card in any of its runs in the cells of a cut that have power."""
    found: dict[str, float | None] = {}
    cells = [item for item in result.table_cells if (item.cut, item.kind) == (cut, "power")]
    for run in result.runs if cells else ():
        peak_c = run.values.get("peak_temperature_c")
        counts = run.excluded_reason is None and (run.scene, run.resolution) in cells[0].of(run.card)
        if peak_c is not None and counts and run.card in cells[0].cards:
            found[run.card] = max(peak_c, found.get(run.card) or peak_c)
    return found


def _costs(view: ReviewView, panels: list[BarPanel], *, cut: str = "all") -> Chart:
    result, headline = view.result, view.result.headline
    powered = any(row.cut == cut for row in result.efficiency)
    values = {
        "cut": result.cut(cut).label,
        "metric": view.metric(headline).label,
        "cells": view.cells_words(cut),
        "power": f", power over {len(result.cells_of(cut, 'power').cells)}" if powered else "",
        "runs": view.runs_words(),
        "if_hot": "" if any(panel.unit == "°C" for panel in panels) else None,
        "apart": view.apart_words(cut),
        "definitions": view.definitions([headline]),
    }
    return Chart(kind="costs", values=values, key=_key(view, [headline]), body=Bars(panels=panels))


draw_costs: Final = PagedChart(_cost_panels, _costs)
"""What a frame costs in money and in power over a ``cut``, and the heat: a panel a quantity, every card a bar."""
