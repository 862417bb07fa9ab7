"""One set of cells for each table: a reader who divides two printed numbers gets the ratio printed beside them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from example_result import METRICS, design, placed_run
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.review.design import CutEntry, ReviewDesign, RunningCost
from frametime.review.result import ReviewResult
from frametime.review.result_tables import Standing, TableCells
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun

CARDS = ("amber-6", "birch-9", "cedar-12", "dune-4")
SCENES = ("harbor", "canyon", "pavilion")
RESOLUTIONS = ("1440p", "2160p")


def mean(values: Sequence[float]) -> float:
    return math.exp(math.fsum(map(math.log, values)) / len(values))


def near(value: float | None) -> object:
    """Equal to full precision; ``None`` stays ``None``."""
    return None if value is None else pytest.approx(value, rel=1e-12)


def check_law(result: ReviewResult) -> None:
    """Every ratio of the result is the quotient of the numbers beside it, and all rest on the cells that are named."""
    values = {
        (cell.card, key, cell.scene, cell.resolution): item.value
        for cell in result.cells
        for key, item in cell.estimates.items()
    }

    def over(card: str, metric: str, cells: Sequence[tuple[str, str]]) -> float | None:
        found = [values.get((card, metric, *cell)) for cell in cells]
        return mean([value for value in found if value]) if found and all(found) else None

    prices = {card.key: card.price for card in result.cards}
    for cut in result.cuts:
        cells = result.cells_of(cut.key)
        assert {*cells.cards, *cells.apart} == set(prices)
        assert [cell for cell in cut.cells if cell in cells.cells] == list(cells.cells)
        assert {(item.scene, item.resolution) for item in cells.left_out} == {*cut.cells} - {*cells.cells}
        assert all(item.cards and item.metrics for item in cells.left_out) or not cells.cards
        assert cells.n_planned == len(cut.cells)
        for metric in result.metrics:
            rows = [row for row in result.standings if (row.cut, row.metric) == (cut.key, metric.key)]
            check_places(rows, cells, -1.0 if metric.better == "lower" else 1.0)
            for row in rows:
                own = cells.of(row.card)
                assert row.n_cells == len(own)
                assert row.mean_value == near(over(row.card, metric.key, own))
                assert row.baseline_mean_value == near(over(result.baseline, metric.key, own))
                if row.mean_value is not None and row.baseline_mean_value is not None:
                    assert row.mean_value / row.baseline_mean_value == row.ratio_to_baseline
                    if row.interval is not None:
                        assert row.interval.low <= row.ratio_to_baseline <= row.interval.high
                else:
                    assert (row.ratio_to_baseline, row.interval) == (None, None)
        for pair in result.pairs:
            if pair.cut == cut.key and pair.ratio is not None:
                one, other = (over(card, pair.metric, cells.cells) for card in (pair.card, pair.other))
                assert one is not None and other is not None
                assert pair.ratio == near(one / other)
                assert pair.n_cells == len(cells.cells)
    by_row = {(row.cut, row.metric, row.card): row for row in result.standings}
    for item in result.overall:
        row = by_row[item.cut, item.metric, item.candidate]
        assert item.ratio == near(row.ratio_to_baseline)
        assert item.counts.total == item.n_cells == (0 if item.ratio is None else row.n_cells)
        assert item.n_named <= item.counts.ahead + item.counts.behind
    check_value(result)
    check_power(result)


def check_value(result: ReviewResult) -> None:
    """Rates for the money and break-even prices, from the means of the standings."""
    prices = {card.key: card.price for card in result.cards}
    by_row = {(row.cut, row.metric, row.card): row for row in result.standings}
    for item in result.value:
        row = by_row[item.cut, item.metric, item.card]
        assert (item.mean_value, item.stands_apart) == (row.mean_value, row.stands_apart)
        price, base_price = prices[item.card], prices[result.baseline]
        if item.mean_value and price:
            assert item.fps_per_money == item.mean_value / price
        if item.value_ratio is not None:
            assert item.fps_per_money and item.baseline_mean_value and base_price
            base_value = item.baseline_mean_value / base_price
            assert item.value_ratio == near(item.fps_per_money / base_value)
        if item.break_even_price is not None:
            assert item.mean_value and item.baseline_mean_value and base_price
            at_break_even = item.mean_value / item.break_even_price
            assert at_break_even == near(item.baseline_mean_value / base_price)


def check_places(rows: Sequence[Standing], cells: TableCells, sign: float) -> None:
    """Nobody's place is empty, the rows are in the order of the means, and cards that stand apart have no place."""
    assert [row.card for row in rows if row.stands_apart] == list(cells.apart)
    placed = [row for row in rows if not row.stands_apart]
    assert {row.card for row in placed} == set(cells.cards)
    assert rows[: len(placed)] == placed
    means = [sign * row.mean_value for row in placed if row.mean_value is not None]
    assert means == sorted(means, reverse=True)
    for row in placed:
        assert row.best_place is not None and row.worst_place is not None
        assert 1 <= row.best_place <= row.worst_place <= len(placed)
        assert set(row.tied_with) in (set(), set(row.not_told_apart_from))
    assert all((row.best_place, row.place) == (None, "apart") for row in rows if row.stands_apart)


