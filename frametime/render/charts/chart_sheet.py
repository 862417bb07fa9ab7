"""The sheet on which a chart is drawn: title, what is better, key, and the note that says what the numbers are.

Every length is in points from the lower left corner; the sheet keeps the rectangle that is still free and hands out
axes from it. Nothing is placed without being measured first, so that no text is cut and none lies on another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, NamedTuple, Protocol

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.image import BboxImage
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.transforms import Bbox, TransformedBbox
from numpy.typing import ArrayLike
from PIL.Image import open as open_image

from frametime.render.charts.chart_catalog import CATALOG, ChartTexts
from frametime.render.charts.text_fit import drawable, shorten, text_width_pt, wrap
from frametime.render.charts.theme import LineStyle, Theme

_LINE_HEIGHT: Final = 1.34
_MOST_NOTE_LINES: Final = 6
_MOST_NARROW_NOTE_LINES: Final = 15
_HANDLE_EM: Final = 2.2
_LOGO_EM: Final = 2.6

LEAST_WHISKER_EM: Final = 0.4
"""A shorter interval (6 pixels at web size) is not seen as one: it is drawn as an upright mark."""


class KeyEntry(NamedTuple):
    """One entry of the key: a mark of the chart and what it means."""

    label: str
    color: str
    kind: Literal["line", "marker", "patch"]
    marker: str = ""
    line: LineStyle = "-"
    edge: str | None = None
    filled: bool = True
    alpha: float | None = None


class Body(Protocol):
    """What a chart shows below its head: data that know how they are drawn."""

    def draw(self, sheet: Sheet) -> None:
        """Draw into the free rectangle of a sheet."""


@dataclass(frozen=True, kw_only=True)
class Chart:
    """What to draw: a chart of the catalog with the values of its texts, a key, and a body.

    ``title_end`` says which of several pages it is; ``least_em`` is the height that a narrow page needs.
    """

    kind: str
    values: Mapping[str, object]
    body: Body
    key: Sequence[KeyEntry] = ()
    least_em: float = 0.0
    title_end: str = ""


def draw(chart: Chart, theme: Theme) -> Figure:
    """The chart as a figure."""
    theme = theme.at_least(chart.least_em)
    with theme.settings():
        texts = CATALOG[chart.kind].texts(**chart.values)
        sheet = Sheet(theme, replace(texts, title=texts.title + chart.title_end))
        sheet.key(chart.key)
        chart.body.draw(sheet)
        return sheet.figure


class Sheet:
    """A figure whose head and foot are set, and the free rectangle between them.

    The title has one line, on a narrow page two; the lead two or four.
    """

    def __init__(self, theme: Theme, texts: ChartTexts) -> None:
        self.theme = theme
        self.em = theme.em_pt
        size = theme.size
        ground = "none" if theme.transparent else theme.palette.ground
        self.figure = Figure(figsize=(size.width_in, size.height_in), dpi=size.dpi, facecolor=ground)
        FigureCanvasAgg(self.figure)
        self.left, self.right = 1.6 * self.em, size.width_pt - 1.6 * self.em
        self.bottom, self.top = 1.2 * self.em, size.height_pt - 1.3 * self.em
        if theme.accent:
            height = 0.5 * self.em
            self.box(0.0, size.height_pt - height, size.width_pt, height, facecolor=theme.accent, linewidth=0.0)
        self._head(theme.title or texts.title, texts.lead, (2, 4) if theme.is_narrow else (1, 2))
        full = texts.full if theme.notes == "full" else ()
        self._foot([] if theme.notes == "none" else [*texts.notes, *full, *theme.signed])

    @property
    def width(self) -> float:
        """Width of the free rectangle in points."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Height of the free rectangle in points."""
        return self.top - self.bottom

    def below(self, height: float) -> float:
        """Take so many points from the lower end of the free rectangle; gives the upper end of what was taken."""
        top = self.bottom + height
        self.bottom = top
        return top

    def _head(self, title: str, lead: str, head_lines: tuple[int, int]) -> None:
        for line in wrap(title, self.width, self.theme.title_pt, max_lines=head_lines[0], bold=True):
            self.text(self.left, self.top, line, size_pt=self.theme.title_pt, bold=True, va="top")
            self.top -= 1.25 * self.theme.title_pt
        self.top -= 0.25 * self.em
        for line in wrap(lead, self.width, self.theme.label_pt, max_lines=head_lines[1]):
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
            self.line((self.left, self.bottom), (self.right, self.bottom), self.theme.palette.rule)
            self.bottom += 0.5 * self.em

    def _logo(self) -> float:
        """The logo in the lower right corner; gives the width that it takes."""
        if self.theme.logo is None:
            return 0.0
        picture = open_image(self.theme.logo)
        height = _LOGO_EM * self.em
        width = min(height * picture.width / picture.height, 0.25 * self.width)
        corners = self._fractions([self.right - width, self.right], [self.bottom, self.bottom + height])
        place = Bbox(list(zip(*corners, strict=True)))
        image = BboxImage(TransformedBbox(place, self.figure.transFigure), gid="logo", interpolation="antialiased")
        image.set_data(np.asarray(picture.convert("RGBA")))
        self.figure.add_artist(image)
        return width + 1.5 * self.em

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size_pt: float | None = None,
        color: str | None = None,
        bold: bool = False,
        ha: Literal["left", "center", "right"] = "left",
        va: Literal["top", "center", "bottom", "baseline"] = "center",
    ) -> Text:
        """Text at a point of the sheet, which must fit: nothing is shortened here."""
        return self.figure.text(
            x / self.theme.size.width_pt,
            y / self.theme.size.height_pt,
            drawable(text),
            fontsize=self.em if size_pt is None else size_pt,
            color=self.theme.palette.ink if color is None else color,
            fontweight="bold" if bold else "normal",
            ha=ha,
            va=va,
        )

    def mark(
        self, x: float, y: float, marker: str, face: str, *, edge: str | None = None, size: float = 0.9, gid: str = ""
    ) -> None:
        """A mark of ``size`` em; its edge is a thin line of ink, or as wide as other lines where it has a color."""
        self.figure.add_artist(
            Line2D(
                *self._fractions([x], [y]),
                linestyle="none",
                marker=marker,
                markersize=size * self.em,
                markerfacecolor=face,
                markeredgecolor=self.theme.palette.ink if edge is None else edge,
                markeredgewidth=self.theme.line_pt * (0.6 if edge is None else 1.0),
                gid=gid or None,
            )
        )

    def box(self, left: float, bottom: float, width: float, height: float, **style: Any) -> None:
        """A rectangle of the sheet in the style of a patch."""
        (x,), (y,) = self._fractions([left], [bottom])
        (right,), (top,) = self._fractions([left + width], [bottom + height])
        self.figure.add_artist(Rectangle((x, y), right - x, top - y, transform=self.figure.transFigure, **style))

    def _fractions(self, xs: Sequence[float], ys: Sequence[float]) -> tuple[list[float], list[float]]:
        """Points of the sheet as fractions of the figure."""
        return [x / self.theme.size.width_pt for x in xs], [y / self.theme.size.height_pt for y in ys]

    def line(self, start: tuple[float, float], end: tuple[float, float], color: str | None = None) -> None:
        """A thin line between two points of the sheet."""
        points = self._fractions([start[0], end[0]], [start[1], end[1]])
        look: dict[str, Any] = {"color": color or self.theme.palette.muted, "linewidth": self.theme.hair_pt}
        self.figure.add_artist(Line2D(*points, **look))

    def axes(self, left: float, bottom: float, width: float, height: float, *, share_y: Axes | None = None) -> Axes:
        """Bare axes at a rectangle of the sheet: no frame but a thin foot, grid lines behind the marks."""
        width_pt, height_pt = self.theme.size.width_pt, self.theme.size.height_pt
        axes = self.figure.add_axes(
            (left / width_pt, bottom / height_pt, width / width_pt, height / height_pt), sharey=share_y
        )
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        axes.margins(0.0)
        return axes

    def plot(
        self, *, left_em: float = 3.6, head_em: float = 1.7, right: float | None = None, foot_em: float = 3.5
    ) -> Axes:
        """The usual axes: all that is free, but room for the labels of both axes and the caption above."""
        left, foot = self.left + left_em * self.em, self.bottom + foot_em * self.em
        end = self.right if right is None else right
        return self.axes(left, foot, end - left, self.top - head_em * self.em - foot)

    def label_width(self, labels: Sequence[str], most_em: float, *, bold: bool = False) -> float:
        """Width that these labels take, at most ``most_em``."""
        widest = max((text_width_pt(label, self.em, bold=bold) for label in labels), default=0.0)
        return min(widest, most_em * self.em) + 0.2 * self.em

    def key(self, entries: Sequence[KeyEntry]) -> None:
        """One or more rows that say what each mark means, below the lead."""
        if not entries:
            return
        em = self.em
        gap, handle = 1.8 * em, _HANDLE_EM * em
        most = min(self.width - handle - 0.6 * em, 30.0 * em) if len(entries) > 1 else self.width - handle - 0.6 * em
        x = self.left
        y = self.top - 0.75 * em
        for entry in entries:
            label = shorten(entry.label, most, em)
            needed = handle + 0.5 * em + text_width_pt(label, em)
            if x > self.left and x + needed > self.right:
                x = self.left
                y -= 1.45 * em
            self._handle(entry, x, y, handle)
            self.text(x + handle + 0.5 * em, y, label)
            x += needed + gap
        self.top = y - 1.1 * em

    def _handle(self, entry: KeyEntry, x: float, y: float, width: float) -> None:
        face = entry.color if entry.filled else "none"
        edge = entry.color if entry.edge is None else entry.edge
        if entry.kind == "patch":
            tall = 0.9 * self.em
            self.box(
                x,
                y - tall / 2.0,
                width,
                tall,
                facecolor=to_rgba(face, entry.alpha),
                edgecolor=edge,
                linewidth=self.theme.hair_pt,
            )
            return
        xs = [x, x + width / 2.0, x + width] if entry.kind == "line" else [x + width / 2.0]
        self.figure.add_artist(
            Line2D(
                *self._fractions(xs, [y] * len(xs)),
                color=entry.color,
                linestyle=entry.line if entry.kind == "line" else "none",
                linewidth=1.4 * self.theme.line_pt,
                marker=entry.marker or None,
                markevery=[len(xs) // 2],
                markersize=0.72 * self.em,
                markerfacecolor=face,
                markeredgecolor=edge,
                markeredgewidth=self.theme.line_pt,
            )
        )


class ListEntry(NamedTuple):
    """A heading with a mark before it, and lines below it; the first line says most."""

    heading: str
    lines: Sequence[str]
    marker: str = ""
    color: str = ""


_LINE_EM: Final = 1.4
_ENTRY_GAP_EM: Final = 0.6
_LEAST_PLOT_EM: Final = 26.0


def list_em(entries: Sequence[ListEntry]) -> float:
    """Height of a list on a narrow page, two lines under each heading."""
    return (3.0 * _LINE_EM + _ENTRY_GAP_EM) * len(entries) + 1.0


def side_list(sheet: Sheet, entries: Sequence[ListEntry], width_em: float) -> float:
    """A list at the right of the free rectangle, on a narrow page at its foot; gives the right end of what is left.

    Lines are wrapped while there is room; where there are too many entries, each keeps its first line, beside it.
    """
    em, muted, is_narrow = sheet.em, sheet.theme.palette.muted, sheet.theme.is_narrow
    left = sheet.left if is_narrow else sheet.right - width_em * em
    height = min(list_em(entries) * em, sheet.height - _LEAST_PLOT_EM * em) if is_narrow else sheet.height
    indent = 1.8 * em if any(entry.marker for entry in entries) else 0.0
    width = sheet.right - left - indent
    texts = [_packed(entry.lines, width, em) if is_narrow else list(entry.lines) for entry in entries]
    spare = math.floor((height / em - 0.4 - _ENTRY_GAP_EM * len(entries)) / _LINE_EM + 1e-9)
    spare -= sum(map(len, texts)) + len(entries)
    is_short = spare < 0
    if is_narrow and is_short:
        height = min(height, (_LINE_EM * len(entries) + 1.0) * em)
    top = sheet.below(height) if is_narrow else sheet.top
    y = top - 0.9 * em
    for entry, lines in list(zip(entries, texts, strict=True))[
        : math.floor(height / em / _LINE_EM) if is_short else None
    ]:
        if entry.marker:
            sheet.mark(left + 0.6 * em, y, entry.marker, entry.color)
        beside = text_width_pt(lines[0], em) + 0.8 * em if is_short and lines else 0.0
        heading = shorten(entry.heading, width - beside, em, bold=True)
        sheet.text(left + indent, y, heading, bold=True)
        if is_short:
            sheet.text(sheet.right, y, shorten(lines[0], width, em) if lines else "", ha="right")
            y -= _LINE_EM * em
            continue
        for line in lines:
            wrapped = wrap(line, width, em, max_lines=1 + min(spare, 1))
            spare -= len(wrapped) - 1
            for part in wrapped:
                y -= _LINE_EM * em
                sheet.text(left + indent, y, part, color=muted)
        y -= (_LINE_EM + _ENTRY_GAP_EM) * em
    return sheet.right if is_narrow else left - 2.5 * em


def _packed(lines: Sequence[str], width: float, em: float) -> list[str]:
    """The lines, two on one where both fit."""
    found: list[str] = []
    for line in lines:
        longer = f"{found[-1]} · {line}" if found else line
        if found and text_width_pt(longer, em) <= width:
            found[-1] = longer
        else:
            found.append(line)
    return found


def dots(
    axes: Axes, xs: ArrayLike, ys: ArrayLike, marker: Any, theme: Theme, *, size: float, line: float, **style: Any
) -> None:
    """Marks of ``size`` em without a line between them; their edge is ``line`` times as wide as other lines."""
    style = {"linestyle": "none", "markersize": size * theme.em_pt, "markeredgewidth": line * theme.line_pt, **style}
    axes.plot(xs, ys, marker=marker, **style)


def whisker(
    axes: Axes,
    ends: tuple[float, float],
    at: float,
    theme: Theme,
    *,
    color: str,
    gid: str,
    upright: bool = False,
    caps_em: float = 0.6,
    scale: float = 1.0,
    halo: bool = False,
    zorder: float = 3.0,
) -> None:
    """An interval as a line with caps; one that is too short to be seen as such, as a mark across its middle.

    With ``halo`` a wide line of the ground lies below it, so that it is seen on a bar as well.
    """
    places = axes.transData.transform([(at, end) if upright else (end, at) for end in ends])
    length_pt = abs(float(places[1][int(upright)] - places[0][int(upright)])) * 72.0 / axes.figure.dpi
    small = length_pt < LEAST_WHISKER_EM * theme.em_pt
    for line_color, times, name in ((theme.palette.ground, 3.0, "halo"), (color, 1.0, gid))[not halo :]:
        width = times * scale * theme.line_pt
        xs, ys = ([at, at], list(ends)) if upright else (list(ends), [at, at])
        caps = "" if small or not caps_em else "_" if upright else "|"
        look: dict[str, Any] = {"color": line_color, "markeredgewidth": width, "zorder": zorder}
        axes.plot(
            xs,
            ys,
            linewidth=width,
            marker=caps,
            markersize=caps_em * theme.em_pt,
            solid_capstyle="butt",
            gid=name,
            **look,
        )
        if small:
            middle = [(end_low + end_high) / 2.0 for end_low, end_high in (xs, ys)]
            mark = "_" if upright else "|"
            axes.plot(
                *([value] for value in middle), marker=mark, markersize=0.9 * theme.em_pt, gid=f"{name}-small", **look
            )


def beside(
    axes: Axes, text: str, place: tuple[float, float], shift_pt: tuple[float, float], size_pt: float, **look: Any
) -> None:
    """Words beside a place of the axes, so many points away."""
    axes.annotate(
        drawable(text), place, shift_pt, textcoords="offset points", fontsize=size_pt, annotation_clip=False, **look
    )


def y_caption(axes: Axes, text: str, theme: Theme) -> None:
    """Caption of the y axis: level, above its upper end, where it is read first and needs no turned head."""
    axes.set_ylabel(drawable(text), rotation=0.0, ha="left", va="bottom", fontsize=theme.em_pt, color=theme.palette.ink)
    box = axes.get_position()
    height_pt = box.height * theme.size.height_pt
    axes.yaxis.set_label_coords(0.0, 1.0 + 0.45 * theme.em_pt / height_pt)


def x_caption(axes: Axes, text: str, theme: Theme) -> None:
    """Caption of the x axis, below its tick labels, at the right end."""
    axes.set_xlabel(drawable(text), fontsize=theme.em_pt, color=theme.palette.ink, ha="right", va="top")
    box = axes.get_position()
    height_pt = box.height * theme.size.height_pt
    axes.xaxis.set_label_coords(1.0, -2.0 * theme.em_pt / height_pt)
