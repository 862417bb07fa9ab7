"""What the name of a column says: its unit, and the meanings that its words allow. No list of names, only words."""

from __future__ import annotations

import re
from enum import StrEnum
from functools import lru_cache
from typing import Final, NamedTuple

from frametime.adapters.columns.words import (
    CLOCK,
    DATE,
    HERTZ,
    MINUTE,
    RATE,
    TIME_WORDS,
    VOCABULARY,
    WORDS,
    Unit,
    folded,
    unit_named,
    unit_of_text,
    words_of,
)


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
    PART = "part"
    """A length of time that is no frame's, as far as the name goes; a clock where its numbers only rise."""
    STATISTIC = "statistic"
    """An average, a limit, a target: nothing of single frames."""
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
    unit: Unit | None
    other_unit: Unit | None
    """A unit that is not of time."""
    unknown: bool = False
    """Whether the name holds words that are not known here."""
    odd: bool = False
    """Whether the name states a unit that is not understood, such as ``ms per 10 frames``."""


_EVENTS: Final = {Event.SUBMIT: "submit", Event.DISPLAY: "display", Event.END: "end", Event.START: "start"}
_MARKS: Final = frozenset().union(*(WORDS[event] for event in _EVENTS.values()))
_STATISTIC: Final = WORDS["statistic"]
_KNOWN: Final = VOCABULARY.union(TIME_WORDS, *(WORDS[each] for each in ("plain", "rate", "index", "summed")))
_BRACKETS: Final = r"[(\[{<]\s*([^()\[\]{}<>]{1,24}?)\s*[)\]}>]\s*$"
_AT_END: Final = (
    r"((?:tenth|hundredth|thousandth|millionth)s? of .+?)[ )\]]*$|(?:^|[ _])(\d[\d.,]*e[+-]?\d+\s*[a-zµ]{1,2})$|"
    r"(?:^|[^\w.,]|_)[x×]?(\d+(?:[.,]\d+)?[a-zµ]{1,2})\s*$"
)


def _unit_in(name: str, words: tuple[str, ...]) -> tuple[Unit | None, bool]:  # noqa: PLR0911 - one line for each place
    """The unit that a name states, and whether something is stated that is not understood."""
    low = folded(name).casefold()
    bracket = re.search(_BRACKETS, folded(name))
    if bracket:
        text = bracket[1].removeprefix("in ")
        unit = unit_of_text(text)
        states = re.search(r"\d", text) and any(map(unit_of_text, re.findall(r"[^\W\d_]+|%", text.casefold())))
        if unit is not None or states:
            return unit, unit is None
    joined = "".join(words)
    if "framesperminute" in joined or ("per" in words and re.search(r"\d+\s*frames", low)):
        return None, True
    by_second = "per" in words and {"frame", "frames"} & set(words) and {"second", "seconds"} & set(words)
    if WORDS["rate"] & set(words) or "framespersec" in joined or "frames/s" in joined or by_second:
        return RATE, False
    if len(words) == 1 and len(words[0]) == 2:
        unit = unit_named(words[0])
        return (unit if unit is not None and unit.form == "number" else None), False
    if len(words) < 2:
        return None, False
    if at_end := re.search(_AT_END, low):
        unit = unit_of_text(next(filter(None, at_end.groups())))
        if unit is not None or at_end[1]:
            return unit, unit is None
    # minutes and "min" for minimum look alike in a bare name: in brackets only
    unit = unit_of_text(words[-1]) if words[-1] not in {"min", "mins", "h"} else None
    if unit is None and words[0] in {"ms", "us", "µs", "ns"}:
        unit = unit_named(words[0])
    bare_hertz = words[-1] == "hz" and words[0] not in {"frame", "fps"} and not WORDS["frequency"] & set(words)
    return (None if unit is RATE and bare_hertz else unit), False


