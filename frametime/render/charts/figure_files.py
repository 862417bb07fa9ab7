"""Figures to files: PNG, SVG or PDF, the same bytes for the same input, whole or not at all."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from frametime.errors import printable
from frametime.replacing import claiming, refuse_ending, write_bytes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from frametime.render.charts.theme import Theme

# What a writer would put in by itself: names, versions and the time, so that no two files would be equal.
_METADATA: Final[Mapping[str, Mapping[str, None]]] = MappingProxyType(
    {
        "svg": MappingProxyType({"Date": None, "Creator": None}),
        "pdf": MappingProxyType({"CreationDate": None, "Creator": None, "Producer": None}),
    }
)
FORMATS: Final = ("png", *_METADATA)
ENDINGS: Final = tuple(f".{name}" for name in FORMATS)

_PNG_RUN_LENGTHS: Final = 3
"""Way of compressing that looks for runs of equal bytes only (``Z_RLE`` of zlib): charts are level areas and thin
lines, so that it is both faster than the usual way and, at most sizes, smaller."""


def figure_bytes(figure: Figure, theme: Theme, file_format: str) -> bytes:
    """The figure as the content of a file.

    Parameters
    ----------
    figure : Figure
    theme : Theme
        The one with which it was drawn.
    file_format : {'png', 'svg', 'pdf'}

    Raises
    ------
    ValueError
        If there is no such format.
    """
    if file_format not in FORMATS:
        raise ValueError(f"file_format must be one of {', '.join(FORMATS)}, got {file_format!r}")
    for artist in figure.findobj(lambda artist: artist.get_gid() is not None):
        # Names of parts come from plans and file names; an SVG file can hold neither control characters nor
        # bytes that are not text.
        artist.set_gid(printable(str(artist.get_gid())))
    with theme.settings():
        if file_format == "png":
            return _png_bytes(figure, dpi=theme.size.dpi)
        stream = io.BytesIO()
        figure.savefig(stream, format=file_format, metadata=_METADATA[file_format])
        return stream.getvalue()


def _png_bytes(figure: Figure, *, dpi: int) -> bytes:
    """The pixels, without a channel of opacity where every one is opaque."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    canvas: Any = figure.canvas if isinstance(figure.canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)
    canvas.draw()
    size = canvas.get_width_height(physical=True)
    image = Image.frombuffer("RGBA", size, canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
    if image.getchannel("A").getextrema() == (255, 255):
        image = image.convert("RGB")
    stream = io.BytesIO()
    image.save(stream, "png", dpi=(dpi, dpi), compress_level=1, compress_type=_PNG_RUN_LENGTHS)
    return stream.getvalue()


def format_of(path: Path) -> str:
    """Format by the ending of the name.

    Raises
    ------
    EndingError
        If it is none of those that can be written.
    """
    refuse_ending(path, ENDINGS, "chart")
    return path.suffix.removeprefix(".").lower()


def write_figure(figure: Figure, theme: Theme, path: Path, *, force: bool = False) -> None:
    """Write the figure under its final name only when it is whole.

    Raises
    ------
    OutputError
        If the file is there already and ``force`` is not set, or it cannot be written.
    """
    content = figure_bytes(figure, theme, format_of(path))
    with claiming([path], force=force):
        write_bytes(path, content)
