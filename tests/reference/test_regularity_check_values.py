"""Trend, change, spectrum, block length and refresh rates against published numbers and reference libraries."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from frametime.metrics.drift.change_points import ChangeRule, best_split, find_change_points, pettitt
from frametime.metrics.drift.trend import (
    average_ranks,
    kendall_score,
    pairwise_slopes,
    slope_interval,
    theil_sen_slope,
    variance_inflation,
)
from frametime.metrics.options import parse_refresh
from frametime.metrics.rhythm.rhythm import even_powers

DATA = Path(__file__).parent / "data"


def nile() -> np.ndarray:
    return np.loadtxt(DATA / "nile.csv", delimiter=",", skiprows=1)[:, 1]


def lew() -> np.ndarray:
    return np.loadtxt(DATA / "nist_strd" / "Lew.csv", skiprows=1)


# ---- Trend


def test_slope_and_score_of_the_worked_example() -> None:
    """Hollander, Wolfe and Chicken, Nonparametric Statistical Methods, example 9.1: C = -6, slope -0.05625."""
    levels = np.array([1.26, 1.27, 1.12, 1.16, 1.03])
    assert kendall_score(levels)[0] == -6.0
    assert theil_sen_slope(np.arange(1.0, 6.0), levels) == pytest.approx(-0.05625, abs=1e-12)


def test_score_of_the_tuna_example() -> None:
    """Hollander and Wolfe 1973, 187f (R, stats-Ex.Rout.save): 26 concordant of 36 pairs, so S = 16."""
    lightness = np.array([44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1])
    scores = np.array([2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8])
    assert kendall_score(scores[np.argsort(lightness)])[0] == 2 * 26 - 36


@pytest.mark.parametrize("decimals", [1, 6])
def test_score_variance_and_p_value_as_in_pymannkendall(decimals: int) -> None:
    import pymannkendall

    values = np.round(np.random.default_rng(5).standard_normal(40), decimals)
    expected = pymannkendall.original_test(values)
    score, variance = kendall_score(values)
    assert (score, variance) == pytest.approx((expected.s, expected.var_s), rel=1e-12)


def test_correction_for_autocorrelation_as_in_pymannkendall() -> None:
    """Hamed and Rao 1998. Where a first-order process asks for more than the sample shows, more is taken."""
    import pymannkendall

    generator = np.random.default_rng(11)
    compared = 0
    for _ in range(20):
        values = np.cumsum(generator.standard_normal(80)) * 0.1 + generator.standard_normal(80)
        expected = pymannkendall.hamed_rao_modification_test(values)
        score, variance = kendall_score(values)
        variance *= variance_inflation(values - theil_sen_slope(np.arange(80.0), values) * np.arange(80.0))
        assert score == expected.s
        assert variance >= expected.var_s * (1 - 1e-9)
        compared += variance == pytest.approx(expected.var_s, rel=1e-9)
    assert compared >= 2


def test_theil_sen_slope_and_interval_as_in_scipy() -> None:
    generator = np.random.default_rng(7)
    times = np.sort(generator.uniform(0, 60, 50))
    levels = 8.0 + 0.01 * times + generator.standard_normal(50)
    expected = scipy.stats.theilslopes(levels, times, alpha=0.95)
    slopes = pairwise_slopes(times, levels)
    low, high = slope_interval(slopes, score_variance=kendall_score(levels)[1], normal_factor=1.959963984540054)
    assert np.median(slopes) == pytest.approx(expected.slope, rel=1e-12)
    # scipy rounds the ranks to whole ones; here they are interpolated.
    place = np.searchsorted(slopes, [expected.low_slope, expected.high_slope])
    assert slopes[place[0] - 2] <= low <= slopes[place[0] + 2]
    assert slopes[place[1] - 2] <= high <= slopes[place[1] + 2]


def test_average_ranks_as_in_scipy() -> None:
    values = np.random.default_rng(8).integers(0, 9, 50).astype(float)
    assert np.array_equal(average_ranks(values), scipy.stats.rankdata(values))


# ---- Change points


def test_the_nile_changes_after_1898() -> None:
    """Cobb 1978; R package strucchange: one break after observation 28."""
    _, split, p_value = pettitt(nile())
    assert split == 28
    assert p_value < 1e-6
    found = find_change_points(nile(), ChangeRule(significance=0.01, max_changes=4))
    assert [point.n_before for point in found] == [28]


def test_the_split_of_least_squares_is_that_of_the_nile() -> None:
    """strucchange: residual sums of squares 2835157 without and 1597457 with the break after observation 28."""
    values = nile()
    split = best_split(values, float(np.median(values[:28])), float(np.median(values[28:])))
    assert split == 28
    assert np.var(values) * values.size == pytest.approx(2835157, abs=0.5)
    parts = np.var(values[:split]) * split + np.var(values[split:]) * (values.size - split)
    assert parts == pytest.approx(1597457, abs=0.5)


def test_change_points_as_in_ruptures() -> None:
    ruptures = pytest.importorskip("ruptures")
    generator = np.random.default_rng(4)
    levels = np.concatenate((np.full(40, 8.0), np.full(30, 8.8), np.full(50, 8.2))) + 0.1 * generator.standard_normal(
        120
    )
    expected = ruptures.Binseg(model="l2").fit(levels).predict(n_bkps=2)[:-1]
    found = find_change_points(levels, ChangeRule())
    assert [point.n_before for point in found] == expected == [40, 70]


# ---- Spectrum


def test_on_an_even_grid_the_power_is_the_classical_periodogram() -> None:
    """Scargle 1982; NIST Lew: the largest bin of 200 is number 60 (frequency 0.3)."""
    values = lew()
    times = np.arange(float(values.size))
    power = even_powers(times, values, grid_step=0.25, n_padded=800)[:99]
    expected = np.abs(np.fft.rfft(values - values.mean())[1:100]) ** 2 / values.size
    assert int(np.argmax(power)) + 1 == 60
    # The line is drawn to the last value and not on to the first, which costs a part in the number of values.
    assert np.max(np.abs(power - expected)) < 0.02 * expected.max()


def test_power_of_a_sine_is_n_times_its_squared_amplitude_over_four() -> None:
    times = np.arange(240.0)
    power = even_powers(times, 3 * np.sin(2 * np.pi * 17 * times / 240), grid_step=0.25, n_padded=960)
    assert power[16] == pytest.approx(540.0, rel=1e-2)


def test_power_of_uneven_times_as_in_astropy() -> None:
    from astropy.timeseries import LombScargle

    generator = np.random.default_rng(6)
    times = np.cumsum(generator.gamma(20.0, 8.0 / 20.0 / 1000.0, 3000))
    values = generator.standard_normal(3000) + 0.5 * np.sin(2 * np.pi * 17.3 * times)
    grid_step, n_padded = 0.002, 1 << 15
    frequency_step = 1.0 / (grid_step * n_padded)
    power = even_powers(times, values, grid_step=grid_step, n_padded=n_padded)
    places = np.arange(0, power.size // 2, 7)
    reference = LombScargle(
        times, values - values.mean(), fit_mean=False, center_data=False, normalization="psd"
    ).power((places + 1) * frequency_step, method="slow")
    # Values that scatter by more than a fifth in time are laid on an even grid along straight lines: that costs a part
    # of each bin, more at higher frequencies, and hardly anything of the line or of the mean power.
    assert power[places].max() == pytest.approx(reference.max(), rel=0.1)
    assert power[places].mean() == pytest.approx(reference.mean(), rel=0.1)
    assert np.corrcoef(np.log(power[places]), np.log(reference))[0, 1] > 0.9


# ---- Refresh rates


@pytest.mark.parametrize(
    ("text", "numerator", "decimal"),
    [
        ("23.976", 24000, 23.976023976),
        ("29.97", 30000, 29.97002997),
        ("59.94", 60000, 59.94005994),
        ("119.88", 120000, 119.88011988),
    ],
)
def test_rates_of_the_1001_families(text: str, numerator: int, decimal: float) -> None:
    """SMPTE ST 274, CTA-861: N x 1000/1001, exact."""
    rate_hz = parse_refresh(text).low_hz
    assert rate_hz == Fraction(numerator, 1001)
    assert float(rate_hz) == pytest.approx(decimal, rel=1e-9)


def test_rates_of_the_display_monitor_timings() -> None:
    """VESA DMT 1.0 rev 13: rates to six decimals from reference prints."""
    with (DATA / "vesa_dmt.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["published_hz_6dp"]]
    assert len(rows) > 5
    for row in rows:
        rate_hz = parse_refresh(f"{row['pixel_clock_hz']}/{row['h_total']}/{row['v_total']}").low_hz
        assert float(rate_hz) == pytest.approx(float(row["published_hz_6dp"]), abs=5.1e-7), row["dmt_id"]


def test_rate_of_a_coordinated_video_timing() -> None:
    """VESA CVT, 1920 x 1080 at nominally 60 Hz: 173 MHz over 2576 x 1120 is 59.96 Hz."""
    assert float(parse_refresh("173000000/2576/1120").low_hz) == pytest.approx(59.96, abs=0.0051)