def check_power(result: ReviewResult) -> None:
    runs: dict[tuple[str, str, str], list[tuple[float, float]]] = {}
    for run in result.runs:
        rate, power = run.values.get("average_fps"), run.values.get("average_power_w")
        if rate and power:
            runs.setdefault((run.card, run.scene, run.resolution), []).append((rate, power))

    def over(card: str, cells: Sequence[tuple[str, str]], at: int) -> float | None:
        found = [runs.get((card, *cell)) for cell in cells]
        return mean([mean([run[at] for run in of]) for of in found if of]) if found and all(found) else None

    for item in result.table_cells:
        assert {(cell.scene, cell.resolution) for cell in item.left_out} == {*result.cut(item.cut).cells} - {
            *item.cells
        }
    with_power = {item.cut for item in result.table_cells if item.kind == "power"}
    assert {row.cut for row in result.efficiency} == with_power
    for row in result.efficiency:
        cells = result.cells_of(row.cut, "power")
        own = cells.of(row.card)
        assert set(own) <= set(result.cells_of(row.cut).of(row.card))
        assert (row.n_cells, row.stands_apart) == (len(own), row.card in cells.apart)
        assert row.mean_rate_fps == near(over(row.card, own, 0))
        assert row.average_power_w == near(over(row.card, own, 1))
        if row.mean_rate_fps is None or row.average_power_w is None:
            assert (row.frames_per_joule, row.running_cost, row.efficiency_ratio) == (None, None, None)
            continue
        assert row.frames_per_joule == row.mean_rate_fps / row.average_power_w
        assert row.energy_per_frame_j == row.average_power_w / row.mean_rate_fps
        assert row.running_cost == pytest.approx(row.average_power_w / 1000.0 * 3 * 365.25 * 4 * 0.3, rel=1e-9)
        rate, power = (over(result.baseline, own, at) for at in (0, 1))
        if rate is not None and power is not None:
            assert row.baseline_frames_per_joule == near(rate / power)
            assert row.efficiency_ratio == row.frames_per_joule / row.baseline_frames_per_joule
            if row.efficiency_interval is not None:
                assert row.efficiency_interval.low <= row.efficiency_ratio * (1 + 1e-12)
                assert row.efficiency_ratio <= row.efficiency_interval.high * (1 + 1e-12)
        else:
            assert row.efficiency_ratio is None


SOME_CARDS = st.integers(1, len(CARDS))
SHARES = st.sampled_from([0.0, 0.1, 0.4, 0.8])


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), n_cards=SOME_CARDS, share=SHARES)
def test_whatever_is_missing_every_ratio_is_the_quotient_of_the_numbers_beside_it(
    seed: int, n_cards: int, share: float
) -> None:
    check_with_holes(seed, n_cards, share)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), n_cards=SOME_CARDS, share=SHARES)
