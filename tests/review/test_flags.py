"""A run that stands out is named, once, with its evidence; good runs are left alone."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from example_result import METRICS, design, placed_run

from frametime.review.card_repeatability import (
    CardSpread,
    laws_of_others,
    least_distance,
    repeatability_of,
    set_caveats,
)
from frametime.review.result import Flag
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun, gather
from frametime.review.runs_to_make import flagged_runs
from frametime.statistics.distributions import t_quantile
from frametime.statistics.repeatability import cochran_critical, cochran_test, poolable
from frametime.statistics.shared_scatter import HEAVY, ScatterLaw, run_that_stands_out

KEY = METRICS[0].key
DESIGN = design(("amber-6",), ("scene",), ("1440p",), metrics=METRICS[:1])


def matrix(rng: np.random.Generator, n_cells: int = 8, n_runs: int = 3, sd: float = 0.006) -> list[PlacedRun]:
    """Runs of one card, all good."""
    return [
        placed_run(
            "amber-6",
            f"scene{cell}",
            "1440p",
            str(run),
            {KEY: (60.0 + 10 * cell) * math.exp(sd * rng.standard_normal())},
        )
        for cell in range(n_cells)
        for run in range(1, n_runs + 1)
    ]


def flags_of(runs: list[PlacedRun], margin: float = 0.03) -> dict[str, Flag]:
    sets = list(gather(runs).values())
    return flagged_runs(sets, [CardSpread("amber-6", METRICS[0], sets)], replace(DESIGN, margin=margin))


def changed(runs: list[PlacedRun], name: str, factor: float) -> list[PlacedRun]:
    """The same runs, one of them off by a factor."""
    return [
        placed_run(run.card, run.scene, run.resolution, run.run, {KEY: (run.value(KEY) or 0.0) * factor})
        if run.name == name
        else run
        for run in runs
    ]


@pytest.mark.parametrize("factor", [0.93, 1.07])
def test_a_run_that_is_off_is_named_and_no_other(factor: float) -> None:
    name = "amber-6/scene3/1440p/2"
    flags = flags_of(changed(matrix(np.random.default_rng(1)), name, factor))
    assert list(flags) == [name]
    assert flags[name].distance_pct == pytest.approx(100.0 * (factor - 1.0), abs=1.5)
    assert abs(flags[name].distance_pct) > flags[name].limit_pct
    assert ("above" if factor > 1 else "below") in flags[name].sentence


def test_two_bad_runs_in_two_cells_are_both_named() -> None:
    runs = changed(matrix(np.random.default_rng(2)), "amber-6/scene1/1440p/1", 0.9)
    flags = flags_of(changed(runs, "amber-6/scene5/1440p/3", 0.92))
    assert set(flags) == {"amber-6/scene1/1440p/1", "amber-6/scene5/1440p/3"}


@pytest.mark.parametrize(("n_matrices", "most"), [(60, 8), pytest.param(200, 19, marks=pytest.mark.slow)])
def test_good_matrices_are_rarely_flagged(n_matrices: int, most: int) -> None:
    rng = np.random.default_rng(3)
    told = sum(bool(flags_of(matrix(rng, sd=0.02))) for _ in range(n_matrices))
    # 5 % over the runs of a card: 10 of 200; 19 is beyond what chance gives in one of 200 such counts, 8 of 60 as well.
    assert told <= most, told


def small_review(rng: np.random.Generator, n_cards: int, *, off: float = 1.0) -> list[PlacedRun]:
    """Three runs of one scene for each card, all good but for the second of the first, which is off by a factor."""
    values = 80.0 * np.exp(0.006 * rng.standard_normal((n_cards, 3)))
    values[0, 1] *= off
    return [
        placed_run(f"card{card}", "scene", "1440p", str(run + 1), {KEY: float(values[card, run])})
        for card in range(n_cards)
        for run in range(3)
    ]


def flags_of_cards(runs: list[PlacedRun], n_cards: int) -> dict[str, Flag]:
    sets = list(gather(runs).values())
    return flagged_runs(sets, [CardSpread(f"card{at}", METRICS[0], sets) for at in range(n_cards)], DESIGN)


def test_where_cards_have_few_cells_those_of_all_tell_how_runs_scatter() -> None:
    """Each cell alone flags 5 of 100 such runs: two others say too little of a third."""
    rng = np.random.default_rng(8)
    found, cried = 0, 0
    for _ in range(60):
        for off in (0.92, 1.0):
            flags = flags_of_cards(small_review(rng, 4, off=off), 4)
            found += "card0/scene/1440p/2" in flags and off < 1.0
            cried += bool(flags) and off == 1.0
    assert found >= 54, found
    assert cried <= 8, cried  # as in the test above
    (sentence,) = [flag.sentence for flag in flags_of_cards(small_review(rng, 3, off=0.92), 3).values()]
    assert "(from these and the review's 2 other cells)" in sentence


def test_a_cell_is_held_against_three_of_its_card_or_those_of_all_cards_with_fewer() -> None:
    def others_of(**n_cells: int) -> dict[str, tuple[object, int]]:
        """Of each card whose cells its first one is held against, and how many others there are."""
        logs = {
            (card, f"scene{at}", "1440p"): np.array([0.0, 0.01, 0.02 + 0.001 * at])
            for card, count in n_cells.items()
            for at in range(count)
        }
        found = laws_of_others(logs)
        return {card: (law.group, law.n_sets) for (card, scene, _), law in found.items() if scene == "scene0"}

    assert others_of(a=3, b=2, c=1) == {"a": ("a", 2), "b": ("", 2), "c": ("", 2)}
    assert others_of(a=3, b=2) == {"a": ("a", 2)}
    assert others_of(a=2) == others_of(a=1, b=1) == {}


def test_a_deviation_that_cannot_move_a_verdict_is_not_flagged() -> None:
    rng = np.random.default_rng(4)
    runs = changed(matrix(rng, sd=0.0003), "amber-6/scene3/1440p/2", 0.995)
    assert flags_of(runs) == {}
    assert list(flags_of(runs, margin=0.01)) == ["amber-6/scene3/1440p/2"]


def test_a_set_that_scatters_as_a_whole_blames_no_single_run() -> None:
    rng = np.random.default_rng(5)
    runs = matrix(rng)
    runs = changed(changed(runs, "amber-6/scene2/1440p/1", 0.9), "amber-6/scene2/1440p/3", 1.1)
    assert flags_of(runs) == {}
    sets = gather(runs)
    spread = CardSpread("amber-6", METRICS[0], list(sets.values()))
    assert spread.aside == [("amber-6", "scene2", "1440p")]
    caveats = set_caveats(sets["amber-6", "scene2", "1440p"], spread, margin=0.03, n_tests=1)
    assert [caveat.code for caveat in caveats] == ["scattered-set"]
    told = repeatability_of(spread, margin=0.03)
    assert told.cochran is not None
    assert (told.cochran.scene, told.cochran.outcome) == ("scene2", "outlier")


def law(*, width: float = 0.0, heavy: float = 0.0) -> ScatterLaw:
    """Cells that scatter by 1 %, more or less so by a normal law of the log variance, with a share of heavy tails."""
    apart = np.linspace(-4.0, 4.0, 33) * width if width else np.zeros(1)
    weights = np.exp(-0.5 * (apart / (width or 1.0)) ** 2)
    return ScatterLaw(2.0 * math.log(0.01) + apart, np.stack([(1.0 - heavy) * weights, heavy * weights]), n_sets=9)


LAW = law()


def test_of_two_runs_nobody_can_say_which_is_off() -> None:
    assert run_that_stands_out(np.array([0.0, 1.0]), others=LAW, n_tests=1) is None


@pytest.mark.parametrize(
    ("heavy", "quantile"), [(0.0, NormalDist().inv_cdf(1 - 0.05 / 20)), (1.0, t_quantile(1 - 0.05 / 20, HEAVY))]
)
def test_the_limit_by_hand(heavy: float, quantile: float) -> None:
    others = law(heavy=heavy)
    found = run_that_stands_out(np.array([0.0, 0.002, 0.2]), others=others, n_tests=10, alpha=0.05)
    assert found is not None
    assert found.position == 2
    assert found.distance == pytest.approx(0.2 - 0.001)
    # Other cells that all scatter by 1 %: the run itself does not count, and the mean of the rest is of two.
    assert found.limit == pytest.approx(quantile * 0.01 * math.sqrt(1.5), rel=1e-9)


def test_the_limit_of_a_set_alone_is_students() -> None:
    values = np.array([0.0, 0.002, 0.004, 0.2])
    found = run_that_stands_out(values, others=None, n_tests=1)
    assert found is not None
    s = float(np.std(values[:3], ddof=1))
    assert found.limit == pytest.approx(t_quantile(0.975, 2) * s * math.sqrt(4.0 / 3.0), rel=1e-9)


def test_where_cells_scatter_unlike_a_run_may_lie_farther_off() -> None:
    values = np.array([0.0, 0.002, 0.08])
    limits = [
        found.limit
        for width in (0.1, 0.5, 1.0)
        if (found := run_that_stands_out(values, others=law(width=width), n_tests=10)) is not None
    ]
    assert len(limits) == 3
    assert limits == sorted(limits)


def test_distance_and_limit_are_told_on_the_same_side() -> None:
    # A run can lie 100 % below at most: told in logs, "47 % below" could stand beside "chance explains up to 57 %".
    limits = {}
    for factor in (0.5, 2.0):
        flags = flags_of(changed(matrix(np.random.default_rng(1), sd=0.05), "amber-6/scene3/1440p/2", factor))
        (flag,) = flags.values()
        assert abs(flag.distance_pct) > flag.limit_pct
        assert f"normal variation on this card is at most {flag.limit_pct:.1f} %" in flag.sentence
        limits[factor] = flag.limit_pct / 100.0
    assert -math.log1p(-limits[0.5]) == pytest.approx(math.log1p(limits[2.0]), rel=1e-9)


def test_repeatability_by_hand() -> None:
    runs = [
        placed_run("amber-6", scene, "1440p", str(number), {KEY: value})
        for scene, values in (("a", [100.0, 101.0]), ("b", [50.0, 50.5, 51.0]))
        for number, value in enumerate(values)
    ]
    sets = list(gather(runs).values())
    told = repeatability_of(CardSpread("amber-6", METRICS[0], sets), margin=0.03)
    logs = [np.log([100.0, 101.0]), np.log([50.0, 50.5, 51.0])]
    s_r = math.sqrt(sum(((x - x.mean()) ** 2).sum() for x in logs) / 3)
    assert told.s_r_pct == pytest.approx(100 * s_r)
    assert told.limit_pct == pytest.approx(280 * s_r)
    assert (told.degrees_of_freedom, told.n_cells) == (3, 2)


def test_without_repeats_there_is_no_repeatability() -> None:
    runs = [placed_run("amber-6", "a", "1440p", "1", {KEY: 100.0})]
    sets = list(gather(runs).values())
    told = repeatability_of(CardSpread("amber-6", METRICS[0], sets), margin=0.03)
    assert (told.s_r_pct, told.limit_pct, told.cochran) == (None, None, None)
    assert [caveat.code for caveat in told.caveats] == ["no-repeats"]


def test_cochran_puts_aside_one_set_after_the_other_and_keeps_two() -> None:
    rng = np.random.default_rng(6)
    sets = {at: rng.standard_normal(3) * (1.0 if at else 50.0) for at in range(10)}
    kept, aside = poolable(sets)
    assert aside == [0]
    assert kept == list(range(1, 10))
    assert cochran_test([np.array([1.0, 1.0]), np.array([2.0, 2.0])]) is None


def test_few_reviews_of_cells_that_scatter_alike_name_one_that_scatters_more() -> None:
    """Twelve cards by two metrics are 24 tests: at 1 % each, one of them names a cell in every fifth review."""
    rng = np.random.default_rng(9)
    named, each, found = 0, 0, 0
    for _ in range(200):
        reviewed = [dict(enumerate(rng.standard_normal((6, 3)))) for _ in range(24)]
        named += any(poolable(sets, n_tests=24)[1] for sets in reviewed)
        each += any(poolable(sets)[1] for sets in reviewed)
        reviewed[0][2][1] -= 8.0 / 0.7  # one run 8 % off where others scatter by 0.7 %
        found += poolable(reviewed[0], n_tests=24)[1] == [2]
    assert each > 20, each
    assert named <= 7, named  # 1 % are 2; 7 is beyond what chance gives in one of 200 such counts
    assert found >= 150, found  # the flag of the run finds nearly all


def test_a_review_counts_every_card_and_metric_when_it_names_a_cell() -> None:
    """The third cell is beyond the 1 % value of one test, and not of four."""
    cells = {"a": [0.0, 0.01, 0.02], "b": [0.0, 0.011, 0.02], "c": [0.0, 0.1, 0.02], "d": [0.0, 0.012, 0.02]}
    told = {}
    for n_cards in (1, 4):
        cards = tuple(f"card{at}" for at in range(n_cards))
        runs = [
            placed_run(card, scene, "1440p", str(at), {KEY: 100.0 * math.exp(value)})
            for card in cards
            for scene, values in cells.items()
            for at, value in enumerate(values)
        ]
        result = review_runs(design(cards, tuple(cells), ("1440p",), metrics=METRICS[:1]), runs)
        told[n_cards] = result.repeatability[0].cochran
    assert told[1] is not None and told[4] is not None
    assert told[1].statistic == told[4].statistic
    assert told[4].critical_1pct == pytest.approx(cochran_critical(4, 3, alpha=0.0025))
    assert (told[1].outcome, told[4].outcome) == ("outlier", "straggler")


def test_a_card_that_warms_up_is_told_over_its_cells() -> None:
    rng = np.random.default_rng(7)
    runs = [
        placed_run(
            "amber-6",
            f"scene{cell}",
            "1440p",
            str(run),
            {KEY: 100.0 * math.exp(-0.012 * run + 0.003 * rng.standard_normal())},
        )
        for cell in range(10)
        for run in range(1, 4)
    ]
    sets = list(gather(runs).values())
    told = repeatability_of(CardSpread("amber-6", METRICS[0], sets), margin=0.03)
    assert [caveat.code for caveat in told.caveats] == ["common-trend"]
    assert "falls" in told.caveats[0].message


@pytest.mark.parametrize(("sign", "way"), [(1.0, "rise"), (-1.0, "fall")])
@pytest.mark.parametrize("is_timed", [True, False])
def test_runs_that_rise_or_fall_are_told_with_the_order_that_says_so(sign: float, way: str, is_timed: bool) -> None:
    runs = [
        placed_run(
            "amber-6",
            "a",
            "1440p",
            str(number),
            {KEY: 100.0 * math.exp(sign * 0.02 * number)},
            recorded_from_utc=f"2026-05-04T10:{number:02d}:00+00:00" if is_timed else None,
        )
        for number in range(7)
    ]
    sets = gather(runs)
    spread = CardSpread("amber-6", METRICS[0], list(sets.values()))
    (caveat,) = set_caveats(sets["amber-6", "a", "1440p"], spread, margin=0.03, n_tests=1)
    assert caveat.code == "run-trend" and f"The runs {way} by " in caveat.message
    assert ("for lack of times" in caveat.message) is not is_timed


def test_runs_at_two_levels_are_told_before_they_are_averaged() -> None:
    runs = [
        placed_run("amber-6", "a", "1440p", str(number), {KEY: value})
        for number, value in enumerate([100.0, 108.0, 100.2, 108.1, 100.1, 107.9])
    ]
    sets = gather(runs)
    spread = CardSpread("amber-6", METRICS[0], list(sets.values()))
    caveats = set_caveats(sets["amber-6", "a", "1440p"], spread, margin=0.03, n_tests=1)
    assert [caveat.code for caveat in caveats] == ["several-levels"]
    assert "runs 0, 2, 4 and runs 1, 3, 5" in caveats[0].message


def test_the_least_distance_is_a_third_of_the_margin() -> None:
    assert least_distance(0.03) == pytest.approx(math.log(1.01))
