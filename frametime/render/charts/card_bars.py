"""Cards as bars, best first: means over the cells of a cut, values in a scene, two cards in all scenes, costs.

Bars stand in rows, panels side by side on scales from 0: shades of a card's color, values and intervals at their ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final, NamedTuple

from matplotlib.axes import Axes
from matplotlib.colors import to_rgba

from frametime.render.charts.chart_sheet import Chart, KeyEntry, Sheet
from frametime.render.charts.plots import LEAST_WHISKER_EM, Whisker, draw_scale
from frametime.render.charts.review_view import Cell, PagedChart, ReviewView, even_parts
from frametime.render.charts.text_fit import beside, shorten, text_width_pt, x_caption, x_scale
from frametime.render.charts.theme import Theme
from frametime.render.numbers import NOT_AVAILABLE, estimate_decimals, format_like, format_quantity
from frametime.render.tables.review_comparisons import best_first, peak_temperatures_c
from frametime.review.design import CardEntry, SceneEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import Estimate, Standing
from frametime.statistics.interval import Interval
from frametime.units import shown_unit
from frametime.words import counted, joined, percent_change

MOST_ROWS: Final = 20
"""Cards of one figure."""

MOST_PANELS: Final = 3
"""Resolutions side by side on one figure."""

SHADES: Final = (1.0, 0.5, 0.25)
"""How opaque the bars of the first, second and third metric are: all in the color of their card."""

_MOST_METRICS: Final = 3
_MOST_SCENES: Final = 11
_BAR_EM: Final = 1.2
_HEAD_EM: Final = 1.4
_LEAST_GAP_EM: Final = 0.45
_USUAL_BAR_EM: Final = 1.9
_MOST_BAR_EM: Final = 4.2
_MOST_GAP_EM: Final = 3.2
_GAP_SHARE: Final = 0.16
_MOST_TEXT_TIMES: Final = 1.3
_WIDE_EM: Final = 34.0
_NARROW_EM: Final = 14.0
_PANEL_EM: Final = 24.8
_LONG_NAME_EM: Final = 12.0
_MOST_STACKED_ROWS: Final = 12
_STACKED_PANEL_EM: Final = 12.0
_STACKED_ROW_EM: Final = 3.2
"""On a narrow page: rows of all panels, and the height of a panel without rows, and of a row."""
_PER_JOULE: Final = "frames/J"

ScenePage = tuple[tuple[str, ...], slice]
"""Resolutions and rows of a figure."""


class Bar(NamedTuple):
    """One bar: a value with its interval, the number of its card among the cards, of its metric among those shown."""

    value: float
    interval: Interval | None
    card: int
    metric: int = 0

    @property
    def end(self) -> float:
        """Where it ends, with its interval."""
        return self.value if self.interval is None else max(self.value, self.interval.high)


class BarRow(NamedTuple):
    """All bars of one row: its name, and what is said beside it (place, verdict).

    ``short`` is said where the name stands left of the bars; the subject of the review has a ground of its own.
    """

    label: str
    remark: str
    short: str
    bars: Sequence[Bar]
    is_subject: bool = False


class BarPanel(NamedTuple):
    """Rows on one scale, from 0 to beyond ``greatest``; three digits after the first one, or so many ``decimals``."""

    name: str
    unit: str
    rows: Sequence[BarRow]
    greatest: float
    decimals: int | None = None


def bar_layout(n_rows: int, n_bars: int) -> tuple[int, bool]:
    """How many of so many bars a row are shown in so many rows, and whether the names stand left of the bars.

    Examples
    --------
    >>> bar_layout(3, 3), bar_layout(8, 3), bar_layout(16, 3)
    ((3, False), (2, True), (1, True))
    """
    for head_em, least in ((_HEAD_EM, min(2, n_bars)), (0.0, 2)):
        for count in range(n_bars, least - 1, -1):
            if n_rows * (head_em + count * _BAR_EM + _LEAST_GAP_EM) <= _PANEL_EM:
                return count, head_em == 0.0
    return 1, True


class _RowLook(NamedTuple):
    """How a row is divided, in em, and its text as a multiple of the smallest."""

    height_em: float
    head_em: float
    bar_em: float
    text_times: float

    @classmethod
    def of(cls, room_em: float, n_bars: int, head_em: float) -> _RowLook:
        """Few rows use all the room: their bars are thicker and their text is larger, up to what still looks like bars.

        Examples
        --------
        >>> few, many = _RowLook.of(9.0, 2, 1.4), _RowLook.of(4.0, 2, 1.4)
        >>> few.height_em, many.height_em, few.bar_em > many.bar_em, many.text_times
        (9.0, 4.0, True, 1.0)
        """
        height_em = min(room_em, head_em * _MOST_TEXT_TIMES + _MOST_BAR_EM * n_bars + _MOST_GAP_EM)
        gap_em = max(_LEAST_GAP_EM if height_em > _USUAL_BAR_EM else 0.2, min(_MOST_GAP_EM, _GAP_SHARE * height_em))
        text_times = min(_MOST_TEXT_TIMES, max(1.0, (height_em - head_em - gap_em) / n_bars / _USUAL_BAR_EM))
        bar_em = min(_MOST_BAR_EM, (height_em - head_em * text_times - gap_em) / n_bars)
        return cls(height_em, head_em * text_times, bar_em, text_times)


@dataclass(frozen=True, kw_only=True)
class Bars:
    """Panels of rows; of all rows those ``shown`` are drawn, on the scale of all, so that pages can be compared.

    Panels of one unit have one scale, too: the same length of a bar is the same value in each.

    The names stand above the bars of few rows, left of those of many: once where all panels have ``same_rows``. Panels
    that need a height lie one below another on a narrow page.
    """

    panels: Sequence[BarPanel]
    same_rows: bool = False
    shown: slice = field(default_factory=lambda: slice(None))
    least_em: float = 0.0

    def draw(self, sheet: Sheet) -> None:
        """Panel by panel from the left, or from the top."""
        em, theme, gap = sheet.em, sheet.theme, 3.2 * sheet.em
        across, down = (1, len(self.panels)) if theme.is_narrow and self.least_em else (len(self.panels), 1)
        width, whole = (sheet.width - gap * (across - 1)) / across, (sheet.top - sheet.bottom) / down
        head = (2.0 if any(panel.name for panel in self.panels) else 0.3) * em
        room = whole - head - 3.4 * em
        n_rows = max(1, *(len(panel.rows[self.shown]) for panel in self.panels))
        n_bars = max(1, *(len(row.bars) for panel in self.panels for row in panel.rows))
        look = _RowLook.of(room / n_rows / em, n_bars, 0.0 if bar_layout(n_rows, n_bars)[1] else _HEAD_EM)
        names = (f"{row.label} {row.remark}" for panel in self.panels for row in panel.rows if look.head_em)
        widest_em = max((text_width_pt(name, 1.0, bold=True) for name in names), default=1.0)
        look = look._replace(text_times=min(look.text_times, max(1.0, (width / em - 1.0) / widest_em)))
        height = n_rows * look.height_em * em
        head += (room - height) / 2.0  # a row or two stand in the middle of the room
        alike = [row for panel in self.panels for row in panel.rows]
        is_once = self.same_rows and across > 1 and not look.head_em
        once = _columns(alike, width, look.text_times * em, em)[0] if is_once else 0.0
        width -= once / across
        for number, panel in enumerate(self.panels):
            row_number, at = divmod(number, across)
            left, own = sheet.left + at * (width + gap) + (once if at else 0.0), width + (0.0 if at else once)
            top = sheet.top - row_number * whole - head
            name = shorten(panel.name, own, theme.label_pt, bold=True)
            sheet.text(left, top + 1.0 * em, name, size_pt=theme.label_pt, bold=True)
            alike = [row for other in self.panels if other.unit == panel.unit for row in other.rows]
            columns = (0.0, 0.0) if look.head_em else _columns(alike, width, look.text_times * em, em)
            columns = (0.0 if at else once, columns[1]) if once else columns
            for place, row in enumerate(panel.rows[self.shown]):
                y = top - place * look.height_em * em
                if row.is_subject:
                    ground = left - 0.4 * em, y - look.height_em * em, own + 0.4 * em, look.height_em * em
                    sheet.box(*ground, facecolor=theme.palette.band, zorder=-1)
                _name(sheet, row._replace(label="") if once and at else row, (left, y, own), columns, look)
            axes = sheet.axes(left + sum(columns), top - height, own - sum(columns), height)
            axes.set_ylim(height / em, 0.0)  # the axes count down in em
            _panel(axes, panel._replace(rows=alike), panel.rows[self.shown], own - sum(columns), look, theme)


def _columns(rows: Sequence[BarRow], width: float, text_pt: float, em: float) -> tuple[float, float]:
    """Widths of the names and of the short remarks left of the bars: short names come first, of long ones remarks."""
    gap, most = 0.9 * em, 0.64 * width - 0.9 * em
    names = max((text_width_pt(row.label, text_pt, bold=row.is_subject) for row in rows), default=0.0)
    remarks = min(max((text_width_pt(row.short, text_pt) for row in rows), default=0.0), 0.36 * width)
    names = names if names <= 0.3 * width else min(names, 0.36 * width, most - remarks)
    remarks = min(remarks, most - names)
    return names + gap, remarks + gap if remarks else 0.0


def _name(
    sheet: Sheet, row: BarRow, box: tuple[float, float, float], columns: tuple[float, float], look: _RowLook
) -> None:
    """Name and remark of a row, above its bars or left of them."""
    (left, top, width), em, text_pt = box, sheet.em, look.text_times * sheet.em
    bold = row.is_subject or bool(look.head_em)
    if look.head_em:
        y, remark = top - 0.61 * look.head_em * em, row.remark
        most = max(0.45 * width, width - text_width_pt(remark, text_pt) - 0.9 * em)
    else:
        y, most, remark = top - look.height_em / 2.0 * em, max(columns[0] - 0.8 * em, 0.0), row.short
    label = shorten(row.label, most, text_pt, bold=bold)
    sheet.text(left, y, label, size_pt=text_pt, bold=bold)
    start, end = left + columns[0], left + sum(columns) - 0.8 * em
    if look.head_em:
        start, end = left + text_width_pt(label, text_pt, bold=True) + 0.9 * em, left + width
    remark = shorten(remark, max(end - start, 0.0), text_pt)
    sheet.text(start, y, remark, size_pt=text_pt, color=sheet.theme.palette.muted)


def _panel(axes: Axes, panel: BarPanel, rows: Sequence[BarRow], room: float, look: _RowLook, theme: Theme) -> None:
    """Bars with their numbers, on a scale that leaves room for those of all rows of the panel."""
    em, text_pt, greatest = theme.em_pt, look.text_times * theme.em_pt, panel.greatest or 1.0
    decimals = max(0, min(3, 3 - math.floor(math.log10(greatest)))) if panel.decimals is None else panel.decimals
    number_of = _number_style(panel.rows, greatest, room / em, decimals)
    longest = max((text_width_pt(number_of(bar), text_pt) for row in panel.rows for bar in row.bars), default=em)
    marks, _ = x_scale(axes, em, "round", 0.0, greatest * room / max(room - longest - 0.8 * em, 0.3 * room))
    draw_scale(axes, theme, "y", (), has_lines=False)
    draw_scale(axes, theme, "x", marks, has_lines=True)
    axes.axvline(0.0, color=theme.palette.muted, linewidth=theme.hair_pt)
    x_caption(axes, panel.unit, em)
    for place, row in enumerate(rows):
        # Below their name, or in the middle of their row.
        room_em = 0.0 if look.head_em else (look.height_em - look.bar_em * max(1, len(row.bars))) / 2.0
        top_em = place * look.height_em + look.head_em + room_em
        for number, bar in enumerate(row.bars):
            middle, color = top_em + (number + 0.5) * look.bar_em, theme.style(bar.card).color
            fill: dict[str, Any] = {"facecolor": to_rgba(color, SHADES[bar.metric]), "edgecolor": color}
            fill |= {"linewidth": theme.hair_pt, "gid": f"bar-{bar.metric}-{row.label}"}
            axes.barh(middle, bar.value, height=0.84 * look.bar_em, **fill)
            if bar.interval is not None:
                ends, gid = (bar.interval.low, bar.interval.high), f"interval-{bar.metric}-{row.label}"
                Whisker(ends, middle, theme.palette.ink, gid, halo=True).draw(axes, theme)
            beside(axes, number_of(bar), (bar.end, middle), (0.5 * em, 0.0), text_pt, va="center")


def _number_style(rows: Sequence[BarRow], greatest: float, room_em: float, decimals: int) -> Callable[[Bar], str]:
    """How the values of one panel are written: with equal decimals, and with their intervals where there is room.

    Where there is little, the intervals are written if one of them is too short to be seen: as the greater of its two
    sides. An interval that would vanish by these decimals has more, for ``12 (12 to 12)`` passes for exact.
    """
    spans = [bar.interval.high - bar.interval.low for row in rows for bar in row.bars if bar.interval is not None]
    are_short = room_em > _NARROW_EM and min(spans, default=math.inf) / greatest * 0.8 * room_em < LEAST_WHISKER_EM

    def number(bar: Bar) -> str:
        if bar.interval is None or not (are_short or room_em > _WIDE_EM):
            return format_like(bar.value, decimals=decimals)
        low, high = bar.interval.low, bar.interval.high
        write = partial(format_like, decimals=max(decimals, estimate_decimals(bar.value, low, high) - 1))
        if room_em > _WIDE_EM:
            return f"{write(bar.value)} ({write(low)} to {write(high)})"
        return f"{write(bar.value)} ± {write(max(high - bar.value, bar.value - low))}"

    return number


def metrics_that_fit(result: ReviewResult, n_rows: int) -> tuple[str, ...]:
    """Metrics in the unit of the headline that can be shown together for so many cards, the headline first."""
    first = result.metric(result.headline)
    alike = [item.key for item in result.metrics if (item.unit, item.better) == (first.unit, first.better)]
    alike = sorted(alike, key=lambda key: key != first.key)[:_MOST_METRICS]
    return tuple(alike[: bar_layout(n_rows, len(alike))[0]])


def _row(view: ReviewView, card: str, bars: Sequence[Bar], remark: str, short: str | None = None) -> BarRow:
    """A row with what is said of a card; one that is alone has no place, no verdict and no ground of its own."""
    if not view.has_rivals and bars:
        return BarRow(view.result.label(card), "", "", bars)
    return BarRow(
        view.result.label(card), remark, remark if short is None else short, bars, card in view.result.subject
    )


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


def _chart(
    kind: str,
    view: ReviewView,
    panels: Mapping[str, Sequence[BarRow]],
    shown: slice,
    metrics: Sequence[str],
    values: Mapping[str, object],
    key: Sequence[KeyEntry] = (),
) -> Chart:
    """Panels on one scale; the key has a shade for each of several metrics."""
    first = view.metric(metrics[0])
    unit, rows = shown_unit(first.unit), [row for found in panels.values() for row in found]
    has_interval = any(bar.interval for row in rows for bar in row.bars)
    values = {
        "better": f"{f'{first.label}, ' if len(metrics) == 1 else ''}{unit}: {first.better} is better.",
        "definitions": view.definitions(metrics),
        "if_whisker": has_interval,
        "if_no_whisker": not has_interval,
        **values,
    }
    if len(metrics) > 1:
        color, shades = view.theme.palette.undecided, zip(metrics, SHADES, strict=False)
        key = [KeyEntry(view.metric(item).label, color, "patch", alpha=shade) for item, shade in shades]
    greatest = max((bar.end for row in rows for bar in row.bars), default=0.0)
    bars = [BarPanel(name, unit, rows, greatest) for name, rows in panels.items()]
    body = Bars(panels=bars, shown=shown, same_rows=kind == "pair")  # those of cards are ordered in each panel
    return Chart(kind=kind, values=values, key=key, body=body)


def _standings_pages(view: ReviewView, *, cut: str = "all") -> list[slice]:
    """Cards of each figure by their rank; none of a cut without a cell in common."""
    known = any(item.cut == cut and item.mean_value is not None for item in view.result.standings)
    return even_parts(len(view.result.cards), MOST_ROWS) if known else []


def _standings(view: ReviewView, shown: slice, *, cut: str = "all") -> Chart:
    result = view.result
    metrics = metrics_that_fit(result, len(result.cards))
    standings = {(item.metric, item.card): item for item in result.standings if item.cut == cut}
    cards = dict.fromkeys([*(item.card for item in best_first(result, cut)), *(card.key for card in result.cards)])
    rows = [_standing_row(view, [standings.get((metric, card)) for metric in metrics], card) for card in cards]
    entry, cells = result.cut(cut), result.cells_of(cut)
    values = {
        "within": "" if entry == result.cuts[0] else f" ({entry.definition})",
        "runs": view.runs_words(cells.cells),
        "if_apart": any(cells.of(card) for card in cells.apart),
    }
    return _chart("standings", view, {"": rows}, shown, metrics, values)


def _standing_row(view: ReviewView, standings: Sequence[Standing | None], card: str) -> BarRow:
    bars, standing = _bars_of(view.number(card), standings), standings[0]
    is_baseline = card == view.result.baseline
    end = " · baseline" if is_baseline else ""
    if standing is None or not bars:
        return _row(view, card, bars, f"no usable run{end}")
    short = f"apart · {counted(standing.n_cells, 'cell')}" if standing.stands_apart else f"place {standing.place}"
    there, shared = "", ""
    if standing.stands_apart and standing.baseline_mean_value is not None and not is_baseline:
        mean = format_quantity(standing.baseline_mean_value, view.metric(standing.metric).unit)
        there = f" · {view.result.label(view.result.baseline)} there {mean}"
    # On a narrow page the baseline's remark would be cut in the middle; its place says that it is shared.
    if standing.not_told_apart_from and not (view.theme.is_narrow and is_baseline):
        others = [view.result.label(key) for key in standing.not_told_apart_from]
        named = joined(others) if len(others) == 1 or not view.theme.is_narrow else f"{len(others)} others"
        shared = f" · {'tied with' if standing.tied_with else 'not told apart from'} {named}"
    narrow = f"{standing.place}{end}" if view.theme.is_narrow and end and not standing.stands_apart else f"{short}{end}"
    return _row(view, card, bars, f"{short}{there}{end}{shared}", narrow)


draw_standings: Final = PagedChart(_standings_pages, _standings)
"""Mean of every card over the cells of a ``cut``, best first, with ties as ties."""


def _scene_pages(view: ReviewView, named: Sequence[CardEntry | SceneEntry], most: int) -> list[ScenePage]:
    every, n_rows, is_narrow = view.result.resolutions, len(named), view.theme.is_narrow
    # Names left of the bars take what one more panel would need: on a narrow page all, on others long ones.
    is_long = is_narrow or max(text_width_pt(item.label, 1.0) for item in named) > _LONG_NAME_EM
    step = (2 if is_narrow else MOST_PANELS) - (is_long and bar_layout(n_rows, 2)[1])
    return [(every[at : at + step], part) for at in range(0, len(every), step) for part in even_parts(n_rows, most)]


def _scene_bars(view: ReviewView, page: ScenePage, *, scene: str) -> Chart:
    planned = tuple(item for item in page[0] if (scene, item) in view.result.cuts[0].cells) or page[0]
    metrics = metrics_that_fit(view.result, len(view.result.cards))
    panels = {resolution: _cell_rows(view, metrics, (scene, resolution)) for resolution in planned}
    runs = view.runs_words([(scene, resolution) for resolution in planned])
    return _chart("scene-bars", view, panels, page[1], metrics, {"scene": view.result.scene(scene).label, "runs": runs})


_SHORT: Final = {"not compared": NOT_AVAILABLE, "no usable run": "no runs"}
"""Left of many bars there is little room."""


def _cell_rows(view: ReviewView, metrics: Sequence[str], cell: Cell) -> list[BarRow]:
    """Every card in a cell, best first, with its verdict."""
    summaries = {item.card: item.estimates for item in view.result.cells if (item.scene, item.resolution) == cell}
    sign = 1.0 if view.metric(metrics[0]).better == "lower" else -1.0
    rows: list[tuple[float, BarRow]] = []
    for number, card in enumerate(view.result.cards):
        bars = _bars_of(number, [summaries.get(card.key, {}).get(metric) for metric in metrics])
        item = view.compared(card.key, metrics[0]).get(cell)
        remark: str = "not compared" if item is None or item.ratio is None else item.verdict
        if not bars or card.key == view.result.baseline:
            remark = "baseline" if bars else "no usable run"
        rank = sign * bars[0].value if bars and bars[0].metric == 0 else math.inf
        rows.append((rank, _row(view, card.key, bars, remark, _SHORT.get(remark))))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


draw_scene_bars: Final = PagedChart(lambda view, **_: _scene_pages(view, view.result.cards, MOST_ROWS), _scene_bars)
"""Every card in one ``scene``, a panel for each resolution, best first, with the verdict against the baseline."""


def _pair(view: ReviewView, page: ScenePage, *, candidate: str) -> Chart:
    result, metric, cards = view.result, view.result.headline, (candidate, view.result.baseline)
    estimates = {item.place: item.estimates[metric] for item in result.cells}
    compared, colors = view.compared(candidate, metric), [view.style(card).color for card in cards]
    shades = 0, 0 if colors[0] != colors[1] else 1  # of very many cards two may have one color
    panels: dict[str, list[BarRow]] = {resolution: [] for resolution in page[0]}
    for resolution, rows in panels.items():
        for scene in result.scenes:
            item = compared.get((scene.key, resolution))
            short = NOT_AVAILABLE if item is None or item.ratio is None else percent_change(item.ratio)
            remark = "not compared" if item is None or item.ratio is None else f"{short} · {item.verdict}"
            bars = [
                bar._replace(metric=shade)
                for card, shade in zip(cards, shades, strict=True)
                for bar in _bars_of(view.number(card), [estimates.get((card, scene.key, resolution))])
            ]
            rows.append(BarRow(scene.label, short if view.theme.is_narrow else remark, short, bars))
    looks = zip(cards, colors, shades, strict=True)
    key = [KeyEntry(view.result.label(card), color, "patch", alpha=SHADES[shade]) for card, color, shade in looks]
    values = {"pair": view.pair("pair", candidate, metric)}
    return _chart("pair", view, panels, page[1], [metric], values, key)


draw_pair: Final = PagedChart(lambda view, **_: _scene_pages(view, view.result.scenes, _MOST_SCENES), _pair)
"""A ``candidate`` and the baseline in all scenes, two bars a scene, a panel for each resolution."""


def _cost_panels(view: ReviewView, *, cut: str = "all") -> list[list[BarPanel]]:
    """Panels of each figure; none where nothing is known, or where more cards are known than a panel holds."""
    result = view.result
    values = [row for row in result.value if row.cut == cut and not row.stands_apart]
    powers = [row for row in result.efficiency if row.cut == cut and not row.stands_apart]
    currency = next((row.currency for row in values if row.currency), "price")
    per_frame = f"{currency} per {shown_unit(view.metric(None).unit)}"
    asked: tuple[tuple[str, str, float, dict[str, tuple[float | None, Interval | None]]], ...] = (
        ("Price per frame", per_frame, 1.0, {row.card: (row.money_per_fps, None) for row in values}),
        ("Average power", "W", 1.0, {row.card: (row.average_power_w, row.average_power_interval) for row in powers}),
        ("Frames per joule", _PER_JOULE, -1.0, {row.card: (row.frames_per_joule, None) for row in powers}),
        ("Peak temperature", "°C", 1.0, {card: (c, None) for card, c in peak_temperatures_c(result, cut).items()}),
    )
    panels = []
    for name, unit, sign, known in asked if len(result.cards) <= MOST_ROWS else ():
        pairs = sorted(known.items(), key=lambda item: sign * (item[1][0] or 0.0))
        rows = [
            _row(view, card, [Bar(value, interval, view.number(card))], "")
            for card, (value, interval) in pairs
            if value is not None
        ]
        if rows:
            # Sensors count whole degrees, and a peak is one sample.
            greatest, decimals = max(row.bars[0].end for row in rows), 0 if unit == "°C" else None
            panels.append(BarPanel(name, unit, rows, greatest, decimals))
    most = MOST_PANELS if bar_layout(len(result.cards), 1)[1] else 4
    if view.theme.is_narrow:
        most = max(1, min(4, _MOST_STACKED_ROWS // len(result.cards)))
    return [panels[part] for part in even_parts(len(panels), most)]


def _costs(view: ReviewView, panels: list[BarPanel], *, cut: str = "all") -> Chart:
    priced, powered = (any(row.cut == cut for row in rows) for rows in (view.result.value, view.result.efficiency))
    values = {
        "lower": joined([panel.name.casefold() for panel in panels if panel.unit != _PER_JOULE]) or None,
        "if_higher": any(panel.unit == _PER_JOULE for panel in panels),
        "what": "Price and power" if priced and powered else "Price" if priced else "Power",
        "means": f"Prices by the mean of {view.metric(None).label}" if priced else "Means",
        "power": f", power over {len(view.result.cells_of(cut, 'power').cells)}" if priced and powered else "",
        "definitions": view.definitions([view.result.headline]),
        "if_hot": any(panel.unit == "°C" for panel in panels),
        "if_interval": any(row.bars[0].interval for panel in panels for row in panel.rows),
    }
    n_rows = max(len(panel.rows) for panel in panels)
    least_em = len(panels) * (_STACKED_PANEL_EM + n_rows * _STACKED_ROW_EM) if len(panels) > 1 else 0.0
    return Chart(kind="costs", values=values, body=Bars(panels=panels, least_em=least_em))


draw_costs: Final = PagedChart(_cost_panels, _costs)
"""What a frame costs in money and in power over a ``cut``, and the heat: a panel a quantity, every card a bar."""
