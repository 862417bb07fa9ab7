"""A review as a whole: what goes in comes out right, whatever is missing, single, equal or off."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from example_result import METRICS, design, example_design, example_result, example_runs, placed_run
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.caveats import Caveat, Weight
from frametime.errors import RunSetError
from frametime.pipeline.review_outputs import review_json
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun

AVERAGE = METRICS[:1]


def runs_of(levels: Mapping[tuple[str, str, str], list[float]], **common: object) -> list[PlacedRun]:
    """Runs with given average rates."""
    return [
        placed_run(card, scene, resolution, str(number), {"average_fps": value}, **common)  # type: ignore[arg-type]
        for (card, scene, resolution), values in levels.items()
        for number, value in enumerate(values, start=1)
    ]


def two_cards(candidate: list[float], baseline: list[float]) -> ReviewResult:
    """One cell, two cards."""
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    runs = runs_of({("amber-6", "harbor", "1440p"): baseline, ("birch-9", "harbor", "1440p"): candidate})
    return review_runs(asked, runs)


def test_the_same_runs_give_the_same_bytes_in_any_order() -> None:
    runs = example_runs(with_curves=False)
    first = review_json(review_runs(example_design(), runs))
    assert review_json(review_runs(example_design(), list(reversed(runs)))) == first


def test_a_cell_by_hand() -> None:
    result = two_cards([110.0, 112.0, 111.0], [100.0, 101.0, 99.0])
    (cell,) = result.comparisons
    logs = np.log([110.0, 112.0, 111.0]), np.log([100.0, 101.0, 99.0])
    assert cell.ratio == pytest.approx(math.exp(logs[0].mean() - logs[1].mean()), rel=1e-12)
    assert cell.verdict == "ahead"
    assert cell.stands_after_holm is True
    assert result.overall[0].ratio == pytest.approx(cell.ratio, rel=1e-12)
    assert result.standings[0].card == "birch-9"
    assert (result.standings[0].place, result.standings[1].place) == ("1", "2")


def test_one_run_gives_no_interval_and_says_so() -> None:
    result = two_cards([110.0], [100.0])
    (cell,) = result.comparisons
    assert cell.ratio == pytest.approx(1.1)
    assert (cell.interval_95, cell.interval_90, cell.p_value, cell.runs_needed) == (None, None, None, None)
    assert cell.verdict == "undecided"
    assert "one-run" in {caveat.code for caveat in cell.caveats}
    assert result.overall[0].interval_these_scenes is None
    assert {standing.place for standing in result.standings} == {"1 to 2"}
    assert "single run" in result.paragraphs["all"]


def test_a_cell_with_one_run_borrows_the_repeatability_of_the_others_overall_only() -> None:
    asked = design(("amber-6", "birch-9"), ("harbor", "canyon"), ("1440p",), metrics=AVERAGE)
    runs = runs_of(
        {
            ("amber-6", "harbor", "1440p"): [100.0, 101.0, 99.5],
            ("birch-9", "harbor", "1440p"): [110.0, 111.0, 109.5],
            ("amber-6", "canyon", "1440p"): [50.0, 50.5, 49.8],
            ("birch-9", "canyon", "1440p"): [55.0],
        }
    )
    result = review_runs(asked, runs)
    lone = next(cell for cell in result.comparisons if cell.scene == "canyon")
    assert lone.interval_95 is None
    assert lone.verdict == "undecided"
    assert lone.runs_needed is not None
    overall = result.overall[0]
    assert overall.interval_these_scenes is not None
    assert "one-run-pooled" in {caveat.code for caveat in overall.caveats}


def test_a_cell_that_misses_a_card_is_left_out_for_all_and_listed() -> None:
    result = example_result()
    overall = next(o for o in result.overall if (o.cut, o.metric, o.candidate) == ("all", "average_fps", "cedar-12"))
    assert [(cell.scene, cell.resolution, cell.cards) for cell in result.cells_of("all").left_out] == [
        ("canyon", "2160p", ("cedar-12",))
    ]
    assert overall.n_cells == 5
    assert "missing-cells" in {caveat.code for caveat in overall.caveats}
    assert "Canyon at 2160p" in result.paragraphs["all"]
    cells = {(c.scene, c.resolution) for c in result.comparisons if c.candidate == "cedar-12"}
    assert ("canyon", "2160p") not in cells
    standing = [s for s in result.standings if (s.cut, s.metric) == ("all", "average_fps")]
    assert {s.n_cells for s in standing} == {5}


def test_a_flagged_run_counts_and_an_excluded_one_does_not() -> None:
    result = example_result()
    by_name = {run.name: run for run in result.runs}
    flagged = by_name["birch-9/harbor/1440p/2"]
    assert flagged.flag is not None
    assert flagged.flag.distance_pct < -7.0
    excluded = by_name["amber-6/canyon/1440p/3"]
    assert excluded.excluded_reason == "a program update ran in the background"
    cells = {(cell.card, cell.scene, cell.resolution): cell for cell in result.cells}
    assert flagged.name in cells["birch-9", "harbor", "1440p"].run_names
    assert excluded.name not in cells["amber-6", "canyon", "1440p"].run_names
    assert [item.run_name for item in result.exclusions] == [excluded.name]
    reasons = {run.reason for run in result.coverage.to_make}
    assert reasons == {"flagged", "missing", "excluded"}
    assert not result.coverage.is_complete


def test_a_flag_travels_to_every_number_that_its_run_is_in() -> None:
    result = example_result()
    for item in result.comparisons:
        if (item.candidate, item.scene, item.resolution) == ("birch-9", "harbor", "1440p"):
            assert "run-to-repeat" in {caveat.code for caveat in item.caveats}
    overall = next(o for o in result.overall if (o.cut, o.metric, o.candidate) == ("all", "average_fps", "birch-9"))
    assert "run-to-repeat" in {caveat.code for caveat in overall.caveats}


def test_a_caveat_of_a_capture_travels_to_the_verdict_that_rests_on_it() -> None:
    capped = Caveat(code="capped-rate", message="Frames cluster at 16.67 ms.", weight=Weight.CARE)
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    runs = runs_of({("amber-6", "harbor", "1440p"): [60.0, 60.01]}, caveats=[capped]) + runs_of(
        {("birch-9", "harbor", "1440p"): [60.0, 60.02]}
    )
    result = review_runs(asked, runs)
    assert [caveat.code for caveat in result.comparisons[0].caveats] == ["capped-rate"]
    assert "2 of 2 runs" in result.comparisons[0].caveats[0].message
    assert "capped-rate" in {caveat.code for caveat in result.overall[0].caveats}


def test_a_metric_in_which_less_is_better_turns_the_verdict_and_not_the_ratio() -> None:
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=(METRICS[2],))
    runs = [
        placed_run(card, "harbor", "1440p", str(number), {"p99_frame_time_ms": value})
        for card, values in (("amber-6", [20.0, 20.1, 19.9]), ("birch-9", [15.0, 15.1, 14.9]))
        for number, value in enumerate(values, start=1)
    ]
    result = review_runs(asked, runs)
    assert result.comparisons[0].ratio == pytest.approx(0.75, rel=0.01)
    assert result.comparisons[0].verdict == "ahead"
    assert result.standings[0].card == "birch-9"
    assert result.overall[0].verdict == "ahead"


def test_a_value_of_zero_gives_a_plain_mean_and_no_ratio() -> None:
    result = two_cards([0.0, 1.0, 2.0], [3.0, 3.0, 4.0])
    (cell,) = result.comparisons
    assert (cell.ratio, cell.verdict) == (None, "undecided")
    assert cell.candidate_value == pytest.approx(1.0)
    assert {"no-ratio", "plain-mean"} <= {caveat.code for caveat in cell.caveats}


def test_runs_without_the_metric_are_counted_out_and_told() -> None:
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    runs = runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0], ("birch-9", "harbor", "1440p"): [110.0, 111.0]})
    runs.append(placed_run("birch-9", "harbor", "1440p", "3", {"average_fps": None}))
    result = review_runs(asked, runs)
    assert result.comparisons[0].candidate_n_runs == 2
    assert "runs-without-value" in {caveat.code for caveat in result.comparisons[0].caveats}


def test_settings_of_the_scene_must_be_equal_on_both_sides() -> None:
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    runs = runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0]}, scene_settings="high") + runs_of(
        {("birch-9", "harbor", "1440p"): [110.0, 111.0]}, scene_settings="ultra"
    )
    with pytest.raises(RunSetError, match="scene settings are 'ultra', but 'high' in amber-6/harbor/1440p/run1"):
        review_runs(asked, runs)


def test_conditions_of_one_set_must_be_equal() -> None:
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    runs = [
        placed_run("amber-6", "harbor", "1440p", "1", {"average_fps": 100.0}, driver="1.0"),
        placed_run("amber-6", "harbor", "1440p", "2", {"average_fps": 101.0}, driver="1.1"),
    ]
    with pytest.raises(RunSetError, match=r"run2\.csv\.gz: driver is '1\.1', but '1\.0' in .*run1"):
        review_runs(asked, runs)


def test_another_driver_is_a_caveat_or_an_error_where_the_plan_asks() -> None:
    runs = runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0]}, driver="1.0") + runs_of(
        {("birch-9", "harbor", "1440p"): [110.0, 111.0]}, driver="2.0"
    )
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    result = review_runs(asked, runs)
    assert [caveat.code for caveat in result.caveats] == ["driver-differs"]
    strict = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE, must_be_equal=("driver",))
    with pytest.raises(RunSetError, match="driver"):
        review_runs(strict, runs)


def test_the_card_and_its_settings_may_differ() -> None:
    runs = runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0]}, card_settings="stock") + runs_of(
        {("birch-9", "harbor", "1440p"): [110.0, 111.0]}, card_settings="tuned"
    )
    result = review_runs(design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE), runs)
    assert result.caveats == ()


def test_a_copied_file_is_noticed() -> None:
    runs = runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0], ("birch-9", "harbor", "1440p"): [110.0, 111.0]})
    from dataclasses import replace

    copy = replace(
        runs[1],
        measured=runs[1].measured._replace(
            provenance=replace(runs[1].measured.provenance, sha256=runs[0].measured.provenance.sha256)
        ),
    )
    result = review_runs(
        design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE), [runs[0], copy, *runs[2:]]
    )
    assert [caveat.code for caveat in result.caveats] == ["same-file-twice"]


def test_places_that_the_intervals_do_not_carry_are_shared() -> None:
    asked = design(("amber-6", "birch-9", "cedar-12"), ("harbor",), ("1440p",), metrics=AVERAGE)
    runs = runs_of(
        {
            ("amber-6", "harbor", "1440p"): [100.0, 101.0, 99.0],
            ("birch-9", "harbor", "1440p"): [100.5, 101.5, 99.5],
            ("cedar-12", "harbor", "1440p"): [130.0, 131.0, 129.0],
        }
    )
    result = review_runs(asked, runs)
    places = {standing.card: standing.place for standing in result.standings}
    assert places == {"cedar-12": "1", "birch-9": "2 to 3", "amber-6": "2 to 3"}
    shared = next(standing for standing in result.standings if standing.card == "amber-6")
    assert shared.not_told_apart_from == ("birch-9",)


def test_a_card_without_any_run_is_no_error() -> None:
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    result = review_runs(asked, runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0, 99.0]}))
    assert result.overall[0].ratio is None
    assert result.overall[0].verdict == "undecided"
    assert (
        "only the Amber 6 has enough runs for a place. Birch 9 and Amber 6 cannot be compared"
        in result.paragraphs["all"]
    )
    assert [standing.place for standing in result.standings] == ["1", "apart"]


def test_runs_at_places_that_the_plan_does_not_know_are_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="places of the design"):
        review_runs(design(metrics=AVERAGE), runs_of({("amber-6", "moor", "1440p"): [1.0]}))
    with pytest.raises(ValueError, match="names of their own"):
        review_runs(design(metrics=AVERAGE), runs_of({("amber-6", "harbor", "1440p"): [1.0]}) * 2)


def test_with_the_pooled_scatter_the_interval_is_that_of_the_whole_card() -> None:
    rng = np.random.default_rng(2)
    levels = {
        (card, scene, "1440p"): list(100.0 * np.exp(0.01 * rng.standard_normal(3)))
        for card in ("amber-6", "birch-9")
        for scene in ("harbor", "canyon", "pavilion", "moor", "quarry")
    }
    scenes = ("harbor", "canyon", "pavilion", "moor", "quarry")
    asked = design(("amber-6", "birch-9"), scenes, ("1440p",), metrics=AVERAGE, spread="pooled")
    result = review_runs(asked, runs_of(levels))
    widths = {
        round(math.log(cell.interval_95.high / cell.interval_95.low), 9)
        for cell in result.comparisons
        if cell.interval_95 is not None
    }
    assert len(widths) == 1
    assert "pooled scatter" in (result.comparisons[0].interval_95 or pytest.fail("no interval")).method


RATES = st.one_of(st.none(), st.floats(0.0, 1e4, allow_nan=False), st.sampled_from([0.0, 60.0, 60.0]))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(RATES, max_size=5), min_size=6, max_size=6), st.sampled_from(["own", "pooled"]))
def test_whatever_the_values_a_review_can_be_written(values: list[list[float | None]], spread: str) -> None:
    cells = [(card, scene, "1440p") for card in ("amber-6", "birch-9", "cedar-12") for scene in ("harbor", "canyon")]
    asked = design(("amber-6", "birch-9", "cedar-12"), ("harbor", "canyon"), ("1440p",), metrics=AVERAGE, spread=spread)
    runs = [
        placed_run(*cell, str(number), {"average_fps": value})
        for cell, rates in zip(cells, values, strict=True)
        for number, value in enumerate(rates)
    ]
    result = review_runs(asked, runs)
    json.loads(review_json(result))
    for item in result.comparisons:
        if item.interval_95 is not None and item.ratio is not None:
            assert item.interval_95.low <= item.ratio * (1 + 1e-9)
            assert item.ratio <= item.interval_95.high * (1 + 1e-9)
        else:
            assert item.verdict == "undecided"
            assert item.caveats


def wobbling(card: str, level: float, *, spoiled: bool) -> list[PlacedRun]:
    """Six scenes of three runs, one of them far off where asked."""
    rng = np.random.default_rng(8)
    return [
        placed_run(
            card,
            scene,
            "1440p",
            str(at),
            {
                METRICS[0].key: level
                * math.exp(0.004 * rng.standard_normal())
                * (0.8 if spoiled and (scene, at) == ("s3", 2) else 1.0)
            },
        )
        for scene in ("s1", "s2", "s3", "s4", "s5", "s6")
        for at in (1, 2, 3)
    ]


def test_the_price_of_a_run_left_out_is_told_where_it_stood_out() -> None:
    scenes = ("s1", "s2", "s3", "s4", "s5", "s6")
    runs = wobbling("amber-6", 100.0, spoiled=False) + wobbling("birch-9", 104.0, spoiled=True)
    asked = design(("amber-6", "birch-9"), scenes, ("1440p",), metrics=METRICS[:1])
    out = {"birch-9/s3/1440p/2": "a download ran", "birch-9/s5/1440p/1": "made with another driver"}
    result = review_runs(replace(asked, exclusions=out), runs)
    told = {
        (cell.scene, caveat.message)
        for cell in result.cells
        for caveat in cell.caveats
        if caveat.code == "left-out-run"
    }
    # A good run that is left out for another reason costs nothing.
    ((scene, message),) = told
    assert scene == "s3"
    logs = {r.name: math.log(r.value(METRICS[0].key) or 0.0) for r in runs if r.place == ("birch-9", "s3", "1440p")}
    full, rest = np.mean(list(logs.values())), np.mean([value for name, value in logs.items() if name not in out])
    assert f"would be {-100.0 * math.expm1(full - rest):.1f} % lower" in message
    assert any(caveat.code == "left-out-run" for item in result.comparisons for caveat in item.caveats)


def test_a_run_that_was_stopped_early_is_told_with_its_length() -> None:
    """A third of a scene may run as fast as the whole: nothing in the numbers shows that it was a third."""
    runs = runs_of({("amber-6", "harbor", "1440p"): [100.0, 101.0, 100.5], ("birch-9", "harbor", "1440p"): [110.0] * 2})
    lengths_s = (41.0, 7.0, 60.0, 60.0, 25.0)
    runs = [
        replace(run, measured=run.measured._replace(duration_s=length_s))
        for run, length_s in zip(runs, lengths_s, strict=True)
    ]
    asked = design(("amber-6", "birch-9"), ("harbor",), ("1440p",), metrics=AVERAGE)
    cells = review_runs(asked, runs).cells
    told = [(cell.card, item.message) for cell in cells for item in cell.caveats if item.code == "run-cut-short"]
    assert told == [
        ("amber-6", "Run 2 lasts 7.0 s and the usual one of its set 41.0 s: it shows a part of the scene."),
        ("birch-9", "Run 2 lasts 25.0 s and the usual one of its set 60.0 s: it shows a part of the scene."),
    ]


def test_a_small_difference_counts_as_real_only_after_all_cells_are_counted() -> None:
    scenes = tuple(f"s{at}" for at in range(12))
    rng = np.random.default_rng(2)
    runs = [
        placed_run(
            card, scene, "1440p", str(at), {METRICS[0].key: 100.0 * math.exp(0.004 * rng.standard_normal() + lead)}
        )
        for card, lead in (("amber-6", 0.0), ("birch-9", 0.007))
        for scene in scenes
        for at in range(5)
    ]
    found = review_runs(design(("amber-6", "birch-9"), scenes, ("1440p",), metrics=METRICS[:1]), runs).comparisons
    small = [item for item in found if item.verdict == "tied" and item.interval_95 and item.interval_95.low > 1.0]
    assert {item.real_but_small for item in small} == {True, False}
    for item in small:
        assert item.real_but_small == ((item.holm_p_value or 0.0) < 0.05)


def test_a_cells_interval_rests_on_the_rule_of_the_review() -> None:
    runs = wobbling("amber-6", 100.0, spoiled=False) + wobbling("birch-9", 104.0, spoiled=False)
    scenes = ("s1", "s2", "s3", "s4", "s5", "s6")
    asked = design(("amber-6", "birch-9"), scenes, ("1440p",), metrics=METRICS[:1])
    assert asked.spread == "shared"
    methods, widths = set(), []
    for rule in ("shared", "own", "pooled"):
        (item, *_) = review_runs(replace(asked, spread=rule), runs).comparisons
        assert item.interval_95 is not None
        methods.add(item.interval_95.method)
        widths.append(math.log(item.interval_95.high / item.interval_95.low))
    assert len(methods) == len(set(widths)) == 3


@pytest.mark.parametrize("sample_unit", ["scene", "cell"])
def test_other_scenes_are_never_known_better_than_these(sample_unit: str) -> None:
    """Birch leads amber alike in every scene: the scatter between scenes is that of the runs, and by chance less."""
    n_alike = 0
    for seed in range(12):
        asked = replace(example_design(), sample_unit=sample_unit)
        for item in review_runs(asked, example_runs(seed, with_curves=False)).overall:
            these, like = item.interval_these_scenes, item.interval_scenes_like_these
            assert these is not None and like is not None
            assert like.low <= these.low * (1.0 + 1e-12)
            assert like.high >= these.high * (1.0 - 1e-12)
            assert item.verdict_scenes_like_these in {item.verdict, "undecided"}
            n_alike += like.high == pytest.approx(these.high, rel=1e-12)
    assert n_alike > 5  # else nothing was put to the test
