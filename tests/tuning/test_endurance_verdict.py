"""The verdict of a long run, on made runs with one planted fault each."""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa
import pytest
from made_captures import provenance
from numpy.typing import NDArray

from frametime.capture import Capture, Conditions, SensorTrace
from frametime.caveats import Caveat
from frametime.metrics.measure import measure
from frametime.metrics.options import MeasureOptions
from frametime.tuning.endurance_verdict import (
    Criterion,
    EnduranceRules,
    EnduranceVerdict,
    judge_endurance,
    judge_in_turn,
)

MINUTES = 32.0


def frames_ms(minutes: float = MINUTES) -> NDArray[np.float64]:
    """Frames of about 20 ms with ordinary scatter."""
    count = round(minutes * 60.0 * 50.0)
    return np.random.default_rng(4).normal(20.0, 0.5, count)


def verdict_of(
    times_ms: NDArray[np.float64],
    *,
    temperature_c: NDArray[np.float64] | float | None = None,
    clock_mhz: NDArray[np.float64] | float = 1980.0,
    limit_c: float | None = 85.0,
    rules: EnduranceRules | None = None,
    sampled_s: tuple[tuple[float, float], ...] = ((0.0, np.inf),),
    without: str | None = None,
    caveats: tuple[Caveat, ...] = (),
) -> EnduranceVerdict:
    stamps = np.concatenate(([0], np.cumsum(np.rint(times_ms * 1e6).astype(np.int64))))
    sensors = None
    if temperature_c is not None:
        seconds = np.arange(0.0, stamps[-1] / 1e9 + 1.0)
        columns = {
            "time_ns": pa.array((seconds * 1e9).astype(np.int64)),
            "temperature_c": pa.array(np.broadcast_to(temperature_c, seconds.shape).astype(float)),
            "core_clock_mhz": pa.array(np.broadcast_to(clock_mhz, seconds.shape).astype(float)),
            "power_w": pa.array(np.full(seconds.size, 200.0)),
        }
        columns.pop(without or "", None)
        sampled = np.logical_or.reduce([(seconds >= start) & (seconds <= end) for start, end in sampled_s])
        sensors = SensorTrace(
            samples=pa.table(columns).filter(pa.array(sampled)),
            alignment="made",
            provenance=provenance(),
            missing_counts={},
            caveats=(),
        )
    capture = Capture(
        frames=pa.table({"timestamp_ns": pa.array(stamps)}),
        conditions=Conditions(),
        provenance=provenance(),
        sensors=sensors,
        caveats=caveats,
    )
    options = MeasureOptions(temperature_limit_c=limit_c, power_limit_w=200.0)
    return judge_endurance(capture, measure(capture, options), rules)


def criterion(verdict: EnduranceVerdict, key: str) -> Criterion:
    return next(item for item in verdict.criteria if item.key == key)


def failed(verdict: EnduranceVerdict) -> set[str]:
    return {item.key for item in verdict.criteria if item.state == "failed"}


def test_a_clean_long_run_holds_and_says_what_was_not_measured() -> None:
    verdict = verdict_of(frames_ms())
    assert verdict.word == "holds"
    assert failed(verdict) == set()
    assert criterion(verdict, "length").value == pytest.approx(MINUTES, rel=1e-3)
    unknown = {item.key for item in verdict.criteria if item.state == "not measurable"}
    assert unknown == {"temperature", "throttling", "power"}
    assert len(verdict.not_known) == 3
    assert verdict.cautions


def test_with_sensors_everything_is_judged() -> None:
    verdict = verdict_of(frames_ms(), temperature_c=78.0)
    assert {item.state for item in verdict.criteria} == {"passed"}
    assert criterion(verdict, "temperature").value == 78.0
    assert criterion(verdict, "power").value == pytest.approx(100.0)
    # The setting may have a lower limit than the one that was given: the watts are named.
    assert criterion(verdict, "power").sentence == "power stood at the limit of 200 W for 100 % of the time"


def test_a_short_run_shows_nothing() -> None:
    verdict = verdict_of(frames_ms(5.0))
    assert verdict.word == "not shown"
    assert failed(verdict) == {"length"}
    assert verdict_of(frames_ms(5.0), rules=EnduranceRules(min_minutes=4.0)).word == "holds"
    exact_ms = np.tile([19.0, 21.0], 7500)
    assert criterion(verdict_of(exact_ms, rules=EnduranceRules(min_minutes=5.0)), "length").state == "passed"


