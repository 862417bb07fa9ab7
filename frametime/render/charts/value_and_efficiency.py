"""Speed against price and against power, with lines of equal value and of equal frames per joule."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.figure import Figure

from frametime.render.charts.card_plane import CardPoint, Plane, draw_plane, plane_theme
from frametime.render.charts.chart_sheet import KeyEntry, Sheet
from frametime.render.charts.review_labels import apart_note, card_index, cells_words, run_words
from frametime.render.charts.theme import Theme
from frametime.render.numbers import format_number, format_quantity
from frametime.render.review_words import change_words
from frametime.review.result import ReviewResult
from frametime.review.result_tables import EfficiencyRow, Standing, ValueRow
from frametime.units import shown_unit
from frametime.words import money, money_words


def has_value(result: ReviewResult, cut: str = "all") -> bool:
    """Whether any card has a price and a speed in the cut."""
    return any(_is_drawn(row) for row in result.value if row.cut == cut)


def _is_drawn(row: ValueRow) -> bool:
    return bool(row.price) and row.mean_value is not None and not row.stands_apart


def draw_value(result: ReviewResult, theme: Theme, *, cut: str = "all") -> Figure:
    """Every card that has a price, over one cut.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    cut : str
        Key of the cut.

    Raises
    ------
    ValueError
        If no card has a price.
    """
    rows = [row for row in result.value if row.cut == cut and _is_drawn(row)]
    if not rows:
        raise ValueError(f"result must hold a card with a price in the cut {cut!r}")
    metric = result.metric(rows[0].metric)
    currency = rows[0].currency or "price"
    unit = shown_unit(metric.unit)
    standings = {item.card: item for item in result.standings if (item.cut, item.metric) == (cut, metric.key)}
    without = [card.label for card in result.cards if card.price is None]
    cells = result.cells_of(cut)
    return _draw(
        theme,
        [_price_point(result, row, standings.get(row.card), unit) for row in rows],
        Plane(x_label=f"price, {currency}", y_label=f"{metric.label}, {unit}", slope_unit=f"{unit}/{currency}"),
        title=f"Speed for the money: {result.cut(cut).label}",
        lead=f"Farther up and farther left is better. Value: {unit} per {currency}; steeper is better.",
        notes=[
            f"Speed: mean over {cells_words(cells)} ({run_words(result)} each). Whisker and brackets: 95 % interval "
            "(run noise only).",
            f"Without a price: {', '.join(without)}." if without else "",
            apart_note(result, cells),
        ],
        full=[
            f"Both axes start at 0. Means are geometric. {metric.definition} Break-even: the price at which a card "
            f"gives as many {unit} per {currency} as {result.card(result.baseline).label} at its price. Intervals are "
            "over these scenes, carried over from the ratio to the baseline."
        ],
        key=[
            KeyEntry("card at its price", theme.palette.ink, "marker", "o"),
            KeyEntry("at its break-even price", theme.palette.ink, "marker", "o", filled=False),
            KeyEntry(f"equal value, {unit} per {currency}", theme.palette.tied, "line"),
        ],
    )


def _draw(theme: Theme, points: Sequence[CardPoint], plane: Plane, *, key: Sequence[KeyEntry], **texts: Any) -> Figure:
    """Cards on a plane below the texts of their sheet."""
    theme = plane_theme(theme, len(points))
    with theme.settings():
        sheet = Sheet(theme, **texts)
        sheet.key(key)
        draw_plane(sheet, points, plane)
        return sheet.figure


def _price_point(result: ReviewResult, row: ValueRow, standing: Standing | None, unit: str) -> CardPoint:
    assert row.price is not None and row.mean_value is not None
    currency = row.currency or "price"
    lines = [f"{format_quantity(row.mean_value, '1')} {unit} for {money(row.price)} {currency}"]
    if row.fps_per_money is not None:
        lines.append(f"{format_number(row.fps_per_money, digits=3)} {unit} per {currency}")
    is_baseline = row.card == result.baseline
    if row.break_even_price is not None and not is_baseline:
        lines.append(f"break-even {money_words(row.break_even_price, row.break_even_interval)} {currency}")
    elif is_baseline:
        lines.append("baseline")
    return CardPoint(
        index=card_index(result, row.card),
        label=result.card(row.card).label,
        x=row.price,
        y=row.mean_value,
        y_interval=None if standing is None else standing.mean_interval,
        lines=tuple(lines),
        other_x=None if is_baseline else row.break_even_price,
        other_interval=None if is_baseline else row.break_even_interval,
    )


def _drawn(result: ReviewResult, cut: str) -> list[EfficiencyRow]:
    return [
        row
        for row in result.efficiency
        if row.cut == cut and row.average_power_w and row.mean_rate_fps and not row.stands_apart
    ]


def has_efficiency(result: ReviewResult, cut: str = "all") -> bool:
    """Whether any card has power and speed in the cut."""
    return bool(_drawn(result, cut))


def draw_efficiency(result: ReviewResult, theme: Theme, *, cut: str = "all") -> Figure:
    """Every card with a sensor log, over one cut.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    cut : str
        Key of the cut.

    Raises
    ------
    ValueError
        If no card has power.
    """
    rows = _drawn(result, cut)
    if not rows:
        raise ValueError(f"result must hold a card with power and speed in the cut {cut!r}")
    cells = result.cells_of(cut, "power")
    without = [card.label for card in result.cards if card.key not in (*cells.cards, *cells.apart)]
    return _draw(
        theme,
        [_power_point(result, row) for row in rows],
        Plane(x_label="average power, W", y_label="average rate, fps", slope_unit="frames/J"),
        title=f"Speed for the power: {result.cut(cut).label}",
        lead="Farther up and farther left is better. A steeper line is more frames for the same energy.",
        notes=[
            f"Means over {cells_words(cells)}, of the runs with a sensor log ({run_words(result)} each). Whisker and "
            "brackets: 95 % interval (run noise only).",
            f"Without a sensor log: {', '.join(without)}." if without else "",
            apart_note(result, cells),
        ],
        full=[
            "Both axes start at 0. Average rate: frames over time. Means are geometric. Frames per joule: average rate "
            "over average power. Whisker: of the average power; in brackets: of the ratio in frames per joule."
        ],
        key=[
            KeyEntry("card", theme.palette.ink, "marker", "o"),
            KeyEntry("equal frames per joule", theme.palette.tied, "line"),
        ],
    )


def _power_point(result: ReviewResult, row: EfficiencyRow) -> CardPoint:
    assert row.average_power_w is not None and row.mean_rate_fps is not None
    lines = [f"{format_number(row.mean_rate_fps)} fps at {format_number(row.average_power_w)} W"]
    if row.frames_per_joule is not None:
        lines.append(f"{format_number(row.frames_per_joule, digits=3)} frames/J")
    if row.card == result.baseline:
        lines.append("baseline")
    elif row.efficiency_ratio is not None:
        lines.append(f"{change_words(row.efficiency_ratio, row.efficiency_interval)} frames/J")
    return CardPoint(
        index=card_index(result, row.card),
        label=result.card(row.card).label,
        x=row.average_power_w,
        y=row.mean_rate_fps,
        x_interval=row.average_power_interval,
        lines=tuple(lines),
    )
