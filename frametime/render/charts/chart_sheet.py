"""The sheet on which a chart is drawn: title, what is better, key, and the note that says what the numbers are.

Every length is in points from the lower left corner; the sheet keeps the rectangle that is still free and hands out
axes from it. Nothing is placed without being measured first, so that no text is cut and none lies on another.

A figure becomes a file as PNG, SVG or PDF: the same bytes for the same input, whole or not at all.
"""

from __future__ import annotations

import io
import math
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, Protocol

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.image import BboxImage
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.transforms import Affine2D, Bbox, TransformedBbox
from PIL import Image
from PIL.PngImagePlugin import putchunk

from frametime.errors import OutputError, printable
from frametime.render.charts.chart_catalog import CATALOG, ChartKind
from frametime.render.charts.text_fit import drawable, shorten, text_width_pt, wrap
from frametime.render.charts.theme import ENDINGS, FORMATS, MM_PER_INCH, POINTS_PER_INCH, LineStyle, Theme
from frametime.replacing import claiming, refuse_ending, write_bytes

_LINE_HEIGHT: Final = 1.34
_MOST_NOTE_LINES: Final = 6
_MOST_NARROW_NOTE_LINES: Final = 15
_HANDLE_EM: Final = 2.2
_LOGO_EM: Final = 2.6


class KeyEntry(NamedTuple):
    """One entry of the key: a mark of the chart and what it means."""

    label: str
    color: str
    kind: Literal["line", "marker", "patch"] = "marker"
    marker: str = ""
    line: LineStyle = "-"
    edge: str | None = None
    filled: bool = True
    alpha: float | None = None


class Body(Protocol):
    """What a chart shows below its head: data that know how they are drawn."""

    @property
    def least_em(self) -> float:
        """Height that a narrow page needs."""

    def draw(self, sheet: Sheet) -> None:
        """Draw into the free rectangle of a sheet."""


@dataclass(frozen=True, kw_only=True)
class Chart:
    """What to draw: a chart of the catalog with the values of its texts, a body, and a key before that of its kind."""

    kind: str
    values: Mapping[str, object]
    body: Body
    key: Sequence[KeyEntry] = ()

    def draw(self, theme: Theme, *, title_end: str = "") -> Figure:
        """The chart as a figure; ``title_end`` says which of several pages it is."""
        theme = theme.at_least(self.body.least_em)
        with theme.settings():
            texts = CATALOG[self.kind].filled(**self.values)
            sheet = Sheet(theme, replace(texts, title=texts.title + title_end))
            sheet.key([*self.key, *(sheet.entry(**fields) for fields in texts.key_entries)])
            self.body.draw(sheet)
            return sheet.figure


