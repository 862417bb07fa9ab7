"""What is known about recorded runs must be found in them (see data/recorded_steps/README.md)."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from made_regularity import run_of

from frametime.adapters.reading import read_capture
from frametime.metrics.block_medians import make_blocks
from frametime.metrics.display.shown import motion_steps
from frametime.metrics.drift.change_points import ChangeRule, find_jumps
from frametime.metrics.drift.drift import drift_of
from frametime.metrics.drift.segments import segments_of
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.rhythm.hitches import find_hitch_period, hitches_of
from frametime.metrics.rhythm.rhythm import rhythm_of
from frametime.metrics.stutter import stutters_of

FOLDER = Path(__file__).parent / "data" / "recorded_steps"
LOGS = Path(__file__).parents[2] / "reference_logs" / "recorded"
ALL = sorted(path.name.removesuffix(".csv.gz") for path in FOLDER.glob("*.csv.gz"))


def recorded(name: str) -> FrameSeries:
    with gzip.open(FOLDER / f"{name}.csv.gz", "rt", encoding="utf-8") as stream:
        times_ns = np.loadtxt(stream, delimiter=",", skiprows=1, dtype=np.int64)
    started, finished = times_ns[:, 0] - times_ns[0, 1], times_ns[:, 1]
    return run_of(np.diff(finished) / 1e6, simulation_start_ns=started.tolist())


@pytest.mark.parametrize("name", [name for name in ALL if "atlas" in name])
def test_every_texture_upload_of_atlas_is_found_with_its_period(name: str) -> None:
    series = recorded(name)
    stutters = stutters_of(series)
    large = stutters.ends_s[stutters.frame_times_ms > 25.0]
    # The texture is uploaded every 2 s; the frame that waits for it ends some tens of ms later.
    assert large == pytest.approx([2.04, 4.04, 6.04, 8.05], abs=0.03)
    period = rhythm_of(series).hitch_period
    assert period is not None
    assert period.period_s == pytest.approx(2.0, abs=0.01)
    assert period.period_low_s < 2.0 < period.period_high_s
    # Four times leave two degrees of freedom: the interval must be wider than their scatter, not a point.
    assert 0.0005 < period.period_high_s - period.period_low_s < 0.1
    assert period.p_value < 0.01
    assert period.n_following >= 4


@pytest.mark.parametrize("resolution", ["1080p", "2160p"])
def test_the_three_runs_of_a_set_leave_no_doubt(resolution: str) -> None:
    found = [hitches_of(recorded(f"base-atlas-{resolution}-run{number}")) for number in (1, 2, 3)]
    period, reason = find_hitch_period(found)
    assert reason is None
    assert period is not None
    assert period.p_value < 1e-5
    assert period.period_low_s < 2.0 < period.period_high_s
    assert period.period_s == pytest.approx(2.0, abs=0.005)


def test_canyon_compiled_twice_in_its_first_run_and_two_hitches_have_no_period() -> None:
    first = recorded("base-canyon-1080p-run1")
    assert stutters_of(first).ends_s == pytest.approx([3.74, 7.43], abs=0.02)
    assert rhythm_of(first).hitch_period is None
    assert rhythm_of(first).hitch_period_reason == "2 hitches carry no period; 4 or more are needed"
    for number in (2, 3):
        assert stutters_of(recorded(f"base-canyon-1080p-run{number}")).count == 0
    found = [hitches_of(recorded(f"base-canyon-1080p-run{number}")) for number in (1, 2, 3)]
    assert find_hitch_period(found)[0] is None


@pytest.mark.parametrize("name", [name for name in ALL if "harbour" in name or "embers" in name])
def test_neither_harbour_nor_the_swing_of_embers_is_stutter(name: str) -> None:
    series = recorded(name)
    assert stutters_of(series).count == 0
    assert rhythm_of(series).hitch_period is None
    assert rhythm_of(series).alternating_fraction == 0.0
    assert rhythm_of(series).lines == ()


@pytest.mark.parametrize("name", ALL)
def test_a_recorded_run_is_one_stretch_of_play_and_too_short_for_drift(name: str) -> None:
    series = recorded(name)
    assert [segment.kind for segment in segments_of(series)] == ["play"]
    assert drift_of(series).warm_up is None
    assert drift_of(series).slope_pct_per_min is None
    assert "20 or more are needed" in drift_of(series).sentence


@pytest.mark.parametrize("name", ALL)
def test_the_worst_motion_step_of_a_recorded_run_is_its_longest_wait(name: str) -> None:
    """Simulation and end are logged: the errors must be those of the two columns, one clock, no drift to remove."""
    series = recorded(name)
    motion = motion_steps(series)
    assert not isinstance(motion, Missing)
    assert not motion.from_display_times
    with gzip.open(FOLDER / f"{name}.csv.gz", "rt", encoding="utf-8") as stream:
        times_ns = np.loadtxt(stream, delimiter=",", skiprows=1, dtype=np.int64)
    # Row 0 is where the first frame began, so the first step is that from row 1 to row 2.
    errors_ms = (np.diff(times_ns[1:, 1]) - np.diff(times_ns[1:, 0])) / 1e6
    drift_per_step_ms = abs(motion.clock_drift_ppm) * 1e-6 * 100.0
    assert motion.rms_ms == pytest.approx(np.sqrt(np.mean(errors_ms**2)), rel=0.01, abs=drift_per_step_ms)
    assert abs(motion.worst_ms) == pytest.approx(np.max(np.abs(errors_ms)), rel=0.01, abs=drift_per_step_ms)


@pytest.mark.parametrize("block_s", [1.0, 0.5, 0.25])
def test_no_recorded_scene_jumps(block_s: float) -> None:
    """Blocks of a second are too few in ten seconds to look at; shorter ones are not, and the scenes swing by 40 %."""
    for path in sorted((*FOLDER.glob("*.csv.gz"), *LOGS.rglob("run*.csv.gz"))):
        series = recorded(path.name.removesuffix(".csv.gz")) if path.parent == FOLDER else read_series(path)
        blocks = make_blocks(series.steps_ns, series.ends_s, block_s=block_s, max_blocks=600)
        jumps = find_jumps(blocks.levels_ms, ChangeRule())
        assert jumps == (), path


def read_series(path: Path) -> FrameSeries:
    return FrameSeries.of(read_capture(path), MeasureOptions())
