"""Drawings as PDF whose texts stay text: the letters used are embedded as a TrueType font, as print shops ask for.

matplotlib chooses the letters of a font with a general tool, which takes ten times as long as everything else of a
chart. Here simple texts are written with fonts made by `font_subset`; other texts are left to matplotlib.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import lru_cache
from math import cos, radians, sin
from typing import Any, Final
from zlib import crc32

from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends import backend_pdf
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font
from matplotlib.path import Path
from matplotlib.transforms import IdentityTransform

from frametime.render.font_subset import font_subset, font_tables
from frametime.render.glyphs import (
    LONG_PATH,
    UNIT_PT,
    OutlineSizes,
    font_file,
    is_simple,
    kernings,
    letter_advance,
    letter_place,
    rounded,
)

# Without types in the library.
_Name: Final[Any] = backend_pdf.Name

_POINTS_PER_INCH: Final = 72
_THOUSANDTHS: Final = 1000.0 / UNIT_PT
_SYMBOLIC: Final = 4
_MOST_MAPPINGS: Final = 100
"""As many letters as one section of a character map may name."""

_TO_UNICODE: Final = """/CIDInit /ProcSet findresource begin
12 dict begin
begincmap
/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def
/CMapName /Adobe-Identity-UCS def
/CMapType 2 def
1 begincodespacerange
<0000> <ffff>
endcodespacerange
{sections}endcmap
CMapName currentdict /CMap defineresource pop
end
end"""


def pdf_bytes(figure: Figure, *, dpi: int, metadata: Mapping[str, None]) -> bytes:
    """The figure as the content of a PDF file; ``dpi`` is that of pictures in it."""
    stream = io.BytesIO()
    width_in, height_in = (float(inches) for inches in figure.get_size_inches())
    before = figure.dpi
    figure.dpi = _POINTS_PER_INCH
    try:
        file: Any = _FileWithFonts(stream, metadata=dict(metadata))
        file.newPage(width_in, height_in)
        make: Any = TextPdfRenderer
        renderer = make(file, dpi, height_in, width_in)
        figure.draw(renderer)
        renderer.finalize()
        file.finalize()
        file.close()
    finally:
        figure.dpi = before
    return stream.getvalue()


class _FileWithFonts(backend_pdf.PdfFile):
    """A file with fonts of its own beside those of matplotlib.

    The code of a letter in the text is its Unicode number; a map in the file leads from there to the outline.
    """

    def __init__(self, stream: io.BytesIO, *, metadata: dict[str, None]) -> None:
        self._letters: dict[str, set[str]] = {}
        start: Any = super().__init__
        start(stream, metadata=metadata)

    def font_for(self, file_name: str, text: str) -> bytes:
        """Name of the font for text, whose letters will be embedded."""
        self._letters.setdefault(file_name, set()).update(text)
        return b"/T%d" % (list(self._letters).index(file_name) + 1)

    def writeObject(self, object: Any, contents: Any) -> None:  # noqa: N802 - the names are matplotlib's
        """Write an object; the list of all fonts is written with the fonts of this class."""
        write: Any = super().writeObject
        if object is self.fontObject:
            for number, (file_name, letters) in enumerate(self._letters.items(), start=1):
                contents[_Name(f"T{number}")] = self._embedded(file_name, "".join(sorted(letters)))
        write(object, contents)

    def _embedded(self, file_name: str, letters: str) -> Any:
        places = tuple(dict.fromkeys(letter_place(file_name, letter) for letter in letters))
        name = _subset_name(file_name, letters)
        widths: list[Any] = []
        for letter in letters:
            widths += [ord(letter), [round(letter_advance(file_name, letter) * _THOUSANDTHS, 3)]]
        descendant = self._object(
            "CID font",
            {
                "Type": _Name("Font"),
                "Subtype": _Name("CIDFontType2"),
                "BaseFont": name,
                "CIDSystemInfo": {"Registry": b"Adobe", "Ordering": b"Identity", "Supplement": 0},
                "FontDescriptor": self._descriptor(file_name, name, font_subset(file_name, places)),
                "W": widths,
                "CIDToGIDMap": self._stream("letters to outlines", _outline_map(file_name, letters, places)),
            },
        )
        return self._object(
            "font",
            {
                "Type": _Name("Font"),
                "Subtype": _Name("Type0"),
                "BaseFont": name,
                "Encoding": _Name("Identity-H"),
                "DescendantFonts": [descendant],
                "ToUnicode": self._stream("letters to Unicode", _to_unicode(letters)),
            },
        )

    def _descriptor(self, file_name: str, name: Any, content: bytes) -> Any:
        font = FT2Font(file_name)
        scale = 1000.0 / font.units_per_EM
        return self._object(
            "font descriptor",
            {
                "Type": _Name("FontDescriptor"),
                "FontName": name,
                "Flags": _SYMBOLIC,
                "FontBBox": [round(edge * scale) for edge in font.bbox],
                "Ascent": round(font.ascender * scale),
                "Descent": round(font.descender * scale),
                "CapHeight": round(font.ascender * scale),
                "ItalicAngle": 0,
                "StemV": 0,
                "FontFile2": self._stream("font file", content, {"Length1": len(content)}),
            },
        )

    def _object(self, meaning: str, contents: Any) -> Any:
        file: Any = self
        reference = file.reserveObject(meaning)
        file.writeObject(reference, contents)
        return reference

    def _stream(self, meaning: str, content: bytes, extra: dict[str, Any] | None = None) -> Any:
        file: Any = self
        reference = file.reserveObject(meaning)
        file.outputStream(reference, content, extra=extra)
        return reference


def _subset_name(file_name: str, letters: str) -> Any:
    """Name of the font, with six capitals before it as long as the letters are the same."""
    tag = crc32(letters.encode("utf-8"))
    capitals = "".join(chr(ord("A") + tag // 26**power % 26) for power in range(6))
    return _Name(f"{capitals}+{FT2Font(file_name).postscript_name}")


def _outline_map(file_name: str, letters: str, places: tuple[int, ...]) -> bytes:
    """Two bytes for each code up to the greatest: place of its outline in the embedded font."""
    new_places = {0: 0} | {place: number for number, place in enumerate(places, start=1)}
    content = bytearray(2 * (ord(max(letters)) + 1))
    for letter in letters:
        content[2 * ord(letter) : 2 * ord(letter) + 2] = new_places[letter_place(file_name, letter)].to_bytes(2, "big")
    return bytes(content)


def _to_unicode(letters: str) -> bytes:
    """Character map that says which letter each code is: text can be searched and copied."""
    lines = [f"<{ord(letter):04x}> <{ord(letter):04x}>\n" for letter in letters]
    parts = [lines[first : first + _MOST_MAPPINGS] for first in range(0, len(lines), _MOST_MAPPINGS)]
    sections = "".join(f"{len(part)} beginbfchar\n{''.join(part)}endbfchar\n" for part in parts)
    return _TO_UNICODE.format(sections=sections).encode("ascii")


class TextPdfRenderer(OutlineSizes, backend_pdf.RendererPdf):
    """Writes simple texts with the fonts of its file, everything else as matplotlib does."""

    def draw_path(self, gc: GraphicsContextBase, path: Path, transform: Any, rgbFace: Any = None) -> None:  # noqa: N803
        """Draw a path; of a long one every point is kept, to the thousandth of a point."""
        draw: Any = super().draw_path
        if len(path) < LONG_PATH or gc.get_sketch_params() is not None:
            draw(gc, path, transform, rgbFace)
        else:
            draw(gc, rounded(path.transformed(transform)), IdentityTransform(), rgbFace)

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Any = None,
    ) -> None:
        """Write the line with its baseline from (x, y), which counts from the lower edge."""
        file_name = font_file(prop)
        if ismath or not is_simple(s) or "glyf" not in font_tables(file_name):
            draw_shaped: Any = super().draw_text
            draw_shaped(gc, x, y, s, prop, angle, ismath, mtext)
            return
        renderer: Any = self
        renderer.check_gc(gc, gc.get_rgb())
        font = renderer.file.font_for(file_name, s)
        turn = radians(angle)
        renderer.file.write(
            b"BT %s %.4f Tf %.6f %.6f %.6f %.6f %.4f %.4f Tm %s TJ ET\n"
            % (font, prop.get_size_in_points(), cos(turn), sin(turn), -sin(turn), cos(turn), x, y, _shown(file_name, s))
        )


@lru_cache(maxsize=1024)
def _shown(file_name: str, text: str) -> bytes:
    """The line as the list of an operator that shows text: codes, and between them how far to go back."""
    parts, codes = [], ""
    for letter, kerning in zip(text, kernings(file_name, text), strict=True):
        if kerning:
            parts.append(f"<{codes}> {-kerning * _THOUSANDTHS:.1f}")
            codes = ""
        codes += f"{ord(letter):04x}"
    return f"[{' '.join(parts)} <{codes}>]".encode("ascii")
