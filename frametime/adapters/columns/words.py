"""What the name of a column says: its unit, and the meanings that its words allow. No list of names, only words.

``words.tsv`` and ``units.tsv`` beside this file list the words.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Final, NamedTuple
from unicodedata import category, normalize

from frametime.words import table_rows


class Unit(NamedTuple):
    """A unit that a log may state.

    Attributes
    ----------
    name : str
        Of time and rates as a layout writes it, of anything else as a UCUM code.
    ns : Fraction or None
        Nanoseconds in one unit of time, exactly; ``None`` for texts (``h:m:s``, ``iso8601``), rates and other units.
    form : str
        ``number``, ``clock`` (h:m:s), ``date`` (ISO 8601), ``rate`` (frames per second) or ``other``.
    factor : Fraction
        Of another unit: how many of the unit of that name one is, 1/10 for ``0.1 W``.
    """

    name: str
    ns: Fraction | None
    form: str = "number"
    factor: Fraction = Fraction(1)


_TIMES: Final[dict[str, Unit]] = {}
_OTHERS: Final[dict[str, Unit]] = {}
CONVERSIONS: Final[Mapping[str, dict[str, tuple[float, float]]]] = defaultdict(dict)
"""Unit that is kept to units it is made of: factor, then added (definitions of the SI and of IEC 80000-13)."""
for _name, _form, _factor, _added, _spelled in table_rows(__file__, "units.tsv"):
    if _form in ("number", "rate", "clock", "date"):
        _unit = Unit(_name, Fraction(int(_factor)) if _form == "number" else None, _form)
        _TIMES.update(dict.fromkeys(_spelled.split(), _unit))
    else:
        _OTHERS.update(dict.fromkeys(_spelled.split(), Unit(_name, None, "other")))
        CONVERSIONS[_form][_name] = float(Fraction(_factor)), float(Fraction(_added))

_UNITS: Final = {**_OTHERS, **_TIMES}
SECOND: Final = _TIMES["s"]
NANOSECOND: Final = _TIMES["ns"]
USUAL_UNITS: Final = (SECOND, _TIMES["ms"], _TIMES["us"], NANOSECOND)
MINUTE: Final = _TIMES["min"]
RATE: Final = _TIMES["fps"]
CLOCK: Final = _TIMES["h:m:s"]
DATE: Final = _TIMES["iso8601"]
HERTZ: Final = Unit("Hz", None, "other")
TICK: Final = Unit("100ns", Fraction(100))

_LISTED: Final = table_rows(__file__, "words.tsv")
WORDS: Final = {meaning: frozenset(words.split()) for meaning, english, words in _LISTED if not english}
"""Words by the meaning that they give a name."""
_ENGLISH: Final = {word: tuple(english.split()) for _, english, words in _LISTED if english for word in words.split()}
TIME_WORDS: Final = frozenset(word for word, unit in _TIMES.items() if unit.ns is not None)
"""Words for units of time, in the languages that logs are written in."""
NO_FRAME: Final = frozenset(("gpu", "cpu")).union(WORDS["part"], WORDS["statistic"])
"""Words of what is measured beside the frame itself."""
VOCABULARY: Final = frozenset().union(
    ("time", "times", "frame", "frames", "real", "gpu", "cpu", "rate", "per", "second", "seconds", "between"),
    *(WORDS[meaning] for meaning in ("end", "display", "start", "submit", "stamp", "span", "work")),
    (word for word in _ENGLISH if len(word) > 2 or ord(word[0]) > 0x2E00),
    (word for word in TIME_WORDS if ord(word[0]) > 0x2E00),
)
"""Words of which others are made: ``frametime``."""

BARE_RATE: Final = frozenset(("rate", "hz", "1", "/", "s", "per", "second", "current", "measured", "value"))
"""Words of a rate that do not say of what."""
_PARTS: Final = {"tenth": 10, "hundredth": 100, "thousandth": 1000, "millionth": 10**6}
_FACTOR: Final = r"[x×*]?\s*(\d{1,6}(?:[.,]\d{1,9})?(?:e[+-]?\d{1,2})?)\s*[x×*]?\s*(\D.*)"
_PART: Final = r"(tenth|hundredth|thousandth|millionth)s? of (?:an? )?(.+)"
_A_FRAME: Final = r"(.+?)\s*(?:/|per)\s*(?:1 )?frame"
_FRAMES_A: Final = r"(?:frames?|bilder|images|fotogramas|cuadros|quadros)\s*(?:/|per|pro|par|por)\s*(?:1 )?(.+)"
_FULL_WIDTH: Final = str.maketrans("（）［］：／μ", "()[]:/µ")


def unit_named(text: str) -> Unit | None:
    """The unit of time or rate written in ``text``, or ``None``. Case does not matter: no log counts in megaseconds.

    Examples
    --------
    >>> unit_named("µs").name, unit_named("100 ns").ns, unit_named("furlong")
    ('us', Fraction(100, 1), None)
    >>> unit_named("0,1 ms").ns, unit_named("hundredths of ms").name, unit_named("frames per sec").name
    (Fraction(100000, 1), '0.01ms', 'fps')
    """
    unit = _unit_in(_plain(text))
    return None if unit is None or unit.form == "other" else unit


@lru_cache(maxsize=4096)
def unit_of_text(text: str) -> Unit | None:
    """The unit that a bracket, a cell of a units row or the end of a reading states: of time, or of something else.

    Examples
    --------
    >>> unit_of_text("[ms]").name, unit_of_text("0.1 W").factor, unit_of_text("C").name
    ('ms', Fraction(1, 10), 'Cel')
    """
    bare = text.translate(_FULL_WIDTH).strip().strip("()[]{}<>").strip()
    return _OTHERS[bare.casefold()] if bare in {"W", "C", "V", "A", "J"} else _unit_in(_plain(bare))


def other_unit(text: str) -> Unit | None:
    """The unit of a reading that is no time: a clock in Hz is no rate of frames."""
    unit = unit_of_text(text)
    return HERTZ if unit is RATE and _plain(text) == "hz" else unit if unit and unit.form == "other" else None


def unit_names() -> str:
    """The units as they are listed in messages."""
    return "s, ms, us, ns, min, h, a multiple such as 100ns, fps, h:m:s, iso8601"


def _plain(text: str) -> str:
    return " ".join(folded(text).casefold().replace("μ", "µ").replace("iso 8601", "iso8601").split())


def _unit_in(word: str) -> Unit | None:
    if known := _UNITS.get(word.replace(" ", "")):
        return known
    if match := re.fullmatch(_PART, word):
        return _multiple(Fraction(1, _PARTS[match[1]]), match[2])
    if match := re.fullmatch(_FACTOR, word):
        return _multiple(Fraction(match[1].replace(",", ".")), match[2])
    if match := re.fullmatch(_A_FRAME, word):
        unit = unit_named(match[1])
        return unit if unit is not None and unit.ns is not None else None
    match = re.fullmatch(_FRAMES_A, word)
    return RATE if match and _TIMES.get(match[1]) is SECOND else None


def _multiple(factor: Fraction, word: str) -> Unit | None:
    base = _UNITS.get(word)
    if base is None or factor <= 0:
        return None
    if base.form == "other":
        return base._replace(factor=factor)
    if base.ns is None or base.ns > 10**9:
        return None
    return base if factor == 1 else Unit(f"{float(factor):.15g}{base.name}", base.ns * factor)


_CAMEL: Final = r"(?<=[^\W\d_][a-zµμ])(?=[A-Z])|(?<=\bt)(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})"
_WORD: Final = r"(?:[^\W\d_]|[°²])+|\d+|%|/"


def folded(name: str) -> str:
    """Without the marks on letters, but those of kana, and with brackets of one kind.

    So words stay whole in scripts that write vowels as marks.
    """
    if name.isascii():
        return name
    kept = normalize("NFD", name.translate(_FULL_WIDTH))
    return normalize("NFC", "".join(c for c in kept if category(c) not in {"Mn", "Mc"} or c in "\u3099\u309a"))


@lru_cache(maxsize=4096)
def words_of(name: str) -> tuple[str, ...]:
    """The words of a column name, in lower case and, where they are words of time and frames, in English.

    Examples
    --------
    >>> words_of("FrameTime (ms)"), words_of("gpu_work_ns"), words_of("frametime")
    (('frame', 'time', 'ms'), ('gpu', 'work', 'ns'), ('frame', 'time'))
    >>> words_of("Bildzeit (ms)"), words_of("время кадра, мс"), words_of("フレーム時間")
    (('frame', 'time', 'ms'), ('time', 'frame', 'мс'), ('frame', 'time'))
    """
    text = re.sub(_CAMEL, " ", folded(name[:200])).casefold().replace("μ", "µ")
    parts = [part for word in re.findall(_WORD, text) for part in _split_joined(word)]
    return tuple(each for part in parts for each in _ENGLISH.get(part, (part,)))


def _split_joined(word: str) -> list[str]:
    """``frametime`` to ``frame``, ``time``: only where the whole word is made of known words."""
    if word in VOCABULARY or (len(word) < 5 and word.isascii()) or len(word) > 40:
        return [word]
    ends: list[list[str] | None] = [[], *[None] * len(word)]
    for stop in range(1, len(word) + 1):
        for start in range(max(0, stop - 12), stop):
            before = ends[start]
            if before is not None and word[start:stop] in VOCABULARY:
                ends[stop] = [*before, word[start:stop]]
                break
    return ends[-1] or [word]


class Meaning(StrEnum):
    """What a column can hold, as far as its name goes.

    Attributes
    ----------
    TIME
        A time, and the name does not say which: the numbers must.
    PART
        A length of time that is no frame's, as far as the name goes; a clock where its numbers only rise.
    STATISTIC
        An average, a limit, a target: nothing of single frames.
    """

    TIMESTAMP = "timestamp"
    FRAME_TIME = "frame time"
    RATE = "rate"
    TIME = "time"
    GPU_WORK = "gpu work"
    CPU_WORK = "cpu work"
    SHOWN = "shown"
    DROPPED = "dropped"
    STREAM = "stream"
    INDEX = "index"
    PART = "part"
    STATISTIC = "statistic"
    OTHER = "other"


FRAME_MEANINGS: Final = frozenset((Meaning.FRAME_TIME, Meaning.RATE))
"""Those of lengths of frames."""
TIME_MEANINGS: Final = frozenset((Meaning.TIMESTAMP, Meaning.TIME, Meaning.PART))
"""Those that any clock may have."""


class Event(StrEnum):
    """Which moment of a frame a timestamp marks."""

    END = "end"
    DISPLAY = "display"
    UNMARKED = "unmarked"
    START = "start"
    SUBMIT = "submission"


class HeaderMeaning(NamedTuple):
    """What one column name says.

    Attributes
    ----------
    meaning : Meaning
    event : Event
    unit : Unit or None
    other_unit : Unit or None
        A unit that is not of time.
    unknown : bool
        Whether the name holds words that are not known here.
    odd : bool
        Whether the name states a unit that is not understood, such as ``ms per 10 frames``.
    """

    meaning: Meaning
    event: Event
    unit: Unit | None
    other_unit: Unit | None
    unknown: bool = False
    odd: bool = False


_EVENTS: Final = {Event.SUBMIT: "submit", Event.DISPLAY: "display", Event.END: "end", Event.START: "start"}
_STATISTIC: Final = WORDS["statistic"]
_KNOWN: Final = VOCABULARY.union(TIME_WORDS, *(WORDS[each] for each in ("plain", "rate", "index", "summed")))
_BRACKETS: Final = r"[(\[{<]\s*([^()\[\]{}<>]{1,24}?)\s*[)\]}>]\s*$"
_AT_END: Final = (
    r"((?:tenth|hundredth|thousandth|millionth)s? of .+?)[ )\]]*$|(?:^|[ _])(\d[\d.,]*e[+-]?\d+\s*[a-zµ]{1,2})$|"
    r"(?:^|[^\w.,]|_)[x×]?(\d+(?:[.,]\d+)?[a-zµ]{1,2})\s*$"
)


def _stated_unit(name: str, words: tuple[str, ...]) -> tuple[Unit | None, bool]:
    """The unit that a name states, and whether something is stated that is not understood."""
    low, joined = folded(name).casefold(), "".join(words)
    if "framesperminute" in joined or re.search(r"\d+\s*frames", low):
        return None, True
    if bracket := re.search(_BRACKETS, folded(name)):
        text = bracket[1].removeprefix("in ")
        unit = unit_of_text(text)
        states = re.search(r"\d", text) and any(map(unit_of_text, re.findall(r"[^\W\d_]+|%", text.casefold())))
        if unit is not None or states or re.fullmatch("[a-z]s", text):
            return unit, unit is None
    by_second = re.search(r"\bframes? .*(?:per|/) seconds?\b|(?:per|/) seconds? .*\bframe", " ".join(words))
    if WORDS["rate"] & set(words) or "framespersec" in joined or "frames/s" in joined or by_second:
        return RATE, False
    if len(words) < 2:
        unit = unit_of_text(name.strip(" ."))
        form = "" if unit is None or unit in (MINUTE, _TIMES["h"]) else unit.form
        whole = (form == "number" and len(low) > 1) or (form == "other" and (len(low) > 1 or not name.islower()))
        return (unit if whole else None), False
    if at_end := re.search(_AT_END, low):
        unit = unit_of_text(next(filter(None, at_end.groups())))
        if unit is not None or at_end[1]:
            return unit, unit is None
    # minutes and "min" for minimum look alike in a bare name: in brackets only
    unit = unit_of_text(words[-1]) if words[-1] not in {"min", "mins", "h"} else None
    if unit is None and words[0] in TIME_WORDS and words[0] not in {"s", "second", "min", "mins", "minute", "h"}:
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
    name = re.sub(r"(?i)(?<=.)@?[ _]?\d+(?:[.,]\d+)? ?(?:hz|fps)(?![^\W_])", "", name)  # "at 60 Hz" is no unit
    ordered = words_of(name)
    words = set(ordered)
    unit, odd = _stated_unit(name, ordered)
    if unit_text.strip() and (stated := unit_of_text(unit_text)) is not None:
        unit, odd = stated, False
    if unit is RATE and words & WORDS["frequency"] and not words & {"frame", "frames", "fps"}:
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


def _meaning(words: set[str], ordered: tuple[str, ...], event: Event, unit: Unit | None) -> Meaning:
    """The first meaning whose rule holds: they stand in the order in which they exclude each other."""
    timed = unit is not None and unit is not RATE
    marked = event is not Event.UNMARKED
    frame, called_time, unknown = bool({"frame", "frames"} & words), bool({"time", "times"} & words), _unknown(words)
    of_chip = words & {"gpu", "cpu"} or ("clock" in words and words & {"core", "memory", "mem", "vram", "shader"})
    chip = bool(of_chip) and not words & WORDS["not_work"]
    is_bare = words <= BARE_RATE and bool({"rate", "hz", "/"} & words)
    rate = unit is RATE or is_bare or (frame and bool({"rate", "frequency"} & words))
    of_frames = (words & WORDS["rate"] or frame or words <= BARE_RATE) and not words & (_STATISTIC | WORDS["part"])
    summed = words & WORDS["summed"] and (timed or "time" in words) and not words & (_STATISTIC - WORDS["summed"])
    numbered = any(map(str.isdigit, words))
    span, stamp = words & WORDS["span"], words & WORDS["stamp"]
    part = words & WORDS["part"] and (span or called_time or timed) and not stamp
    in_order = " ".join(ordered)
    of_frame = span or (frame and "time" in words and not marked) or re.search(r"\bper (?:.* )?frame\b", in_order)
    one_to_next = re.search(r"\b(\w+) to (?:the )?(?:next |previous |last )?\1\b", in_order)
    marks = marked and words & {"frame", "at"} and not unknown
    called = called_time or ordered == ("t",) or (len(ordered) == 2 and ordered[0] == "t" and timed)
    index = words & WORDS["index"] or words in ({"frame"}, {"frames"})
    work = chip and not marked and words & WORDS["work"] and not words & _STATISTIC
    rules = (
        (one_to_next, Meaning.FRAME_TIME),
        (work, Meaning.GPU_WORK if "gpu" in words else Meaning.CPU_WORK),
        (chip and not (marked and timed), Meaning.OTHER),
        (rate, Meaning.RATE if of_frames else Meaning.STATISTIC),
        # The total of a frame is its length, a total over frames a clock.
        (summed, Meaning.TIME if frame or "last" in words else Meaning.TIMESTAMP),
        (words & (_STATISTIC - {"counter"} if "perf" in words else _STATISTIC), Meaning.STATISTIC),
        (numbered and "p" in words, Meaning.STATISTIC),
        (not timed and words & WORDS["dropped"], Meaning.DROPPED),
        (not timed and words & WORDS["shown"] and len(words) <= 3, Meaning.SHOWN),
        (part, Meaning.TIMESTAMP if marked and not frame else Meaning.PART),
        (of_frame, Meaning.FRAME_TIME if frame or not unknown else Meaning.PART),
        ("between" in words and timed, Meaning.FRAME_TIME),
        (marked and (timed or stamp or "time" in words or words <= {"start", "end"}), Meaning.TIMESTAMP),
        (stamp or (marks and event is not Event.DISPLAY), Meaning.TIMESTAMP),
        (frame and timed, Meaning.FRAME_TIME),
        (index, Meaning.STREAM if words & WORDS["stream"] and "frame" not in words else Meaning.INDEX),
        (called, Meaning.PART if unknown else Meaning.TIME),
        (words & WORDS["stream"] and not timed and not (numbered and "run" in words), Meaning.STREAM),
        (unit in (CLOCK, DATE) or (timed and len(ordered) == 1), Meaning.TIME),
        (timed, Meaning.PART),
    )
    return next((meaning for holds, meaning in rules if holds), Meaning.OTHER)
