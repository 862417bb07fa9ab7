"""What the scripts of a page read: frame times of runs, and what a reader's own choice of cells and prices needs.

Frame times are packed small enough to lie in a page, as many points a run as the page has room for: each run becomes
a number of equal steps of time, each with its least and its greatest frame time, in whole microseconds as unsigned
32-bit integers: first all least, then all greatest. The bytes are put in order of their place in the integer (all
lowest bytes first), which lets the high, mostly zero bytes shrink to nothing, deflated, and written in base64. A step
in which no frame ended is 0 in both: a gap in the line.
"""

from __future__ import annotations

import base64
import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.metric import Curve
from frametime.render.report.document import ReaderChoice, TraceView
from frametime.render.report.review_blocks import card_colors
from frametime.render.review_words import metric_heading, remarks
from frametime.render.tables.parts import VERDICT_MARKS
from frametime.review.cell_summaries import has_logs
from frametime.review.design import priced_alike
from frametime.review.result import ReviewResult, RunEntry
from frametime.review.result_tables import CellLogMean

STEPS: Final = (1200, 900, 600, 450, 300, 220, 160, 120)
"""Numbers of steps a run, finest first; the first that fits the page is taken."""


def envelope(low: Curve, high: Curve, *, duration_s: float, n_steps: int) -> tuple[NDArray[np.uint32], ...]:
    """Least and greatest frame time of each of ``n_steps`` equal steps, in microseconds.

    No extreme is lost: a step keeps the least of the least and the greatest of the greatest.

    Parameters
    ----------
    low, high : Curve
        Elapsed time in s to least and greatest frame time in ms.
    duration_s : float
    n_steps : int

    Returns
    -------
    tuple of two ndarray of uint32, shape (n_steps,)
    """
    if not duration_s > 0.0:
        raise ValueError(f"duration_s must be positive, got {duration_s!r}")
    times_s = np.asarray(low.x, dtype=np.float64)
    place = np.clip((times_s / duration_s * n_steps).astype(np.int64), 0, n_steps - 1)
    least = np.full(n_steps, np.inf)
    np.minimum.at(least, place, np.asarray(low.y, dtype=np.float64))
    greatest = np.zeros(n_steps)
    np.maximum.at(greatest, place, np.asarray(high.y, dtype=np.float64))
    least[~np.isfinite(least)] = 0.0
    return tuple(np.rint(side * 1000.0).astype(np.uint32) for side in (least, greatest))


def pack(sides: tuple[NDArray[np.uint32], ...]) -> str:
    """Integers as deflated base64; see the head of this module."""
    planes = np.concatenate(sides).astype("<u4").view(np.uint8).reshape(-1, 4).T.copy()
    return base64.b64encode(zlib.compress(planes.tobytes(), 9)).decode("ascii")


def trace(low: Curve, high: Curve, *, duration_s: float, n_steps: int, **told: str) -> dict[str, Any]:
    """One run, packed, behind what is told of it; never more steps than the curve has points."""
    steps = max(1, min(n_steps, len(low.x)))
    sides = envelope(low, high, duration_s=duration_s, n_steps=steps)
    return {**told, "duration_s": duration_s, "n_steps": steps, "packed": pack(sides)}


_SAMPLED_RUNS = 40
_CAPTION = (
    "Each line is one run: the light band reaches from the least to the greatest frame time of each step of time,"
    " so that no spike is lost. The scale follows the frame times shown, and the longest is named; lower is better, and"
    " a gap means that no frame ended there."
)


def place_of_traces(result: ReviewResult) -> TraceView | None:
    """The view without its runs, to keep its place in a page; ``None`` where no run has a trace."""
    return _view("", []) if _traced(result) else None


def _traced(result: ReviewResult) -> list[RunEntry]:
    return [run for run in result.runs if "trace_low" in run.curves and "trace_high" in run.curves]


def _view(statement: str, sets: Sequence[Mapping[str, object]]) -> TraceView:
    return TraceView(key="trace-view", caption=_CAPTION, statement=statement, data={"sets": sets})


