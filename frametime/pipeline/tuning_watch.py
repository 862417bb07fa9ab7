"""Trials at the bench: each log is taken and judged as it is finished, and only what no log can know is asked."""

from __future__ import annotations

import math
import os
import queue
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from frametime.adapters.columns.layout import LAYOUTS_NAME
from frametime.adapters.file_kind import classify_file
from frametime.errors import FrametimeError, RecordError, printable
from frametime.pipeline import tuning_record
from frametime.pipeline.watching import finished_files
from frametime.plans.folder_walk import files_below, sensor_log_beside, state_of
from frametime.render.tuning_text import bench_text, short_noted_text
from frametime.tuning.new_trial import MeasuredLog, TrialAtHand
from frametime.tuning.next_trial import next_trial
from frametime.tuning.proposal import NextStep, Proposal
from frametime.tuning.record import Outcome, Trial, TuningRecord
from frametime.tuning.trial_view import TrialView

_COUNT_S: Final = 1.0
_LOOK_S: Final = 30.0
"""How often a log that grows is read, in s, to see whether its run has failed."""


class TuningBench:
    """A record at the bench: what stands next, the runs that were made of it, and what was asked.

    Every method gives what is to be told. Nothing is kept but the record and the runs of the trial at hand: a bench
    that was ended goes on where it was. Logs that lie in the folder at the start are left alone.
    """

    def __init__(self, path: str) -> None:
        record = tuning_record.read_record(path)
        if record.logs_folder is None:
            raise RecordError.at(path, "logs_folder is not given", helps="name the folder where the logger writes")
        self._path = path
        self.folder = (Path(path).parent / record.logs_folder).absolute()
        if not self.folder.is_dir():
            raise RecordError.at(str(self.folder), "there is no such folder", helps="logs_folder names it")
        self._seen = {file: state_of(file) for file in files_below(self.folder)}
        self._runs: dict[Path, float] = {}
        """The minutes of each run of this watch that its own log has not shown to have failed."""
        self._began_s: dict[Path, float] = {}
        self._looked_s: dict[Path, float] = {}
        """When a log that grows was read last; infinite where it has been told that its run has failed."""
        self._turn_to()

    def _turn_to(self, step: NextStep | None = None) -> None:
        """Turn to a step, or to what the record says is next."""
        self._state = state_of(Path(self._path))
        self.step = step or next_trial(tuning_record.read_measured(self._path)[0])
        self._at_hand = TrialAtHand(self.step) if isinstance(self.step, Proposal) else None

    def told(self) -> str:
        """What comes next."""
        return bench_text(self.step)

    def finished(self, path: Path) -> str:
        """A file has been written: the log of a run is taken and judged."""
        state = state_of(path)
        is_known, self._seen[path] = self._seen.get(path) == state, state
        self._began_s.pop(path, None)
        if is_known or state is None or classify_file(path).kind != "frames":
            return ""
        if self._at_hand is None or self._at_hand.n_answers is not None:
            asked = self._at_hand.question if self._at_hand else ""
            return f"{self._name(path)} is left alone: {'answer first' if asked else 'no run was asked for'}.\n{asked}"
        return self._judged(path, self._at_hand)

    def _judged(self, path: Path, made: TrialAtHand) -> str:
        helps = "Mend the record and begin again; 'frametime tune add --passed' notes a trial with its newest logs."
        try:
            record = tuning_record.read_record(self._path)
            helps = "No run is taken from it: record again, or say by key how it ended."
            tuning_record.refuse_new(self._path, replace(made.trial(Outcome.PASSED), logs=(str(path),)), record)
            log = self._measured(path, made.trial(Outcome.PASSED), record)
        except FrametimeError as error:
            return f"{error}\n{helps}\n"
        words, outcome = made.take(path, log, record)
        told = f"{self._name(path)}: {words}\n"
        self._runs.pop(path, None)
        if outcome is not None:
            made.n_answers = 0  # asked only where it cannot be noted
            return told + self._noted(made, outcome)
        self._runs[path] = made.runs[path]
        return told + made.question

    def running(self, now_s: float) -> str:
        """How long a log has been growing, over the same line again; once, that its run has failed already.

        Nothing where none grows. Its own length counts as soon as it was read, with that of the parts before it.
        """
        grows = (file for file in files_below(self.folder) if self._seen.get(file) != state_of(file))
        try:
            log = next((file for file in grows if classify_file(file).kind == "frames"), None)
        except OSError:  # the folder is gone, as is told where finished logs are looked for
            return ""
        if log is None or self._at_hand is None:
            return self._changed()
        began_s = self._began_s.setdefault(log, now_s)
        if now_s - self._looked_s.get(log, began_s) >= _LOOK_S:
            length_s, failures = self._so_far(log, self._at_hand)
            self._looked_s[log] = math.inf if failures else now_s
            if length_s is not None:
                began_s = self._began_s[log] = now_s - length_s
            if failures:
                return f"\n{self._name(log)} has failed already: {'; '.join(failures)}. End the run.\n"
        step, runs = self._at_hand.step, self._at_hand.runs
        before = sum(runs[part] for part in runs if part != log) if step.is_endurance else 0.0
        return f"\r    {before + (now_s - began_s) / 60.0:.1f} of {step.minutes:g} min "

    def _changed(self) -> str:
        """What comes next where the record was changed by another hand and no run was made: a limit counts at once."""
        if self._state == state_of(Path(self._path)) or (self._at_hand and self._at_hand.runs):
            return ""
        before = self.step
        try:
            self._turn_to()
        except FrametimeError as error:
            return f"\n{error}\n"
        return "" if self.step == before else f"\nThe record was changed.\n\n{self.told()}"

    def _so_far(self, log: Path, made: TrialAtHand) -> tuple[float | None, tuple[str, ...]]:
        """Length of a log that grows, in s, and what no later frame can take back; ``None`` where it cannot be read.

        A copy is read: what is written meanwhile would be refused as a change.
        """
        # Drift and hitches are judged over the whole of a run: freezes and heat are all that a part can show.
        trial = replace(made.trial(Outcome.PASSED), is_endurance=False)
        with tempfile.TemporaryDirectory() as folder:
            try:
                record = tuning_record.read_record(self._path)
                beside = (sensor_log_beside(log), log.with_name(LAYOUTS_NAME))
                for file in (log, *(file for file in beside if file is not None and file.exists())):
                    shutil.copy2(file, folder)
                found = self._measured(Path(folder, log.name), trial, record)
            except (FrametimeError, OSError):
                return None, ()
        heat = found.heat(record.limits)
        return found.run.duration_s, (*found.against, *((heat,) if heat else ()))

    @staticmethod
    def _measured(log: Path, trial: Trial, record: TuningRecord) -> MeasuredLog:
        """One log of a trial, with the sensor log that lies beside it."""
        return tuning_record.measured_logs(tuning_record.with_logs(trial, [log]), record=record)[0]

    def pressed(self, key: str) -> str:
        """A key: an answer, a failure that was seen, or the last answer taken back."""
        key = key.lower()
        if key == "u":
            return self._taken_back()
        if self._at_hand is None:
            return ""
        outcome = self._at_hand.answered(key)
        return self._at_hand.question if outcome is None else self._noted(self._at_hand, outcome)

    def _noted(self, made: TrialAtHand, outcome: Outcome) -> str:
        """The trial goes into the record, with its logs."""
        try:
            noted = tuning_record.note_trial(self._path, tuning_record.with_logs(made.trial(outcome), list(made.runs)))
        except FrametimeError as error:
            return f"{error}\nNothing is noted yet.\n{made.question}"
        self._turn_to(noted.next_step)
        told = "".join(f"{caveat.message}\n" for caveat in noted.caveats)
        return f"{told}{short_noted_text(noted)}\n{self.told()}"

    def _taken_back(self) -> str:
        """The last answer, the last run of the trial at hand, or the last trial of the record."""
        made = self._at_hand
        if made is not None and made.n_answers:
            made.n_answers -= 1
            return made.question
        if made is not None and made.runs:
            made.n_answers = None
            return f"{self._name(made.runs.popitem()[0])} is taken back: it counts for no trial.\n"
        try:
            rest, trial = tuning_record.take_back_trial(self._path)
        except FrametimeError as error:
            return f"{error}\n"
        self._turn_to()
        outcome = TrialView(rest).failure_of(trial) or "passed"
        told = f"Taken back: {trial.setting}, '{trial.workload}', {outcome}.\n\n{self.told()}"
        logs = {(Path(self._path).parent / log).resolve() for log in trial.logs}
        runs = {log: minutes for log, minutes in self._runs.items() if log.resolve() in logs}
        if self._at_hand is None or not runs or not self._at_hand.is_of(trial):
            return told  # its logs spoke for themselves, are none of this watch, or another trial is asked for now
        self._at_hand.ask_again(runs, trial.outcome)
        return told + (self._at_hand.question or f"Still counted: {', '.join(map(self._name, runs))}.\n")

    def left(self) -> str:
        """The runs that are in no trial when the watch ends."""
        names = ", ".join(map(self._name, self._at_hand.runs if self._at_hand else ()))
        return names and f"Not noted, for the trial has not ended: {names} ('frametime tune add' with --log notes it)\n"

    def _name(self, path: Path) -> str:
        return printable(os.path.relpath(path, self.folder))