def test_a_log_that_ends_within_a_line_is_told_where_the_length_is() -> None:
    """A crash leaves that, and so does a logger that is stopped: the operator knows which."""
    cut = (Caveat(code="cut-last-line", message="The last line has no end."),)
    asked = "the run lasted 32.0 minutes; its log ends within a line: was it stopped by hand?"
    assert criterion(verdict_of(frames_ms(), caveats=cut), "length").sentence == asked
    assert criterion(verdict_of(frames_ms()), "length").sentence == "the run lasted 32.0 minutes"


@pytest.mark.parametrize("code", ["zero-bytes-at-end", "zero-bytes-inside"])
def test_a_log_that_looks_as_after_a_crash_shows_nothing_and_hides_no_fault(code: str) -> None:
    crash = (Caveat(code=code, message="The file ends in 4096 zero bytes."),)
    verdict = verdict_of(frames_ms(), caveats=crash)
    assert (verdict.word, failed(verdict)) == ("not shown", set())
    assert verdict.sentence == "Nothing went wrong in 32.0 minutes, but its log holds zero bytes, as after a crash."
    assert verdict.not_known[0].endswith("The file ends in 4096 zero bytes.")
    both = judge_in_turn([verdict_of(frames_ms()), verdict])
    told = f"{verdict.file_name}: The file ends in 4096 zero bytes."
    assert (both.word, criterion(both, "length").sentence) == ("not shown", told)
    times_ms = frames_ms()
    times_ms[5000] = 1500.0
    assert verdict_of(times_ms, caveats=crash).word == "does not hold"


def test_a_freeze_fails_and_its_length_is_told() -> None:
    times_ms = frames_ms()
    times_ms[5000] = 1500.0
    verdict = verdict_of(times_ms)
    assert verdict.word == "does not hold"
    assert failed(verdict) == {"freezes"}
    assert "1500 ms" in criterion(verdict, "freezes").sentence


@pytest.mark.parametrize(("count", "expected"), [(3, set()), (4, {"hitches"})])
def test_hitches_are_counted_against_the_length(count: int, expected: set[str]) -> None:
    # 32 minutes allow 3.2.
    times_ms = frames_ms()
    times_ms[10_000 : 10_000 + 2000 * count : 2000] = 300.0
    verdict = verdict_of(times_ms)
    assert criterion(verdict, "hitches").value == count
    assert failed(verdict) == expected
    times_ms[5000] = 900.0
    assert criterion(verdict_of(times_ms), "hitches").value == count, "a freeze is told as a freeze"
    short_ms = frames_ms(5.0)
    short_ms[5000] = 300.0
    assert failed(verdict_of(short_ms)) == {"length"}, "a short run is given one hitch"


def test_a_long_run_has_a_state_however_its_level_swings() -> None:
    times_ms = frames_ms(45.0)
    minutes = np.cumsum(times_ms) / 60e3
    # A scene of 70 s that comes again and again, 12 % to either side.
    found = criterion(verdict_of(times_ms * (1.0 + 0.12 * np.sin(2.0 * np.pi * minutes * 60.0 / 70.0))), "drift")
    assert found.state == "passed" and found.value == pytest.approx(0.0, abs=1.0)
    assert found.sentence.startswith("no drift and no step found (")
    # Three swings over the whole run: what they hide is told, and nothing of a longer run.
    slow = criterion(verdict_of(times_ms * (1.0 + 0.3 * np.cos(2.0 * np.pi * minutes / 15.0))), "drift")
    assert slow.state == "passed"
    assert slow.sentence.startswith("no drift and no step found; the level swings so much that ")
    # Half a swing too few, and it could be a drift: more of the same scene would tell, not a longer run.
    half = criterion(verdict_of(times_ms * (1.0 + 0.3 * np.sin(2.0 * np.pi * minutes / 18.0))), "drift")
    assert half.state == "not measurable" and half.sentence.endswith("the same scene, often repeated, would tell")


def test_a_change_that_is_shown_is_not_called_none() -> None:
    """It was: "no drift and no step found; the level swings so much that +2.3 to +3.2 % would not show"."""
    times_ms = frames_ms(45.0)
    minutes = np.cumsum(times_ms) / 60e3
    swinging_ms = times_ms * (1.0 + 0.06 * np.sin(2.0 * np.pi * minutes * 60.0 / 47.0))
    found = criterion(verdict_of(swinging_ms * (1.0 + 0.03 * minutes / 45.0)), "drift")
    assert re.fullmatch(r"the level changes by \+2\.\d to \+3\.\d % over the run", found.sentence)


def test_warm_up_is_told_and_what_comes_after_it_is_judged() -> None:
    times_ms = frames_ms(45.0)
    minutes = np.cumsum(times_ms) / 60e3
    found = criterion(verdict_of(times_ms * (1.0 - 0.05 * np.exp(-minutes))), "drift")
    assert found.state == "passed" and found.value == pytest.approx(0.0, abs=0.5)
    assert re.match(r"the first \d+ s are warm-up, with \d\.\d % shorter frames than the rest; ", found.sentence)
    assert found.sentence.endswith(" over the rest)")


