"""Value: break-even in both directions with its interval, running cost, and what cannot be compared."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from example_result import METRICS, design, example_result, placed_run
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from frametime.review.design import CardEntry, RunningCost
from frametime.review.money_and_power import break_even_price, running_cost, speed_metric
from frametime.review.result import ReviewResult
from frametime.review.result_tables import EfficiencyRow
from frametime.review.reviewing import review_runs

COST = RunningCost(tariff_per_kwh=0.32, hours_per_day=3.0, years=4.0, currency="EUR")


def two_cards(prices: dict[str, float], *, entries: tuple[CardEntry, ...] | None = None) -> ReviewResult:
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=METRICS[:1], prices=prices)
    if entries is not None:
        asked = replace(asked, cards=entries)
    runs = [
        placed_run(card, "harbor", "1440p", str(number), {"average_fps": value})
        for card, values in (("amber-6", [100.0, 100.5, 99.5]), ("birch-9", [120.0, 120.5, 119.5]))
        for number, value in enumerate(values)
    ]
    return review_runs(asked, runs)


def test_value_by_hand() -> None:
    base, card = sorted(two_cards({"amber-6": 500.0, "birch-9": 660.0}).value, key=lambda row: row.card)
    assert base.fps_per_money == pytest.approx(0.2, rel=1e-4)
    assert card.fps_per_money == pytest.approx(120.0 / 660.0, rel=1e-4)
    assert card.money_per_fps == pytest.approx(5.5, rel=1e-4)
    assert card.value_ratio == pytest.approx(1.2 * 500.0 / 660.0, rel=1e-4)
    assert card.break_even_price == pytest.approx(600.0, rel=1e-4)
    assert card.baseline_break_even_price == pytest.approx(550.0, rel=1e-4)
    assert (base.value_ratio, base.break_even_price) == (1.0, None)


def test_the_interval_is_carried_through_in_both_directions() -> None:
    result = two_cards({"amber-6": 500.0, "birch-9": 660.0})
    card = next(row for row in result.value if row.card == "birch-9")
    ratio = result.overall[0].interval_these_scenes
    assert ratio is not None and card.break_even_interval is not None
    assert card.baseline_break_even_interval is not None and card.value_ratio_interval is not None
    assert card.break_even_interval.low == pytest.approx(500.0 * ratio.low)
    assert card.break_even_interval.high == pytest.approx(500.0 * ratio.high)
    assert card.baseline_break_even_interval.low == pytest.approx(660.0 / ratio.high)
    assert card.baseline_break_even_interval.high == pytest.approx(660.0 / ratio.low)
    assert card.value_ratio_interval.low == pytest.approx(ratio.low * 500.0 / 660.0)


@given(price=st.floats(1.0, 5000.0), ratio=st.floats(0.1, 10.0))
def test_at_the_break_even_price_both_give_the_same(price: float, ratio: float) -> None:
    assert ratio / break_even_price(price, ratio) == pytest.approx(1.0 / price, rel=1e-12)


def test_a_missing_price_is_told_and_the_break_even_stays() -> None:
    card = next(row for row in two_cards({"amber-6": 500.0}).value if row.card == "birch-9")
    assert card.break_even_price == pytest.approx(600.0, rel=1e-4)
    assert (card.fps_per_money, card.value_ratio, card.baseline_break_even_price) == (None, None, None)
    assert [caveat.code for caveat in card.caveats if caveat.code == "no-price"] == ["no-price"]


def test_without_any_price_there_is_no_value() -> None:
    assert two_cards({}).value == ()


def test_prices_in_two_currencies_are_not_compared() -> None:
    cards = tuple(
        CardEntry(
            key=key, label=key, price=500.0, currency=currency, settings=None, driver=None, is_baseline=key == "amber-6"
        )
        for key, currency in (("amber-6", "EUR"), ("birch-9", "USD"))
    )
    card = next(row for row in two_cards({}, entries=cards).value if row.card == "birch-9")
    assert (card.price, card.fps_per_money, card.value_ratio, card.baseline_break_even_price) == (None,) * 4
    # What the card is worth stands in the currency of the baseline, as for a card without a price.
    assert (card.break_even_price, card.currency) == (pytest.approx(600.0, rel=1e-4), "EUR")
    assert "currencies-differ" in {caveat.code for caveat in card.caveats}


def test_running_cost_by_hand() -> None:
    cost = RunningCost(tariff_per_kwh=0.30, hours_per_day=4.0, years=2.0, currency="EUR")
    # 0.2 kW * 4 h * 365.25 * 2 * 0.30
    assert running_cost(200.0, cost) == pytest.approx(0.2 * 4.0 * 730.5 * 0.30)
    with pytest.raises(ValueError, match="average_power_w"):
        running_cost(-1.0, cost)


def test_efficiency_and_total_cost_of_the_example() -> None:
    result = example_result()
    rows = {row.card: row for row in result.efficiency if row.cut == "all"}
    assert set(rows) == {"amber-6", "birch-9", "cedar-12"}
    birch = rows["birch-9"]
    assert birch.average_power_w == pytest.approx(310.0, abs=2.0)
    assert birch.frames_per_joule is not None and birch.energy_per_frame_j is not None
    assert birch.frames_per_joule * birch.energy_per_frame_j == pytest.approx(1.0)
    # 8 % faster at 24 % more power.
    assert birch.efficiency_ratio == pytest.approx(1.07 / 1.24, abs=0.02)
    assert birch.running_cost == pytest.approx(0.310 * 3 * 365.25 * 4 * 0.32, rel=0.01)
    assert birch.total_cost == pytest.approx(579.0 + (birch.running_cost or 0.0))
    assert [row.n_cells for row in rows.values()] == [5, 5, 5]
    assert "missing-cells" in {caveat.code for caveat in rows["cedar-12"].caveats}


def test_power_and_cost_carry_the_scatter_of_power() -> None:
    asked = design(
        ("amber-6",),
        ("harbor", "canyon"),
        ("1440p",),
        prices={"amber-6": 500.0},
        metrics=METRICS[:1],
        running_cost=COST,
    )
    watts = {"harbor": [200.0, 204.0, 202.0], "canyon": [220.0, 221.0, 225.0]}
    runs = [
        placed_run("amber-6", scene, "1440p", str(at), {"average_fps": 100.0 + at, "average_power_w": value})
        for scene, values in watts.items()
        for at, value in enumerate(values)
    ]
    (row,) = review_runs(asked, runs).efficiency
    # Mean of two mean logs: variances of the means add up, a quarter each, with Welch and Satterthwaite's freedom.
    logs = [np.log(values) for values in watts.values()]
    parts = [np.var(values, ddof=1) / 3.0 / 4.0 for values in logs]
    freedom = sum(parts) ** 2 / sum(part**2 / 2.0 for part in parts)
    half = stats.t.ppf(0.975, freedom) * math.sqrt(sum(parts))
    power = np.mean([np.mean(values) for values in logs])
    assert row.average_power_interval is not None and row.running_cost_interval is not None
    assert row.average_power_interval.low == pytest.approx(math.exp(power - half), rel=1e-12)
    assert row.running_cost_interval.high == pytest.approx(running_cost(math.exp(power + half), COST), rel=1e-12)
    assert row.total_cost_interval is not None
    assert row.total_cost_interval.low == pytest.approx(500.0 + row.running_cost_interval.low, rel=1e-12)


def test_power_of_single_runs_takes_the_scatter_of_the_other_cells_or_none() -> None:
    asked = design(("amber-6",), ("harbor", "canyon"), ("1440p",), metrics=METRICS[:1], running_cost=COST)

    def row_of(watts: dict[str, list[float]]) -> EfficiencyRow:
        runs = [
            placed_run("amber-6", scene, "1440p", str(at), {"average_fps": 100.0, "average_power_w": value})
            for scene, values in watts.items()
            for at, value in enumerate(values)
        ]
        return review_runs(asked, runs).efficiency[0]

    alone = row_of({"harbor": [200.0], "canyon": [220.0]})
    assert (alone.average_power_interval, alone.running_cost_interval) == (None, None)
    assert row_of({"harbor": [200.0, 204.0], "canyon": [220.0]}).running_cost_interval is not None


def test_speed_is_counted_in_a_rate() -> None:
    assert speed_metric(design(metrics=METRICS)) == "average_fps"
    assert speed_metric(design(metrics=(METRICS[2],))) is None
    by_low = design(metrics=(METRICS[1], METRICS[0]))
    assert speed_metric(by_low) == "low_1pct_percentile_fps"
