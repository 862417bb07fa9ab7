"""The paragraph says what the numbers say: who leads, by how much, in how many cells, what is tied, what is not "
"known."""

from __future__ import annotations

import re
from collections.abc import Container
from dataclasses import replace

import pytest
from example_result import METRICS, design, example_result, placed_run
from hypothesis import given
from hypothesis import strategies as st

from frametime.caveats import Caveat, Weight
from frametime.review.design import SpreadRule
from frametime.review.result import ReviewResult
from frametime.review.result_tables import VerdictCounts
from frametime.review.reviewing import review_runs
from frametime.review.sentence import expected, place_words
from frametime.statistics.interval import Interval
from frametime.words import percent_change_words

RATES = dict[tuple[str, str], list[float]]


def reviewed(
    rates: RATES,
    *,
    prices: dict[str, float] | None = None,
    resolutions: tuple[str, ...] = ("1440p",),
    spread: SpreadRule = "shared",
    subject: tuple[str, ...] = (),
    capped: Container[tuple[str, str]] = (),
) -> ReviewResult:
    """A review of average rates by (card, scene), the same at every resolution; some at a cap."""
    cap = Caveat(code="capped", message="A cap.", weight=Weight.CARE, metrics=("average_fps",))
    cards = tuple(dict.fromkeys(card for card, _ in rates))
    scenes = tuple(dict.fromkeys(scene for _, scene in rates))
    asked = design(cards, scenes, resolutions, prices=prices, metrics=METRICS[:1], subject=subject)
    asked = replace(asked, spread=spread)
    runs = [
        placed_run(
            card, scene, resolution, str(number), {"average_fps": value}, caveats=[cap] * ((card, scene) in capped)
        )
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
    assert said.startswith("Overall (2 scenes at 1440p) the Birch 9 is fastest. Birch 9 is ahead of Amber 6: +11.9 %")
    assert "In similar scenes expect 10 to 14 %: still ahead." in said
    assert said.endswith("It is ahead in 2 of 2 cells.")


def test_runs_that_are_all_equal_are_not_told_as_single_runs() -> None:
    result = reviewed({("amber-6", "harbor"): [100.0, 100.0, 100.0], ("birch-9", "harbor"): [112.0, 112.0, 112.0]})
    assert "+12.0 % in average rate, from runs that are all equal, so its uncertainty is unknown" in text(result)
    assert "single run" not in text(result)
    codes = {caveat.code for caveat in result.overall[0].caveats}
    assert "no-scatter" in codes
    assert "one-run" not in codes


def test_ties_are_told_as_ties_and_nobody_leads() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 100.4, 99.6], ("birch-9", "harbor"): [100.2, 100.5, 99.9]}))
    assert said.startswith("Overall (1 scene at 1440p) Birch 9 and Amber 6 share first place.")
    assert "Birch 9 and Amber 6 are tied" in said
    assert "inside the margin of 3 %" in said
    assert "Birch 9 is tied in 1 of 1 cell." in said


def test_a_real_but_small_difference_is_both() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 100.1, 99.9], ("birch-9", "harbor"): [101.5, 101.6, 101.4]}))
    assert "are tied" in said
    assert "; the difference is real, but small." in said


def test_what_is_undecided_says_how_many_runs_would_decide() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 102.5, 97.5], ("birch-9", "harbor"): [100.5, 103.5, 98.0]}))
    assert "Birch 9 and Amber 6 cannot be told apart by these runs." in said
    assert "Birch 9 and Amber 6 are not told apart: " in said
    assert "; more runs may decide." in said
    assert re.search(r"One undecided result would need \d+ runs of each card \(Birch 9 in Harbor at 1440p\)\.", said)


