"""A capture measured whole, and what it is worth."""

from __future__ import annotations

import math
import tracemalloc
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_captures import capture_of, ordinary_ms, stamps_of

from frametime.caveats import Caveat, Weight
from frametime.metrics import measure as measure_module
from frametime.metrics.catalog import catalog_for
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.measure import judge, measure
from frametime.metrics.metric import MeasuredRun, Metric, Missing
from frametime.metrics.options import MeasureOptions, StutterRule

OPTIONS = MeasureOptions()
FRAME_ROWS = {
    key: row
    for key, row in catalog_for(OPTIONS).items()
    if row.group in ("level", "lows", "tail", "stutter", "pacing") or key == "alternation"
}


def values_of(frame_times_ms: list[float], start_ns: int = 0) -> dict[str, float | None]:
    run = measure(capture_of(stamps_of(frame_times_ms, start_ns)), OPTIONS, FRAME_ROWS)
    return {key: value.value for key, value in run.values.items()}


def test_a_small_run_by_hand() -> None:
    """Ten frames: seven of 10 ms, 20 ms, 60 ms and 130 ms; 280 ms in all."""
    found = values_of([10.0, 10.0, 10.0, 20.0, 10.0, 10.0, 60.0, 10.0, 130.0, 10.0])
    assert found["average_fps"] == pytest.approx(10 / 0.280, rel=1e-12)
    assert found["median_frame_time_ms"] == 10.0
    # Type 7: place 8.55 counted from 0, between 60 and 130 ms.
    assert found["p95_frame_time_ms"] == pytest.approx(60.0 + 0.55 * 70.0, rel=1e-12)
    assert found["max_frame_time_ms"] == 130.0
    # 20 ms is not longer than twice 10 ms.
    assert found["stutter_count"] == 2.0
    assert found["stutter_per_min"] == pytest.approx(2 / (0.280 / 60), rel=1e-12)
    assert found["stutter_time_fraction"] == pytest.approx((50.0 + 120.0) / 280.0, rel=1e-12)
    assert (found["hitch_over_50ms_count"], found["hitch_over_100ms_count"]) == (2.0, 1.0)
    assert (found["hitch_over_250ms_count"], found["freeze_over_500ms_count"]) == (0.0, 0.0)
    deviations = [time_ms - 28.0 for time_ms in (10, 10, 10, 20, 10, 10, 60, 10, 130, 10)]
    variance = sum(deviation**2 for deviation in deviations) / 9
    assert found["frame_time_variance_ms2"] == pytest.approx(variance, rel=1e-12)
    assert found["frame_time_cv"] == pytest.approx(math.sqrt(variance) / 28.0, rel=1e-12)
    steps = [0, 0, 10, -10, 0, 50, -50, 120, -120]
    assert found["pacing_masd_ms"] == pytest.approx(sum(map(abs, steps)) / 9, rel=1e-12)
    assert found["pacing_rmssd_ms"] == pytest.approx(math.sqrt(sum(step**2 for step in steps) / 9), rel=1e-12)
    assert found["pacing_adev_1"] == pytest.approx(found["pacing_rmssd_ms"] / math.sqrt(2.0) / 28.0, rel=1e-12)
    expected = sum(a * b for a, b in pairwise(deviations)) / (9 * variance)
    assert found["alternation"] == pytest.approx(expected, rel=1e-12)


def test_exactly_at_a_limit_is_not_over_it() -> None:
    found = values_of([10.0] * 20 + [50.0, 100.0, 250.0, 500.0])
    assert (found["hitch_over_50ms_count"], found["hitch_over_100ms_count"]) == (3.0, 2.0)
    assert (found["hitch_over_250ms_count"], found["freeze_over_500ms_count"]) == (1.0, 0.0)


ORDER_MATTERS = ("stutter_", "pacing_", "alternation")
runs = st.lists(st.sampled_from([2.0, 5.0, 10.0, 11.0, 30.0, 80.0, 900.0]), min_size=2, max_size=40)


@given(frame_times_ms=runs, start_ns=st.integers(-(10**18), 10**18))
@settings(deadline=None, max_examples=25)
def test_the_start_of_the_clock_changes_nothing(frame_times_ms: list[float], start_ns: int) -> None:
    assert values_of(frame_times_ms, start_ns) == values_of(frame_times_ms)


@given(frame_times_ms=runs, data=st.data())
@settings(deadline=None, max_examples=25)
def test_order_matters_only_where_it_should(frame_times_ms: list[float], data: st.DataObject) -> None:
    permuted = values_of(data.draw(st.permutations(frame_times_ms)))
    for key, value in values_of(frame_times_ms).items():
        if not key.startswith(ORDER_MATTERS):
            assert permuted[key] == pytest.approx(value, rel=1e-9, abs=1e-9), key


