"""A folder at the bench: each capture is measured as soon as it is finished being written.

A file counts as finished when neither its size nor its time of change has moved for a while; a file that a program
writes under another name and renames is seen at its last name only. Nothing is ever read before that.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.adapters.sensors.beside import sensor_log_beside
from frametime.capture import Conditions
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.measuring import MeasureRequest, measure_one

if TYPE_CHECKING:
    import threading

    from frametime.adapters.base import ReadOptions
    from frametime.metrics.options import MeasureOptions
    from frametime.plans.path_pattern import PathPattern

_POLL_MS: Final = 200


@dataclass(frozen=True, kw_only=True)
class WatchOptions:
    """What is watched for.

    Attributes
    ----------
    read, measure
        As for one file.
    path_pattern : PathPattern or None
        Says which runs are one set; without it every capture stands alone.
    skip_start_auto : bool
        Leave out the warm-up that is found at the start.
    n_runs : int
        Usable runs that a set needs.
    settle_s : float
        How long a file must have stayed as it is, in s, before it is read.
    """

    read: ReadOptions
    measure: MeasureOptions
    path_pattern: PathPattern | None = None
    skip_start_auto: bool = False
    n_runs: int = 3
    settle_s: float = 1.0

    def __post_init__(self) -> None:
        if self.n_runs < 1:
            raise ValueError(f"n_runs must be 1 or more, got {self.n_runs!r}")
        if not self.settle_s > 0.0:
            raise ValueError(f"settle_s must be positive, got {self.settle_s!r}")


@dataclass(frozen=True, kw_only=True)
class WatchReport:
    """A finished capture: its name below the folder, what came of it, and what its set still needs.

    ``path`` is that of the file itself; a converted capture remembers the name of the log that it came from.
    """

    name: str
    path: str
    run: MeasuredRun | None
    error: str | None
    set_sentence: str | None


@dataclass
class _RunSets:
    """Which runs of which set are usable so far."""

    n_runs: int
    words: dict[tuple[tuple[str, str], ...], dict[str, bool]] = field(default_factory=lambda: defaultdict(dict))

    def add(self, fields: dict[str, str], *, usable: bool) -> str:
        """Count one run and say what its set needs."""
        key = tuple((name, value) for name, value in fields.items() if name != "run")
        runs = self.words[key]
        runs[fields.get("run", "")] = usable
        n_usable = sum(runs.values())
        name = ", ".join(value for _, value in key) or "this set"
        to_repeat = sorted(run for run, good in runs.items() if not good)
        repeat = f"; repeat run {', '.join(to_repeat)}" if to_repeat else ""
        if n_usable >= self.n_runs:
            return f"{name}: complete, {n_usable} usable runs{repeat}"
        missing = self.n_runs - n_usable
        return f"{name}: {n_usable} of {self.n_runs} usable runs, {missing} more needed{repeat}"


class _Settling:
    """Files that have changed and may not be finished yet."""

    def __init__(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._seen: dict[Path, tuple[tuple[int, int], float]] = {}

    def changed(self, path: Path) -> None:
        """A file has come or changed."""
        self._seen[path] = ((-1, -1), time.monotonic())

    def settled(self) -> Iterator[Path]:
        """Files that have stayed as they are for long enough; each is given once."""
        now = time.monotonic()
        for path, (state, since) in sorted(self._seen.items()):
            try:
                status = path.stat()
            except OSError:
                del self._seen[path]
                continue
            current = (status.st_size, status.st_mtime_ns)
            if current != state:
                self._seen[path] = (current, now)
            elif now - since >= self._settle_s:
                del self._seen[path]
                yield path


def watch_folder(folder: Path, *, options: WatchOptions, stop: threading.Event | None = None) -> Iterator[WatchReport]:
    """Measure each capture below ``folder`` as it is finished, until ``stop`` is set.

    Captures that lie there already count for their sets, in the order of their names, and are reported first.

    Parameters
    ----------
    folder : Path
    options : WatchOptions
    stop : threading.Event, optional

    Yields
    ------
    WatchReport
    """
    from watchfiles import watch

    from frametime.plans.folder_walk import walk_captures

    folder = folder.resolve()
    sets = _RunSets(options.n_runs)
    for found in walk_captures(folder, pattern=options.path_pattern).captures:
        yield _report(found.path, folder, options, sets)
    settling = _Settling(options.settle_s)
    changes = watch(
        folder, stop_event=stop, rust_timeout=_POLL_MS, debounce=_POLL_MS, yield_on_timeout=True, raise_interrupt=True
    )
    for batch in changes:
        for _, name in batch:
            settling.changed(Path(name))
        for path in settling.settled():
            if _is_capture(path, folder, options):
                yield _report(path, folder, options, sets)


def _is_capture(path: Path, folder: Path, options: WatchOptions) -> bool:
    from frametime.adapters.file_kind import classify_file

    relative = path.relative_to(folder)
    if not path.is_file() or any(part.startswith(".") for part in relative.parts):
        return False
    if options.path_pattern is not None and options.path_pattern.match(relative.as_posix()) is None:
        return False
    return classify_file(path).kind == "frames"


def _report(path: Path, folder: Path, options: WatchOptions, sets: _RunSets) -> WatchReport:
    name = path.relative_to(folder).as_posix()
    fields = options.path_pattern.match(name) if options.path_pattern is not None else None
    sensors = sensor_log_beside(path)
    outcome = measure_one(
        MeasureRequest(
            path=str(path),
            sensors=None if sensors is None else str(sensors),
            sensors_are_found=sensors is not None,
            read=options.read,
            measure=options.measure,
            conditions=Conditions(**(fields or {})),
            skip_start_auto=options.skip_start_auto,
            keep_curves=False,
        )
    )
    usable = outcome.run is not None and outcome.run.judgement.word != "repeat this run"
    sentence = sets.add(fields, usable=usable) if fields is not None else None
    return WatchReport(name=name, path=str(path), run=outcome.run, error=outcome.error, set_sentence=sentence)
