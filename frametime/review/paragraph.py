"""What is told of a cut in a few sentences, however many cards there are, and in words how each number was made."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from itertools import combinations

from frametime.lab.looks import levels_at
from frametime.metrics.drift.trend import RUNS_ALPHA
from frametime.metrics.metric import PRACTICE
from frametime.review.card_repeatability import least_distance
from frametime.review.cell_comparisons import CHANCE_TO_DECIDE, MOST_RUNS
from frametime.review.design import CutEntry, ReviewDesign, priced_alike
from frametime.review.money_and_power import DAYS_PER_YEAR
from frametime.review.result import Method, ReviewResult, RunEntry
from frametime.review.result_tables import Answers, CellComparison, Verdict
from frametime.review.sentence import (
    AGAINST,
    MOST_NAMES,
    cells_words,
    difference,
    in_words,
    left_out_words,
    method,
    names_of,
    place_words,
    similar_scenes,
    span_words,
    texts,
)
from frametime.statistics.interval import Interval
from frametime.statistics.repeatability import REPEATABILITY_FACTOR
from frametime.statistics.shared_scatter import HEAVY
from frametime.units import shown_unit
from frametime.words import begun, continued, counted, joined, money, money_range, percent_change_words

_TURNED: dict[Verdict, Verdict] = {"ahead": "behind", "behind": "ahead"}


class Story:
    """What is told of one cut, by the headline metric; comparisons of two cards by any metric.

    The result needs no paragraphs and no answers as yet. ``placed`` are the standings of cards with a place, best
    first; ``seen`` holds verdict, ratio and interval of two cards of the table by a metric, as seen from the first.
    """

    def __init__(self, design: ReviewDesign, result: ReviewResult, cut: CutEntry) -> None:
        headline = (cut.key, design.headline)
        self.design, self.result, self.cut = design, result, cut
        self.base, self.subject, self.is_alone = design.baseline, result.subject, len(design.cards) == 1
        self.label, self.metric = design.label, design.metric(design.headline)
        self.cells = result.cells_of(cut.key)
        self.missing = left_out_words(design, self.cells.left_out)
        self.overall = {item.candidate: item for item in result.overall if (item.cut, item.metric) == headline}
        self.placed = {
            item.card: item
            for item in result.standings
            if (item.cut, item.metric) == headline and not item.stands_apart and item.mean_value is not None
        }
        self.value = {item.card: item for item in result.value if item.cut == cut.key}
        self.seen: dict[tuple[str, str, str], tuple[Verdict, float, Interval | None]] = {}
        for item in result.pairs:
            if item.cut == cut.key and item.ratio is not None:
                turned = item.interval and item.interval.of_reciprocal()
                verdict = _TURNED.get(item.verdict, item.verdict)
                self.seen[item.card, item.other, item.metric] = item.verdict, item.ratio, item.interval
                self.seen[item.other, item.card, item.metric] = verdict, 1.0 / item.ratio, turned

    def text(self) -> str:
        """One paragraph: who is fastest, the subject against its rivals, what the price says, what is not known."""
        if self.is_alone:
            return self._alone()
        parts = [f"{self._head()}.", *(self._about_the_subject() if self.subject else self._about_the_first())]
        last = (*self._held_back(), *self._open(), self.missing, *self._apart())
        return " ".join([*filter(None, parts), *(f"{said}." for said in last if said)])

    def answers(self) -> Answers:
        """The first questions of a reader."""
        value = self._best_value(next(iter(self.placed))) if self.placed and self.value else []
        # These begin with a word, not with a name.
        told = [continued(part) for part in (*self._open(), self.missing) if part] + self._apart()
        parts = [*([self._scatter()] if self.is_alone else ()), *self._held_back(), *told]
        return Answers(
            first=self._first(),
            price=value[0] if value else "The plan gives no prices, so nothing is said about value.",
            power=self._best_power(),
            uncertain=f"{begun('; '.join(parts or ['every result has a verdict']))}.",
        )

    def _alone(self) -> str:
        """What the only card reaches."""
        if self.base not in self.placed:
            return f"{self._head()}."
        mean = f"{self.placed[self.base].mean_value:#.4g}".rstrip(".")
        reached = f"the {self.label(self.base)} reaches {mean} {shown_unit(self.metric.unit)} ({self.metric.label})"
        return f"{self._where()} {reached}, with no other card to compare it with."

    def _scatter(self) -> str:
        """How well the runs of the only card repeat."""
        limit_pct = next((item.limit_pct for item in self.result.repeatability if item.metric == self.metric.key), None)
        if limit_pct is None:
            return "there are too few runs to say how well they repeat"
        return f"two runs of a scene at a resolution differ by less than {limit_pct:.2g} % in 19 of 20 cases"

    def _first(self) -> str:
        """Who is fastest and, of one card alone, by how much against the baseline, or against the next."""
        if self.is_alone:
            return self._alone()
        head, order = self._head(), list(self.placed)
        first = [item for item in self.placed.values() if item.best_place == 1]
        if len(order) < 2 or len(first) > 1 or first[0].not_told_apart_from:
            return f"{head}."
        other, which = (order[1], "next") if order[0] == self.base else (self.base, "baseline")
        if (seen := self.seen.get((order[0], other, self.metric.key))) is None:
            return f"{head}."
        change = f"{percent_change_words(*seen[1:])} in {self.metric.label}"
        return f"{head}: {change} against {self.label(other)}, the {which}."

    def _best_power(self) -> str:
        rows = [item for item in self.result.efficiency if item.cut == self.cut.key and not item.stands_apart]
        best = max(rows, key=lambda item: item.frames_per_joule or 0.0, default=None)
        if best is None or not best.frames_per_joule:
            return "No run has usable power readings, so nothing is said about power and energy."
        if self.is_alone:
            return f"The {self.label(best.card)} gives {best.frames_per_joule:#.3g} frames per joule."
        among = (
            f", of {counted(len(rows), 'card')} with power readings in enough cells,"
            if len(rows) < len(self.placed)
            else ""
        )
        said = f"Most frames per joule{among} come from the {self.label(best.card)}"
        if best.card == self.base or best.efficiency_ratio is None:
            return f"{said}."
        change = percent_change_words(best.efficiency_ratio, best.efficiency_interval)
        return f"{said}: {change} against {self.label(self.base)}{_unsure(best.efficiency_interval)}."

    def _where(self) -> str:
        said = f"({cells_words(self.cells.cells, n_planned=self.cells.n_planned)})"
        return f"Overall {said}" if self.cut.key == "all" else f"{self.cut.label} {said}:"

    def _head(self) -> str:
        """Who is fastest, as the beginning of a sentence."""
        first = [card for card, item in self.placed.items() if item.best_place == 1]
        if not first:
            return f"{self._where()} no card can be placed"
        if len(first) == 1:
            # A first card need not be shown ahead of each other one.
            first += [card for card in self.placed if card in self.placed[first[0]].not_told_apart_from]
        names = joined([self.label(card) for card in first])
        seen = [self.seen.get((*two, self.metric.key)) for two in combinations(first, 2)]
        if len(self.placed) == 1:
            said = f"only the {names} has enough runs for a place"
        elif len(first) == 1:
            is_rate = self.metric.key == "average_fps"
            said = f"the {names} is {'fastest' if is_rate else f'best in {self.metric.label}'}"
        elif all(found is not None and found[0] == "tied" for found in seen):
            said = f"{names} share first place"
        else:
            lead = "" if len(first) == len(self.placed) else "lead and "
            is_open = any(found is not None and found[2] is None for found in seen)
            said = f"{names} {lead}{'have no sure order' if is_open else 'cannot be told apart'} by these runs"
        return f"{self._where()} {said}"

    def _against(self, card: str, other: str, remark: str) -> str:
        if (seen := self.seen.get((card, other, self.metric.key))) is None:
            return ""
        return f"{AGAINST[seen[0]]} {self.label(other)}, {remark}: {percent_change_words(*seen[1:])}"

    def _about_the_first(self) -> list[str]:
        """Without a subject: the first against the baseline and against the next, and the best value."""
        if len(self.placed) < 2:
            return []
        first, second, *_ = self.placed
        item = self.overall[first if first != self.base else second]
        parts = [difference(self.design, item), similar_scenes(item)] if item.ratio is not None else []
        if self.base not in (first, second) and (said := self._against(first, second, "next in speed")):
            parts.append(f"{self.label(first)} is {said}.")
        return [*parts, *self._best_value(first)]

    def _about_the_subject(self) -> list[str]:
        """The subject against its rivals; of several cards those in speed alone, of more than three the places."""
        if len(self.design.cards) == 2:
            return [item.sentence for item in self.overall.values()] + [self._prices(card) for card in self.subject]
        apart = [card for card in self.subject if card in self.cells.apart and card in self.overall][:MOST_NAMES]
        parts = [difference(self.design, self.overall[card]) for card in apart]
        present = [card for card in self.subject if card in self.placed]
        places = [f"{self.label(card)} is {place_words(self.placed[card], self.label)}" for card in present[:6]]
        # Of the first card alone its place has been told.
        if len(present) > 1 or any(self.placed[card].worst_place != 1 for card in present):
            parts.append(f"Of {counted(len(self.placed), 'card')} {'; '.join(places)}.")
        if len(present) <= MOST_NAMES:
            parts += [self._rivals_in_speed(card) for card in present]
        if len(present) == 1:
            # It is told against others than the baseline, which similar scenes are about.
            of = self.overall.get(present[0])
            said = "" if of is None else similar_scenes(of, against=f" against {self.label(self.base)}")
            parts += [said, self._prices(present[0])]
        return [*parts, *self._best_value(present[0])] if len(present) > 1 else parts

    def _rivals_in_speed(self, card: str) -> str:
        """The card against those next to it in speed, and against the baseline."""
        order = list(self.placed)
        at = order.index(card)
        beside = dict.fromkeys(order[max(at - 1, 0) : at], "next above it")
        beside |= dict.fromkeys(order[at + 1 : at + 2], "next below it")
        if self.base != card:
            beside.setdefault(self.base, "the baseline")
        told = [said for other, remark in beside.items() if (said := self._against(card, other, remark))]
        return f"In {self.metric.label} {self.label(card)} is {'; '.join(told)}." if told else ""

    def _at_price(self, card: str) -> str:
        row = self.value[card]
        return f"{self.label(card)} at {_amount(row.price, None, row.currency)}"

    def _prices(self, card: str) -> str:
        """The subject against the cards next to it in price, as far as they have prices."""
        if not self.value:
            return ""
        row = self.value[card]
        if row.price is None:
            return self._without_price([card])
        rivals = [key for key in self.placed if key != card] if card in self.placed else []
        prices = {key: price for key in rivals if (price := self.value[key].price)}
        cheaper = [key for key, price in prices.items() if price <= row.price]
        dearer = [key for key in prices if key not in cheaper]
        beside = dict.fromkeys(sorted(cheaper, key=prices.__getitem__, reverse=True)[:1], "next cheaper")
        beside |= dict.fromkeys(sorted(dearer, key=prices.__getitem__)[:1], "next dearer")
        told = []
        for other, remark in beside.items():
            seen, price = self.seen.get((card, other, row.metric)), prices[other]
            if seen is None:
                continue
            by_price = seen[2] and seen[2].scaled(price / row.price)
            named = "" if len(self.design.cards) == 2 else f", {remark}"
            told.append(
                f"{percent_change_words(seen[1] * price / row.price, by_price)} against {self._at_price(other)}"
                f"{named}{_unsure(by_price)}, and would break even at "
                f"{_amount(price * seen[1], seen[2] and seen[2].scaled(price), row.currency)}"
            )
        if not told:
            return self._without_price()
        return f"In speed for the money {self._at_price(card)} gives {'; '.join(told)}."

    def _best_value(self, first: str) -> list[str]:
        rows = {card: row for card, row in self.value.items() if row.fps_per_money and not row.stands_apart}
        if not rows:
            return []
        best = max(rows.values(), key=lambda row: row.fps_per_money or 0.0)
        alone = f"The {self._at_price(best.card)} costs {_amount(best.money_per_fps, None, best.currency)} per fps"
        priced = f" among {counted(len(rows), 'card')} with a price{f' in {best.currency}' if best.currency else ''}"
        among = priced if len(rows) < len(self.placed) else ""
        said = alone if len(rows) == 1 else f"Best value{among} is the {self._at_price(best.card)}"
        if best.value_ratio is not None and best.card != self.base:
            change = percent_change_words(best.value_ratio, best.value_ratio_interval)
            against = f"{self._at_price(self.base)}{_unsure(best.value_ratio_interval)}"
            said += f": {change} speed for the money against {against}"
        parts = [f"{said}."]
        row = rows.get(first)
        if row is not None and row.break_even_price is not None and first not in {self.base, best.card}:
            even = _amount(row.break_even_price, row.break_even_interval, row.currency)
            parts.append(f"{self._at_price(first)} would break even at {even}.")
        return [*parts, self._without_price()]

    def _without_price(self, among: Collection[str] = ()) -> str:
        """Cards, of all or ``among`` these, of whose value nothing is told."""
        without = [card.key for card in priced_alike(self.design.cards) if card.price is None]
        named = names_of([card for card in without if not among or card in among], self.label)
        is_mixed = any(card.price is not None for card in self.design.cards if card.key in without)
        return f"No {'comparable ' if is_mixed else ''}price is given for {named}." if without else ""

    def _open(self) -> list[str]:
        """Results that the runs leave open, of the subject where there is one; a result is one card in one cell.

        These and what follows have no stop: each is a sentence of the paragraph, and a part of one of the answers.
        """
        told = set(self.subject) - {self.base} or set(self.cells.cards)
        undecided = [
            item
            for item in self.result.comparisons
            if item.metric == self.metric.key and item.verdict == "undecided"
            if item.candidate in told and (item.scene, item.resolution) in set(self.cells.of(item.candidate))
        ]
        flagged = [run for run in self.result.runs if run.flag and run.place[1:] in self.cells.of(run.card)]
        close = [item for item in undecided if item.at_margin]
        more = [item for item in undecided if item.runs_needed is not None]
        without = [item for item in undecided if item.interval_95 is None and item.runs_needed is None]
        needed = span_words([item.runs_needed or 0 for item in more]) if more else ""
        kinds = (
            ([run for run in flagged if not run.session], "flagged run is", "flagged runs are", "to be repeated first"),
            ([run for run in flagged if run.session], "run of the shelf stands", "runs of the shelf stand", "out"),
            (close, "result is", "results are", f"too close to {self.design.margin * 100.0:g} % to call"),
            (more, "undecided result would", "undecided results would", f"need {needed} runs of each card"),
            (without, "result has", "results have", "no interval"),
        )
        return [
            f"{begun(in_words(len(items)))} {one if len(items) == 1 else several} {what}{self._which(items)}"
            for items, one, several, what in kinds
            if items
        ]

    def _held_back(self) -> list[str]:
        """The cards of which half of the runs or more are at a cap: their rates say little of them."""
        runs: dict[str, list[bool]] = {}
        for run in self.result.runs:
            if run.excluded_reason is None and (run.scene, run.resolution) in self.cells.of(run.card):
                is_held = any(item.code == "capped" and self.metric.key in item.metrics for item in run.caveats)
                runs.setdefault(run.card, []).append(is_held)
        held = {card: are_held for card, are_held in runs.items() if 2 * sum(are_held) >= len(are_held)}
        n_held, n = (sum(map(of, held.values())) for of in (sum, len))
        told = f"{names_of(list(held), self.label)} ran at a cap in {n_held} of {counted(n, 'run')}"
        return [f"{begun(told)}: there the rate shows the limit, not the card"] if held else []

    def _which(self, found: Sequence[CellComparison | RunEntry]) -> str:
        """The cards and cells of a few results or runs."""
        cell = self.design.cell_label
        cards = (item.candidate if isinstance(item, CellComparison) else item.card for item in found)
        told = [f"{self.label(card)} in {cell(of.scene, of.resolution)}" for card, of in zip(cards, found, strict=True)]
        return f" ({joined(told)})" if len(told) <= MOST_NAMES else ""

    def _apart(self) -> list[str]:
        n_cells = {card: len(self.cells.of(card)) for card in self.cells.apart}
        without, few = ([card for card, n in n_cells.items() if bool(n) is some] for some in (False, True))
        parts = [f"There is no usable run of {names_of(without, self.label)}"] if without else []
        if few:
            of_all = f"with {span_words([n_cells[card] for card in few])} of {counted(self.cells.n_planned, 'cell')}"
            parts.append(f"{names_of(few, self.label)} {'stands' if len(few) == 1 else 'stand'} apart, {of_all}")
        return [begun(part) for part in parts]


def _amount(price: float | None, interval: Interval | None, currency: str | None) -> str:
    amount = f"{money(price or 0.0, interval)} {currency or ''}".rstrip()
    return amount if interval is None else f"{amount} ({money_range(interval)})"


def _unsure(interval: Interval | None) -> str:
    return "" if interval is None or interval.low > 1.0 or interval.high < 1.0 else ", which is no sure difference"


def methods_of(design: ReviewDesign) -> tuple[Method, ...]:
    """The definitions used, for the methods part of every output.

    ``methods.txt`` beside this file has for each its key, label, text and source, and below them what some of them
    say by the rules of the plan, and how single numbers were made; what belongs to an entry is indented.
    """
    levels = [(n, level) for n in design.looks if (level := levels_at(design.looks, n)) is not None]
    words = {
        "level_pct": 100 * design.level,
        "repeatability": REPEATABILITY_FACTOR,
        "tail_freedom": HEAVY,
        "least_pct": 100.0 * math.expm1(least_distance(design.margin)),
        "trend_pct": 100 * RUNS_ALPHA,
        "scatter": method(f"scatter-{design.spread}"),
        "margin_pct": 100.0 * design.margin,
        "edge": 1.0 + design.margin,
        "looks": joined([str(n) for n in design.looks]),
        "levels": "; ".join(
            f"{n} runs: {100.0 * (1.0 - 2.0 * level.lead):.4g} % and {100.0 * (1.0 - 2.0 * level.tie):.4g} %"
            for n, level in levels
        ),
        "power_pct": 100 * CHANCE_TO_DECIDE,
        "most_runs": MOST_RUNS,
        "draw": method(f"draw-{design.sample_unit}"),
        "practice": PRACTICE,
        "days": DAYS_PER_YEAR,
    }
    told = {key: row for key, row in texts("methods.txt").items() if len(row) > 1 and (key != "looks" or design.looks)}
    return tuple(
        Method(key=key, label=label, text=text.format(**words), source=source.format(**words))
        for key, (label, text, source) in told.items()
    )
