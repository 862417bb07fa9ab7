"""Every metric of the catalog: an interval with its method, or a reason, on a capture that has everything."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from made_captures import capture_of, stamps_of
from made_regularity import Array, autocorrelated, clean_ms

from frametime.capture import Capture, SensorTrace
from frametime.metrics.catalog import catalog_for
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals.run_intervals import REASONS, frame_outcomes, sensor_outcomes, within_run_intervals
from frametime.metrics.intervals.within_run import Influence
from frametime.metrics.measure import measure
from frametime.metrics.metric import MeasuredRun, Missing
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.metrics.sensors.sensor_values import channel
from frametime.render.data_output import run_document
from frametime.statistics.interval import Interval

DOCS = Path(__file__).parents[2] / "docs"

FIXED = Refresh(low_hz=Fraction(110), high_hz=Fraction(110))
WINDOW = Refresh(low_hz=Fraction(80), high_hz=Fraction(135))


FEW_FREEZES = ("low_1pct_time_fps", "low_0p1pct_time_fps")
"""Three freezes fill a hundredth of the time of the eventful run: of three frames nothing tells what a fourth is."""


def eventful_ms(n: int = 16_000) -> Array:
    """Hitches of every class, recurring ones among them, alternating stretches, a line of the spectrum, a drift."""
    times_ms = clean_ms(n, 7) * np.linspace(1.0, 1.03, n)
    for first in (1000, 6000, 11_000, 14_000):
        times_ms[first : first + 200] *= 1.0 + 0.08 * (-1.0) ** np.arange(200)
    times_ms += 0.2 * np.sin(2.0 * np.pi * 23.0 * np.cumsum(times_ms) / 1e3)
    ends_s = np.cumsum(times_ms) / 1e3
    times_ms[np.searchsorted(ends_s, np.arange(3.0, 120.0, 4.0))] += 60.0
    for size_ms, places in ((130.0, (300, 5100, 9000, 15_000)), (300.0, (2000, 7000, 12_000))):
        times_ms[list(places)] += size_ms
    times_ms[[3500, 8500, 13_500]] += 800.0
    return times_ms


def eventful_capture() -> Capture:
    times_ms = eventful_ms()
    stamps = np.concatenate(([0], np.cumsum(np.round(times_ms * 1e6).astype(np.int64))))
    capture = capture_of(stamps)
    generator = np.random.default_rng(3)
    n = stamps.size
    work = np.append(0, times_ms) * 1e6 * np.where(generator.random(n) < 0.2, 0.7, 0.97)
    columns = {
        "simulation_start_ns": stamps - 20_000_000 + generator.integers(-400_000, 400_000, n),
        "shown": generator.random(n) > 0.01,
        "gpu_work_ns": work.astype(np.int64),
    }
    frames = capture.frames
    for name, values in columns.items():
        frames = frames.append_column(name, pa.array(values))
    times_ns = np.arange(0, stamps[-1] + 200_000_000, 100_000_000)
    m = times_ns.size

    def noise(sd: float) -> Array:
        return np.asarray(sd * autocorrelated(m, 0.5, generator))

    samples = pa.table(
        {
            "time_ns": times_ns,
            "power_w": 300.0 + noise(8.0),
            "temperature_c": 70.0 + noise(2.0),
            "core_clock_mhz": np.where(np.arange(m) % 200 < 25, 2400.0, 2700.0) + noise(5.0),
            "memory_clock_mhz": 1200.0 + noise(1.0),
            "utilization_pct": np.clip(93.0 + noise(4.0), 0.0, 100.0),
        }
    )
    sensors = SensorTrace(
        samples=samples, alignment="made", provenance=capture.provenance, missing_counts={}, caveats=()
    )
    return Capture(
        frames=frames, conditions=capture.conditions, provenance=capture.provenance, sensors=sensors, caveats=()
    )


def options_for(refresh: Refresh) -> MeasureOptions:
    return MeasureOptions(
        refresh=refresh,
        within_run_intervals=True,
        temperature_limit_c=70.0,
        power_limit_w=305.0,
    )


@pytest.fixture(scope="module", params=[FIXED, WINDOW], ids=["fixed", "window"])
def run(request: pytest.FixtureRequest) -> MeasuredRun:
    return measure(eventful_capture(), options_for(request.param))


def test_every_metric_has_an_interval_or_a_reason(run: MeasuredRun) -> None:
    assert set(run.values) == set(catalog_for(run.options))
    for key, value in run.values.items():
        assert value.value is not None, (key, value.reason)
        if key in REASONS:
            assert value.interval is None, key
            assert value.interval_reason == REASONS[key]
        elif key in FEW_FREEZES:
            assert value.interval is None, key
            assert "slow frame" in str(value.interval_reason)
        else:
            assert value.interval is not None, (key, value.interval_reason)
            assert value.interval_reason is None
            assert value.interval.low <= value.value <= value.interval.high, key
            assert value.interval.low < value.interval.high, key
            assert value.interval.method.startswith("within run: "), key


def test_lows_by_time_have_intervals_where_no_freeze_fills_their_time() -> None:
    run = measure(capture_of(stamps_of(clean_ms(60_000, 5))), MeasureOptions(within_run_intervals=True))
    assert all(run.values[key].interval is not None for key in FEW_FREEZES)


def test_shares_and_counts_stay_within_what_they_can_be(run: MeasuredRun) -> None:
    for key, value in run.values.items():
        if value.interval is None or key in ("drift_pct_per_min", "alternation"):
            continue
        assert value.interval.low >= 0.0, key
        if key.endswith("_fraction"):
            assert value.interval.high <= 1.0, key


def test_the_document_says_which_and_why(run: MeasuredRun) -> None:
    metrics = run_document(run)["metrics"]
    assert isinstance(metrics, dict)
    for key, told in metrics.items():
        assert isinstance(told, dict)
        assert (told["interval"] is None) != (told["interval_reason"] is None), key


def test_a_clean_run_without_anything_else_has_no_silent_gap() -> None:
    run = measure(
        capture_of(np.cumsum(np.append(0, np.round(clean_ms(3000, 5) * 1e6))).astype(np.int64)), options_for(FIXED)
    )
    for key, value in run.values.items():
        told = [value.reason is not None, value.interval is not None, value.interval_reason is not None]
        assert told.count(True) == 1, key


def test_without_being_asked_for_there_is_neither() -> None:
    run = measure(capture_of(np.arange(0, 10**10, 10**7)))
    assert all(value.interval is None and value.interval_reason is None for value in run.values.values())


@pytest.mark.parametrize("page", ["regularity.md"])
def test_the_docs_name_every_metric_without_an_interval(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    assert [key for key in REASONS if f"`{key}`" not in text] == []


@pytest.mark.parametrize("refresh", [FIXED, WINDOW], ids=["fixed", "window"])
def test_each_frame_moves_what_the_eye_sees_by_its_item(refresh: Refresh) -> None:
    """Sums over all items by hand: those of a share or a count per frame are its flags, about their mean."""
    series = FrameSeries.of(eventful_capture(), options_for(refresh))
    keys = [key for key, row in catalog_for(series.options).items() if row.group in ("display", "dropped")]
    found = frame_outcomes(series, dict.fromkeys(keys, 1.0))
    assert series.capture is not None
    shown = np.asarray(series.capture.frames.column("shown").to_pylist()[1:])
    n, frames = series.n_frames, np.flatnonzero(shown)
    steps_ms = np.zeros(n)
    steps_ms[frames] = np.diff(series.timestamps_ns[1:][frames], prepend=series.timestamps_ns[0]) / 1e6
    expected = {"dropped_count": ~shown / np.count_nonzero(~shown) - 1.0 / n}
    expected["dropped_fraction"] = expected["dropped_count"]
    expected["shown_average_fps"] = (
        shown / np.count_nonzero(shown) - series.frame_times_ms / series.frame_times_ms.sum()
    )
    if not refresh.is_fixed:
        for key, chosen in {"below": steps_ms > 1000 / 80, "above": (steps_ms > 0) & (steps_ms < 1000 / 135)}.items():
            part = np.where(chosen, steps_ms, 0.0)
            expected[f"refresh_{key}_time_fraction"] = part / part.sum() - steps_ms / steps_ms.sum()
        inside = (steps_ms >= 1000 / 135) & (steps_ms <= 1000 / 80)
        expected["refresh_inside_frames_fraction"] = inside / np.count_nonzero(inside) - shown / frames.size
    for key, items in expected.items():
        outcome = found[key]
        assert isinstance(outcome, Influence), key
        np.testing.assert_allclose(outcome.items, items, rtol=1e-9, atol=1e-12, err_msg=key)


def test_power_hangs_together_over_its_own_time() -> None:
    """A mean of independent samples: its interval is that of the textbook, about two standard errors to each side."""
    capture = eventful_capture()
    assert capture.sensors is not None
    generator = np.random.default_rng(5)
    m = capture.sensors.samples.num_rows
    power_w = 300.0 + 10.0 * generator.standard_normal(m)
    samples = capture.sensors.samples.set_column(1, "power_w", pa.array(power_w))
    sensors = SensorTrace(
        samples=samples, alignment="made", provenance=capture.provenance, missing_counts={}, caveats=()
    )
    capture = Capture(
        frames=capture.frames, conditions=capture.conditions, provenance=capture.provenance, sensors=sensors, caveats=()
    )
    value = measure(capture, options_for(FIXED)).values["average_power_w"]
    assert value.interval is not None
    half_w = 0.5 * (value.interval.high - value.interval.low)
    assert half_w == pytest.approx(1.96 * 10.0 / np.sqrt(m), rel=0.25)


@pytest.mark.parametrize(
    ("coefficient", "n_samples", "told"),
    [(0.5, 30, "100 or more are needed"), (0.99, 200, "independent stretches; 15 are needed")],
)
def test_sensors_that_say_too_little_give_no_interval(coefficient: float, n_samples: int, told: str) -> None:
    capture = capture_of(np.arange(0, 20_000_000_001, 10_000_000))
    power_w = 300.0 + 10.0 * autocorrelated(n_samples, coefficient, np.random.default_rng(1))
    samples = pa.table({"time_ns": np.linspace(0, 20e9, n_samples).astype(np.int64), "power_w": power_w})
    sensors = SensorTrace(
        samples=samples, alignment="made", provenance=capture.provenance, missing_counts={}, caveats=()
    )
    capture = Capture(
        frames=capture.frames, conditions=capture.conditions, provenance=capture.provenance, sensors=sensors, caveats=()
    )
    series = FrameSeries.of(capture, MeasureOptions())
    outcome = within_run_intervals(series, {"average_power_w": 300.0, "frames_per_joule": 0.3})
    for found in outcome.values():
        assert isinstance(found, Missing), isinstance(found, Interval)
        assert told in found.reason


def test_each_step_between_samples_moves_a_mean_by_its_time() -> None:
    capture = eventful_capture()
    assert capture.sensors is not None
    series = FrameSeries.of(capture, options_for(FIXED))
    found = channel(series, "power_w")
    assert not isinstance(found, Missing)
    outcomes = sensor_outcomes(series, {"average_power_w": 300.0, "frames_per_joule": 0.3})
    pieces_s, pieces_w = np.diff(found.times_s), 0.5 * (found.values[1:] + found.values[:-1])
    elapsed_s = (series.timestamps_ns - series.timestamps_ns[0]) / 1e9
    frames = np.diff(np.searchsorted(elapsed_s, found.times_s))
    energy = pieces_s * pieces_w / (pieces_s * pieces_w).sum()
    for key, items, rel in (
        ("average_power_w", energy - pieces_s / pieces_s.sum(), 1e-9),
        ("frames_per_joule", frames / frames.sum() - energy, 0.2),  # whole frames here, parts of frames there
    ):
        outcome = outcomes[key]
        assert isinstance(outcome, Influence), key
        assert np.std(outcome.items - items) <= rel * np.std(items), key
