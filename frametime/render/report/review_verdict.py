"""The first thing on the page: for each candidate, whether it is ahead, by how much, and how sure that is."""

from __future__ import annotations

from frametime.render.report.document import Block, Fact, Paragraph, VerdictCard, VerdictCards
from frametime.render.review_words import ReviewWords
from frametime.render.tables.parts import (
    VERDICT_MARKS,
    by_weight,
    change,
    change_line,
    change_range,
    count,
    money,
    sentence_case,
    share_pct,
)
from frametime.render.tables.review_standings import counts_line, overall_reach, overall_strip
from frametime.render.tables.table import Line, Number
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison


def lead_blocks(result: ReviewResult) -> tuple[Block, ...]:
    """Verdict cards over all cells by the headline metric, and what the words mean."""
    words = ReviewWords(result)
    first_cut = result.cuts[0].key
    chosen = [
        (number, comparison)
        for number, comparison in enumerate(result.overall)
        if comparison.cut == first_cut and comparison.metric == result.headline
    ]
    reach = overall_reach([comparison for _, comparison in chosen], result.margin)
    cards = tuple(_card(result, words, number, comparison, reach) for number, comparison in chosen)
    return (*([VerdictCards(cards)] if cards else []), _reading_help(result))


def _reading_help(result: ReviewResult) -> Paragraph:
    margin = Number(text=share_pct(result.margin), value=result.margin, origin="/margin", shown_as="percent")
    return Paragraph(
        (
            "How to read this: a difference counts as meaningful from ",
            margin,
            " on, the margin of this review and the gray band in the pictures. Ahead and behind are differences of at"
            " least that size that the runs carry; tied means that the difference is shown to be smaller than the"
            " margin; undecided means that these runs cannot tell.",
        )
    )


def _card(
    result: ReviewResult, words: ReviewWords, number: int, comparison: OverallComparison, reach: float
) -> VerdictCard:
    these, like_these = comparison.interval_these_scenes, comparison.interval_scenes_like_these
    facts = [
        Fact("By cell", (*counts_line(comparison), " of ", *_cells(comparison))),
        Fact(
            "Other scenes like these",
            (
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
        strip=overall_strip(comparison, result.margin, reach),
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
        facts = [Fact("Price", (price, f" {row.currency}" if row.currency else ""))]
        if row.value_ratio is not None:
            content = change_line(
                row.value_ratio, row.value_ratio_interval, f"{origin}/value_ratio", f"{origin}/value_ratio_interval"
            )
            facts.append(Fact("Speed for the money", content))
        return facts
    return []


def _efficiency_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    for number, row in enumerate(result.efficiency):
        if row.cut == comparison.cut and row.card == comparison.candidate and row.efficiency_ratio is not None:
            origins = (f"/efficiency/{number}/efficiency_ratio", f"/efficiency/{number}/efficiency_interval")
            content = change_line(row.efficiency_ratio, row.efficiency_interval, *origins)
            return [Fact("Frames per joule", content)]
    return []
