"""What the name of a column says: its words, its unit, and the meanings they allow. No list of names, only words."""

from __future__ import annotations

import re
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType
from typing import Final, NamedTuple

from frametime.adapters.clocks.time_units import CLOCK, DATE, MINUTE, RATE, TimeUnit, unit_named


class Meaning(StrEnum):
    """What a column can hold, as far as its name goes."""

    TIMESTAMP = "timestamp"
    FRAME_TIME = "frame time"
    RATE = "rate"
    TIME = "time"
    """A time, and the name does not say which: the numbers must."""
    GPU_WORK = "gpu work"
    CPU_WORK = "cpu work"
    SHOWN = "shown"
    DROPPED = "dropped"
    STREAM = "stream"
    INDEX = "index"
    OTHER = "other"


class Event(StrEnum):
    """Which moment of a frame a timestamp marks."""

    END = "end"
    DISPLAY = "display"
    UNMARKED = "unmarked"
    START = "start"
    SUBMIT = "submission"


class HeaderMeaning(NamedTuple):
    """What one column name says."""

    meaning: Meaning
    event: Event
    unit: TimeUnit | None
    other_unit: str | None
    """UCUM code of a unit that is not of time."""


_OTHER_UNITS: Final = MappingProxyType(
    {
        "w": "W",
        "watt": "W",
        "watts": "W",
        "mw": "mW",
        "uw": "uW",
        "µw": "uW",
        "kw": "kW",
        "c": "Cel",
        "°c": "Cel",
        "degc": "Cel",
        "celsius": "Cel",
        "°f": "[degF]",
        "degf": "[degF]",
        "fahrenheit": "[degF]",
        "k": "K",
        "kelvin": "K",
        "mhz": "MHz",
        "ghz": "GHz",
        "khz": "kHz",
        "%": "%",
        "pct": "%",
        "percent": "%",
        "rpm": "{rpm}",
        "v": "V",
        "mv": "mV",
        "a": "A",
        "j": "J",
        "b": "By",
        "kb": "kBy",
        "kib": "KiBy",
        "mb": "MBy",
        "mib": "MiBy",
        "gb": "GBy",
        "gib": "GiBy",
        "ms²": "ms2",
        "px": "px",
    }
)
_END: Final = frozenset(
    ["end", "ended", "finish", "finished", "complete", "completed", "done", "present", "presented", "presentation"]
)
_DISPLAY: Final = frozenset(["display", "displayed", "scanout", "screen", "vblank", "onscreen", "visible"])
_START: Final = frozenset(
    ["start", "started", "begin", "began", "beginning", "simulation", "simulated", "sim", "sampled", "sample", "input"]
)
_SUBMIT: Final = frozenset(["submit", "submitted", "submission", "queue", "queued", "issue", "issued", "enqueued"])
_STAMP: Final = frozenset(
    [
        "timestamp",
        "stamp",
        "elapsed",
        "epoch",
        "clock",
        "when",
        "date",
        "datetime",
        "utc",
        "unix",
        "ticks",
        "tick",
        "timecode",
    ]
)
_SPAN: Final = frozenset(["duration", "interval", "delta", "dt", "length", "period", "gap", "took"])
_FREQUENCY: Final = frozenset(("clock", "frequency", "freq", "clk"))
_RATE_WORDS: Final = frozenset(("fps", "framerate"))
_WORK: Final = frozenset(["work", "working", "busy", "active", "render", "rendering", "time", "duration"])
_NOT_WORK: Final = frozenset(["wait", "waiting", "idle", "latency", "lag", "delay"])
_STATISTIC: Final = frozenset(
    [
        "average",
        "avg",
        "mean",
        "median",
        "min",
        "minimum",
        "max",
        "maximum",
        "low",
        "percentile",
        "p95",
        "p99",
        "p999",
        "target",
        "limit",
        "limiter",
        "cap",
        "capped",
        "smoothed",
        "rolling",
        "stdev",
        "std",
        "variance",
        "sum",
        "total",
        "count",
        "counter",
        "latency",
        "lag",
        "wait",
        "waiting",
        "idle",
        "delay",
        "refresh",
        "error",
        "budget",
    ]
)
_STREAM: Final = frozenset(
    [
        "application",
        "app",
        "process",
        "program",
        "executable",
        "exe",
        "stream",
        "game",
        "title",
        "pid",
        "task",
        "window",
    ]
)
_INDEX: Final = frozenset(["index", "number", "no", "nr", "id", "row", "idx", "num"])
_DROPPED: Final = frozenset(["dropped", "drop", "skipped", "missed", "discarded"])
_SHOWN: Final = frozenset(["shown", "displayed", "visible", "presented"])
_VOCABULARY: Final = frozenset(
    {"time", "frame", "gpu", "cpu", "rate", "per", "second", "seconds", "between"}
    | _END
    | _DISPLAY
    | _START
    | _SUBMIT
    | _STAMP
    | _SPAN
    | _WORK
)
_BRACKETS: Final = r"[(\[{<]\s*([^()\[\]{}<>]{1,24}?)\s*[)\]}>]\s*$"
_CAMEL: Final = r"(?<=[a-zµμ])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})"
_WORD: Final = r"[a-zµμ°²]+|\d+|%|/"


