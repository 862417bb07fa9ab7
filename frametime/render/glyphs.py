"""Texts as outlines of their letters, each letter read from the font once.

matplotlib shapes every text anew and, since version 3.11, asks the font for every letter of it anew: on a chart with
a few sentences that takes longer than the rest of the chart. Letters whose place depends only on their advance and
on the pair they stand in are placed here instead; texts in scripts that need shaping are left to matplotlib.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib import ft2font
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font
from matplotlib.path import Path
from matplotlib.transforms import Affine2D
from numpy.typing import NDArray

UNIT_PT: Final = 100.0
"""Size at which outlines are kept: one point is then one unit of the outline at 72 dots an inch."""

LONG_PATH: Final = 64
"""From so many points on, a path in a file without pixels keeps only decimals that can be seen."""

_SEEN_DECIMALS: Final = 3  # of a point: 0.35 micrometers
_DPI: Final = 72.0

_SIMPLE: Final = ((0x20, 0x2FF), (0x370, 0x52F), (0x2010, 0x2027), (0x2030, 0x205E), (0x2070, 0x27BF))
"""Latin, Greek, Cyrillic, punctuation, signs and arrows: nothing in them joins, stacks or runs from right to left."""

# The names of both moved into enumerations with matplotlib 3.10.
_NAMES: Final[Any] = ft2font
_NO_HINTING: Final = _NAMES.LoadFlags.NO_HINTING if hasattr(ft2font, "LoadFlags") else _NAMES.LOAD_NO_HINTING
_UNFITTED: Final = _NAMES.Kerning.UNFITTED if hasattr(ft2font, "Kerning") else _NAMES.KERNING_UNFITTED


class _Glyph(NamedTuple):
    """Outline of one letter at the kept size, and how far it moves the next."""

    vertices: NDArray[np.float64]
    codes: NDArray[np.uint8]
    place: int
    advance: float


class Outline(NamedTuple):
    """A line of text at the kept size, from its baseline at (0, 0)."""

    path: Path
    width: float
    height: float
    descent: float

    def scaled(self, size: float) -> tuple[float, float, float]:
        """Width, height and descent at that size, in its unit."""
        scale = size / UNIT_PT
        return self.width * scale, self.height * scale, self.descent * scale


def is_simple(text: str) -> bool:
    """Whether each letter of ``text`` keeps its form and its order wherever it stands.

    Examples
    --------
    >>> is_simple("± 3 % → p99"), is_simple("\N{ARABIC LETTER BEH}"), is_simple("e\N{COMBINING ACUTE ACCENT}")
    (True, False, False)
    """
    return text.isascii() or all(any(low <= ord(letter) <= high for low, high in _SIMPLE) for letter in text)


@lru_cache(maxsize=8)
def _font(file_name: str) -> FT2Font:
    font = FT2Font(file_name)
    font.set_size(UNIT_PT, _DPI)
    return font


@lru_cache(maxsize=4096)
def _glyph(file_name: str, letter: str) -> _Glyph:
    font = _font(file_name)
    glyph = font.load_char(ord(letter), flags=_NO_HINTING)
    vertices, codes = font.get_path()
    return _Glyph(
        np.asarray(vertices, dtype=np.float64).reshape(-1, 2),
        np.asarray(codes, dtype=np.uint8),
        font.get_char_index(ord(letter)),
        glyph.linearHoriAdvance / 65536.0,
    )


@lru_cache(maxsize=8192)
def _kerning(file_name: str, left: int, right: int) -> float:
    font: Any = _font(file_name)
    return float(font.get_kerning(left, right, _UNFITTED)) / 64.0


def letter_outline(file_name: str, letter: str) -> Path | None:
    """The letter alone at the kept size; ``None`` where it leaves no mark."""
    glyph = _glyph(file_name, letter)
    return Path(glyph.vertices, glyph.codes) if glyph.codes.size else None


def letter_place(file_name: str, letter: str) -> int:
    """Place of the letter among the outlines of the font; 0 where the font has none for it."""
    return _glyph(file_name, letter).place


def letter_advance(file_name: str, letter: str) -> float:
    """How far the letter alone moves the place of writing, at the kept size."""
    return _glyph(file_name, letter).advance


def kernings(file_name: str, text: str) -> list[float]:
    """By how much each letter comes nearer (negative) to the one before, or goes away from it, at the kept size."""
    places = [_glyph(file_name, letter).place for letter in text]
    return [0.0, *(_kerning(file_name, left, right) for left, right in pairwise(places))][: len(text)]


def letter_places(file_name: str, text: str) -> list[tuple[str, float]]:
    """Each letter of a line with its distance from the beginning, at the kept size."""
    found, x = [], 0.0
    for letter, kerning in zip(text, kernings(file_name, text), strict=True):
        x += kerning
        found.append((letter, x))
        x += _glyph(file_name, letter).advance
    return found


@lru_cache(maxsize=4096)
def advance_width(file_name: str, text: str) -> float:
    """How far a line moves the place of writing, at the kept size."""
    if not text:
        return 0.0
    last, x = letter_places(file_name, text)[-1]
    return x + _glyph(file_name, last).advance


@lru_cache(maxsize=512)
def outline(file_name: str, text: str) -> Outline:
    """The line of text in that font."""
    pieces, codes = [], []
    for letter, x in letter_places(file_name, text):
        glyph = _glyph(file_name, letter)
        if glyph.codes.size:
            pieces.append(glyph.vertices + np.array((x, 0.0)))
            codes.append(glyph.codes)
    width = advance_width(file_name, text)
    if not pieces:
        return Outline(Path(np.empty((0, 2))), width, 0.0, 0.0)
    vertices = np.concatenate(pieces)
    drawn = vertices[np.concatenate(codes) != Path.CLOSEPOLY]
    low, high = min(0.0, float(drawn[:, 1].min())), max(0.0, float(drawn[:, 1].max()))
    return Outline(Path(vertices, np.concatenate(codes)), max(width, float(drawn[:, 0].max())), high - low, -low)


def font_file(properties: FontProperties) -> str:
    """File of the font that matplotlib would take."""
    return str(findfont(properties))


def rounded(path: Path) -> Path:
    """The same path with every one of its points, in points, to a thousandth: half as many digits in a file."""
    return Path(np.round(np.asarray(path.vertices, dtype=np.float64), _SEEN_DECIMALS), path.codes)


class OutlineSizes:
    """For a renderer of matplotlib: sizes of simple texts from their outlines, alike in every format."""

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> tuple[float, float, float]:
        """Size of the line in units of the renderer."""
        renderer: Any = self
        if ismath or not is_simple(s):
            measure: Any = super()
            width, height, descent = measure.get_text_width_height_descent(s, prop, ismath)
            return width, height, descent
        return outline(font_file(prop), s).scaled(renderer.points_to_pixels(prop.get_size_in_points()))


class OutlineRenderer(OutlineSizes, RendererAgg):
    """Draws simple texts as filled outlines, everything else as matplotlib does."""

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
        """Draw the line with its baseline from (x, y), which counts from the upper edge."""
        if ismath or not is_simple(s):
            draw_shaped: Any = super().draw_text
            draw_shaped(gc, x, y, s, prop, angle, ismath, mtext)
            return
        scale = prop.get_size_in_points() * self.dpi / _DPI / UNIT_PT
        place = Affine2D().scale(scale).rotate_deg(angle).translate(x, self.height - y)
        gc.set_linewidth(0.0)
        gc.set_snap(False)
        draw_path: Any = self.draw_path
        draw_path(gc, outline(font_file(prop), s).path, place, gc.get_rgb())


class OutlineCanvas(FigureCanvasAgg):
    """Canvas of pixels whose texts are outlines."""

    _drawn_size: tuple[float, ...] = ()

    def get_renderer(self) -> RendererAgg:
        """The renderer of this size, kept from drawing to drawing."""
        size = (*self.get_width_height(physical=True), float(self.figure.dpi))
        if size != self._drawn_size:
            make: Any = OutlineRenderer
            self.renderer: RendererAgg = make(*size)
            self._drawn_size = size
        return self.renderer
