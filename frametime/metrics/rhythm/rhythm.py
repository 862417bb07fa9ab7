"""Regular patterns in a run: alternating frames, recurring hitches, the strongest lines of the spectrum."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.block_medians import median, medians_between
from frametime.metrics.frame_series import FrameSeries, once_a_series
from frametime.metrics.metric import Rhythm, SpectralLine
from frametime.metrics.quality import timer_step_of
from frametime.metrics.rhythm.hitches import find_hitch_period, hitches_of, listed
from frametime.metrics.rhythm.period_search import peaks
from frametime.statistics.distributions import chi_squared_tail


class SpectrumRule(NamedTuple):
    """How lines are looked for. Common practice, no source, unless one is named.

    Attributes
    ----------
    significance : float
        False-alarm probability above which a line is not told.
    max_lines : int
    min_frames : int
        Shorter runs have no spectrum.
    segment_frames, max_segments : int
        Of long runs so many stretches of so many frames, spread evenly, are averaged: that bounds the cost.
    points_per_frame, most_uneven : int
        Points of the even grid for each median frame time. A stretch that lasts longer than so many of its median
        frames is not looked at: the points follow the number of frames, never the time that a run takes.
    oversampling : int
        Least number of frequencies for each independent one: a line between two of them would lose up to half its
        power.
    baseline_s : float
        The level is followed in blocks of this length and taken out: scene and drift are no lines.
    lowest_hz : float
        Slower rhythms are those of the scene and of recurring hitches.
    clip_scatters : float
        Frames farther than so many standard deviations (from the median absolute deviation) from the level count as
        so far: single hitches have a spectrum of their own and are told elsewhere.
    background_bins, near_bins : int
        Independent frequencies in each stretch whose median power is the background, and in each stretch of the near
        surroundings; the higher of the two counts.
    """

    significance: float = 0.01
    max_lines: int = 3
    min_frames: int = 512
    segment_frames: int = 8192
    max_segments: int = 4
    points_per_frame: int = 2
    most_uneven: int = 4
    oversampling: int = 2
    baseline_s: float = 0.5
    lowest_hz: float = 2.0
    clip_scatters: float = 5.0
    background_bins: int = 80
    near_bins: int = 20


DEFAULT_RULE = SpectrumRule()

LONGEST_RUN_S: Final = 86_400.0
SLOWEST_MEDIAN_MS: Final = 1_000.0

NO_LINE: Final = "no line stands out of the noise"


def false_alarm_probability(ratio: float, n_independent: float, n_averaged: int = 1) -> float:
    """Chance that noise alone gives a line of this strength anywhere in the searched band.

    For one periodogram R. V. Baluev, Monthly Notices of the Royal Astronomical Society 385, 2008, 1279-1285: the
    single-frequency chance exp(-z) plus W exp(-z) sqrt(z), with W = searched band times sqrt(4 pi var(t)), which for
    times spread evenly over the span T is 1.02 T times the band. The mean of K periodograms is, times K, a sum of K
    exponential variables; Rice's rate of upcrossings then has the factor s^(K - 1/2) exp(-s) / (K - 1)! at s = K z,
    which for K = 1 is Baluev's.

    Parameters
    ----------
    ratio : float
        Power over the mean power of the noise at that frequency.
    n_independent : float
        Band times span.
    n_averaged : int
        Number of periodograms in the mean.
    """
    if not ratio > 0.0:
        return 1.0
    total = n_averaged * ratio
    single = chi_squared_tail(2.0 * total, n_averaged)
    width = math.sqrt(math.pi / 3.0) * n_independent
    crossings = width * math.exp((n_averaged - 0.5) * math.log(total) - total - math.lgamma(n_averaged))
    return -math.expm1(-(single + crossings))


def without_level(
    frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64], rule: SpectrumRule = DEFAULT_RULE
) -> NDArray[np.float64]:
    """Frame times less their slowly changing level, far outliers clipped; in ms, shape (n_frames,)."""
    # Never more blocks than frames, however long these are.
    n_blocks = min(max(int((ends_s[-1] - ends_s[0]) / rule.baseline_s), 1), ends_s.size)
    marks = np.searchsorted(ends_s, ends_s[0] + np.arange(1, n_blocks) * rule.baseline_s)
    edges = np.concatenate(([0], marks, [ends_s.size]))
    edges = edges[np.diff(edges, prepend=-1) > 0]
    levels = medians_between(frame_times_ms, edges)
    middles = 0.5 * (ends_s[edges[:-1]] + ends_s[edges[1:] - 1])
    rest = frame_times_ms - np.interp(ends_s, middles, levels)
    limit = rule.clip_scatters * 1.4826 * median(np.abs(rest))
    return np.clip(rest, -limit, limit)


def background(
    places: NDArray[np.int64], noises: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]]
) -> NDArray[np.float64]:
    """Mean power of the noise at these frequencies: between the middles of the stretches of `noise_levels`.

    Of stretches of several widths the highest counts.
    """
    found = [np.interp(places, 0.5 * (edges[:-1] + edges[1:] - 1), np.log(levels)) for edges, levels in noises]
    return np.asarray(np.exp(np.maximum.reduce(found)), dtype=np.float64)


def noise_levels(
    powers: NDArray[np.float64], width: int, n_averaged: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Edges of stretches of about this width, and the mean power of the noise in each, from medians: lines do not
    count.

    After M. E. Mann and J. M. Lees, Climatic Change 33, 1996, 409-445 (robust noise background by median
    smoothing). A median is turned into a mean by the ratio of the two for a mean of exponential variables.
    """
    edges = np.linspace(0, powers.size, max(powers.size // width, 1) + 1).astype(np.int64)
    # Wilson and Hilferty 1931: median over mean of a gamma variable of shape k is close to (1 - 1 / (9 k))^3.
    to_mean = math.log(2.0) if n_averaged == 1 else (1.0 - 1.0 / (9.0 * n_averaged)) ** 3
    return edges, np.maximum(medians_between(powers, edges) / to_mean, 1e-300)


def even_powers(
    times: NDArray[np.float64], values: NDArray[np.float64], *, grid_step: float, n_padded: int
) -> NDArray[np.float64]:
    """Power of unevenly spaced values at the frequencies 1, 2, ... over ``n_padded * grid_step``.

    Up to half the mean rate of the values. They are laid on an even grid by linear interpolation, the mean taken out
    first. A line through values ``d`` apart, read at every ``h``, is what a triangle of twice that width does to them:
    it takes the amplitude at the frequency f times (sin(pi f d) / (d / h sin(pi f h)))^2, which for small h is
    sinc^2(f d) (R. N. Bracewell, The Fourier Transform and Its Applications, 1965, from memory); the power is divided
    by its square. With ``d`` the mean spacing: exact on an even grid, where the power is ``|FFT|^2 / n``; a sine of
    amplitude A has the power n A^2 / 4.

    Parameters
    ----------
    times, values : ndarray of float64, shape (n,)
        ``times`` rising.
    grid_step : float
        In units of time; below the mean spacing.
    n_padded : int
        Points of the grid, with zeros after the last value.

    Returns
    -------
    ndarray of float64
        In the square of the unit of ``values``.
    """
    n, span = times.size, float(times[-1] - times[0])
    spacing = span / (n - 1)
    grid = np.arange(times[0], times[-1] + 0.5 * grid_step, grid_step)
    transform = np.fft.rfft(np.interp(grid, times, values - values.mean()), n_padded)
    found, points = transform[1 : int(0.5 * grid_step * n_padded / spacing) + 1], spacing / grid_step
    angles = np.arange(1, found.size + 1) * (np.pi / n_padded)
    # One over the square of a sine is 1 + 1 / tan^2, and of tangents numpy works out several at once.
    lost = (1.0 + 1.0 / np.tan(points * angles) ** 2) / (1.0 + 1.0 / np.tan(angles) ** 2)
    # As many points as the values would have on the grid, each with a whole spacing of its own.
    return np.asarray((found.real**2 + found.imag**2) * (lost * lost) * (points**2 / n))


class Spectrum(NamedTuple):
    """Mean power of stretches of a run.

    ``powers`` belong to the frequencies ``step_hz``, ``2 step_hz`` and so on; lines are looked for from place ``first``
    on, in the noise of stretches of ``widths`` frequencies, the widest first. Each of ``n_segments`` stretches of the
    run has ``size`` frames and lasts about ``span_s``.
    """

    powers: NDArray[np.float64]
    widths: tuple[int, ...]
    step_hz: float
    first: int
    size: int
    n_segments: int
    span_s: float


def no_rhythm_reason(frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64]) -> str | None:
    """Why a run is not looked at for anything that recurs, ``None`` where it is; *common practice, no source*."""
    if ends_s.size and ends_s[-1] - ends_s[0] > LONGEST_RUN_S:
        return "the run lasts longer than a day"
    # Where half of the frames are that long, the run lasts half as long as if all were: most runs need no median.
    may_be_slow = ends_s.size and 1000.0 * float(ends_s[-1]) > 0.5 * SLOWEST_MEDIAN_MS * frame_times_ms.size
    if may_be_slow and median(frame_times_ms) > SLOWEST_MEDIAN_MS:
        return "half of the frames take longer than a second"
    return None


def averaged_spectrum(
    frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64], rule: SpectrumRule = DEFAULT_RULE
) -> Spectrum | str:
    """The spectrum in which lines are looked for, or the reason why there is none."""
    n = frame_times_ms.size
    if n < rule.min_frames:
        return f"fewer than {rule.min_frames} frames"
    if reason := no_rhythm_reason(frame_times_ms, ends_s):
        return reason
    size = min(n, rule.segment_frames)
    n_segments = min(rule.max_segments, n // size)
    starts = [(n - size) // 2] if n_segments == 1 else np.linspace(0, n - size, n_segments).astype(int).tolist()
    parts = [slice(start, start + size) for start in starts]
    median_s = median(np.array([median(frame_times_ms[part]) for part in parts])) / 1000.0
    spans_s = [float(ends_s[part.stop - 1] - ends_s[part.start]) for part in parts]
    longest_s = rule.most_uneven * size * median_s
    parts = [part for part, span_s in zip(parts, spans_s, strict=True) if span_s <= longest_s]
    if not parts:
        return f"the run lasts over {rule.most_uneven} times as long as its usual frames would"
    span_s = max(span_s for span_s in spans_s if span_s <= longest_s)
    grid_s = median_s / rule.points_per_frame
    needed = rule.oversampling * (span_s / grid_s + 2.0)
    # The transform is fast for lengths of small factors, and the next power of two is up to twice as long.
    n_padded = min(factor << max(math.ceil(math.log2(needed / factor)), 0) for factor in (8, 9, 10, 12, 15))
    step_hz = 1.0 / (grid_s * n_padded)
    rests = [without_level(frame_times_ms[part], ends_s[part], rule) for part in parts]
    at_s = [ends_s[part] for part in parts]
    found = [even_powers(*each, grid_step=grid_s, n_padded=n_padded) for each in zip(at_s, rests, strict=True)]
    shortest = min(each.size for each in found)
    powers = np.mean([each[:shortest] for each in found], axis=0)
    first = max(math.ceil(rule.lowest_hz / step_hz), 1) - 1
    per_independent = 1.0 / (span_s * step_hz)
    if powers.size - first < 2 * rule.background_bins * per_independent or not powers.any():
        return NO_LINE
    # A steep part of the noise spectrum is no line: it must stand out of the near surroundings as well.
    widths = round(rule.background_bins * per_independent), round(rule.near_bins * per_independent)
    return Spectrum(powers, widths, step_hz, first, size, n_segments=len(parts), span_s=span_s)


@once_a_series
def spectrum_of(series: FrameSeries) -> Spectrum | str:
    """`averaged_spectrum` of a run by the usual rule."""
    return averaged_spectrum(series.frame_times_ms, series.ends_s)


def lines_of(spectrum: Spectrum | str, rule: SpectrumRule = DEFAULT_RULE) -> tuple[SpectralLine, ...]:
    """The strongest significant lines, strongest first; none where there is a reason instead of a spectrum."""
    if isinstance(spectrum, str):
        return ()
    powers, n_averaged = spectrum.powers, spectrum.n_segments
    per_independent = 1.0 / (spectrum.span_s * spectrum.step_hz)
    n_independent = (powers.size - spectrum.first) / per_independent
    chance_of = partial(false_alarm_probability, n_independent=n_independent, n_averaged=n_averaged)
    noises = [noise_levels(powers, width, n_averaged) for width in spectrum.widths]
    ratios = powers / background(np.arange(powers.size), noises)
    ratios[: spectrum.first] = 0.0
    lines = []
    for place in peaks(ratios, rule.max_lines, apart=int(4.0 * per_independent)):
        if (chance := chance_of(float(ratios[place]))) < rule.significance:
            amplitude_ms = 2.0 * math.sqrt(float(powers[place]) / spectrum.size)
            lines.append(SpectralLine((place + 1) * spectrum.step_hz, amplitude_ms, false_alarm_probability=chance))
    return tuple(sorted(lines, key=lambda line: -line.amplitude_ms))


class AlternationRule(NamedTuple):
    """When frames are said to alternate. Common practice, no source.

    Attributes
    ----------
    min_step_fraction : float
        Each frame must differ from the one before by this share of their mean.
    min_frames : int
        So many frames in a row must be alternately longer and shorter. Independent frames do that 24 times in a row
        once in about 50 000 frames (the chance falls by 2 / pi with each frame: D. André, Comptes rendus 88, 1879,
        alternating permutations), and only where they scatter by more than the step asked for.
    """

    min_step_fraction: float = 0.05
    min_frames: int = 24


RULE: Final = AlternationRule()
_AT_ONCE: Final = 1 << 16
"""Frames whose steps are worked on together: they stay in the processor's cache."""


@once_a_series
def rhythm_of(series: FrameSeries) -> Rhythm:
    """Alternation, period of the hitches, and strongest lines of a run.

    ``hitch_period_reason`` says why there is no period; it is ``None`` when there is one.
    """
    fraction, size_ms = alternation(series.frame_times_ms, timer_ms=timer_step_of(series))
    unlooked = reason = no_rhythm_reason(series.frame_times_ms, series.ends_s)
    period = None
    if reason is None:
        period, reason = find_hitch_period([hitches_of(series)])
    lines, hitches = lines_of(spectrum_of(series)), listed(hitches_of(series))
    return Rhythm(fraction, size_ms, period, reason, lines, hitches, unlooked_reason=unlooked)


def alternating_runs(
    frame_times_ms: NDArray[np.float64], *, timer_ms: float = 0.0
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last frame of each run of alternating frames: each large step up is followed by a large step down.

    A step of one step of a coarse timer is not large: 4.5 ms is seen as 4, 5, 4, 5.
    """
    turns = np.zeros(frame_times_ms.size, dtype=np.bool_)
    for start in range(0, frame_times_ms.size - 2, _AT_ONCE):
        part_ms = frame_times_ms[start : start + _AT_ONCE + 2]
        steps_ms, sums_ms = np.diff(part_ms), part_ms[1:] + part_ms[:-1]
        large = np.abs(steps_ms) >= np.maximum(0.5 * RULE.min_step_fraction * sums_ms, 1.5 * timer_ms)
        is_turn = large[1:] & large[:-1] & ((steps_ms[1:] > 0.0) != (steps_ms[:-1] > 0.0))
        turns[start + 1 : start + 1 + is_turn.size] = is_turn
    edges = np.flatnonzero(turns[1:] != turns[:-1])
    # A run of k turns joins k + 1 steps, so k + 2 frames.
    first, last = edges[::2], edges[1::2] + 1
    kept = last - first + 1 >= RULE.min_frames
    return first[kept], last[kept]


def inside_runs(first: NDArray[np.int64], last: NDArray[np.int64], n: int) -> NDArray[np.bool_]:
    """Which of ``n`` places lie in the runs from ``first`` to ``last``, both ends included."""
    marks = np.zeros(n + 1, dtype=np.int8)
    np.add.at(marks, first, 1)
    np.add.at(marks, last + 1, -1)
    return np.asarray(np.cumsum(marks, out=marks)[:-1] > 0)


def alternation(frame_times_ms: NDArray[np.float64], *, timer_ms: float = 0.0) -> tuple[float, float | None]:
    """Share of the frames that alternate between short and long, and by how much.

    Parameters
    ----------
    frame_times_ms : ndarray of float64, shape (n_frames,)
    timer_ms : float
        Step of a coarse timer.

    Returns
    -------
    fraction : float
        Of all frames.
    size_ms : float or None
        Median absolute step from frame to frame there; ``None`` when no frames alternate.

    Examples
    --------
    >>> alternation(np.array([8.0, 10.0] * 50))
    (1.0, 2.0)
    >>> alternation(np.full(100, 9.0))
    (0.0, None)
    """
    first, last = alternating_runs(frame_times_ms, timer_ms=timer_ms)
    n_alternating = int(np.sum(last - first + 1))
    if n_alternating == 0:
        return 0.0, None
    # The steps between the frames of a run: one fewer than its frames.
    inside = inside_runs(first, last - 1, frame_times_ms.size - 1)
    return min(1.0, n_alternating / frame_times_ms.size), median(np.abs(np.diff(frame_times_ms)[inside]))
