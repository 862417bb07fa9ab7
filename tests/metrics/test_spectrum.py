"""Lines of the spectrum, their false-alarm level, and the transform below."""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_regularity import clean_ms

from frametime.metrics.rhythm.rhythm import (
    SpectrumRule,
    averaged_spectrum,
    background,
    even_powers,
    false_alarm_probability,
    lines_of,
    noise_levels,
    without_level,
)


def test_the_power_does_not_depend_on_the_unit_of_time() -> None:
    generator = np.random.default_rng(1)
    times, values = np.cumsum(generator.uniform(0.5, 1.5, 500)), generator.standard_normal(500)
    seconds = even_powers(times, values, grid_step=0.25, n_padded=4096)
    milliseconds = even_powers(times * 1000, values, grid_step=250.0, n_padded=4096)
    assert milliseconds == pytest.approx(seconds, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("n_averaged", [1, 4])
def test_the_false_alarm_level_as_simulated_with_white_noise(n_averaged: int) -> None:
    """Largest ratio of oversampled periodograms of white noise against the stated chance."""
    generator = np.random.default_rng(5)
    n, n_frequencies = 512, 512
    times = np.arange(float(n))
    highest = []
    for _ in range(300):
        powers = np.zeros(n_frequencies)
        for _ in range(n_averaged):
            powers += even_powers(times, generator.standard_normal(n), grid_step=0.25, n_padded=4096)
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
    found = background(np.arange(4000), [noise_levels(powers, 200, 1)])
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
    lines = lines_of(averaged_spectrum(times_ms + 0.04 * np.sin(2 * np.pi * 23.0 * ends_s), ends_s))
    assert lines
    assert lines[0].frequency_hz == pytest.approx(23.0, abs=0.02)
    assert lines[0].amplitude_ms == pytest.approx(0.04, rel=0.4)


def test_two_lines_are_told_apart_strongest_first() -> None:
    times_ms = clean_ms(8000, 5)
    ends_s = np.cumsum(times_ms) / 1e3
    both = 0.2 * np.sin(2 * np.pi * 30.0 * ends_s) + 0.1 * np.sin(2 * np.pi * 41.0 * ends_s)
    lines = lines_of(averaged_spectrum(times_ms + both, ends_s))
    assert [round(line.frequency_hz) for line in lines] == [30, 41]


def test_a_weak_line_is_not_told() -> None:
    times_ms = clean_ms(8000, 5)
    ends_s = np.cumsum(times_ms) / 1e3
    assert lines_of(averaged_spectrum(times_ms + 0.003 * np.sin(2 * np.pi * 30.0 * ends_s), ends_s)) == ()


def test_the_least_number_of_frames_is_a_parameter() -> None:
    times_ms = clean_ms(600, 6) + 2.0 * np.sin(2 * np.pi * 30.0 * np.cumsum(clean_ms(600, 6)) / 1e3)
    ends_s = np.cumsum(times_ms) / 1e3
    assert lines_of(averaged_spectrum(times_ms, ends_s, SpectrumRule(min_frames=601))) == ()
    assert math.isclose(lines_of(averaged_spectrum(times_ms, ends_s))[0].frequency_hz, 30.0, abs_tol=0.6)


@pytest.mark.parametrize("scatter", [0.02, 0.3])
def test_the_correction_keeps_noise_flat_and_lines_at_their_size(scatter: float) -> None:
    """Without it, half of the power is lost at 0.35 of the frame rate, five sixths at half of it."""
    generator = np.random.default_rng(8)
    times = np.cumsum(generator.lognormal(0.0, scatter, 8192))
    powers = even_powers(times, generator.standard_normal(times.size), grid_step=0.25, n_padded=1 << 16)
    sizes = [float(part.mean()) for part in np.array_split(powers, 8)]
    assert sizes == pytest.approx([1.0] * 8, abs=0.12 + scatter)
    for cycles in (0.02, 0.1, 0.2, 0.3):
        wave = even_powers(times, np.sin(2.0 * np.pi * cycles * times), grid_step=0.25, n_padded=1 << 16)
        place = int(np.argmax(wave))
        assert (place + 1) / (0.25 * (1 << 16)) == pytest.approx(cycles, abs=1e-4)
        assert 2.0 * math.sqrt(wave[place] / times.size) == pytest.approx(1.0, abs=0.1 + 0.5 * scatter)


def test_work_follows_the_number_of_frames_and_not_the_time() -> None:
    """A pause of an hour among a thousand frames: a grid in their own step would have half a million points."""
    times_ms = clean_ms(1000, 7)
    times_ms[500] = 3.6e6
    ends_s = np.cumsum(times_ms) / 1e3
    assert averaged_spectrum(times_ms, ends_s) == "the run lasts over 4 times as long as its usual frames would"
    assert lines_of(averaged_spectrum(times_ms, ends_s)) == ()


def test_of_a_long_run_the_stretch_with_a_pause_is_left_out() -> None:
    times_ms = clean_ms(40_000, 4)
    times_ms += 0.3 * np.sin(2 * np.pi * 23.0 * np.cumsum(times_ms) / 1e3)
    times_ms[100] = 3.6e6
    ends_s = np.cumsum(times_ms) / 1e3
    spectrum = averaged_spectrum(times_ms, ends_s)
    assert not isinstance(spectrum, str)
    assert spectrum.n_segments == 3
    assert lines_of(averaged_spectrum(times_ms, ends_s))[0].frequency_hz == pytest.approx(23.0, abs=0.02)


def test_no_line_is_lost_where_the_noise_is_looked_at_in_its_nearest_stretches_first() -> None:
    found = []
    for seed in range(60):
        times_ms = clean_ms(1500, seed)
        ends_s = np.cumsum(times_ms) / 1000.0
        size_ms = 0.0008 * seed
        spectrum = averaged_spectrum(times_ms + size_ms * np.sin(2 * np.pi * 23.0 * ends_s), ends_s)
        assert not isinstance(spectrum, str)
        noises = [noise_levels(spectrum.powers, width, spectrum.n_segments) for width in spectrum.widths]
        ratios = spectrum.powers / background(np.arange(spectrum.powers.size), noises)
        n_independent = (ratios.size - spectrum.first) * spectrum.span_s * spectrum.step_hz
        chance = false_alarm_probability(ratios[spectrum.first :].max(), n_independent, spectrum.n_segments)
        found.append(bool(lines_of(spectrum)))
        assert found[-1] == (chance < SpectrumRule().significance)
    assert 10 < sum(found) < 50