def test_of_what_is_undecided_a_flagged_run_is_repeated_before_more_are_made() -> None:
    rates = {
        (card, scene): [level, 1.004 * level, 0.997 * level]
        for card, level in (("amber-6", 100.0), ("birch-9", 101.0))
        for scene in ("harbor", "lake", "mill", "moor")
    }
    rates["birch-9", "mill"][1] *= 0.92
    result = reviewed(rates)
    assert [run.name for run in result.runs if run.flag] == ["birch-9/mill/1440p/2"]
    told = "One flagged run is to be repeated first (Birch 9 in Mill at 1440p)"
    assert f"{told}." in text(result)
    assert told in result.answers["all"].uncertain
    (cell,) = [item for item in result.comparisons if item.verdict == "undecided"]
    assert (cell.scene, cell.runs_needed, cell.at_margin) == ("mill", None, False)
    (odd,) = [item for item in result.cells if (item.card, item.scene) == ("birch-9", "mill")]
    assert [caveat.code for caveat in odd.caveats] == ["run-to-repeat"], "the flag says why the set scatters"
    (tested,) = [of.cochran for of in result.repeatability if of.card == "birch-9"]
    assert tested is not None and (tested.scene, tested.outcome) == ("mill", "outlier")
    assert [one for of in result.repeatability for one in of.caveats] == [], "a run is to be repeated, no more be made"
    assert "would need" not in text(result)


@pytest.mark.parametrize(
    "runs", [[100.3, 100.9, 99.2], [100.3, 100.9, 98.2], [99.2, 100.2, 98.2], [101.2, 102.2, 100.2]]
)
def test_a_tie_of_which_the_shown_interval_leaves_the_margin_says_by_which_it_is_one(runs: list[float]) -> None:
    rates = {(card, "harbor"): [100.0, 99.6, 100.4] for card in ("amber-6", "birch-9")}
    rates["birch-9", "harbor"] = runs
    result = reviewed(rates)
    (item,) = result.overall
    assert item.verdict == "tied" and item.interval_these_scenes is not None
    is_inside = item.interval_these_scenes.low > 1.0 / 1.03 and item.interval_these_scenes.high < 1.03
    assert is_inside == (runs[-1] == 99.2)
    by = "" if is_inside else "by its 90 % interval "
    assert f", {by}inside the margin of 3 %." in text(result)


def test_a_shown_difference_of_unknown_size_is_told_apart() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0, 100.4, 99.6], ("birch-9", "harbor"): [102.9, 103.3, 102.3]}))
    assert "the difference is real, but perhaps less than 3 %" in said


def test_a_result_that_waits_for_runs_is_not_told_once_more_for_lack_of_an_interval() -> None:
    rates = {
        (card, scene): [level, 1.004 * level, 0.997 * level]
        for card, level in (("amber-6", 100.0), ("birch-9", 103.5))
        for scene in ("harbor", "lake", "mill")
    }
    rates["birch-9", "mill"] = [103.5]
    said = text(reviewed(rates))
    assert re.search(r"would need .*Birch 9 in Mill at 1440p", said) and "no interval (Birch 9" not in said


def test_single_runs_say_that_nothing_tells_how_sure_it_is() -> None:
    said = text(reviewed({("amber-6", "harbor"): [100.0], ("birch-9", "harbor"): [110.0]}))
    assert "Birch 9 against Amber 6: +10.0 % in average rate, from single runs" in said
    assert "Birch 9 and Amber 6 have no sure order by these runs." in said
    assert "One result has no interval (Birch 9 in Harbor at 1440p)." in said


def test_single_runs_say_what_tells_the_verdict_over_similar_scenes() -> None:
    told = []
    for rates in ((110.0, 109.0, 111.0, 110.5), (150.0, 80.0, 111.0, 95.0)):
        runs = {("amber-6", scene): [100.0] for scene in ("harbor", "canyon", "foundry", "orchard")}
        runs |= {("birch-9", scene): [rate] for (_, scene), rate in zip(tuple(runs), rates, strict=True)}
        told.append(text(reviewed(runs)))
    assert all("have no sure order by these runs." in said for said in told)
    assert "How the scenes spread tells more: in similar ones expect 8 to 12 %: ahead." in told[0]
    # Where it tells no more, it does not say so.
    assert "tells more" not in told[1] and "In similar scenes expect" in told[1] and "still undecided." in told[1]


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
    assert said.endswith("Missing: Birch 9 in Canyon at 1440p.")


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
    assert said.endswith("Missing: Birch 9 and Cedar 12 in Canyon at 1440p.")


def test_one_card_is_not_said_to_lead() -> None:
    result = reviewed({("amber-6", "harbor"): [100.0, 101.0, 99.0]})
    reached = "the Amber 6 reaches 100.0 fps (average rate), with no other card to compare it with."
    assert text(result) == f"Overall (1 scene at 1440p) {reached}"


