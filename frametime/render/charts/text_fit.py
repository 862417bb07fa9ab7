"""How wide a text is, and how it is wrapped or shortened to fit: labels come from logs and plans of any length."""

from __future__ import annotations

import re
from contextvars import ContextVar
from functools import cache, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from matplotlib.font_manager import FontProperties, findfont, fontManager
from matplotlib.ft2font import FT2Font, Kerning, LoadFlags
from matplotlib.textpath import text_to_path

from frametime.errors import OutputError, printable

if TYPE_CHECKING:
    from matplotlib.ft2font import GlyphIndexType

ELLIPSIS: Final = "…"
_REPLACEMENT: Final = "\N{REPLACEMENT CHARACTER}"
_FAMILY: Final = "DejaVu Sans"
_NUMBER_AND_UNIT: Final = re.compile(r"[+\N{MINUS SIGN}(]*\d[\d.,]* [^\W\d]+\S*|[+\N{MINUS SIGN}(]*\d[\d.,]* %\S*|\S+")
"""A number with the word or the percent sign after it, or any other word."""


class TextStyle(NamedTuple):
    """How texts are set: the font, how numbers are written, words in place of others; ``names`` stay as they are."""

    family: str = _FAMILY
    numbers: str = "1,234.5"
    labels: tuple[tuple[str, str], ...] = ()
    names: tuple[str, ...] = ()


USUAL_STYLE: Final = TextStyle()
TEXT_STYLE: Final[ContextVar[TextStyle]] = ContextVar("TEXT_STYLE", default=USUAL_STYLE)


@cache
def font_family(font: str | None) -> str:
    """Family of a font that is named, or of the file at a path; by default that which is shipped with matplotlib.

    Raises
    ------
    OutputError
        If there is no such font.
    """
    if font is None:
        return _FAMILY
    try:
        if Path(font).suffix.lower() in (".ttf", ".otf"):
            fontManager.addfont(font)
            return str(FontProperties(fname=font).get_name())
        findfont(FontProperties(family=font), fallback_to_default=False)
    except (ValueError, OSError, RuntimeError) as error:
        raise OutputError.at(
            "font", f"there is no font {font!r}", helps="name a family or a TTF or OTF file"
        ) from error
    return font


class Shown(str):
    """A text as it is drawn."""

    __slots__ = ()


@lru_cache(maxsize=4)
def _known_letters(family: str) -> frozenset[int]:
    """Code points that both weights of a font, or of the one that stands in for it, can draw."""
    fonts = [
        {*FT2Font(findfont(FontProperties(family=name, weight=weight))).get_charmap()}
        for weight in ("normal", "bold")
        for name in (family, _FAMILY)
    ]
    return frozenset((fonts[0] | fonts[1]) & (fonts[2] | fonts[3]))


def drawable(text: str) -> Shown:
    r"""``text`` on one line, without control characters; what the font cannot draw becomes U+FFFD.

    Words and numbers are those of `TEXT_STYLE`.

    Examples
    --------
    >>> drawable("Harbor\n$5"), drawable("run\t1")
    ('Harbor\\n$5', 'run\\t1')
    """
    return text if isinstance(text, Shown) else _shown(text, TEXT_STYLE.get())


@lru_cache(maxsize=4096)
def _shown(text: str, style: TextStyle) -> Shown:
    known = _known_letters(style.family)
    in_style = _in_style(text, style)
    shown = "".join(letter if ord(letter) in known else _REPLACEMENT for letter in printable(in_style, limit=2000))
    return Shown(" ".join(shown.split()))


def _in_style(text: str, style: TextStyle) -> str:
    """Labels and numbers as the style writes them; what stands in a name stays."""
    if (style.numbers, style.labels) == (USUAL_STYLE.numbers, ()):
        return text
    labels, to_style = dict(style.labels), str.maketrans({",": style.numbers[1], ".": style.numbers[-2]})
    words = [rf"(?<!\w){re.escape(word)}(?!\w)" for word in sorted([*style.names, *labels], key=len, reverse=True)]

    def written(found: re.Match[str]) -> str:
        word = found[0]
        return word if word in style.names else labels.get(word, word.translate(to_style) if found["number"] else word)

    return re.sub("|".join([*words, _NUMBER.pattern]), written, text)


@lru_cache(maxsize=8192, typed=True)
def _width_pt(text: str, size_pt: float, bold: bool, family: str) -> float:
    if family == _FAMILY and all(letter < _COMBINING or _DASHES <= letter <= _SYMBOLS for letter in text):
        for apart, together in _LIGATURES.items():
            text = text.replace(apart, together)
        letters = [_letter(character, bold=bold) for character in text]
        font = _font(bold=bold)
        kerning = sum(font.get_kerning(one, other, Kerning.UNFITTED) for (_, one), (_, other) in pairwise(letters))
        width = (sum(advance for advance, _ in letters) + kerning / 64.0) * size_pt / _LAID_OUT_PT
    else:
        laid_out = FontProperties(family=[family, _FAMILY], size=size_pt, weight="bold" if bold else "normal")
        width, _, _ = text_to_path.get_text_width_height_descent(text, laid_out, ismath=False)
    return float(width) * 1.01  # rounding of the glyphs to pixels


def text_width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width of one line in points, in the font of the charts, of what can be drawn of ``text``.

    The advances of its letters and what each pair is moved together: a tenth of a percent from what is drawn, and
    thirty times as fast as laying the line out. Text with combining marks, scripts other than Latin and other fonts are
    laid out.
    """
    return _width_pt(drawable(text), size_pt, bold, TEXT_STYLE.get().family)


_NUMBER: Final = re.compile(r"(?P<number>\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)")
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


def shorten(text: str, width_pt: float, size_pt: float, *, bold: bool = False) -> Shown:
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


def _cut(text: str, kept: int) -> Shown:
    tail = kept // 3
    head = kept - tail
    return Shown(text[:head].rstrip() + ELLIPSIS + (text[-tail:].lstrip() if tail else ""))


def wrap(text: str, width_pt: float, size_pt: float, *, max_lines: int, bold: bool = False) -> list[Shown]:
    """Lines of at most ``width_pt``, broken at spaces; the last one is shortened where there are too many.

    A word that is wider than a line is shortened in its middle. A number and what it counts stay on one line.
    """
    words: list[Shown] = []
    for word in map(Shown, _NUMBER_AND_UNIT.findall(drawable(text))):
        fits = text_width_pt(word, size_pt, bold=bold) <= width_pt
        words.extend([word] if fits else map(Shown, word.split()))
    lines: list[Shown] = []
    current = Shown()
    for position, word in enumerate(words):
        longer = Shown(f"{current} {word}" if current else word)
        if text_width_pt(longer, size_pt, bold=bold) <= width_pt:
            current = longer
            continue
        if len(lines) == max_lines - 1:
            rest = Shown(" ".join([current, *words[position:]]).strip())
            return [*lines, shorten(rest, width_pt, size_pt, bold=bold)]
        if current:
            lines.append(current)
        current = shorten(word, width_pt, size_pt, bold=bold)
    return [*lines, current] if current else lines
