"""A card with a hidden voltage edge and a power curve, and someone who does what is proposed to save power."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Finished, Proposal
from frametime.tuning.record import STOCK, CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload

LIMITS = Limits(temperature_c=88.0, max_core_offset_mhz=0, max_memory_offset_mhz=0, power_w=300.0)
Numbers = TypeVar("Numbers", float, NDArray[np.float64])
_KNEE = 0.6
_LONG_RUN_DRAWS = 8


@dataclass(frozen=True, kw_only=True)
class SavingCard:
    """Clocks are shares of the highest boost clock.

    Dynamic power is proportional to clock times voltage squared (N. Weste, D. Harris, CMOS VLSI Design, 4th ed., 2011,
    equation 5.10), to which a static part is added. The voltage falls in a straight line to the knee and is constant
    below it. All numbers are invented.

    Attributes
    ----------
    load : float
        Power of the heaviest workload at the highest clock and stock voltage, over the power limit.
    lighter : tuple of float
        Load of each workload over that of the heaviest, the lightest first; the heaviest is 1.
    static : float
        Static share of the power limit.
    margin_mv, margin_slope_mv : float
        How far the voltage can be lowered at the highest clock, and how much farther at clock 0.
    edge_sd_mv : float
        Scatter of the edge from run to run.
    summer_mv, age_mv : float
        What summer takes of the margin, as winter adds to it, and what a year of age takes; tuned in spring.
    clock_exponent : float
        Frame rate over clock.
    noise : float
        Scatter of speed and of power from run to run, as a share.
    """

    load: float
    lighter: tuple[float, ...]
    static: float
    low_v: float
    high_v: float
    margin_mv: float
    margin_slope_mv: float
    edge_sd_mv: float
    summer_mv: float
    age_mv: float
    clock_exponent: float
    noise: float

    def _power(self, clock: Numbers, lowered_mv: Numbers, weight: int) -> Numbers:
        above = (clock - _KNEE) * (clock > _KNEE) / (1.0 - _KNEE)
        volts = self.low_v + (self.high_v - self.low_v) * above - lowered_mv / 1000.0
        return self.static + (self.load * self.lighter[weight] - self.static) * clock * (volts / self.high_v) ** 2

    def clock(
        self, power_pct: NDArray[np.float64], lowered_mv: NDArray[np.float64], weight: int
    ) -> NDArray[np.float64]:
        """The highest clock that the power limit allows, by bisection; any shape."""
        if np.ndim(power_pct) == 0:
            return np.array(self._clock_of_one(float(power_pct), float(lowered_mv), weight))
        low, high = np.full_like(power_pct, 0.05), np.ones_like(power_pct)
        high_fits = self._power(high, lowered_mv, weight) <= power_pct / 100.0
        for _ in range(40):
            middle = 0.5 * (low + high)
            fits = self._power(middle, lowered_mv, weight) <= power_pct / 100.0
            low, high = np.where(fits, middle, low), np.where(fits, high, middle)
        return np.where(high_fits, 1.0, low)

    def _clock_of_one(self, power_pct: float, lowered_mv: float, weight: int) -> float:
        """The same of one setting: plain numbers take a tenth of the time of arrays of one."""
        low, high = 0.05, 1.0
        if self._power(high, lowered_mv, weight) <= power_pct / 100.0:
            return high
        for _ in range(40):
            middle = 0.5 * (low + high)
            fits = self._power(middle, lowered_mv, weight) <= power_pct / 100.0
            low, high = (middle, high) if fits else (low, middle)
        return low

    def speed_and_watts(
        self, power_pct: NDArray[np.float64], lowered_mv: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """True average FPS and W under the heaviest workload, any shape."""
        clock = self.clock(power_pct, lowered_mv, -1)
        return 100.0 * clock**self.clock_exponent, 300.0 * self._power(clock, lowered_mv, -1)

    def edge_mv(
        self, power_pct: NDArray[np.float64], lowered_mv: NDArray[np.float64], weight: int
    ) -> NDArray[np.float64]:
        """How far the voltage can be lowered on average, any shape."""
        return self.margin_mv + self.margin_slope_mv * (1.0 - self.clock(power_pct, lowered_mv, weight))


def random_card(rng: np.random.Generator, n_workloads: int) -> SavingCard:
    return SavingCard(
        load=rng.uniform(0.85, 1.3),
        lighter=(*np.sort(rng.uniform(0.75, 1.0, n_workloads - 1)), 1.0),
        static=rng.uniform(0.1, 0.25),
        low_v=rng.uniform(0.7, 0.8),
        high_v=rng.uniform(1.0, 1.1),
        margin_mv=rng.uniform(20.0, 130.0),
        margin_slope_mv=rng.uniform(0.0, 60.0),
        edge_sd_mv=rng.uniform(1.0, 4.0),
        summer_mv=rng.uniform(0.0, 6.0),
        age_mv=rng.uniform(0.0, 4.0),
        clock_exponent=rng.uniform(0.7, 1.0),
        noise=rng.uniform(0.001, 0.003),
    )


def empty_record(n_workloads: int, **changed: object) -> TuningRecord:
    names = ("courtyard", "canyon", "harbour")
    record = TuningRecord(
        card=CardFacts(name="Borealis 8"),
        limits=LIMITS,
        workloads=tuple(Workload(name=name) for name in names[:n_workloads]),
        steps=Steps(),
        trials=(),
        goal="efficiency",
    )
    return replace(record, **changed)


def place(setting: Setting) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.array(setting.power_limit_pct), np.array(setting.turned("voltage"))


def trial_made(card: SavingCard, record: TuningRecord, step: Proposal, rng: np.random.Generator) -> Trial:
    weight = record.weight_of(step.workload)
    edge_mv = float(card.edge_mv(*place(step.setting), weight))
    draws = step.n_runs * (_LONG_RUN_DRAWS if step.is_endurance else 1)
    holds = bool(np.all(step.setting.turned("voltage") <= edge_mv + rng.normal(0.0, card.edge_sd_mv, draws)))
    fps, watts = card.speed_and_watts(*place(step.setting))
    return Trial(
        setting=step.setting,
        workload=step.workload,
        outcome=Outcome.PASSED if holds else Outcome.DRIVER_RESET,
        is_endurance=step.is_endurance,
        minutes=45.0 if step.is_endurance else None,
        average_fps=tuple(float(fps) * np.exp(rng.normal(0.0, card.noise, step.n_runs))) if holds else (),
        average_power_w=tuple(float(watts) * np.exp(rng.normal(0.0, card.noise, step.n_runs))) if holds else (),
    )


def follow(
    card: SavingCard, record: TuningRecord, rng: np.random.Generator, *, most: int = 100
) -> tuple[TuningRecord, list[Proposal], Finished]:
    proposals: list[Proposal] = []
    for _ in range(most):
        step = next_trial(record)
        if isinstance(step, Finished):
            return record, proposals, step
        proposals.append(step)
        record = replace(record, trials=(*record.trials, trial_made(card, record, step, rng)))
    raise AssertionError(f"not finished after {most} trials")


def year_of_runs_mv(card: SavingCard) -> NDArray[np.float64]:
    """How much lower the edge lies than in spring, in each of 20 000 runs over a year."""
    year = np.linspace(0.0, 1.0, 20_000)
    scatter_mv = np.random.default_rng(0).normal(0.0, card.edge_sd_mv, year.size)
    return card.summer_mv * np.sin(2.0 * np.pi * year) + card.age_mv * year + scatter_mv


def worst_edge_mv(card: SavingCard, pct: NDArray[np.float64], mv: NDArray[np.float64]) -> NDArray[np.float64]:
    """The edge under the workload that allows the least, any shape."""
    return np.min([card.edge_mv(pct, mv, weight) for weight in range(len(card.lighter))], axis=0)


def share_of_year_that_holds(card: SavingCard, setting: Setting) -> float:
    return float(np.mean(place(setting)[1] <= worst_edge_mv(card, *place(setting)) - year_of_runs_mv(card)))


def best_frames_per_joule(card: SavingCard, record: TuningRecord) -> float:
    """The most of all settings in steps of 1 % and 5 mV that hold in 98 of 100 runs and lose no more than the goal."""
    pct, mv = np.meshgrid(np.arange(50.0, 101.0), np.arange(0.0, 201.0, 5.0))
    fps, watts = card.speed_and_watts(pct, mv)
    stock_fps, _ = card.speed_and_watts(*place(STOCK))
    fits = mv <= worst_edge_mv(card, pct, mv) - np.quantile(year_of_runs_mv(card), 0.98)
    fits &= fps >= stock_fps * (1.0 - record.max_speed_loss_pct / 100.0)
    fits |= (mv == 0.0) & (pct == 100.0)
    return float(np.max(np.where(fits, fps / watts, 0.0)))
