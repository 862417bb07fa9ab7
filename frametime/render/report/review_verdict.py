"""The first thing on the page, who wins and how sure that is; then each candidate against the baseline."""

from __future__ import annotations

from frametime.render.report.document import Answers, Block, Fact, Paragraph, VerdictCard, VerdictCards
from frametime.render.report.review_bars import standings_bars
from frametime.render.review_words import ReviewWords
from frametime.render.tables.parts import by_weight, count, percent, sentence_case
from frametime.render.tables.review_standings import overall_table
from frametime.render.tables.review_value import efficiency_table, value_table
from frametime.render.tables.table import Line, Mark, Range, Row, Strip, Table
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison


def lead_blocks(result: ReviewResult) -> tuple[Block, ...]:
    """The first screen: four answers, all cards as one picture, and what the words mean."""
    cut, told = result.cuts[0].key, result.answers[result.cuts[0].key]
    questions = {"Speed": told.first, "Price": told.price, "Power": told.power, "Not sure": told.uncertain}
    answers = Answers(tuple(Fact(term, (text,)) for term, text in questions.items()))
    how_to_read: Line = (
        "A difference counts from ",
        percent(result.margin, "/margin"),
        " on, the margin of this review. Ahead and behind are differences of at least that size that the runs carry;"
        " tied means that the difference is shown to be smaller than the margin; undecided means that these runs"
        " cannot tell.",
    )
    return (answers, standings_bars(result, cut, result.headline, key="first-bars"), Paragraph(how_to_read))


def verdict_cards(result: ReviewResult) -> VerdictCards:
    """Each candidate against the baseline over all cells by the headline metric."""
    table = overall_table(result)
    return VerdictCards(
        tuple(
            _card(result, comparison, table, row)
            for comparison, row in zip(result.overall, table.rows, strict=True)
            if comparison.cut == result.cuts[0].key and comparison.metric == result.headline
        )
    )


def _card(result: ReviewResult, comparison: OverallComparison, table: Table, row: Row) -> VerdictCard:
    words = ReviewWords(result)
    verdict, picture = table.line(row, "verdict")[0], table.line(row, "picture")[0]
    like_these = (*table.line(row, "verdict_like_these"), " ", *table.line(row, "interval_scenes_like_these"))
    cells = (count(comparison.n_cells, f"/{row.origin}/n_cells"), " cells in ")
    scenes = (count(comparison.n_scenes, f"/{row.origin}/n_scenes"), " scenes")
    assert isinstance(verdict, Mark), "every comparison has a verdict"
    return VerdictCard(
        name=words.cards[comparison.candidate],
        against=f"{sentence_case(words.headline.label)} against {words.baseline}",
        mark=verdict,
        amount=table.line(row, "ratio"),
        range=("95 % interval ", *table.line(row, "interval_these_scenes"), ", these scenes repeated")
        if comparison.interval_these_scenes
        else ("no interval: too few runs",),
        strip=picture if isinstance(picture, Strip) else None,
        sentence=comparison.sentence,
        facts=(
            Fact("By cell", (*table.line(row, "counts"), " of ", *cells, *scenes)),
            Fact("Other scenes like these", like_these),
            *_value_facts(result, comparison),
        ),
        notes=by_weight(comparison.caveats),
    )


def _value_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    """Price, and what the speed costs in money and in energy, as far as it is known."""
    value, power = (
        made(result).where(card=comparison.candidate, cut=comparison.cut) for made in (value_table, efficiency_table)
    )
    currency = next((f" {card.currency}" for card in result.cards if card.currency), "")
    facts = [Fact("Price", (*value.line(row, "price"), currency)) for row in value.rows]
    for term, table, ratio, interval in (
        ("Speed for the money", value, "value_ratio", "value_ratio_interval"),
        ("Frames per joule", power, "efficiency_ratio", "efficiency_interval"),
    ):
        for row in table.rows:
            change, ends = table.line(row, ratio), table.line(row, interval)
            told = (*change, " (", *ends, ")") if isinstance(ends[0], Range) else change
            facts += [] if table.exact(row, ratio) is None else [Fact(term, told)]
    return facts