def watch_trials(
    bench: TuningBench, read_keys: Callable[[], str], *, settle_s: float = 10.0, stop: threading.Event | None = None
) -> Iterator[str]:
    """What is to be told, as logs are finished and keys are pressed; ends with the key ``q``, or when ``stop`` is set.

    Parameters
    ----------
    bench : TuningBench
    read_keys : callable
        Waits for a key, or several that were pressed at once; an empty text is the end of all keys.
    settle_s : float
        How long a file must have stayed as it is, in s, before it is read.
    stop : threading.Event, optional
    """
    stop = threading.Event() if stop is None else stop
    events: queue.SimpleQueue[str | Path] = queue.SimpleQueue()

    def press() -> None:
        while (keys := read_keys()) and "q" not in keys.lower():
            for key in () if keys.startswith("\x1b") else keys:
                events.put(key)
        events.put("q")

    def look() -> None:
        for news in finished_files(bench.folder, settle_s=settle_s, stop=stop):
            events.put(news if isinstance(news, Path) else f"\n{news}")

    for work in (press, look):
        threading.Thread(target=work, daemon=True).start()
    told, ends_line = bench.told(), ""
    try:
        while True:
            yield told
            ends_line = "\n" if told.startswith("\r") else "" if told else ends_line
            try:
                event = events.get(timeout=_COUNT_S)
            except queue.Empty:
                told = bench.running(time.monotonic())
                continue
            if event == "q":
                if left := bench.left():
                    yield f"{ends_line}{left}"
                return
            if isinstance(event, Path):
                told = bench.finished(event)
            else:
                told = f"{event[1:]}\n" if event.startswith("\n") else bench.pressed(event)
            told = f"{ends_line}{told}" if told else ""
    finally:
        stop.set()
