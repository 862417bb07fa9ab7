"""Jumps of the level between two blocks, planted in scenes that swing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_regularity import Array, autocorrelated, clean_ms, run_of

from frametime.adapters.reading import read_capture
from frametime.metrics.change_points import ChangePoint
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.jumps import find_jumps
from frametime.metrics.options import MeasureOptions

CAPTURES = Path(__file__).parents[2] / "reference_logs" / "review" / "captures"


def found_in(levels: Array) -> tuple[ChangePoint, ...]:
    return find_jumps(levels, significance=0.002, scatters=6.0, min_ratio=1.05, min_blocks=5)


def swing(n: int, seed: int) -> Array:
    """A scene of two slow waves of 8 %, and 1 % of scatter from block to block."""
    generator = np.random.default_rng(seed)
    times = np.arange(n)
    waves = np.sin(times / 6.0 + generator.uniform(0, 6)) + np.sin(times / 9.0 + generator.uniform(0, 6))
    return np.asarray(10.0 * np.exp(0.08 * waves + 0.01 * generator.standard_normal(n)))


@pytest.mark.parametrize("ratio", [1.25, 0.8])
def test_a_rise_that_falls_again_inside_a_swing_is_two_jumps(ratio: float) -> None:
    found = 0
    for seed in range(100):
        levels = swing(40, seed)
        levels[12:26] *= ratio
        jumps = found_in(levels)
        found += [jump.n_before for jump in jumps] == [12, 26]
        assert {jump.n_before for jump in jumps} <= {12, 26}
        for jump in jumps:
            expected = ratio if jump.n_before == 12 else 1.0 / ratio
            assert jump.after / jump.before == pytest.approx(expected, rel=0.1)
            assert 0.0 <= jump.p_value < 0.002
    assert found >= 90, found


def test_a_jump_in_the_middle_of_a_block_is_found() -> None:
    found = 0
    for seed in range(100):
        levels = swing(40, seed)
        levels[20] *= 1.15
        levels[21:] *= 1.3
        jumps = found_in(levels)
        found += len(jumps) == 1 and jumps[0].n_before in (20, 21)
    assert found >= 80, found


@pytest.mark.parametrize("n", [11, 20, 40, 300])
def test_a_swing_alone_has_no_jump(n: int) -> None:
    assert sum(bool(found_in(swing(n, seed))) for seed in range(200)) <= 1


def test_what_does_not_stay_is_no_jump() -> None:
    for seed in range(50):
        levels = swing(40, seed)
        levels[20:24] *= 1.5
        assert found_in(levels) == (), seed


def test_neither_a_small_step_nor_one_next_to_an_end_is_told() -> None:
    small = 10.0 + 0.001 * np.random.default_rng(1).standard_normal(40)
    small[20:] *= 1.04
    assert found_in(small) == ()
    late = swing(40, 2)
    late[36:] *= 1.5
    assert found_in(late) == ()


@pytest.mark.parametrize("values", [[8.0], [8.0] * 9, [8.0] * 50, [8.0, 9.0] * 30, [16.0] * 30 + [17.0] * 10])
def test_series_without_a_scale_have_no_jump(values: list[float]) -> None:
    assert found_in(np.array(values)) == ()


@settings(max_examples=30, deadline=None)
@given(st.floats(0.01, 1000.0), st.integers(0, 1000))
def test_the_unit_changes_nothing_and_the_other_way_round_is_the_other_way_round(factor: float, seed: int) -> None:
    levels = swing(40, seed)
    levels[15:] *= 1.3
    jumps = found_in(levels)
    assert [jump.n_before for jump in found_in(levels * factor)] == [jump.n_before for jump in jumps]
    # A jump in the middle of a block is counted before it, on the way back after it.
    back = [40 - jump.n_before for jump in found_in(levels[::-1])][::-1]
    assert back == pytest.approx([jump.n_before for jump in jumps], abs=1)


@pytest.mark.parametrize("coefficient", [0.0, 0.3, 0.7, 0.9, 0.97, 1.0])
def test_noise_that_wanders_from_block_to_block_jumps_in_fewer_than_one_of_a_hundred(coefficient: float) -> None:
    """With scatters of 5 % and 15 %; the stated rate is 1 in 100 at every length, chance alone takes that to 2."""
    for n in (20, 30, 60):
        claims = 0
        for seed in range(400):
            generator = np.random.default_rng(seed)
            wander = np.cumsum(generator.standard_normal(n)) / 3.0
            noise = wander if coefficient == 1.0 else autocorrelated(n, coefficient, generator)
            claims += bool(found_in(8.0 * np.exp((0.05 if seed % 2 else 0.15) * noise)))
        assert claims <= 8, (n, claims)


def test_a_drifting_run_has_no_jump() -> None:
    for seed in range(5):
        times_ms = clean_ms(7200, seed)
        drift = run_of(times_ms * np.linspace(1.0, 1.3, 7200)).drift
        assert drift.is_drift
        assert drift.changes == ()


def test_the_spoiled_run_of_the_demo_is_told_and_no_other_run() -> None:
    """A background task slows that run down by a factor of 1.24 (frametime/demo/scenario.py).

    Its times are read off the log: frames of 10.5 ms give way to such of 13 ms, and 12 ms to 9.6 ms.
    """
    spoiled = CAPTURES / "brae-70" / "orchard" / "1440p" / "run2.csv.gz"
    for path in sorted(CAPTURES.glob("*/*/*/run?.csv.gz")):
        series = FrameSeries.of(read_capture(path), MeasureOptions())
        steps = [change for change in series.drift.changes if change.kind == "level"]
        if path != spoiled:
            assert steps == [], path
            continue
        assert [change.time_s for change in steps] == pytest.approx([9.02, 22.21], abs=0.02)
        assert [change.after_ms / change.before_ms for change in steps] == pytest.approx([1.24, 1 / 1.24], rel=0.03)
        assert "% slower after 9.0 s" in series.drift.sentence