def test_in_many_reviews_with_holes_every_ratio_is_the_quotient_of_the_numbers_beside_it(
    seed: int, n_cards: int, share: float
) -> None:
    check_with_holes(seed, n_cards, share)


def check_with_holes(seed: int, n_cards: int, share: float) -> None:
    """Runs, lows, power and prices are missing at random, from none to four in five."""
    rng = np.random.default_rng(seed)

    def value(low: float, high: float) -> float | None:
        return None if rng.random() < share else float(rng.uniform(low, high))

    runs = [
        placed_run(
            card,
            scene,
            resolution,
            str(number),
            {
                "average_fps": float(rng.uniform(20.0, 400.0)),
                "low_1pct_percentile_fps": value(20.0, 400.0),
                "average_power_w": value(80.0, 500.0),
            },
        )
        for card in CARDS[:n_cards]
        for scene in SCENES
        for resolution in RESOLUTIONS
        if rng.random() >= share
        for number in range(rng.integers(1, 4))
    ]
    prices = {card: price for card in CARDS if (price := value(50.0, 2000.0))}
    check_law(review_runs(asked(prices, cards=CARDS[:n_cards]), runs))


def asked(prices: dict[str, float], cards: Sequence[str]) -> ReviewDesign:
    high = CutEntry(
        key="2160p", label="2160p only", definition="at 2160p", cells=tuple((scene, "2160p") for scene in SCENES)
    )
    cost = RunningCost(tariff_per_kwh=0.3, hours_per_day=3, years=4, currency="EUR")
    return design(cards, SCENES, RESOLUTIONS, cuts=(high,), metrics=METRICS[:2], running_cost=cost, prices=prices)


def rates(levels: dict[tuple[str, str], float], **more: float) -> list[PlacedRun]:
    """Three runs of each (card, scene) at 1440p that scatter by 0.2 %."""
    return [
        placed_run(card, scene, "1440p", str(number), {"average_fps": level * factor, **more})
        for (card, scene), level in levels.items()
        for number, factor in enumerate((0.998, 1.0, 1.002), start=1)
    ]


def test_a_cell_that_one_card_lacks_tilts_nobody_elses_ratio() -> None:
    """The second card is faster only where the third has no run: nothing may say so beside 90 against 100 fps."""
    levels = {("amber-6", "harbor"): 100.0, ("birch-9", "harbor"): 90.0, ("cedar-12", "harbor"): 80.0}
    levels |= {("amber-6", "canyon"): 100.0, ("birch-9", "canyon"): 126.5}
    result = review_runs(design(CARDS[:3], SCENES[:2], ("1440p",), metrics=METRICS[:1]), rates(levels))
    means = {row.card: row.mean_value for row in result.standings}
    assert means == pytest.approx({"amber-6": 100.0, "birch-9": 90.0, "cedar-12": 80.0}, rel=1e-5)
    for row in result.standings:
        assert row.ratio_to_baseline == near(means[row.card] / means["amber-6"])
    assert [row.place for row in result.standings] == ["1", "2", "3"]
    assert "the Amber 6 is fastest" in result.paragraphs["all"]
    assert "+6.7 %" not in result.paragraphs["all"]


@pytest.mark.parametrize(("in_canyon", "told"), [(80.0, True), (100.0, False)])
def test_a_whole_that_the_cells_left_out_contradict_says_so(in_canyon: float, told: bool) -> None:
    """Birch ties in harbor, the only cell that counts, as cedar has no run in canyon: there birch is far behind."""
    levels = {("amber-6", "harbor"): 100.0, ("birch-9", "harbor"): 100.0, ("cedar-12", "harbor"): 80.0}
    levels |= {("amber-6", "canyon"): 100.0, ("birch-9", "canyon"): in_canyon}
    result = review_runs(design(CARDS[:3], SCENES[:2], ("1440p",), metrics=METRICS[:1]), rates(levels))
    birch, cedar = ([caveat.message for caveat in item.caveats] for item in result.overall)
    said = "The cells left out say otherwise of this card: behind in 1 of 1 cell."
    assert [item.verdict for item in result.overall] == ["tied", "behind"]
    assert (said in birch, any("say otherwise" in message for message in cedar)) == (told, False)