def _split_joined(word: str) -> list[str]:
    """``frametime`` to ``frame``, ``time``: only where the whole word is made of known words."""
    if word in _VOCABULARY or len(word) < 5 or len(word) > 40:
        return [word]
    ends: list[list[str] | None] = [None] * (len(word) + 1)
    ends[0] = []
    for stop in range(1, len(word) + 1):
        for start in range(max(0, stop - 12), stop):
            before = ends[start]
            if before is not None and word[start:stop] in _VOCABULARY:
                ends[stop] = [*before, word[start:stop]]
                break
    return ends[-1] or [word]


@lru_cache(maxsize=4096)
def words_of(name: str) -> tuple[str, ...]:
    """The words of a column name, in lower case.

    Examples
    --------
    >>> words_of("FrameTime (ms)"), words_of("gpu_work_ns"), words_of("frametime")
    (('frame', 'time', 'ms'), ('gpu', 'work', 'ns'), ('frame', 'time'))
    """
    text = re.sub(_CAMEL, " ", name[:200]).casefold().replace("μ", "µ")
    return tuple(part for word in re.findall(_WORD, text) for part in _split_joined(word))


def unit_of_text(text: str) -> tuple[TimeUnit | None, str | None]:
    """The unit a cell of a units row (or the bracket of a name) states: of time, or of something else."""
    bare = text.strip().strip("()[]{}<>").strip()
    word = bare.casefold().replace("μ", "µ")
    if bare in {"W", "C", "V", "A", "J"} or (word in _OTHER_UNITS and unit_named(bare) is None):
        return None, _OTHER_UNITS.get(word)
    return unit_named(bare), None


def quantity_unit(name: str, said: HeaderMeaning) -> str | None:
    """UCUM code of the unit of a column that holds no time: a clock in Hz is no rate of frames.

    Examples
    --------
    >>> quantity_unit("core clock (Hz)", header_meaning("core clock (Hz)"))
    'Hz'
    """
    if said.unit is RATE and _FREQUENCY & set(words_of(name)):
        return "Hz"
    return said.other_unit


def unit_in_quantity_cell(text: str) -> str | None:
    """UCUM code of the unit behind a reading.

    Examples
    --------
    >>> unit_in_quantity_cell("Hz"), unit_in_quantity_cell("W"), unit_in_quantity_cell("ms")
    ('Hz', 'W', None)
    """
    return "Hz" if text.strip().casefold() == "hz" else unit_of_text(text)[1]


