"""How often intervals within a run hold the truth, and how often one is given: the tables of interval_coverage.md.

Simulations with fixed seeds. The truth is that of a very long run of the same noise.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import NamedTuple, TypeAlias

import numpy as np
import pyarrow as pa
import pytest
from made_captures import capture_of, stamps_of
from made_regularity import Array, autocorrelated, clean_ms, hitching_ms, run_of, two_levels_ms, wandering_ms
from once_a_run import made_once

from frametime.capture import Capture, SensorTrace
from frametime.metrics.catalog import catalog_for
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.intervals.run_intervals import within_run_intervals
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.statistics.interval import Interval

PAGE = Path(__file__).parent / "interval_coverage.md"
N_RUNS = 200
LEAST, MOST = 0.90, 1.0
"""The page says 92 to 98 %; 200 runs tell a share of 95 % to 3 % (two standard errors)."""
SELDOM = 0.2
"""Where an interval is given in fewer runs than this, those runs are not typical: the table shows them in brackets."""

SPEED = {
    "average": ("average_fps",),
    "median": ("median_frame_time_ms",),
    "95 %": ("p95_frame_time_ms",),
    "1 % lows": ("low_1pct_percentile_fps", "low_1pct_mean_fps", "low_1pct_time_fps"),
    "0.1 % low": ("low_0p1pct_percentile_fps",),
    "spread": ("frame_time_cv",),
    "steps": ("pacing_rmssd_ms", "pacing_masd_ms", "pacing_jitter_median_ms"),
}
SCREEN = {
    "uneven": ("refresh_uneven_per_min", "refresh_repeat_fraction"),
    "judder": ("judder_rms_ms",),
    "motion": ("motion_step_error_rms_ms", "motion_step_error_p99_ms"),
    "dropped": ("dropped_fraction", "shown_average_fps"),
}
WINDOW = {
    "inside": ("refresh_inside_frames_fraction", "refresh_inside_time_fraction"),
    "below": ("refresh_below_time_fraction",),
}
SENSORS = {
    "power": ("average_power_w", "frames_per_joule"),
    "at limit": ("time_at_power_limit_fraction",),
    "clock spread": ("core_clock_sd_mhz",),
}

FIXED_144 = MeasureOptions(refresh=Refresh(low_hz=Fraction(144), high_hz=Fraction(144)))
VARIABLE = MeasureOptions(refresh=Refresh(low_hz=Fraction(80), high_hz=Fraction(118)))
LIMIT = MeasureOptions(power_limit_w=305.0)


class Process(NamedTuple):
    """Runs of one kind: ``make(times_as_long, seed)``."""

    make: Callable[[int, int], FrameSeries]
    columns: Mapping[str, Sequence[str]]
    times_as_long: int = 500


def independent_ms(n: int, seed: int) -> Array:
    return np.asarray(8.3 * np.exp(0.05 * np.random.default_rng(seed).standard_normal(n)))


def frames(make: Callable[[int, int], Array], n: int, times: int, seed: int) -> FrameSeries:
    return run_of(make(n * times, seed))


def on_display(make: Callable[[int, int], Array], options: MeasureOptions, times: int, seed: int) -> FrameSeries:
    """6 000 frames whose simulation times waver, and of which one in a hundred is dropped."""
    generator = np.random.default_rng(seed)
    stamps = stamps_of(make(6000 * times, seed))
    n = stamps.size
    simulated = stamps - 20_000_000 + (400_000 * autocorrelated(n, 0.9, generator)).astype(np.int64)
    capture = capture_of(stamps)
    columns = capture.frames.append_column("simulation_start_ns", pa.array(simulated))
    columns = columns.append_column("shown", pa.array(generator.random(n) > 0.01))
    return FrameSeries.of(
        Capture(frames=columns, conditions=capture.conditions, provenance=capture.provenance, sensors=None, caveats=()),
        options,
    )


def with_sensors(n: int, rate_hz: float, coefficient: float, times: int, seed: int) -> FrameSeries:
    generator = np.random.default_rng(seed)
    elapsed_s = np.arange(n * times + 1) / rate_hz
    samples = pa.table(
        {
            "time_ns": (elapsed_s * 1e9).astype(np.int64),
            "power_w": 300.0 + 8.0 * autocorrelated(elapsed_s.size, coefficient, generator),
            "core_clock_mhz": 2600.0 + 40.0 * autocorrelated(elapsed_s.size, coefficient, generator),
        }
    )
    capture = capture_of(np.arange(0, int(elapsed_s[-1] * 1e9) + 10_000_001, 10_000_000))
    trace = SensorTrace(samples=samples, alignment="made", provenance=capture.provenance, missing_counts={}, caveats=())
    return FrameSeries.of(
        Capture(
            frames=capture.frames,
            conditions=capture.conditions,
            provenance=capture.provenance,
            sensors=trace,
            caveats=(),
        ),
        LIMIT,
    )


PROCESSES: dict[str, Process] = {
    "independent, 6 000": Process(partial(frames, independent_ms, 6000), SPEED),
    "memory of 19 frames, 6 000": Process(partial(frames, clean_ms, 6000), SPEED),
    "memory of 99 frames, 6 000": Process(partial(frames, partial(clean_ms, coefficient=0.98), 6000), SPEED),
    "memory of 99 frames, 3 000": Process(partial(frames, partial(clean_ms, coefficient=0.98), 3000), SPEED),
    "memory of 199 frames, 6 000": Process(partial(frames, partial(clean_ms, coefficient=0.99), 6000), SPEED),
    "memory of 199 frames, 3 000": Process(partial(frames, partial(clean_ms, coefficient=0.99), 3000), SPEED),
    "two memories, 6 000": Process(partial(frames, wandering_ms, 6000), SPEED),
    "rare hitches, 6 000": Process(partial(frames, hitching_ms, 6000), SPEED),
    "two levels of 8 s, 6 000": Process(partial(frames, two_levels_ms, 6000), SPEED),
    "144 Hz, memory of 99 frames": Process(
        partial(on_display, partial(clean_ms, coefficient=0.98), FIXED_144), SCREEN, 60
    ),
    "144 Hz, two levels": Process(partial(on_display, two_levels_ms, FIXED_144), SCREEN, 60),
    "80-118 Hz, memory of 99 frames": Process(
        partial(on_display, partial(clean_ms, coefficient=0.98), VARIABLE), WINDOW, 60
    ),
    "sensors: 30 s at 2 Hz": Process(partial(with_sensors, 60, 2.0, 0.5), SENSORS),
    "sensors: 60 s at 2 Hz, independent": Process(partial(with_sensors, 120, 2.0, 0.0), SENSORS),
    "sensors: 60 s at 2 Hz, memory of 1.5 s": Process(partial(with_sensors, 120, 2.0, 0.5), SENSORS),
    "sensors: 60 s at 2 Hz, memory of 2.8 s": Process(partial(with_sensors, 120, 2.0, 0.7), SENSORS),
    "sensors: 30 s at 10 Hz, memory of 0.3 s": Process(partial(with_sensors, 300, 10.0, 0.5), SENSORS),
}


Counts: TypeAlias = Mapping[str, tuple[float, float]]
Counted: TypeAlias = Callable[[str], Counts]


@pytest.fixture(scope="module")
def counts(tmp_path_factory: pytest.TempPathFactory) -> Counted:
    """The counts of a process by its name, made once for all processes of a run of the tests."""

    def counted(name: str) -> Counts:
        number = list(PROCESSES).index(name)

        def make(folder: Path) -> object:
            return (folder / "counts.json").write_text(json.dumps(counts_of(name)), "utf-8")

        folder = made_once(tmp_path_factory, f"interval-coverage-{number}", make)
        found: Counts = json.loads((folder / "counts.json").read_text("utf-8"))
        return found

    return counted


def counts_of(name: str) -> Counts:
    """For each metric the share of runs with an interval, and the share of these intervals that hold the truth."""
    make, columns, times_as_long = PROCESSES[name]
    keys = [key for group in columns.values() for key in group]
    long_run = make(times_as_long, 999)
    catalog = catalog_for(long_run.options)
    truth = {key: catalog[key].compute(long_run) for key in keys}
    given: Counter[str] = Counter()
    held: Counter[str] = Counter()
    for seed in range(7000, 7000 + N_RUNS):
        series = make(1, seed)
        results = {key: catalog[key].compute(series) for key in keys}
        values = {key: result for key, result in results.items() if not isinstance(result, Missing)}
        for key, interval in within_run_intervals(series, values).items():
            if isinstance(interval, Interval):
                given[key] += 1
                held[key] += interval.low <= truth[key] <= interval.high
    return {key: (given[key] / N_RUNS, held[key] / max(given[key], 1)) for key in keys}


def cell(found: Mapping[str, tuple[float, float]], keys: Sequence[str]) -> str:
    """*95 to 97 (40)*: held in so many of 100, given in 40 of 100 where that is not all."""
    given = [found[key][0] for key in keys]
    held = sorted({round(100 * found[key][1]) for key in keys if found[key][0] >= SELDOM})
    if max(given) < SELDOM:
        return f"({100 * max(given):.0f})"
    text = f"{held[0]}" if len(held) == 1 else f"{held[0]} to {held[-1]}"
    return text if min(given) > 0.995 else f"{text} ({100 * min(given):.0f})"


def table(columns: Mapping[str, Sequence[str]], counts: Counted) -> list[str]:
    lines = [f"| run | {' | '.join(columns)} |", f"|{' --- |' * (len(columns) + 1)}"]
    for name, process in PROCESSES.items():
        if process.columns == columns:
            lines.append(f"| {name} | {' | '.join(cell(counts(name), keys) for keys in columns.values())} |")
    return lines


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PROCESSES))
def test_an_interval_that_is_given_holds_the_truth_as_often_as_it_says(name: str, counts: Counted) -> None:
    found = counts(name)
    wrong = {key: each for key, each in found.items() if each[0] >= SELDOM and not LEAST <= each[1] <= MOST}
    assert not wrong, found


@pytest.mark.slow
def test_few_runs_of_few_parts_are_given_an_interval(counts: Counted) -> None:
    """Two levels of 8 s: about six independent stretches of the level, of which nothing can be said."""
    found = counts("two levels of 8 s, 6 000")
    assert all(found[key][0] < SELDOM for key in ("average_fps", "median_frame_time_ms", "low_1pct_mean_fps")), found


@pytest.mark.slow
@pytest.mark.parametrize("columns", [SPEED, SCREEN, WINDOW, SENSORS], ids=["speed", "screen", "window", "sensors"])
def test_the_page_shows_what_is_counted(columns: Mapping[str, Sequence[str]], counts: Counted) -> None:
    """Counts of 200 may differ by one or two on another machine; the message holds the table as it is here."""
    expected = table(columns, counts)
    page = PAGE.read_text(encoding="utf-8").splitlines()
    shown = page[page.index(expected[0]) :][: len(expected)] if expected[0] in page else []
    numbers = [[int(number) for number in re.findall(r"\d+", line)] for line in shown]
    wanted = [[int(number) for number in re.findall(r"\d+", line)] for line in expected]
    assert [len(each) for each in numbers] == [len(each) for each in wanted], "\n" + "\n".join(expected)
    assert np.allclose(np.concatenate(numbers), np.concatenate(wanted), atol=2), "\n" + "\n".join(expected)


@pytest.mark.slow
def test_single_frames_as_units_would_be_far_too_sure() -> None:
    """Why memory counts: as independent frames the interval of the average would hold the truth in a third of runs."""
    truth = 1000.0 / float(clean_ms(3_000_000, 999).mean())
    held = {"memory": 0, "frames": 0}
    for seed in range(100):
        times_ms = clean_ms(6000, seed)
        interval = within_run_intervals(run_of(times_ms), {"average_fps": 1000.0 / float(times_ms.mean())})[
            "average_fps"
        ]
        assert isinstance(interval, Interval)
        held["memory"] += interval.low <= truth <= interval.high
        error = 1.96 * float(times_ms.std()) / np.sqrt(times_ms.size)
        mean_ms = float(times_ms.mean())
        held["frames"] += 1000 / (mean_ms + error) <= truth <= 1000 / (mean_ms - error)
    assert held["memory"] >= 90
    assert held["frames"] <= 60
