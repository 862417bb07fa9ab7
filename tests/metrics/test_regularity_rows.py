"""Catalog rows and caveats of what the eye sees."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import get_args

import numpy as np
import pytest
from made_regularity import clean_ms, planted, run_of, slope, step, warm_up
from numpy.typing import NDArray

from frametime.caveats import Weight
from frametime.metrics.catalog import catalog_for
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Better, Metric, Missing, table
from frametime.metrics.options import MeasureOptions, StutterRule, parse_refresh
from frametime.metrics.regularity import FIXED_KEYS, MOTION_KEYS, VARIABLE_KEYS, gathering, regularity_caveats
from frametime.metrics.stutter import stutters_of

FIXED = MeasureOptions(refresh=parse_refresh("144"))
VARIABLE = MeasureOptions(refresh=parse_refresh("48-144"))


def regularity_metrics(options: MeasureOptions) -> list[Metric]:
    """What the eye sees: rhythm, drift, display, motion and frames never shown."""
    groups = ("rhythm", "drift", "display", "motion", "dropped")
    return [row for row in catalog_for(options).values() if row.group in groups]


def rows_of(series: FrameSeries) -> dict[str, float | Missing]:
    return {row.key: row.compute(series) for row in regularity_metrics(series.options)}


def codes_of(series: FrameSeries) -> list[str]:
    return [caveat.code for caveat in regularity_caveats(series)]


@pytest.mark.parametrize(
    ("starts", "found"),
    [
        (range(100, 2100, 150), "14 of 14 stutters lie in the first 18 s"),
        ((*range(100, 2100, 150), 9000), "14 of 15 stutters lie in the first 18 s"),
        ((*range(100, 2100, 150), 9000, 9500), None),
        (range(100, 2100, 700), None),
        (range(300, 390, 10), None),
        (range(100, 11000, 800), None),
    ],
    ids=["all", "but one", "but two", "three", "one event", "all over"],
)
def test_stutters_of_the_first_seconds_alone_are_told_as_warm_up(starts: Sequence[int], found: str | None) -> None:
    times_ms = clean_ms(12_000, 1)
    times_ms[list(starts)] += 60.0
    told = [caveat.message for caveat in regularity_caveats(run_of(times_ms)) if caveat.code == "warm-up"]
    cut = "--skip-start 18 (in a plan: skip_start_s) leaves them out"
    expected = [] if found is None else [f"{found}, as where a game still loads; {cut}."]
    assert told == expected


def test_stutters_that_gather_are_told_with_their_part_of_the_run() -> None:
    times_ms = clean_ms(12_000, 1)
    times_ms[[500, *range(5000, 5600, 25)]] += 60.0
    told = [caveat for caveat in regularity_caveats(run_of(times_ms)) if caveat.code == "stutters-gather"]
    assert [(caveat.message, caveat.weight) for caveat in told] == [
        ("23 of 25 stutters lie between 42 s and 48 s: what happens there?", Weight.NOTE)
    ]
    times_ms[6000:] *= 1.5  # a step of the level is told instead: stutters of another scene gather with it
    assert "stutters-gather" not in codes_of(run_of(times_ms))


def test_a_run_that_gets_worse_has_most_stutters_at_its_end() -> None:
    at_s = 180.0 * np.sqrt(np.random.default_rng(1).uniform(0.0, 1.0, 200))
    assert re.fullmatch(r"150 of 200 stutters lie between \d+ s and 1[78]\d s", gathering(np.sort(at_s), 180.0))


def test_stutters_at_random_times_hardly_ever_gather() -> None:
    """The bound promises less than 0.002 for each of three shares."""
    generator = np.random.default_rng(1)
    runs = [np.sort(generator.uniform(0.0, 60.0, int(generator.integers(0, 120)))) for _ in range(3000)]
    assert sum(gathering(times_s, 60.0) != "" for times_s in runs) <= 18


def test_a_warm_up_of_the_level_is_told_once_whatever_stutters_it_holds() -> None:
    times_ms = clean_ms(12_000, 1)
    times_ms[:1800] *= 1.1
    times_ms[100:1800:150] += 60.0
    assert codes_of(run_of(times_ms)).count("warm-up") == 1


@pytest.mark.parametrize("options", [MeasureOptions(), FIXED, VARIABLE])
def test_every_row_gives_a_number_or_a_reason(options: MeasureOptions) -> None:
    for times_ms in (clean_ms(7200, 1), clean_ms(30, 1), np.array([8.0]), np.full(3000, 8.0)):
        for key, value in rows_of(run_of(times_ms, options)).items():
            if isinstance(value, Missing):
                assert value.reason, key
            else:
                assert np.isfinite(value), key


def test_rows_of_the_display_stand_only_where_a_refresh_is_given() -> None:
    plain = {row.key for row in regularity_metrics(MeasureOptions())}
    assert {row.key for row in regularity_metrics(FIXED)} - plain == set(FIXED_KEYS)
    assert {row.key for row in regularity_metrics(VARIABLE)} - plain == set(VARIABLE_KEYS)
    assert set(MOTION_KEYS) <= plain
    groups = {row.group for row in regularity_metrics(FIXED)}
    assert groups == {"rhythm", "drift", "display", "motion", "dropped"}
    assert "display" not in {row.group for row in regularity_metrics(MeasureOptions())}


def test_every_row_of_the_table_is_a_metric_and_has_no_word_left_out() -> None:
    metrics = [
        metric
        for options in (MeasureOptions(slowest_pcts=(1.0,)), FIXED, VARIABLE)
        for metric in catalog_for(options).values()
    ]
    assert {metric.key.replace("low_1pct", "low_*") for metric in metrics if "0p1pct" not in metric.key} == set(table())
    for metric in metrics:
        assert metric.better in get_args(Better)
        assert not set("{}*") & set(metric.label + metric.definition + metric.key), metric.key
        assert metric.definition.endswith("."), metric.key
        assert metric.source, metric.key
    assert catalog_for(MeasureOptions())["alternation"].decimals == 2


def test_the_definition_names_the_exact_refresh() -> None:
    rows = regularity_metrics(MeasureOptions(refresh=parse_refresh("59.94", tearing=True)))
    definition = next(row.definition for row in rows if row.key == "judder_rms_ms")
    assert definition.endswith("fixed refresh of 59.94006 Hz (exactly 60000/1001), with tearing.")


def test_numbers_of_a_logged_run() -> None:
    n = 600
    ends = np.arange(1, n + 1) * 10_000_000
    shown: list[bool | None] = [None, *[k % 50 != 0 for k in range(n)]]
    series = run_of(
        np.full(n, 10.0),
        MeasureOptions(refresh=parse_refresh("100")),
        shown=shown,
        displayed_ns=[None, *(ends + 3_000_000).tolist()],
        simulation_start_ns=[None, *(ends - 8_000_000).tolist()],
    )
    rows = rows_of(series)
    assert rows["dropped_count"] == 12.0
    assert rows["dropped_fraction"] == 0.02
    assert rows["dropped_longest_run"] == 1.0
    assert rows["shown_average_fps"] == pytest.approx(98.0)
    assert rows["motion_step_error_rms_ms"] == pytest.approx(0.0, abs=1e-9)
    # The very first frame was dropped, so 11 repeats lie between shown frames, in 598 refreshes.
    assert rows["refresh_repeat_fraction"] == pytest.approx(11 / 598)
    assert rows["refresh_skipped_count"] == 0.0
    assert codes_of(series) == ["dropped-frames"]


def test_a_clean_run_has_nothing_to_say() -> None:
    assert codes_of(run_of(clean_ms(7200, 1))) == []


def test_each_planted_cause_is_told_with_its_numbers() -> None:
    drift = regularity_caveats(planted(1, slope(8.0)))
    assert [caveat.code for caveat in drift] == ["drift"]
    assert re.search(r"% slower per minute \(level \d+\.\d\d to \d+\.\d\d ms, p = ", drift[0].message)
    change = regularity_caveats(planted(1, step(8.0, 41.0)))
    assert [caveat.code for caveat in change] == ["level-change"]
    assert change[0].message.startswith("The run has 7.4 % longer frames after 41 s")
    (warm,) = regularity_caveats(planted(1, warm_up(15.0, 3.0)))
    assert warm.code == "warm-up"
    assert "--skip-start auto (in a plan: skip_warm_up) leaves them out" in warm.message
    assert warm.weight is Weight.CARE


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("seconds", "times"), [(2, 3.0), (3, 1.7), (4, 3.0), (2, 0.15), (3, 0.5)])
def test_some_seconds_far_slower_or_faster_are_told_with_their_place(seconds: int, times: float, seed: int) -> None:
    """Too few for a change of level; nothing was told, and two seconds of a fast menu raise the average by a fifth."""
    play = 8.0 * np.random.default_rng(seed).lognormal(0.0, 0.06, 8000)
    begin_s = play[:4000].sum() / 1000.0
    end_s = begin_s + seconds
    odd = 8.0 * times * np.random.default_rng(seed + 99).lognormal(0.0, 0.06, round(seconds * 125 / times))
    play = np.insert(play, 4000, odd)
    (told,) = [item.message for item in regularity_caveats(run_of(play)) if item.code == "odd-stretch"]
    match = re.fullmatch(r"Frames take (.*) times as long as usual from (\d+) s to (\d+) s: what happens there\?", told)
    assert match is not None
    assert [float(each) for each in match.groups()] == pytest.approx([times, begin_s, end_s], abs=1.1)


@pytest.mark.parametrize("seed", range(10))
def test_slow_seconds_that_come_again_and_again_and_levels_are_no_odd_stretch(seed: int) -> None:
    play = 8.0 * np.random.default_rng(seed).lognormal(0.0, 0.06, 8000)
    at = np.arange(8000)
    slow = (at > 4000) & (at < 4350)  # six seconds are a level of their own
    assert codes_of(run_of(play * np.where(at < 250, 2.0, 1.0)))[0] == "warm-up"
    for course in (
        1.0,
        np.where(at < 250, 2.0, 1.0),
        np.where(at % 2000 < 200, 2.0, 1.0),
        np.where(at < 6000, 1.0, 2.0),
        np.where(slow, 2.0, 1.0),
    ):
        assert "odd-stretch" not in codes_of(run_of(play * course))


def test_the_place_of_an_odd_stretch_is_told_from_its_begin_to_its_end() -> None:
    times_ms = np.full(8000, 10.0)
    times_ms[4100:4200] = 20.0
    (told,) = [item.message for item in regularity_caveats(run_of(times_ms)) if item.code == "odd-stretch"]
    assert told == "Frames take 2 times as long as usual from 41 s to 43 s: what happens there?"


@pytest.mark.parametrize("order", [1, -1])
def test_a_slow_second_beside_a_fast_one_is_not_told_as_something_between(order: int) -> None:
    """It was told as 1.3 times as long, of a second of 20 ms and one of 5 ms among frames of 10 ms."""
    parts = [np.full(5000, 10.0), *[np.full(50, 20.0), np.full(200, 5.0)][::order], np.full(3000, 10.0)]
    (told,) = [item.message for item in regularity_caveats(run_of(np.concatenate(parts))) if item.code == "odd-stretch"]
    assert told.startswith(f"Frames take {'2' if order > 0 else '0.5'} times as long as usual from 50 s to 51 s")


def of_level(times_ms: NDArray[np.float64]) -> list[str]:
    return [found.message for found in regularity_caveats(run_of(times_ms)) if found.code == "stutters-of-level"]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("menu_ms", "menu_s", "places"),
    [(2.0, 6.0, (0.5,)), (1.0, 1.0, (0.0, 1.0)), (2.0, 1.0, (1.0,)), (2.0, 0.5, (0.4,)), (33.0, 1.0, (0.0, 1.0))],
    ids=["menu", "fast ends", "fast end", "half a second", "slow ends"],
)
def test_stutters_that_are_only_the_edge_of_another_level_are_told_as_that(
    menu_ms: float, menu_s: float, places: tuple[float, ...], seed: int
) -> None:
    """Half a second from a menu at 500 fps the frames of play are longer than most that are around."""
    rng = np.random.default_rng(seed)
    play, menu = 8.0 * rng.lognormal(0.0, 0.05, 7500), menu_ms * rng.lognormal(0.0, 0.02, int(menu_s * 1000 / menu_ms))
    times_ms = np.insert(
        play, np.repeat([int(7500 * place) for place in places], menu.size), np.tile(menu, len(places))
    )
    (message,) = of_level(times_ms)
    assert re.match(r"(\d+) of \1 stutters last hardly longer than many frames beside them: ", message)
    assert not {"stutters-gather", "warm-up"} & set(codes_of(run_of(times_ms)))


@pytest.mark.parametrize("share", [0.1, 0.3])
def test_stutters_among_long_and_short_frames_in_turn_are_told_as_that(share: float) -> None:
    """Frames in pairs of 16 ms: whether the long one counts hangs on which of the two the local median is."""
    pairs_ms = 16.0 * np.random.default_rng(3).lognormal(0.0, 0.05, (3750, 1)) * [share, 1.0 - share]
    (message,) = of_level(pairs_ms.ravel())
    assert message.startswith("About ")  # of so many some hundred are looked at


@pytest.mark.parametrize("seed", range(10))
def test_stutters_that_a_player_feels_are_none_of_a_level(seed: int) -> None:
    """Single ones, three within half a second, those of a run whose level changes, and those of a loading game."""
    rng = np.random.default_rng(seed)
    play = 8.0 * rng.lognormal(0.0, 0.06, 7500)
    for stutters in (rng.choice(7500, 40), np.add.outer(rng.choice(7400, 12), [0, 15, 30]).ravel()):
        times_ms = play.copy()
        times_ms[stutters] += rng.uniform(10.0, 80.0, stutters.size)
        assert of_level(times_ms) == of_level(times_ms * np.linspace(1.0, 1.5, 7500).round(1)) == []
    # Beats of a display that are missed, a third of long frames at random, and frames that scatter widely.
    missed_ms = 6.944 * rng.choice([1, 2, 3], 7500, p=[0.7, 0.2, 0.1]) + np.diff(rng.normal(0.0, 0.1, 7501))
    two_heaps_ms = play * np.where(rng.random(7500) < 0.3, 2.5, 1.0)
    for times_ms in (missed_ms, two_heaps_ms, 8.0 * rng.lognormal(0.0, 0.5, 7500)):
        assert of_level(times_ms) == []
    loading = rng.choice([4.0, 8.0, 60.0, 300.0], 60, p=[0.5, 0.3, 0.1, 0.1])
    assert of_level(np.concatenate((loading, play))) == []


def test_a_menu_is_told_once_and_a_level_that_changes_elsewhere_beside_it() -> None:
    rng = np.random.default_rng(4)
    play = 10.0 * rng.lognormal(0.0, 0.05, 3000)
    menu = 2.0 * rng.lognormal(0.0, 0.002, 5000)
    told = {item.code: item.message for item in regularity_caveats(run_of(np.concatenate((play, menu, play))))}
    assert "level-change" not in told
    assert told["not-all-play"].startswith("Parts of the capture are not play: still from 30 s to 40 s.")
    assert "--segment longest (in a plan: segment) measures the longest stretch" in told["not-all-play"]
    slower = np.concatenate((play, menu, play, 1.3 * play))
    told = {item.code: item.message for item in regularity_caveats(run_of(slower))}
    assert re.match(r"The run has (29|30|31)\.?\d* % longer frames after 70 s", told["level-change"])


def test_a_pause_is_told_and_not_cut() -> None:
    times_ms = np.concatenate((clean_ms(2400, 1), [3000.0], clean_ms(2400, 2)))
    (caveat,) = [item for item in regularity_caveats(run_of(times_ms)) if item.code == "not-all-play"]
    assert "pause from 19.9 s to 23 s" in caveat.message
    assert "Nothing was cut" in caveat.message


def test_what_is_worked_out_from_frame_ends_says_so() -> None:
    fixed = regularity_caveats(run_of(clean_ms(3000, 1), FIXED))
    assert [(caveat.code, caveat.metrics) for caveat in fixed] == [("display-from-frame-ends", FIXED_KEYS)]
    variable = regularity_caveats(run_of(clean_ms(3000, 1), VARIABLE))
    assert [(caveat.code, caveat.metrics) for caveat in variable] == [("display-from-frame-ends", VARIABLE_KEYS)]
    simulated = [None, *(np.arange(3000) * 8_300_000).tolist()]
    motion = regularity_caveats(run_of(np.full(3000, 8.3), simulation_start_ns=simulated))
    assert [(caveat.code, caveat.metrics) for caveat in motion] == [("motion-from-frame-ends", MOTION_KEYS)]


def test_a_display_off_its_nominal_rate_and_a_drifting_clock_are_told() -> None:
    n = 3000
    shown_ns = np.round(np.arange(n) / 59.9 * 1e9).astype(int)
    simulated_ns = np.round(np.arange(n) / 59.9 * 1e9 * 1.0001).astype(int)
    series = run_of(
        np.full(n, 1000 / 59.9),
        MeasureOptions(refresh=parse_refresh("60")),
        displayed_ns=[None, *shown_ns.tolist()],
        simulation_start_ns=[None, *simulated_ns.tolist()],
    )
    messages = {caveat.code: caveat.message for caveat in regularity_caveats(series)}
    assert messages["refresh-rate-differs"] == "The times follow 59.9 Hz, not the 60 Hz given."
    assert "100 parts per million" in messages["clock-drift-removed"]


def value_of(series: FrameSeries, key: str) -> float | Missing:
    return rows_of(series)[key]


def test_changes_that_were_not_looked_for_are_not_none() -> None:
    short = value_of(run_of(clean_ms(1200, 1)), "level_change_count")
    assert short == Missing(reason="changes of level are looked for in 20 blocks of a second or more")
    assert value_of(run_of(clean_ms(7200, 1)), "level_change_count") == 0.0
    assert value_of(planted(1, step(8.0, 41.0)), "level_change_count") == 1.0


def test_warm_up_that_was_not_looked_for_is_not_none() -> None:
    short = value_of(run_of(clean_ms(1200, 1)), "warm_up_s")
    assert short == Missing(reason="in runs under 20 s warm-up cannot be told from the scene")
    slow = value_of(run_of(np.full(28, 1000.0)), "warm_up_s")
    assert slow == Missing(reason="7 blocks of frames: too few to tell warm-up from the scene")
    assert value_of(run_of(np.full(32, 1000.0)), "warm_up_s") == 0.0
    assert value_of(run_of(clean_ms(7200, 1)), "warm_up_s") == 0.0
    warm = value_of(planted(1, warm_up(15.0, 3.0)), "warm_up_s")
    assert isinstance(warm, float)
    assert warm > 2.0


@pytest.mark.parametrize(
    ("n", "reason"),
    [(3, "fewer than 512 frames"), (511, "fewer than 512 frames"), (512, "no line stands out of the noise")],
)
def test_a_run_too_short_for_a_spectrum_says_so(n: int, reason: str) -> None:
    assert value_of(run_of(np.full(n, 10.0)), "spectrum_line_hz") == Missing(reason=reason)


def test_a_count_of_stutters_that_hangs_on_jitter_is_told() -> None:
    """Frames of two beats of 60 Hz last twice the median, give or take the jitter of their timestamps."""
    rng = np.random.default_rng(1)
    shown_ms = np.cumsum(1 + (rng.random(3000) < 0.3)) * 1000.0 / 60.0 + 0.3 * rng.standard_normal(3000)
    series = run_of(np.diff(shown_ms, prepend=0.0))
    (caveat,) = [found for found in regularity_caveats(series) if found.code == "stutters-at-limit"]
    told = re.fullmatch(
        r"(\d+) frames last about 2 x the local median, where stutters begin: (\d+) count, (\d+) with --stutter-ratio "
        r"1.9 \(in a plan: stutter_ratio\), 0 with 2.1.",
        caveat.message,
    )
    assert told is not None
    assert int(told[1]) == int(told[3]) == pytest.approx(np.sum(np.diff(shown_ms) > 25.0), rel=0.05)
    assert int(told[2]) == stutters_of(series).positions.size
    clear_ms = np.where(rng.random(3000) < 0.01, 60.0, 16.7) + 0.1 * rng.standard_normal(3000)
    assert all(found.code != "stutters-at-limit" for found in regularity_caveats(run_of(clear_ms)))


@pytest.mark.parametrize("ratio", [1.01, 1000.0])
def test_at_the_ends_of_the_allowed_ratios_nothing_beside_them_is_looked_for(ratio: float) -> None:
    times_ms = np.where(np.arange(3000) % 100 == 99, 12_000.0, 8.0)
    options = MeasureOptions(stutter=StutterRule(ratio=ratio))
    codes = {found.code for found in regularity_caveats(FrameSeries(run_of(times_ms).timestamps_ns, options=options))}
    assert "stutters-at-limit" not in codes
