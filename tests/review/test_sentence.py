"""The paragraph says what the numbers say: who leads, by how much, in how many cells, what is tied, what is not "
"known."""

from __future__ import annotations

import re

import pytest
from example_result import METRICS, design, example_result, placed_run

from frametime.review.result import ReviewResult
from frametime.review.result_tables import VerdictCounts
from frametime.review.reviewing import review_runs
from frametime.words import percent_change_words

RATES = dict[tuple[str, str], list[float]]


def reviewed(
    rates: RATES, *, prices: dict[str, float] | None = None, resolutions: tuple[str, ...] = ("1440p",)
) -> ReviewResult:
    """A review of average rates by (card, scene), the same at every resolution."""
    cards = tuple(dict.fromkeys(card for card, _ in rates))
    scenes = tuple(dict.fromkeys(scene for _, scene in rates))
    asked = design(cards, scenes, resolutions, prices=prices, metrics=METRICS[:1])
    runs = [
        placed_run(card, scene, resolution, str(number), {"average_fps": value})
        for (card, scene), values in rates.items()
        for resolution in resolutions
        for number, value in enumerate(values, start=1)
    ]
    return review_runs(asked, runs)


def text(result: ReviewResult) -> str:
    return result.paragraphs["all"]


def test_a_clear_lead() -> None:
    said = text(
        reviewed(
            {
                ("amber-6", "harbor"): [100.0, 101.0, 99.0],
                ("amber-6", "canyon"): [50.0, 50.4, 49.7],
                ("birch-9", "harbor"): [112.0, 113.0, 111.0],
                ("birch-9", "canyon"): [56.0, 56.3, 55.6],
            }
        )
    )
    assert said.startswith("All cells (2 cells): Birch 9 leads. Birch 9 is ahead of Amber 6: +11.9 %")
    assert "Birch 9 is ahead in 2 of 2 cells." in said
    assert "Not known" not in said


def test_runs_that_are_all_equal_are_not_told_as_single_runs() -> None:
    result = reviewed({("amber-6", "harbor"): [100.0, 100.0, 100.0], ("birch-9", "harbor"): [112.0, 112.0, 112.0]})
    assert "from runs that are all equal, so that nothing tells how sure it is" in text(result)
    assert "single run" not in text(result)
    codes = {caveat.code for caveat in result.overall[0].caveats}
    assert "no-scatter" in codes
    assert "one-run" not in codes


def test_ties_are_told_as_ties_and_nobody_leads() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 100.4, 99.6], ("birch-9", "harbor"): [100.2, 100.5, 99.9]}))
    assert said.startswith("All cells (1 cell): Birch 9 and Amber 6 share first place.")
    assert "Birch 9 and Amber 6 are tied" in said
    assert "inside the margin of 3 %" in said
    assert "Birch 9 is tied in 1 of 1 cell." in said


def test_a_real_but_small_difference_is_both() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 100.1, 99.9], ("birch-9", "harbor"): [101.5, 101.6, 101.4]}))
    assert "are tied" in said
    assert "the difference is real, but smaller than the margin" in said


def test_what_is_undecided_says_how_many_runs_would_decide() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 102.5, 97.5], ("birch-9", "harbor"): [100.5, 103.5, 98.0]}))
    assert "no card leads; first place is open between Birch 9 and Amber 6" in said
    assert "are undecided" in said
    assert "neither a difference beyond the margin of 3 % nor a tie is shown" in said
    assert re.search(r"1 undecided cell would need \d+ runs of each card", said)


def test_a_shown_difference_of_unknown_size_is_told_apart() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 100.4, 99.6], ("birch-9", "harbor"): [102.9, 103.3, 102.3]}))
    assert "a difference is shown, but not whether it exceeds the margin of 3 %" in said


def test_single_runs_say_that_nothing_tells_how_sure_it_is() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0], ("birch-9", "harbor"): [110.0]}))
    assert "Birch 9 against Amber 6: +10.0 % in average rate, from single runs" in said
    assert "no card leads" in said
    assert "1 cell has no interval" in said


def test_missing_cells_are_named() -> None:
    said = text(
        reviewed(
            {
                ("amber-6", "harbor"): [100.0, 101.0, 99.0],
                ("amber-6", "canyon"): [50.0, 50.4, 49.7],
                ("birch-9", "harbor"): [112.0, 113.0, 111.0],
            }
        )
    )
    assert "a cell is left out where a card has no usable run, Canyon at 1440p (Birch 9)." in said


def test_a_missing_cell_names_every_card_that_lacks_it() -> None:
    said = text(
        reviewed(
            {
                ("amber-6", "harbor"): [100.0, 101.0, 99.0],
                ("amber-6", "canyon"): [50.0, 50.4, 49.7],
                ("birch-9", "harbor"): [112.0, 113.0, 111.0],
                ("cedar-12", "harbor"): [90.0, 91.0, 89.0],
            }
        )
    )
    assert "Canyon at 1440p (Birch 9 and Cedar 12)" in said


def test_one_card_is_not_said_to_lead() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 101.0, 99.0]}))
    assert said == "All cells (1 cell): Amber 6 alone, with no other card to compare it with."


def test_three_cards_each_against_the_baseline_with_shared_places() -> None:
    said = text(
        reviewed(
            {
                ("amber-6", "harbor"): [100.0, 101.0, 99.0],
                ("birch-9", "harbor"): [100.5, 101.4, 99.4],
                ("cedar-12", "harbor"): [80.0, 81.0, 79.5],
            }
        )
    )
    assert "Birch 9 and Amber 6 share first place" in said
    assert "Cedar 12 is behind Amber 6" in said