def test_a_card_that_heats_up_slowly_does_not_swing_and_its_drift_is_that_of_the_rest() -> None:
    """It was "the level swings so much", and what the rest makes was told of the whole run."""
    times_ms = frames_ms(45.0)
    minutes = np.cumsum(times_ms) / 60e3
    settled = criterion(verdict_of(times_ms * (1.0 - 0.1 * np.exp(-minutes / 6.0))), "drift")
    assert "; no drift and no step found, but " in settled.sentence and "swings" not in settled.sentence
    found = criterion(verdict_of(times_ms * (1.0 - 0.04 * np.exp(-minutes / 15.0))), "drift")
    told = re.search(r"; ([\d.]+) % slower per minute .* It makes ([\d.]+) % over the rest\.$", found.sentence)
    skipped = re.match(r"The first (\d+) s are warm-up", found.sentence)
    assert told is not None and skipped is not None
    rest_min = 45.0 - float(skipped[1]) / 60.0
    assert float(told[2]) == pytest.approx(float(told[1]) * rest_min, abs=0.09) == pytest.approx(found.value, abs=0.06)


def test_a_short_run_whose_level_swings_has_no_drift_measured() -> None:
    times_ms = frames_ms(5.0)
    found = criterion(verdict_of(times_ms * (1.0 + 0.3 * np.sin(np.arange(times_ms.size) / 2500.0))), "drift")
    assert found.state == "not measurable" and found.sentence.endswith("; a longer run would tell")


def test_drift_fails_with_its_total() -> None:
    times_ms = frames_ms()
    verdict = verdict_of(times_ms * np.linspace(1.0, 1.08, times_ms.size))
    assert "drift" in failed(verdict)
    assert criterion(verdict, "drift").value == pytest.approx(8.0, abs=1.0)
    assert re.search(r"It makes [78]\.\d % over the run\.$", criterion(verdict, "drift").sentence)
    faster = verdict_of(times_ms * np.linspace(1.08, 1.0, times_ms.size))
    assert "drift" not in failed(faster)
    assert criterion(faster, "drift").sentence.endswith(" % over the run.")
    assert "-" not in criterion(faster, "drift").sentence


