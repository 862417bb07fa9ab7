"""Intervals of the sensor metrics: the pieces between two samples are resampled in blocks.

A sensor has its own clock and far fewer samples than the run has frames, and each quantity its own block.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from frametime.metrics.intervals.block_bootstrap import BlockDraws, draw_blocks, optimal_block_lengths
from frametime.metrics.intervals.resampled_run import Outcome, Resampled, make_interval, one_sided
from frametime.metrics.metric import Missing
from frametime.metrics.sensors import sensor_values
from frametime.metrics.sensors.sensor_channels import Channel, channel
from frametime.statistics.distributions import normal_quantile, student_quantile
from frametime.units import NS_PER_S

if TYPE_CHECKING:
    from frametime.metrics.frame_series import FrameSeries

MIN_SAMPLES: Final = 50
"""Fewer samples give no interval: their autocorrelation cannot be told."""
MIN_BLOCKS: Final = 10
"""Samples that hang together over more than a tenth of the run give none: it has too few independent parts."""
MAX_BLOCKS: Final = 150

Make = Callable[["SensorDraws"], Outcome]


class SensorDraws:
    """One quantity over a run, and its pieces drawn in blocks."""

    def __init__(self, series: FrameSeries, found: Channel, draws: BlockDraws) -> None:
        self.series = series
        self.channel = found
        self.draws = draws
        self.pieces_s = np.diff(found.times_s)
        self.means = 0.5 * (found.values[1:] + found.values[:-1])

    def mean(self) -> NDArray[np.float64]:
        """Time-weighted mean of the quantity in each resample."""
        return self.weighted(self.means)

    def weighted(self, items: NDArray[np.float64]) -> NDArray[np.float64]:
        """Time-weighted mean of one item a piece in each resample."""
        return self.draws.sums(items * self.pieces_s) / self.draws.sums(self.pieces_s)

    def energy_j(self) -> NDArray[np.float64]:
        """Energy in each resample, of a quantity in W."""
        return self.draws.sums(self.means * self.pieces_s)

    def frames_per_joule(self) -> NDArray[np.float64]:
        """Frames over energy in each resample, none of which is 0; frames at the end of a piece count in part."""
        stamps_ns = self.series.timestamps_ns
        elapsed_s = (stamps_ns - stamps_ns[0]) / NS_PER_S
        frames = np.diff(np.interp(self.channel.times_s, elapsed_s, np.arange(elapsed_s.size)))
        return self.draws.sums(frames) / self.energy_j()


def sensor_outcomes(series: FrameSeries, values: Mapping[str, float]) -> dict[str, Outcome]:
    """Power, energy, clocks and load, for those of the wanted metrics that the run has."""
    found: dict[str, Outcome] = {}
    for name, rows in _ROWS.items():
        wanted = {key: make for key, make in rows.items() if key in values}
        drawn = _drawn(series, name) if wanted else Missing(reason="not asked for")
        for key, make in wanted.items():
            outcome = drawn if isinstance(drawn, Missing) else make(drawn)
            if isinstance(drawn, SensorDraws) and isinstance(outcome, Resampled):
                outcome = _interval(drawn, values[key], outcome)
            found[key] = outcome
    return found


def _drawn(series: FrameSeries, name: str) -> SensorDraws | Missing:
    found = channel(series, name)
    if isinstance(found, Missing):
        return found
    n = found.values.size - 1
    if n < MIN_SAMPLES:
        return Missing(reason=f"the run holds {n} steps between sensor samples; {MIN_SAMPLES} or more are needed")
    longest = max(2.0 * optimal_block_lengths(0.5 * (found.values[1:] + found.values[:-1]))[0], n / MAX_BLOCKS)
    if n / longest < MIN_BLOCKS:
        return Missing(
            reason=f"its samples hang together over {longest * found.step_s:.1f} s: the run is too short for "
            f"{MIN_BLOCKS} independent parts"
        )
    options = series.options
    draws = draw_blocks(n, n_resamples=options.n_resamples, mean_block=longest, seed=options.seed)
    return SensorDraws(series, found, draws)


def _interval(drawn: SensorDraws, value: float, outcome: Resampled) -> Outcome:
    level, draws = drawn.series.options.level, drawn.draws
    upper = 0.5 + 0.5 * level
    n_blocks = round(draws.n / draws.mean_block)
    block_s = draws.mean_block * drawn.channel.step_s
    return make_interval(
        value,
        outcome,
        level=level,
        factor=student_quantile(upper, n_blocks - 1) / normal_quantile(upper),
        method=f"within run: stationary bootstrap of the sensor samples, {draws.n_resamples} resamples, "
        f"mean block of {block_s:.1f} s",
    )


def _at_power_limit(drawn: SensorDraws) -> Outcome:
    limit_w = drawn.series.options.power_limit_w
    if limit_w is None:
        return Missing(reason="no power limit given")
    return _share(drawn, drawn.channel.pieces_from((1.0 - sensor_values.POWER_SLACK_FRACTION) * limit_w))


def _under_90pct(drawn: SensorDraws) -> Outcome:
    return _share(drawn, drawn.channel.pieces_below(sensor_values.BUSY_PCT))


def _frames_per_joule(drawn: SensorDraws) -> Outcome:
    return _no_energy(drawn) or Resampled(drawn.frames_per_joule())


def _energy_per_frame(drawn: SensorDraws) -> Outcome:
    return _no_energy(drawn) or Resampled(1.0 / drawn.frames_per_joule())


def _no_energy(drawn: SensorDraws) -> Missing | None:
    """A ratio to energy says nothing where another run as long may have used none."""
    if (drawn.energy_j() > 0.0).all():
        return None
    return Missing(reason="the power logged is about zero: some resamples of the run have no energy above zero")


def _share(drawn: SensorDraws, parts: NDArray[np.float64]) -> Outcome:
    return one_sided(parts > 0.5) or Resampled(drawn.weighted(parts), "share")


def _spread(drawn: SensorDraws) -> Outcome:
    """Standard deviation of the values at the ends of the pieces: but for the first, the samples themselves."""
    ends = drawn.channel.values[1:] - drawn.channel.values.mean()
    n = drawn.draws.n
    squares = drawn.draws.sums(ends**2) - drawn.draws.sums(ends) ** 2 / n
    return Resampled(np.sqrt(np.maximum(squares, 0.0) / (n - 1)))


_ROWS: Final[Mapping[str, Mapping[str, Make]]] = {
    sensor_values.POWER: {
        "average_power_w": lambda drawn: Resampled(drawn.mean()),
        "energy_per_frame_j": _energy_per_frame,
        "frames_per_joule": _frames_per_joule,
        "time_at_power_limit_fraction": _at_power_limit,
    },
    sensor_values.CORE_CLOCK: {
        "average_core_clock_mhz": lambda drawn: Resampled(drawn.mean()),
        "core_clock_sd_mhz": _spread,
    },
    "memory_clock_mhz": {"average_memory_clock_mhz": lambda drawn: Resampled(drawn.mean())},
    sensor_values.UTILIZATION: {"utilization_under_90pct_fraction": _under_90pct},
}