def test_cells_left_out_that_agree_with_the_whole_say_nothing() -> None:
    levels = {("amber-6", "harbor"): 100.0, ("birch-9", "harbor"): 80.0, ("cedar-12", "harbor"): 80.0}
    levels |= {("amber-6", "canyon"): 100.0, ("birch-9", "canyon"): 80.0}
    result = review_runs(design(CARDS[:3], SCENES[:2], ("1440p",), metrics=METRICS[:1]), rates(levels))
    assert [item.verdict for item in result.overall] == ["behind", "behind"]
    assert not any("say otherwise" in caveat.message for item in result.overall for caveat in item.caveats)


def test_a_card_with_few_cells_stands_apart_with_the_baselines_mean_beside_its_own() -> None:
    levels = {(card, scene): 100.0 for card in CARDS[:2] for scene in SCENES}
    levels |= {("amber-6", "harbor"): 50.0, ("cedar-12", "harbor"): 60.0}
    result = review_runs(design(CARDS[:3], SCENES, ("1440p",), metrics=METRICS[:1]), rates(levels))
    cells = result.cells_of("all")
    assert (cells.cards, cells.apart, len(cells.cells)) == (CARDS[:2], ("cedar-12",), 3)
    assert cells.apart_cells == {"cedar-12": (("harbor", "1440p"),)}
    row = result.standings[-1]
    assert (row.card, row.place, row.best_place, row.stands_apart) == ("cedar-12", "apart", None, True)
    assert (row.mean_value, row.baseline_mean_value) == pytest.approx((60.0, 50.0), rel=1e-5)
    assert row.ratio_to_baseline == near(1.2)
    assert result.overall[1].counts.total == 1
    assert {caveat.code for caveat in row.caveats} >= {"stands-apart"}
    assert {pair.other for pair in result.pairs} == {"birch-9"}
    assert "Cedar 12 stands apart, with 1 of 3 cells." in result.paragraphs["all"]


def test_a_card_without_a_run_stands_apart_without_numbers() -> None:
    levels = {(card, scene): 100.0 for card in CARDS[:2] for scene in SCENES}
    result = review_runs(design(CARDS[:3], SCENES, ("1440p",), metrics=METRICS[:1]), rates(levels))
    assert result.cells_of("all").apart_cells == {"cedar-12": ()}
    assert (result.standings[-1].mean_value, result.standings[-1].place) == (None, "apart")
    assert "There is no usable run of Cedar 12." in result.paragraphs["all"]


def test_the_card_that_costs_most_common_cells_stands_apart() -> None:
    """Without cedar three cells are common, without dune two, without birch one: cedar, though dune has fewer cells."""
    places = [(scene, resolution) for scene in SCENES for resolution in RESOLUTIONS]
    has = {"amber-6": places, "birch-9": places[:4], "cedar-12": [*places[:2], *places[4:]], "dune-4": places[1:4]}
    runs = [
        placed_run(card, *cell, str(number), {"average_fps": 100.0 + number})
        for card, cells in has.items()
        for cell in cells
        for number in range(3)
    ]
    result = review_runs(design(CARDS, SCENES, RESOLUTIONS, metrics=METRICS[:1]), runs)
    cells = result.cells_of("all")
    assert (cells.cards, cells.apart) == (("amber-6", "birch-9", "dune-4"), ("cedar-12",))
    assert cells.cells == tuple(places[1:4])
    assert cells.apart_cells == {"cedar-12": tuple(has["cedar-12"])}
    assert [(item.cards, item.metrics) for item in cells.left_out] == [
        (("dune-4",), ("average_fps",)),
        (("birch-9", "dune-4"), ("average_fps",)),
        (("birch-9", "dune-4"), ("average_fps",)),
    ]


