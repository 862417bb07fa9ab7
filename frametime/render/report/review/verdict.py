"""The first thing on the page: for each candidate, whether it is ahead, by how much, and how sure that is."""

from __future__ import annotations

import math
from typing import Final

from frametime.render.report.document import (
    Block,
    Fact,
    Line,
    Number,
    Paragraph,
    Strip,
    VerdictCard,
    VerdictCards,
)
from frametime.render.report.parts import (
    VERDICT_MARKS,
    by_weight,
    change,
    change_range,
    count,
    money,
    sentence_case,
    share_pct,
)
from frametime.render.report.review.words import Words
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison

REACHES: Final = (1.05, 1.1, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0, 100.0)
"""Ends of the scale of a strip: the first that holds every interval is taken."""


def lead_blocks(result: ReviewResult) -> tuple[Block, ...]:
    """Verdict cards over all cells by the headline metric, and what the words mean."""
    words = Words(result)
    first_cut = result.cuts[0].key
    chosen = [
        (number, comparison)
        for number, comparison in enumerate(result.overall)
        if comparison.cut == first_cut and comparison.metric == result.headline
    ]
    reach = strip_reach([comparison for _, comparison in chosen], result.margin)
    cards = tuple(_card(result, words, number, comparison, reach) for number, comparison in chosen)
    return (*([VerdictCards(cards=cards)] if cards else []), _reading_help(result))


def strip_reach(comparisons: list[OverallComparison], margin: float) -> float:
    """One scale for all strips: the first of `REACHES` that holds every interval and twice the margin."""
    widest = 2.0 * math.log1p(margin)
    for comparison in comparisons:
        interval = comparison.interval_these_scenes
        bounds = (interval.low, interval.high) if interval else ()
        for ratio in (comparison.ratio, *bounds):
            if ratio is not None and ratio > 0.0:
                widest = max(widest, abs(math.log(ratio)))
    return next((reach for reach in REACHES if math.log(reach) >= widest), REACHES[-1])


def strip(comparison: OverallComparison, margin: float, reach: float) -> Strip | None:
    """The picture of an interval, where there is one."""
    interval = comparison.interval_these_scenes
    if comparison.ratio is None or interval is None or not interval.low > 0.0:
        return None
    return Strip(
        value=comparison.ratio,
        low=interval.low,
        high=interval.high,
        margin=margin,
        reach=reach,
        tone=VERDICT_MARKS[comparison.verdict].tone,
    )


def counts_line(comparison: OverallComparison) -> Line:
    """In how many cells the candidate is what; verdicts that no cell has are not named."""
    parts: list[str | Number] = []
    for name in ("ahead", "tied", "undecided", "behind"):
        number: int = getattr(comparison.counts, name)
        if number == 0:
            continue
        parts += [", " if parts else "", count(number, f"counts/{name}"), f" {name}"]
    return tuple(part for part in parts if part != "") or ("none",)


def _reading_help(result: ReviewResult) -> Paragraph:
    margin = Number(text=share_pct(result.margin), value=result.margin, origin="/margin", shown_as="percent")
    return Paragraph(
        content=(
            "How to read this: a difference counts as meaningful from ",
            margin,
            " on, the margin of this review and the gray band in the pictures. Ahead and behind are differences of at"
            " least that size that the runs carry; tied means that the difference is shown to be smaller than the"
            " margin; undecided means that these runs cannot tell.",
        )
    )


def _card(result: ReviewResult, words: Words, number: int, comparison: OverallComparison, reach: float) -> VerdictCard:
    these, like_these = comparison.interval_these_scenes, comparison.interval_scenes_like_these
    facts = [
        Fact(term="By cell", content=(*counts_line(comparison), " of ", *_cells(comparison))),
        Fact(
            term="Other scenes like these",
            content=(
                VERDICT_MARKS[comparison.verdict_scenes_like_these],
                " ",
                change_range(like_these, "interval_scenes_like_these", reason="too few scenes give no interval"),
            ),
        ),
        *_value_facts(result, comparison),
        *_efficiency_facts(result, comparison),
    ]
    range_line: Line = (
        ("95 % interval ", change_range(these, "interval_these_scenes"), ", these scenes repeated")
        if these
        else ("no interval: too few runs",)
    )
    return VerdictCard(
        name=words.cards[comparison.candidate],
        against=f"{sentence_case(words.headline.label)} against {words.against(comparison)}",
        mark=VERDICT_MARKS[comparison.verdict],
        amount=(change(comparison.ratio, "ratio"),),
        range=range_line,
        strip=strip(comparison, result.margin, reach),
        sentence=comparison.sentence,
        facts=tuple(facts),
        notes=by_weight(comparison.caveats),
        origin=f"overall/{number}",
    )


def _cells(comparison: OverallComparison) -> Line:
    return (count(comparison.n_cells, "n_cells"), " cells in ", count(comparison.n_scenes, "n_scenes"), " scenes")


def _value_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    for number, row in enumerate(result.value):
        if row.cut != comparison.cut or row.card != comparison.candidate or row.price is None:
            continue
        origin = f"/value/{number}"
        price = money(row.price, f"{origin}/price")
        facts = [Fact(term="Price", content=(price, f" {row.currency}" if row.currency else ""))]
        if row.value_ratio is not None:
            interval = row.value_ratio_interval
            content: Line = (change(row.value_ratio, f"{origin}/value_ratio"),)
            if interval:
                content += (" (", change_range(interval, f"{origin}/value_ratio_interval"), ")")
            facts.append(Fact(term="Frames for the money", content=content))
        return facts
    return []


def _efficiency_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    for number, row in enumerate(result.efficiency):
        if row.cut == comparison.cut and row.card == comparison.candidate and row.efficiency_ratio is not None:
            origin = f"/efficiency/{number}"
            content: Line = (change(row.efficiency_ratio, f"{origin}/efficiency_ratio"),)
            if row.efficiency_interval:
                content += (" (", change_range(row.efficiency_interval, f"{origin}/efficiency_interval"), ")")
            return [Fact(term="Frames for the energy", content=content)]
    return []
