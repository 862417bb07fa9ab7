"""The charts of a review and of a tuning record: which there are, what their files are called, and what draws each."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import Any, Final, TypeAlias

from matplotlib.figure import Figure

from frametime.render.charts.card_bars import (
    best_first,
    cost_pages,
    draw_costs,
    draw_scene_bars,
    draw_standings,
    scene_pages,
    standings_pages,
)
from frametime.render.charts.chart_catalog import keys_for
from frametime.render.charts.frame_time_panels import MOST_RUNS, draw_frame_time_panels
from frametime.render.charts.ratios import draw_ratios, most_cuts, ratio_pages
from frametime.render.charts.repeatability import draw_repeatability, repeatability_pages
from frametime.render.charts.review_labels import Cell, candidates_of, card_index, cell_label
from frametime.render.charts.run_distributions import draw_distribution, draw_percentiles
from frametime.render.charts.run_traces import RunTrace, trace_of_entry
from frametime.render.charts.theme import Theme
from frametime.render.charts.tuning_gain import draw_tuning_gain, gain_lines
from frametime.render.charts.tuning_map import draw_tuning_map
from frametime.render.charts.value_and_efficiency import draw_efficiency, draw_value, has_efficiency, has_value
from frametime.render.charts.verdict_matrix import draw_verdict_matrix, matrix_pages
from frametime.review.result import ReviewResult, RunEntry
from frametime.tuning.judging.tuning_summary import TuningSummary

Drawing: TypeAlias = Callable[[], Figure]


MOST_CHARTS: Final = 20
"""Charts of a review of any size, unless more are asked for."""

_FIRST: Final[Mapping[str, int]] = MappingProxyType(
    {
        "standings": 5,
        "scene-bars": 5,
        "ratios": 3,
        "matrix": 3,
        "value": 1,
        "efficiency": 1,
        "costs": 1,
        "repeatability": 1,
    }
)
"""Of a review that has more charts, how many of each kind are drawn: `MOST_CHARTS` together."""


def review_figures(
    result: ReviewResult, theme: Theme, *, only: Collection[str] | None = None
) -> list[tuple[str, Drawing]]:
    """Name and drawing of each chart of a review.

    Parameters
    ----------
    result : ReviewResult
    theme : Theme
    only : collection of str or None
        Keys of the catalog: all charts of these kinds. By default at most `MOST_CHARTS` of the review as a whole, and
        all of the kinds that the plan names in ``charts``.

    Returns
    -------
    list of (str, callable)
        Names are unique, fit for files, and begin with the key of the chart; ``drawing()`` gives the figure.
    """
    asked = set(asked_for(result) if only is None else only)
    named = _named(result, plan_theme(theme, result), asked if only is not None else asked.union(_FIRST))
    first = set() if only is not None else _first_names(result, named)
    titles = _published(result).get("titles") or {}
    return [
        (name, _titled(drawing, titles.get(name) or titles.get(key)))
        for key, name, drawing in named
        if key in asked or name in first
    ]


def _published(result: ReviewResult) -> Mapping[str, Any]:
    found = result.plan.get("publish")
    return found if isinstance(found, Mapping) else {}


def plan_theme(theme: Theme, result: ReviewResult) -> Theme:
    """The theme with what the plan says of colors, notes and author; notes that were asked for in words stay."""
    cards = result.plan.get("cards")
    colors = {card["key"]: card.get("color") for card in cards} if isinstance(cards, list | tuple) else {}
    author = result.plan.get("author")
    return replace(
        theme,
        card_colors=theme.card_colors or tuple(colors.get(card.key) for card in result.cards),
        notes=_published(result).get("notes", "short") if theme.notes == "short" else theme.notes,
        author=str(author) if author else None,
    )


def _titled(drawing: Drawing, title: str | None) -> Drawing:
    """The same drawing with a title of the user's own."""
    if title is None or not isinstance(drawing, partial):
        return drawing
    args = [replace(arg, title=title) if isinstance(arg, Theme) else arg for arg in drawing.args]
    return partial(drawing.func, *args, **drawing.keywords)


def asked_for(result: ReviewResult) -> tuple[str, ...]:
    """Keys of the charts that the plan names."""
    keys = result.plan.get("charts")
    return tuple(map(str, keys)) if isinstance(keys, list | tuple) else ()


def left_out(result: ReviewResult, theme: Theme) -> dict[str, int]:
    """How many charts of each kind a review has that are not drawn by default; kinds without one are left out."""
    drawn = {name for name, _ in review_figures(result, theme)}
    return dict(Counter(key for key, name, _ in _named(result, theme, set(_FIRST)) if name not in drawn))


