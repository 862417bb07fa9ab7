"""What outputs about tuning read: a record, judged, and a trial that was just noted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from frametime.caveats import Caveat
from frametime.statistics.differences import Ratio
from frametime.statistics.interval import Interval
from frametime.tuning.proposal import NextStep
from frametime.tuning.record import Axis, Goal, Limits, Outcome, Setting, Trial

MapStatus = Literal["passed", "failed"]


@dataclass(frozen=True, kw_only=True)
class TrialRow:
    """One trial: ``failure`` says why it counts as failed, ``None`` when it passed.

    ``is_seen_only`` of an endurance run without a log. FPS and power are means over its runs (geometric for FPS);
    ``None`` where they were not measured.
    """

    number: int
    setting: Setting
    workload: str
    outcome: Outcome
    failure: str | None
    is_endurance: bool
    minutes: float | None
    n_runs: int
    is_seen_only: bool
    average_fps: float | None
    average_power_w: float | None
    frames_per_joule: float | None
    peak_temperature_c: float | None
    note: str


@dataclass(frozen=True, kw_only=True)
class SettingRow:
    """All runs that passed at one setting under one workload.

    Attributes
    ----------
    gain : Ratio or None
        Average FPS over that at stock under the same workload; ``None`` without runs at stock, and at stock itself.
    step_from : Setting or None
        The nearest lower setting with runs that differs in one clock only.
    gain_pct_per_mhz : float or None
        Gain over ``step_from``, in percent for each MHz of that clock.
    frames_per_joule : float or None
        The same as FPS for each watt.
    power : Ratio or None
        Average power over that at stock, as ``gain``.
    is_frontier : bool
        It has not failed, and no other such setting under this workload is as fast at less power, or faster at no more.
    """

    setting: Setting
    workload: str
    n_runs: int
    average_fps: float
    gain: Ratio | None
    step_from: Setting | None
    gain_pct_per_mhz: float | None
    average_power_w: float | None
    frames_per_joule: float | None
    power: Ratio | None
    is_frontier: bool


@dataclass(frozen=True, kw_only=True)
class MapCell:
    """One place of the map of core and memory offsets, over all workloads.

    ``heaviest_passed`` is the heaviest load it passed (``endurance`` beyond every workload), ``failed_under`` the
    lightest it failed under; ``gain`` is under the heaviest workload.
    """

    setting: Setting
    status: MapStatus
    heaviest_passed: str | None
    failed_under: str | None
    gain: Ratio | None


@dataclass(frozen=True, kw_only=True)
class PastEdge:
    """A setting that is credibly slower than one with a lower clock: the whole interval of the ratio lies below 1."""

    setting: Setting
    slower_than: Setting
    clock: Axis
    workload: str
    ratio: Ratio


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What the everyday setting costs: its speed over that of the best setting, measured or predicted from a line."""

    value: float
    interval: Interval | None
    kind: Literal["measured", "predicted"]
    how: str


@dataclass(frozen=True, kw_only=True)
class TuningSummary:
    """A tuning record, judged.

    Attributes
    ----------
    card : str
    limits : Limits
    workloads : tuple of str
        From the lightest to the heaviest; gains of settings as a whole are under the heaviest.
    trials : tuple of TrialRow
    settings : tuple of SettingRow
        By workload, then core, then memory.
    map : tuple of MapCell
        Every tried setting, by core, then memory.
    past_edge : tuple of PastEdge
    best : Setting or None
        The best setting found so far; ``best_is_final`` once it passed the endurance run and tuning is finished.
    endurance : str
        Whether the best setting passed the endurance run, and by whose word.
    best_gain : Ratio or None
    everyday : Setting or None
    everyday_cost : Cost or None
    not_known : tuple of str
        What is not yet known, in sentences.
    next_step : NextStep
    caveats : tuple of Caveat
    cautions : tuple of str
    """

    card: str
    goal: Goal
    max_speed_loss_pct: float
    limits: Limits
    workloads: tuple[str, ...]
    trials: tuple[TrialRow, ...]
    settings: tuple[SettingRow, ...]
    map: tuple[MapCell, ...]
    past_edge: tuple[PastEdge, ...]
    best: Setting | None
    best_is_final: bool
    endurance: str
    best_gain: Ratio | None
    everyday: Setting | None
    everyday_cost: Cost | None
    not_known: tuple[str, ...]
    next_step: NextStep
    caveats: tuple[Caveat, ...]
    cautions: tuple[str, ...]

    @property
    def clock_map(self) -> tuple[MapCell, ...]:
        """What was tried of the clocks alone; nothing where power is to be saved and no clock was turned."""
        cells = tuple(of for of in self.map if not (of.setting.turned("voltage") or of.setting.turned("power")))
        is_turned = any(cell.setting.turned("core") or cell.setting.turned("memory") for cell in cells)
        return cells if is_turned or self.goal == "speed" else ()

    def speed_of(self, setting: Setting | None) -> SettingRow | None:
        """The runs at a setting under the heaviest workload; ``None`` where none was measured."""
        rows = (row for row in self.settings if row.setting == setting and row.workload == self.workloads[-1])
        return next(rows, None)


@dataclass(frozen=True, kw_only=True)
class NotedTrial:
    """A trial that was appended: its number in the record, why it counts as failed (if it does), and what is next."""

    number: int
    trial: Trial
    failure: str | None
    next_step: NextStep
    caveats: tuple[Caveat, ...]
