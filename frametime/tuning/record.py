"""What was tried: the card, the limits that were set, the workloads and the trials.

With it the short cautions: in full where a hand first reaches for a setting and near a limit, one line elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Any, Final, Literal, NamedTuple, TypeAlias

from msgspec import Meta

from frametime.settings.decoding import within

Name: TypeAlias = Annotated[str, Meta(pattern=r"\S")]
StepMhz: TypeAlias = Annotated[int, Meta(ge=1, le=1000)]
CeilingMhz: TypeAlias = Annotated[int, Meta(ge=0, le=5000)]
PowerW: TypeAlias = Annotated[float, Meta(gt=0, le=5000)]
PowerPct: TypeAlias = Annotated[float, within("power_limit_pct")]
StepMv: TypeAlias = Annotated[int, Meta(ge=1, le=100)]
StepPct: TypeAlias = Annotated[float, Meta(ge=0.5, le=25)]
LossPct: TypeAlias = Annotated[float, Meta(ge=0, le=50)]
LoweredMv: TypeAlias = Annotated[int, within("lowered_mv")]
Goal: TypeAlias = Literal["speed", "efficiency", "quiet"]
Axis: TypeAlias = Literal["core", "memory", "voltage", "power"]


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


class Knob(NamedTuple):
    """One thing that is set.

    Its field of a `Setting`, its value at stock, which way a search turns it, its words, and the unit of its steps.
    """

    field: str
    stock: int
    way: int
    words: str
    unit: str


KNOBS: Final[dict[Axis, Knob]] = {
    "core": Knob("core_offset_mhz", 0, 1, "core {:+g} MHz", "mhz"),
    "memory": Knob("memory_offset_mhz", 0, 1, "memory {:+g} MHz", "mhz"),
    "voltage": Knob("core_voltage_offset_mv", 0, -1, "core voltage {:+g} mV", "mv"),
    "power": Knob("power_limit_pct", 100, -1, "power limit {:g} %", "pct"),
}


def option_of(axis: Axis) -> str:
    """How the command line names a knob."""
    return "--power-limit-pct" if axis == "power" else f"--{axis}"


@dataclass(frozen=True, kw_only=True, order=True)
class Setting:
    """Offsets from the stock clocks in MHz and from the stock voltage in mV; the power limit in % of the record's."""

    core_offset_mhz: int = 0
    memory_offset_mhz: int = 0
    core_voltage_offset_mv: int = 0
    power_limit_pct: float = 100.0

    def turned(self, axis: Axis) -> float:
        """How far a knob stands from stock, in its unit; positive in the direction of a search.

        Examples
        --------
        >>> Setting(core_offset_mhz=50).turned("core"), Setting(power_limit_pct=85.0).turned("power")
        (50.0, 15.0)
        """
        knob = KNOBS[axis]
        return float((getattr(self, knob.field) - knob.stock) * knob.way)

    def turned_to(self, axis: Axis, turned: float) -> Setting:
        """The setting with one knob so far from stock.

        Examples
        --------
        >>> str(Setting(core_offset_mhz=50).turned_to("memory", 100))
        'core +50 MHz, memory +100 MHz'
        >>> str(Setting().turned_to("power", 15).turned_to("voltage", 30))
        'core voltage −30 mV, power limit 85 %'
        """
        knob = KNOBS[axis]
        value = knob.stock + knob.way * turned
        changed: dict[str, Any] = {knob.field: float(value) if axis == "power" else round(value)}
        return replace(self, **changed)

    def lowered(self, axis: Axis, by: float) -> Setting:
        """The setting with one knob turned back, never past stock."""
        turned = self.turned(axis)
        return self.turned_to(axis, max(min(turned, 0), turned - by))

    def is_at_or_beyond(self, other: Setting) -> bool:
        """Whether no knob is turned less far from stock than in ``other``.

        Examples
        --------
        >>> Setting(core_offset_mhz=50).is_at_or_beyond(Setting(core_offset_mhz=25))
        True
        >>> Setting(core_offset_mhz=50).is_at_or_beyond(Setting(memory_offset_mhz=50))
        False
        """
        return all(self.turned(axis) >= other.turned(axis) for axis in KNOBS)

    def fails_with(self, other: Setting) -> bool:
        """Whether this setting is taken to fail where ``other`` failed.

        A voltage that was too low under one power limit is not trusted under another.
        """
        skipped = "power" if other.turned("voltage") else None
        return all(self.turned(axis) >= other.turned(axis) for axis in KNOBS if axis != skipped)

    def is_as_hot_as(self, other: Setting) -> bool:
        """Whether this setting is taken to get as hot as ``other``: no clock is lower, and no voltage or power limit.

        Examples
        --------
        >>> STOCK.is_as_hot_as(Setting(power_limit_pct=90.0)), STOCK.is_as_hot_as(Setting(core_offset_mhz=25))
        (True, False)
        """
        return all((self.turned(axis) - other.turned(axis)) * KNOBS[axis].way >= 0 for axis in KNOBS)

    def proves(self, other: Setting) -> bool:
        """Whether ``other`` holds where this setting held.

        Under another power limit a card runs at other clocks and voltages, so that has to be tried by itself.
        """
        return self.power_limit_pct == other.power_limit_pct and self.is_at_or_beyond(other)

    def words(self, axis: Axis) -> str:
        """One knob in words.

        Examples
        --------
        >>> Setting(core_offset_mhz=50).words("core")
        'core +50 MHz'
        """
        knob = KNOBS[axis]
        return knob.words.format(getattr(self, knob.field)).replace("-", "\N{MINUS SIGN}")

    def __str__(self) -> str:
        shown: set[Axis] = {axis for axis in KNOBS if self.turned(axis)}
        if not shown or shown & {"core", "memory"}:
            shown |= {"core", "memory"}
        return ", ".join(self.words(axis) for axis in KNOBS if axis in shown)


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
        Power limit of the card: at its maximum where the goal is speed, else as the card was delivered.
    min_core_voltage_offset_mv : int
    min_power_limit_pct : float
        Lowest voltage offset and lowest power limit.
    """

    temperature_c: Annotated[float, Meta(ge=30, le=110)]
    max_core_offset_mhz: CeilingMhz
    max_memory_offset_mhz: CeilingMhz
    power_w: PowerW | None = None
    min_core_voltage_offset_mv: LoweredMv = -200
    min_power_limit_pct: PowerPct = 50.0

    @property
    def farthest(self) -> Setting:
        """Every knob at its limit."""
        return Setting(
            core_offset_mhz=self.max_core_offset_mhz,
            memory_offset_mhz=self.max_memory_offset_mhz,
            core_voltage_offset_mv=self.min_core_voltage_offset_mv,
            power_limit_pct=self.min_power_limit_pct,
        )

    def allows(self, setting: Setting) -> bool:
        """Whether no knob of a setting is beyond its limit."""
        return all(setting.turned(axis) <= self.farthest.turned(axis) for axis in KNOBS)

    def heat(self, peak_c: float | None) -> str | None:
        """That a peak, in °C, lies above the temperature limit; ``None`` where it does not or was not measured."""
        is_too_hot = peak_c is not None and peak_c > self.temperature_c
        return f"{peak_c:g} °C, above the limit of {self.temperature_c:g} °C" if is_too_hot else None


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
    voltage_down_mv, voltage_fine_mv : int
        Steps of the core voltage downward, and the last refinement; the second is a choice of this program.
    power_down_pct, power_fine_pct : float
        Steps of the power limit downward, and the last refinement; the second is a choice of this program.
    everyday_core_back_mhz, everyday_memory_back_mhz, everyday_voltage_back_mv : int
        From the tuned maximum to the everyday setting; for the voltage one step.
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
    voltage_down_mv: StepMv = 10
    voltage_fine_mv: StepMv = 2
    power_down_pct: StepPct = 5.0
    power_fine_pct: StepPct = 0.5
    everyday_core_back_mhz: StepMhz = 25
    everyday_memory_back_mhz: StepMhz = 100
    everyday_voltage_back_mv: StepMv = 10
    repeats: Annotated[int, Meta(ge=1, le=1000)] = 3
    edge_drop_pct: Annotated[float, Meta(gt=0, le=600)] = 1.0
    endurance_min_minutes: Annotated[float, Meta(gt=0, le=600)] = 30.0
    endurance_max_minutes: Annotated[float, Meta(gt=0, le=600)] = 60.0
    search: Literal["steps", "halving"] = "steps"

    def coarse(self, axis: Axis) -> float:
        """Step of the search away from stock."""
        return float(getattr(self, f"{axis}_{'up' if KNOBS[axis].way > 0 else 'down'}_{KNOBS[axis].unit}"))

    def fine(self, axis: Axis) -> float:
        """Step between the last coarse step that held and the first that failed."""
        return float(getattr(self, f"{axis}_fine_{KNOBS[axis].unit}"))

    def back(self, axis: Axis) -> float:
        """Step from the best setting to the one for every day; none of the power limit."""
        return float(getattr(self, f"everyday_{axis}_back_{KNOBS[axis].unit}", 0.0))


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
        As it was set, in W; what it is in % of the record's stands in the setting.
    voltage_at_clock, fan_curve : str
        In the operator's words.
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
    voltage_at_clock: str = ""
    fan_curve: str = ""
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
    where the logger writes, as seen from the folder of the record. ``goal`` is what is sought: the most speed; the most
    frames per joule, or the least power, at no more than ``max_speed_loss_pct`` of stock speed lost.
    """

    card: CardFacts
    limits: Limits
    workloads: tuple[Workload, ...]
    steps: Steps
    trials: tuple[Trial, ...]
    lengths: Mapping[str, float] = field(default_factory=dict)
    logs_folder: str | None = None
    goal: Goal = "speed"
    max_speed_loss_pct: float = 3.0

    def placed(self, trial: Trial) -> Setting:
        """The setting of a trial, its power limit in % of the record's where it was noted in W.

        Examples
        --------
        >>> limits = Limits(temperature_c=85, max_core_offset_mhz=0, max_memory_offset_mhz=0, power_w=285)
        >>> record = TuningRecord(
        ...     card=CardFacts(name="Borealis"), limits=limits, workloads=(), steps=Steps(), trials=()
        ... )
        >>> str(record.placed(Trial(setting=STOCK, workload="", outcome=Outcome.PASSED, power_limit_w=271)))
        'power limit 95 %'
        """
        most_w, noted_w = self.limits.power_w, trial.power_limit_w
        if most_w is None or noted_w is None or noted_w >= most_w:
            return trial.setting
        pct = 100.0 * noted_w / most_w
        # What is proposed in halves of a percent is set in whole watts.
        near_pct = round(2.0 * pct) / 2.0
        is_near = abs(near_pct * most_w / 100.0 - noted_w) <= 0.5
        return replace(trial.setting, power_limit_pct=near_pct if is_near else pct)

    def limit_w(self, trial: Trial) -> float | None:
        """The power limit that a trial ran with, in W; ``None`` where it is not known."""
        most_w = self.limits.power_w
        return trial.power_limit_w or (most_w and most_w * trial.setting.power_limit_pct / 100.0)

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
        return [known.name for known in self.workloads].index(workload)

    @property
    def endurance_weight(self) -> int:
        """The endurance run weighs more than every workload."""
        return len(self.workloads)

    @property
    def heaviest(self) -> Workload:
        """The workload under which speed is compared and endurance is shown."""
        return self.workloads[-1]


CAUTIONS: Final[tuple[str, ...]] = (
    "Tuning can make a system unstable, corrupt data, shorten a card's life and void its warranty. Save work first.",
    "Keep to the manufacturer's specification and limits; connectors, supplies and coolers have limits of their own.",
    "Stop on smell, smoke, or temperatures above the limit. Mains-side work is for a qualified person, under the "
    "local electrical code.",
    "frametime only reads logs: it sets no clock, no limit and no fan.",
)

CAUTION: Final = "Keep to the manufacturer's limits; stop on smell, smoke, or temperatures above the limit."
"""The line for every other output."""

NEAR_C: Final = 5.0
"""So near its limit a temperature is warned of (common practice, no source)."""
