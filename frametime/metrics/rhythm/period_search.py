"""Search for the lattice that hitches keep to: beats of one period, some of them missing, with strays between them.

The problem is that of B. M. Sadler and S. D. Casey, "On periodic pulse interval analysis with outliers and missing
observations", IEEE Transactions on Signal Processing 46, 1998, 2990-3002 (from memory). What decides is a likelihood:
each beat has a hitch with probability p, within a window around it; strays come at a constant rate (Poisson process;
D. J. Daley and D. Vere-Jones, An Introduction to the Theory of Point Processes, 2003, chapter 7, from memory).
"""

from __future__ import annotations

import math
import sys
from bisect import bisect_right
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
_FEW: Final = 48
"""Up to so many hitches of a run are folded number by number, which takes a fraction of the time of arrays."""
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


_NOTHING: Final = Lattice(1.0, 0.0, (), (), -math.inf)
"""Where there is no lattice: less evidence than any has."""


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
    search = _Search(runs)
    nears = [search.near(period_s) for period_s in search.proposed_periods()]
    best = max(nears, key=lambda each: each.evidence, default=_NOTHING)
    if best is _NOTHING:
        return None
    lattice = search.with_beats(best)
    if best.evidence < _HOPELESS:
        return lattice
    related = [search.near(factor * best.period_s) for factor in (*_RELATED, *_multiples(lattice))]
    chosen = max((best, *related), key=lambda each: each.evidence + RULE.octave_bonus * math.log2(each.period_s))
    return _with_all_that_keep_to_it(runs, lattice if chosen is best else search.with_beats(chosen))


def _with_all_that_keep_to_it(runs: Sequence[Times], lattice: Lattice) -> Lattice:
    """The lattice with the hitches that its windows hold where they were before they were moved.

    The window is as wide as three standard deviations of those found first, where that is wider: the likelihood cuts
    off the ends of a spread that it can do without.
    """
    phases_s, beats, places, squares = [], [], [], 0.0
    for run, numbers, at in zip(runs, lattice.beats, lattice.places, strict=True):
        offsets_s = run.starts_s[at] - lattice.period_s * numbers
        phases_s.append(float(offsets_s.sum()) / offsets_s.size)
        squares += float(((offsets_s - phases_s[-1]) ** 2).sum())
    scatter_s = math.sqrt(squares / lattice.n_following)
    half_s = max(lattice.half_s + 0.5 * max(run.frame_s for run in runs), 3.0 * scatter_s)
    half_s = max(min(half_s, RULE.widest * lattice.period_s), lattice.half_s)
    for run, phase_s in zip(runs, phases_s, strict=True):
        turns = (run.starts_s - phase_s) / lattice.period_s
        nearest = np.rint(turns)
        off_s = np.abs(turns - nearest) * lattice.period_s
        near = np.flatnonzero(off_s <= half_s)
        # The nearest to each beat.
        near = near[np.lexsort((off_s[near], nearest[near]))]
        near = near[np.diff(nearest[near], prepend=-math.inf) > 0.0]
        beats.append(nearest[near].astype(np.int64))
        places.append(near)
    return lattice._replace(half_s=half_s, beats=tuple(beats), places=tuple(places))


def _multiples(lattice: Lattice) -> list[int]:
    """By what multiples of the period most of the hitches keep to a lattice, too: the two that leave out fewest."""
    multiples = np.arange(3, _MOST_MULTIPLES)
    rows = np.arange(multiples.size)[:, None] * _MOST_MULTIPLES
    ranks = 0.5 * np.log2(multiples)
    for beats in lattice.beats:
        counts = np.bincount((beats % multiples[:, None] + rows).ravel(), minlength=rows.size * _MOST_MULTIPLES)
        ranks += counts.reshape(rows.size, _MOST_MULTIPLES).max(axis=1)
    return [int(multiple) for multiple in multiples[np.argsort(ranks, kind="stable")[-2:]]]


