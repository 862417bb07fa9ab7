"""Every run of every cell around the mean of its set; flagged and excluded runs are named."""

from __future__ import annotations

from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametime.render.charts.axis_scales import round_ticks, size_of, spaced_labels, tick_labels
from frametime.render.charts.chart_sheet import KeyEntry, Sheet, dots, x_caption
from frametime.render.charts.review_labels import Cell, card_index, cell_label, page_of, page_words, pages_of, run_words
from frametime.render.charts.text_fit import shorten, text_width_pt
from frametime.render.charts.theme import Theme
from frametime.review.result import Repeatability, ReviewResult, RunEntry
from frametime.review.result_tables import CellSummary

MOST_CARDS: Final = 4
"""Panels of one figure."""

_MOST_NARROW_CARDS: Final = 2

MOST_ROWS: Final = 18
"""Rows of cells of one figure."""

_BAND_FACTOR: Final = 2.0


def repeatability_pages(result: ReviewResult, theme: Theme) -> list[tuple[tuple[str, ...], tuple[Cell, ...]]]:
    """Cards and cells of each figure."""
    cards = [card.key for card in result.cards]
    n_groups = -(-len(cards) // (_MOST_NARROW_CARDS if theme.is_narrow else MOST_CARDS))
    per_group = -(-len(cards) // n_groups)
    groups = [tuple(cards[start : start + per_group]) for start in range(0, len(cards), per_group)]
    return [(group, page) for group in groups for page in pages_of(result.cuts[0].cells, MOST_ROWS)]


def draw_repeatability(result: ReviewResult, theme: Theme, *, metric: str | None = None, page: int = 0) -> Figure:
    """How well the runs of each set agree.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    metric : str or None
        Key; the headline metric by default.
    page : int
        From 0; many cells or cards are drawn on several pages.

    Raises
    ------
    ValueError
        If there is no such page.
    """
    metric = result.headline if metric is None else metric
    pages = repeatability_pages(result, theme)
    cards, cells = page_of(pages, page)
    entry = result.metric(metric)
    flagged = [run for run in result.runs if run.flag is not None and run.excluded_reason is None]
    excluded = [run for run in result.runs if run.excluded_reason is not None]
    with theme.settings():
        sheet = Sheet(
            theme,
            title=f"How well the runs repeat: {entry.label}{page_words(page, len(pages))}",
            lead="Closer to 0 % is better: 0 % is the mean of the run set. Names mark runs to look at.",
            notes=[
                f"Each mark is one run, {run_words(result)} a cell. Band: {_BAND_FACTOR:g} times the usual spread of "
                "the card's runs (s_r) to both sides.",
                f"Flagged: {len(flagged)} of {len(result.runs)} runs; they still count.",
                f"Excluded by the plan, not in the mean: {len(excluded)}." if excluded else "",
            ],
            full=[
                f"0 % is the geometric mean of the set in {entry.label}. {entry.definition}",
                "Usual spread: standard deviation of the runs of a set, pooled over the cells of the card "
                "(repeatability s_r, ISO 5725-2); about 95 % of runs lie in the band.",
            ],
        )
        sheet.key(_key(theme, excluded=bool(excluded)))
        _panels(sheet, result, metric, cards, cells)
        return sheet.figure


def _key(theme: Theme, *, excluded: bool) -> list[KeyEntry]:
    palette = theme.palette
    entries = [
        KeyEntry("run", palette.ink, "marker", "|"),
        KeyEntry("flagged run", palette.behind, "marker", "D", edge=palette.ink),
        KeyEntry("where most runs of the card lie", palette.band, "patch"),
    ]
    if excluded:
        entries.insert(2, KeyEntry("excluded run", palette.muted, "marker", "x"))
    return entries


def distances_pct(summary: CellSummary, runs: dict[str, RunEntry], metric: str) -> list[tuple[RunEntry, float]]:
    """Each run of a cell and its distance to the mean of the set in percent, excluded runs at the end."""
    estimate = summary.estimates.get(metric)
    if estimate is None or estimate.value is None or estimate.value <= 0.0:
        return []
    named = [runs[name] for name in summary.run_names]
    named += [
        run
        for run in runs.values()
        if run.excluded_reason is not None
        and (run.card, run.scene, run.resolution) == (summary.card, summary.scene, summary.resolution)
    ]
    found = []
    for run in named:
        value = run.values.get(metric)
        if value is not None:
            found.append((run, 100.0 * (value / estimate.value - 1.0)))
    return found


def _panels(sheet: Sheet, result: ReviewResult, metric: str, cards: tuple[str, ...], cells: tuple[Cell, ...]) -> None:
    em, theme = sheet.em, sheet.theme
    runs = {run.name: run for run in result.runs}
    summaries = {(item.card, item.scene, item.resolution): item for item in result.cells}
    spreads = {item.card: item for item in result.repeatability if item.metric == metric}
    rows = {
        (card, cell): distances_pct(summaries[card, *cell], runs, metric)
        for card in cards
        for cell in cells
        if (card, *cell) in summaries
    }
    labels = [cell_label(result, cell) for cell in cells]
    most_em = 13.0 if theme.is_narrow else 20.0
    label_width = sheet.label_width(labels, most_em)
    gap = 1.6 * em
    left = sheet.left + label_width + em
    width = (sheet.right - left - gap * (len(cards) - 1)) / len(cards)
    top, bottom = sheet.top - 2.9 * em, sheet.bottom + 3.5 * em
    row = min((top - bottom) / len(cells), 2.6 * em)
    bottom = top - row * len(cells)
    sheet.label_rows(labels, top, row, most_em)
    limit_pct = _limit_pct(list(rows.values()), list(spreads.values()))
    for card in cards:
        axes = sheet.axes(left, bottom, width, top - bottom)
        axes.set_xlim(-limit_pct, limit_pct)
        axes.set_ylim(len(cells), 0.0)
        _ground(axes, spreads.get(card), theme, len(cells))
        name = shorten(result.card(card).label, width, theme.label_pt, bold=True)
        sheet.text(left, top + 2.15 * em, name, size_pt=theme.label_pt, bold=True)
        words = shorten(_spread_words(spreads.get(card)), width, em)
        sheet.text(left, top + 0.8 * em, words, color=theme.palette.muted)
        for place, cell in enumerate(cells):
            mark_runs(axes, rows.get((card, cell), []), place + 0.5, row, theme, card_index(result, card))
        if card == cards[-1]:
            x_caption(axes, f"distance to the mean of the set{', %' if theme.is_narrow else ''}", theme)
        left += width + gap


def _limit_pct(rows: list[list[tuple[RunEntry, float]]], spreads: list[Repeatability]) -> float:
    farthest = max((abs(distance) for row in rows for _, distance in row), default=1.0)
    bands = [_BAND_FACTOR * item.s_r_pct for item in spreads if item.s_r_pct is not None]
    return 1.15 * max(farthest, 1.3 * max(bands, default=0.0), 0.5)


def _spread_words(spread: Repeatability | None) -> str:
    if spread is None or spread.s_r_pct is None:
        return "too few runs for a spread"
    return f"usual spread {spread.s_r_pct:.2g} %"


def _ground(axes: Axes, spread: Repeatability | None, theme: Theme, n_rows: int) -> None:
    em = theme.em_pt
    if spread is not None and spread.s_r_pct is not None:
        half_pct = _BAND_FACTOR * spread.s_r_pct
        axes.axvspan(-half_pct, half_pct, color=theme.palette.band, linewidth=0.0, gid="band")
    axes.axvline(0.0, color=theme.palette.muted, linewidth=1.6 * theme.hair_pt)
    for place in range(1, n_rows):
        axes.axhline(place, color=theme.palette.rule, linewidth=0.7 * theme.hair_pt)
    axes.set_yticks([])
    low, high = axes.get_xlim()
    most = max(2, int(size_of(axes)[0] / (6.0 * em)))
    ticks: list[float] = []
    while len(ticks) < 3:  # the middle and one to each side, clear of the neighboring panels
        ticks = [tick for tick in round_ticks(low, high, most) if abs(tick) < 0.86 * high]
        most += 1
    unit = "" if theme.is_narrow else " %"
    labels = [f"{'+' if tick > 0 else ''}{label}{unit}" for tick, label in zip(ticks, tick_labels(ticks), strict=True)]
    axes.set_xticks(ticks, spaced_labels(axes, ticks, labels, em) if theme.is_narrow else labels)


def mark_runs(
    axes: Axes, found: list[tuple[RunEntry, float]], y: float, row_pt: float, theme: Theme, card: int = 0
) -> None:
    """The runs of one set at their distances in percent; flagged and excluded ones are named where there is room."""
    palette, em = theme.palette, theme.em_pt
    width_pt = size_of(axes)[0]
    low, high = axes.get_xlim()
    # No name lies on a mark, nor one name on another.
    marks = [(distance - low) / (high - low) * width_pt for _, distance in found]
    taken = [(x_pt - 0.25 * em, x_pt + 0.25 * em) for x_pt in marks]
    for run, distance in sorted(found, key=lambda pair: (pair[0].flag is None, pair[0].excluded_reason is None)):
        marker, size, edge = "|", 0.62 * min(row_pt / em, 1.6), theme.style(card).color
        if run.excluded_reason is not None:
            marker, size, edge = "x", 0.55, palette.muted
        elif run.flag is not None:
            marker, size, edge = "D", 0.55, palette.ink
        look = {"mfc": palette.behind, "mec": edge, "zorder": 4, "gid": f"run-{run.name}"}
        dots(axes, distance, y, marker, theme, size=size, line=1.1, **look)
        if run.flag is None and run.excluded_reason is None:
            continue
        words = shorten(f"run {run.run}" if run.run.isdigit() else run.run, 0.3 * width_pt, em)
        text_pt = text_width_pt(words, em)
        x_pt = (distance - low) / (high - low) * width_pt
        right, left = x_pt + 0.7 * em, x_pt - 0.7 * em - text_pt
        starts = [start for start in (right, left) if start >= 0.0 and start + text_pt + 0.3 * em <= width_pt]
        starts = [start for start in starts if not any(start < end and begin < start + text_pt for begin, end in taken)]
        if not starts:
            continue
        start, to_right = starts[0], starts[0] == right
        taken.append((start, start + text_pt))
        axes.annotate(
            words,
            (distance, y),
            xytext=(0.7 * em if to_right else -0.7 * em, 0.0),
            textcoords="offset points",
            ha="left" if to_right else "right",
            va="center",
            fontsize=em,
            annotation_clip=False,
        )
