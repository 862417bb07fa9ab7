"""When a capture was made: by what was given, its own dates, the file beside it, its name, or its last change."""

from __future__ import annotations

import json
import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, Literal, NamedTuple

import numpy as np

from frametime.adapters.columns.words import CLOCK, DATE, Unit
from frametime.adapters.file_kind import LOG_ENDINGS
from frametime.adapters.text.cells import POINT, exact_ns
from frametime.capture import TIME_COLUMN, Capture, Provenance
from frametime.errors import SensorError, printable
from frametime.units import NS_PER_S

ClockKind = Literal["absolute", "zoneless", "time of day", "elapsed"]

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
SINCE_1970_NS: Final = (946_684_800 * NS_PER_S, 4_102_444_800 * NS_PER_S)
"""Counts that lie in the years 2000 to 2099 since 1970 are absolute: no machine has run for 30 years."""

_ZONE: Final = r"(?:Z|z|UTC|[+-]\d{2}(?::?\d{2})?)$"

_STAMP_IN_NAME: Final = (
    r"(?<!\d)((?:19|20)\d\d)[-_.]?(\d\d)[-_.]?(\d\d)[-_ .T]*(?:at)?[-_ .]*"
    r"(\d\d)[-_.:h]?(\d\d)[-_.:m]?(\d\d)(?!\d)(Z?)"
)

_BEGAN: Final = r"^(?:record|captur|start|begin|began|aufgenommen|aufnahme|beginn|enregistr|début|inicio|grabad|inizio)"
_MAX_SIDECAR_BYTES: Final = 1 << 20


class CaptureStart(NamedTuple):
    """When the clock of a capture stood at 0: ns since 1970, in UTC or as a local time that names no zone.

    ``doubt_s`` is how far off it may be; ``is_guess`` that it rests on the time of the file's last change.
    """

    ns: int
    kind: ClockKind
    words: str
    doubt_s: float = 0.0
    is_guess: bool = False


def any_ns(text: str) -> tuple[int, ClockKind]:
    """An ISO 8601 time in ns since 1970, and whether it names its zone; without one it is as if in UTC.

    Digits below a nanosecond are dropped.

    Raises
    ------
    ValueError
        If it is no such time.

    Examples
    --------
    >>> any_ns("2026-11-25T09:43:16.226568+00:00")
    (1795599796226568000, 'absolute')
    """
    word = text.strip()
    zoned = re.search(_ZONE, word[10:]) is not None
    (ns,) = exact_ns([word if zoned else f"{word}Z"], DATE, POINT)
    if ns is None:
        raise ValueError(f"'{printable(text, limit=60)}' is not an ISO 8601 time such as 2026-11-25T09:43:16.227Z")
    return ns, "absolute" if zoned else "zoneless"


def clock_of(unit: Unit | None, zoned: bool | None, first_ns: int) -> tuple[ClockKind, str]:
    """On which kind of clock times in ``unit`` are, and why.

    Parameters
    ----------
    unit : Unit or None
    zoned : bool or None
        Of dates, whether they name their zone.
    first_ns : int
        The first of the times.
    """
    if zoned is not None:
        zoneless = "the dates name no zone, so they are not taken as UTC"
        return ("absolute", "the dates name their zone") if zoned else ("zoneless", zoneless)
    if unit is CLOCK and first_ns > 3600 * NS_PER_S:
        return "time of day", ""
    if unit is not None and unit.form == "number" and SINCE_1970_NS[0] <= first_ns <= SINCE_1970_NS[1]:
        return "absolute", f"the times count from 1970: the first is {np.datetime64(first_ns, 'ns')} UTC"
    return "elapsed", ""


