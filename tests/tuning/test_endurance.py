"""The verdict of a long run, on made runs with one planted fault each."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from numpy.typing import NDArray

from frametime.capture import Capture, Conditions, Provenance, SensorTrace
from frametime.metrics.measure import measure
from frametime.metrics.options import MeasureOptions
from frametime.tuning.endurance import Criterion, EnduranceRules, EnduranceVerdict, judge_endurance

MINUTES = 32.0


def provenance() -> Provenance:
    return Provenance(
        file_name="long.csv",
        sha256="",
        size_bytes=0,
        adapter="made",
        rows_read=0,
        rows_rejected=0,
        rejected_rows=(),
        layout_toml="",
        evidence=(),
    )


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
        sensors = SensorTrace(
            samples=pa.table(columns), alignment="made", provenance=provenance(), missing_counts={}, caveats=()
        )
    capture = Capture(
        frames=pa.table({"timestamp_ns": pa.array(stamps)}),
        conditions=Conditions(),
        provenance=provenance(),
        sensors=sensors,
        caveats=(),
    )
    options = MeasureOptions(temperature_limit_c=limit_c, power_limit_w=200.0)
    return judge_endurance(measure(capture, options), rules)


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
    assert criterion(verdict, "power").value == pytest.approx(1.0)


def test_a_short_run_shows_nothing() -> None:
    verdict = verdict_of(frames_ms(5.0))
    assert verdict.word == "not shown"
    assert failed(verdict) == {"length"}
    assert verdict_of(frames_ms(5.0), rules=EnduranceRules(min_minutes=4.0)).word == "holds"


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


def test_a_run_that_shows_neither_drift_nor_its_absence_has_no_drift_measured() -> None:
    times_ms = frames_ms()
    beat = 1.0 + 0.3 * np.sin(np.arange(times_ms.size) * 2.0 * np.pi * 2.5 / times_ms.size)
    verdict = verdict_of(times_ms * beat)
    found = criterion(verdict, "drift")
    assert found.state == "not measurable" and found.value is None
    assert found.sentence.startswith("neither a drift beyond 3 % nor its absence is shown: the level may change by")
    assert "no drift found" not in " ".join([found.sentence, *verdict.not_known]).lower()


def test_drift_fails_with_its_total() -> None:
    times_ms = frames_ms()
    verdict = verdict_of(times_ms * np.linspace(1.0, 1.08, times_ms.size))
    assert "drift" in failed(verdict)
    assert criterion(verdict, "drift").value == pytest.approx(8.0, abs=1.0)
    faster = verdict_of(times_ms * np.linspace(1.08, 1.0, times_ms.size))
    assert "drift" not in failed(faster)


def test_a_step_to_longer_frames_fails_with_its_time() -> None:
    times_ms = frames_ms()
    times_ms[times_ms.size // 2 :] *= 1.1
    verdict = verdict_of(times_ms)
    assert "changes" in failed(verdict)
    assert criterion(verdict, "changes").value == pytest.approx(10.0, abs=0.5)


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