class Sheet:
    """A figure whose head and foot are set, and the free rectangle between them.

    The title has one line, on a narrow page two; the lead two or four.
    """

    def __init__(self, theme: Theme, texts: ChartKind) -> None:
        self.theme = theme
        self.em = theme.em_pt
        size = theme.size
        ground = "none" if theme.transparent else theme.palette.ground
        self.figure = Figure(figsize=(size.width_in, size.height_in), dpi=size.dpi, facecolor=ground)
        FigureCanvasAgg(self.figure)
        self.points = Affine2D().scale(1.0 / POINTS_PER_INCH) + self.figure.dpi_scale_trans
        self.left, self.right = 1.6 * self.em, size.width_pt - 1.6 * self.em
        self.bottom, self.top = 1.2 * self.em, size.height_pt - 1.3 * self.em
        if theme.accent:
            height = 0.5 * self.em
            self.box(0.0, size.height_pt - height, size.width_pt, height, facecolor=theme.accent, linewidth=0.0)
        self._head(theme.title or texts.title, " ".join(texts.lead), (2, 4) if theme.is_narrow else (1, 2))
        full = texts.full if theme.notes == "full" else ()
        self._foot([] if theme.notes == "none" else [*texts.notes, *full, *theme.signed])

    @property
    def width(self) -> float:
        """Width of the free rectangle in points."""
        return self.right - self.left

    def _head(self, title: str, lead: str, most_lines: tuple[int, int]) -> None:
        for line in wrap(title, self.width, self.theme.title_pt, max_lines=most_lines[0], bold=True):
            self.text(self.left, self.top, line, size_pt=self.theme.title_pt, bold=True, va="top")
            self.top -= 1.25 * self.theme.title_pt
        self.top -= 0.25 * self.em
        for line in wrap(lead, self.width, self.theme.label_pt, max_lines=most_lines[1]):
            self.text(self.left, self.top, line, size_pt=self.theme.label_pt, color=self.theme.palette.muted, va="top")
            self.top -= _LINE_HEIGHT * self.theme.label_pt
        self.top -= 0.4 * self.em

    def _foot(self, notes: Sequence[str]) -> None:
        most = _MOST_NARROW_NOTE_LINES if self.theme.is_narrow else _MOST_NOTE_LINES
        logo_width = self._logo()
        lines = wrap(" ".join(notes), self.width - logo_width, self.em, max_lines=most)
        step = _LINE_HEIGHT * self.em
        for number, line in enumerate(lines, start=1):
            y = self.bottom + (len(lines) - number) * step
            self.text(self.left, y, line, color=self.theme.palette.muted, va="bottom")
        height = max(len(lines) * step, _LOGO_EM * self.em if logo_width else 0.0)
        if height:
            self.bottom += height + 0.25 * self.em
            ends = [self.left, self.right], [self.bottom, self.bottom]
            self.line(*ends, color=self.theme.palette.rule, linewidth=self.theme.hair_pt)
            self.bottom += 0.5 * self.em

    def _logo(self) -> float:
        """The logo in the lower right corner; gives the width that it takes."""
        if self.theme.logo is None:
            return 0.0
        height = _LOGO_EM * self.em
        picture = _picture(self.theme.logo)
        width = min(height * picture.width / picture.height, 0.25 * self.width)
        place = TransformedBbox(Bbox.from_bounds(self.right - width, self.bottom, width, height), self.points)
        image = BboxImage(place, gid="logo", interpolation="antialiased")
        image.set_data(np.asarray(picture.convert("RGBA")))
        self.figure.add_artist(image)
        return width + 1.5 * self.em

    def text(
        self, x: float, y: float, text: str, *, size_pt: float | None = None, bold: bool = False, **look: Any
    ) -> None:
        """Text at a point of the sheet, left of it by default, which must fit: nothing is shortened here."""
        look = {"va": "center", "fontweight": "bold" if bold else "normal", "transform": self.points, **look}
        if text:
            self.figure.text(x, y, drawable(text), fontsize=size_pt or self.em, **look)

    def line(self, xs: Sequence[float], ys: Sequence[float], **look: Any) -> None:
        """A line through points of the sheet, or marks at them."""
        self.figure.add_artist(Line2D(xs, ys, transform=self.points, **look))

    def mark(
        self, x: float, y: float, marker: str, face: str, edge: str = "", size: float = 0.9, gid: str = ""
    ) -> None:
        """A mark of ``size`` em; its edge is a thin line of ink, or as wide as other lines where it has a color."""
        width = self.theme.line_pt * (1.0 if edge else 0.6)
        look: dict[str, Any] = {"mfc": face, "mec": edge or self.theme.palette.ink, "mew": width, "gid": gid or None}
        self.line([x], [y], linestyle="none", marker=marker, markersize=size * self.em, **look)

    def box(self, left: float, bottom: float, width: float, height: float, **look: Any) -> None:
        """A rectangle of the sheet."""
        self.figure.add_artist(Rectangle((left, bottom), width, height, transform=self.points, **look))

    def axes(self, left: float, bottom: float, width: float, height: float) -> Axes:
        """Bare axes at a rectangle of the sheet: no frame but a thin foot, grid lines behind the marks."""
        width_pt, height_pt = self.theme.size.width_pt, self.theme.size.height_pt
        axes = self.figure.add_axes((left / width_pt, bottom / height_pt, width / width_pt, height / height_pt))
        axes.spines[["top", "right", "left"]].set_visible(False)
        return axes

    def entry(self, *, color: str, edge: str = "", **fields: Any) -> KeyEntry:
        """An entry of the key whose colors are named as in the palette; *series* is its first tint."""
        named = {**vars(self.theme.palette), "series": self.theme.palette.series[0]}
        return KeyEntry(color=named[color], edge=named.get(edge), **fields)

    def key(self, entries: Sequence[KeyEntry]) -> None:
        """One or more rows that say what each mark means, below the lead."""
        em, handle = self.em, _HANDLE_EM * self.em
        room = self.width - handle - 0.6 * em
        x, y = self.left, self.top - 0.75 * em
        for entry in entries:
            label = shorten(entry.label, min(room, 30.0 * em) if len(entries) > 1 else room, em)
            needed = handle + 0.5 * em + text_width_pt(label, em)
            if x > self.left and x + needed > self.right:
                x, y = self.left, y - 1.45 * em
            self.handle(entry, x, y, handle)
            self.text(x + handle + 0.5 * em, y, label)
            x += needed + 1.8 * em
            self.top = y - 1.1 * em

    def handle(self, entry: KeyEntry, x: float, y: float, width: float) -> None:
        """The mark of an entry of the key, or a piece of its line or area."""
        face, edge, theme = entry.color if entry.filled else "none", entry.edge or entry.color, self.theme
        if entry.kind == "patch":
            look = {"facecolor": to_rgba(face, entry.alpha), "edgecolor": edge, "linewidth": theme.hair_pt}
            self.box(x, y - 0.45 * self.em, width, 0.9 * self.em, **look)
            return
        look = {"mfc": face, "mec": edge, "mew": theme.line_pt, "marker": entry.marker or None, "markevery": [1]}
        look |= {"color": entry.color, "linestyle": entry.line if entry.kind == "line" else "none"}
        xs, size = [x, x + width / 2.0, x + width], 0.72 * self.em
        self.line(xs, [y, y, y], linewidth=1.4 * theme.line_pt, markersize=size, **look)