def _unit_in(name: str, words: tuple[str, ...]) -> tuple[TimeUnit | None, str | None]:
    bracket = re.search(_BRACKETS, name)
    if bracket:
        found = unit_of_text(bracket[1].removeprefix("in "))
        if found != (None, None):
            return found
    if _RATE_WORDS & set(words) or "framespersecond" in "".join(words):
        return RATE, None
    if len(words) > 1:
        if words[-1] in _OTHER_UNITS:
            return None, _OTHER_UNITS[words[-1]]
        # minutes and "min" for minimum look alike in a bare name: in brackets only
        unit = unit_named(words[-1]) if words[-1] not in {"min", "mins", "h"} else None
        if unit is None and len(words) > 2 and words[-2].isdigit():
            unit = unit_named(words[-2] + words[-1])
        if unit is not None and len(words) > 2 and words[-2].isdigit() and unit.ns is not None:
            unit = unit_named(words[-2] + words[-1]) or unit
        if unit is None and words[0] in {"ms", "us", "µs", "ns"}:
            unit = unit_named(words[0])
        if unit is not None:
            return unit, None
    return None, None


def _event(words: set[str]) -> Event:
    for event, marks in ((Event.SUBMIT, _SUBMIT), (Event.DISPLAY, _DISPLAY), (Event.END, _END), (Event.START, _START)):
        if words & marks:
            return event
    return Event.UNMARKED


@lru_cache(maxsize=4096)
def header_meaning(name: str, unit_text: str = "") -> HeaderMeaning:
    """What the name of a column, with its cell in the units row, says about the column.

    Examples
    --------
    >>> header_meaning("FrameTime (ms)").meaning, header_meaning("finished_ns").event
    (<Meaning.FRAME_TIME: 'frame time'>, <Event.END: 'end'>)
    """
    ordered = words_of(name)
    unit, other = _unit_in(name, ordered)
    if unit_text.strip():
        stated = unit_of_text(unit_text)
        unit, other = stated if stated != (None, None) else (unit, other)
    words = set(ordered)
    if unit is MINUTE:
        # In "elapsed (min)" the word is the unit, not the least value.
        words -= {"min", "mins"}
    event = _event(words)
    return HeaderMeaning(_meaning(words, ordered, event, unit, other), event, unit, other)


def _meaning(  # noqa: PLR0911, PLR0912 - one line for each meaning, in the order in which they exclude each other
    words: set[str], ordered: tuple[str, ...], event: Event, unit: TimeUnit | None, other: str | None
) -> Meaning:
    if other is not None:
        return Meaning.OTHER
    timed = unit is not None and unit is not RATE
    if ("gpu" in words or "cpu" in words) and not words & _NOT_WORK:
        if event in (Event.UNMARKED,) and words & _WORK and not words & (_STATISTIC - {"time"}):
            return Meaning.GPU_WORK if "gpu" in words else Meaning.CPU_WORK
        if not (event is not Event.UNMARKED and timed):
            return Meaning.OTHER
    if unit is RATE or {"frame", "rate"} <= words:
        frames = words & _RATE_WORDS or {"frame", "rate"} <= words or "frames" in words or ordered in ((), ("hz",))
        return Meaning.RATE if frames and not words & _STATISTIC else Meaning.OTHER
    if words & _STATISTIC:
        return Meaning.OTHER
    if not timed and words & _DROPPED:
        return Meaning.DROPPED
    if not timed and words & _SHOWN and len(words) <= 3:
        return Meaning.SHOWN
    if words & _SPAN or ({"frame", "time"} <= words and event is Event.UNMARKED) or {"per", "frame"} <= words:
        return Meaning.FRAME_TIME
    if "between" in words and timed:
        return Meaning.FRAME_TIME
    if event is not Event.UNMARKED and (timed or words & _STAMP or "time" in words):
        return Meaning.TIMESTAMP
    if words & _STAMP:
        return Meaning.TIMESTAMP
    if words & {"frame", "frames"} and timed:
        return Meaning.FRAME_TIME
    if words & _INDEX or words in ({"frame"}, {"frames"}):
        return Meaning.STREAM if words & _STREAM and "frame" not in words else Meaning.INDEX
    if "time" in words or "times" in words or ordered == ("t",) or (len(ordered) == 2 and ordered[0] == "t" and timed):
        return Meaning.TIME
    if words & _STREAM and not timed:
        return Meaning.STREAM
    if unit in (CLOCK, DATE) or (timed and len(ordered) == 1):
        return Meaning.TIME
    return Meaning.OTHER
