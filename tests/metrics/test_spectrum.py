"""Lines of the spectrum, their false-alarm level, and the transform below."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_regularity import clean_ms

from frametime.metrics.lomb_scargle import fast_length, lomb_scargle
from frametime.metrics.spectrum import SpectrumRule, background, false_alarm_probability, find_lines, without_level


@given(st.integers(1, 10**7))
def test_a_fast_length_has_no_large_factor_and_is_near(n: int) -> None:
    length = fast_length(n)
    assert n <= length <= max(2, int(n * 1.25) + 1)
    for factor in (2, 3, 5):
        while length % factor == 0:
            length //= factor
    assert length == 1


def test_a_step_between_frequencies_wider_than_one_over_the_span_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="frequency_step"):
        lomb_scargle(np.arange(100.0), np.ones(100), frequency_step=0.02, n_frequencies=10)


def test_the_power_does_not_depend_on_the_unit_of_time() -> None:
    generator = np.random.default_rng(1)
    times, values = np.cumsum(generator.uniform(0.5, 1.5, 500)), generator.standard_normal(500)
    step = 0.5 / (times[-1] - times[0])
    seconds = lomb_scargle(times, values, frequency_step=step, n_frequencies=400)
    milliseconds = lomb_scargle(times * 1000, values, frequency_step=step / 1000, n_frequencies=400)
    assert milliseconds == pytest.approx(seconds, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("n_averaged", [1, 4])
def test_the_false_alarm_level_as_simulated_with_white_noise(n_averaged: int) -> None:
    """Largest ratio of oversampled periodograms of white noise against the stated chance."""
    generator = np.random.default_rng(5)
    n, n_frequencies = 512, 500
    times = np.arange(float(n))
    highest = []
    for _ in range(300):
        powers = np.zeros(n_frequencies)
        for _ in range(n_averaged):
            powers += lomb_scargle(
                times, generator.standard_normal(n), frequency_step=0.5 / (n - 1), n_frequencies=n_frequencies
            )
        # On an even grid the power is |FFT|^2 / n: its mean is the variance of the noise.
        highest.append(float(powers.max()) / n_averaged)
    for level in (0.5, 0.9):
        chance = false_alarm_probability(float(np.quantile(highest, level)), n_frequencies / 2, n_averaged)
        # The formula looks at all frequencies, the search at two for each independent one: it errs on the safe side.
        assert 0.8 * (1 - level) < chance < 2.5 * (1 - level)


def test_the_background_ignores_a_line_and_follows_a_slope() -> None:
    generator = np.random.default_rng(2)
    shape = np.linspace(3.0, 0.5, 4000)
    powers = shape * generator.exponential(1.0, 4000)
    powers[2000] = 500.0
    found = background(powers, 200, 1)
    assert np.max(np.abs(found / shape - 1)) < 0.45
    assert found[2000] / shape[2000] == pytest.approx(1.0, abs=0.3)


def test_the_level_is_taken_out_and_hitches_are_clipped() -> None:
    times_ms = clean_ms(5000, 3) * np.linspace(1, 2, 5000)
    times_ms[2500] += 100.0
    ends_s = np.cumsum(times_ms) / 1e3
    rest = without_level(times_ms, ends_s)
    assert abs(np.median(rest[:500])) < 0.1
    assert abs(np.median(rest[-500:])) < 0.2
    assert rest[2500] < 5.1 * 1.4826 * np.median(np.abs(rest))


def test_long_runs_are_averaged_over_stretches() -> None:
    times_ms = clean_ms(60_000, 4)
    ends_s = np.cumsum(times_ms) / 1e3
    lines = find_lines(times_ms + 0.04 * np.sin(2 * np.pi * 23.0 * ends_s), ends_s)
    assert lines
    assert lines[0].frequency_hz == pytest.approx(23.0, abs=0.02)
    assert lines[0].amplitude_ms == pytest.approx(0.04, rel=0.4)


def test_two_lines_are_told_apart_strongest_first() -> None:
    times_ms = clean_ms(8000, 5)
    ends_s = np.cumsum(times_ms) / 1e3
    both = 0.2 * np.sin(2 * np.pi * 30.0 * ends_s) + 0.1 * np.sin(2 * np.pi * 41.0 * ends_s)
    lines = find_lines(times_ms + both, ends_s)
    assert [round(line.frequency_hz) for line in lines] == [30, 41]


def test_a_weak_line_is_not_told() -> None:
    times_ms = clean_ms(8000, 5)
    ends_s = np.cumsum(times_ms) / 1e3
    assert find_lines(times_ms + 0.003 * np.sin(2 * np.pi * 30.0 * ends_s), ends_s) == ()


def test_the_least_number_of_frames_is_a_parameter() -> None:
    times_ms = clean_ms(600, 6) + 2.0 * np.sin(2 * np.pi * 30.0 * np.cumsum(clean_ms(600, 6)) / 1e3)
    ends_s = np.cumsum(times_ms) / 1e3
    assert find_lines(times_ms, ends_s, SpectrumRule(min_frames=601)) == ()
    assert math.isclose(find_lines(times_ms, ends_s)[0].frequency_hz, 30.0, abs_tol=0.6)