def _picture(path: Path) -> Image.Image:
    """A logo; an SVG is drawn 400 pixels high.

    Raises
    ------
    OutputError
        When an SVG cannot be drawn, or the package that draws it is missing.
    """
    if path.suffix.lower() != ".svg":
        return Image.open(path)
    try:
        import resvg_py

        return Image.open(io.BytesIO(resvg_py.svg_to_bytes(svg_path=str(path), height=400)))
    except (ImportError, ValueError) as error:
        found = f"this SVG cannot be drawn ({printable(str(error), limit=80)})"
        helps = "pip install 'frametime[svg]', or " if isinstance(error, ImportError) else ""
        raise OutputError.at(str(path), found, helps=f"{helps}save it as PNG") from error


class ListEntry(NamedTuple):
    """A heading with a mark or a piece of its line before it, and lines below it; the first line says most."""

    heading: str
    lines: Sequence[str]
    marker: str = ""
    color: str = ""
    line: LineStyle | None = None


_LINE_EM: Final = 1.4
_ENTRY_GAP_EM: Final = 0.6
_MOST_NARROW_LIST_EM: Final = 50.0


def list_em(entries: Sequence[ListEntry]) -> float:
    """Height of a list on a narrow page: headings with their lines, of very many entries a line each."""
    full = sum(_LINE_EM * (1 + max(2, len(entry.lines))) + _ENTRY_GAP_EM for entry in entries)
    return 1.0 + (full if full <= _MOST_NARROW_LIST_EM else _LINE_EM * len(entries))


