"""Drawings as SVG whose texts are outlines: each letter is written once, and every text refers to its letters."""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import lru_cache
from pathlib import PurePath
from typing import Any, Final

from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.transforms import Affine2D

from frametime.render.glyphs import (
    LONG_PATH,
    UNIT_PT,
    OutlineSizes,
    font_file,
    is_simple,
    letter_outline,
    letter_places,
    rounded,
)

_POINTS_PER_INCH: Final = 72
_KEPT_FINER: Final = 64
"""Outlines of letters are written in 1/64 of the kept unit, in which the coordinates of a font are whole numbers."""


def svg_bytes(figure: Figure, *, dpi: int, metadata: Mapping[str, None]) -> bytes:
    """The figure as the content of an SVG file; ``dpi`` is that of pictures in it."""
    stream = io.StringIO()
    width, height = (float(inches) * _POINTS_PER_INCH for inches in figure.get_size_inches())
    before = figure.dpi
    figure.dpi = _POINTS_PER_INCH
    try:
        renderer: Any = OutlineSvgRenderer(width, height, stream, dpi=dpi, metadata=metadata)
        figure.draw(renderer)
        renderer.finalize()
    finally:
        figure.dpi = before
    return stream.getvalue().encode("utf-8")


class OutlineSvgRenderer(OutlineSizes, RendererSVG):
    """Draws simple texts from letters that are defined where they first occur."""

    def __init__(
        self, width: float, height: float, stream: io.StringIO, *, dpi: int, metadata: Mapping[str, None]
    ) -> None:
        start: Any = super().__init__
        start(width, height, stream, image_dpi=dpi, metadata=dict(metadata))
        self._stream = stream
        self._defined: set[str] = set()

    def draw_path(self, gc: GraphicsContextBase, path: Path, transform: Any, rgbFace: Any = None) -> None:  # noqa: N803
        """Draw a path; of a long one every point is kept, to the thousandth of a point."""
        draw: Any = super().draw_path
        if len(path) < LONG_PATH or gc.get_sketch_params() is not None:
            draw(gc, path, transform, rgbFace)
        else:
            upside_down = Affine2D().scale(1.0, -1.0).translate(0.0, self.height)
            draw(gc, rounded(path.transformed(transform + upside_down)), upside_down, rgbFace)

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
        color = gc.get_rgb()
        if ismath or not is_simple(s) or gc.get_clip_rectangle() or gc.get_clip_path()[0]:
            draw_shaped: Any = super().draw_text
            draw_shaped(gc, x, y, s, prop, angle, ismath, mtext)
            return
        writer: Any = self.writer
        writer.comment(s)  # for whoever reads the file; it also ends the tag before, so that whole ones can follow
        letters, uses = _written(font_file(prop), s)
        if not self._defined.issuperset(letters):
            new = [mark for name, mark in letters.items() if name not in self._defined]
            self._stream.write("<defs>\n" + "".join(new) + "</defs>\n")
            self._defined.update(letters)
        scale = prop.get_size_in_points() / UNIT_PT
        turned = f" rotate({_number(-angle)})" if angle else ""
        style = f"fill: {to_hex(color)}" + ("" if color[3] == 1.0 else f"; opacity: {_number(color[3])}")
        place = f"translate({_number(x)} {_number(y)}){turned} scale({_number(scale)} {_number(-scale)})"
        self._stream.write(f'<g style="{style}" transform="{place}">\n{uses}</g>\n')


@lru_cache(maxsize=1024)
def _written(file_name: str, text: str) -> tuple[Mapping[str, str], str]:
    """Definitions of the letters of a text by their names, and the references to them, each at its place."""
    definitions, uses = {}, []
    for letter, x in letter_places(file_name, text):
        name = f"{PurePath(file_name).stem}-{ord(letter):x}"
        definition = _definition(file_name, letter, name)
        if definition:
            definitions[name] = definition
            uses.append(f'<use transform="translate({x:.2f} 0)" xlink:href="#{name}"/>\n')
    return definitions, "".join(uses)


@lru_cache(maxsize=1024)
def _definition(file_name: str, letter: str, name: str) -> str:
    outline = letter_outline(file_name, letter)
    if outline is None:
        return ""
    parts = []
    for vertices, code in outline.iter_segments(simplify=False, curves=True):
        sign = {1: "M", 2: "L", 3: "Q", 4: "C", 79: "z"}[int(code)]
        numbers = "" if sign == "z" else " ".join(f"{value * _KEPT_FINER:.0f}" for value in vertices)
        parts.append(f"{sign} {numbers}" if numbers else sign)
    return f'<path id="{name}" d="{" ".join(parts)}" transform="scale(0.015625)"/>\n'


def _number(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