def many(n: int, *, subject: tuple[str, ...] = (), runs: int = 3, prices: bool = True) -> ReviewResult:
    """A review of n cards, each 5 % slower and 40 EUR cheaper than the one before; the fourth is the baseline."""
    cards = tuple(f"card-{number}" for number in range(1, n + 1))
    asked = design(
        cards,
        ("harbor", "canyon"),
        ("1440p", "2160p"),
        prices={card: 900.0 - 40.0 * at for at, card in enumerate(cards)} if prices else None,
        metrics=METRICS[:1],
        baseline=cards[min(3, n - 1)],
        subject=subject,
    )
    return review_runs(
        asked,
        [
            placed_run(card, scene, resolution, str(run), {"average_fps": 100.0 * 0.95**at * (1.0 + 0.003 * run)})
            for at, card in enumerate(cards)
            for scene in ("harbor", "canyon")
            for resolution in ("1440p", "2160p")
            for run in range(runs)
        ],
    )


def test_a_subject_is_told_against_the_cards_next_to_it_in_speed_and_price() -> None:
    said = text(many(12, subject=("card-6",)))
    assert said.startswith("Overall (2 scenes at 2 resolutions) the Card 1 is fastest. Of 12 cards Card 6 is 6th.")
    assert (
        "In average rate Card 6 is behind Card 5, next above it: −5.0 % (−5.2 to −4.8 %); ahead of Card 7, "
        "next below it: +5.3 % (+5.0 to +5.5 %); behind Card 4, the baseline: −9.8 % (−10.0 to −9.5 %)."
    ) in said
    assert "In speed for the money Card 6 at 700 EUR gives −0.8 %" in said
    assert "against Card 7 at 660 EUR, next cheaper, which is" not in said
    assert re.search(
        r"against Card 5 at 740 EUR, next dearer.*, and would break even at 703 EUR \(701 to 705\)\.", said
    )
    assert set(re.findall(r"Card \d+", said)) == {"Card 1", "Card 4", "Card 5", "Card 6", "Card 7"}


def test_subjects_that_are_tied_are_told_one_after_the_other() -> None:
    """Places that are lists themselves, joined by *and*, would read as one list."""
    rates = {(f"card-{number}", "harbor"): [100.0, 100.2, 99.8] for number in range(1, 5)}
    said = text(reviewed(rates, subject=("card-2", "card-3")))
    one = "Card 2 is tied for 1st with Card 1, Card 3 and Card 4"
    assert f"Of 4 cards {one}; Card 3 is tied for 1st with Card 1, Card 2 and Card 4." in said


@pytest.mark.parametrize(
    "subject", [(), ("card-1",), ("card-6",), ("card-2", "card-9"), tuple(f"card-{n}" for n in range(1, 9))]
)
def test_a_paragraph_stays_short_however_many_cards_there_are(subject: tuple[str, ...]) -> None:
    said = text(many(12, subject=subject))
    assert len(re.findall(r"[.:] (?=[A-Z])", said)) <= 7
    assert len(said) < 900
    assert said.count("Card 8") <= 1


def test_without_a_subject_the_first_is_told_against_the_baseline_and_the_next() -> None:
    said = text(many(12))
    assert "the Card 1 is fastest. Card 1 is ahead of Card 4: +16.6 %" in said
    assert "Card 1 is ahead of Card 2, next in speed: +5.3 %" in said
    assert "Best value is the Card 12 at 460 EUR: " in said


def test_of_two_cards_the_candidate_is_the_subject() -> None:
    result = many(2)
    assert result.subject == ("card-1",)
    assert "Card 1 is ahead of Card 2: " in text(result)
    assert many(3).subject == ()


def test_the_price_is_told_with_its_break_even() -> None:
    said = text(
        reviewed(
            {("amber-6", "harbor"): [100.0, 100.2, 99.8], ("birch-9", "harbor"): [120.0, 120.2, 119.8]},
            prices={"amber-6": 500.0, "birch-9": 660.0},
        )
    )
    assert "In speed for the money Birch 9 at 660 EUR gives −9.1 % (−9.5 to −8.7 %) against Amber 6 at 500 EUR" in said
    assert said.endswith(", and would break even at 600 EUR (597 to 603).")
    assert "No price" not in said