def test_a_step_to_longer_frames_is_drift_and_fails_with_its_time() -> None:
    """One finding, one state, one sentence: 15 % slower at the end is nowhere called passed."""
    times_ms = frames_ms(45.0)
    times_ms[times_ms.size * 4 // 5 :] *= 1.15
    verdict = verdict_of(times_ms)
    assert failed(verdict) == {"drift"} and verdict.word == "does not hold"
    assert criterion(verdict, "drift").value == pytest.approx(15.0, abs=0.5)
    assert criterion(verdict, "drift").sentence.startswith("15.0 % longer frames after ")
    assert [item.key for item in verdict.criteria] == [
        "length",
        "freezes",
        "hitches",
        "drift",
        "temperature",
        "throttling",
        "power",
    ]


def test_steps_that_follow_each_other_add_up_and_one_that_is_won_back_fails_all_the_same() -> None:
    """A run that ended 5 % slower, in two steps that each lay below the threshold, was said to hold."""
    times_ms = frames_ms(36.0)
    quarter = times_ms.size // 4
    twice = times_ms * np.repeat([1.0, 1.025, 1.05, 1.05], quarter)
    assert failed(verdict_of(twice)) == {"drift"}
    assert criterion(verdict_of(twice), "drift").value == pytest.approx(5.0, abs=0.3)
    assert criterion(verdict_of(twice), "drift").sentence.endswith(" It makes 5.0 % at most.")
    back = times_ms * np.repeat([1.0, 1.04, 1.0, 1.0], quarter)
    assert criterion(verdict_of(back), "drift").value == pytest.approx(4.0, abs=0.3)
    faster = times_ms * np.repeat([1.05, 1.025, 1.0, 1.0], quarter)
    assert failed(verdict_of(faster)) == set() and "at most" not in criterion(verdict_of(faster), "drift").sentence


def test_too_hot_fails() -> None:
    verdict = verdict_of(frames_ms(), temperature_c=88.0)
    assert failed(verdict) == {"temperature"}
    unlimited = verdict_of(frames_ms(), temperature_c=88.0, limit_c=None)
    assert criterion(unlimited, "temperature").state == "not measurable"
    assert "88 °C" in criterion(unlimited, "temperature").sentence


def test_a_clock_that_falls_at_the_temperature_limit_fails_and_at_the_power_limit_does_not() -> None:
    seconds = np.arange(0.0, frames_ms().sum() / 1e3 + 1.0)
    fallen = (seconds > 600) & (seconds < 700)
    clock = np.where(fallen, 1800.0, 1980.0)
    hot = verdict_of(frames_ms(), temperature_c=np.where(fallen, 85.0, 75.0), clock_mhz=clock)
    assert failed(hot) == {"throttling"}
    assert "by up to 180 MHz, first after 601 s" in criterion(hot, "throttling").sentence
    cool = verdict_of(frames_ms(), temperature_c=75.0, clock_mhz=clock)
    assert failed(cool) == set()
    assert "at the power limit" in criterion(cool, "throttling").sentence


@pytest.mark.parametrize(
    ("sampled_s", "cover"),
    [
        (((0.0, 480.0),), "cover 480 s of 1920 s (25.0 %)"),
        (((960.0, np.inf),), "cover 960 s of 1920 s (50.0 %)"),
        # The logger stood still for ten minutes: what lies in the hole is not seen, though values span it.
        (((0.0, 600.0), (1200.0, np.inf)), "cover 1320 s of 1920 s (68.8 %)"),
    ],
)
def test_nothing_is_passed_where_sensors_cover_a_part_of_the_run(
    sampled_s: tuple[tuple[float, float], ...], cover: str
) -> None:
    verdict = verdict_of(frames_ms(), temperature_c=78.0, sampled_s=sampled_s)
    for key in ("temperature", "throttling", "power"):
        found = criterion(verdict, key)
        assert (found.state, found.value) == ("not measurable", None)
        assert found.sentence.endswith(cover)
    assert "the clock fell 0 times at the temperature limit where both were seen" in " ".join(verdict.not_known)
    assert "the peak was 78 °C where it was seen: the temperature samples cover" in " ".join(verdict.not_known)


def test_one_sample_a_minute_does_not_show_that_nothing_throttled() -> None:
    sampled_s = tuple((minute * 60.0, minute * 60.0) for minute in range(33))
    verdict = verdict_of(frames_ms(), temperature_c=78.0, sampled_s=sampled_s)
    assert criterion(verdict, "throttling").state == "not measurable"
    assert "cover 0 s of 1920 s" in criterion(verdict, "throttling").sentence


def test_a_few_seconds_without_a_sample_leave_the_run_seen() -> None:
    verdict = verdict_of(frames_ms(), temperature_c=78.0, sampled_s=((4.0, 900.0), (908.0, np.inf)))
    assert {item.state for item in verdict.criteria} == {"passed"}


def test_what_a_part_of_the_run_shows_fails_all_the_same() -> None:
    seconds = np.arange(0.0, frames_ms().sum() / 1e3 + 1.0)
    fallen = (seconds > 200) & (seconds < 300)
    verdict = verdict_of(
        frames_ms(),
        temperature_c=np.where(fallen, 85.5, 75.0),
        clock_mhz=np.where(fallen, 1800.0, 1980.0),
        sampled_s=((0.0, 400.0),),
    )
    assert failed(verdict) == {"temperature", "throttling"}
    assert criterion(verdict, "temperature").sentence == "the peak was 85.5 °C"


def test_throttling_at_the_temperature_limit_needs_a_temperature_and_its_limit() -> None:
    # The power limit alone lets throttling be looked for, but not the kind that this criterion is about.
    verdict = verdict_of(frames_ms(), temperature_c=78.0, without="temperature_c")
    assert criterion(verdict, "throttling").state == "not measurable"
    assert criterion(verdict, "throttling").sentence == "the sensor log has no column for temperature_c"
    verdict = verdict_of(frames_ms(), temperature_c=78.0, limit_c=None)
    assert criterion(verdict, "throttling").sentence == "no temperature limit was given"


def test_runs_in_turn_add_up_and_what_failed_in_one_has_failed() -> None:
    part = verdict_of(frames_ms(16.0), temperature_c=70.0)
    assert part.word == "not shown"
    whole = judge_in_turn([part, part])
    assert (whole.word, whole.minutes) == ("holds", pytest.approx(32.0, rel=1e-3))
    assert whole.file_name == f"{part.file_name}, {part.file_name}"
    frozen_ms = frames_ms(16.0)
    frozen_ms[1000] = 800.0
    frozen = verdict_of(frozen_ms)
    spoiled = judge_in_turn([part, frozen])
    assert (spoiled.word, failed(spoiled)) == ("does not hold", {"freezes"})
    assert criterion(spoiled, "freezes").sentence.startswith(f"{frozen.file_name}: 1 frame over 500 ms")
    # A limit that one of the runs could not show is not shown by the others.
    assert criterion(spoiled, "temperature").state == "not measurable"
    assert judge_in_turn([part]) == part
