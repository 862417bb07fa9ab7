"""A card with hidden limits and a speed that bends down past an edge, and someone who does what is proposed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import Finished, NextStep, Proposal
from frametime.tuning.record import CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload

FAILURES = (Outcome.ARTIFACTS, Outcome.FROZE, Outcome.DRIVER_RESET, Outcome.DID_NOT_FINISH)


@dataclass(frozen=True, kw_only=True)
class SimulatedCard:
    """Limits for each weight of load (the endurance run last), and the edge past which more clock is slower."""

    core_limits_mhz: tuple[float, ...]
    memory_limits_mhz: tuple[float, ...]
    core_edge_mhz: float
    memory_edge_mhz: float
    noise: float

    def holds(self, setting: Setting, weight: int) -> bool:
        return (
            setting.core_offset_mhz <= self.core_limits_mhz[weight]
            and setting.memory_offset_mhz <= self.memory_limits_mhz[weight]
        )

    def true_fps(self, setting: Setting) -> float:
        # 0.6 % for 25 MHz of core and 0.8 % for 50 MHz of memory up to the edge, twice that downward beyond it.
        core = min(setting.core_offset_mhz, 2.0 * 1.5 * self.core_edge_mhz - 2.0 * setting.core_offset_mhz)
        memory = min(setting.memory_offset_mhz, 3.0 * self.memory_edge_mhz - 2.0 * setting.memory_offset_mhz)
        return 100.0 * (1.0 + 0.006 * core / 25.0 + 0.008 * memory / 50.0)

    def best(self, limits: Limits) -> tuple[float, float]:
        """Offsets of the true best that passes the endurance run."""
        return (
            min(self.core_limits_mhz[-1], self.core_edge_mhz, limits.max_core_offset_mhz),
            min(self.memory_limits_mhz[-1], self.memory_edge_mhz, limits.max_memory_offset_mhz),
        )


def random_card(rng: np.random.Generator, n_workloads: int) -> SimulatedCard:
    core = rng.uniform(40.0, 280.0) - np.cumsum([0.0, *rng.uniform(0.0, 40.0, n_workloads - 1), rng.uniform(0.0, 20.0)])
    memory = rng.uniform(120.0, 900.0) - np.cumsum(
        [0.0, *rng.uniform(0.0, 100.0, n_workloads - 1), rng.uniform(0.0, 40.0)]
    )
    return SimulatedCard(
        core_limits_mhz=tuple(np.maximum(core, 0.0)),
        memory_limits_mhz=tuple(np.maximum(memory, 0.0)),
        core_edge_mhz=float(rng.uniform(30.0, 300.0)),
        memory_edge_mhz=float(rng.uniform(60.0, 1200.0)),
        noise=0.0005,
    )


def empty_record(n_workloads: int, *, heavy: bool = False) -> TuningRecord:
    names = ("courtyard", "canyon", "harbour", "embers")
    return TuningRecord(
        card=CardFacts(name="Borealis 8", core_clock_mhz=2400.0, memory_clock_mhz=2000.0),
        limits=Limits(temperature_c=88.0, max_core_offset_mhz=250, max_memory_offset_mhz=800, power_w=260.0),
        workloads=tuple(
            Workload(name=names[place], memory_heavy=heavy and place == n_workloads - 1) for place in range(n_workloads)
        ),
        steps=Steps(),
        trials=(),
    )


def trial_made(card: SimulatedCard, record: TuningRecord, proposal: Proposal, rng: np.random.Generator) -> Trial:
    weight = record.endurance_weight if proposal.is_endurance else record.weight_of(proposal.workload)
    holds = card.holds(proposal.setting, weight)
    fps = tuple(card.true_fps(proposal.setting) * np.exp(rng.normal(0.0, card.noise, proposal.n_runs)))
    return Trial(
        setting=proposal.setting,
        workload=proposal.workload,
        outcome=Outcome.PASSED if holds else FAILURES[int(rng.integers(len(FAILURES)))],
        is_endurance=proposal.is_endurance,
        minutes=45.0 if proposal.is_endurance else None,
        average_fps=fps if holds else (),
    )


def follow(
    card: SimulatedCard, record: TuningRecord, rng: np.random.Generator, *, most: int = 200
) -> tuple[TuningRecord, list[Proposal], Finished]:
    """Do what is proposed until tuning is finished."""
    proposals: list[Proposal] = []
    for _ in range(most):
        step: NextStep = next_trial(record)
        if isinstance(step, Finished):
            return record, proposals, step
        proposals.append(step)
        record = replace(record, trials=(*record.trials, trial_made(card, record, step, rng)))
    raise AssertionError(f"not finished after {most} trials")
