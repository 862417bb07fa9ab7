"""Search for the lattice that hitches keep to: beats of one period, some of them missing, with strays between them.

The problem is that of B. M. Sadler and S. D. Casey, "On periodic pulse interval analysis with outliers and missing
observations", IEEE Transactions on Signal Processing 46, 1998, 2990-3002 (from memory). What decides is a likelihood:
each beat has a hitch with probability p, within a window around it; strays come at a constant rate (Poisson process;
D. J. Daley and D. Vere-Jones, An Introduction to the Theory of Point Processes, 2003, chapter 7, from memory).
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.statistics.distributions import chi_squared_tail

LEAST_CHANCE: Final = sys.float_info.min
"""A chance that is too small for a number is told as this one: it is never 0, and it has a logarithm."""


class PeriodRule(NamedTuple):
    """When hitches are said to recur. Common practice, no source, except for the likelihood and the statistic.

    Attributes
    ----------
    significance : float
        Chance of a false claim that is accepted.
    min_hitches : int
        So many hitches must keep to the beat: any two times have a period, and three fit one by chance too often.
    min_share : float
        Least share of the beats that have a hitch, from the first to the last of them.
    min_span : float
        These must lie so far apart, as a share of the time between the first and the last hitch of all: the even steps
        of one burst are no recurrence.
    shortest_frames, longest_share : float
        Periods from so many median frames to this share of a run.
    widest : float
        Half width of the widest window around a beat, as a share of the period; narrower ones are halves of it.
    level : float
        Confidence level of the intervals.
    max_hitches : int
        Of a run with more the part that has so many is looked at: that bounds the cost.
    octave_bonus : float
        By how much less evidence a lattice of twice the period is preferred.
    log_chance_at_0 : float
        Logarithm of the chance that random times reach an evidence of 0, see `Lattice`; from simulations.
    """

    significance: float = 0.01
    min_hitches: int = 4
    min_share: float = 0.25
    min_span: float = 0.3
    shortest_frames: float = 3.0
    longest_share: float = 1.0 / 3.0
    widest: float = 0.2
    level: float = 0.95
    max_hitches: int = 4096
    octave_bonus: float = 1.0
    log_chance_at_0: float = -2.0


RULE: Final = PeriodRule()

_HARMONICS: Final = 8
_PADDED: Final = 2
_PER_OCTAVE: Final = 3
_PROPOSED: Final = 6
_FAR_BELOW: Final = 8.0
_HOPELESS: Final = -5.0
_RELATED: Final = (0.5, 1.0 / 3.0, 2.0)
_MOST_MULTIPLES: Final = 64
_SPREAD: Final = 0.5 * (math.sqrt(5.0) - 1.0)


class Times(NamedTuple):
    """When the hitches of one run began (s, rising), how long the run is (s), and its median frame (s)."""

    starts_s: NDArray[np.float64]
    run_s: float
    frame_s: float

    def spread(self) -> NDArray[np.float64]:
        """The starts, each moved within a median frame: frames of equal length are no period of the hitches.

        By multiples of the golden section, which fill the frame evenly and follow no beat.
        """
        moves = np.arange(1, self.starts_s.size + 1) * _SPREAD % 1.0 - 0.5
        return np.clip(self.starts_s + moves * self.frame_s, 0.0, self.run_s)


class Lattice(NamedTuple):
    """Beats of one period in one or several runs.

    Attributes
    ----------
    period_s, half_s : float
        Period, and half width of the window around each beat.
    beats : tuple of ndarray of int64
        For each run the number of the beat of each hitch that keeps to it.
    places : tuple of ndarray of int64
        For each run which of its hitches these are: one for each beat that has any.
    evidence : float
        Logarithm of the likelihood ratio against random times, less that of the number of lattices that could be told
        apart. Divided by that number, the best ratio is below an e-value, so random times reach exp(evidence) with a
        chance of exp(-evidence) at most (Markov's inequality; V. Vovk and R. Wang, E-values, Annals of Statistics 49,
        2021, from memory).
    """

    period_s: float
    half_s: float
    beats: tuple[NDArray[np.int64], ...]
    places: tuple[NDArray[np.int64], ...]
    evidence: float

    @property
    def n_following(self) -> int:
        """Beats that have a hitch."""
        return sum(each.size for each in self.beats)


def best_lattice(runs: Sequence[Times]) -> Lattice | None:
    """The lattice of the greatest evidence, whether or not it is significant; ``None`` where no period can be searched.

    Periods are proposed by the summed power of up to eight harmonics of the train of hitches (the Z-squared statistic
    of R. Buccheri et al., Astronomy and Astrophysics 128, 1983, 245-251, from memory), the strongest of each octave.
    Of a period, its parts and its multiples the likelihood takes the one that explains most; where it hardly tells
    them apart, as with a single stray halfway between two beats, the longer one.

    Parameters
    ----------
    runs : sequence of Times
        Each with a hitch or more.
    """
    search = _Search([run._replace(starts_s=run.spread()) for run in runs])
    lattices = [search.near(period_s) for period_s in search.proposed_periods()]
    best = max((each for each in lattices if each is not None), key=lambda each: each.evidence, default=None)
    if best is None or best.evidence < _HOPELESS:
        return best
    related = [search.near(factor * best.period_s) for factor in (*_RELATED, *_multiples(best))]
    chosen = max(
        (best, *(each for each in related if each is not None)),
        key=lambda each: each.evidence + RULE.octave_bonus * math.log2(each.period_s),
    )
    return _with_all_that_keep_to_it(runs, chosen)


def _with_all_that_keep_to_it(runs: Sequence[Times], lattice: Lattice) -> Lattice:
    """The lattice with the hitches that its windows hold where they were before they were moved.

    The window is as wide as three standard deviations of those found first, where that is wider: the likelihood cuts
    off the ends of a spread that it can do without.
    """
    followed = [
        run.starts_s[at] - lattice.period_s * beats
        for run, beats, at in zip(runs, lattice.beats, lattice.places, strict=True)
    ]
    scatter_s = math.sqrt(sum(float(each.var()) * each.size for each in followed if each.size) / lattice.n_following)
    half_s = max(lattice.half_s + 0.5 * max(run.frame_s for run in runs), 3.0 * scatter_s)
    half_s = max(min(half_s, RULE.widest * lattice.period_s), lattice.half_s)
    beats, places = [], []
    for run, each in zip(runs, followed, strict=True):
        turns = (run.starts_s - float(each.mean())) / lattice.period_s
        numbers = np.rint(turns)
        off_s = np.abs(turns - numbers) * lattice.period_s
        near = np.flatnonzero(off_s <= half_s)
        # The nearest to each beat.
        near = near[np.lexsort((off_s[near], numbers[near]))]
        near = near[np.diff(numbers[near], prepend=-math.inf) > 0.0]
        beats.append(numbers[near].astype(np.int64))
        places.append(near)
    return lattice._replace(half_s=half_s, beats=tuple(beats), places=tuple(places))


def _multiples(lattice: Lattice) -> list[int]:
    """By what multiples of the period most of the hitches keep to a lattice, too: the two that leave out fewest."""
    multiples = np.arange(3, _MOST_MULTIPLES)
    rows = np.arange(multiples.size)[:, None] * _MOST_MULTIPLES
    ranks = 0.5 * np.log2(multiples)
    for beats in lattice.beats:
        if beats.size:
            counts = np.bincount((beats % multiples[:, None] + rows).ravel(), minlength=rows.size * _MOST_MULTIPLES)
            ranks += counts.reshape(rows.size, _MOST_MULTIPLES).max(axis=1)
    return [int(multiple) for multiple in multiples[np.argsort(ranks, kind="stable")[-2:]]]


class _Search:
    """What is the same for every period of a search.

    Periods are so long that a lattice over half of the run has the least share of its beats; that bounds the cost.
    """

    def __init__(self, runs: Sequence[Times]) -> None:
        self.runs = runs
        self.ranks = [np.arange(run.starts_s.size) for run in runs]
        self.n_hitches = sum(run.starts_s.size for run in runs)
        self.total_s = sum(run.run_s for run in runs)
        self.run_s = max((run.run_s for run in runs), default=0.0)
        self.frame_s = max((run.frame_s for run in runs), default=math.inf)
        spanned_s = sum(float(run.starts_s[-1] - run.starts_s[0]) for run in runs)
        self.shortest_s = 0.99 * max(
            RULE.shortest_frames * self.frame_s, 0.5 * RULE.min_share * spanned_s / max(self.n_hitches, 1)
        )
        self.longest_s = RULE.longest_share * self.run_s
        self.log_octaves = math.log(max(math.log2(max(self.longest_s / self.shortest_s, 1.0)), 0.0) + 1.0)

    def proposed_periods(self) -> list[float]:
        """The most promising periods: the strongest, and of those half as strong the longest."""
        if not self.shortest_s < self.longest_s or self.n_hitches < RULE.min_hitches:
            return []
        found: list[tuple[float, float]] = []
        n_frequencies = 0
        # Fine enough for the highest harmonic of the shortest period, and not finer than half a frame.
        cell_s = max(self.shortest_s / (2.0 * _HARMONICS), 0.5 * self.frame_s)
        n_padded = 1 << math.ceil(math.log2(_PADDED * self.run_s / cell_s))
        # The last places are those of harmonics that rounding carries beyond the fastest.
        powers = np.zeros(n_padded // 2 + 1 + 2 * _HARMONICS)
        for run in self.runs:
            counts = np.bincount((run.starts_s / cell_s).astype(np.int64), minlength=n_padded)[:n_padded]
            turned = np.fft.rfft(counts)
            powers[: turned.size] += (turned.real**2 + turned.imag**2) * (2.0 / run.starts_s.size)
        step_hz = 1.0 / (n_padded * cell_s)
        low_hz, fastest_hz = 1.0 / self.longest_s, 1.0 / self.shortest_s
        while low_hz < fastest_hz:
            high_hz = min(2.0 * low_hz, fastest_hz)
            n_harmonics = _HARMONICS
            while n_harmonics > 1 and 2.0 * n_harmonics * high_hz * cell_s > 1.0:
                n_harmonics //= 2
            shift = n_harmonics.bit_length() - 1
            # The grid of the fundamental is so fine that the highest harmonic misses no peak.
            first, last = int(low_hz * n_harmonics / step_hz), math.ceil(high_hz * n_harmonics / step_hz)
            places = np.arange(first, last + 1)
            harmonics = np.arange(1, n_harmonics + 1)[:, None]
            sums = powers[(places * harmonics + n_harmonics // 2) >> shift].sum(axis=0)
            n_frequencies += places.size
            for place in peaks(sums, _PER_OCTAVE, apart=2 * _PADDED):
                chance = chi_squared_tail(float(sums[place]), n_harmonics * len(self.runs))
                strength = -math.log(max(chance, LEAST_CHANCE))
                # What random times exceed somewhere is not promising, and lower peaks are less so.
                if strength <= math.log(n_frequencies):
                    break
                found.append((strength, n_harmonics / (step_hz * (first + place))))
            low_hz *= 2.0
        # Parts of a period do as well as the period itself.
        found = sorted((each for each in found if each[0] > math.log(n_frequencies)), reverse=True)
        strong = [period_s for strength, period_s in found if strength >= 0.5 * found[0][0]]
        return list(dict.fromkeys((*(period_s for _, period_s in found[:_PROPOSED]), *sorted(strong)[-_PROPOSED:])))

    def near(self, period_s: float) -> Lattice | None:
        """The lattice of the greatest evidence near a period, over windows from wide to one frame."""
        best: Lattice | None = None
        if not self.shortest_s <= period_s <= self.longest_s:
            return None
        for start in (RULE.widest, 0.25 * RULE.widest):
            refined_s, half_s = period_s, start * period_s
            while half_s >= 0.5 * self.frame_s:
                found = self.fold(refined_s, half_s)
                # A narrower window has fewer.
                if found is None or (best is not None and found.evidence < best.evidence - _FAR_BELOW):
                    break
                best = found if best is None or found.evidence > best.evidence else best
                slope_s = _slope(self.runs, found)
                if slope_s is not None and self.shortest_s <= slope_s <= self.longest_s:
                    refined_s = slope_s
                half_s *= 0.5
        return best

    def fold(self, period_s: float, half_s: float) -> Lattice | None:
        """For each run the phase at which most hitches lie in the window, and the evidence of them all."""
        width = 2.0 * half_s / period_s
        windows, beats, places = [], [], []
        for run, ranks in zip(self.runs, self.ranks, strict=True):
            turns = run.starts_s / period_s
            phases = turns % 1.0
            order = phases.argsort()
            around = phases[order]
            counts = np.concatenate((around, around + 1.0)).searchsorted(around + width, side="right") - ranks
            start = counts.argmax()
            windows.append((turns, around[start], order.take(ranks[: counts[start]] + start, mode="wrap")))
        if sum(inside.size for _, _, inside in windows) < RULE.min_hitches:
            return None
        for turns, start_phase, inside in windows:
            inside.sort()
            numbers = np.floor(turns[inside] - (start_phase - 1e-9)).astype(np.int64)
            # Of several hitches in one window the first counts: the others are strays.
            kept = np.ones(numbers.size, dtype=np.bool_)
            np.greater(numbers[1:], numbers[:-1], out=kept[1:])
            beats.append(numbers[kept])
            places.append(inside[kept])
        n_following = sum(each.size for each in beats)
        if n_following < RULE.min_hitches:
            return None
        evidence = self.log_likelihood_ratio(n_following, period_s, width) - self.log_lattices(period_s, half_s)
        return Lattice(period_s, half_s, tuple(beats), tuple(places), evidence)

    def log_likelihood_ratio(self, n_following: int, period_s: float, width: float) -> float:
        """Logarithm of the greatest likelihood with a lattice over that of random times.

        With p the share of the beats that have a hitch, a density of p over the window for each of these, 1 - p for
        each other beat, and a constant rate of strays.
        """
        n_beats = max(self.total_s / period_s, float(n_following))
        n_strays, n_empty = self.n_hitches - n_following, n_beats - n_following
        ratio = n_following * math.log(n_following / self.n_hitches / width) + n_following
        if n_strays:
            ratio += n_strays * math.log(n_strays / self.n_hitches)
        if n_empty > 0.0:
            ratio += n_empty * math.log(n_empty / n_beats)
        return ratio

    def log_lattices(self, period_s: float, half_s: float) -> float:
        """Logarithm of the number of lattices that can be told apart: octaves, windows, periods, phases, shares."""
        windows = math.log2(max(2.0 * RULE.widest * period_s / self.frame_s, 1.0)) + 1.0
        phases = len(self.runs) * math.log(period_s / (2.0 * half_s))
        periods = math.log(self.run_s / (2.0 * half_s))
        return self.log_octaves + math.log(windows) + periods + phases + 0.5 * math.log(self.run_s / period_s)


def peaks(values: NDArray[np.float64], most: int, *, apart: int) -> Iterator[int]:
    """Places of the highest values, each apart from the others, the highest first."""
    values = values.copy()
    for _ in range(most):
        place = int(values.argmax())
        if not values[place] > 0.0:
            return
        yield place
        values[max(place - apart, 0) : place + apart + 1] = 0.0


def _slope(runs: Sequence[Times], lattice: Lattice) -> float | None:
    """Least-squares slope of the times on their beats, each run with its own start."""
    products = squares = 0.0
    for run, beats, places in zip(runs, lattice.beats, lattice.places, strict=True):
        if beats.size:
            centered = beats - np.add.reduce(beats) / beats.size
            squares += float(centered @ centered)
            products += float(centered @ run.starts_s[places])
    return products / squares if squares > 0.0 else None


def chance_of(evidence: float, n_looks: int) -> float:
    """Chance that random times reach this evidence in any of so many looks (Bonferroni), at most."""
    log_chance = RULE.log_chance_at_0 - evidence + math.log(n_looks)
    return math.exp(max(min(log_chance, 0.0), math.log(LEAST_CHANCE)))
