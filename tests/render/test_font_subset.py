"""The letters of an embedded font against the font they are taken from, read by fontTools (a reference library)."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import matplotlib
import pytest
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont

from frametime.render.font_subset import font_subset

FOLDER = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
LETTERS = "Aéß%µ−→0ẤǗﬁ"


def outline(font: TTFont, name: str) -> list[tuple[str, tuple[object, ...]]]:
    """What draws a letter, with the parts it is put together from in place."""
    glyphs = font.getGlyphSet()
    pen = DecomposingRecordingPen(glyphs)
    glyphs[name].draw(pen)
    drawn: list[tuple[str, tuple[object, ...]]] = pen.value
    return drawn


@pytest.mark.parametrize("name", ["DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSansMono.ttf"])
def test_every_letter_has_the_outline_and_width_of_the_whole_font(name: str) -> None:
    file_name = str(FOLDER / name)
    whole = TTFont(file_name)
    names = dict.fromkeys(whole.getBestCmap()[ord(letter)] for letter in LETTERS if ord(letter) in whole.getBestCmap())
    places = tuple(whole.getGlyphID(glyph) for glyph in names)
    assert len(places) > 7
    # 2: an error where a sum that guards a table is wrong.
    content = font_subset(file_name, places)
    small = TTFont(io.BytesIO(content), checkChecksums=2)
    # The sum of a whole font, see "OpenType specification" 1.9, table head, checksumAdjustment.
    assert sum(struct.unpack(f">{len(content) // 4}L", content)) & 0xFFFFFFFF == 0xB1B0AFBA
    assert any(whole["glyf"][glyph].isComposite() for glyph in names)
    for place, glyph in enumerate([".notdef", *names]):
        new = small.getGlyphName(place)
        assert outline(small, new) == outline(whole, glyph)
        assert small["hmtx"][new] == whole["hmtx"][glyph]
    assert small["maxp"].numGlyphs == len(small.getGlyphOrder()) < 40
    for table in ("cvt ", "fpgm", "prep"):  # what fits the outlines to the pixels
        assert small.getTableData(table) == whole.getTableData(table)


def test_a_file_that_is_no_such_font_is_refused(tmp_path: Path) -> None:
    (tmp_path / "font.ttf").write_bytes(b"OTTO" + bytes(60))
    with pytest.raises(ValueError, match="file_name must be a TrueType font"):
        font_subset(str(tmp_path / "font.ttf"), (1,))
