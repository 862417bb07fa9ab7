"""The result in plain words, built from the numbers and from nothing else."""

from __future__ import annotations

import math
from collections.abc import Sequence

from frametime.metrics.metric import Interval
from frametime.review.design import ReviewDesign
from frametime.review.overall import Paired
from frametime.review.result_cells import CellComparison, Verdict
from frametime.review.result_entries import CutEntry, MetricEntry
from frametime.review.result_overall import OverallComparison, Standing, ValueRow, VerdictCounts
from frametime.words import counted, joined

MINUS = "\N{MINUS SIGN}"


def decimals_for(*numbers_pct: float) -> int:
    """Decimals for percentages: one, or two where all of them are below 1 %."""
    return 2 if all(abs(number) < 1.0 for number in numbers_pct) else 1


def signed_pct(ratio: float, decimals: int = 1) -> str:
    """A ratio as a signed change.

    Examples
    --------
    >>> signed_pct(1.0521), signed_pct(0.97), signed_pct(1.0)
    ('+5.2 %', '−3.0 %', '0.0 %')
    """
    text = f"{(ratio - 1.0) * 100.0:+.{decimals}f}"
    if float(text) == 0.0:
        return f"{0.0:.{decimals}f} %"
    return f"{text} %".replace("-", MINUS)


def change_text(ratio: float, interval: Interval | None) -> str:
    """``+5.2 % (+4.1 % to +6.3 %)``.

    Examples
    --------
    >>> change_text(1.052, Interval(low=1.041, high=1.063, level=0.95, method="t interval"))
    '+5.2 % (+4.1 % to +6.3 %)'
    """
    if interval is None:
        return signed_pct(ratio, decimals_for((ratio - 1.0) * 100.0))
    decimals = decimals_for((interval.low - 1.0) * 100.0, (interval.high - 1.0) * 100.0)
    return (
        f"{signed_pct(ratio, decimals)} ({signed_pct(interval.low, decimals)} to {signed_pct(interval.high, decimals)})"
    )


def counts_text(counts: VerdictCounts) -> str:
    """In how many cells the candidate is what.

    Examples
    --------
    >>> counts_text(VerdictCounts(ahead=9, behind=0, tied=2, undecided=1))
    'ahead in 9, tied in 2 and undecided in 1 of 12 cells'
    """
    parts = [
        f"{word} in {number}"
        for word, number in (
            ("ahead", counts.ahead),
            ("behind", counts.behind),
            ("tied", counts.tied),
            ("undecided", counts.undecided),
        )
        if number
    ]
    return f"{joined(parts)} of {counted(counts.total, 'cell')}" if parts else "no cell to count"


def overall_sentence(
    design: ReviewDesign,
    metric: MetricEntry,
    candidate: str,
    paired: Paired,
    *,
    verdict: Verdict,
    verdict_like_these: Verdict,
    real_but_small: bool,
    counts: VerdictCounts,
) -> str:
    """Candidate against baseline over one cut, in one or two sentences."""
    one, other = design.label(candidate), design.label(design.baseline)
    if paired.these is None:
        return f"{one} and {other} cannot be compared here: no cell has usable runs of both."
    ratio = math.exp(paired.these.value)
    these = paired.these.ratio_interval(0.95, "these scenes")
    change = change_text(ratio, these)
    margin = f"{design.margin * 100.0:g} %"
    label = metric.label
    if these is None:
        first = f"{one} against {other}: {change} in {label}, from single runs, so that nothing tells how sure it is."
    elif verdict in {"ahead", "behind"}:
        first = f"{one} is {verdict}{' of' if verdict == 'ahead' else ''} {other}: {change} in {label}, these scenes."
    elif verdict == "tied":
        small = "; the difference is real, but smaller than the margin" if real_but_small else ""
        first = f"{one} and {other} are tied: {change} in {label}, these scenes, inside the margin of {margin}{small}."
    else:
        shown = these.low > 1.0 or these.high < 1.0
        why = (
            f"a difference is shown, but not whether it exceeds the margin of {margin}"
            if shown
            else f"neither a difference beyond the margin of {margin} nor a tie is shown"
        )
        first = f"{one} and {other} are undecided: {change} in {label}, these scenes; {why}."
    return " ".join(
        filter(None, [first, _like_these(paired, verdict, verdict_like_these), f"{one} is {counts_text(counts)}."])
    )