def review_traces(result: ReviewResult, *, room_bytes: int) -> TraceView | None:
    """The view, or ``None`` where no run has a trace.

    The finest number of steps that fits is taken for all runs; where even the coarsest does not fit, the later runs
    of each card in each cell are left out. The statement of the view says what was done.

    Parameters
    ----------
    result : ReviewResult
    room_bytes : int
        How large the packed traces may be together.
    """
    runs = _traced(result)
    if not runs:
        return None
    longest = max(len(run.curves["trace_low"].x) for run in runs)
    repeats: Counter[tuple[str, str, str]] = Counter()
    numbers = {}  # the how-manieth run of its card in its cell each run is
    for run in runs:
        repeats[run.place] += 1
        numbers[run.name] = repeats[run.place]
    most = max(repeats.values())
    finest = (longest,) if longest <= STEPS[0] else ()
    of_all = ((steps, most) for steps in (*finest, *(steps for steps in STEPS if steps < longest)))
    for n_steps, n_kept in (*of_all, *((STEPS[-1], fewer) for fewer in range(most - 1, 0, -1))):
        kept = [run for run in runs if numbers[run.name] <= n_kept]
        # Packing is the work here, so a few runs say first whether all of them can fit.
        few = kept[:: max(1, len(kept) // _SAMPLED_RUNS)]
        if _size(_sets(result, few, n_steps)) * len(kept) > 1.1 * room_bytes * len(few):
            continue
        if _size(sets := _sets(result, kept, n_steps)) <= room_bytes:
            told = f"{len(kept)} runs in at most {n_steps} steps of equal length each"
            if n_out := len(runs) - len(kept):
                told += f"; {n_out} later runs of the same cells are left out, so that the page stays small"
            return _view(f"{told}. The frames themselves are in the logs under Provenance.", sets)
    return None


def _size(sets: Sequence[Mapping[str, Any]]) -> int:
    return sum(len(item["packed"]) + 110 for part in sets for item in part["traces"])


def _sets(result: ReviewResult, runs: Sequence[RunEntry], n_steps: int) -> list[dict[str, Any]]:
    """Runs that are looked at together: those of a cell."""
    colors = card_colors(result)
    sets: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for run in runs:
        label = ", ".join((result.label(run.card), f"run {run.run}", *remarks(run)))
        told = {"label": label, "group": result.label(run.card), "color": colors[run.card]}
        low, high = run.curves["trace_low"], run.curves["trace_high"]
        packed = trace(low, high, duration_s=run.duration_s, n_steps=n_steps, **told)
        sets.setdefault((run.scene, run.resolution), []).append(packed)
    return [
        {"label": f"{result.scene(scene).label}, {resolution}", "traces": traces}
        for (scene, resolution), traces in sets.items()
    ]


def reader_choice(result: ReviewResult) -> ReaderChoice:
    """Cards, scenes and cells by their places in the plan, and the mean logs of every cell.

    ``means`` holds for each metric, card and cell the mean log, and of its two scatters (among many, alone) standard
    error, degrees of freedom and whether the card's pooled scatter stands in; ``null`` where there is no mean.
    ``lacking`` holds for every other metric the pairs of card and cell without a value of it.
    """
    cells = result.cuts[0].cells
    scenes = [scene.key for scene in result.scenes]
    cards = [card.key for card in result.cards]
    known = {(item.metric, *item.place): item for item in result.log_means}
    metrics = list(dict.fromkeys([result.headline, *(item.metric for item in result.log_means)]))
    estimates = {item.place: item.estimates for item in result.cells}

    pairs = [
        (place, at, estimates.get((card, *cell))) for place, card in enumerate(cards) for at, cell in enumerate(cells)
    ]
    priced = priced_alike(result.cards)
    colors = card_colors(result)
    return ReaderChoice(
        {
            "margin": result.margin,
            "baseline": cards.index(result.baseline),
            "sample": result.sample_unit,
            "currency": priced[0].currency or "",
            "has_value": bool(result.value),
            "speed": metrics.index(result.value[0].metric) if result.value else 0,
            "cards": [
                {"label": card.label, "price": card.price, "currency": card.currency, "color": colors[card.key]}
                for card in priced
            ],
            "scenes": [{"label": scene.label, "tags": list(scene.tags)} for scene in result.scenes],
            "resolutions": list(result.resolutions),
            "cells": [[scenes.index(scene), result.resolutions.index(resolution)] for scene, resolution in cells],
            "metrics": [
                {"heading": metric_heading(result, key), "better": result.metric(key).better} for key in metrics
            ],
            "means": [
                [[_packed(known.get((metric, card, *cell))) for cell in cells] for card in cards] for metric in metrics
            ],
            "lacking": [
                [[place, at] for place, at, found in pairs if not (found and has_logs(found[entry.key].run_values))]
                for entry in result.metrics
                if entry.key != result.headline
            ],
            "marks": {word: [mark.symbol, mark.tone] for word, mark in VERDICT_MARKS.items()},
        }
    )


def _packed(item: CellLogMean | None) -> list[object] | None:
    if item is None:
        return None
    scatters = (
        (part.standard_error, part.degrees_of_freedom, int(part.is_pooled)) for part in (item.among_many, item.alone)
    )
    return [item.mean, *chain.from_iterable(scatters)]
