"""Who stands where, over all cells and over each cut."""

from __future__ import annotations

from frametime.render.caveat_groups import CaveatGroup, caveat_groups, group_words, place_name, placed_caveats
from frametime.render.report.document import Block, Cell, Column, Note, Notes, Paragraph, Row, Section, Table
from frametime.render.report.document_parts import (
    VERDICT_MARKS,
    NoteList,
    bare,
    cell,
    change,
    change_range,
    choices,
    count,
    numbers,
    reach_words,
    strip_cell,
    texts,
)
from frametime.render.report.review_verdict import ReviewWords, counts_line, first_reason, overall_reach, overall_strip
from frametime.review.design import CutEntry
from frametime.review.result import ReviewResult
from frametime.review.result_tables import OverallComparison, Standing


def standings_section(result: ReviewResult) -> Section:
    """Places over all cells by the headline metric; every other cut and metric in a table to search."""
    words = ReviewWords(result)
    first = result.cuts[0]
    rest = [
        (number, standing)
        for number, standing in enumerate(result.standings)
        if (standing.cut, standing.metric) != (first.key, result.headline)
    ]
    blocks: list[Block] = [
        Paragraph(
            content=(
                "Cards share a place where the runs do not carry an order between them. The mean is the geometric mean"
                " over the cells that every placed card has.",
            )
        ),
        _headline_standings(result, words, first),
    ]
    if rest:
        blocks.append(_all_standings(words, rest))
    return Section(key="standings", heading="Standings", blocks=tuple(blocks))


def cuts_section(result: ReviewResult) -> Section:
    """The headline comparison once for every cut, then each cut in words."""
    words = ReviewWords(result)
    return Section(
        key="cuts",
        heading="Cut by cut",
        blocks=(
            Paragraph(
                content=(
                    "The same comparison over different choices of cells. These scenes: what repeating the same scenes"
                    " would give. Scenes like these: what other scenes of the same kind would give.",
                )
            ),
            _overall_table(result, words, headline=True),
            *([_overall_table(result, words, headline=False)] if len(result.metrics) > 1 else []),
        ),
        sections=tuple(_cut_section(result, words, cut) for cut in result.cuts),
    )


def _cut_section(result: ReviewResult, words: ReviewWords, cut: CutEntry) -> Section:
    blocks: list[Block] = [Paragraph(content=(f"{cut.definition} ({len(cut.cells)} cells)",))]
    if text := result.paragraphs.get(cut.key):
        blocks.append(Paragraph(content=(text,)))
    if cut.key != result.cuts[0].key:
        blocks.append(_headline_standings(result, words, cut))
    elif missing := _missing_table(result, words, cut):
        blocks.append(missing)
    return Section(key=f"cut-{_position(result, cut)}", heading=cut.label, blocks=tuple(blocks))


def _position(result: ReviewResult, cut: CutEntry) -> int:
    return result.cuts.index(cut) + 1


def _headline_standings(result: ReviewResult, words: ReviewWords, cut: CutEntry) -> Table:
    notes = NoteList()
    rows = [
        Row(cells=_standing_cells(words, standing, notes), origin=f"standings/{number}")
        for number, standing in enumerate(result.standings)
        if standing.cut == cut.key and standing.metric == result.headline
    ]
    return Table(
        key=f"standings-{_position(result, cut)}",
        caption=f"Standings by {words.headline.label}, {cut.label}: {words.better(result.headline)}.",
        columns=_standing_columns(words, words.metric_heading(result.headline)),
        rows=tuple(rows),
        notes=notes.notes,
    )


def _standing_columns(words: ReviewWords, mean_heading: str) -> tuple[Column, ...]:
    return (
        Column(heading="Card", is_choice=True),
        *numbers("Place", mean_heading, f"Against {words.baseline}"),
        Column(heading="95 % interval, these scenes", kind="range"),
        Column(heading="Not told apart from"),
        Column(heading="Cells", kind="number"),
    )


def _standing_cells(words: ReviewWords, standing: Standing, notes: NoteList) -> tuple[Cell, ...]:
    reason = first_reason(standing.caveats, "this card shares no cell with the others")
    ratio = change(standing.ratio_to_baseline, "ratio_to_baseline", reason=reason)
    is_baseline = standing.ratio_to_baseline == 1.0 and standing.interval is None
    interval = "baseline" if is_baseline else change_range(standing.interval, "interval", reason=reason)
    others = ", ".join(words.cards[key] for key in standing.not_told_apart_from)
    return (
        cell(words.cards[standing.card], notes=notes.of(standing.caveats)),
        cell(standing.place, sort=float((standing.best_place or 999) * 1000 + (standing.worst_place or 999))),
        notes.cell(bare(standing.mean_value, "mean_value", reason=reason)),
        cell("baseline" if is_baseline else ratio, notes=() if is_baseline else notes.why(ratio)),
        notes.cell(interval),
        cell(others or "\N{EN DASH}"),
        cell(count(standing.n_cells, "n_cells")),
    )