SCALES = {"{frame}/s": -1, "ms": 1, "ms2": 2, "1": 0}


@given(frame_times_ms=runs)
@settings(deadline=None, max_examples=25)
def test_a_run_played_at_half_speed(frame_times_ms: list[float]) -> None:
    once, slow = values_of(frame_times_ms), values_of([2.0 * time_ms for time_ms in frame_times_ms])
    for key, value in once.items():
        if key.startswith(("stutter_", "hitch_", "freeze_")) or value is None:
            continue
        assert slow[key] == pytest.approx(2.0 ** SCALES[FRAME_ROWS[key].unit] * value, rel=1e-9, abs=1e-9), key


@given(first=runs, second=runs)
@settings(deadline=None, max_examples=25)
def test_two_runs_one_after_the_other(first: list[float], second: list[float]) -> None:
    """Counts add up, the average is weighted by time, the longest frame is the longest of both."""
    one, two, both = values_of(first), values_of(second), values_of(first + second)
    for key in both:
        if key.startswith(("hitch_", "freeze_")):
            assert both[key] == one[key] + two[key]
    time_one, time_two = sum(first), sum(second)
    expected = (one["average_fps"] * time_one + two["average_fps"] * time_two) / (time_one + time_two)
    assert both["average_fps"] == pytest.approx(expected, rel=1e-9)
    assert both["max_frame_time_ms"] == max(one["max_frame_time_ms"], two["max_frame_time_ms"])


@pytest.mark.parametrize("n_frames", [1, 2, 3, 19, 20, 199, 200])
def test_too_few_frames_give_a_reason_and_never_a_number(n_frames: int) -> None:
    run = measure(capture_of(stamps_of(ordinary_ms(n_frames))), OPTIONS, FRAME_ROWS)
    for key, value in run.values.items():
        assert (value.value is None) == (value.reason is not None), key
    needed = {"frame_time_variance_ms2": 2, "alternation": 2, "pacing_adev_1": 2, "pacing_adev_10": 20}
    for key, least in {**needed, "pacing_adev_100": 200}.items():
        reason = run.values[key].reason
        assert reason == (None if n_frames >= least else f"{least} frames or more are needed, this run has {n_frames}")


def test_equal_frames_have_no_alternation() -> None:
    run = measure(capture_of(stamps_of([1000.0 / 60.0] * 300)))
    assert run.values["alternation"].value is None
    assert run.values["alternation"].reason == "all frame times are equal"
    assert run.values["frame_time_variance_ms2"].value == 0.0


def whole_run() -> MeasuredRun:
    times_ms = ordinary_ms(3000)
    times_ms[[500, 1500]] = 60.0
    return measure(capture_of(stamps_of(times_ms)))


def test_a_run_holds_every_metric_of_the_catalog_in_its_order() -> None:
    run = whole_run()
    assert list(run.values) == list(catalog_for(OPTIONS))
    assert all(value.unit == catalog_for(OPTIONS)[key].unit for key, value in run.values.items())
    assert run.n_frames == 3000
    assert run.duration_s == pytest.approx(30.0, rel=0.1)
    assert set(run.curves) == {"percentile", "distribution", "rate", "trace_low", "trace_high", "local_median"}


def test_stutters_are_listed_with_their_times() -> None:
    run = whole_run()
    assert [stutter.frame_time_ms for stutter in run.findings.stutters] == [60.0, 60.0]
    assert run.findings.stutters[0].local_median_ms == pytest.approx(10.0, rel=0.1)
    assert run.values["stutter_count"].value == 2.0


def test_of_very_many_stutters_the_largest_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measure_module, "LISTED_STUTTERS", 2)
    times_ms = [10.0] * 100 + [50.0] + [10.0] * 100 + [30.0] + [10.0] * 100 + [90.0] + [10.0] * 100
    run = measure(capture_of(stamps_of(times_ms)))
    assert [stutter.frame_time_ms for stutter in run.findings.stutters] == [50.0, 90.0]
    assert run.values["stutter_count"].value == 3.0
    assert "stutters-listed-in-part" in {caveat.code for caveat in run.caveats}


def test_the_same_capture_gives_the_same_run() -> None:
    assert whole_run() == whole_run()


def test_caveats_stand_beside_the_numbers_they_bear_on() -> None:
    run = measure(capture_of(stamps_of(ordinary_ms(600))))
    codes = [caveat.code for caveat in run.values["low_1pct_mean_fps"].caveats]
    assert codes == ["low-few-frames"]
    assert run.values["average_fps"].caveats == ()