class _Search:
    """What is the same for every period of a search.

    Periods are so long that a lattice over half of the run has the least share of its beats; that bounds the cost.
    """

    def __init__(self, runs: Sequence[Times]) -> None:
        self.starts_s = [run.spread() for run in runs]
        self.few_s = [starts_s.tolist() if starts_s.size <= _FEW else None for starts_s in self.starts_s]
        self.n_hitches = sum(starts_s.size for starts_s in self.starts_s)
        self.total_s = sum(run.run_s for run in runs)
        self.run_s = max((run.run_s for run in runs), default=0.0)
        self.frame_s = max((run.frame_s for run in runs), default=math.inf)
        spanned_s = sum(float(starts_s[-1] - starts_s[0]) for starts_s in self.starts_s)
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
        for starts_s in self.starts_s:
            counts = np.bincount((starts_s / cell_s).astype(np.int64), minlength=n_padded)[:n_padded]
            turned = np.fft.rfft(counts)
            powers[: turned.size] += (turned.real**2 + turned.imag**2) * (2.0 / starts_s.size)
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
                chance = chi_squared_tail(float(sums[place]), n_harmonics * len(self.starts_s))
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

    def near(self, period_s: float) -> Lattice:
        """The lattice of the greatest evidence near a period, over windows from wide to one frame; without beats."""
        best = _NOTHING
        if not self.shortest_s <= period_s <= self.longest_s:
            return best
        for start in (RULE.widest, 0.25 * RULE.widest):
            refined_s, half_s = period_s, start * period_s
            while half_s >= 0.5 * self.frame_s:
                evidence, slope_s = self.fold(refined_s, half_s)
                # A narrower window has fewer.
                if evidence == -math.inf or evidence < best.evidence - _FAR_BELOW:
                    break
                if evidence > best.evidence:
                    best = Lattice(refined_s, half_s, (), (), evidence)
                if self.shortest_s <= slope_s <= self.longest_s:
                    refined_s = slope_s
                half_s *= 0.5
        return best

    def fold(self, period_s: float, half_s: float) -> tuple[float, float]:
        """Evidence and slope of the lattice that in each run has the phase at which most hitches lie in the window.

        The slope is that of least squares of the times on their beats, each run with its own start; 0 if there is none.
        """
        width = 2.0 * half_s / period_s
        n_following, squares, products = 0, 0.0, 0.0
        for starts_s, few_s in zip(self.starts_s, self.few_s, strict=True):
            sums = _sums(starts_s, period_s, width) if few_s is None else _sums_of_few(few_s, period_s, width)
            n_following, squares, products = n_following + sums[0], squares + sums[1], products + sums[2]
        if n_following < RULE.min_hitches:
            return -math.inf, 0.0
        return self.evidence(n_following, period_s, half_s), products / squares if squares > 0.0 else 0.0

    def with_beats(self, near: Lattice) -> Lattice:
        """The lattice with the beats of its hitches."""
        width = 2.0 * near.half_s / near.period_s
        beats, places = zip(*(_on_beat(starts_s, near.period_s, width) for starts_s in self.starts_s), strict=True)
        return near._replace(beats=beats, places=places)

    def evidence(self, n_following: int, period_s: float, half_s: float) -> float:
        """Logarithm of the greatest likelihood with a lattice over that of random times, less that of their number.

        With p the share of the beats that have a hitch, a density of p over the window for each of these, 1 - p for
        each other beat, and a constant rate of strays. Lattices are told apart by octaves, windows, periods, phases
        and shares.
        """
        n_beats = max(self.total_s / period_s, float(n_following))
        n_strays, n_empty = self.n_hitches - n_following, n_beats - n_following
        phases = math.log(period_s / (2.0 * half_s))
        ratio = n_following * (math.log(n_following / self.n_hitches) + phases) + n_following
        # None of a kind adds nothing, and has no logarithm.
        ratio += n_strays * math.log(max(n_strays, 1) / self.n_hitches)
        ratio += n_empty * math.log(max(n_empty, LEAST_CHANCE) / n_beats)
        windows = math.log2(max(2.0 * RULE.widest * period_s / self.frame_s, 1.0)) + 1.0
        periods = math.log(self.run_s / (2.0 * half_s)) + 0.5 * math.log(self.run_s / period_s)
        return ratio - (self.log_octaves + math.log(windows) + periods + len(self.starts_s) * phases)


def peaks(values: NDArray[np.float64], most: int, *, apart: int) -> Iterator[int]:
    """Places of the highest values, none of them negative, each apart from the others, the highest first."""
    values = values.copy()
    for _ in range(most):
        place = int(values.argmax())
        yield place
        values[max(place - apart, 0) : place + apart + 1] = 0.0


def _on_beat(starts_s: NDArray[np.float64], period_s: float, width: float) -> tuple[NDArray[np.int64], ...]:
    """Beats and places of the hitches in the window of so many periods at the phase at which most lie in it."""
    turns = starts_s / period_s
    phases = turns % 1.0
    order = phases.argsort()
    around = np.concatenate((phases[order], phases[order] + 1.0))
    counts = around.searchsorted(around[: turns.size] + width, side="right") - np.arange(turns.size)
    first = counts.argmax()
    places = np.sort(np.concatenate((order, order))[first : first + counts[first]])
    beats = np.floor(turns[places] - (around[first] - 1e-9)).astype(np.int64)
    # Of several hitches in one window the first counts: the others are strays.
    kept = np.diff(beats, prepend=-2) > 0
    return beats[kept], places[kept]


def _sums(starts_s: NDArray[np.float64], period_s: float, width: float) -> tuple[int, float, float]:
    """How many beats of `_on_beat` there are, their squares about their mean, and their products with the times."""
    beats, places = _on_beat(starts_s, period_s, width)
    centered = beats - np.add.reduce(beats) / beats.size
    return beats.size, float(centered @ centered), float(centered @ starts_s[places])


def _sums_of_few(starts_s: Sequence[float], period_s: float, width: float) -> tuple[int, float, float]:
    """The same as `_sums` number by number: of few hitches in a fraction of the time that arrays take."""
    turns = [start_s / period_s for start_s in starts_s]
    phases = [turn % 1.0 for turn in turns]
    order = sorted(range(len(turns)), key=phases.__getitem__)
    around = [phases[place] for place in order]
    around += [phase + 1.0 for phase in around]
    counts = [bisect_right(around, around[rank] + width) - rank for rank in range(len(turns))]
    first = counts.index(max(counts))
    least, kept = around[first] - 1e-9, dict[int, float]()
    for place in sorted((order + order)[first : first + counts[first]]):
        kept.setdefault(math.floor(turns[place] - least), starts_s[place])
    mean = sum(kept) / len(kept)
    squares = sum([(beat - mean) ** 2 for beat in kept])
    return len(kept), squares, sum([(beat - mean) * start_s for beat, start_s in kept.items()])


def chance_of(evidence: float, n_looks: int) -> float:
    """Chance that random times reach this evidence in any of so many looks (Bonferroni), at most."""
    log_chance = RULE.log_chance_at_0 - evidence + math.log(n_looks)
    return math.exp(max(min(log_chance, 0.0), math.log(LEAST_CHANCE)))
