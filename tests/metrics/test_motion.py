"""Motion step error: shown steps against simulated steps."""

from __future__ import annotations

import numpy as np
import pytest
from made_regularity import run_of

from frametime.metrics.display.shown import motion_steps
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Missing


def logged(
    simulated_ns: np.ndarray, displayed_ns: np.ndarray | None, shown: list[bool | None] | None = None
) -> FrameSeries:
    n = simulated_ns.size
    columns: dict[str, list] = {"simulation_start_ns": [None, *np.round(simulated_ns).astype(int).tolist()]}
    if displayed_ns is not None:
        columns["displayed_ns"] = [None, *np.round(displayed_ns).astype(int).tolist()]
    if shown is not None:
        columns["shown"] = [None, *shown]
    return run_of(np.full(n, 10.0), **columns)


def test_equal_steps_leave_no_error() -> None:
    simulated = np.arange(300) * 1e7 - 8e6
    motion = motion_steps(logged(simulated, simulated + 25e6))
    assert not isinstance(motion, Missing)
    assert motion.from_display_times
    assert (motion.rms_ms, motion.p99_ms, motion.worst_ms) == (0.0, 0.0, 0.0)


def test_one_late_frame_is_two_wrong_steps() -> None:
    simulated = np.arange(300) * 1e7
    displayed = simulated + 20e6
    displayed[100] += 6e6
    motion = motion_steps(logged(simulated, displayed))
    assert not isinstance(motion, Missing)
    assert motion.worst_ms == pytest.approx(6.0)
    assert motion.worst_time_s == pytest.approx((displayed[100]) / 1e9)
    assert motion.rms_ms == pytest.approx(np.sqrt(2 * 36.0 / 299))
    assert motion.clock_drift_ppm == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("drift_ppm", [-200.0, 50.0, 1000.0])
def test_the_drift_between_two_clocks_is_removed(drift_ppm: float) -> None:
    generator = np.random.default_rng(1)
    simulated = np.cumsum(generator.normal(1e7, 5e5, 3000))
    noise = generator.normal(0, 1e6, 3000)
    plain = motion_steps(logged(simulated, simulated + 20e6 + noise))
    drifting = motion_steps(logged(simulated, simulated * (1 + drift_ppm * 1e-6) + 20e6 + noise))
    assert not isinstance(plain, Missing)
    assert not isinstance(drifting, Missing)
    assert drifting.clock_drift_ppm - plain.clock_drift_ppm == pytest.approx(drift_ppm, abs=0.5)
    assert drifting.rms_ms == pytest.approx(plain.rms_ms, rel=1e-3)
    assert plain.rms_ms == pytest.approx(np.sqrt(2.0), rel=0.05)


def test_drift_alone_leaves_no_error() -> None:
    simulated = np.arange(3000) * 1e7
    motion = motion_steps(logged(simulated, simulated * 1.002 + 20e6))
    assert not isinstance(motion, Missing)
    assert motion.clock_drift_ppm == pytest.approx(2000.0, rel=1e-6)
    assert motion.rms_ms == pytest.approx(0.0, abs=1e-9)


def test_without_display_times_the_ends_of_the_frames_stand_in() -> None:
    motion = motion_steps(logged(np.arange(300) * 1e7 - 8e6, None))
    assert not isinstance(motion, Missing)
    assert not motion.from_display_times
    assert motion.rms_ms == pytest.approx(0.0, abs=1e-9)


def test_frames_that_were_not_shown_make_no_step() -> None:
    simulated = np.arange(300) * 1e7
    displayed = simulated + 20e6
    displayed[50] += 9e6
    shown: list[bool | None] = [k != 50 for k in range(300)]
    motion = motion_steps(logged(simulated, displayed, shown))
    assert not isinstance(motion, Missing)
    assert motion.rms_ms == pytest.approx(0.0, abs=1e-9)


def test_nothing_to_say_without_simulation_times_or_with_two_frames() -> None:
    assert isinstance(motion_steps(run_of(np.full(100, 10.0))), Missing)
    assert isinstance(motion_steps(logged(np.arange(2) * 1e7, None)), Missing)
