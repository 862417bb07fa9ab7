"""How charts look: sizes, colors, text sizes, and drawing settings that no user's configuration can change.

The module itself does not import matplotlib, so that a command can list sizes and themes without paying for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, TypeAlias

FORMATS: Final = ("png", "svg", "pdf")
ENDINGS: Final = tuple(f".{name}" for name in FORMATS)

MM_PER_INCH: Final = 25.4
POINTS_PER_INCH: Final = 72.0

SMALLEST_TEXT_FRACTION: Final = 0.022
"""Size of the smallest text over the height of the figure: still read when the picture is shown at a quarter."""

_NARROW_EM: Final = 60.0

Notes: TypeAlias = Literal["short", "full", "none"]
LineStyle: TypeAlias = Literal["-", "--"] | tuple[int, tuple[float, ...]]

_LINE_STYLES: Final[tuple[LineStyle, ...]] = ("-", (0, (5.0, 1.6)), (0, (1.2, 1.2)), (0, (6.0, 1.5, 1.2, 1.5)))
_MARKERS: Final = ("o", "s", "D", "^", "v", "P", "X", "h")


@dataclass(frozen=True)
class Size:
    """Width and height in inches, and pixels an inch where the file is made of pixels.

    ``text_pt`` is the size of the smallest text; by default it follows from the height.
    """

    key: str
    width_in: float
    height_in: float
    dpi: int
    meaning: str
    text_pt: float | None = None

    @property
    def width_pt(self) -> float:
        """Width in points."""
        return self.width_in * POINTS_PER_INCH

    @property
    def height_pt(self) -> float:
        """Height in points."""
        return self.height_in * POINTS_PER_INCH


SIZES: Final[Mapping[str, Size]] = {
    size.key: size
    for size in (
        Size("web", 12.0, 6.75, 100, "1200 x 675 pixels"),
        Size("web-2x", 12.0, 6.75, 200, "2400 x 1350 pixels"),
        Size("video-1080p", 19.2, 10.8, 100, "1920 x 1080 pixels"),
        Size("video-4k", 19.2, 10.8, 200, "3840 x 2160 pixels"),
        Size("print", 180.0 / MM_PER_INCH, 101.25 / MM_PER_INCH, 300, "180 mm wide"),
        Size("print-180mm", 180.0 / MM_PER_INCH, 101.25 / MM_PER_INCH, 300, "the same"),
        # Too narrow to be a smaller print: the text keeps its size, the chart is higher than it is wide.
        Size("print-85mm", 85.0 / MM_PER_INCH, 125.0 / MM_PER_INCH, 300, "one column, 85 mm wide", 6.2),
    )
}


@dataclass(frozen=True, kw_only=True)
class Palette:
    """Colors by what they are for, as ``#rrggbb``.

    ``series`` are the tints of cards and runs: chosen by search so that any two differ with full color vision, with
    each of the three dichromacies and in gray, and reach a contrast of 3:1 on the ground. ``ink`` and ``muted`` are
    for text, ``rule`` for grid lines, ``band`` for the ground of a margin and of the subject. ``ahead``, ``behind``,
    ``tied`` and ``undecided`` color marks; the ``_ground`` ones lie behind text.
    """

    key: str
    ground: str
    ink: str
    muted: str
    rule: str
    band: str
    series: tuple[str, ...]
    ahead: str
    behind: str
    tied: str
    undecided: str
    ahead_ground: str
    behind_ground: str
    tied_ground: str


PALETTES: Final[Mapping[str, Palette]] = {
    key: Palette(key=key, **{**colors, "series": tuple(colors["series"])})
    for key, colors in json.loads(Path(__file__).with_name("palettes.json").read_text("utf-8")).items()
}


class SeriesStyle(NamedTuple):
    """How one run or card is told from the others: color, and line and marker for those who see none."""

    color: str
    line: LineStyle
    marker: str


@dataclass(frozen=True, kw_only=True)
class Theme:
    """Everything that one drawing needs to know about its looks.

    Attributes
    ----------
    palette : Palette
    size : Size
    transparent : bool
        Leave the ground out, for laying the chart over a picture of about the same lightness.
    notes : {'short', 'full', 'none'}
        What stands at the foot: what a viewer needs, the definitions as well, or nothing.
    card_colors : tuple of str or None
        Colors that the plan gives to its cards, in their order; a card without one has that of its place.
    signed : tuple of str
        Lines at the end of the notes: who measured, on which bench.
    title : str or None
        In place of the chart's own.
    labels : tuple of (str, str)
        Words in the chart, and what is written in their place.
    names : tuple of str
        What people named, and is left as it is: cards, scenes.
    numbers : str
        How 1234.5 is written.
    font : str or None
        A font of the system by its family, or the path of a font file.
    accent : str or None
        Color of a bar at the upper edge.
    logo : pathlib.Path or None
        PNG file of a picture at the foot.
    plan_folder : pathlib.Path or None
        Where the files lie that a plan names.

    Examples
    --------
    >>> theme = Theme.of("dark", "video-1080p")
    >>> theme.palette.key, round(theme.em_pt, 1)
    ('dark', 17.1)
    """

    palette: Palette
    size: Size
    transparent: bool
    notes: Notes = "short"
    card_colors: tuple[str | None, ...] = ()
    signed: tuple[str, ...] = ()
    title: str | None = None
    labels: tuple[tuple[str, str], ...] = ()
    names: tuple[str, ...] = ()
    numbers: str = "1,234.5"
    font: str | None = None
    accent: str | None = None
    logo: Path | None = None
    plan_folder: Path | None = None

    @classmethod
    def of(
        cls, palette: str = "light", size: str = "web", *, transparent: bool = False, notes: Notes = "short"
    ) -> Theme:
        """The theme of these names.

        Raises
        ------
        ValueError
            If there is no palette or size of that name.
        """
        if palette not in PALETTES:
            raise ValueError(f"palette must be one of {', '.join(PALETTES)}, got {palette!r}")
        if size not in SIZES:
            raise ValueError(f"size must be one of {', '.join(SIZES)}, got {size!r}")
        return cls(palette=PALETTES[palette], size=SIZES[size], transparent=transparent, notes=notes)

    @property
    def em_pt(self) -> float:
        """Size of the smallest text in points; every other length is a multiple of it."""
        kept = self.size.text_pt
        return SMALLEST_TEXT_FRACTION * self.size.height_pt if kept is None else kept

    @property
    def is_narrow(self) -> bool:
        """Whether fewer than sixty of the smallest letters' heights go side by side."""
        return self.size.width_pt < _NARROW_EM * self.em_pt

    def at_least(self, height_em: float) -> Theme:
        """The same, on a narrow page made higher where ``height_em`` times the smallest text needs it."""
        height_in = height_em * self.em_pt / POINTS_PER_INCH
        if not self.is_narrow or height_in <= self.size.height_in:
            return self
        return replace(self, size=replace(self.size, height_in=height_in, text_pt=self.em_pt))

    @property
    def label_pt(self) -> float:
        """Size of labels and values, in points."""
        return 1.1 * self.em_pt

    @property
    def title_pt(self) -> float:
        """Size of the title, in points."""
        return (1.35 if self.is_narrow else 1.75) * self.em_pt

    @property
    def line_pt(self) -> float:
        """Width of a line that carries numbers, in points."""
        return 0.13 * self.em_pt

    @property
    def hair_pt(self) -> float:
        """Width of grid lines and frames, in points."""
        return 0.06 * self.em_pt

    def style(self, index: int) -> SeriesStyle:
        """Style of the card or run of that number, from 0; a card has the color that its plan gives it.

        No two of the first 32 have the same color and line, no two of the first 64 the same color and marker.
        """
        colors = self.palette.series
        turn = index + index // len(colors)
        own = self.card_colors[index] if index < len(self.card_colors) else None
        line, marker = _LINE_STYLES[turn % len(_LINE_STYLES)], _MARKERS[turn % len(_MARKERS)]
        return SeriesStyle(own or colors[index % len(colors)], line, marker)

    @contextmanager
    def settings(self) -> Iterator[None]:
        """Drawing settings of this theme; the ones from before come back at the end.

        Starts from matplotlib's own defaults: a configuration file of the user would change the picture.
        """
        import matplotlib as mpl

        from frametime.render.charts.text_fit import TEXT_STYLE, TextStyle, font_family

        family = font_family(self.font)
        before = TEXT_STYLE.set(TextStyle(family, self.numbers, self.labels, self.names))
        try:
            with mpl.rc_context():
                # What `rcdefaults` does, without checking each of them anew: that takes a fiftieth of a small chart.
                own: dict[Any, Any] = {key: one for key, one in dict.items(mpl.rcParamsDefault) if key != "backend"}
                dict.update(mpl.rcParams, own)
                mpl.rcParams.update(_rc_parameters(self))
                mpl.rcParams["font.family"] = list(dict.fromkeys([family, font_family(None)]))
                yield
        finally:
            TEXT_STYLE.reset(before)


def _rc_parameters(theme: Theme) -> dict[Any, Any]:
    palette, em = theme.palette, theme.em_pt
    return {
        "font.size": em,
        "text.color": palette.ink,
        "text.hinting": "none",  # hinted widths change with the pixels, and a text measured to fit would not
        "text.parse_math": False,  # a dollar sign in a file name is a dollar sign
        "axes.labelcolor": palette.ink,
        "axes.edgecolor": palette.muted,
        "axes.facecolor": "none",
        "axes.linewidth": theme.hair_pt,
        "path.simplify": False,  # a thinned line could lose the one frame that matters
        "svg.fonttype": "path",  # looks the same everywhere, for 4 % more bytes
        "svg.hashsalt": "frametime",  # the same identifiers every time
        "pdf.fonttype": 42,
        "pdf.compression": 4,  # for 5 % more bytes than at 6, a third less time where there are thousands of points
    }
