"""Mean of every card over the cells of a cut: average and lows, best first, ties as ties."""

from __future__ import annotations

from collections.abc import Sequence

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
from frametime.render.charts.review_words import page_words
from frametime.render.charts.sheet import Sheet
from frametime.render.theme import Theme
from frametime.review.result import ReviewResult
from frametime.review.result_tables import Standing
from frametime.units import shown_unit
from frametime.words import joined


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
    rows = [
        _standing_row(result, standings, metrics, card, theme)
        for card in _best_first(result, lead_standings, metrics[0])
    ]
    most = rows_that_fit(len(metrics))
    unit = shown_unit(result.metric(metrics[0]).unit)
    n_cells = max((item.n_cells for item in lead_standings.values()), default=0)
    entry = result.cut(cut)
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"{result.title}: {entry.label}{page_words(page, n_pages)}",
            lead=f"{better_words(result, metrics[0])} Cards that the intervals do not tell apart share a place.",
            notes=[
                f"Bars start at 0 {unit}: geometric mean over {n_cells} {'cell' if n_cells == 1 else 'cells'} "
                f"({entry.definition}), of {run_words(result, entry.cells)} each.",
                definition_words(result, metrics),
                "Whisker: 95 % interval of the ratio to the baseline over these scenes (run noise only), times the "
                "baseline's mean; the baseline itself has none.",
                "Not told apart: neither shown to be better nor to be worse.",
            ],
            head_lines=(1, 1),
        )
        sheet.key(bar_key(result, metrics, theme))
        draw_bar_panels(sheet, [("", rows[page * most : (page + 1) * most])], unit)
        return sheet.figure


def _best_first(result: ReviewResult, standings: dict[str, Standing], metric: str) -> list[str]:
    """Keys of the cards, those without a mean last."""
    sign = 1.0 if result.metric(metric).better == "lower" else -1.0

    def rank(card: str) -> tuple[bool, float]:
        value = standings[card].mean_value if card in standings else None
        return value is None, 0.0 if value is None else sign * value

    return sorted((card.key for card in result.cards), key=rank)


def _standing_row(
    result: ReviewResult, standings: dict[str, dict[str, Standing]], metrics: Sequence[str], card: str, theme: Theme
) -> BarRow:
    bars = []
    for number, metric in enumerate(metrics):
        standing = standings[metric].get(card)
        if standing is not None and standing.mean_value is not None:
            bars.append(Bar(value=standing.mean_value, interval=standing.mean_interval, metric=number))
    standing = standings[metrics[0]].get(card)
    remark = "no cell in common with the others" if standing is None or not bars else f"place {standing.place}"
    if card == result.baseline:
        remark += " · baseline"
    if standing is not None and standing.not_told_apart_from:
        others = [result.card(key).label for key in standing.not_told_apart_from]
        named = joined(others) if len(others) == 1 or not theme.is_narrow else f"{len(others)} others"
        shared = f" · not told apart from {named}"
        # On a narrow page the baseline's remark would be cut in the middle; its place says that it is shared.
        if not (theme.is_narrow and card == result.baseline):
            remark += shared
    return BarRow(label=result.card(card).label, remark=remark, bars=tuple(bars))
