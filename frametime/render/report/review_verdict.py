"""The first thing on the page: for each candidate, whether it is ahead, by how much, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterable

from frametime.caveats import Caveat
from frametime.render.report.document import Block, Fact, Line, Number, Paragraph, Strip, VerdictCard, VerdictCards
from frametime.render.report.document_parts import (
    VERDICT_MARKS,
    by_weight,
    change,
    change_line,
    change_range,
    count,
    money,
    sentence_case,
    share_pct,
    strip,
    strip_reach,
)
from frametime.render.review_words import VERDICTS
from frametime.review.result import ReviewResult
from frametime.review.result_tables import CellComparison, OverallComparison
from frametime.statistics.differences import Interval
from frametime.units import shown_unit


class ReviewWords:
    """Labels of cards, scenes, cuts and metrics of one result, and the phrases built from them."""

    def __init__(self, result: ReviewResult) -> None:
        self.cards = {entry.key: entry.label for entry in result.cards}
        self.scenes = {entry.key: entry.label for entry in result.scenes}
        self.cuts = {entry.key: entry.label for entry in result.cuts}
        self.metrics = {entry.key: entry for entry in result.metrics}
        self.baseline = self.cards[result.baseline]
        self.headline = self.metrics[result.headline]

    def metric_heading(self, key: str) -> str:
        """Label and unit: the heading of a column."""
        entry = self.metrics[key]
        unit = shown_unit(entry.unit)
        return sentence_case(f"{entry.label} ({unit})" if unit and unit not in entry.label else entry.label)

    def better(self, key: str) -> str:
        """Which way is better, as the end of a caption."""
        better = self.metrics[key].better
        return "neither way is better" if better == "neither" else f"{better} is better"

    def difference_hint(self, key: str) -> str:
        """What the sign of a difference means for this metric."""
        better = self.metrics[key].better
        if better == "neither":
            return "no sign is better"
        return f"{'plus' if better == 'higher' else 'minus'} is better"

    def against(self, comparison: OverallComparison | CellComparison) -> str:
        """Whom a comparison is made with."""
        return self.cards[comparison.baseline]


def first_reason(caveats: Iterable[Caveat], otherwise: str) -> str:
    """The message of the first caveat, which says why a number is missing; else ``otherwise``."""
    return next((caveat.message for caveat in caveats), otherwise)


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
    return (*([VerdictCards(cards=cards)] if cards else []), _reading_help(result))


def overall_reach(comparisons: Iterable[OverallComparison], margin: float) -> float:
    """One scale that holds every interval over these scenes."""
    ends = ((item.ratio, *_ends(item.interval_these_scenes)) for item in comparisons)
    return strip_reach((ratio for found in ends for ratio in found), margin=margin)


def _ends(interval: Interval | None) -> tuple[float, ...]:
    return () if interval is None else (interval.low, interval.high)


def overall_strip(comparison: OverallComparison, margin: float, reach: float) -> Strip | None:
    """The picture of an overall comparison."""
    tone = VERDICT_MARKS[comparison.verdict].tone
    return strip(comparison.ratio, comparison.interval_these_scenes, tone, reach=reach, margin=margin)


def counts_line(comparison: OverallComparison) -> Line:
    """In how many cells the candidate is what; verdicts that no cell has are not named."""
    parts: list[str | Number] = []
    for name in VERDICTS:
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


def _card(
    result: ReviewResult, words: ReviewWords, number: int, comparison: OverallComparison, reach: float
) -> VerdictCard:
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
        facts = [Fact(term="Price", content=(price, f" {row.currency}" if row.currency else ""))]
        if row.value_ratio is not None:
            content = change_line(
                row.value_ratio, row.value_ratio_interval, f"{origin}/value_ratio", f"{origin}/value_ratio_interval"
            )
            facts.append(Fact(term="Frames for the money", content=content))
        return facts
    return []


def _efficiency_facts(result: ReviewResult, comparison: OverallComparison) -> list[Fact]:
    for number, row in enumerate(result.efficiency):
        if row.cut == comparison.cut and row.card == comparison.candidate and row.efficiency_ratio is not None:
            origins = (f"/efficiency/{number}/efficiency_ratio", f"/efficiency/{number}/efficiency_interval")
            content = change_line(row.efficiency_ratio, row.efficiency_interval, *origins)
            return [Fact(term="Frames for the energy", content=content)]
    return []
