"""Cards as points: ratios to the baseline in each cell, every run around its mean, speed against price and power."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

from frametime.render.charts.chart_sheet import Chart, ListEntry
from frametime.render.charts.plots import Curve, Dots, Drawn, Plot, Plots, Row, Rule, Span, Whisker
from frametime.render.charts.review_view import OUTSIDE, Cell, PagedChart, ReviewView, even_parts, verdict_mark
from frametime.render.charts.text_fit import limits_around
from frametime.render.charts.theme import Palette
from frametime.render.numbers import format_number, format_quantity
from frametime.render.review_words import change_words, powered_runs
from frametime.review.design import priced_alike
from frametime.review.result import ReviewResult, RunEntry
from frametime.review.result_tables import CellComparison, EfficiencyRow, OverallComparison, ValueRow, Verdict
from frametime.statistics.interval import Interval
from frametime.units import shown_unit
from frametime.words import counted, money, money_words, percent_change

MOST_CELLS: Final = 16
"""Rows of ratios in one figure."""

_FOOT_ROWS: Final = 3.9


def _ratio_pages(view: ReviewView, *, candidate: str, cut: str = "all", metric: str | None = None) -> list[list[Cell]]:
    """Cells of each figure; none of a cut in which the card is not compared, but of all cells."""
    overall = view.overall(candidate, view.metric(metric).key, cut)
    is_compared = cut == view.result.cuts[0].key or (overall is not None and overall.ratio is not None)
    cells = list(view.result.cut(cut).cells) if is_compared else []
    return [cells[part] for part in even_parts(len(cells), MOST_CELLS)]


def ratio_limits(
    comparisons: Sequence[CellComparison], overall: Sequence[OverallComparison | None], margin: float
) -> tuple[float, float]:
    """Limits of the ratio axis, evenly around the marks on its logarithmic scale; the margin is inside."""
    ratios, intervals = [item.ratio for item in comparisons], [item.interval_95 for item in comparisons]
    for item in overall:
        ratios += [] if item is None else [item.ratio]
        intervals += [] if item is None else [item.interval_these_scenes, item.interval_scenes_like_these]
    least, marks = 2.2 * math.log1p(margin), [0.0, *(math.log(ratio) for ratio in ratios if ratio is not None)]
    known = [interval for interval in intervals if interval is not None and interval.low > 0.0]
    ends = [-least, least, *(math.log(end) for interval in known for end in (interval.low, interval.high))]
    low, high = limits_around(marks, ends, least=least, times=1.5, pad=0.04)
    return math.exp(low), math.exp(high)


def _ratios(
    view: ReviewView, shown: list[Cell], *, candidate: str, cut: str = "all", metric: str | None = None
) -> Chart:
    result, theme, entry, n_rows = view.result, view.theme, view.metric(metric), len(shown)
    compared = {cell: item for cell, item in view.compared(candidate, entry.key).items() if item.ratio is not None}
    overall, cells = view.overall(candidate, entry.key, cut), result.cells_of(cut)
    outside = view.outside(candidate, cut) & compared.keys() & set(shown)
    limits = ratio_limits(list(compared.values()), [overall], result.margin)
    known = [item.interval_95 for item in compared.values() if item.interval_95]
    both = f"the {counted(len(cells.of(candidate)), 'cell')} that both have (this card stands apart)"
    values = {
        "pair": view.pair("ratios", candidate, entry.key, cut),
        "cells": both if candidate in cells.apart else view.cells_words(cut),
        "definition": entry.definition.rstrip("."),
        "if_turned": entry.better == "lower",
        "if_known": bool(known),
        "if_few": len(known) < len(compared),
        "if_leaves": any(interval.low < limits[0] or interval.high > limits[1] for interval in known),
        "if_outside": bool(outside),
    }
    rows, margin, palette = [], 1.0 + result.margin, theme.palette
    marks: list[Drawn] = [
        Span(1.0 / margin, margin, palette.band, "band"),
        Rule(1.0, palette.muted, "equal", width=0.7),
        Rule(n_rows + 0.45, palette.rule, "foot", is_level=True, width=0.5),
    ]

    def add(y: float, gid: str, ratio: float, interval: Interval | None, verdict: Verdict, times: float = 1.0) -> str:
        """A row's mark with its interval; gives its number, with the interval where there is room."""
        look = verdict_mark(verdict, palette)
        if interval is not None:
            ends = interval.low, interval.high
            marks.append(Whisker(ends, y, look.color, f"{gid}-interval", caps_em=0.0, width=times))
        marks.append(Dots(ratio, y, look.marker, look.face, look.color, gid, 0.68 * times, 1.0))
        return percent_change(ratio) if theme.is_narrow else change_words(ratio, interval)

    for place, cell in enumerate(shown):
        y, item, number = place + 0.5, compared.get(cell), "no runs"
        if item is not None and item.ratio is not None:
            number = add(y, f"cell-{cell[0]}-{cell[1]}", item.ratio, item.interval_95, item.verdict)
        rows.append(Row(y, view.cell_label(cell), number + (OUTSIDE if cell in outside else "")))
    for y, gid, scenes in ((n_rows + 1.4, "these", "these scenes"), (n_rows + 2.9, "like", "scenes like these")):
        number = ""
        if overall is not None and overall.ratio is not None:
            interval, verdict = overall.interval_these_scenes, overall.verdict
            if gid == "like":
                interval, verdict = overall.interval_scenes_like_these, overall.verdict_scenes_like_these
            number = add(y, f"overall-{gid}", overall.ratio, interval, verdict, 1.35)
            number += f", {verdict}" if interval and not theme.is_narrow else ""
        rows.append(Row(y, scenes if theme.is_narrow else f"overall, {scenes}", number, bold=True))
    plot = Plot(
        marks=marks,
        x_limits=limits if entry.better == "higher" else (limits[1], limits[0]),
        y_limits=(n_rows + _FOOT_ROWS, 0.0),
        x_label="difference to the baseline",
        name=result.cut(cut).label,
        remark="no cell with runs on both sides" if overall is None else overall.counts.in_words,
        x_ticks="ratio",
        y_ticks="none",
        grid="x",
    )
    return Chart(kind="ratios", values=values, body=Plots(columns=[[plot]], rows=rows))


