"""The charts of a review and of a tuning record: which there are, what their files are called, and what draws each."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import groupby, product
from types import MappingProxyType
from typing import Any, Final, NamedTuple, TypeAlias

from matplotlib.figure import Figure

from frametime.render.charts.card_bars import draw_costs, draw_pair, draw_scene_bars, draw_standings
from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.matrix import draw_verdict_matrix
from frametime.render.charts.points import draw_efficiency, draw_ratios, draw_repeatability, draw_value
from frametime.render.charts.review_view import Cell, PagedChart, ReviewView
from frametime.render.charts.run_charts import RUN_CHARTS
from frametime.render.charts.run_traces import MOST_RUNS, trace_of_run
from frametime.render.charts.theme import Theme
from frametime.render.tables.review_comparisons import best_first
from frametime.review.result import ReviewResult, RunEntry
from frametime.words import continued

Drawing: TypeAlias = Callable[[], Figure]

MOST_CHARTS: Final = 20
"""Charts of a review of any size, unless more are asked for."""

_FIRST: Final = {key: kind.first for key, kind in CATALOG.items() if kind.first}
"""Of a review that has more charts, how many of each kind are drawn: `MOST_CHARTS` together."""


class _Choice(NamedTuple):
    """Pages of one kind of chart for one card, cut or scene, the parts of its file name, whether by the headline."""

    key: str
    kind: PagedChart
    parts: tuple[str, ...] = ()
    asked: Mapping[str, Any] = MappingProxyType({})
    is_main: bool = True


class ReviewChart(NamedTuple):
    """A chart of a review, and what draws it.

    ``name`` is that of its file; ``asked`` says for whom it is drawn (card, cut, page), its choice of what it is a
    page: nothing and ``None`` for single runs.
    """

    key: str
    name: str
    draw: Callable[..., Figure]
    asked: Mapping[str, Any] = MappingProxyType({})
    choice: _Choice | None = None


def review_figures(
    result: ReviewResult, theme: Theme, *, only: Collection[str] | None = None
) -> list[tuple[str, Drawing]]:
    """Name and drawing of each of `review_charts`: ``drawing()`` gives the figure."""
    return [(chart.name, chart.draw) for chart in review_charts(result, theme, only=only)]


def review_charts(result: ReviewResult, theme: Theme, *, only: Collection[str] | None = None) -> list[ReviewChart]:
    """The charts of a review, drawn in a theme when asked to.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    only : collection of str or None
        Keys of the catalog: all charts of these kinds. By default at most `MOST_CHARTS` of the review as a whole, and
        all of the kinds that the plan names in ``charts``.

    Returns
    -------
    list of ReviewChart
        Kind by kind, the most important first. Names are unique, fit for files, and begin with the key of the chart.
    """
    keys = result.plan.get("charts")
    asked = set(map(str, keys) if isinstance(keys, list | tuple) else ()) if only is None else set(only)
    theme = plan_theme(theme, result)
    named = _named(ReviewView(result, theme), asked if only is not None else asked.union(_FIRST))
    first = set() if only is not None else _first_names(named)
    titles, labels = (result.published.get(name) or {} for name in ("titles", "labels"))
    found = []
    for chart in named:
        if chart.key in asked or chart.name in first:
            words = {**labels.get(chart.key, {}), **labels.get(chart.name, {})}
            title = titles.get(chart.name) or titles.get(chart.key)
            own = replace(theme, title=title, labels=tuple(words.items()))
            found.append(chart._replace(draw=partial(chart.draw, own)))
    return found


def plan_theme(theme: Theme, result: ReviewResult) -> Theme:
    """The theme with what the plan says of colors, notes and author; notes that were asked for in words stay."""
    asked = result.published
    by = [f"By {result.plan['author']}."] if result.plan.get("author") else []
    labels = [entry.label for entries in (result.cards, result.scenes, result.cuts) for entry in entries]
    folder = theme.plan_folder
    font, logo = asked.get("font"), asked.get("logo")
    return replace(
        theme,
        card_colors=theme.card_colors or tuple(map(result.own_colors.get, (card.key for card in result.cards))),
        notes=asked.get("notes", "short") if theme.notes == "short" else theme.notes,
        signed=(*by, *asked.get("bench", ())),
        names=tuple(dict.fromkeys([result.title, *result.resolutions, *labels])),
        numbers=asked.get("numbers", theme.numbers),
        accent=asked.get("accent"),
        font=str(folder / font) if folder and font and (folder / font).is_file() else font,
        logo=folder / logo if folder and logo else None,
    )


def left_out(result: ReviewResult, theme: Theme) -> dict[str, int]:
    """How many charts of each kind a review has that are not drawn by default; kinds without one are left out."""
    drawn = {name for name, _ in review_figures(result, theme)}
    return dict(Counter(item.key for item in _named(ReviewView(result, theme), set(_FIRST)) if item.name not in drawn))


def _first_names(named: Sequence[ReviewChart]) -> set[str]:
    """All charts of the review as a whole if they are few, else those that say most.

    Of what is drawn for each card the first pages; a cut or a scene on all of its pages or not at all.
    """
    whole = [item for item in named if item.key in _FIRST]
    found = {item.name for item in whole} if len(whole) <= MOST_CHARTS else set()
    for kind, most in _FIRST.items() if len(whole) > MOST_CHARTS else ():
        left = most
        for choice, group in groupby((item for item in whole if item.key == kind), key=lambda item: item.choice):
            names = [item.name for item in group]
            if choice is None or not choice.is_main:
                continue
            names = names[:1] if "candidate" in choice.asked else names
            if left <= 0 or len(names) > left < most:
                break
            found.update(names[:left])
            left -= len(names)
    return found


def _named(view: ReviewView, wanted: Collection[str]) -> list[ReviewChart]:
    """All charts of these kinds; two names that would be one file are told apart by a number."""
    found: list[ReviewChart] = []
    taken: Counter[str] = Counter()

    def add(key: str, parts: Sequence[str], draw: Callable[[Theme], Figure], *of: Any) -> None:
        name = "-".join([key, *(safe_name(part) for part in parts if part)])
        while taken[name.lower()]:
            taken[name.lower()] += 1
            name = f"{name}-{taken[name.lower()]}"
        taken[name.lower()] += 1
        found.append(ReviewChart(key, name, draw, *of))

    for choice in _choices(view):
        n_pages = len(choice.kind.pages(view, **choice.asked)) if choice.key in wanted else 0
        for page in range(n_pages):
            parts = (*choice.parts, f"page{page + 1}" if n_pages > 1 else "")
            asked = {**choice.asked, "page": page}
            add(choice.key, parts, partial(choice.kind, view.result, **asked), asked, choice)
    for key in (key for key in RUN_CHARTS if key in wanted):
        for cell in view.result.cuts[0].cells:
            if any(entry is not None and entry.curves for entry in typical_runs(view.result, cell).values()):
                add(key, cell, partial(_draw_cell, key, view.result, cell))
    return found


def safe_name(text: str) -> str:
    """``text`` as a part of a file name: letters, digits, dot and hyphen, at most 40 characters.

    Examples
    --------
    >>> safe_name("Harbor: night/2160p"), safe_name("..")
    ('Harbor-night-2160p', 'x')
    """
    return re.sub(r"[^A-Za-z0-9.]+", "-", text).strip("-.")[:40].rstrip("-.") or "x"


def _choices(view: ReviewView) -> Iterator[_Choice]:
    """All charts of a review, kind by kind in the order of the catalog, the most important first.

    Candidates stand in the order of the subject, without one the fastest first.
    """
    result, cuts = view.result, [cut.key for cut in view.result.cuts]
    ordered = [*result.subject, *(item.card for item in best_first(result)), *(card.key for card in result.cards)]
    cards = [card for card in dict.fromkeys(ordered) if card != result.baseline]
    main = set(result.subject).intersection(cards) or cards
    per_card = [((card,), {"candidate": card}, card in main) for card in cards]
    yield from (_Choice("standings", draw_standings, (cut,), {"cut": cut}) for cut in cuts)
    for scene in result.scenes:
        yield _Choice("scene-bars", draw_scene_bars, (scene.key,), {"scene": scene.key})
    yield from (_Choice("pair", draw_pair, *choice) for choice in per_card)
    others = [metric.key for metric in result.metrics if metric.key != result.headline]
    of_ratios = [*((cut, result.headline) for cut in cuts), *((cuts[0], metric) for metric in others)]
    for (cut, metric), card in product(of_ratios, cards):
        parts = (card, "" if metric == result.headline else metric, "" if cut == cuts[0] else cut)
        asked = {"candidate": card, "cut": cut, "metric": metric}
        yield _Choice("ratios", draw_ratios, parts, asked, card in main and (cut, metric) == of_ratios[0])
    yield from (_Choice("matrix", draw_verdict_matrix, *choice) for choice in per_card)
    for key, kind in (("value", draw_value), ("efficiency", draw_efficiency)):
        yield from (_Choice(key, kind, (cut,), {"cut": cut}) for cut in cuts)
    yield _Choice("costs", draw_costs)
    yield _Choice("repeatability", draw_repeatability)


def typical_runs(result: ReviewResult, cell: Cell) -> dict[str, RunEntry | None]:
    """For each card the run of a cell that lies closest to the mean of its set in the headline metric."""
    runs = {run.name: run for run in result.runs}
    found: dict[str, RunEntry | None] = {card.key: None for card in result.cards}
    for summary in result.cells:
        if (summary.scene, summary.resolution) == cell and summary.run_names:
            estimate = summary.estimates.get(result.headline)
            mean = estimate.value if estimate else None
            values = {name: runs[name].values.get(result.headline) for name in summary.run_names}
            apart = {name: abs(value - (mean or 0.0)) for name, value in values.items() if value is not None}
            found[summary.card] = runs[min(apart, key=apart.__getitem__, default=summary.run_names[0])]
    return found


def _draw_cell(key: str, result: ReviewResult, cell: Cell, theme: Theme) -> Figure:
    view, chart = ReviewView(result, theme), RUN_CHARTS[key]
    runs = {card: run for card, run in typical_runs(result, cell).items() if run is not None and run.curves}
    ordered = [*result.subject, result.baseline, *(item.card for item in best_first(result)), *runs]
    shown = [card for card in dict.fromkeys(ordered) if card in runs][:MOST_RUNS]
    traces = [
        trace_of_run(run, label=f"{view.short(card, 16.0 if len(shown) < 4 else 8.0)} · {name}", card=view.number(card))
        for card, run in runs.items()
        if card in shown and (name := f"run {run.run}" if run.run.isdigit() else run.run)
    ]
    title = f"{view.cell_label(cell)}: {continued(chart.title)}"
    each = "each card" if len(shown) == len(runs) else f"{len(shown)} of {len(runs)} cards"
    return chart(traces, theme, title=title, note=f"Of {each} the run closest to its mean.")
