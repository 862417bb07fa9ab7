"""The captures below a folder, in an order that is always the same; and how the files of one that is watched change."""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

from frametime.adapters.capture_start import without_endings
from frametime.adapters.columns.layout import LAYOUTS_NAME
from frametime.adapters.file_kind import LOG_ENDINGS

if TYPE_CHECKING:
    from frametime.plans.path_pattern import PathPattern

States: TypeAlias = Mapping[Path, tuple[int, ...] | None]
"""Files as they were seen; None for one that was not there."""
SENSOR_LOGS: Final = "sensor logs"
OTHER_FILES: Final = "other files"
_ADDED: Final = r"[-_. ]+[^\W\d_]+(?:[-_. ][^\W\d_]+)*"
"""What such a name adds: words without a digit, which could be the number of another run."""
_LABELS: Final = MappingProxyType({"sensors": SENSOR_LOGS, "results": "earlier result tables", "other": OTHER_FILES})


class FoundFile(NamedTuple):
    """A file of the walk: its name below a folder. Path and fields are made when asked for, so that many are small."""

    folder: Path
    name: str
    pattern: PathPattern | None = None

    @property
    def path(self) -> Path:
        """Where it is."""
        return self.folder / self.name

    @property
    def fields(self) -> Mapping[str, str]:
        """The fields of its path; none where it does not fit."""
        return (self.pattern.match(self.name) if self.pattern is not None else None) or {}

    @property
    def text_name(self) -> str:
        """The name as it stands in a table: bytes that are no text are shown as escapes."""
        return text_of(self.name)

    @property
    def text_fields(self) -> dict[str, str]:
        """The fields as they stand in a table."""
        return {name: text_of(value) for name, value in self.fields.items()}


def text_of(name: str) -> str:
    r"""A name of the file system as text that can be written: bytes that are no text become escapes.

    Names are UTF-8 on nearly every disk, whatever the locale says: in one without such letters Python hands over the
    bytes one by one, and the same folder would give another table.

    Examples
    --------
    >>> text_of("h\udcc3\udca4fen.csv"), text_of("run\udcff.csv")
    ('häfen.csv', 'run\\xff.csv')
    """
    if name.isascii():
        return name
    try:
        return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    except UnicodeEncodeError:  # half a pair of another system, which stands for no byte
        return name.encode("utf-8", "backslashreplace").decode("utf-8")


@dataclass(frozen=True, kw_only=True)
class Walk:
    """What lies in a folder: captures, other files by what they are with the reason, and why which folders cannot be
    listed."""

    captures: Sequence[FoundFile]
    others: Mapping[str, Mapping[str, str]]
    unlisted: Mapping[str, str] = field(default_factory=dict)


def walk_captures(folder: Path, *, pattern: PathPattern | None = None, leave_out: Path | None = None) -> Walk:
    """Find the captures below ``folder``, in the order of their names.

    Links to folders are not followed, so that a circle of links ends; hidden names are passed over, and so is
    ``leave_out``, the table or folder of tables of an earlier batch.

    Raises
    ------
    OSError
        If ``folder`` itself cannot be listed; one below it is told in ``unlisted``.
    """
    captures: list[FoundFile] = []
    others: dict[str, dict[str, str]] = {}
    unlisted: dict[str, str] = {}
    for path in files_below(folder, leave_out=leave_out, unlisted=unlisted):
        file = FoundFile(folder, path.relative_to(folder).as_posix(), pattern)
        if (why := passed_over(file)) is None:
            captures.append(file)
        else:
            others.setdefault(why[0], {})[file.name] = why[1]
    return Walk(captures=captures, others=others, unlisted=unlisted)


def passed_over(file: FoundFile) -> tuple[str, str] | None:
    """What a file is that is no capture of this name below its folder, and why; None for a capture."""
    from frametime.adapters.file_kind import classify_file

    if file.pattern is not None and file.pattern.match(file.name) is None:
        return "not matching the path pattern", ""
    kind = classify_file(file.path)
    return None if kind.kind == "frames" else (_LABELS[kind.kind], kind.reason)


