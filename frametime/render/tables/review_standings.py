"""Who stands where over each cut, how far each card lies from the baseline, and which cells that rests on."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from frametime.render.review_words import VERDICTS, ReviewWords, first_reason
from frametime.render.tables.parts import (
    VERDICT_MARKS,
    cell,
    codes,
    columns_of,
    count,
    filled,
    once_a_result,
    reach_words,
    strip,
    strip_reach,
    verdict_cell,
    words_table,
)
from frametime.render.tables.table import Line, Table
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison, Standing
from frametime.review.words.sentence import cells_words

PLACED: Final = ("card", "place", "mean_value", "ratio_to_baseline", "interval", "others", "n_cells")
"""Columns of the cards of a table."""
APART: Final = ("card", "mean_value", "baseline_mean_value", "ratio_to_baseline", "interval", "n_cells")
"""Columns of cards that stand apart: each has a baseline mean of its own."""


@once_a_result
def standings_table(result: ReviewResult) -> Table:
    """Each card by each metric over each cut."""
    words = ReviewWords(result)
    columns = columns_of("standings-all", baseline=words.baseline)
    overall = {(item.cut, item.metric, item.candidate): item for item in result.overall}
    value = {(item.cut, item.metric, item.card): item for item in result.value}
    rows = []
    for number, item in enumerate(result.standings):
        key = (item.cut, item.metric, item.card)
        pair, money, is_base = overall.get(key), value.get(key), item.card == result.baseline
        of_pair = {} if pair is None else _of_pair(result, item, pair)
        of_value = {} if money is None else {name: getattr(money, name) for name in _OF_VALUE}
        values = {
            **words.labels(item, item.caveats, on="card"),
            "unit": words.metrics[item.metric].unit,
            "place": cell(item.place, sort=float((item.best_place or 999) * 1000 + (item.worst_place or 999))),
            "baseline": result.baseline,
            "ratio_to_baseline": cell("baseline", data=1.0) if is_base else item.ratio_to_baseline,
            "interval": cell("baseline") if is_base else item.interval,
            "others": ", ".join(words.cards[other] for other in item.not_told_apart_from) or None,
            **of_pair,
            **of_value,
            "caveats": codes(item.caveats if pair is None else pair.caveats),
        }
        reason = first_reason(item.caveats, "this card shares no cell with the others")
        rows.append(filled(columns, values, of=item, origin=f"standings/{number}", reason=reason))
    return Table(
        "standings-all",
        "Standings by every metric and cut: lower frame times and higher rates are better. A row's mean and"
        " that of the baseline beside it rest on the same cells.",
        columns,
        tuple(rows),
        is_long=True,
    )


_OF_VALUE: Final = (
    *("price", "currency", "fps_per_money", "value_ratio", "value_ratio_interval"),
    *("break_even_price", "break_even_interval"),
)


def _of_pair(result: ReviewResult, item: Standing, pair: OverallComparison) -> dict[str, object]:
    return {
        "verdict": pair.verdict,
        "verdict_scenes_like_these": pair.verdict_scenes_like_these,
        "like_these": pair.interval_scenes_like_these,
        **{f"cells_{word}": getattr(pair.counts, word) for word in VERDICTS},
        "cells_missing": result.cells_of(item.cut).n_planned - item.n_cells,
    }


def standings_of(result: ReviewResult, everything: Table, cut: str, *, key: str) -> tuple[Table, ...]:
    """The cards of one cut by the headline metric, and those that stand apart in a table of their own."""
    words = ReviewWords(result)
    chosen = everything.where(cut=cut, metric=result.headline)
    cells = result.cells_of(cut)
    said = cells_words(cells.cells, n_planned=cells.n_planned)
    labels = {"mean_value": words.metric_heading(result.headline)}
    placed = chosen.where(stands_apart=False).view(
        *PLACED,
        key=key,
        caption=f"Standings by {words.headline.label}, {words.cuts[cut]}: geometric means over {said}; "
        f"{words.better(result.headline)}.",
        labels=labels,
        long_from=len(chosen.rows),
    )
    apart = chosen.where(stands_apart=True).view(
        *APART,
        key=f"{key}-apart",
        caption=f"Cards with too few cells for a place, {words.cuts[cut]}: each on the cells that it shares with "
        f"{words.baseline}.",
        labels=labels,
        long_from=len(chosen.rows),
    )
    return tuple(table for table in (placed, apart) if table.rows)


@once_a_result
def overall_table(result: ReviewResult) -> Table:
    """Each card against the baseline by each metric over each cut."""
    words = ReviewWords(result)
    by_headline = [item for item in result.overall if item.metric == result.headline]
    reach = _reach(by_headline, result.margin)
    columns = columns_of("overall", reach=reach_words(reach))
    rows = []
    for number, item in enumerate(result.overall):
        small = (", real but small",) if item.real_but_small else ()
        tone = VERDICT_MARKS[item.verdict].tone
        values = {
            **words.labels(item, item.caveats, on="cut"),
            "picture": strip(item.ratio, item.interval_these_scenes, tone, reach=reach, margin=result.margin),
            "verdict": verdict_cell(item.verdict, *small),
            "verdict_like_these": verdict_cell(item.verdict_scenes_like_these),
            "counts": cell(*_counts_line(item)),
        }
        reason = first_reason(item.caveats, "too few runs or scenes")
        rows.append(filled(columns, values, of=item, origin=f"overall/{number}", reason=reason))
    better = words.difference_hint(result.headline)
    return Table(
        "overall",
        f"Difference to the baseline {words.baseline} by {words.headline.label}, over the cells of the "
        f"standings of each cut: {better}.",
        columns,
        tuple(rows),
    )


def _reach(comparisons: Iterable[OverallComparison], margin: float) -> float:
    """One scale that holds every interval over these scenes."""
    told = [(item.ratio, item.interval_these_scenes) for item in comparisons]
    ends = (end for _, interval in told if interval for end in (interval.low, interval.high))
    return strip_reach([*(ratio for ratio, _ in told), *ends], margin=margin)


def _counts_line(comparison: OverallComparison) -> Line:
    """In how many cells the candidate is what; verdicts that no cell has are not named."""
    numbers = {name: getattr(comparison.counts, name) for name in VERDICTS}
    parts = [(", ", count(number, f"counts/{name}"), f" {name}") for name, number in numbers.items() if number]
    return tuple(part for told in parts for part in told)[1:] or ("none",)


def left_out_table(result: ReviewResult, cut: str, *, key: str) -> Table:
    """Cells of a cut that its tables leave out, each once."""
    words = ReviewWords(result)
    rows = (
        (words.scenes[item.scene], item.resolution, ", ".join(words.cards[card] for card in item.cards))
        for item in result.cells_of(cut).left_out
    )
    caption = "Cells left out of these tables, as not every card has a usable value there."
    return words_table(key, caption, rows, columns="left-out")