draw_ratios: Final = PagedChart(_ratio_pages, _ratios)
"""Ratio of a ``candidate`` to the baseline in each cell of a ``cut``, by a ``metric`` (the headline by default), and
over all of them at the foot. A page holds sixteen cells."""


MOST_CARDS: Final = 4
"""Panels of runs in one figure."""

_MOST_NARROW_CARDS: Final = 2
_MOST_SETS: Final = 18
_BAND_FACTOR: Final = 2.0
RunPage = tuple[Sequence[str], Sequence[Cell]]


def _run_pages(view: ReviewView, **_: str) -> list[RunPage]:
    """Cards and cells of each figure; none where every run is its own mean, for all marks would lie at 0 %."""
    result, cells = view.result, view.result.cuts[0].cells
    if all(len(cell.run_names) < 2 for cell in result.cells):
        return []
    # The report shows the first figure alone: cards with a run to look at stand in it.
    flagged = {run.card for run in result.runs if run.flag}
    cards = sorted((card.key for card in result.cards), key=lambda card: card not in flagged)
    groups = even_parts(len(cards), _MOST_NARROW_CARDS if view.theme.is_narrow else MOST_CARDS)
    return [(cards[group], cells[part]) for group in groups for part in even_parts(len(cells), _MOST_SETS)]


def _repeatability(view: ReviewView, page: RunPage, *, metric: str | None = None) -> Chart:
    (cards, cells), result, palette = page, view.result, view.theme.palette
    entry, distances = view.metric(metric), distances_pct(result, view.metric(metric).key)
    bands = {
        item.card: _BAND_FACTOR * item.s_r_pct
        for item in result.repeatability
        if item.metric == entry.key and item.s_r_pct is not None
    }
    shown = [pair for card in cards for cell in cells for pair in distances.get((card, *cell), ())]
    end = 1.15 * max([0.5, *(abs(distance) for _, distance in shown), *(1.3 * bands.get(card, 0.0) for card in cards)])
    columns = []
    for card in cards:
        band = bands.get(card)
        usual = "" if band is None else f"usual spread {format_number(band / _BAND_FACTOR, digits=2)} %"
        marks: list[Drawn] = [Span(-band, band, palette.band, "band")] if band is not None else []
        marks += [Rule(y, palette.rule, "row", is_level=True, width=0.5) for y in range(1, len(cells))]
        marks += [Rule(0.0, palette.muted, "mean", width=0.7)]
        runs = [(run, pct, y + 0.5) for y, cell in enumerate(cells) for run, pct in distances.get((card, *cell), ())]
        marks += [_run_mark(run, pct, y, palette, view.style(card).color) for run, pct, y in reversed(runs)]
        plot = Plot(
            marks=marks,
            x_limits=(-end, end),
            y_limits=(float(len(cells)), 0.0),
            x_label="distance to the mean of the set, %" if card == cards[-1] else "",
            name=view.result.label(card),
            remark=usual or "too few runs for a spread",
            x_ticks="change",
            y_ticks="none",
            grid="none",
        )
        columns.append([plot])
    n_excluded = sum(run.excluded_reason is not None for run in result.runs)
    n_flagged = sum(run.flag is not None and run.excluded_reason is None for run in result.runs)
    values = {
        "factor": _BAND_FACTOR,
        "n_flagged": n_flagged or None,
        "n_runs": len(result.runs),
        "n_excluded": n_excluded or None,
        "if_excluded": n_excluded > 0,
        "if_flagged": n_flagged > 0,
        "if_named": n_flagged + n_excluded > 0,
    }
    rows = [Row(y + 0.5, view.cell_label(cell)) for y, cell in enumerate(cells)]
    return Chart(kind="repeatability", values=values, body=Plots(columns=columns, rows=rows))


