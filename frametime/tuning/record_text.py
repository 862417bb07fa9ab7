"""A tuning record read from TOML, with an error for every wrong entry that says where it stands."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any, Final, Literal

from frametime.errors import RecordError, did_you_mean, printable
from frametime.toml_loading import load_toml
from frametime.tuning.record import CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload
from frametime.tuning.toml_text import date_text, line_of, toml_value

MAX_CHARACTERS: Final = 4_000_000

Kind = Literal["text", "flag", "whole", "number", "date", "texts", "numbers"]


@dataclass(frozen=True, kw_only=True)
class Rule:
    """What a key may hold; numbers lie in ``low`` to ``high``."""

    kind: Kind
    low: float = -math.inf
    high: float = math.inf
    required: bool = False
    choices: tuple[str, ...] = ()


def _positive(kind: Kind, high: float, *, required: bool = False) -> Rule:
    return Rule(kind=kind, low=1e-9 if kind in ("number", "numbers") else 1, high=high, required=required)


_OFFSET: Final = Rule(kind="whole", low=-5000, high=5000)

TABLES: Final[Mapping[str, Mapping[str, Rule]]] = MappingProxyType(
    {
        "card": {
            "name": Rule(kind="text", required=True),
            "core_clock_mhz": _positive("number", 20_000),
            "memory_clock_mhz": _positive("number", 50_000),
        },
        "limits": {
            "temperature_c": Rule(kind="number", low=30, high=110, required=True),
            "max_core_offset_mhz": Rule(kind="whole", low=0, high=5000, required=True),
            "max_memory_offset_mhz": Rule(kind="whole", low=0, high=5000, required=True),
            "power_w": _positive("number", 5000),
        },
        "workloads": {"name": Rule(kind="text", required=True), "memory_heavy": Rule(kind="flag")},
        "steps": {
            item.name: _positive("number", 600) if item.type == "float" else _positive("whole", 1000)
            for item in fields(Steps)
        },
        "trials": {
            "core_offset_mhz": _OFFSET,
            "memory_offset_mhz": _OFFSET,
            "workload": Rule(kind="text", required=True),
            "outcome": Rule(kind="text", required=True, choices=tuple(item.value for item in Outcome)),
            "endurance": Rule(kind="flag"),
            "minutes": _positive("number", 10_000),
            "power_limit_w": _positive("number", 5000),
            "logs": Rule(kind="texts"),
            "sensors": Rule(kind="texts"),
            "average_fps": _positive("numbers", 1e6),
            "average_power_w": _positive("numbers", 5000),
            "peak_temperature_c": Rule(kind="number", low=-50, high=200),
            "on": Rule(kind="date"),
            "note": Rule(kind="text"),
        },
    }
)


def parse_record(text: str, *, name: str) -> TuningRecord:
    """The record written in ``text``; ``name`` is the file name shown in errors.

    Raises
    ------
    RecordError
        If the text is not TOML, or an entry is missing, unknown or not allowed: file, line and key are named.
    """
    if len(text) > MAX_CHARACTERS:
        raise RecordError.at(name, f"the record has {len(text)} characters", helps=f"at most {MAX_CHARACTERS} are read")
    text = text.removeprefix("\ufeff")
    try:
        top = load_toml(text)
    except ValueError as error:
        raise RecordError.at(name, f"this is not TOML: {printable(str(error))}") from None
    return _Parser(text, name).record(top)


class _Parser:
    """One record being read: knows text and file name, so that every error says where."""

    def __init__(self, text: str, name: str) -> None:
        self._text = text
        self._name = name

    def record(self, top: Mapping[str, Any]) -> TuningRecord:
        for key in top:
            if key not in TABLES:
                raise self._unknown(key, tuple(TABLES), table=None, number=None)
        card = self._table("card", top.get("card"))
        limits = self._table("limits", top.get("limits"))
        workloads = tuple(Workload(**entry) for entry in self._list("workloads", top.get("workloads")))
        steps = Steps(**self._table("steps", top.get("steps", {})))
        self._check_workloads(workloads)
        self._check_steps(steps)
        names = tuple(workload.name for workload in workloads)
        trials = tuple(
            self._trial(entry, number, names)
            for number, entry in enumerate(self._list("trials", top.get("trials", [])), start=1)
        )
        return TuningRecord(
            card=CardFacts(**card), limits=Limits(**limits), workloads=workloads, steps=steps, trials=trials
        )

    def _trial(self, entry: dict[str, Any], number: int, workloads: tuple[str, ...]) -> Trial:
        if entry["workload"] not in workloads:
            raise self._wrong("workload", entry["workload"], _one_of(entry["workload"], workloads), "trials", number)
        trial = Trial(
            setting=Setting(
                core_offset_mhz=entry.pop("core_offset_mhz", 0), memory_offset_mhz=entry.pop("memory_offset_mhz", 0)
            ),
            outcome=Outcome(entry.pop("outcome")),
            is_endurance=entry.pop("endurance", False),
            **entry,
        )
        if trial.is_endurance and trial.minutes is None:
            raise self._error(
                "endurance is true but minutes is not given", "add how long it ran", "endurance", "trials", number
            )
        if trial.sensors and len(trial.sensors) != len(trial.logs):
            found = f"there are {len(trial.sensors)} sensors for {len(trial.logs)} logs"
            raise self._error(
                found, "give one sensor log for each frame log, in the same order", "sensors", "trials", number
            )
        return trial

    def _check_workloads(self, workloads: tuple[Workload, ...]) -> None:
        if not workloads:
            raise self._error(
                "there is no [[workloads]] entry",
                "add one or more, from the lightest to the heaviest",
                None,
                None,
                None,
            )
        names = [workload.name for workload in workloads]
        for number, known in enumerate(names, start=1):
            if known in names[: number - 1]:
                raise self._error(f"the workload {_shown(known)} stands twice", None, "name", "workloads", number)

    def _check_steps(self, steps: Steps) -> None:
        if steps.endurance_max_minutes < steps.endurance_min_minutes:
            raise self._error(
                "endurance_max_minutes is less than endurance_min_minutes", None, "endurance_max_minutes", "steps", None
            )

    def _list(self, table: str, value: object) -> list[dict[str, Any]]:
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            raise self._error(
                f"{table} is not a list of tables", f"begin each entry with [[{table}]]", None, table, None
            )
        return [self._entry(table, entry, number) for number, entry in enumerate(value, start=1)]

    def _table(self, table: str, value: object) -> dict[str, Any]:
        if value is None:
            raise self._error(
                f"there is no [{table}] table", "frametime tune new writes a first record", None, None, None
            )
        if not isinstance(value, dict):
            raise self._error(f"{table} is not a table", f"begin it with [{table}]", None, table, None)
        return self._entry(table, value, None)

    def _entry(self, table: str, entry: Mapping[str, Any], number: int | None) -> dict[str, Any]:
        rules = TABLES[table]
        checked = {}
        for key, value in entry.items():
            if key not in rules:
                raise self._unknown(key, tuple(rules), table=table, number=number)
            checked[key] = self._value(key, value, rules[key], table, number)
        for key, rule in rules.items():
            if rule.required and key not in entry:
                raise self._error(f"{key} is missing", f"it takes {_allowed(rule)}", None, table, number)
        return checked

    def _value(self, key: str, value: object, rule: Rule, table: str, number: int | None) -> Any:
        if rule.kind in ("texts", "numbers"):
            if not isinstance(value, list):
                raise self._wrong(key, value, _allowed(rule), table, number)
            single = Rule(kind="text" if rule.kind == "texts" else "number", low=rule.low, high=rule.high)
            return tuple(self._value(key, item, single, table, number) for item in value)
        if not _fits(value, rule):
            raise self._wrong(key, value, _allowed(rule), table, number)
        if rule.choices and value not in rule.choices:
            raise self._wrong(key, value, _one_of(str(value), rule.choices), table, number)
        if rule.kind == "date":
            return date_text(value)
        return float(value) if rule.kind == "number" else value  # type: ignore[arg-type]  # _fits has looked

    def _unknown(self, key: str, known: tuple[str, ...], *, table: str | None, number: int | None) -> RecordError:
        helps = did_you_mean(key, known) or f"known keys are {', '.join(known)}"
        line = line_of(self._text, table=table, number=number, key=key)
        if table is None:
            line = line_of(self._text, table=key, number=None, key=None) or line
        return self._built(f"unknown key '{printable(key, limit=60)}'", helps, line, table, number)

    def _wrong(self, key: str, value: object, allowed: str, table: str | None, number: int | None) -> RecordError:
        return self._error(f"{key} is {_shown(value)}", f"allowed is {allowed}", key, table, number)

    def _error(
        self, found: str, helps: str | None, key: str | None, table: str | None, number: int | None
    ) -> RecordError:
        line = None if table is None else line_of(self._text, table=table, number=number, key=key)
        return self._built(found, helps, line, table, number)

    def _built(
        self, found: str, helps: str | None, line: int | None, table: str | None, number: int | None
    ) -> RecordError:
        where = "" if table is None else f"in [{table}]: " if number is None else f"in {table} entry {number}: "
        error = RecordError.at(self._name, where + found, line=line, helps=helps)
        assert isinstance(error, RecordError)
        return error


def _fits(value: object, rule: Rule) -> bool:
    if rule.kind == "text":
        return isinstance(value, str)
    if rule.kind == "flag":
        return isinstance(value, bool)
    if rule.kind == "date":
        return date_text(value) is not None
    if isinstance(value, bool) or not isinstance(value, int if rule.kind == "whole" else (int, float)):
        return False
    return rule.low <= value <= rule.high  # False for NaN


def _allowed(rule: Rule) -> str:
    words = {
        "text": "a text in quotes",
        "flag": "true or false",
        "whole": "a whole number",
        "number": "a number",
        "date": "a date such as 2026-11-25",
        "texts": "a list of texts in quotes",
        "numbers": "a list of numbers",
    }
    if rule.choices:
        return _one_of("", rule.choices)
    if math.isinf(rule.low):
        return words[rule.kind]
    low = "more than 0" if rule.low == 1e-9 else f"from {rule.low:g}"
    return f"{words[rule.kind]} {low} to {rule.high:g}"


def _one_of(found: str, choices: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(found, choices, n=1, cutoff=0.5)
    listed = "one of " + ", ".join(_shown(choice) for choice in choices)
    return f"{listed} (did you mean {_shown(near[0])}?)" if near else listed


def _shown(value: object) -> str:
    if isinstance(value, str):
        return printable(toml_value(value), limit=60)
    return printable(str(value).lower() if isinstance(value, bool) else str(value), limit=60)
