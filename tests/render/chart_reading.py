"""Reading a figure back: its texts with their boxes, and its artists by name."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox

from frametime.render.charts.theme import Theme

TOUCHING_PX = 0.5
"""Boxes may share so much of an edge: rounding of glyphs to pixels."""


def shown_texts(figure: Figure, theme: Theme) -> list[tuple[str, Bbox]]:
    """Every text that may be seen, with the box it fills in pixels; tick labels beyond the ends of an axis, too."""
    with theme.settings():
        figure.draw_without_rendering()
        renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]  # of the Agg canvas
        return [
            (text.get_text(), text.get_window_extent(renderer))
            for text in figure.findobj(Text)
            if isinstance(text, Text) and text.get_text().strip() and text.get_visible()
        ]


def overlaps(texts: list[tuple[str, Bbox]]) -> list[tuple[str, str]]:
    """Pairs of texts whose boxes lie on one another."""
    lefts, bottoms, rights, tops = np.array([box.extents for _, box in texts]).reshape(-1, 4).T
    widths = np.minimum.outer(rights, rights) - np.maximum.outer(lefts, lefts)
    heights = np.minimum.outer(tops, tops) - np.maximum.outer(bottoms, bottoms)
    pairs = np.argwhere(np.triu((widths > TOUCHING_PX) & (heights > TOUCHING_PX), 1))
    return [(texts[one][0], texts[other][0]) for one, other in pairs]


def outside(figure: Figure, texts: list[tuple[str, Bbox]]) -> list[str]:
    """Texts that reach beyond the edge of the figure."""
    frame = figure.bbox
    return [
        text for text, box in texts if box.x0 < frame.x0 or box.y0 < frame.y0 or box.x1 > frame.x1 or box.y1 > frame.y1
    ]


def by_gid(figure: Figure, gid: str) -> list[Any]:
    """Artists of that name."""
    return [artist for artist in figure.findobj(Artist) if artist.get_gid() == gid]


def gids(figure: Figure, start: str) -> list[str]:
    """Names of artists that begin so, in the order of drawing."""
    return [str(artist.get_gid()) for artist in figure.findobj(Artist) if str(artist.get_gid() or "").startswith(start)]


def x_labels(axes: Axes) -> dict[float, str]:
    """What is written at the x axis, by its place."""
    return {text.get_position()[0]: text.get_text() for text in axes.texts if text.get_va() == "top"}


def words_beside(axes: Axes) -> list[Annotation]:
    """What is written beside marks: not what is written along the axes."""
    return [text for text in axes.texts if isinstance(text, Annotation)]


def all_text(figure: Figure) -> str:
    """Every text of the figure, in one string."""
    return " ".join(text.get_text() for text in figure.findobj(Text) if isinstance(text, Text))


def pixels(content: bytes) -> np.ndarray:
    """A PNG as an array of shape (height, width, 4), 0 to 1."""
    import io

    from matplotlib.image import imread

    return np.asarray(imread(io.BytesIO(content)))
