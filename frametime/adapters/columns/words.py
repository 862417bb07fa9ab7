"""The words and units of column names, as ``words.tsv`` and ``units.tsv`` beside this file list them."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Final, NamedTuple
from unicodedata import combining, normalize


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


def _rows(name: str) -> list[list[str]]:
    return [line.split("\t") for line in Path(__file__).with_name(name).read_text("utf-8").splitlines()[1:]]


_TIMES: Final[dict[str, Unit]] = {}
_OTHERS: Final[dict[str, Unit]] = {}
CONVERSIONS: Final[Mapping[str, dict[str, tuple[float, float]]]] = defaultdict(dict)
"""Unit that is kept to units it is made of: factor, then added (definitions of the SI and of IEC 80000-13)."""
for _name, _form, _factor, _added, _spelled in _rows("units.tsv"):
    if _form in ("number", "rate", "clock", "date"):
        _unit = Unit(_name, Fraction(int(_factor)) if _form == "number" else None, _form)
        _TIMES.update(dict.fromkeys(_spelled.split(), _unit))
    else:
        _OTHERS.update(dict.fromkeys(_spelled.split(), Unit(_name, None, "other")))
        CONVERSIONS[_form][_name] = float(Fraction(_factor)), float(Fraction(_added))

SECOND: Final = _TIMES["s"]
MILLISECOND: Final = _TIMES["ms"]
MICROSECOND: Final = _TIMES["us"]
NANOSECOND: Final = _TIMES["ns"]
MINUTE: Final = _TIMES["min"]
HOUR: Final = _TIMES["h"]
RATE: Final = _TIMES["fps"]
CLOCK: Final = _TIMES["h:m:s"]
DATE: Final = _TIMES["iso8601"]
HERTZ: Final = Unit("Hz", None, "other")

_LISTED: Final = _rows("words.tsv")
WORDS: Final = {meaning: frozenset(words.split()) for meaning, english, words in _LISTED if not english}
"""Words by the meaning that they give a name."""
_ENGLISH: Final = {word: tuple(english.split()) for _, english, words in _LISTED if english for word in words.split()}
TIME_WORDS: Final = frozenset(word for word, unit in _TIMES.items() if unit.ns is not None)
"""Words for units of time, in the languages that logs are written in."""
VOCABULARY: Final = frozenset().union(
    ("time", "times", "frame", "frames", "real", "gpu", "cpu", "rate", "per", "second", "seconds", "between"),
    *(WORDS[meaning] for meaning in ("end", "display", "start", "submit", "stamp", "span", "work")),
    (word for word in _ENGLISH if len(word) > 2 or ord(word[0]) > 0x2E00),
    (word for word in TIME_WORDS if ord(word[0]) > 0x2E00),
)
"""Words of which others are made: ``frametime``."""

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
    return " ".join(text.casefold().replace("μ", "µ").replace("iso 8601", "iso8601").split())


def _unit_in(word: str) -> Unit | None:
    if word in _TIMES or word in _OTHERS:
        return _TIMES.get(word) or _OTHERS[word]
    if match := re.fullmatch(_PART, word):
        return _multiple(Fraction(1, _PARTS[match[1]]), match[2])
    if match := re.fullmatch(_FACTOR, word):
        return _multiple(Fraction(match[1].replace(",", ".")), match[2])
    if match := re.fullmatch(_A_FRAME, word):
        unit = unit_named(match[1])
        return unit if unit is not None and unit.ns is not None else None
    if match := re.fullmatch(_FRAMES_A, word):
        return RATE if _TIMES.get(match[1]) is SECOND else None
    return None


def _multiple(factor: Fraction, word: str) -> Unit | None:
    base = _TIMES.get(word) or _OTHERS.get(word)
    if base is None or factor <= 0:
        return None
    if base.form == "other":
        return base._replace(factor=factor)
    if base.ns is None or base.ns > 10**9:
        return None
    return base if factor == 1 else Unit(f"{float(factor):.15g}{base.name}", base.ns * factor)


_CAMEL: Final = r"(?<=[a-zµμ])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})"
_WORD: Final = r"(?:[^\W\d_]|[°²])+|\d+|%|/"


def folded(name: str) -> str:
    """Without the accents of the Latin, Greek and Cyrillic letters, and with brackets of one kind."""
    if name.isascii():
        return name
    kept = normalize("NFD", name.translate(_FULL_WIDTH))
    return normalize("NFC", "".join(c for c in kept if not combining(c) or c in "\u3099\u309a"))


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