def _all_standings(words: ReviewWords, chosen: list[tuple[int, Standing]]) -> Table:
    notes = NoteList()
    rows = []
    for number, standing in chosen:
        card, *others = _standing_cells(words, standing, notes)
        cut, metric = cell(words.cuts[standing.cut]), cell(words.metric_heading(standing.metric))
        rows.append(Row(cells=(card, cut, metric, *others), origin=f"standings/{number}"))
    card_column, *other_columns = _standing_columns(words, "Mean")
    return Table(
        key="standings-all",
        caption="Standings by every metric and cut: lower frame times and higher rates are better.",
        columns=(card_column, *choices("Cut", "Metric"), *other_columns),
        rows=tuple(rows),
        notes=notes.notes,
        is_long=True,
        folded_as=f"Standings by every other metric and cut ({len(rows)} rows)",
    )


def _overall_table(result: ReviewResult, words: ReviewWords, *, headline: bool) -> Table:
    notes = NoteList()
    chosen = [
        (number, comparison)
        for number, comparison in enumerate(result.overall)
        if (comparison.metric == result.headline) == headline
    ]
    reach = overall_reach([comparison for _, comparison in chosen], result.margin)
    rows = tuple(
        Row(
            cells=_overall_cells(result, words, comparison, notes, reach, headline=headline), origin=f"overall/{number}"
        )
        for number, comparison in chosen
    )
    metric = [] if headline else [Column(heading="Metric", is_choice=True)]
    picture = [Column(heading=reach_words(reach))] if headline else []
    better = words.difference_hint(result.headline) if headline else "read the sign with the metric"
    what = words.headline.label if headline else "the other metrics"
    return Table(
        key="overall-headline" if headline else "overall-others",
        caption=f"Difference to the baseline {words.baseline} by {what}, over the cells of each cut: {better}.",
        columns=(
            *choices("Cut", "Card"),
            *metric,
            Column(heading="Difference", kind="number"),
            Column(heading="95 %, these scenes", kind="range"),
            *picture,
            Column(heading="Verdict", is_choice=True),
            Column(heading="95 %, scenes like these", kind="range"),
            *texts("Verdict for scenes like these", "Cells by verdict"),
        ),
        rows=rows,
        notes=notes.notes,
        is_long=not headline or len(rows) > 12,
        folded_as=None if headline else f"The other metrics, cut by cut ({len(rows)} rows)",
    )


def _overall_cells(
    result: ReviewResult, words: ReviewWords, item: OverallComparison, notes: NoteList, reach: float, *, headline: bool
) -> tuple[Cell, ...]:
    reason = first_reason(item.caveats, "no cell has runs on both sides")
    small: tuple[str, ...] = (" real but smaller than the margin",) if item.real_but_small else ()
    return (
        cell(words.cuts[item.cut], notes=notes.of(item.caveats)),
        cell(words.cards[item.candidate]),
        *([] if headline else [cell(words.metric_heading(item.metric))]),
        notes.cell(change(item.ratio, "ratio", reason=reason)),
        notes.cell(change_range(item.interval_these_scenes, "interval_these_scenes", reason=reason)),
        *([strip_cell(overall_strip(item, result.margin, reach))] if headline else []),
        cell(VERDICT_MARKS[item.verdict], *small),
        notes.cell(
            change_range(
                item.interval_scenes_like_these, "interval_scenes_like_these", reason="too few scenes give no interval"
            )
        ),
        cell(VERDICT_MARKS[item.verdict_scenes_like_these]),
        Cell(content=counts_line(item)),
    )


def _missing_table(result: ReviewResult, words: ReviewWords, cut: CutEntry) -> Table | None:
    """Cells of the cut that are left out, each once."""
    left_out = {(missing.scene, missing.resolution, missing.cards) for missing in result.cells_of(cut.key).left_out}
    if not left_out:
        return None
    order = {pair: number for number, pair in enumerate(cut.cells)}
    rows = [
        Row(cells=(cell(words.scenes[scene]), cell(resolution), cell(", ".join(words.cards[card] for card in cards))))
        for scene, resolution, cards in sorted(left_out, key=lambda item: (order.get(item[:2], 0), item[2]))
    ]
    return Table(
        key=f"missing-{_position(result, cut)}",
        caption="Cells left out of these comparisons, and the cards without a usable run there.",
        columns=(Column(heading="Scene"), Column(heading="Resolution"), Column(heading="Cards")),
        rows=tuple(rows),
    )


def caveats_section(result: ReviewResult) -> Section:
    """The caveats by kind with their counts, the weightiest first, and folded below them every one by itself."""
    groups = caveat_groups(placed_caveats(result))
    if not groups:
        none = Paragraph(content=("No caveat bears on this review.",))
        return Section(key="caveats", heading="Caveats", blocks=(none,))
    notes = tuple(Note(text=group_words(result, group), weight=group.weight.value, code=group.code) for group in groups)
    return Section(key="caveats", heading="Caveats", blocks=(Notes(notes=notes), _every_caveat(result, groups)))


def _every_caveat(result: ReviewResult, groups: tuple[CaveatGroup, ...]) -> Table:
    # The same words about the same place by several metrics are one row.
    told = dict.fromkeys(
        (place_name(result, item), group.title, item.caveat.weight.value, item.caveat.message)
        for group in groups
        for item in group.members
    )
    rows = tuple(Row(cells=tuple(cell(words) for words in row)) for row in told)
    return Table(
        key="every-caveat",
        caption="What each caveat says, with its numbers.",
        columns=(Column(heading="Of"), *choices("Kind", "Weight"), Column(heading="What it says")),
        rows=rows,
        folded_as=f"Every caveat by itself ({len(rows)})",
    )