def test_caveats_of_the_reader_come_along_and_the_heaviest_is_first() -> None:
    capture = replace(
        capture_of(stamps_of(ordinary_ms(50))),
        caveats=(Caveat(code="from-the-reader", message="A row is missing.", weight=Weight.NOTE),),
    )
    run = measure(capture)
    weights = [caveat.weight for caveat in run.caveats]
    assert weights == sorted(weights, key=[Weight.REPEAT, Weight.CARE, Weight.NOTE].index)
    assert "from-the-reader" in {caveat.code for caveat in run.caveats}
    assert run.judgement.word == "repeat this run"


def own_metric(compute: float | Missing) -> Metric:
    return FRAME_ROWS["average_fps"]._replace(key="own_fps", compute=lambda series: compute)


def test_metrics_of_your_own() -> None:
    capture = capture_of(stamps_of(ordinary_ms(300)))
    run = measure(capture, OPTIONS, {**FRAME_ROWS, "own_fps": own_metric(7.0)})
    assert run.values["own_fps"].value == 7.0
    run = measure(capture, OPTIONS, {"own_fps": own_metric(Missing(reason="because"))})
    assert list(run.values) == ["own_fps"]
    assert (run.values["own_fps"].value, run.values["own_fps"].reason) == (None, "because")


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_metric_that_is_no_number_is_a_mistake(number: float) -> None:
    with pytest.raises(ValueError, match="own_fps must be a finite number"):
        measure(capture_of(stamps_of(ordinary_ms(300))), OPTIONS, {"own_fps": own_metric(number)})


def test_options_reach_the_numbers() -> None:
    times_ms = [10.0] * 200
    times_ms[100] = 17.0
    capture = capture_of(stamps_of(times_ms))
    assert measure(capture).values["stutter_count"].value == 0.0
    strict = MeasureOptions(stutter=StutterRule(ratio=1.5), slowest_pcts=(2.0,), quantile_type=1)
    run = measure(capture, strict)
    assert run.values["stutter_count"].value == 1.0
    assert run.values["low_2pct_mean_fps"].value == pytest.approx(1000.0 * 4 / 47.0, rel=1e-12)
    assert run.values["p99_frame_time_ms"].value == 10.0


def test_findings_are_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    from frametime.metrics import stutter
    from frametime.metrics.drift import drift
    from frametime.metrics.rhythm import hitches

    calls: list[str] = []
    for module, name in ((drift, "_find_changes"), (stutter, "find_stutters"), (hitches, "find_hitches")):
        original = getattr(module, name)
        monkeypatch.setattr(
            module, name, lambda *args, _name=name, _call=original, **kw: (calls.append(_name), _call(*args, **kw))[1]
        )
    whole_run()
    assert sorted(calls) == ["_find_changes", "find_hitches", "find_stutters"]


def test_a_series_sorts_once() -> None:
    series = FrameSeries.of(capture_of(stamps_of(ordinary_ms(300))), OPTIONS)
    assert series.sorted_ms is series.sorted_ms
    assert np.all(np.diff(series.sorted_ms) >= 0.0)


def caveat(message: str, weight: Weight) -> Caveat:
    return Caveat(code="made", message=message, weight=weight)


NOTE, CARE, REPEAT = (caveat(f"A {weight}.", weight) for weight in Weight)


@pytest.mark.parametrize(
    ("caveats", "word", "reasons"),
    [
        ([], "usable", ("600 frames in 6.0 s, a sound capture",)),
        ([NOTE, NOTE], "usable", ("600 frames in 6.0 s, a sound capture",)),
        ([NOTE, CARE, CARE], "usable with care", ("a care", "a care")),
        ([CARE, REPEAT, NOTE], "repeat this run", ("a repeat",)),
    ],
)
def test_the_heaviest_decides(caveats: list[Caveat], word: str, reasons: tuple[str, ...]) -> None:
    found = judge(caveats, n_frames=600, duration_s=6.0)
    assert (found.word, found.reasons) == (word, reasons)


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        ("No frame for 3 s.", "no frame for 3 s"),
        ("GPU times are missing.", "GPU times are missing"),
        ("16 rows were left out.", "16 rows were left out"),
        ("", ""),
    ],
)
def test_messages_become_parts_of_a_sentence(message: str, reason: str) -> None:
    assert judge([caveat(message, Weight.CARE)], n_frames=1, duration_s=1.0).reasons == (reason,)


def test_what_metrics_need_beside_the_series() -> None:
    """Memory of a long run: nothing takes two columns of numbers more for the time of its work."""
    series = FrameSeries.of(capture_of(stamps_of(ordinary_ms(1_000_000))), OPTIONS)
    assert series.sorted_ms.size == series.ends_s.size == series.steps_ns.size
    tracemalloc.start()
    try:
        for row in catalog_for(OPTIONS).values():
            tracemalloc.reset_peak()
            before = tracemalloc.get_traced_memory()[0]
            row.compute(series)
            assert tracemalloc.get_traced_memory()[1] - before < 15.5 * series.n_frames, row.key
    finally:
        tracemalloc.stop()