def _like_these(paired: Paired, verdict: Verdict, verdict_like_these: Verdict) -> str:
    if paired.like_these is None:
        return "Scenes of one kind only: nothing is said of other scenes." if paired.n_scenes < 2 else ""
    interval = paired.like_these.ratio_interval(0.95, "scenes like these")
    if interval is None:
        return ""
    decimals = decimals_for((interval.low - 1.0) * 100.0, (interval.high - 1.0) * 100.0)
    span = f"{signed_pct(interval.low, decimals)} to {signed_pct(interval.high, decimals)}"
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
        Of this cut and the headline metric only.
    """
    parts = [_who_leads(design, cut, standings)]
    parts += [item.sentence for item in overall]
    parts += [text for row in value if (text := _price(design, row))]
    parts.append(_not_known(design, overall, comparisons))
    return " ".join(filter(None, parts))


def _who_leads(design: ReviewDesign, cut: CutEntry, standings: Sequence[Standing]) -> str:
    n_cells = len(cut.cells)
    head = f"{cut.label} ({counted(n_cells, 'cell')}):"
    first = [item for item in standings if item.best_place == 1]
    leader = [item for item in first if item.worst_place == 1]
    if len(leader) == 1:
        return f"{head} {design.label(leader[0].card)} leads."
    return f"{head} no card leads; first place is open between {joined([design.label(i.card) for i in first])}."


def _price(design: ReviewDesign, row: ValueRow) -> str:
    if row.card == design.baseline or row.value_ratio is None or row.price is None or row.break_even_price is None:
        return ""
    base = next(card for card in design.cards if card.key == design.baseline)
    interval = row.value_ratio_interval
    change = change_text(row.value_ratio, interval)
    sure = interval is None or interval.low > 1.0 or interval.high < 1.0
    doubt = "" if sure else ", which is no sure difference"
    bounds = row.break_even_interval
    span = "" if bounds is None else f" ({_money(bounds.low)} to {_money(bounds.high)})"
    currency = f" {row.currency}" if row.currency else ""
    return (
        f"At {_money(row.price)}{currency} against {_money(base.price or 0.0)}{currency}, {design.label(row.card)} "
        f"gives {change} in speed for the money{doubt}; both give the same with {design.label(row.card)} at "
        f"{_money(row.break_even_price)}{span}{currency}."
    )


def _money(amount: float) -> str:
    return f"{amount:.0f}" if amount >= 100.0 else f"{amount:.2f}"


def _not_known(
    design: ReviewDesign, overall: Sequence[OverallComparison], comparisons: Sequence[CellComparison]
) -> str:
    texts = []
    missing = {(cell.scene, cell.resolution): cell.cards for item in overall for cell in item.missing}
    if missing:
        names = {scene.key: scene.label for scene in design.scenes}
        cells = [
            f"{names[scene]} at {resolution} (no usable run of {joined([design.label(c) for c in cards])})"
            for (scene, resolution), cards in missing.items()
        ]
        texts.append(f"left out, for lack of a side: {joined(cells)}")
    open_cells = [item for item in comparisons if item.verdict == "undecided"]
    more = [item.runs_needed for item in open_cells if item.runs_needed is not None]
    if more:
        few, many = min(more), max(more)
        n = f"{few}" if few == many else f"{few} to {many}"
        texts.append(f"{counted(len(more), 'undecided cell')} would need {n} runs a card")
    at_margin = sum(item.at_margin for item in open_cells)
    if at_margin:
        cells_lie = counted(at_margin, "cell lies", "cells lie")
        texts.append(f"{cells_lie} at the margin, where no number of runs would decide")
    no_interval = sum(item.interval_95 is None for item in open_cells)
    if no_interval:
        texts.append(f"{counted(no_interval, 'cell has', 'cells have')} no interval")
    return f"Not known: {'; '.join(texts)}." if texts else ""