def utc_text(ns: int) -> str:
    """ISO 8601 text in UTC, to the microsecond."""
    return (EPOCH + timedelta(microseconds=ns // 1000)).isoformat()


def capture_start(capture: Capture, given: str | None, *, trusts_file_time: bool = True) -> CaptureStart | None:
    """When the capture's clock stood at 0, and where that was found; ``None`` where nothing says it.

    It is taken from what was given, from the capture's own dates, from a JSON file beside the capture that has the
    same name, the ending ``.json`` and the key ``recorded_from_utc``, from a date with a time in the name of the file,
    or from the time of the file's last change as the end of the capture: the first of them that is there.

    Raises
    ------
    SensorError
        If the file beside the capture names a time that cannot be read.
    """
    stated = stated_start(capture.provenance, given)
    if stated is not None or not trusts_file_time or capture.provenance.file_name in ("", "-"):
        return stated
    # The file's last change is taken for the end of the capture.
    try:
        changed_ns = Path(capture.provenance.file_name).stat().st_mtime_ns
    except OSError:
        return None
    stamps = capture.frames.column(TIME_COLUMN)
    words = f"from the last change of its file ({utc_text(changed_ns)}), taken as its end"
    return CaptureStart(changed_ns - int(stamps[len(stamps) - 1].as_py()), "absolute", words, 2.0, is_guess=True)


def stated_start(provenance: Provenance, given: str | None) -> CaptureStart | None:
    """`capture_start` without the time of the file's last change.

    Raises
    ------
    SensorError
    """
    if given is not None:
        return CaptureStart(*any_ns(given), "as given")
    if provenance.recorded_from_utc is not None:
        return CaptureStart(*any_ns(provenance.recorded_from_utc), "from the capture itself")
    if (local := provenance.metadata.get("recorded_from_local")) is not None:
        return CaptureStart(*any_ns(local), "from the capture itself, in local time")
    for key, value in provenance.metadata.items():
        if re.search(_BEGAN, key.casefold()) and ":" in value:
            with suppress(ValueError):
                return CaptureStart(*any_ns(value), f"from '{printable(key)}' above the frames", doubt_s=1.0)
    sidecar = sidecar_of(provenance.file_name)
    if sidecar is not None and (text := _sidecar_time(sidecar)) is not None:
        try:
            return CaptureStart(*any_ns(text), f"from {printable(sidecar.name)} beside the capture")
        except ValueError as error:
            raise SensorError.at(str(sidecar), f"recorded_from_utc: {error}") from None
    return _start_in_name(Path(provenance.file_name).name)


def _start_in_name(name: str) -> CaptureStart | None:
    """The date and time of day, to the second, in the name of a file; its clock is taken to have begun then."""
    if (found := re.search(_STAMP_IN_NAME, name)) is not None:
        date, clock = "-".join(found.group(1, 2, 3)), ":".join(found.group(4, 5, 6))
        with suppress(ValueError):
            return CaptureStart(*any_ns(f"{date}T{clock}{found[7]}"), f"from the name {printable(name)}", doubt_s=1.0)
    return None


def sidecar_of(file_name: str) -> Path | None:
    """The JSON file that belongs to a capture: ``run1.csv.gz`` has ``run1.json``.

    Examples
    --------
    >>> sidecar_of("runs/run1.csv.gz").as_posix()
    'runs/run1.json'
    """
    if file_name in ("", "-"):
        return None
    path = without_endings(Path(file_name))
    return path.with_name(path.name + ".json") if path.name else None


def without_endings(path: Path) -> Path:
    """A path without the endings of logs: ``run1.csv.gz`` is ``run1``."""
    while path.suffix.casefold() in LOG_ENDINGS:
        path = path.with_suffix("")
    return path


def _sidecar_time(path: Path) -> str | None:
    content = None
    with suppress(OSError, ValueError, RecursionError):  # some other file that happens to lie there
        if path.is_file() and path.stat().st_size <= _MAX_SIDECAR_BYTES:
            content = json.loads(path.read_text("utf-8-sig"))
    found = content.get("recorded_from_utc") if isinstance(content, dict) else None
    return found if isinstance(found, str) else None
