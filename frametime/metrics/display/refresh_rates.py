"""Refresh rates as exact fractions: what a person writes, what a standard means by it."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Final

from frametime.errors import OptionError
from frametime.metrics.options import Refresh

FAMILY_HZ: Final = (24, 30, 60, 120)
"""Whole rates that SMPTE ST 274 and CTA-861 also give as N x 1000/1001."""

_WHERE: Final = "refresh rate"
_HELPS: Final = (
    "write one rate such as 144 or 59.94, a fraction such as 60000/1001, a window such as 48-165, or the display "
    "timing as pixel clock in Hz, total width and total height: 173000000/2576/1120"
)
_DECIMAL = re.compile(r"\d{1,9}(\.\d{1,9})?")


def parse_refresh(text: str, *, tearing: bool = False) -> Refresh:
    """The refresh that a person wrote.

    ``144`` is fixed, ``48-165`` a variable window, ``60000/1001`` exact as it stands, ``173000000/2576/1120`` a
    display timing: pixel clock over all pixels of a frame, blanking included, as in VESA DMT and CVT. A decimal that
    is a rate of the families 24, 30, 60, 120 times 1000/1001, rounded to the digits that were written (two or more),
    means that exact rate: ``59.94`` is 60000/1001. ``describe_refresh`` says so.

    Parameters
    ----------
    text : str
    tearing : bool
        Whether a new frame may appear in the middle of a refresh.

    Raises
    ------
    OptionError
        If the text is none of these, or a rate lies outside 1 to 10 000 Hz.

    Examples
    --------
    >>> parse_refresh("59.94").low_hz
    Fraction(60000, 1001)
    >>> window = parse_refresh("48-165")
    >>> (int(window.low_hz), int(window.high_hz), window.is_fixed)
    (48, 165, False)
    """
    cleaned = re.sub(r"\s*hz\s*$", "", text.strip(), flags=re.IGNORECASE).replace(" ", "").replace("\N{EN DASH}", "-")
    low_text, dash, high_text = cleaned.partition("-")
    low_hz = _rate(low_text, text)
    high_hz = _rate(high_text, text) if dash else low_hz
    if dash and not low_hz < high_hz:
        raise OptionError.at(_WHERE, f"the window '{text}' does not rise", helps="write the lower rate first")
    return Refresh(low_hz=low_hz, high_hz=high_hz, tearing=tearing)


def _rate(part: str, text: str) -> Fraction:
    """One rate out of ``part``; ``text`` is what the person wrote, for the message."""
    pieces = part.split("/")
    if len(pieces) > 3 or not all(_DECIMAL.fullmatch(piece) for piece in pieces):
        raise OptionError.at(_WHERE, f"'{text}' is not a refresh rate", helps=_HELPS)
    if any(Fraction(piece) == 0 for piece in pieces):
        raise OptionError.at(_WHERE, f"'{text}' holds a zero", helps=_HELPS)
    if len(pieces) == 1:
        rate_hz = _family_rate(part) or Fraction(part)
    else:
        rate_hz = Fraction(pieces[0])
        for piece in pieces[1:]:
            rate_hz /= Fraction(piece)
    if not 1 <= rate_hz <= 10_000:
        raise OptionError.at(_WHERE, f"'{text}' gives {float(rate_hz):.6g} Hz", helps="give a rate from 1 to 10000 Hz")
    return rate_hz


def _family_rate(part: str) -> Fraction | None:
    """The rate N x 1000/1001 that this decimal rounds, if there is one."""
    digits = len(part.partition(".")[2])
    if digits < 2:
        return None
    for whole_hz in FAMILY_HZ:
        exact = Fraction(whole_hz * 1000, 1001)
        if abs(exact - Fraction(part)) <= Fraction(1, 2 * 10**digits):
            return exact
    return None


def describe_rate(rate_hz: Fraction) -> str:
    """One rate for people, with the exact fraction where the decimal is rounded.

    Examples
    --------
    >>> describe_rate(Fraction(144)), describe_rate(Fraction(60000, 1001))
    ('144 Hz', '59.94006 Hz (exactly 60000/1001)')
    """
    shown = f"{float(rate_hz):.7g}"
    if Fraction(shown) == rate_hz:
        return f"{shown} Hz"
    return f"{shown} Hz (exactly {rate_hz.numerator}/{rate_hz.denominator})"


def describe_refresh(refresh: Refresh) -> str:
    """What the refresh is, in words.

    Examples
    --------
    >>> describe_refresh(parse_refresh("144", tearing=True))
    'fixed refresh of 144 Hz, with tearing'
    >>> describe_refresh(parse_refresh("48-165"))
    'variable refresh from 48 Hz to 165 Hz'
    """
    if refresh.is_fixed:
        return f"fixed refresh of {describe_rate(refresh.low_hz)}" + (", with tearing" if refresh.tearing else "")
    return f"variable refresh from {describe_rate(refresh.low_hz)} to {describe_rate(refresh.high_hz)}"