def distances_pct(result: ReviewResult, metric: str) -> dict[tuple[str, str, str], list[tuple[RunEntry, float]]]:
    """For each card in a cell its runs and their distances to the mean of the set in percent, those of note first."""
    means = {item.place: item.estimates[metric].value for item in result.cells}
    kept = {name for item in result.cells for name in item.run_names}
    found: dict[tuple[str, str, str], list[tuple[RunEntry, float]]] = {}
    for run in sorted(result.runs, key=lambda run: (run.flag is None, run.excluded_reason is None)):
        value, mean = run.values.get(metric), means.get(run.place)
        counts = run.name in kept or run.excluded_reason is not None
        if counts and value is not None and mean is not None and mean > 0.0:
            found.setdefault(run.place, []).append((run, 100.0 * (value / mean - 1.0)))
    return found


def _run_mark(run: RunEntry, distance_pct: float, y: float, palette: Palette, color: str) -> Dots:
    marker, size, edge = "|", 0.9, color
    if run.excluded_reason is not None:
        marker, size, edge = "x", 0.55, palette.muted
    elif run.flag is not None:
        marker, size, edge = "D", 0.55, palette.ink
    words = "" if marker == "|" else f"run {run.run}" if run.run.isdigit() else run.run
    return Dots(distance_pct, y, marker, palette.behind, edge, f"run-{run.name}", size, 1.0, words=words)


draw_repeatability: Final = PagedChart(_run_pages, _repeatability)
"""Every run of every cell around the mean of its set, by a metric (the headline by default): a panel a card."""


_CLOSE: Final = 0.04
"""Marks so near, as a share of both axes, that one hides the other."""


_MOST_BREAK_EVEN: Final = 6
"""Of more cards the subject alone has its break-even price drawn: the others would hide each other."""


class CardPoint(NamedTuple):
    """A card on a plane, with its intervals and the lines of the list; ``other_x`` is a second place at its height."""

    card: str
    x: float
    y: float
    lines: Sequence[str]
    x_interval: Interval | None = None
    y_interval: Interval | None = None
    other_x: float | None = None
    other_interval: Interval | None = None


def _plane(kind: str, view: ReviewView, points: Sequence[CardPoint], values: dict[str, object], **plot: Any) -> Chart:
    """Cards on a plane from 0 with lines of equal slope, and a list beside it."""
    theme, ink = view.theme, view.theme.palette.ink
    right = 1.12 * max(max(p.x, p.other_x or 0.0, p.x_interval.high if p.x_interval else 0.0) for p in points)
    top = 1.15 * max(max(p.y, p.y_interval.high if p.y_interval else 0.0) for p in points)
    marks, entries = list[Drawn](), []
    for card, x, y, lines, x_interval, y_interval, other_x, other_interval in sorted(points, key=lambda p: -p.y):
        style, gid = view.style(card), f"card-{view.number(card)}"
        for interval, at, color, name in (
            (other_interval, y, style.color, f"other-interval-{gid}"),
            (x_interval, y, ink, f"interval-{gid}"),
            (y_interval, x, ink, f"interval-{gid}"),
        ):
            if interval is not None:
                marks.append(Whisker((interval.low, interval.high), at, color, name, upright=interval is y_interval))
        if other_x is not None:
            marks.append(Curve([x, other_x], [y, y], style.color, f"to-{gid}", width=0.8, line=(0, (1.2, 1.6))))
            # A smaller hollow mark; where that of a card would hide it, a ring around it.
            is_close = min(math.hypot((other_x - p.x) / right, (y - p.y) / top) for p in points) < _CLOSE
            face = "none" if is_close or theme.transparent else theme.palette.ground
            size, zorder = (1.6, 6.0) if is_close else (0.8, 4.0)
            marks.append(Dots(other_x, y, style.marker, face, style.color, f"other-{gid}", size, 1.2, zorder))
        marks.append(Dots(x, y, style.marker, style.color, ink, gid, zorder=5.0))
        entries.append(ListEntry(view.result.label(card), lines, style.marker, style.color))
    plane = Plot(marks=marks, x_limits=(0.0, right), y_limits=(0.0, top), grid="none", **plot)
    return Chart(kind=kind, values=values, body=Plots(columns=[[plane]], entries=entries))