def _named(result: ReviewResult, theme: Theme, wanted: set[str]) -> list[tuple[str, str, Drawing]]:
    """Key, name and drawing of all charts of these kinds."""
    found: list[tuple[str, str, Drawing]] = []
    taken: set[str] = set()
    for key, parts, drawing in _all(result, theme, wanted):
        name = "-".join([key, *(safe_name(part) for part in parts if part)])
        number = 2
        unique = name
        while unique.lower() in taken:
            unique = f"{name}-{number}"
            number += 1
        taken.add(unique.lower())
        found.append((key, unique, drawing))
    return found


def _first_names(result: ReviewResult, named: Sequence[tuple[str, str, Drawing]]) -> set[str]:
    """All charts of the review as a whole if they are few, else those that say most."""
    whole = [(key, name, drawing) for key, name, drawing in named if key in _FIRST]
    if len(whole) <= MOST_CHARTS:
        return {name for _, name, _ in whole}
    rank = partial(_rank, result, _cards_first(result)[: _FIRST["ratios"]])
    found: set[str] = set()
    for kind, most in _FIRST.items():
        ranked = [(rank(drawing), name) for key, name, drawing in whole if key == kind]
        kept = sorted(((place, name) for place, name in ranked if place is not None), key=lambda pair: pair[0])
        # A cut or a scene is drawn on all of its pages or none, a page of ratios for all of the cards or none.
        step = 1 + max((place[-1 if kind in ("ratios", "matrix") else -2] for place, _ in kept), default=0)
        found.update(name for _, name in kept[: most - most % step if step < most else most])
    return found


def _cards_first(result: ReviewResult) -> tuple[str, ...]:
    """Candidates in the order in which they are drawn: those of the subject, without one the fastest first."""
    candidates = candidates_of(result)
    if subject := [card for card in result.subject if card in candidates]:
        return tuple(subject)
    places = [item.card for item in best_first(result)]
    return tuple(sorted(candidates, key=lambda card: places.index(card) if card in places else len(places)))


def _rank(result: ReviewResult, cards: Sequence[str], drawing: Drawing) -> tuple[int, ...] | None:
    """Where a chart stands among those of its kind, by its cut or scene, its page and its card.

    ``None`` for what is not drawn unless it is asked for: another metric than the headline, another card.
    """
    asked = drawing.keywords if isinstance(drawing, partial) else {}
    card = asked.get("candidate", cards[0] if cards else "")
    if asked.get("metric", result.headline) != result.headline or (cards and card not in cards):
        return None
    cuts, scenes = [cut.key for cut in result.cuts], [scene.key for scene in result.scenes]
    cut = asked.get("cuts", (asked.get("cut", cuts[0]),))[-1]
    part = scenes.index(asked["scene"]) if "scene" in asked else cuts.index(cut)
    return part, asked.get("page", 0), cards.index(card) if cards else 0


def safe_name(text: str) -> str:
    """``text`` as a part of a file name: letters, digits, dot and hyphen, at most 40 characters.

    Examples
    --------
    >>> safe_name("Harbor: night/2160p"), safe_name("..")
    ('Harbor-night-2160p', 'x')
    """
    kept = re.sub(r"[^A-Za-z0-9.]+", "-", text).strip("-.")
    return kept[:40].rstrip("-.") or "x"


Parts: TypeAlias = tuple[str, ...]
Made: TypeAlias = Iterator[tuple[str, Parts, Drawing]]


def _all(result: ReviewResult, theme: Theme, wanted: set[str]) -> Made:
    """Key, parts of the name and drawing of all charts of these kinds, kind by kind."""
    cuts, scenes = [cut.key for cut in result.cuts], [scene.key for scene in result.scenes]
    cards = candidates_of(result)
    # Of a cut without a cell in common there is nothing to draw.
    ranked = {item.cut for item in result.standings if item.mean_value is not None}
    # A single run is its own mean: every mark would lie at 0 %.
    has_sets = any(len(cell.run_names) > 1 for cell in result.cells)
    n_ranked, n_scene, n_matrix, n_repeat = (
        len(pages)
        for pages in (
            standings_pages(result),
            scene_pages(result, theme),
            matrix_pages(result, theme),
            repeatability_pages(result, theme) if has_sets else (),
        )
    )
    groups: list[tuple[str, Callable[..., Figure], list[tuple[int, Parts, dict[str, Any]]]]] = [
        ("standings", draw_standings, [(n_ranked, (cut,), {"cut": cut}) for cut in cuts if cut in ranked]),
        ("scene-bars", draw_scene_bars, [(n_scene, (scene,), {"scene": scene}) for scene in scenes]),
        ("ratios", draw_ratios, [item for card in cards for item in _ratios(result, theme, card)]),
        ("matrix", draw_verdict_matrix, [(n_matrix, (card,), {"candidate": card}) for card in cards]),
        ("value", draw_value, [(0, (cut,), {"cut": cut}) for cut in cuts if has_value(result, cut)]),
        ("efficiency", draw_efficiency, [(0, (cut,), {"cut": cut}) for cut in cuts if has_efficiency(result, cut)]),
        (
            "costs",
            draw_costs,
            [(n, (cut,), {"cut": cut}) for cut in cuts if (n := len(cost_pages(result, theme, cut)))],
        ),
        ("repeatability", draw_repeatability, [(n_repeat, (), {})] if has_sets else []),
    ]
    for key, draw, items in groups:
        for n_pages, parts, asked in items if key in wanted else ():
            for page in range(max(1, n_pages)):
                of_page = {"page": page} if n_pages else {}
                name = f"page{page + 1}" if n_pages > 1 else ""
                yield key, (*parts, name), partial(draw, result, theme, **asked, **of_page)
    for key in _SINGLES:
        for cell in result.cuts[0].cells if key in wanted else ():
            if any(entry is not None and entry.curves for entry in typical_runs(result, cell).values()):
                yield key, cell, partial(_draw_cell, key, result, theme, cell)


