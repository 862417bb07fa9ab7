"""Units in which a log may state time, and how many nanoseconds each is: exact, as integers or fractions."""

from __future__ import annotations

import re
from fractions import Fraction
from types import MappingProxyType
from typing import Final, NamedTuple


class TimeUnit(NamedTuple):
    """One unit of a time column.

    Attributes
    ----------
    name : str
        As it is written in a layout.
    ns : Fraction or None
        Nanoseconds in one unit; ``None`` for texts (``h:m:s``, ``iso8601``) and rates.
    form : str
        ``number``, ``clock`` (h:m:s), ``date`` (ISO 8601) or ``rate`` (frames per second).
    """

    name: str
    ns: Fraction | None
    form: str = "number"


SECOND: Final = TimeUnit("s", Fraction(10**9))
MILLISECOND: Final = TimeUnit("ms", Fraction(10**6))
MICROSECOND: Final = TimeUnit("us", Fraction(10**3))
NANOSECOND: Final = TimeUnit("ns", Fraction(1))
MINUTE: Final = TimeUnit("min", Fraction(60 * 10**9))
HOUR: Final = TimeUnit("h", Fraction(3600 * 10**9))
RATE: Final = TimeUnit("fps", None, "rate")
CLOCK: Final = TimeUnit("h:m:s", None, "clock")
DATE: Final = TimeUnit("iso8601", None, "date")

_SPELLED: Final = (
    (SECOND, "s sec secs second seconds sek sekunde sekunden seconde secondes segundo segundos secondo secondi сек с "
     "sekunda sekundy sekund секунда секунды секунд 秒 초"),
    (MILLISECOND, "ms msec msecs millisecond milliseconds milli millis millisekunde millisekunden milliseconde "
     "millisecondes milisegundo milisegundos millisecondo millisecondi milisekunda milisekundy milisekund мс мсек "
     "миллисекунда миллисекунды миллисекунд 毫秒 ミリ秒 밀리초"),
    (MICROSECOND, "us µs usec usecs µsec microsecond microseconds micros mikrosekunde mikrosekunden microseconde "
     "microsecondes microsegundo microsegundos microsecondi mikrosekunda mikrosekundy mikrosekund мкс мксек "
     "микросекунда микросекунды микросекунд 微秒 マイクロ秒 마이크로초"),
    (NANOSECOND, "ns nsec nsecs nanosecond nanoseconds nanos nanosekunde nanosekunden nanosecondes nanosegundos "
     "nanosecondi nanosekundy нс наносекунды наносекунд 纳秒 奈秒 ナノ秒 나노초"),
    (MINUTE, "min mins minute minutes"),
    (HOUR, "h hr hrs hour hours"),
    (RATE, "fps 1/s frames/s frames/sec frames/second {frame}/s hz s^-1 bilder/s images/s кадр/с к/с"),
    (CLOCK, "h:m:s hms hh:mm:ss hh:mm:ss.fff h:mm:ss m:s mm:ss"),
    (DATE, "iso8601 iso-8601 datetime"),
)  # fmt: skip
_WORDS: Final = MappingProxyType({word: unit for unit, words in _SPELLED for word in words.split()})
TIME_WORDS: Final = frozenset(word for word, unit in _WORDS.items() if unit.ns is not None)
"""Words for units of time, in the languages that logs are written in."""
_PARTS: Final = MappingProxyType({"tenth": 10, "hundredth": 100, "thousandth": 1000, "millionth": 10**6})
_FACTOR: Final = r"[x×*]?\s*(\d{1,6}(?:[.,]\d{1,9})?(?:e[+-]?\d{1,2})?)\s*[x×*]?\s*(\D.*)"
_PART: Final = r"(tenth|hundredth|thousandth|millionth)s? of (?:an? )?(.+)"
_A_FRAME: Final = r"(.+?)\s*(?:/|per)\s*(?:1 )?frame"
_FRAMES_A: Final = r"(?:frames?|bilder|images|fotogramas|cuadros|quadros)\s*(?:/|per|pro|par|por)\s*(?:1 )?(.+)"


def unit_named(text: str) -> TimeUnit | None:
    """The unit written in ``text``, or ``None``. Case does not matter: no log counts in megaseconds.

    Examples
    --------
    >>> unit_named("µs").name, unit_named("100 ns").ns, unit_named("furlong")
    ('us', Fraction(100, 1), None)
    >>> unit_named("0,1 ms").ns, unit_named("hundredths of ms").name, unit_named("frames per sec").name
    (Fraction(100000, 1), '0.01ms', 'fps')
    """
    word = " ".join(text.casefold().replace("μ", "µ").replace("iso 8601", "iso8601").split())
    if word in _WORDS:
        return _WORDS[word]
    if match := re.fullmatch(_PART, word):
        return _multiple(Fraction(1, _PARTS[match[1]]), match[2])
    if match := re.fullmatch(_FACTOR, word):
        return _multiple(Fraction(match[1].replace(",", ".")), match[2])
    if match := re.fullmatch(_A_FRAME, word):
        unit = unit_named(match[1])
        return unit if unit is not None and unit.ns is not None else None
    if match := re.fullmatch(_FRAMES_A, word):
        return RATE if _WORDS.get(match[1]) is SECOND else None
    return None


def _multiple(factor: Fraction, word: str) -> TimeUnit | None:
    base = _WORDS.get(word)
    if base is None or base.ns is None or base.ns > SECOND.ns or factor <= 0:  # type: ignore[operator]
        return None
    ns = base.ns * factor
    written = f"{float(factor):.15g}"
    return base if factor == 1 else TimeUnit(f"{written}{base.name}", ns)


def unit_names() -> str:
    """The units as they are listed in messages."""
    return "s, ms, us, ns, min, h, a multiple such as 100ns, fps, h:m:s, iso8601"
