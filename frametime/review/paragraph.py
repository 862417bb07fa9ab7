"""What is told of a cut in a few sentences, however many cards there are, and in words how each number was made."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from frametime.lab.looks import levels_at
from frametime.metrics.metric import PRACTICE
from frametime.review.card_repeatability import least_distance
from frametime.review.cell_comparisons import MOST_RUNS, POWER
from frametime.review.cell_summaries import ALPHA
from frametime.review.design import CutEntry, ReviewDesign
from frametime.review.money_and_power import DAYS_PER_YEAR
from frametime.review.result import Method, ReviewResult
from frametime.review.result_tables import Answers, OverallComparison, Standing, TableCells, ValueRow, Verdict
from frametime.review.sentence import (
    AGAINST,
    MOST_NAMES,
    cells_words,
    difference,
    in_words,
    left_out_words,
    names_of,
    place_words,
    similar_scenes,
)
from frametime.statistics.differences import Interval
from frametime.statistics.repeatability import REPEATABILITY_FACTOR, TAIL_FREEDOM
from frametime.words import counted, entries, joined, money, money_range, percent_change_words

_TURNED: dict[Verdict, Verdict] = {"ahead": "behind", "behind": "ahead"}


def story_of(design: ReviewDesign, result: ReviewResult, cut: CutEntry) -> Story:
    """What is told of a cut by the headline metric; the result needs no paragraphs and no answers as yet."""
    return Story(
        design=design,
        result=result,
        cut=cut,
        cells=result.cells_of(cut.key),
        overall={
            item.candidate: item for item in result.overall if (item.cut, item.metric) == (cut.key, result.headline)
        },
        standings=[item for item in result.standings if (item.cut, item.metric) == (cut.key, result.headline)],
        value={item.card: item for item in result.value if item.cut == cut.key},
    )


@dataclass(frozen=True, kw_only=True)
class Story:
    """What is told of one cut, by the headline metric; comparisons of two cards by any metric."""

    design: ReviewDesign
    result: ReviewResult
    cut: CutEntry
    cells: TableCells
    overall: Mapping[str, OverallComparison]
    standings: Sequence[Standing]
    value: Mapping[str, ValueRow]

    def text(self) -> str:
        """One paragraph: who is fastest, the subject against its rivals, what the price says, what is not known."""
        if len(self.design.cards) == 1:
            return f"{self._where()} {self.design.cards[0].label} alone, with no other card to compare it with."
        subject = self.result.subject
        parts = [self._head(), *(self._about(subject) if subject else self._about_the_first())]
        missing = left_out_words(self.design, self.cells.left_out)
        return " ".join(filter(None, [*parts, *self._open(subject), missing, *self._apart()]))

    def answers(self) -> Answers:
        """The first questions of a reader."""
        placed = [item.card for item in self._placed()]
        priced = self._best_value(placed[0]) if placed and self.value else []
        left = [*self._open(self.result.subject), left_out_words(self.design, self.cells.left_out)]
        # These begin with a word, not with a name.
        told = [part[0].lower() + part[1:] for part in left if part] + self._apart()
        uncertain = "; ".join(part.removesuffix(".") for part in told)
        return Answers(
            first=self._first(placed),
            price=priced[0] if priced and priced[0] else "The plan gives no prices, so nothing is said about value.",
            power=self._best_power(),
            uncertain=f"{uncertain[0].upper()}{uncertain[1:]}." if told else "Every result has a verdict.",
        )

    def _first(self, placed: Sequence[str]) -> str:
        """Who is fastest and, of one card alone, by how much against the baseline, or against the next."""
        if len(self.design.cards) == 1:
            return self.text()
        head, first = self._head(), [item for item in self._placed() if item.best_place == 1]
        if len(placed) < 2 or len(first) > 1 or first[0].not_told_apart_from:
            return head
        other = placed[1] if placed[0] == self.design.baseline else self.design.baseline
        seen = self._seen(placed[0], other, self.design.headline)
        if seen is None:
            return head
        name = f"{self._label(other)}, the {'baseline' if other == self.design.baseline else 'next'}"
        label = self.design.metric(self.design.headline).label
        return f"{head.removesuffix('.')}: {percent_change_words(seen[1], seen[2])} in {label} against {name}."

    def _best_power(self) -> str:
        rows = [item for item in self.result.efficiency if item.cut == self.cut.key and not item.stands_apart]
        known = [item for item in rows if item.frames_per_joule]
        if not known:
            return "There are no sensor logs, so nothing is said about power and energy."
        best = max(known, key=lambda item: item.frames_per_joule or 0.0)
        if best.card == self.design.baseline or best.efficiency_ratio is None:
            return f"Most frames per joule come from the {self._label(best.card)}."
        change = percent_change_words(best.efficiency_ratio, best.efficiency_interval)
        against = f"{self._label(self.design.baseline)}{_unsure(best.efficiency_interval)}"
        return f"Most frames per joule come from the {self._label(best.card)}: {change} against {against}."

    def _label(self, card: str) -> str:
        return self.design.label(card)

    def _where(self) -> str:
        said = f"({cells_words(self.cells.cells, n_planned=self.cells.n_planned)})"
        return f"Overall {said}" if self.cut.key == "all" else f"{self.cut.label} {said}:"

    def _placed(self) -> list[Standing]:
        return [item for item in self.standings if not item.stands_apart and item.mean_value is not None]

    def _head(self) -> str:
        placed = self._placed()
        first = [item for item in placed if item.best_place == 1]
        if not first:
            return f"{self._where()} no card can be placed."
        # A first card need not be shown ahead of each other one.
        first += [item for item in placed if len(first) == 1 and item.card in first[0].not_told_apart_from]
        names = joined([self._label(item.card) for item in first])
        if len(placed) == 1:
            return f"{self._where()} only the {names} has enough runs for a place."
        if len(first) == 1:
            headline = self.design.metric(self.design.headline)
            how = "is fastest" if headline.key == "average_fps" else f"is best in {headline.label}"
            return f"{self._where()} the {names} {how}."
        seen = [self._seen(one.card, two.card, one.metric) for one, two in combinations(first, 2)]
        if all(found is not None and found[0] == "tied" for found in seen):
            return f"{self._where()} {names} share first place."
        lead = "" if len(first) == len(placed) else "lead and "
        return f"{self._where()} {names} {lead}cannot be told apart by these runs."

    def _seen(self, card: str, other: str, metric: str) -> tuple[Verdict, float, Interval | None] | None:
        """Verdict, ratio and interval of two cards of the table, as seen from the first."""
        for item in self.result.pairs:
            if (item.cut, item.metric) != (self.cut.key, metric) or item.ratio is None:
                continue
            if {item.card, item.other} == {card, other}:
                if item.card == card:
                    return item.verdict, item.ratio, item.interval
                turned = item.interval and item.interval.of_reciprocal()
                return _TURNED.get(item.verdict, item.verdict), 1.0 / item.ratio, turned
        return None

    def _against(self, card: str, other: str, remark: str) -> str:
        seen = self._seen(card, other, self.design.headline)
        if seen is None:
            return ""
        return f"{AGAINST[seen[0]]} {self._label(other)}, {remark}: {percent_change_words(seen[1], seen[2])}"

    def _about_the_first(self) -> list[str]:
        """Without a subject: the first against the baseline and against the next, and the best value."""
        placed = [item.card for item in self._placed()]
        if len(placed) < 2:
            return []
        first, base = placed[0], self.design.baseline
        item = self.overall[first if first != base else placed[1]]
        parts = [difference(self.design, item), similar_scenes(item)] if item.ratio is not None else []
        if base not in placed[:2] and (said := self._against(first, placed[1], "next in speed")):
            parts.append(f"{self._label(first)} is {said}.")
        return [*parts, *self._best_value(first)]

    def _about(self, subject: Sequence[str]) -> list[str]:
        """The subject against its rivals; of several cards those in speed alone, of more than three the places."""
        standings = {item.card: item for item in self._placed()}
        if len(self.design.cards) == 2:
            return [item.sentence for item in self.overall.values()] + [self._prices(card) for card in subject]
        apart = [card for card in subject if card in self.cells.apart and card in self.overall][:MOST_NAMES]
        parts = [difference(self.design, self.overall[card]) for card in apart]
        present = [card for card in subject if card in standings]
        places = [f"{self._label(card)} is {place_words(standings[card], self._label)}" for card in present[:6]]
        # Of the first card alone its place has been told.
        if len(present) > 1 or any(standings[card].worst_place != 1 for card in present):
            parts.append(f"Of {counted(len(standings), 'card')} {joined(places)}.")
        if len(present) == 1:
            return [*parts, self._rivals_in_speed(present[0]), self._similar(present[0]), self._prices(present[0])]
        if len(present) <= MOST_NAMES:
            parts += [self._rivals_in_speed(card) for card in present]
        return [*parts, *self._best_value(present[0])] if present else parts

    def _rivals_in_speed(self, card: str) -> str:
        """The card against those next to it in speed, and against the baseline."""
        order, base = [item.card for item in self._placed()], self.design.baseline
        at = order.index(card)
        beside = dict.fromkeys(order[max(at - 1, 0) : at], "next above it in speed")
        beside |= dict.fromkeys(order[at + 1 : at + 2], "next below it in speed")
        if base != card:
            beside.setdefault(base, "the baseline")
        told = [said for other, remark in beside.items() if (said := self._against(card, other, remark))]
        if not told:
            return ""
        return f"In {self.design.metric(self.design.headline).label} {self._label(card)} is {'; '.join(told)}."

    def _similar(self, card: str) -> str:
        """What similar scenes would give of a card that is told against others than the baseline."""
        said = similar_scenes(self.overall[card]) if card in self.overall else ""
        return said.replace(":", f" against {self._label(self.design.baseline)}:", 1)

    def _priced(self, card: str) -> str:
        row = self.value[card]
        return f"{money(row.price or 0.0)} {row.currency or ''}".rstrip()

    def _prices(self, card: str) -> str:
        """The subject against the cards next to it in price, as far as they have prices."""
        if not self.value:
            return ""
        row = self.value[card]
        if row.price is None:
            return f"No price is given for {self._label(card)}."
        placed = {item.card for item in self._placed()}
        prices = {
            entry.key: entry.price
            for entry in self.design.cards
            if entry.price and entry.key != card and {card, entry.key} <= placed and entry.currency == row.currency
        }
        cheaper = [key for key, price in prices.items() if price <= row.price]
        beside = dict.fromkeys(sorted(cheaper, key=prices.__getitem__, reverse=True)[:1], "next cheaper")
        beside |= dict.fromkeys(
            sorted((key for key in prices if key not in cheaper), key=prices.__getitem__)[:1], "next dearer"
        )
        told = []
        for other, remark in beside.items():
            if (seen := self._seen(card, other, row.metric)) is None:
                continue
            price, (_, ratio, interval) = prices[other], seen
            by_price = interval and interval.scaled(price / row.price)
            named = "" if len(self.design.cards) == 2 else f", {remark}"
            even = _break_even(price * ratio, interval and interval.scaled(price), row.currency)
            told.append(
                f"{percent_change_words(ratio * price / row.price, by_price)} against {self._label(other)} at "
                f"{self._priced(other)}{named}{_unsure(by_price)}, and would break even at {even}"
            )
        if not told:
            return self._without_price()
        return f"In speed for the money {self._label(card)} at {self._priced(card)} gives {'; '.join(told)}."

    def _best_value(self, first: str) -> list[str]:
        rows = {card: row for card, row in self.value.items() if row.fps_per_money and not row.stands_apart}
        if not rows:
            return []
        base, parts = self.design.baseline, []
        if len({row.currency for row in rows.values()}) == 1:
            best = max(rows.values(), key=lambda row: row.fps_per_money or 0.0)
            text = f"Best value is the {self._label(best.card)} at {self._priced(best.card)}"
            if best.value_ratio is not None and best.card != base:
                change = percent_change_words(best.value_ratio, best.value_ratio_interval)
                text += (
                    f": {change} speed for the money against {self._label(base)} at {self._priced(base)}"
                    f"{_unsure(best.value_ratio_interval)}"
                )
            parts.append(f"{text}.")
            row = rows.get(first)
            if row is not None and row.break_even_price is not None and first not in {base, best.card}:
                even = _break_even(row.break_even_price, row.break_even_interval, row.currency)
                parts.append(f"{self._label(first)} at {self._priced(first)} would break even at {even}.")
        return [*parts, self._without_price()]

    def _without_price(self) -> str:
        without = [card.key for card in self.design.cards if card.price is None]
        return f"No price is given for {names_of(without, self._label)}." if without else ""

    def _open(self, subject: Sequence[str]) -> list[str]:
        """Results that the runs leave open, of the subject where there is one; a result is one card in one cell."""
        told = set(subject) - {self.design.baseline} or set(self.cells.cards)
        results = [
            item
            for item in self.result.comparisons
            if item.metric == self.result.headline
            if item.candidate in told and (item.scene, item.resolution) in set(self.cells.of(item.candidate))
        ]
        parts, undecided = [], [item for item in results if item.verdict == "undecided"]
        if close := sum(item.at_margin for item in undecided):
            are = "result is" if close == 1 else "results are"
            parts.append(f"{in_words(close)} {are} too close to {self.design.margin * 100.0:g} % to call.")
        if more := [item.runs_needed for item in undecided if item.runs_needed is not None]:
            span = " to ".join(str(n) for n in dict.fromkeys((min(more), max(more))))
            would = "undecided result" if len(more) == 1 else "undecided results"
            parts.append(f"{in_words(len(more))} {would} would need {span} runs of each card.")
        if none := sum(item.interval_95 is None for item in undecided):
            whole = none == len(results) > 1
            have = "result has" if none == 1 or whole else "results have"
            parts.append(f"{'no' if whole else in_words(none)} {have} {'an' if whole else 'no'} interval.")
        return [part[0].upper() + part[1:] for part in parts]

    def _apart(self) -> list[str]:
        n_cells = {card: len(self.cells.of(card)) for card in self.cells.apart}
        without, few = ([card for card, n in n_cells.items() if bool(n) is some] for some in (False, True))
        parts = [f"There is no usable run of {names_of(without, self._label)}."] if without else []
        if few:
            n = " to ".join(str(n) for n in dict.fromkeys((min(n_cells[c] for c in few), max(n_cells[c] for c in few))))
            of_all = f"with {n} of {counted(self.cells.n_planned, 'cell')}"
            parts.append(f"{names_of(few, self._label)} {'stands' if len(few) == 1 else 'stand'} apart, {of_all}.")
        return [part[0].upper() + part[1:] for part in parts]


def _break_even(price: float, interval: Interval | None, currency: str | None) -> str:
    amount = f"{money(price, interval)} {currency or ''}".rstrip()
    return amount if interval is None else f"{amount} ({money_range(interval)})"


def _unsure(interval: Interval | None) -> str:
    is_sure = interval is None or interval.low > 1.0 or interval.high < 1.0
    return "" if is_sure else ", which is no sure difference"


def methods_of(design: ReviewDesign) -> tuple[Method, ...]:
    """The definitions used, for the methods part of every output.

    ``methods.txt`` beside this file has for each its key, label, text and source, and below them what some of them
    say by the rules of the plan; what belongs to an entry is indented.
    """
    rows = entries(Path(__file__).with_name("methods.txt").read_text("utf-8"))
    by_rule = {row[0]: row[1] for row in rows if len(row) == 2}
    levels = [(n, level) for n in design.looks if (level := levels_at(design.looks, n)) is not None]
    words = {
        "level_pct": 100 * design.level,
        "repeatability": REPEATABILITY_FACTOR,
        "tail_freedom": TAIL_FREEDOM,
        "least_pct": 100.0 * math.expm1(least_distance(design.margin)),
        "trend_pct": 100 * ALPHA,
        "scatter": by_rule[f"scatter-{design.spread}"],
        "margin_pct": 100.0 * design.margin,
        "edge": 1.0 + design.margin,
        "looks": joined([str(n) for n in design.looks]),
        "levels": "; ".join(
            f"{n} runs: {100.0 * (1.0 - 2.0 * level.lead):.4g} % and {100.0 * (1.0 - 2.0 * level.tie):.4g} %"
            for n, level in levels
        ),
        "power_pct": 100 * POWER,
        "most_runs": MOST_RUNS,
        "draw": by_rule[f"draw-{design.sample_unit}"],
        "practice": PRACTICE,
        "days": DAYS_PER_YEAR,
    }
    told = [row for row in rows if len(row) > 2 and (row[0] != "looks" or design.looks)]
    return tuple(
        Method(key=key, label=label, text=text.format(**words), source=source.format(**words))
        for key, label, text, source in told
    )