def test_a_card_without_a_price_is_named_where_others_have_one() -> None:
    rates = {
        ("amber-6", "harbor"): [100.0, 100.2, 99.8],
        ("birch-9", "harbor"): [120.0, 120.2, 119.8],
        ("cedar-12", "harbor"): [90.0, 90.2, 89.8],
    }
    some = text(reviewed(rates, prices={"amber-6": 500.0, "birch-9": 660.0}))
    assert "Best value among 2 cards with a price in EUR is the Amber 6 at 500 EUR. Birch 9 at 660 EUR would" in some
    assert some.endswith("No price is given for Cedar 12.")
    of_none = text(reviewed(rates))
    assert "price" not in of_none
    without_baseline = text(reviewed(rates, prices={"birch-9": 660.0, "cedar-12": 300.0}))
    assert without_baseline.endswith(
        "among 2 cards with a price in EUR is the Cedar 12 at 300 EUR. No price is given for Amber 6."
    )


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
    assert re.search(r"In similar scenes expect −\d+ to \+\d+ %: undecided\.", text(result))


def test_one_scene_says_nothing_of_others() -> None:
    said = text(
        reviewed(
            {("amber-6", "harbor"): [100.0, 101.0, 99.0], ("birch-9", "harbor"): [112.0, 113.0, 111.0]},
            resolutions=("1440p", "2160p"),
        )
    )
    assert said.startswith("Overall (1 scene at 2 resolutions) the Birch 9 is fastest.")
    assert "similar scenes" not in said
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


def test_single_runs_of_several_cards_are_told_once() -> None:
    rates = {"amber-6": 100.0, "birch-9": 110.0, "cobalt-3": 80.0}
    said = text(reviewed({(card, scene): [rate] for card, rate in rates.items() for scene in ("harbor", "canyon")}))
    assert "Birch 9, Amber 6 and Cobalt 3 have no sure order by these runs." in said
    assert "told apart" not in said
    assert said.count("from single runs") == 1
    assert said.endswith("Four results have no interval.")


def test_results_close_to_the_margin_are_counted() -> None:
    noisy = [100.0, 108.0, 93.0]
    rates = {("amber-6", "harbor"): noisy, ("birch-9", "harbor"): noisy, ("cobalt-3", "harbor"): noisy}
    assert "Two results are too close to 3 % to call (Birch 9 in Harbor at 1440p and " in text(reviewed(rates))


def test_places_are_shared_only_where_every_pair_is_tied() -> None:
    """The outer two of three cards at +1.3, 0 and -1.3 % are undecided, though each is tied with the middle one."""
    levels = {"amber-6": 100.0, "birch-9": 101.3, "cedar-12": 98.7}
    scatter = (0.992, 1.0, 1.008)
    result = reviewed(
        {(card, scene): [level * f for f in scatter] for card, level in levels.items() for scene in ("moor", "quay")}
    )
    verdicts = {(pair.card, pair.other): pair.verdict for pair in result.pairs}
    assert verdicts == {
        ("amber-6", "birch-9"): "tied",
        ("amber-6", "cedar-12"): "tied",
        ("birch-9", "cedar-12"): "undecided",
    }
    assert "Birch 9, Amber 6 and Cedar 12 cannot be told apart by these runs." in text(result)
    assert {row.tied_with for row in result.standings} == {()}
    close = reviewed({(card, "moor"): [99.0, 100.0, 101.0] for card in levels})
    assert "Amber 6, Birch 9 and Cedar 12 share first place." in text(close)


def test_the_first_two_share_a_place_though_the_second_is_tied_with_the_third_as_well() -> None:
    levels = {"amber-6": 100.0, "birch-9": 98.0, "cedar-12": 96.0}
    result = reviewed({(card, "moor"): [level * f for f in (0.999, 1.0, 1.001)] for card, level in levels.items()})
    assert [row.place for row in result.standings] == ["1 to 2", "1 to 3", "2 to 3"]
    assert "Amber 6 and Birch 9 share first place." in text(result)


