"""The strongest lines in the spectrum of the frame times, with the chance that noise makes such a line."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.distinct import distinct
from frametime.metrics.findings import SpectralLine
from frametime.metrics.lomb_scargle import lomb_scargle
from frametime.metrics.medians import median, medians_between
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
    oversampling : int
        Frequencies looked at for each independent one: a line between two of them would lose up to half its power.
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
    oversampling: int = 2
    baseline_s: float = 0.5
    lowest_hz: float = 2.0
    clip_scatters: float = 5.0
    background_bins: int = 80
    near_bins: int = 20


DEFAULT_RULE = SpectrumRule()


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
    n_blocks = max(int((ends_s[-1] - ends_s[0]) / rule.baseline_s), 1)
    marks = np.searchsorted(ends_s, ends_s[0] + np.arange(1, n_blocks) * rule.baseline_s)
    edges = distinct(np.concatenate(([0], marks, [ends_s.size])))
    levels = medians_between(frame_times_ms, edges)
    middles = 0.5 * (ends_s[edges[:-1]] + ends_s[edges[1:] - 1])
    rest = frame_times_ms - np.interp(ends_s, middles, levels)
    scatter = 1.4826 * median(np.abs(rest))
    limit = rule.clip_scatters * scatter
    return np.clip(rest, -limit, limit)


def background(powers: NDArray[np.float64], width: int, n_averaged: int) -> NDArray[np.float64]:
    """Mean power of the noise around each frequency, from medians, so that lines do not count.

    After M. E. Mann and J. M. Lees, Climatic Change 33, 1996, 409-445 (robust noise background by median
    smoothing). A median is turned into a mean by the ratio of the two for a mean of exponential variables.
    """
    n_stretches = max(powers.size // width, 1)
    edges = np.linspace(0, powers.size, n_stretches + 1).astype(np.int64)
    # Wilson and Hilferty 1931: median over mean of a gamma variable of shape k is close to (1 - 1 / (9 k))^3.
    to_mean = math.log(2.0) if n_averaged == 1 else (1.0 - 1.0 / (9.0 * n_averaged)) ** 3
    levels = np.maximum(medians_between(powers, edges) / to_mean, 1e-300)
    middles = 0.5 * (edges[:-1] + edges[1:] - 1)
    return np.asarray(np.exp(np.interp(np.arange(powers.size), middles, np.log(levels))), dtype=np.float64)


class Spectrum(NamedTuple):
    """Mean Lomb-Scargle power of stretches of a run, and the noise around each frequency.

    ``powers`` and ``noise`` belong to the frequencies ``step_hz``, ``2 step_hz`` and so on; lines are looked for from
    place ``first`` on. Each of ``n_segments`` stretches has ``size`` frames and lasts about ``span_s``.
    """

    powers: NDArray[np.float64]
    noise: NDArray[np.float64]
    step_hz: float
    first: int
    size: int
    n_segments: int
    span_s: float


def averaged_spectrum(
    frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64], rule: SpectrumRule = DEFAULT_RULE
) -> Spectrum | None:
    """The spectrum in which lines are looked for; ``None`` when the run is short or even."""
    n = frame_times_ms.size
    if n < rule.min_frames:
        return None
    size = min(n, rule.segment_frames)
    n_segments = min(rule.max_segments, n // size)
    starts = [(n - size) // 2] if n_segments == 1 else np.linspace(0, n - size, n_segments).astype(int).tolist()
    span_s = max(float(ends_s[start + size - 1] - ends_s[start]) for start in starts)
    step_hz = 1.0 / (rule.oversampling * span_s)
    highest_hz = 0.5 * (size - 1) / span_s
    n_frequencies = int(highest_hz / step_hz)
    powers = np.zeros(n_frequencies)
    for start in starts:
        part = slice(start, start + size)
        rest_ms = without_level(frame_times_ms[part], ends_s[part], rule)
        powers += lomb_scargle(ends_s[part], rest_ms, frequency_step=step_hz, n_frequencies=n_frequencies)
    powers /= n_segments
    first = max(math.ceil(rule.lowest_hz / step_hz), 1) - 1
    if n_frequencies - first < 4 * rule.background_bins or not powers.any():
        return None
    # A steep part of the noise spectrum is no line: it must stand out of the near surroundings as well.
    noise = np.maximum(
        background(powers, rule.background_bins * rule.oversampling, n_segments),
        background(powers, rule.near_bins * rule.oversampling, n_segments),
    )
    return Spectrum(
        powers=powers,
        noise=noise,
        step_hz=step_hz,
        first=first,
        size=size,
        n_segments=n_segments,
        span_s=span_s,
    )


def find_lines(
    frame_times_ms: NDArray[np.float64], ends_s: NDArray[np.float64], rule: SpectrumRule = DEFAULT_RULE
) -> tuple[SpectralLine, ...]:
    """The strongest significant lines, strongest first.

    Parameters
    ----------
    frame_times_ms, ends_s : ndarray of float64, shape (n_frames,)

    Returns
    -------
    tuple of SpectralLine
        Empty when the run is short, even, or no line stands out of the noise.
    """
    spectrum = averaged_spectrum(frame_times_ms, ends_s, rule)
    if spectrum is None:
        return ()
    ratios = spectrum.powers / spectrum.noise
    ratios[: spectrum.first] = 0.0
    n_independent = (ratios.size - spectrum.first) / rule.oversampling
    lines = []
    for place in _peaks(ratios, rule):
        chance = false_alarm_probability(float(ratios[place]), n_independent, spectrum.n_segments)
        if chance < rule.significance:
            amplitude_ms = 2.0 * math.sqrt(float(spectrum.powers[place]) / spectrum.size)
            lines.append(
                SpectralLine(
                    frequency_hz=(place + 1) * spectrum.step_hz,
                    amplitude_ms=amplitude_ms,
                    false_alarm_probability=chance,
                )
            )
    return tuple(sorted(lines, key=lambda line: -line.amplitude_ms))


def _peaks(ratios: NDArray[np.float64], rule: SpectrumRule) -> list[int]:
    """Places of the highest ratios, each farther from the others than the foot of a line is wide."""
    order = np.argsort(-ratios)[: 50 * rule.max_lines]
    apart = 4 * rule.oversampling
    places: list[int] = []
    for place in order.tolist():
        if len(places) == rule.max_lines:
            break
        if all(abs(place - other) > apart for other in places):
            places.append(place)
    return places
