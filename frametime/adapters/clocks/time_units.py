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

_WORDS: Final = MappingProxyType(
    {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), SECOND),
        **dict.fromkeys(("ms", "msec", "msecs", "millisecond", "milliseconds", "milli", "millis"), MILLISECOND),
        **dict.fromkeys(
            ("us", "µs", "μs", "usec", "usecs", "µsec", "μsec", "microsecond", "microseconds", "micros"), MICROSECOND
        ),
        **dict.fromkeys(("ns", "nsec", "nsecs", "nanosecond", "nanoseconds", "nanos"), NANOSECOND),
        **dict.fromkeys(("min", "mins", "minute", "minutes"), MINUTE),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), HOUR),
        **dict.fromkeys(("fps", "1/s", "frames/s", "{frame}/s", "hz", "s^-1"), RATE),
        **dict.fromkeys(("h:m:s", "hms", "hh:mm:ss", "hh:mm:ss.fff", "h:mm:ss", "m:s", "mm:ss"), CLOCK),
        **dict.fromkeys(("iso8601", "iso 8601", "iso-8601", "datetime"), DATE),
    }
)
_MULTIPLE: Final = r"(\d{1,6})\s*(ns|us|µs|μs|ms|s)"


def unit_named(text: str) -> TimeUnit | None:
    """The unit written in ``text``, or ``None``. Case does not matter: no log counts in megaseconds.

    Examples
    --------
    >>> unit_named("µs").name, unit_named("100 ns").ns, unit_named("furlong")
    ('us', Fraction(100, 1), None)
    """
    word = text.strip().casefold().replace("μ", "µ")
    if word in _WORDS:
        return _WORDS[word]
    match = re.fullmatch(_MULTIPLE, word)
    if match is None or int(match[1]) == 0:
        return None
    base = _WORDS[match[2]]
    assert base.ns is not None
    return TimeUnit(f"{int(match[1])}{base.name}", base.ns * int(match[1]))


def unit_names() -> str:
    """The units as they are listed in messages."""
    return "s, ms, us, ns, min, h, a multiple such as 100ns, fps, h:m:s, iso8601"
