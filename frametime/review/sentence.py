"""The result in plain words, built from the numbers and from nothing else; caveats by the texts of ``caveats.txt``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

from frametime.caveats import Caveat, Weight
from frametime.review.design import ReviewDesign
from frametime.review.result_tables import MissingCell, OverallComparison, Standing
from frametime.statistics.interval import Interval
from frametime.words import counted, entries, joined, percent_change, percent_change_words, signed

ONE_SCENE = "One scene alone says nothing of other scenes."
NONE_NAMED = "not enough runs to name single cells"
"""Said where the whole is clear and no single cell stands among so many (Holm's adjustment)."""

AGAINST = {"ahead": "ahead of", "behind": "behind", "tied": "tied with", "undecided": "not told apart from"}
_NO_INTERVAL = {
    "one-run": "single runs, so its uncertainty is unknown",
    "no-scatter": "runs that are all equal, so its uncertainty is unknown",
}
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
MOST_NAMES = 3
"""More cards or cells than these are counted, with one example."""


@cache
def texts(name: str) -> dict[str, list[str]]:
    """The entries of a text file beside this one, by their keys."""
    return {key: rest for key, *rest in entries(Path(__file__).with_name(name).read_text("utf-8"))}


def method(key: str, **words: object) -> str:
    """How one number was made, by the texts of ``methods.txt``, with its numbers and names put in."""
    return texts("methods.txt")[key][0].format(**words)


def caveat_of(key: str, *metrics: str, **words: object) -> Caveat:
    """A caveat of ``caveats.txt`` about some metrics, or about all, with its numbers and names put in.

    The key is the code of the caveat; where a code has several texts, what follows a slash tells them apart.

    Examples
    --------
    >>> found = caveat_of("runs-without-value", "average_fps", lacking=1, runs="3 runs")
    >>> found.code, found.message, found.weight.value
    ('runs-without-value', '1 of 3 runs have no value of this metric.', 'care')
    """
    weight, text = texts("caveats.txt")[key]
    return Caveat(code=key.partition("/")[0], message=text.format(**words), weight=Weight(weight), metrics=metrics)


def overall_sentence(design: ReviewDesign, item: OverallComparison) -> str:
    """Candidate against baseline over one cut: the difference, what similar scenes would give, and the cells."""
    parts = [difference(design, item), similar_scenes(item)]
    if item.ratio is not None:
        named = f": {NONE_NAMED}" if _is_clear(item) and item.n_cells > 1 and not item.n_named else ""
        card = "It" if _is_clear(item) else design.label(item.candidate)
        parts.append(f"{card} is {item.counts.in_words}{named}.")
    return " ".join(filter(None, parts))


def _is_clear(item: OverallComparison) -> bool:
    return item.verdict in {"ahead", "behind"}


def difference(design: ReviewDesign, item: OverallComparison) -> str:
    """By how much the candidate and the baseline differ over these scenes, and what that is called."""
    one, other = design.label(item.candidate), design.label(item.baseline)
    if item.ratio is None:
        return f"{one} and {other} cannot be compared here: no cell has usable runs of both."
    interval, label = item.interval_these_scenes, design.metric(item.metric).label
    if interval is None:
        told = [_NO_INTERVAL[caveat.code] for caveat in item.caveats if caveat.code in _NO_INTERVAL]
        why = told[0] if told else "runs that scatter too much for an interval"
        return f"{one} against {other}: {percent_change(item.ratio)} in {label}, from {why}."
    amount, margin = f"{percent_change_words(item.ratio, interval)} in {label}", f"{design.margin * 100.0:g} %"
    if _is_clear(item):
        return f"{one} is {AGAINST[item.verdict]} {other}: {amount}."
    if item.verdict == "tied":
        small = "; the difference is real, but small" if item.real_but_small else ""
        by = "" if max(interval.high, 1.0 / interval.low) < 1.0 + design.margin else "by its 90 % interval "
        return f"{one} and {other} are tied: {amount}, {by}inside the margin of {margin}{small}."
    shown = interval.low > 1.0 or interval.high < 1.0
    more = " of a card that lies in both sessions" if {item.candidate, item.baseline} & design.shelved.keys() else ""
    why = f"the difference is real, but perhaps less than {margin}" if shown else f"more runs{more} may decide"
    return f"{one} and {other} are not told apart: {amount}; {why}."


def similar_scenes(item: OverallComparison, against: str = "") -> str:
    """What other scenes of the same kind would give, ``against`` a card that has not just been named."""
    if (interval := item.interval_scenes_like_these) is None:
        return ONE_SCENE if item.n_scenes == 1 else ""
    verdict = item.verdict_scenes_like_these
    still = "still " if verdict == item.verdict else ""
    # Where no run was repeated, how far the scenes spread still holds the scatter of the runs.
    is_new = item.interval_these_scenes is None and not still
    where = "How the scenes spread tells more: in similar ones" if is_new else "In similar scenes"
    return f"{where} expect {expected(interval)}{against}: {still}{verdict}."


def expected(interval: Interval) -> str:
    """A span to expect, in whole percent where that tells its ends apart; without signs where both are above zero.

    Its ends are rounded outward: it is never narrower to read than the interval, nor than that of these scenes.

    Examples
    --------
    >>> def of(low, high):
    ...     return expected(Interval(low=low, high=high, level=0.95, method=""))
    >>> of(1.029, 1.14), of(0.943, 1.04), of(1.0312, 1.0345)
    ('2 to 14 %', '−6 to +4 %', '3.1 to 3.5 %')
    """
    ends = [(end - 1.0) * 100.0 for end in (interval.low, interval.high)]
    digits = 0 if round(ends[0]) != round(ends[1]) else 1
    spec, step = f"{'' if ends[0] >= 0.0 else '+'}.{digits}f", 10**digits
    low, high = round(ends[0] * step, 6) // 1.0 / step, -(round(-ends[1] * step, 6) // 1.0) / step
    return f"{signed(low, spec)} to {signed(high, spec)} %"


def ordinal(number: int) -> str:
    """A place in words.

    Examples
    --------
    >>> [ordinal(number) for number in (1, 2, 3, 4, 11, 12, 21, 102)]
    ['1st', '2nd', '3rd', '4th', '11th', '12th', '21st', '102nd']
    """
    ending = "th" if number % 100 in {11, 12, 13} else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def place_words(standing: Standing, label: Callable[[str], str]) -> str:
    """``1st``, ``tied for 2nd with Hollin 2``, or ``2nd to 4th`` where the runs carry neither an order nor a tie."""
    if standing.best_place is None or standing.worst_place is None:
        return "apart"
    if standing.tied_with:
        return f"tied for {ordinal(standing.best_place)} with {names_of(standing.tied_with, label)}"
    return " to ".join(ordinal(place) for place in dict.fromkeys((standing.best_place, standing.worst_place)))


def names_of(cards: Sequence[str], label: Callable[[str], str]) -> str:
    """The labels of a few cards, or how many there are."""
    if len(cards) <= MOST_NAMES:
        return joined([label(card) for card in cards])
    return f"{in_words(len(cards))} cards"


def in_words(count: int) -> str:
    """A count up to ten as a word."""
    return _NUMBERS[count] if count < len(_NUMBERS) else f"{count:,}"


def span_words(numbers: Sequence[int]) -> str:
    """The least and the greatest of some numbers; one of them where they are the same.

    Examples
    --------
    >>> span_words([5, 3, 4]), span_words([3, 3])
    ('3 to 5', '3')
    """
    return " to ".join(str(number) for number in dict.fromkeys((min(numbers), max(numbers))))


def cells_words(cells: Sequence[tuple[str, str]], *, n_planned: int | None = None) -> str:
    """How many cells a table rests on.

    Examples
    --------
    >>> grid = [(scene, resolution) for scene in ("a", "b") for resolution in ("1080p", "1440p", "2160p")]
    >>> cells_words(grid), cells_words(grid[:1]), cells_words(grid[:5], n_planned=6)
    ('2 scenes at 3 resolutions', '1 scene at 1080p', '2 scenes at 3 resolutions, 5 of 6 cells')
    """
    scenes, resolutions = (list(dict.fromkeys(cell[at] for cell in cells)) for at in (0, 1))
    if not cells:
        return "no cell"
    where = resolutions[0] if len(resolutions) == 1 else f"{len(resolutions)} resolutions"
    n_full = max(len(scenes) * len(resolutions), n_planned or 0)
    part = "" if len(cells) == n_full else f", {len(cells)} of {counted(n_full, 'cell')}"
    return f"{counted(len(scenes), 'scene')} at {where}{part}"


def left_out_words(design: ReviewDesign, left_out: Sequence[MissingCell]) -> str:
    """Which cells lack a card, as a sentence without its stop; more than three are counted, with one example."""
    told = [
        f"{names_of(item.cards, design.label)} in {design.cell_label(item.scene, item.resolution)}"
        + ("" if design.headline in item.metrics else f" (no value of {_lacking(design, item)})")
        for item in left_out
    ]
    if not told:
        return ""
    shown = "; ".join(told) if len(told) <= MOST_NAMES else f"{in_words(len(told))} cells, such as {told[0]}"
    return f"Missing: {shown}"


def _lacking(design: ReviewDesign, item: MissingCell) -> str:
    labels = {metric.key: metric.label for metric in design.metrics}
    return joined([labels.get(key, "average power") for key in item.metrics])
