"""A tuning record as TOML: read, with an error for every wrong entry, begun, and its last trial added or taken out."""

from __future__ import annotations

import posixpath
import re
from dataclasses import fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Final, TypeAlias

from msgspec import Meta, Struct

from frametime.errors import RecordError, did_you_mean
from frametime.settings.decoding import decoded, within
from frametime.settings.toml_source import TomlSource, decoded_text, shown, toml_lines
from frametime.tuning.record import (
    KNOBS,
    STOCK,
    CardFacts,
    Goal,
    Limits,
    LossPct,
    LoweredMv,
    Name,
    Outcome,
    PowerPct,
    PowerW,
    Setting,
    Steps,
    Trial,
    TuningRecord,
    Workload,
)

OffsetMhz: TypeAlias = Annotated[int, within("offset_mhz")]


_SAME: Final = tuple(field.name for field in fields(Trial) if field.name not in ("setting", "is_endurance", "on"))
"""Keys of a trial that are those of its table."""


class TrialKeys(Struct, frozen=True, kw_only=True):
    """A ``[[trials]]`` table."""

    core_offset_mhz: OffsetMhz = 0
    memory_offset_mhz: OffsetMhz = 0
    core_voltage_offset_mv: LoweredMv = 0
    power_limit_pct: PowerPct = 100.0
    workload: Name
    outcome: Outcome
    endurance: bool = False
    minutes: Annotated[float, within("minutes")] | None = None
    power_limit_w: PowerW | None = None
    voltage_at_clock: str = ""
    fan_curve: str = ""
    logs: tuple[str, ...] = ()
    sensors: tuple[str, ...] = ()
    average_fps: tuple[Annotated[float, within("fps")], ...] = ()
    average_power_w: tuple[PowerW, ...] = ()
    peak_temperature_c: Annotated[float, Meta(ge=-50, le=200)] | None = None
    on: Any = None
    note: str = ""

    def trial(self) -> Trial:
        """The trial that the table notes."""
        return Trial(
            setting=Setting(**{knob.field: getattr(self, knob.field) for knob in KNOBS.values()}),
            is_endurance=self.endurance,
            on=date_text(self.on),
            **{name: getattr(self, name) for name in _SAME},
        )


class RecordKeys(Struct, frozen=True, kw_only=True):
    """The tables of a record."""

    card: CardFacts
    limits: Limits
    workloads: tuple[Workload, ...] = ()
    steps: Steps = Steps()
    trials: tuple[TrialKeys, ...] = ()
    lengths: dict[str, Annotated[float, Meta(gt=0, le=600)]] = {}
    logs_folder: Name | None = None
    goal: Goal = "speed"
    max_speed_loss_pct: LossPct = 3.0


class _NewTrial(Struct):
    trials: tuple[TrialKeys, ...]


def parse_record(text: str, *, name: str) -> TuningRecord:
    """The record written in ``text``; ``name`` is the file name shown in errors.

    Raises
    ------
    RecordError
        If the text is not TOML, or an entry is missing, unknown or not allowed: file, line and key are named.
    """
    source = TomlSource.read(text, name, RecordError)
    keys = decoded(source, RecordKeys)
    if not keys.workloads:
        raise source.fault((), "there is no [[workloads]] entry", "add one or more, from the lightest to the heaviest")
    source.check_once([(*place, "name") for place in source.places(("workloads",))], "give each workload its own name")
    if keys.steps.endurance_max_minutes < keys.steps.endurance_min_minutes:
        raise source.fault(("steps", "endurance_max_minutes"), "is less than endurance_min_minutes")
    names = tuple(workload.name for workload in keys.workloads)
    for name_of in keys.lengths:
        if name_of not in names:
            raise source.unknown(("lengths", name_of), did_you_mean(name_of, names) or "name one of the workloads")
    _check_trials(source, keys.trials, keys)
    _check_logs(source)
    tables = {name: getattr(keys, name) for name in RecordKeys.__struct_fields__}
    return TuningRecord(**{**tables, "trials": tuple(table.trial() for table in keys.trials)})


def parse_record_file(content: bytes, *, name: str) -> TuningRecord:
    """The record in the bytes of a file, as `parse_record` reads its text."""
    return parse_record(decoded_text(content, name, RecordError), name=name)


def refuse_trial(text: str, record: TuningRecord, *, name: str) -> None:
    """Refuse a trial, written as a ``[[trials]]`` table, that a record could not hold.

    Raises
    ------
    RecordError
        Naming the key: the trial stands in no file yet, so there is no line.
    """
    source = TomlSource("", f"{name}: the new trial", RecordError, TomlSource.read(text, name, RecordError).values)
    _check_trials(source, decoded(source, _NewTrial).trials, record)