def test_a_metric_that_few_cells_have_takes_no_cells_from_the_others() -> None:
    """A low that one of three cells has does not count; one that two of three have does."""

    def reviewed(n_with_low: int) -> ReviewResult:
        runs = [
            placed_run(
                card,
                scene,
                "1440p",
                str(number),
                {"average_fps": 100.0 + number, "low_1pct_percentile_fps": 70.0 + number if at < n_with_low else None},
            )
            for card in CARDS[:2]
            for at, scene in enumerate(SCENES)
            for number in range(3)
        ]
        return review_runs(design(CARDS[:2], SCENES, ("1440p",), metrics=METRICS[:2]), runs)

    few, most = reviewed(1), reviewed(2)
    assert [row.n_cells for row in few.standings] == [3, 3, 3, 3]
    assert [row.mean_value is None for row in few.standings] == [False, False, True, True]
    assert "no-common-cell" in {caveat.code for caveat in few.overall[1].caveats}
    assert [row.n_cells for row in most.standings] == [2, 2, 2, 2]
    assert all(row.mean_value is not None for row in most.standings)
    assert (
        "Missing: Amber 6 and Birch 9 in Pavilion at 1440p (no value of 1 % percentile low)." in most.paragraphs["all"]
    )


def test_power_follows_the_cells_of_the_speed_and_the_runs_with_a_sensor_log() -> None:
    runs = [
        placed_run(
            card,
            scene,
            "1440p",
            str(number),
            {"average_fps": 100.0 + 5 * number, "average_power_w": None if (scene, number) in bare else 200.0 + number},
        )
        for card in CARDS[:2]
        for scene in SCENES
        for bare in [{("harbor", 0), ("canyon", 0), ("canyon", 1), ("canyon", 2)} if card == "birch-9" else set()]
        for number in range(3)
    ]
    result = review_runs(design(CARDS[:2], SCENES, ("1440p",), metrics=METRICS[:1]), runs)
    assert result.cells_of("all", "power").cells == (("harbor", "1440p"), ("pavilion", "1440p"))
    assert result.cells_of("all", "power").left_out[0].metrics == ("average_power_w",)
    birch = next(row for row in result.efficiency if row.card == "birch-9")
    rate = mean([mean([105.0, 110.0]), mean([100.0, 105.0, 110.0])])
    assert birch.mean_rate_fps == near(rate)
    assert "cells-without-power" in {caveat.code for caveat in birch.caveats}


def test_a_baseline_without_a_run_leaves_the_others_their_places() -> None:
    """A card with one cell stands apart among them, too, with its own mean there."""
    levels = {(card, scene): rate for card, rate in zip(CARDS[1:3], (100.0, 80.0), strict=True) for scene in SCENES}
    levels["dune-4", "harbor"] = 70.0
    result = review_runs(design(CARDS, SCENES, ("1440p",), metrics=METRICS[:1]), rates(levels))
    assert [(row.card, row.place, row.ratio_to_baseline) for row in result.standings] == [
        ("birch-9", "1", None),
        ("cedar-12", "2", None),
        ("amber-6", "apart", None),
        ("dune-4", "apart", None),
    ]
    assert result.standings[-1].mean_value == pytest.approx(70.0, rel=1e-5)
    assert "There is no usable run of Amber 6. Dune 4 stands apart, with 1 of 3 cells." in result.paragraphs["all"]


def test_two_names_of_one_number_are_shown_once() -> None:
    runs = [
        placed_run(card, "harbor", "1440p", str(n), {"average_fps": 100.0 + n, "low_1pct_percentile_fps": 70.0 + n})
        for card in CARDS[:2]
        for n in range(3)
    ]
    both = design(CARDS[:2], SCENES[:1], ("1440p",), metrics=METRICS)
    result = review_runs(both, runs)
    assert [metric.key for metric in result.metrics] == ["average_fps", "low_1pct_percentile_fps"]
    (caveat,) = [item for item in result.caveats if item.code == "same-number-twice"]
    assert "99 % frame time is left out" in caveat.message
    headline_last = replace(both, headline="p99_frame_time_ms")
    assert [metric.key for metric in review_runs(headline_last, runs).metrics] == ["average_fps", "p99_frame_time_ms"]
