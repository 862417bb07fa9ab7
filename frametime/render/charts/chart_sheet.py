"""The sheet on which a chart is drawn: title, what is better, key, and the note that says what the numbers are.

Every length is in points from the lower left corner; the sheet keeps the rectangle that is still free and hands out
axes from it. Nothing is placed without being measured first, so that no text is cut and none lies on another.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal, NamedTuple

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from numpy.typing import ArrayLike

from frametime.render.charts.text_fit import drawable, shorten, text_width_pt, wrap
from frametime.render.charts.theme import LineStyle, Theme

_LINE_HEIGHT: Final = 1.34
_MOST_NOTE_LINES: Final = 6
_MOST_NARROW_NOTE_LINES: Final = 15
_HANDLE_EM: Final = 2.2

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


class Sheet:
    """A figure whose head and foot are set, and the free rectangle between them.

    Parameters
    ----------
    theme : Theme
    title : str
        What is shown: at most two lines.
    lead : str
        Which way is better, or the main numbers: at most two lines.
    head_lines : (int, int)
        Most lines of title and lead, where the page is not narrow.
    notes : sequence of str
        Sentences at the foot, for the viewer: what is shown, from how many runs, what a whisker is.
    full : sequence of str
        Sentences for the reader who wants all: definitions, where zero is. Only with the full notes of the theme.
    """

    def __init__(
        self,
        theme: Theme,
        *,
        title: str,
        lead: str,
        notes: Sequence[str] = (),
        full: Sequence[str] = (),
        head_lines: tuple[int, int] = (1, 1),
    ) -> None:
        self.theme = theme
        self.em = theme.em_pt
        size = theme.size
        ground = "none" if theme.transparent else theme.palette.ground
        self.figure = Figure(figsize=(size.width_in, size.height_in), dpi=size.dpi, facecolor=ground)
        FigureCanvasAgg(self.figure)
        self.left, self.right = 1.6 * self.em, size.width_pt - 1.6 * self.em
        self.bottom, self.top = 1.2 * self.em, size.height_pt - 1.3 * self.em
        self._head(theme.title or title, lead, (2, 4) if theme.is_narrow else head_lines)
        by = [f"By {theme.author}."] if theme.author else []
        self._foot({"none": (), "short": (*notes, *by), "full": (*notes, *full, *by)}[theme.notes])

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
        lines = wrap(
            " ".join(notes),
            self.width,
            self.em,
            max_lines=_MOST_NARROW_NOTE_LINES if self.theme.is_narrow else _MOST_NOTE_LINES,
        )
        step = _LINE_HEIGHT * self.em
        for number, line in enumerate(lines):
            y = self.bottom + (len(lines) - 1 - number) * step
            self.text(self.left, y, line, color=self.theme.palette.muted, va="bottom")
        self.bottom += len(lines) * step
        if lines:
            self.bottom += 0.25 * self.em
            self.rule(self.left, self.right, self.bottom)
            self.bottom += 0.5 * self.em

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

    def rule(self, left: float, right: float, y: float) -> None:
        """A thin level line across the sheet."""
        points = self._fractions([left, right], [y, y])
        self.figure.add_artist(Line2D(*points, color=self.theme.palette.rule, linewidth=self.theme.hair_pt))

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

    def label_rows(self, labels: Sequence[str], top: float, row: float, most_em: float) -> float:
        """Labels of rows at the left, the first below ``top``; gives the width that they take."""
        width = self.label_width(labels, most_em)
        for place, label in enumerate(labels):
            self.text(self.left, top - (place + 0.5) * row, shorten(label, width, self.em))
        return width

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
