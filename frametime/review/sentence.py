"""The result in plain words, built from the numbers and from nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.review.design import CutEntry, MetricEntry, ReviewDesign
from frametime.review.result_tables import (
    CellComparison,
    OverallComparison,
    Standing,
    ValueRow,
    Verdict,
    VerdictCounts,
)
from frametime.review.verdict_rule import Decision
from frametime.statistics.differences import Difference
from frametime.words import (
    counted,
    joined,
    money,
    money_words,
    percent_change,
    percent_change_range,
    percent_change_words,
)

ONE_SCENE = "One scene alone says nothing of other scenes."


def overall_sentence(
    design: ReviewDesign,
    metric: MetricEntry,
    candidate: str,
    *,
    these: Difference | None,
    all_equal: bool,
    like_these: Difference | None,
    n_scenes: int,
    decision: Decision,
    verdict_like_these: Verdict,
    counts: VerdictCounts,
) -> str:
    """Candidate against baseline over one cut, in one or two sentences."""
    one, other = design.label(candidate), design.label(design.baseline)
    if these is None:
        return f"{one} and {other} cannot be compared here: no cell has usable runs of both."
    verdict, interval = decision.verdict, these.ratio_interval(0.95, "these scenes")
    change = percent_change(these.ratio) if interval is None else percent_change_words(these.ratio, interval)
    margin = f"{design.margin * 100.0:g} %"
    amount = f"{change} in {metric.label}"
    where = "in this scene" if n_scenes == 1 else "in these scenes"
    if interval is None:
        runs = "runs that are all equal" if all_equal else "single runs"
        first = f"{one} against {other}: {amount}, from {runs}, so that nothing tells how sure it is."
    elif verdict in {"ahead", "behind"}:
        first = f"{one} is {verdict}{' of' if verdict == 'ahead' else ''} {other}: {amount} {where}."
    elif verdict == "tied":
        small = "; the difference is real, but smaller than the margin" if decision.real_but_small else ""
        first = f"{one} and {other} are tied: {amount} {where}, inside the margin of {margin}{small}."
    else:
        shown = interval.low > 1.0 or interval.high < 1.0
        why = (
            f"a difference is shown, but not whether it exceeds the margin of {margin}"
            if shown
            else f"neither a difference beyond the margin of {margin} nor a tie is shown"
        )
        first = f"{one} and {other} are undecided: {amount} {where}; {why}."
    second = _like_these(like_these, n_scenes, verdict, verdict_like_these)
    return " ".join(filter(None, [first, second, f"{one} is {counts.in_words}."]))


def _like_these(like_these: Difference | None, n_scenes: int, verdict: Verdict, verdict_like_these: Verdict) -> str:
    if like_these is None:
        return ONE_SCENE if n_scenes < 2 else ""
    interval = like_these.ratio_interval(0.95, "scenes like these")
    if interval is None:
        return ""
    span = percent_change_range(interval)
    if verdict_like_these == verdict:
        return f"For scenes like these it is {span}, and the verdict is the same."
    return f"For scenes like these it is {span}: {verdict_like_these}."


def paragraph(
    design: ReviewDesign,
    cut: CutEntry,
    *,
    overall: Sequence[OverallComparison],
    standings: Sequence[Standing],
    value: Sequence[ValueRow],
    comparisons: Sequence[CellComparison],
) -> str:
    """One paragraph for a cut: who leads, by how much, in how many cells, what the price says, what is not known.

    Parameters
    ----------
    overall, standings, value, comparisons
        Of the whole review; those of this cut and the headline metric are told.
    """
    overall = [item for item in overall if item.cut == cut.key and item.metric == design.headline]
    standings = [item for item in standings if item.cut == cut.key and item.metric == design.headline]
    value = [item for item in value if item.cut == cut.key]
    comparisons = [
        item
        for item in comparisons
        if item.metric == design.headline and (item.scene, item.resolution) in set(cut.cells)
    ]
    parts = [_who_leads(design, cut, overall, standings)]
    parts += _candidates(design, overall)
    parts += [_prices(design, value), _not_known(design, overall, comparisons)]
    return " ".join(filter(None, parts))


def _candidates(design: ReviewDesign, overall: Sequence[OverallComparison]) -> list[str]:
    """The sentence of each candidate; what holds for several of them is said once."""
    single = [item for item in overall if item.ratio is not None and any(c.code == "one-run" for c in item.caveats)]
    if len(single) < 2:
        single = []
    parts = [item.sentence for item in overall if item not in single]
    if single:
        parts.append(_single_runs(design, single))
    if any(ONE_SCENE in item.sentence for item in overall):
        parts = [part.replace(f" {ONE_SCENE}", "") for part in parts]
        parts.append(ONE_SCENE)
    return parts


def _single_runs(design: ReviewDesign, items: Sequence[OverallComparison]) -> str:
    """Candidates whose differences have no interval."""
    told = []
    for item in items:
        assert item.ratio is not None
        like = item.interval_scenes_like_these
        other = f" (scenes like these: {percent_change_range(like)}, {item.verdict_scenes_like_these})" if like else ""
        told.append(f"{design.label(item.candidate)} {percent_change(item.ratio)}{other}, {item.counts.in_words}")
    label = design.metric(items[0].metric).label
    return (
        f"Against {design.label(design.baseline)} in {label}, from single runs, so that nothing tells how sure a "
        f"number is: {'; '.join(told)}."
    )


def _who_leads(
    design: ReviewDesign, cut: CutEntry, overall: Sequence[OverallComparison], standings: Sequence[Standing]
) -> str:
    head = f"{cut.label} ({counted(len(cut.cells), 'cell')}):"
    if len(design.cards) == 1:
        return f"{head} {design.cards[0].label} alone, with no other card to compare it with."
    first = [item.card for item in standings if item.best_place == 1]
    leader = [item.card for item in standings if item.worst_place == 1]
    names = joined([design.label(card) for card in first])
    if len(leader) == 1:
        return f"{head} {design.label(leader[0])} leads."
    tied = {item.candidate for item in overall if item.verdict == "tied"} | {design.baseline}
    if design.baseline in first and tied.issuperset(first):
        return f"{head} {names} share first place."
    return f"{head} no card leads; first place is open between {names}." if first else f"{head} no card can be placed."


def _prices(design: ReviewDesign, value: Sequence[ValueRow]) -> str:
    """Speed for the money of each card against the baseline, whose name and price are said once."""
    prices = {card.key: card.price for card in design.cards}
    if all(price is None for price in prices.values()):
        return ""
    base = design.label(design.baseline)
    without = [design.label(card) for card, price in prices.items() if price is None]
    missing = f"No price is given for {joined(without)}." if without else ""
    rows = [text for row in value if row.card != design.baseline and (text := _price(design, row))]
    if not rows:
        return missing
    currency = next((f" {row.currency}" for row in value if row.card == design.baseline and row.currency), "")
    against = f"{base} at {money(prices[design.baseline] or 0.0)}{currency}"
    return " ".join(filter(None, [f"Speed for the money, against {against}: {'; '.join(rows)}.", missing]))


def _price(design: ReviewDesign, row: ValueRow) -> str:
    if row.value_ratio is None or row.price is None or row.break_even_price is None:
        return ""
    interval = row.value_ratio_interval
    sure = interval is None or interval.low > 1.0 or interval.high < 1.0
    doubt = "" if sure else ", which is no sure difference"
    currency = f" {row.currency}" if row.currency else ""
    return (
        f"{design.label(row.card)} at {money(row.price)}{currency} gives "
        f"{percent_change_words(row.value_ratio, interval)}{doubt}, and would give the same at "
        f"{money_words(row.break_even_price, row.break_even_interval)}{currency}"
    )


def _not_known(
    design: ReviewDesign, overall: Sequence[OverallComparison], comparisons: Sequence[CellComparison]
) -> str:
    texts = []
    missing: dict[tuple[str, str], list[str]] = {}
    for item in overall:
        for cell in item.missing:
            missing.setdefault((cell.scene, cell.resolution), []).extend(cell.cards)
    if missing:
        names = {scene.key: scene.label for scene in design.scenes}
        cells = [
            f"{names[scene]} at {resolution} ({joined([design.label(card) for card in dict.fromkeys(cards)])})"
            for (scene, resolution), cards in missing.items()
        ]
        what = "a cell is" if len(cells) == 1 else f"{len(cells)} cells are"
        texts.append(f"{what} left out where a card has no usable run, {joined(cells)}")
    # A cell stands once for each candidate: 6 cells of three candidates are 18 comparisons.
    one_candidate = len({item.candidate for item in comparisons}) == 1
    one, many_ = ("cell", "cells") if one_candidate else ("comparison of a cell", "comparisons of cells")
    open_cells = [item for item in comparisons if item.verdict == "undecided"]
    more = [item.runs_needed for item in open_cells if item.runs_needed is not None]
    if more:
        few, many = min(more), max(more)
        n = f"{few}" if few == many else f"{few} to {many}"
        undecided = counted(len(more), f"undecided {one}", f"undecided {many_}")
        texts.append(f"{undecided} would need {n} runs of each card")
    at_margin = sum(item.at_margin for item in open_cells)
    if at_margin:
        cells_lie = counted(at_margin, f"{one} lies", f"{many_} lie")
        texts.append(f"{cells_lie} so close to the margin that more runs would hardly decide")
    no_interval = sum(item.interval_95 is None for item in open_cells)
    if no_interval and no_interval == len(comparisons) > 1:
        texts.append("no cell has an interval")
    elif no_interval:
        texts.append(f"{counted(no_interval, f'{one} has', f'{many_} have')} no interval")
    return f"Not known: {'; '.join(texts)}." if texts else ""
