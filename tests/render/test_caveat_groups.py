"""Caveats by kind: each is in exactly one group, and no cell goes unnamed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from example_result import example_result
from review_samples import sample_review

from frametime.caveats import Caveat, Weight
from frametime.render.report.markdown import render_markdown
from frametime.render.report.review_report import review_report
from frametime.render.review_text import review_text
from frametime.render.review_words import PlacedCaveat, caveat_groups, group_words, placed_caveats, places_of
from frametime.render.tables.review_runs import runs_table
from frametime.review.result import ReviewResult


@pytest.fixture(scope="module")
def result() -> ReviewResult:
    return example_result()


def placed(message: str, *, card: str = "birch-9", cell: tuple[str, str] | None = None) -> PlacedCaveat:
    return PlacedCaveat(caveat=Caveat(code="warm-up", message=message), card=card, cell=cell)


def test_no_caveat_is_lost_and_none_stands_twice(result: ReviewResult) -> None:
    found = placed_caveats(result)
    grouped = [item for group in caveat_groups(found) for item in group.members]
    assert sorted(grouped, key=repr) == sorted(found, key=repr)
    assert len(set(found)) == len(found)
    messages = {item.caveat.message for item in found}
    for cell in result.cells:
        assert {caveat.message for caveat in cell.caveats} <= messages
    for spread in result.repeatability:
        assert {caveat.message for caveat in spread.caveats} <= messages
    assert {caveat.message for caveat in result.caveats} <= messages


def test_the_weightiest_kind_comes_first(result: ReviewResult) -> None:
    order = [Weight.REPEAT, Weight.CARE, Weight.NOTE]
    weights = [order.index(group.weight) for group in caveat_groups(placed_caveats(result))]
    assert weights == sorted(weights)
    assert len(set(weights)) > 1


def test_cells_are_named_under_the_cards_that_share_them(result: ReviewResult) -> None:
    scene, other = result.scenes[0], result.scenes[1]
    first, second = result.resolutions[:2]
    keys = [card.key for card in result.cards]
    members = [placed("", card=key, cell=(scene.key, first)) for key in keys]
    members += [placed("", card=keys[1], cell=(other.key, at)) for at in (second, first)]
    label = result.cards[1].label
    expected = f"every card in {scene.label} at {first}; {label} in {other.label} at {first}/{second}"
    assert places_of(result, members) == expected


def test_a_message_that_names_its_card_does_not_get_the_name_in_front_once_more(result: ReviewResult) -> None:
    (group,) = caveat_groups([placed("The plan gives no price for Birch 9.")])
    assert group_words(result, group) == "The plan gives no price for Birch 9."
    (group,) = caveat_groups([placed("Missing: Cedar 12 in Canyon.")])
    assert group_words(result, group) == "Birch 9: Missing: Cedar 12 in Canyon."


def test_a_card_that_is_meant_everywhere_has_no_list_of_cells(result: ReviewResult) -> None:
    cells = [(scene.key, resolution) for scene in result.scenes for resolution in result.resolutions]
    key, label = result.cards[1].key, result.cards[1].label
    members = [placed("", card=key, cell=cell) for cell in cells]
    assert places_of(result, members) == f"{label} in every cell"
    assert places_of(result, members[1:]).startswith(f"{label} in ")


def test_several_messages_are_counted_and_a_single_one_is_told(result: ReviewResult) -> None:
    cell = (result.scenes[0].key, result.resolutions[0])
    key = result.cards[1].key
    one = placed("It warms up.", card=key, cell=cell)
    other = placed("It warms up fast.", card=result.cards[0].key, cell=cell)
    (alone,) = caveat_groups([one])
    assert group_words(result, alone).endswith(": It warms up.")
    (both,) = caveat_groups([one, other])
    assert group_words(result, both).startswith("The first seconds differ from the rest (2 run sets): ")


def test_one_message_of_many_cards_names_some_and_counts_the_others() -> None:
    """Names of eighteen cards would fill the lines before the message begins."""
    many = sample_review(n_cards=20, n_scenes=1, resolutions=("1440p",), n_cuts=1)
    keys, labels = [card.key for card in many.cards], [card.label for card in many.cards]
    (group,) = caveat_groups([placed("One scene alone.", card=key) for key in keys[1:]])
    assert group_words(many, group) == f"{', '.join(labels[1:6])} and 14 more: One scene alone."
    (few,) = caveat_groups([placed("One scene alone.", card=key) for key in keys[1:4]])
    assert group_words(many, few) == f"{labels[1]}, {labels[2]} and {labels[3]}: One scene alone."
    (all_of_them,) = caveat_groups([placed("One scene alone.", card=key) for key in keys])
    assert group_words(many, all_of_them) == "Every card: One scene alone."


def test_messages_of_means_say_of_which_card_they_are(result: ReviewResult) -> None:
    """Two that speak of *this card* would be nobody's."""
    keys, labels = [card.key for card in result.cards], [card.label for card in result.cards]
    said = [placed(f"This card is {word}.", card=key) for key, word in zip(keys[:2], ("warm", "cold"), strict=True)]
    (both,) = caveat_groups(said)
    assert group_words(result, both).endswith(f"(2): {labels[0]}: This card is warm. {labels[1]}: This card is cold.")


def test_a_mean_tells_a_single_run_although_its_cells_do_too(result: ReviewResult) -> None:
    own = Caveat(code="one-run", message="Cells with a single run give no interval.")
    changed = replace(result, overall=(replace(result.overall[0], caveats=(own,)), *result.overall[1:]))
    assert own in [item.caveat for item in placed_caveats(changed)]
    assert own.message in " ".join(review_text(changed).split())


def test_people_read_labels_and_not_keys(result: ReviewResult) -> None:
    shown = [item.caveat.message for item in placed_caveats(result)]
    shown += [run.flag.sentence for run in result.runs if run.flag]
    shown += [run.sentence for run in result.coverage.to_make] + list(result.paragraphs.values())
    keys = [metric.key for metric in result.metrics if "_" in metric.key]
    keys += [card.key for card in result.cards]
    assert [(key, text) for text in shown for key in keys if key in text] == []
    assert keys
    assert "## Caveats" in render_markdown(review_report(result))


def test_notes_of_single_runs_that_change_nothing_stay_out_of_the_table_of_runs(result: ReviewResult) -> None:
    told = [Caveat(code="a-note", message="of note", weight=Weight.NOTE), Caveat(code="with-care", message="of weight")]
    table = runs_table(replace(result, runs=tuple(replace(run, caveats=tuple(told)) for run in result.runs)))
    assert [note.text for note in table.notes] == ["of weight"]
    codes = [cell.data for key, cell in zip(table.columns, table.rows[0].cells, strict=True) if key.key == "caveats"]
    assert codes == ["a-note with-care"]