def files_below(
    folder: Path, *, leave_out: Path | None = None, unlisted: dict[str, str] | None = None
) -> Iterator[Path]:
    """Files below a folder but hidden ones and ``leave_out``; ``unlisted`` takes why a folder cannot be listed.

    Raises
    ------
    OSError
        If ``folder`` itself cannot be listed.
    """
    own = leave_out.resolve() if leave_out is not None else None

    # Not os.walk: before Python 3.12 it calls itself once a level, and so ends at a thousand.
    waiting = [os.fspath(folder)]
    while waiting:
        root = waiting.pop()
        try:
            with os.scandir(root) as entries:
                found = sorted((entry.name, _is_folder(entry), entry.is_symlink()) for entry in entries)
        except OSError as error:
            if root == os.fspath(folder):
                raise
            if unlisted is not None:
                unlisted[os.path.relpath(root, folder)] = error.strerror or str(error)
            continue
        folders = []
        for name, is_folder, is_link in found:
            is_own = own is not None and name == own.name and Path(root, name).resolve() == own
            if name.startswith(".") or is_own:
                continue
            if not is_folder:
                yield Path(root, name)
            elif not is_link:
                folders.append(f"{root}{os.sep}{name}")
        waiting.extend(reversed(folders))


def sensor_log_beside(capture: str | os.PathLike[str]) -> Path | None:
    """The one sensor log that has the name of the capture and a word more; ``None`` where there is none, or several.

    That it is a sensor log is seen by its content.
    """
    from frametime.adapters.file_kind import classify_file

    path = Path(capture)
    stem, folder = without_endings(path).name, path.parent
    if not stem or os.fspath(capture) == "-":
        return None
    try:
        names = _logs_in(folder, folder.stat().st_mtime_ns)
    except OSError:
        return None
    longer = [name for name in names if name.startswith(stem) and name != path.name]
    found = [folder / name for name in longer if re.fullmatch(_ADDED, without_endings(Path(name)).name[len(stem) :])]
    found = [path for path in found if classify_file(path).kind == "sensors"]
    return found[0] if len(found) == 1 else None


@lru_cache(maxsize=64)
def _logs_in(folder: Path, changed_ns: int) -> tuple[str, ...]:
    """Names of logs in a folder; a folder that has changed since is listed again."""
    return tuple(path.name for path in folder.iterdir() if path.suffix.casefold() in LOG_ENDINGS)


def path_from(path: Path, folder: Path) -> str:
    """A path as seen from a folder, with forward slashes, so that the two can be moved together.

    It is absolute where they lie on two drives.
    """
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return path.resolve().as_posix()


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a circle of links: opening it will say so
        return False


class Tree:
    """The files below a folder, and others beside it, as they were last seen: what has come, changed and settled."""

    def __init__(self, folder: Path, known: States, beside: Sequence[Path] = ()) -> None:
        self._folder, self._beside = folder, beside
        self._known = dict(known)
        self._waiting: dict[Path, tuple[tuple[int, ...], float]] = {}
        self._identity: tuple[int, int] | None = self._look_up()
        self._first_look_s: float | None = time.time()

    def _look_up(self) -> tuple[int, int] | None:
        status = _status(self._folder)
        return None if status is None else (status.st_dev, status.st_ino)

    def news(self) -> str | None:
        """A sentence where the folder itself has gone, come back, or been replaced by another."""
        before, self._identity = self._identity, self._look_up()
        if before == self._identity:
            return None
        if self._identity is None:
            return "this folder is gone; the watch goes on when it is there again"
        return "this folder is there again" if before is None else "this is another folder now; the watch goes on in it"

    def settled(self, settle_s: float) -> list[Path]:
        """Files that are new or have changed, and have stayed as they are for long enough; each is given once.

        How long one that lies there at the first look has stayed so is told by its time of change. A file that was
        given and is gone is given once more.
        """
        now, found, here = time.monotonic(), [], set()
        waiting, self._waiting = self._waiting, {}
        first_look_s, self._first_look_s = self._first_look_s, None
        with contextlib.suppress(OSError):  # the folder is gone: `news` says so
            for path in chain(self._beside, files_below(self._folder)):
                here.add(path)
                state = state_of(path)
                if state is None or self._known.get(path) == state:
                    continue
                age_s = 0.0 if first_look_s is None else first_look_s - state[1] / 1e9
                before, since = waiting.get(path, (state, now - age_s))
                since = since if before == state else now
                if now - since >= settle_s:
                    self._known[path] = state
                    found.append(path)
                else:
                    self._waiting[path] = (state, since)
            found += (gone := self._known.keys() - here)
            self._known = {path: state for path, state in self._known.items() if path not in gone}
        return sorted(found)


def state_of(path: Path) -> tuple[int, ...] | None:
    """What changes when a file changes, or the layouts that are kept beside it; ``None`` where it is gone."""
    if (own := _status(path)) is None:
        return None
    beside = _status(path.with_name(LAYOUTS_NAME))
    return tuple(part for of in (own, beside) if of is not None for part in (of.st_size, of.st_mtime_ns))


def _status(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except OSError:
        return None