@lru_cache(maxsize=4096)
def header_meaning(name: str, unit_text: str = "") -> HeaderMeaning:
    """What the name of a column, with its cell in the units row, says about the column.

    Examples
    --------
    >>> header_meaning("FrameTime (ms)").meaning, header_meaning("finished_ns").event
    (<Meaning.FRAME_TIME: 'frame time'>, <Event.END: 'end'>)
    >>> header_meaning("physics time (ms)").meaning, header_meaning("boss frame time (ms)").unknown
    (<Meaning.PART: 'part'>, True)
    """
    ordered = words_of(name)
    words = set(ordered)
    unit, odd = _unit_in(name, ordered)
    if unit_text.strip() and (stated := unit_of_text(unit_text)) is not None:
        unit, odd = stated, False
    if unit is RATE and words & WORDS["frequency"] and not words & {"frame", "frames"}:
        unit = HERTZ  # a clock in Hz is no rate of frames
    if unit is MINUTE:
        # In "elapsed (min)" the word is the unit, not the least value.
        words -= {"min", "mins"}
    event = next((event for event, key in _EVENTS.items() if words & WORDS[key]), Event.UNMARKED)
    is_other = unit is not None and unit.form == "other"
    meaning = Meaning.OTHER if odd or is_other else _meaning(words, ordered, event, unit)
    return HeaderMeaning(meaning, event, None if is_other else unit, unit if is_other else None, _unknown(words), odd)


def _unknown(words: set[str]) -> bool:
    """Whether there are words that are neither of time and frames, nor leave a name as it is."""
    return any(not word.isdigit() and word not in {"/", "x", "v", "e", "t", "in"} for word in words - _KNOWN)


def _meaning(  # noqa: PLR0911, PLR0912 - one line for each meaning, in the order in which they exclude each other
    words: set[str], ordered: tuple[str, ...], event: Event, unit: Unit | None
) -> Meaning:
    timed = unit is not None and unit is not RATE
    marked = event is not Event.UNMARKED
    frame = bool({"frame", "frames"} & words)
    if ("gpu" in words or "cpu" in words) and not words & WORDS["not_work"]:
        if not marked and words & WORDS["work"] and not words & _STATISTIC:
            return Meaning.GPU_WORK if "gpu" in words else Meaning.CPU_WORK
        if not (marked and timed):
            return Meaning.OTHER
    if unit is RATE or {"frame", "rate"} <= words:
        frames = words & WORDS["rate"] or frame or ordered in ((), ("hz",))
        return Meaning.RATE if frames and not words & (_STATISTIC | WORDS["part"]) else Meaning.STATISTIC
    if words & WORDS["summed"] and (timed or "time" in words) and not words & (_STATISTIC - WORDS["summed"]):
        # The total of a frame is its length, a total over frames a clock.
        return Meaning.TIME if frame or "last" in words else Meaning.TIMESTAMP
    if words & _STATISTIC or ("p" in words and any(word.isdigit() for word in words)):
        return Meaning.STATISTIC
    if not timed and words & WORDS["dropped"]:
        return Meaning.DROPPED
    if not timed and words & WORDS["shown"] and len(words) <= 3:
        return Meaning.SHOWN
    called_time = words & {"time", "times"}
    if words & WORDS["part"] and (words & WORDS["span"] or called_time or timed) and not words & WORDS["stamp"]:
        return Meaning.TIMESTAMP if marked and not frame else Meaning.PART
    if words & WORDS["span"] or (frame and "time" in words and not marked) or {"per", "frame"} <= words:
        return Meaning.FRAME_TIME if frame or not _unknown(words) else Meaning.PART
    one_to_next = any(ordered.count(word) > 1 for word in ordered if word in _MARKS)
    if ("between" in words and timed) or ("to" in words and marked and one_to_next):
        return Meaning.FRAME_TIME
    if marked and (timed or words & WORDS["stamp"] or "time" in words):
        return Meaning.TIMESTAMP
    marks = marked and words & {"frame", "at"} and not _unknown(words)
    if words & WORDS["stamp"] or (marks and event is not Event.DISPLAY):
        return Meaning.TIMESTAMP
    if frame and timed:
        return Meaning.FRAME_TIME
    if words & WORDS["index"] or words in ({"frame"}, {"frames"}):
        return Meaning.STREAM if words & WORDS["stream"] and "frame" not in words else Meaning.INDEX
    if called_time or ordered == ("t",) or (len(ordered) == 2 and ordered[0] == "t" and timed):
        return Meaning.PART if _unknown(words) else Meaning.TIME
    if words & WORDS["stream"] and not timed:
        return Meaning.STREAM
    if unit in (CLOCK, DATE) or (timed and len(ordered) == 1):
        return Meaning.TIME
    return Meaning.PART if timed else Meaning.OTHER