def side_list(sheet: Sheet, entries: Sequence[ListEntry], width_em: float) -> float:
    """A list at the right of the free rectangle, on a narrow page at its foot; gives the right end of what is left.

    It is as wide as its lines, at most ``width_em``.

    Lines are wrapped while there is room; where there are too many entries, each keeps its first line, beside it.
    """
    em, is_narrow = sheet.em, sheet.theme.is_narrow
    height_em = list_em(entries) if is_narrow else (sheet.top - sheet.bottom) / em
    spare = math.floor((height_em - 0.4 - _ENTRY_GAP_EM * len(entries)) / _LINE_EM + 1e-9)
    spare -= sum(1 + len(entry.lines) for entry in entries)
    is_short = spare < 0
    indent = max(1.8 * bool(entry.marker) + (_HANDLE_EM + 0.5) * bool(entry.line) for entry in entries) * em
    if is_narrow:
        left, y = sheet.left, sheet.bottom + height_em * em
        sheet.bottom = y
    else:
        parts = [(entry.heading, *entry.lines) for entry in entries]
        texts = [" · ".join(part[:2]) for part in parts] if is_short else [text for part in parts for text in part]
        widest = max(text_width_pt(text, em, bold=True) for text in texts) + indent + 0.2 * em
        left, y = sheet.right - min(width_em * em, widest), sheet.top
    y -= 0.9 * em
    width = sheet.right - left - indent
    for entry in entries[: math.floor(height_em / _LINE_EM)]:
        if entry.marker:
            sheet.mark(left + 0.6 * em, y, entry.marker, entry.color)
        if entry.line:
            sheet.handle(KeyEntry("", entry.color, "line", line=entry.line), left, y, _HANDLE_EM * em)
        room = width
        if is_short and entry.lines:
            beside_name = width - text_width_pt(entry.heading, em, bold=True) - 0.8 * em
            first = shorten(entry.lines[0], max(0.7 * width, beside_name), em)
            sheet.text(sheet.right, y, first, ha="right")
            room -= text_width_pt(first, em) + 0.8 * em
        sheet.text(left + indent, y, shorten(entry.heading, room, em, bold=True), bold=True)
        y -= _LINE_EM * em
        for line in entry.lines if not is_short else ():
            wrapped = wrap(line, width, em, max_lines=1 + min(spare, 1))
            spare -= len(wrapped) - 1
            for part in wrapped:
                sheet.text(left + indent, y, part, color=sheet.theme.palette.muted)
                y -= _LINE_EM * em
        y -= 0.0 if is_short else _ENTRY_GAP_EM * em
    return sheet.right if is_narrow else left - 2.5 * em


# What a writer would put in by itself: names, versions and the time, so that no two files would be equal.
_METADATA: Final = {"svg": ("Date", "Creator"), "pdf": ("CreationDate", "Creator", "Producer")}

_FROM_ABOVE: Final = 2
"""How a PNG says that a row is written as its difference from the row above."""


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
        stream = io.StringIO() if file_format == "svg" else io.BytesIO()
        figure.savefig(stream, format=file_format, metadata=dict.fromkeys(_METADATA[file_format]))
        content = stream.getvalue()
        return content.encode() if isinstance(content, str) else content


def _png_bytes(figure: Figure, *, dpi: int) -> bytes:
    """The pixels, without a channel of opacity where every one is opaque.

    Each row as its difference from the one above, since charts are level areas and upright lines: to try all five ways
    on every row, as is usual, takes twice as long for files that are hardly smaller.
    """
    canvas: Any = figure.canvas if isinstance(figure.canvas, FigureCanvasAgg) else FigureCanvasAgg(figure)
    canvas.draw()
    width, height = canvas.get_width_height(physical=True)
    image = Image.frombuffer("RGBA", (width, height), canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
    if image.getchannel("A").getextrema() == (255, 255):
        image = image.convert("RGB")
    pixels = np.asarray(image).reshape(height, -1)
    rows = np.insert(pixels, 0, _FROM_ABOVE, axis=1)
    rows[1:, 1:] -= pixels[:-1]
    color, per_m = 6 if image.mode == "RGBA" else 2, round(dpi * 1000.0 / MM_PER_INCH)
    stream = io.BytesIO()
    stream.write(b"\x89PNG\r\n\x1a\n")
    putchunk(stream, b"IHDR", struct.pack(">2I5B", width, height, 8, color, 0, 0, 0))
    putchunk(stream, b"pHYs", struct.pack(">2IB", per_m, per_m, 1))
    putchunk(stream, b"IDAT", zlib.compress(rows.data, 2))
    putchunk(stream, b"IEND")
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