def test_a_place_in_words() -> None:
    result = reviewed(
        {
            ("amber-6", "harbor"): [100.0, 100.2, 99.8],
            ("birch-9", "harbor"): [100.5, 100.7, 100.3],
            ("cedar-12", "harbor"): [130.0, 130.2, 129.8],
            ("dune-4", "harbor"): [99.0, 118.0, 82.0],
        }
    )
    label = {card.key: card.label for card in result.cards}.__getitem__
    words = {row.card: place_words(row, label) for row in result.standings}
    assert words["birch-9"] == "2nd to 4th"
    three = reviewed(
        {
            (card, "harbor"): [n + 100.0 + 30.0 * (card == "cedar-12") for n in (-0.2, 0.0, 0.2)]
            for card in ("amber-6", "birch-9", "cedar-12")
        }
    )
    words = {row.card: place_words(row, label) for row in three.standings}
    assert words == {"cedar-12": "1st", "amber-6": "tied for 2nd with Birch 9", "birch-9": "tied for 2nd with Amber 6"}


def test_a_clear_whole_without_a_cell_that_stands_says_so() -> None:
    """Six cells, none of which stands after Holm, and yet the whole is clear."""
    scatter = (0.95, 1.0, 1.05)
    scenes = ("harbor", "canyon", "moor", "quay", "pavilion", "quarry")
    result = reviewed(
        {
            (card, scene): [level * f for f in scatter]
            for card, level in (("amber-6", 100.0), ("birch-9", 108.0))
            for scene in scenes
        },
        spread="own",
    )
    assert result.overall[0].verdict == "ahead"
    assert result.overall[0].n_named == 0
    assert "of 6 cells: not enough runs to name single cells." in text(result)


def test_many_missing_cells_are_a_count_and_one_example() -> None:
    rates: RATES = {("amber-6", f"scene {n}"): [100.0, 101.0, 99.0] for n in range(10)}
    rates |= {("birch-9", f"scene {n}"): [100.0, 101.0, 99.0] for n in range(6)}
    assert text(reviewed(rates)).endswith("Missing: four cells, such as Birch 9 in Scene 6 at 1440p.")


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


def test_a_card_that_a_cap_held_back_is_told_beside_its_lead() -> None:
    rates: RATES = {
        ("amber-6", "harbor"): [50.0, 50.5, 49.7],
        ("amber-6", "canyon"): [40.0, 40.4, 39.7],
        ("birch-9", "harbor"): [60.0, 60.0, 59.9],
        ("birch-9", "canyon"): [59.9, 60.0, 60.0],
    }
    both = {("birch-9", "harbor"), ("birch-9", "canyon")}
    told = "ran at a cap in 6 of 6 runs: there the rate shows the limit, not the card."
    held = reviewed(rates, capped=both)
    assert f"Birch 9 {told}" in text(held)
    assert held.answers["all"].uncertain == f"Birch 9 {told}"
    assert "ran at a cap in 3 of 6 runs" in text(reviewed(rates, capped={("birch-9", "harbor")}))
    assert "cap" not in text(reviewed(rates, capped={("amber-6", "ridge")}))


@given(low=st.floats(0.5, 2.0), width=st.floats(0.0, 0.5))
def test_the_span_of_similar_scenes_is_never_narrower_to_read_than_it_is(low: float, width: float) -> None:
    high = low + width
    told = expected(Interval(low=low, high=high, level=0.95, method="")).replace("\N{MINUS SIGN}", "-")
    ends = [float(number) for number in told.removesuffix(" %").split(" to ")]
    assert ends[0] <= (low - 1.0) * 100.0 + 1e-6
    assert ends[1] >= (high - 1.0) * 100.0 - 1e-6
    assert ends[1] - ends[0] < 100.0 * width + 2.0


def test_how_an_interval_over_one_cell_was_made_speaks_of_one_cell() -> None:
    rates = {("amber-6", "harbor"): [100.0, 101.0, 99.0], ("birch-9", "harbor"): [110.0, 111.0, 109.0]}
    (item,) = reviewed(rates).overall
    assert item.interval_these_scenes is not None
    assert "run noise only, 1 cell, " in item.interval_these_scenes.method


def test_of_one_card_with_a_price_it_is_told_what_it_costs_and_not_that_it_is_best() -> None:
    rates = {
        (card, "harbor"): [level, level + 1.0, level - 1.0] for card, level in (("amber-6", 100.0), ("birch-9", 112.0))
    }
    told = reviewed(rates, prices={"amber-6": 400.0}).answers["all"].price
    assert told == "The Amber 6 at 400 EUR costs 4.00 EUR per fps."