def _check_trials(source: TomlSource, trials: tuple[TrialKeys, ...], record: RecordKeys | TuningRecord) -> None:
    for at, trial in enumerate(trials):
        path = ("trials", at)
        source.check_among((*path, "workload"), tuple(workload.name for workload in record.workloads))
        if trial.on is not None and date_text(trial.on) is None:
            raise source.refuse((*path, "on"), "a date such as 2026-11-25")
        if trial.endurance and trial.minutes is None and trial.outcome is Outcome.PASSED:
            raise source.fault((*path, "endurance"), "is true but minutes is not given", "add how long it ran")
        if trial.power_limit_w is not None and trial.power_limit_pct != STOCK.power_limit_pct:
            raise source.fault((*path, "power_limit_pct"), "stands beside power_limit_w", "give the power limit once")
        # What it is in % of the limit as delivered is not known: a search would take it for a trial at stock.
        if trial.power_limit_w is not None and record.limits.power_w is None and record.goal != "speed":
            raise source.fault((*path, "power_limit_w"), "needs power_w in [limits]", "give it, or power_limit_pct")
        if trial.sensors and len(trial.sensors) != len(trial.logs):
            found = f"names {len(trial.sensors)} sensor logs for {len(trial.logs)} logs"
            raise source.fault((*path, "sensors"), found, "give one sensor log for each frame log, in the same order")


def _check_logs(source: TomlSource) -> None:
    """A run that was noted twice would count as two runs, and make numbers surer than they are."""
    seen: dict[str, int] = {}
    for trial in range(len(source.at(("trials",)) or ())):
        for place in source.places(("trials", trial, "logs")):
            log = source.at(place)
            name = posixpath.normpath(log)
            if name in seen:
                where = "twice" if seen[name] == trial else f"in trial {seen[name] + 1} too"
                helps = "each run has a log of its own, and counts once"
                raise source.fault(place, f"of trial {trial + 1} names {shown(log)}, which stands {where}", helps)
            seen[name] = trial


def date_text(value: object) -> str | None:
    """An ISO 8601 date of a TOML date or text; ``None`` where it is neither."""
    text: Any = value.isoformat() if isinstance(value, date) else value
    try:
        datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    return str(text)


def trial_text(trial: Trial) -> str:
    """One trial as a ``[[trials]]`` table that `parse_record` reads back equal; what is not known is left out."""
    told = {name: getattr(trial, name) for name in (*_SAME, "on")}
    clocks = ("core_offset_mhz", "memory_offset_mhz")
    told |= {
        name: getattr(trial.setting, name)
        for name in (knob.field for knob in KNOBS.values())
        if name in clocks or getattr(trial.setting, name) != getattr(STOCK, name)
    }
    told |= {"outcome": trial.outcome.value, "endurance": trial.is_endurance or None}
    known = {name: told[name] for name in TrialKeys.__struct_fields__ if told.get(name, "") not in ("", ())}
    return f"[[trials]]\n{toml_lines(known)}"


_TRIAL: Final = re.compile(rb"(?:\r?\n)?^[ \t]*\[\[[ \t]*trials[ \t]*\]\]", re.MULTILINE)


def with_trial(before: bytes, trial: Trial, *, name: str) -> tuple[bytes, TuningRecord]:
    """The bytes of a record with a trial appended, and the record in them; what stood there is kept byte for byte.

    Raises
    ------
    RecordError
        If there is no record in the bytes, or the trial does not fit it.
    """
    refuse_trial(trial_text(trial), parse_record_file(before, name=name), name=name)
    line_end = b"\r\n" if b"\r\n" in before else b"\n"
    added = line_end + trial_text(trial).encode().replace(b"\n", line_end)
    after = before + (b"" if before.endswith(b"\n") else line_end) + added
    record = parse_record_file(after, name=name)
    if record.trials[-1:] != (trial,):
        helps = "write trials as [[trials]] tables at the end"
        raise RecordError.at(name, "a trial cannot be appended to this text", helps=helps)
    return after, record


def without_last_trial(before: bytes, *, name: str) -> tuple[bytes, TuningRecord, Trial]:
    """The bytes of a record without its last trial, the record in them, and the trial.

    Raises
    ------
    RecordError
        If there is none, or it is no ``[[trials]]`` table at the end.
    """
    record = parse_record_file(before, name=name)
    heads = list(_TRIAL.finditer(before))
    if not record.trials or not heads:
        raise RecordError.at(name, "there is no trial to take back", helps="frametime tune show lists the trials")
    after = before[: heads[-1].start()]
    rest = parse_record_file(after, name=name)
    if rest != replace(record, trials=record.trials[:-1]):
        raise RecordError.at(name, "the last trial does not stand at the end", helps="take it out by hand")
    return after, rest, record.trials[-1]


TEMPLATE: Final = Path(__file__).with_name("new_record.toml").read_text("utf-8")
"""What a new record begins with."""
