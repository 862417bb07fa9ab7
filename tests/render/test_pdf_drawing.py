"""PDF files: the text that a reader can search and copy, and the fonts that carry it."""

from __future__ import annotations

import io
import re
import zlib

from fontTools.ttLib import TTFont
from matplotlib.figure import Figure

from frametime.render.figure_files import figure_bytes
from frametime.render.theme import Theme

THEME = Theme.of("light", "web")


def pdf_of(*texts: str) -> bytes:
    with THEME.settings():
        figure = Figure(figsize=(4, 3))
        for number, text in enumerate(texts):
            figure.text(0.1, 0.1 + 0.2 * number, text)
        return figure_bytes(figure, THEME, "pdf")


def streams(content: bytes) -> list[bytes]:
    """Every stream of the file, unpacked."""
    return [zlib.decompress(found) for found in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL)]


def shown(content: bytes) -> list[str]:
    """The lines of text in the file, by the map to Unicode that it carries (ISO 32000-1, 9.10.3)."""
    unpacked = streams(content)
    pairs = {}
    for part in unpacked:
        if b"beginbfchar" in part:
            pairs |= dict(re.findall(rb"<([0-9a-f]{4})> <([0-9a-f]{4})>\n", part.split(b"beginbfchar", 1)[1]))
    lines = []
    for part in unpacked:
        for line in re.findall(rb"\[([^\]]*)\] TJ", part):
            codes = re.findall(rb"[0-9a-f]{4}", b"".join(re.findall(rb"<([0-9a-f]*)>", line)))
            lines.append("".join(chr(int(pairs[code], 16)) for code in codes))
    return lines


def test_texts_are_text_in_the_file() -> None:
    assert shown(pdf_of("AVATAR 12 ms", "Größe: −0.6 % → behind")) == ["AVATAR 12 ms", "Größe: −0.6 % → behind"]


def test_the_font_in_the_file_has_the_letters_and_no_more() -> None:
    fonts = [part for part in streams(pdf_of("frames")) if part.startswith(b"\x00\x01\x00\x00")]
    (font,) = [TTFont(io.BytesIO(part), checkChecksums=2) for part in fonts]
    assert font["maxp"].numGlyphs == 1 + len(set("frames"))


def test_each_code_leads_to_the_outline_of_its_letter() -> None:
    """The map from codes to outlines, two bytes each (ISO 32000-1, table 117, CIDToGIDMap)."""
    content = pdf_of("az")
    (places,) = [part for part in streams(content) if len(part) == 2 * (ord("z") + 1)]
    (font,) = [TTFont(io.BytesIO(part)) for part in streams(content) if part.startswith(b"\x00\x01\x00\x00")]
    place = {letter: int.from_bytes(places[2 * ord(letter) : 2 * ord(letter) + 2], "big") for letter in "az"}
    assert sorted(place.values()) == [1, 2]
    assert sum(map(bool, places)) == 2
    # A letter "z" is straight lines only, an "a" has curves.
    curved = {
        letter: any(not flag & 1 for flag in font["glyf"][font.getGlyphName(number)].flags)
        for letter, number in place.items()
    }
    assert curved == {"a": True, "z": False}


def test_formulas_and_rare_letters_are_left_to_the_library() -> None:
    content = pdf_of("$x^2$", "\U0001d538")
    assert content.startswith(b"%PDF")
    assert content == pdf_of("$x^2$", "\U0001d538")
