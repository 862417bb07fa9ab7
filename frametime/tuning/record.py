"""What was tried: the card, the limits that were set, the workloads and the trials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Final, Literal, TypeAlias

from msgspec import Meta

Name: TypeAlias = Annotated[str, Meta(pattern=r"\S")]
StepMhz: TypeAlias = Annotated[int, Meta(ge=1, le=1000)]
CeilingMhz: TypeAlias = Annotated[int, Meta(ge=0, le=5000)]
PowerW: TypeAlias = Annotated[float, Meta(gt=0, le=5000)]


class Outcome(StrEnum):
    """How a trial ended. Everything but ``PASSED`` is a failed step (common practice, no source).

    ``DOES_NOT_HOLD`` is what a log shows and no eye sees: a run that slows down, or whose clock falls in the heat.
    """

    PASSED = "passed"
    ARTIFACTS = "artifacts"
    FROZE = "froze"
    DRIVER_RESET = "driver-reset"
    DID_NOT_FINISH = "did-not-finish"
    DOES_NOT_HOLD = "does-not-hold"


@dataclass(frozen=True, kw_only=True, order=True)
class Setting:
    """Offsets from the stock clocks in MHz."""

    core_offset_mhz: int = 0
    memory_offset_mhz: int = 0

    def is_at_or_beyond(self, other: Setting) -> bool:
        """Whether no clock is lower than in ``other``.

        Examples
        --------
        >>> Setting(core_offset_mhz=50).is_at_or_beyond(Setting(core_offset_mhz=25))
        True
        >>> Setting(core_offset_mhz=50).is_at_or_beyond(Setting(memory_offset_mhz=50))
        False
        """
        return self.core_offset_mhz >= other.core_offset_mhz and self.memory_offset_mhz >= other.memory_offset_mhz

    def __str__(self) -> str:
        return f"core {self.core_offset_mhz:+d} MHz, memory {self.memory_offset_mhz:+d} MHz"


STOCK = Setting()
DEFAULT_RECORD: Final = "tuning.toml"
LEAST_MINUTES: Final = 3.0
"""A run that is shorter does not show that a step is stable (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class CardFacts:
    """The card under test; clocks at stock where they are known."""

    name: Name
    core_clock_mhz: Annotated[float, Meta(gt=0, le=20_000)] | None = None
    memory_clock_mhz: Annotated[float, Meta(gt=0, le=50_000)] | None = None


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What must not be exceeded: no trial beyond these is ever proposed.

    Attributes
    ----------
    temperature_c : float
        A trial that got hotter counts as failed.
    max_core_offset_mhz, max_memory_offset_mhz : int
    power_w : float or None
        Power limit of the card at its maximum, set before clocks are raised.
    """

    temperature_c: Annotated[float, Meta(ge=30, le=110)]
    max_core_offset_mhz: CeilingMhz
    max_memory_offset_mhz: CeilingMhz
    power_w: PowerW | None = None

    def allows(self, setting: Setting) -> bool:
        """Whether no clock of a setting is above its limit."""
        return (
            setting.core_offset_mhz <= self.max_core_offset_mhz
            and setting.memory_offset_mhz <= self.max_memory_offset_mhz
        )


@dataclass(frozen=True, kw_only=True)
class Workload:
    """Something that the card is made to do; ``memory_heavy`` when it loads the memory more than the core."""

    name: Name
    memory_heavy: bool = False


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Sizes of the steps. Every default is common practice, no source, unless it says otherwise.

    Attributes
    ----------
    core_up_mhz, memory_up_mhz : int
        Coarse steps upward.
    core_back_mhz, memory_back_mhz, memory_back_heavy_mhz : int
        Back under a heavier workload; the last when a memory-heavy workload failed.
    core_fine_mhz, memory_fine_mhz : int
        Last refinement under the heaviest workload.
    everyday_core_back_mhz, everyday_memory_back_mhz : int
        From the tuned maximum to the everyday setting.
    repeats : int
        Runs of a setting whose speed is compared.
    edge_drop_pct : float
        A step that scores this much below the best so far ends the climb. A choice of this program: about three
        times the usual scatter between runs.
    endurance_min_minutes, endurance_max_minutes : float
        Length of the endurance run.
    search : str
        ``steps`` climbs one coarse step at a time; ``halving`` doubles the step while it passes and halves it after a
        failure, and takes the last steps like the other.
    """

    core_up_mhz: StepMhz = 25
    memory_up_mhz: StepMhz = 50
    core_back_mhz: StepMhz = 25
    memory_back_mhz: StepMhz = 50
    memory_back_heavy_mhz: StepMhz = 25
    core_fine_mhz: StepMhz = 10
    memory_fine_mhz: StepMhz = 20
    everyday_core_back_mhz: StepMhz = 25
    everyday_memory_back_mhz: StepMhz = 100
    repeats: Annotated[int, Meta(ge=1, le=1000)] = 3
    edge_drop_pct: Annotated[float, Meta(gt=0, le=600)] = 1.0
    endurance_min_minutes: Annotated[float, Meta(gt=0, le=600)] = 30.0
    endurance_max_minutes: Annotated[float, Meta(gt=0, le=600)] = 60.0
    search: Literal["steps", "halving"] = "steps"


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One tuning step that was made.

    Attributes
    ----------
    setting : Setting
    workload : str
        Name of one of the record's workloads.
    outcome : Outcome
    is_endurance : bool
        Whether this was the long run at the end.
    minutes : float or None
        How long it ran; known for an endurance run.
    power_limit_w : float or None
    logs, sensors : tuple of str
        Frame logs and sensor logs, one a run, paths from the folder of the record.
    average_fps, average_power_w : tuple of float
        Of each run: measured from the logs, or noted by hand.
    peak_temperature_c : float or None
        Over all runs.
    on : str or None
        Date.
    note : str
    """

    setting: Setting
    workload: str
    outcome: Outcome
    is_endurance: bool = False
    minutes: float | None = None
    power_limit_w: float | None = None
    logs: tuple[str, ...] = ()
    sensors: tuple[str, ...] = ()
    average_fps: tuple[float, ...] = ()
    average_power_w: tuple[float, ...] = ()
    peak_temperature_c: float | None = None
    on: str | None = None
    note: str = ""

    @property
    def n_runs(self) -> int:
        """Runs that this trial holds: one, or as many as were measured."""
        return max(1, len(self.logs), len(self.average_fps))


@dataclass(frozen=True, kw_only=True)
class TuningRecord:
    """Everything tried on one card: ``workloads`` from the lightest to the heaviest, ``trials`` in order of time.

    ``lengths`` are the least minutes of a run by workload, ``LEAST_MINUTES`` where one is not named. ``logs_folder`` is
    where the logger writes, as seen from the folder of the record.
    """

    card: CardFacts
    limits: Limits
    workloads: tuple[Workload, ...]
    steps: Steps
    trials: tuple[Trial, ...]
    lengths: Mapping[str, float] = field(default_factory=dict)
    logs_folder: str | None = None

    def least_minutes(self, workload: str, *, is_endurance: bool = False) -> float:
        """Least length of a run."""
        return self.steps.endurance_min_minutes if is_endurance else self.lengths.get(workload, LEAST_MINUTES)

    def weight_of(self, workload: str) -> int:
        """Place of a workload in the order of weight, 0 for the lightest.

        Raises
        ------
        ValueError
            If the record has no such workload.
        """
        for weight, known in enumerate(self.workloads):
            if known.name == workload:
                return weight
        raise ValueError(f"workload must be one of the record's, got {workload!r}")

    @property
    def endurance_weight(self) -> int:
        """The endurance run weighs more than every workload."""
        return len(self.workloads)

    @property
    def heaviest(self) -> Workload:
        """The workload under which speed is compared and endurance is shown."""
        return self.workloads[-1]
