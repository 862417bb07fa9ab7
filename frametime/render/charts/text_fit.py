"""How wide a text is, and how it is wrapped or shortened to fit: labels come from logs and plans of any length."""

from __future__ import annotations

import re
from functools import cache, lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font, Kerning, LoadFlags
from matplotlib.textpath import text_to_path

from frametime.errors import printable

if TYPE_CHECKING:
    from matplotlib.ft2font import GlyphIndexType

ELLIPSIS: Final = "…"
_REPLACEMENT: Final = "\N{REPLACEMENT CHARACTER}"
_FAMILY: Final = "DejaVu Sans"
_NUMBER_AND_UNIT: Final = re.compile(r"[+\N{MINUS SIGN}(]*\d[\d.]* [^\W\d]+\S*|[+\N{MINUS SIGN}(]*\d[\d.]* %\S*|\S+")
"""A number with the word or the percent sign after it, or any other word."""


@lru_cache(maxsize=1)
def _drawable() -> frozenset[int]:
    """Code points that both weights of the shipped font can draw."""
    fonts = [FT2Font(findfont(FontProperties(family=_FAMILY, weight=weight))) for weight in ("normal", "bold")]
    return frozenset(fonts[0].get_charmap()) & frozenset(fonts[1].get_charmap())


@lru_cache(maxsize=4096)
def drawable(text: str) -> str:
    r"""``text`` on one line, without control characters; what the font cannot draw becomes U+FFFD.

    Examples
    --------
    >>> drawable("Harbor\n$5"), drawable("run\t1")
    ('Harbor\\n$5', 'run\\t1')
    """
    known = _drawable()
    shown = "".join(character if ord(character) in known else _REPLACEMENT for character in printable(text, limit=2000))
    return " ".join(shown.split())


@lru_cache(maxsize=8192)
def text_width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width of one line in points, in the font of the charts, of what can be drawn of ``text``.

    The advances of its letters and what each pair is moved together: a tenth of a percent from what is drawn, and
    thirty times as fast as laying the line out. Text with combining marks, and scripts other than Latin are laid out.
    """
    text = drawable(text)
    if all(character < _COMBINING or _DASHES <= character <= _SYMBOLS for character in text):
        for apart, together in _LIGATURES.items():
            text = text.replace(apart, together)
        letters = [_letter(character, bold=bold) for character in text]
        font = _font(bold=bold)
        kerning = sum(font.get_kerning(one, other, Kerning.UNFITTED) for (_, one), (_, other) in pairwise(letters))
        width = (sum(advance for advance, _ in letters) + kerning / 64.0) * size_pt / _LAID_OUT_PT
    else:
        laid_out = FontProperties(family=_FAMILY, size=size_pt, weight="bold" if bold else "normal")
        width, _, _ = text_to_path.get_text_width_height_descent(text, laid_out, ismath=False)
    return float(width) * 1.01  # rounding of the glyphs to pixels


_COMBINING: Final = "\N{COMBINING GRAVE ACCENT}"
_DASHES, _SYMBOLS = "\N{HYPHEN}", "\u2bff"
_LIGATURES: Final = {"ffi": "\ufb03", "ffl": "\ufb04", "ff": "\ufb00", "fi": "\ufb01", "fl": "\ufb02"}
"""Letters that the font draws as one shape, the longest first."""
_LAID_OUT_PT: Final = 100.0


@cache
def _font(*, bold: bool) -> FT2Font:
    font = FT2Font(findfont(FontProperties(family=_FAMILY, weight="bold" if bold else "normal")))
    font.set_size(_LAID_OUT_PT, 72)
    return font


@cache
def _letter(character: str, *, bold: bool) -> tuple[float, GlyphIndexType]:
    """How far a letter moves the pen, and its number in the font."""
    font = _font(bold=bold)
    advance = font.load_char(ord(character), flags=LoadFlags.NO_HINTING).linearHoriAdvance / 65536.0
    return advance, font.get_char_index(ord(character))


def shorten(text: str, width_pt: float, size_pt: float, *, bold: bool = False) -> str:
    """``text``, or its beginning and end around an ellipsis, so that it is at most ``width_pt`` wide.

    The middle goes first: names that differ often differ in their last letters.
    """
    text = drawable(text)
    if text_width_pt(text, size_pt, bold=bold) <= width_pt:
        return text
    least, most = 0, len(text) - 1
    while least < most:
        kept = (least + most + 1) // 2
        if text_width_pt(_cut(text, kept), size_pt, bold=bold) <= width_pt:
            least = kept
        else:
            most = kept - 1
    return _cut(text, least)


def _cut(text: str, kept: int) -> str:
    tail = kept // 3
    head = kept - tail
    return text[:head].rstrip() + ELLIPSIS + (text[-tail:].lstrip() if tail else "")


def wrap(text: str, width_pt: float, size_pt: float, *, max_lines: int, bold: bool = False) -> list[str]:
    """Lines of at most ``width_pt``, broken at spaces; the last one is shortened where there are too many.

    A word that is wider than a line is shortened in its middle. A number and what it counts stay on one line.
    """
    words: list[str] = []
    for word in _NUMBER_AND_UNIT.findall(drawable(text)):
        words.extend([word] if text_width_pt(word, size_pt, bold=bold) <= width_pt else word.split())
    lines: list[str] = []
    current = ""
    for position, word in enumerate(words):
        longer = f"{current} {word}" if current else word
        if text_width_pt(longer, size_pt, bold=bold) <= width_pt:
            current = longer
            continue
        if len(lines) == max_lines - 1:
            rest = " ".join([current, *words[position:]]).strip()
            return [*lines, shorten(rest, width_pt, size_pt, bold=bold)]
        if current:
            lines.append(current)
        current = shorten(word, width_pt, size_pt, bold=bold)
    return [*lines, current] if current else lines
