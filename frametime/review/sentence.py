"""The result in plain words, built from the numbers and from nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from frametime.review.design import CardEntry, CutEntry, ReviewDesign
from frametime.review.result_tables import (
    CellComparison,
    MissingCell,
    OverallComparison,
    PairOrder,
    Standing,
    TableCells,
    ValueRow,
    Verdict,
)
from frametime.statistics.differences import Interval
from frametime.words import (
    counted,
    joined,
    money,
    money_range,
    percent_change,
    percent_change_words,
)

ONE_SCENE = "One scene alone says nothing of other scenes."
NONE_NAMED = "not enough runs to name single cells"
"""Said where the whole is clear and no single cell stands among so many (Holm's adjustment)."""

_TURNED: dict[Verdict, Verdict] = {"ahead": "behind", "behind": "ahead"}
_AGAINST = {"ahead": "ahead of", "behind": "behind", "tied": "tied with", "undecided": "not told apart from"}
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_MOST_NAMES = 3
"""More cards or cells than these are counted, with one example."""


def overall_sentence(design: ReviewDesign, item: OverallComparison) -> str:
    """Candidate against baseline over one cut: the difference, what similar scenes would give, and the cells."""
    parts = [_difference(design, item), _similar_scenes(item)]
    if item.ratio is not None:
        named = f": {NONE_NAMED}" if _is_clear(item) and item.n_cells > 1 and not item.n_named else ""
        parts.append(f"It is {item.counts.in_words}{named}.")
    return " ".join(filter(None, parts))


def _is_clear(item: OverallComparison) -> bool:
    return item.verdict in {"ahead", "behind"}


def _difference(design: ReviewDesign, item: OverallComparison) -> str:
    one, other = design.label(item.candidate), design.label(item.baseline)
    if item.ratio is None:
        return f"{one} and {other} cannot be compared here: no cell has usable runs of both."
    interval, label = item.interval_these_scenes, design.metric(item.metric).label
    if interval is None:
        codes = {caveat.code for caveat in item.caveats}
        if "one-run" in codes:
            why = "from single runs, so that nothing tells how sure it is"
        elif "no-scatter" in codes:
            why = "from runs that agree to the last digit, so that nothing tells how sure it is"
        else:
            why = "from runs that scatter too much to tell how sure it is"
        return f"{one} against {other}: {percent_change(item.ratio)} in {label}, {why}."
    amount, margin = f"{percent_change_words(item.ratio, interval)} in {label}", f"{design.margin * 100.0:g} %"
    if _is_clear(item):
        return f"{one} is {_AGAINST[item.verdict]} {other}: {amount}."
    if item.verdict == "tied":
        small = "; the difference is real, but small" if item.real_but_small else ""
        return f"{one} and {other} are tied: {amount}, inside the margin of {margin}{small}."
    shown = interval.low > 1.0 or interval.high < 1.0
    why = f"the difference is real, but perhaps less than {margin}" if shown else "more runs may decide"
    return f"{one} and {other} are not told apart: {amount}; {why}."


def _similar_scenes(item: OverallComparison) -> str:
    interval = item.interval_scenes_like_these
    if interval is None:
        return ONE_SCENE if item.n_scenes == 1 else ""
    verdict = item.verdict_scenes_like_these
    return f"In similar scenes expect {expected(interval)}: {'still ' if verdict == item.verdict else ''}{verdict}."


def expected(interval: Interval) -> str:
    """A span to expect, in whole percent where that tells its ends apart; without signs where both are above zero.

    Examples
    --------
    >>> def of(low, high):
    ...     return expected(Interval(low=low, high=high, level=0.95, method=""))
    >>> of(1.029, 1.14), of(0.943, 1.04), of(1.0312, 1.0345)
    ('3 to 14 %', '−6 to +4 %', '3.1 to 3.4 %')
    """
    ends = [(end - 1.0) * 100.0 for end in (interval.low, interval.high)]
    digits = 0 if round(ends[0]) != round(ends[1]) else 1
    sign = "" if ends[0] >= 0.0 else "+"
    low, high = (f"{end:{sign}.{digits}f}".replace("-", "\N{MINUS SIGN}") for end in ends)
    return f"{low} to {high} %"


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
        return f"tied for {ordinal(standing.best_place)} with {_names(standing.tied_with, label)}"
    ends = dict.fromkeys((standing.best_place, standing.worst_place))
    return " to ".join(ordinal(place) for place in ends)


def _names(cards: Sequence[str], label: Callable[[str], str]) -> str:
    if len(cards) <= _MOST_NAMES:
        return joined([label(card) for card in cards])
    return f"{_number(len(cards))} cards"


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else f"{count:,}"


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
    """Which cells lack a card; more than three are counted, with one example."""
    names = {scene.key: scene.label for scene in design.scenes}
    told = [
        f"{_names(item.cards, design.label)} in {names[item.scene]} at {item.resolution}"
        + ("" if design.headline in item.metrics else f" (no value of {_lacking(design, item)})")
        for item in left_out
    ]
    if not told:
        return ""
    shown = "; ".join(told) if len(told) <= _MOST_NAMES else f"{_number(len(told))} cells, such as {told[0]}"
    return f"Missing: {shown}."


def _lacking(design: ReviewDesign, item: MissingCell) -> str:
    labels = {metric.key: metric.label for metric in design.metrics}
    return joined([labels.get(key, "average power") for key in item.metrics])


@dataclass(frozen=True, kw_only=True)
class Rivals:
    """The cards next to one in speed and in price; ``None`` where there is none."""

    faster: str | None
    slower: str | None
    dearer: str | None
    cheaper: str | None


def rivals_of(card: str, standings: Sequence[Standing], cards: Sequence[CardEntry]) -> Rivals:
    """Choose the cards with which one is to be compared.

    Parameters
    ----------
    standings : sequence of Standing
        Of one cut and metric; cards that stand apart are no rivals.
    cards : sequence of CardEntry
        Prices in other currencies than the card's own do not count.
    """
    order = [item.card for item in standings if not item.stands_apart and item.mean_value is not None]
    at = order.index(card) if card in order else None
    by_key = {entry.key: entry for entry in cards}
    own = by_key[card]
    priced = {
        key: entry.price
        for key in order
        if key != card and (entry := by_key[key]).price is not None and entry.currency == own.currency
    }
    dearer = {key: price for key, price in priced.items() if own.price is not None and price > own.price}
    cheaper = {key: price for key, price in priced.items() if own.price is not None and price <= own.price}
    return Rivals(
        faster=order[at - 1] if at else None,
        slower=order[at + 1] if at is not None and at + 1 < len(order) else None,
        dearer=min(dearer, key=lambda key: dearer[key], default=None),
        cheaper=max(cheaper, key=lambda key: cheaper[key], default=None),
    )


def paragraph(
    design: ReviewDesign,
    cut: CutEntry,
    cells: TableCells,
    *,
    overall: Sequence[OverallComparison],
    pairs: Sequence[PairOrder],
    standings: Sequence[Standing],
    value: Sequence[ValueRow],
    comparisons: Sequence[CellComparison],
) -> str:
    """One paragraph for a cut: who is fastest, the subject against its rivals, what the price says, what is not known.

    Parameters
    ----------
    overall, pairs, standings, value, comparisons
        Of the whole review; those of this cut and the headline metric are told.
    """

    story = _Story(
        design=design,
        cut=cut,
        cells=cells,
        overall=[item for item in overall if item.cut == cut.key],
        pairs=[item for item in pairs if item.cut == cut.key],
        standings=[item for item in standings if (item.cut, item.metric) == (cut.key, design.headline)],
        value={item.card: item for item in value if item.cut == cut.key},
        comparisons=[item for item in comparisons if item.metric == design.headline],
    )
    return story.text()


@dataclass(frozen=True, kw_only=True)
class _Story:
    """What is told of one cut, by the headline metric; comparisons of two cards by any metric."""

    design: ReviewDesign
    cut: CutEntry
    cells: TableCells
    overall: Sequence[OverallComparison]
    pairs: Sequence[PairOrder]
    standings: Sequence[Standing]
    value: Mapping[str, ValueRow]
    comparisons: Sequence[CellComparison]

    def text(self) -> str:
        if len(self.design.cards) == 1:
            return f"{self._where()} {self.design.cards[0].label} alone, with no other card to compare it with."
        subject = self.design.subject or (self.design.candidates if len(self.design.cards) == 2 else ())
        parts = [self._head(), *(self._about(subject) if subject else self._about_the_first())]
        return " ".join(filter(None, [*parts, *self._open(subject), self._missing(), self._apart()]))

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
        names = joined([self._label(item.card) for item in first])
        if len(placed) == 1:
            return f"{self._where()} only the {names} has enough runs for a place."
        if len(first) == 1:
            headline = self.design.metric(self.design.headline)
            how = "is fastest" if headline.key == "average_fps" else f"is best in {headline.label}"
            return f"{self._where()} the {names} {how}."
        if all(len(item.tied_with) == len(first) - 1 for item in first):
            return f"{self._where()} {names} share first place."
        lead = "" if len(first) == len(placed) else "lead and "
        return f"{self._where()} {names} {lead}cannot be told apart by these runs."

    def _seen(self, card: str, other: str, metric: str) -> tuple[Verdict, float, Interval | None] | None:
        """Verdict, ratio and interval of two cards, as seen from the first."""
        found = [(item.candidate, item.baseline, item.interval_these_scenes, item) for item in self.overall]
        found += [(item.card, item.other, item.interval, item) for item in self.pairs]  # type: ignore[misc]
        for one, two, interval, item in found:
            if item.metric == metric and item.ratio is not None and {one, two} == {card, other}:
                if one == card:
                    return item.verdict, item.ratio, interval
                turned = interval and interval.of_reciprocal()
                return _TURNED.get(item.verdict, item.verdict), 1.0 / item.ratio, turned
        return None

    def _against(self, card: str, other: str, remark: str) -> str:
        seen = self._seen(card, other, self.design.headline)
        if seen is None:
            return ""
        return f"{_AGAINST[seen[0]]} {self._label(other)}, {remark}: {percent_change_words(seen[1], seen[2])}"

    def _about_the_first(self) -> list[str]:
        """Without a subject: the first against the baseline and against the next, and the best value."""
        placed = [item.card for item in self._placed()]
        if len(placed) < 2:
            return []
        first, base = placed[0], self.design.baseline
        parts = []
        told = first if first != base else placed[1]
        for item in self.overall:
            if (item.candidate, item.metric) == (told, self.design.headline) and item.ratio is not None:
                parts += [_difference(self.design, item), _similar_scenes(item)]
        if base not in placed[:2] and (said := self._against(first, placed[1], "next in speed")):
            parts.append(f"{self._label(first)} is {said}.")
        return [*parts, *self._best_value(first)]

    def _about(self, subject: Sequence[str]) -> list[str]:
        """The subject against its rivals; of several cards those in speed alone, of more than three the places."""
        standings = {item.card: item for item in self._placed()}
        if len(self.design.cards) == 2:
            told = [item.sentence for item in self.overall if item.metric == self.design.headline]
            return [*told, *(self._prices(card) for card in subject)]
        parts = [
            _difference(self.design, item)
            for item in self.overall
            if item.metric == self.design.headline and item.ratio is not None
            if item.candidate in set(subject[:_MOST_NAMES]) & set(self.cells.apart)
        ]
        present = [card for card in subject if card in standings]
        places = [f"{self._label(card)} is {place_words(standings[card], self._label)}" for card in present[:6]]
        if len(present) == 1 and standings[present[0]].worst_place == 1:
            places = []
        parts += [f"Of {counted(len(standings), 'card')} {joined(places)}."] if places else []
        if len(present) == 1:
            return [*parts, self._rivals_in_speed(present[0]), self._similar(present[0]), self._prices(present[0])]
        if len(present) <= _MOST_NAMES:
            parts += [self._rivals_in_speed(card) for card in present]
        return [*parts, *self._best_value(present[0])] if present else parts

    def _rivals_in_speed(self, card: str) -> str:
        rivals, base = rivals_of(card, self.standings, self.design.cards), self.design.baseline
        beside = {rivals.faster: "next above it in speed", rivals.slower: "next below it in speed"}
        if base not in beside and base != card:
            beside[base] = "the baseline"
        told = [said for other, remark in beside.items() if other and (said := self._against(card, other, remark))]
        if not told:
            return ""
        return f"In {self.design.metric(self.design.headline).label} {self._label(card)} is {'; '.join(told)}."

    def _similar(self, card: str) -> str:
        """What similar scenes would give of a card that is told against others than the baseline."""
        for item in self.overall:
            if (item.candidate, item.metric) == (card, self.design.headline):
                return _similar_scenes(item).replace(":", f" against {self._label(item.baseline)}:", 1)
        return ""

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
        rivals = rivals_of(card, self.standings, self.design.cards)
        told = []
        for other, remark in ((rivals.cheaper, "next cheaper"), (rivals.dearer, "next dearer")):
            seen = None if other is None else self._seen(card, other, row.metric)
            if other is None or seen is None or (price := self.value[other].price) is None:
                continue
            _, ratio, interval = seen
            by_price = interval and interval.scaled(price / row.price)
            named = "" if len(self.design.cards) == 2 else f", {remark}"
            even = _break_even(price * ratio, interval and interval.scaled(price), row.currency)
            told.append(
                f"{percent_change_words(ratio * price / row.price, by_price)} against {self._label(other)} at "
                f"{self._priced(other)}{named}{_unsure(by_price)}, and would break even at {even}"
            )
        if not told:
            without = [entry.key for entry in self.design.cards if entry.price is None]
            return f"No price is given for {_names(without, self._label)}." if without else ""
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
        if without := [card.key for card in self.design.cards if card.price is None]:
            parts.append(f"No price is given for {_names(without, self._label)}.")
        return parts

    def _open(self, subject: Sequence[str]) -> list[str]:
        """Results that the runs leave open, of the subject where there is one; a result is one card in one cell."""
        told = set(subject) - {self.design.baseline} or set(self.cells.cards)
        results = [
            item
            for item in self.comparisons
            if item.candidate in told and (item.scene, item.resolution) in set(self.cells.of(item.candidate))
        ]
        parts, undecided = [], [item for item in results if item.verdict == "undecided"]
        if close := sum(item.at_margin for item in undecided):
            are = "result is" if close == 1 else "results are"
            parts.append(f"{_number(close)} {are} too close to {self.design.margin * 100.0:g} % to call.")
        if more := [item.runs_needed for item in undecided if item.runs_needed is not None]:
            span = " to ".join(str(n) for n in dict.fromkeys((min(more), max(more))))
            would = "undecided result" if len(more) == 1 else "undecided results"
            parts.append(f"{_number(len(more))} {would} would need {span} runs of each card.")
        if none := sum(item.interval_95 is None for item in undecided):
            whole = none == len(results) > 1
            have = "result has" if none == 1 or whole else "results have"
            parts.append(f"{'no' if whole else _number(none)} {have} {'an' if whole else 'no'} interval.")
        return [part[0].upper() + part[1:] for part in parts]

    def _missing(self) -> str:
        return left_out_words(self.design, self.cells.left_out)

    def _apart(self) -> str:
        without = [card for card in self.cells.apart if not self.cells.of(card)]
        few = [card for card in self.cells.apart if self.cells.of(card)]
        parts = [f"There is no usable run of {_names(without, self._label)}."] if without else []
        if few:
            n = " to ".join(str(n) for n in sorted({len(self.cells.of(card)) for card in few})[:: max(1, len(few) - 1)])
            stands = "stands" if len(few) == 1 else "stand"
            parts.append(
                f"{_names(few, self._label)} {stands} apart, with {n} of {counted(self.cells.n_planned, 'cell')}."
            )
        return " ".join(parts)


def _break_even(price: float, interval: Interval | None, currency: str | None) -> str:
    amount = f"{money(price, interval)} {currency or ''}".rstrip()
    return amount if interval is None else f"{amount} ({money_range(interval)})"


def _unsure(interval: Interval | None) -> str:
    is_sure = interval is None or interval.low > 1.0 or interval.high < 1.0
    return "" if is_sure else ", which is no sure difference"