def test_the_price_is_told_with_its_break_even() -> None:
    said = text(
        reviewed(
            {("amber-6", "harbor"): [100.0, 100.2, 99.8], ("birch-9", "harbor"): [120.0, 120.2, 119.8]},
            prices={"amber-6": 500.0, "birch-9": 660.0},
        )
    )
    assert "Speed for the money, against Amber 6 at 500 EUR: Birch 9 at 660 EUR gives −9.1 %" in said
    assert re.search(r"and would give the same at 600 \(\d+ to \d+\) EUR\.", said)
    assert "No price" not in said


def test_a_card_without_a_price_is_named_where_others_have_one() -> None:
    rates = {
        ("amber-6", "harbor"): [100.0, 100.2, 99.8],
        ("birch-9", "harbor"): [120.0, 120.2, 119.8],
        ("cedar-12", "harbor"): [90.0, 90.2, 89.8],
    }
    some = text(reviewed(rates, prices={"amber-6": 500.0, "birch-9": 660.0}))
    assert some.count("against Amber 6") == 1
    assert some.endswith("EUR. No price is given for Cedar 12.")
    of_none = text(reviewed(rates))
    assert "price" not in of_none
    without_baseline = text(reviewed(rates, prices={"birch-9": 660.0, "cedar-12": 300.0}))
    assert without_baseline.endswith("No price is given for Amber 6.")
    assert "for the money" not in without_baseline


def test_an_unsure_difference_in_value_is_called_that() -> None:
    said = text(
        reviewed(
            {("amber-6", "harbor"): [100.0, 104.0, 96.0], ("birch-9", "harbor"): [110.0, 114.0, 106.0]},
            prices={"amber-6": 500.0, "birch-9": 550.0},
        )
    )
    assert "which is no sure difference" in said


def test_scenes_like_these_are_told_apart_from_these_scenes() -> None:
    result = reviewed(
        {
            ("amber-6", "harbor"): [100.0, 100.2, 99.8],
            ("amber-6", "canyon"): [50.0, 50.1, 49.9],
            ("birch-9", "harbor"): [130.0, 130.2, 129.8],
            ("birch-9", "canyon"): [51.0, 51.1, 50.9],
        }
    )
    assert "is ahead of Amber 6" in text(result)
    assert re.search(r"For scenes like these it is −[\d.]+ to \+[\d.]+ %: undecided", text(result))


def test_one_scene_says_nothing_of_others() -> None:
    said = text(
        reviewed(
            {("amber-6", "harbor"): [100.0, 101.0, 99.0], ("birch-9", "harbor"): [112.0, 113.0, 111.0]},
            resolutions=("1440p", "2160p"),
        )
    )
    assert "in average rate in this scene." in said
    assert "these scenes" not in said
    assert "One scene alone says nothing of other scenes." in said


def test_what_holds_for_several_candidates_is_said_once() -> None:
    result = reviewed(
        {
            ("amber-6", "harbor"): [100.0, 101.0, 99.0],
            ("birch-9", "harbor"): [112.0, 113.0, 111.0],
            ("cobalt-3", "harbor"): [80.0, 81.0, 79.0],
        }
    )
    assert text(result).count("One scene alone says nothing of other scenes.") == 1
    assert all("One scene alone says nothing of other scenes." in item.sentence for item in result.overall)


def test_single_runs_of_several_cards_are_told_in_one_sentence() -> None:
    rates = {"amber-6": 100.0, "birch-9": 110.0, "cobalt-3": 80.0}
    said = text(reviewed({(card, scene): [rate] for card, rate in rates.items() for scene in ("harbor", "canyon")}))
    assert (
        "Against Amber 6 in average rate, from single runs, so that nothing tells how sure a number is: "
        "Birch 9 +10.0 %, undecided in 2 of 2 cells; Cobalt 3 −20.0 %, undecided in 2 of 2 cells."
    ) in said
    assert said.count("from single runs") == 1
    assert "Not known: no cell has an interval." in said


def test_cells_of_several_candidates_are_counted_as_comparisons() -> None:
    noisy = [100.0, 108.0, 93.0]
    rates = {("amber-6", "harbor"): noisy, ("birch-9", "harbor"): noisy, ("cobalt-3", "harbor"): noisy}
    assert re.search(r"2 (undecided )?comparisons of cells", text(reviewed(rates)))


def test_every_number_of_a_sentence_is_a_number_of_the_result() -> None:
    """The percentages of the first sentence are those of the overall comparison, rounded."""
    for item in example_result().overall:
        if item.ratio is None or item.interval_these_scenes is None:
            continue
        bounds = item.interval_these_scenes
        assert percent_change_words(item.ratio, bounds) in item.sentence


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ((1, 0, 0, 0), "ahead in 1 of 1 cell"),
        ((0, 2, 0, 1), "behind in 2 and undecided in 1 of 3 cells"),
        ((1, 2, 3, 4), "ahead in 1, behind in 2, tied in 3 and undecided in 4 of 10 cells"),
        ((0, 0, 0, 0), "no cell with runs on both sides"),
    ],
)
def test_counts(counts: tuple[int, int, int, int], expected: str) -> None:
    ahead, behind, tied, undecided = counts
    assert VerdictCounts(ahead=ahead, behind=behind, tied=tied, undecided=undecided).in_words == expected