def _rows_with(table: str, *needed: str) -> Callable[..., list[list[Any]]]:
    """Pages of a chart: all cards of a table that have these numbers, in one figure; none of a card alone."""

    def pages(view: ReviewView, *, cut: str = "all") -> list[list[Any]]:
        placed = (row for row in getattr(view.result, table) if row.cut == cut and not row.stands_apart)
        rows = [row for row in placed if all(getattr(row, name) for name in needed)]
        return [rows] if rows and view.has_rivals else []

    return pages


def _value(view: ReviewView, rows: list[ValueRow], *, cut: str = "all") -> Chart:
    result, metric = view.result, view.metric(rows[0].metric)
    currency, unit = rows[0].currency or "price", shown_unit(metric.unit)
    standings = {item.card: item for item in result.standings if (item.cut, item.metric) == (cut, metric.key)}
    points = []
    for row in rows:
        assert row.price is not None and row.mean_value is not None
        lines = [f"{format_quantity(row.mean_value, '1')} {unit} for {money(row.price)} {currency}"]
        if row.fps_per_money is not None:
            lines.append(f"{format_number(row.fps_per_money, digits=3)} {unit} per {currency}")
        other = None if row.card == result.baseline else row.break_even_price
        if row.card == result.baseline:
            lines.append("baseline")
        elif other is not None:
            lines.append(f"break-even {money_words(other, row.break_even_interval)} {currency}")
        interval = standings[row.card].mean_interval if row.card in standings else None
        is_drawn = other is not None and (len(rows) <= _MOST_BREAK_EVEN or row.card in result.subject)
        even = (other, row.break_even_interval) if is_drawn else ()
        points.append(CardPoint(row.card, row.price, row.mean_value, lines, None, interval, *even))
    values: dict[str, object] = {
        "unit": unit,
        "currency": currency,
        "without": ", ".join(card.label for card in priced_alike(result.cards) if card.price is None) or None,
        "definition": metric.definition,
        "if_even": any(point.other_x is not None for point in points),
    }
    labels = {"x_label": f"price, {currency}", "y_label": f"{metric.label}, {unit}", "slope_unit": f"{unit}/{currency}"}
    return _plane("value", view, points, values, **labels)


draw_value: Final = PagedChart(_rows_with("value", "price", "mean_value"), _value)
"""Every card that has a price, over one ``cut``: speed against price, and the break-even prices."""


def _efficiency(view: ReviewView, rows: list[EfficiencyRow], *, cut: str = "all") -> Chart:
    result, points = view.result, []
    for row in rows:
        assert row.average_power_w is not None and row.mean_rate_fps is not None
        lines = [f"{format_number(row.mean_rate_fps)} fps at {format_number(row.average_power_w)} W"]
        if row.frames_per_joule is not None:
            lines.append(f"{format_number(row.frames_per_joule, digits=3)} frames/J")
        if row.card == result.baseline:
            lines.append("baseline")
        elif row.efficiency_ratio is not None:
            lines.append(f"{change_words(row.efficiency_ratio, row.efficiency_interval)} frames/J")
        points.append(CardPoint(row.card, row.average_power_w, row.mean_rate_fps, lines, row.average_power_interval))
    cells = result.cells_of(cut, "power")
    values: dict[str, object] = {
        "runs": powered_runs(result, cut),
        "cells": view.cells_words(cut, "power"),
        "without": ", ".join(card.label for card in result.cards if card.key not in cells.cards + cells.apart) or None,
        "apart": view.apart_words(cut, "power"),
    }
    labels = {"x_label": "average power, W", "y_label": "average rate, fps", "slope_unit": "frames/J"}
    return _plane("efficiency", view, points, values, **labels)


draw_efficiency: Final = PagedChart(_rows_with("efficiency", "average_power_w", "mean_rate_fps"), _efficiency)
"""Every card with a sensor log, over one ``cut``: average rate against average power."""
