"""A tuning record read from TOML, with an error for every wrong entry that says where it stands."""

from __future__ import annotations

import posixpath
from collections.abc import Mapping
from typing import Any, Final

from frametime.errors import RecordError, did_you_mean, printable
from frametime.toml_loading import load_toml
from frametime.tuning.record import CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload
from frametime.tuning.record_rules import TABLES, Rule, allowed, fits, one_of, shown
from frametime.tuning.toml_text import date_text, line_of

MAX_CHARACTERS: Final = 4_000_000


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


def refuse_trial(text: str, record: TuningRecord, *, name: str) -> None:
    """Refuse a trial, written as a ``[[trials]]`` table, that a record could not hold.

    Raises
    ------
    RecordError
        Naming the key: the trial stands in no file yet, so there is no line.
    """
    parser = _Parser("", name, is_new_trial=True)
    for entry in parser.entries("trials", load_toml(text)["trials"]):
        parser.trial(entry, 1, tuple(workload.name for workload in record.workloads))


class _Parser:
    """One record being read: knows text and file name, so that every error says where; a new trial has no place yet."""

    def __init__(self, text: str, name: str, *, is_new_trial: bool = False) -> None:
        self._text = text
        self._name = name
        self._is_new_trial = is_new_trial

    def record(self, top: Mapping[str, Any]) -> TuningRecord:
        for key in top:
            if key not in TABLES:
                raise self._unknown(key, tuple(TABLES), table=None, number=None)
        card = self._table("card", top.get("card"))
        limits = self._table("limits", top.get("limits"))
        workloads = tuple(Workload(**entry) for entry in self.entries("workloads", top.get("workloads")))
        steps = Steps(**self._table("steps", top.get("steps", {})))
        self._check_workloads(workloads)
        self._check_steps(steps)
        names = tuple(workload.name for workload in workloads)
        trials = tuple(
            self.trial(entry, number, names)
            for number, entry in enumerate(self.entries("trials", top.get("trials", [])), start=1)
        )
        self._check_logs(trials)
        return TuningRecord(
            card=CardFacts(**card), limits=Limits(**limits), workloads=workloads, steps=steps, trials=trials
        )

    def trial(self, entry: dict[str, Any], number: int, workloads: tuple[str, ...]) -> Trial:
        if entry["workload"] not in workloads:
            raise self._wrong("workload", entry["workload"], one_of(entry["workload"], workloads), "trials", number)
        trial = Trial(
            setting=Setting(
                core_offset_mhz=entry.pop("core_offset_mhz", 0), memory_offset_mhz=entry.pop("memory_offset_mhz", 0)
            ),
            outcome=Outcome(entry.pop("outcome")),
            is_endurance=entry.pop("endurance", False),
            **entry,
        )
        if trial.is_endurance and trial.minutes is None:
            found = "endurance is true but minutes is not given"
            raise self._error(found, "add how long it ran", key="endurance", table="trials", number=number)
        if trial.sensors and len(trial.sensors) != len(trial.logs):
            found = f"there are {len(trial.sensors)} sensors for {len(trial.logs)} logs"
            helps = "give one sensor log for each frame log, in the same order"
            raise self._error(found, helps, key="sensors", table="trials", number=number)
        return trial

    def _check_logs(self, trials: tuple[Trial, ...]) -> None:
        """A run that was noted twice would count as two runs, and make numbers surer than they are."""
        seen: dict[str, int] = {}
        for number, trial in enumerate(trials, start=1):
            for log in trial.logs:
                name = posixpath.normpath(log)
                if name in seen:
                    where = "twice" if seen[name] == number else f"in trial {seen[name]} too"
                    found = f"the log {shown(log)} stands {where}"
                    helps = "each run has a log of its own, and counts once"
                    raise self._error(found, helps, key="logs", table="trials", number=number)
                seen[name] = number

    def _check_workloads(self, workloads: tuple[Workload, ...]) -> None:
        if not workloads:
            raise self._error("there is no [[workloads]] entry", "add one or more, from the lightest to the heaviest")
        names = [workload.name for workload in workloads]
        for number, known in enumerate(names, start=1):
            if known in names[: number - 1]:
                found = f"the workload {shown(known)} stands twice"
                raise self._error(found, key="name", table="workloads", number=number)

    def _check_steps(self, steps: Steps) -> None:
        if steps.endurance_max_minutes < steps.endurance_min_minutes:
            found = "endurance_max_minutes is less than endurance_min_minutes"
            raise self._error(found, key="endurance_max_minutes", table="steps")

    def entries(self, table: str, value: object) -> list[dict[str, Any]]:
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            raise self._error(f"{table} is not a list of tables", f"begin each entry with [[{table}]]", table=table)
        return [self._entry(table, entry, number) for number, entry in enumerate(value, start=1)]

    def _table(self, table: str, value: object) -> dict[str, Any]:
        if value is None:
            raise self._error(f"there is no [{table}] table", "frametime tune new writes a first record")
        if not isinstance(value, dict):
            raise self._error(f"{table} is not a table", f"begin it with [{table}]", table=table)
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
                raise self._error(f"{key} is missing", f"it takes {allowed(rule)}", table=table, number=number)
        return checked

    def _value(self, key: str, value: object, rule: Rule, table: str, number: int | None) -> Any:
        if rule.kind in ("texts", "numbers"):
            if not isinstance(value, list):
                raise self._wrong(key, value, allowed(rule), table, number)
            single = Rule(kind="text" if rule.kind == "texts" else "number", low=rule.low, high=rule.high)
            return tuple(self._value(key, item, single, table, number) for item in value)
        if not fits(value, rule):
            raise self._wrong(key, value, allowed(rule), table, number)
        if rule.choices and value not in rule.choices:
            raise self._wrong(key, value, one_of(str(value), rule.choices), table, number)
        if rule.kind == "date":
            return date_text(value)
        return float(value) if rule.kind == "number" else value  # type: ignore[arg-type]  # fits has looked

    def _unknown(self, key: str, known: tuple[str, ...], *, table: str | None, number: int | None) -> RecordError:
        helps = did_you_mean(key, known) or f"known keys are {', '.join(known)}"
        line = line_of(self._text, table=table, number=number, key=key)
        if table is None:
            line = line_of(self._text, table=key, number=None, key=None) or line
        return self._built(f"unknown key '{printable(key, limit=60)}'", helps, line, table, number)

    def _wrong(self, key: str, value: object, allowed: str, table: str, number: int | None) -> RecordError:
        return self._error(f"{key} is {shown(value)}", f"allowed is {allowed}", key=key, table=table, number=number)

    def _error(
        self,
        found: str,
        helps: str | None = None,
        *,
        table: str | None = None,
        number: int | None = None,
        key: str | None = None,
    ) -> RecordError:
        line = None if table is None else line_of(self._text, table=table, number=number, key=key)
        return self._built(found, helps, line, table, number)

    def _built(
        self, found: str, helps: str | None, line: int | None, table: str | None, number: int | None
    ) -> RecordError:
        where = "" if table is None else f"in [{table}]: " if number is None else f"in {table} entry {number}: "
        if self._is_new_trial:
            where = "the new trial: "
        error = RecordError.at(self._name, where + found, line=line, helps=helps)
        assert isinstance(error, RecordError)
        return error
