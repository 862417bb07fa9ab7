"""Frame times of the runs of a review for the page, as many points a run as the page has room for."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.render.report.document import Trace, TraceSet, TraceView
from frametime.render.report.review.words import Words
from frametime.render.report.traces import STEPS, trace
from frametime.review.result import ReviewResult, RunEntry

_KEY = "trace-view"
_SAMPLED_RUNS = 40
_CAPTION = (
    "Each line is one run: the light band reaches from the least to the greatest frame time of each step of time,"
    " so that no spike is lost. The scale starts at zero; lower is better, and a gap means that no frame ended there."
)


def place_of_traces(result: ReviewResult) -> TraceView | None:
    """The view without its runs, to keep its place in a page; ``None`` where no run has a trace."""
    if not any("trace_low" in run.curves and "trace_high" in run.curves for run in result.runs):
        return None
    return TraceView(key=_KEY, caption=_CAPTION, statement="", sets=())


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
    runs = [run for run in result.runs if "trace_low" in run.curves and "trace_high" in run.curves]
    if not runs:
        return None
    n_longest = max(len(run.curves["trace_low"].x) for run in runs)
    finest = (n_longest,) if n_longest <= STEPS[0] else ()
    for n_steps in (*finest, *(steps for steps in STEPS if steps < n_longest)):
        # Packing is the work here, so a few runs say first whether all of them can fit.
        few = runs[:: max(1, len(runs) // _SAMPLED_RUNS)]
        if _size(_view(result, few, n_steps)) * len(runs) > 1.1 * room_bytes * len(few):
            continue
        view = _view(result, runs, n_steps)
        if _size(view) <= room_bytes:
            return view
    n_most = max(_numbers(runs).values())
    for n_kept in range(n_most - 1, 0, -1):
        kept = [run for run in runs if _numbers(runs)[run.name] <= n_kept]
        view = _view(result, kept, STEPS[-1], n_left_out=len(runs) - len(kept))
        if _size(view) <= room_bytes:
            return view
    return None


def _numbers(runs: Sequence[RunEntry]) -> dict[str, int]:
    """The how-manieth run of its card in its cell each run is, from 1."""
    counts: dict[tuple[str, str, str], int] = {}
    numbers = {}
    for run in runs:
        place = (run.card, run.scene, run.resolution)
        counts[place] = counts.get(place, 0) + 1
        numbers[run.name] = counts[place]
    return numbers


def _size(view: TraceView) -> int:
    return sum(len(item.packed) + 110 for part in view.sets for item in part.traces)


def _view(result: ReviewResult, runs: Sequence[RunEntry], n_steps: int, *, n_left_out: int = 0) -> TraceView:
    words = Words(result)
    places = dict.fromkeys((run.scene, run.resolution) for run in runs)
    sets = tuple(
        TraceSet(
            label=f"{words.scenes[scene]}, {resolution}",
            traces=tuple(
                _trace(words, run, n_steps) for run in runs if (run.scene, run.resolution) == (scene, resolution)
            ),
        )
        for scene, resolution in places
    )
    statement = f"{len(runs)} runs in at most {n_steps} steps of equal length each"
    if n_left_out:
        statement += f"; {n_left_out} later runs of the same cells are left out, so that the page stays small"
    return TraceView(
        key=_KEY,
        caption=_CAPTION,
        statement=f"{statement}. The frames themselves are in the logs under Provenance.",
        sets=sets,
    )


def _trace(words: Words, run: RunEntry, n_steps: int) -> Trace:
    remarks = [text for text, applies in (("flagged", run.flag), ("left out", run.excluded_reason)) if applies]
    label = f"{words.cards[run.card]}, run {run.run}" + "".join(f", {text}" for text in remarks)
    return trace(
        label,
        words.cards[run.card],
        run.curves["trace_low"],
        run.curves["trace_high"],
        duration_s=run.duration_s,
        n_steps=n_steps,
    )