_SINGLES: Final[Mapping[str, tuple[Callable[..., Figure], str]]] = MappingProxyType(
    {
        "frame-time-panels": (draw_frame_time_panels, "frame times"),
        "percentiles": (draw_percentiles, "frame-time percentiles"),
        "distribution": (draw_distribution, "spread of frame times"),
    }
)


def _ratios(result: ReviewResult, theme: Theme, candidate: str) -> Iterator[tuple[int, Parts, dict[str, Any]]]:
    """Pages, parts of the name and choice of each chart of ratios of one card, in the cuts in which it is compared."""
    drawn = {item.cut for item in result.overall if item.candidate == candidate and item.ratio is not None}
    keys = [cut.key for number, cut in enumerate(result.cuts) if number == 0 or cut.key in drawn]
    groups = _panels(keys, most_cuts(theme))
    for metric in result.metrics:
        for number, cuts in enumerate(groups):
            shown = "" if metric.key == result.headline else metric.key
            group = f"cuts{number + 1}" if len(groups) > 1 else ""
            asked = {"candidate": candidate, "metric": metric.key, "cuts": tuple(cuts)}
            yield len(ratio_pages(result, cuts)), (candidate, shown, group), asked


def _panels(keys: list[str], most: int) -> list[list[str]]:
    """Cuts of each figure. The first panel is that of all cells, so that a cut is always seen beside them."""
    rest = keys[most:]
    step = max(1, most - 1)
    return [keys[:most]] + [[*keys[: most - 1][:1], *rest[start : start + step]] for start in range(0, len(rest), step)]


def typical_runs(result: ReviewResult, cell: Cell) -> dict[str, RunEntry | None]:
    """For each card the run of a cell that lies closest to the mean of its set in the headline metric."""
    runs = {run.name: run for run in result.runs}
    found: dict[str, RunEntry | None] = {card.key: None for card in result.cards}
    for summary in result.cells:
        if (summary.scene, summary.resolution) != cell:
            continue
        estimate = summary.estimates.get(result.headline)
        mean = None if estimate is None else estimate.value
        best = math.inf
        for name in summary.run_names:
            value = runs[name].values.get(result.headline)
            distance = math.inf if value is None or mean is None else abs(value - mean)
            if found[summary.card] is None or distance < best:
                found[summary.card], best = runs[name], distance
    return found


def _draw_cell(key: str, result: ReviewResult, theme: Theme, cell: Cell) -> Figure:
    traces: list[RunTrace] = []
    for card, entry in typical_runs(result, cell).items():
        if entry is not None and entry.curves and len(traces) < MOST_RUNS:
            run = f"run {entry.run}" if entry.run.isdigit() else entry.run
            label = f"{result.card(card).label} · {run}"
            traces.append(trace_of_entry(entry, label=label, card=card_index(result, card)))
    draw, words = _SINGLES[key]
    title = f"{cell_label(result, cell)}: {words}"
    return draw(traces, theme, title=title, note="Of each card the run closest to its mean.")


def tuning_figures(
    summary: TuningSummary, theme: Theme, *, only: Collection[str] | None = None
) -> list[tuple[str, Callable[[], Figure]]]:
    """Name and drawing of each chart of a tuning record; a chart without anything to show is left out.

    Parameters
    ----------
    summary : TuningSummary
    theme : Theme
    only : collection of str or None
        Keys of the catalog.
    """
    wanted = set(keys_for("tuning") if only is None else only)
    found: list[tuple[str, Callable[[], Figure]]] = []
    if "tuning-map" in wanted and summary.clock_map:
        found.append(("tuning-map", partial(draw_tuning_map, summary, theme)))
    is_of_clocks = bool(summary.clock_map)
    if "tuning-gain" in wanted and is_of_clocks and (gain_lines(summary, "core") or gain_lines(summary, "memory")):
        found.append(("tuning-gain", partial(draw_tuning_gain, summary, theme)))
    return found
