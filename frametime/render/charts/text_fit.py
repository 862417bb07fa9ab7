"""What is written on a chart fits: texts are measured, wrapped or shortened, and ticks have room for their labels.

Labels come from logs and plans of any length.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Sequence
from contextvars import ContextVar
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, TypeAlias

import numpy as np
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, fontManager
from matplotlib.ft2font import FT2Font
from matplotlib.textpath import text_to_path
from matplotlib.ticker import LogLocator, MaxNLocator
from numpy.typing import NDArray

from frametime.errors import OutputError, printable
from frametime.render.numbers import format_like

ELLIPSIS: Final = "…"
_REPLACEMENT: Final = "\N{REPLACEMENT CHARACTER}"
_FAMILY: Final = "DejaVu Sans"
_NUMBER_AND_UNIT: Final = re.compile(r"\(\d+ of \d+\)|[+\N{MINUS SIGN}(]*\d[\d.,]* (?:[^\W\d]+|%)\S*|\S+")
"""The number of a page, a number with the word or the percent sign after it, or any other word."""


class TextStyle(NamedTuple):
    """How texts are set: the font, how numbers are written, words in place of others; ``names`` stay as they are."""

    family: str = _FAMILY
    numbers: str = "1,234.5"
    labels: tuple[tuple[str, str], ...] = ()
    names: tuple[str, ...] = ()


USUAL_STYLE: Final = TextStyle()
TEXT_STYLE: Final[ContextVar[TextStyle]] = ContextVar("TEXT_STYLE", default=USUAL_STYLE)


@cache
def font_family(font: str | None) -> str:
    """Family of a font that is named, or of the file at a path; by default that which is shipped with matplotlib.

    Raises
    ------
    OutputError
        If there is no such font.
    """
    if font is None:
        return _FAMILY
    try:
        if Path(font).suffix.lower() in (".ttf", ".otf"):
            fontManager.addfont(font)
            return str(FontProperties(fname=font).get_name())
        findfont(FontProperties(family=font), fallback_to_default=False)
    except (ValueError, OSError, RuntimeError) as error:
        found = f"there is no font {font!r}"
        raise OutputError.at("font", found, helps="name a family or a TTF or OTF file") from error
    return font


class Shown(str):
    """A text as it is drawn."""

    __slots__ = ()


@lru_cache(maxsize=4)
def _known_letters(family: str) -> frozenset[int]:
    """Code points that both weights of a font, or of the one that stands in for it, can draw."""
    fonts = [
        {*FT2Font(findfont(FontProperties(family=name, weight=weight))).get_charmap()}
        for weight in ("normal", "bold")
        for name in (family, _FAMILY)
    ]
    return frozenset((fonts[0] | fonts[1]) & (fonts[2] | fonts[3]))


def drawable(text: str) -> Shown:
    r"""``text`` on one line, without control characters; what the font cannot draw becomes U+FFFD.

    Words and numbers are those of `TEXT_STYLE`.

    Examples
    --------
    >>> drawable("Harbor\n$5"), drawable("run\t1")
    ('Harbor\\n$5', 'run\\t1')
    """
    return text if isinstance(text, Shown) else _shown(text, TEXT_STYLE.get())


@lru_cache(maxsize=4096)
def _shown(text: str, style: TextStyle) -> Shown:
    known = _known_letters(style.family)
    letters = printable(_in_style(text, style), limit=2000)
    return Shown(" ".join("".join(one if ord(one) in known else _REPLACEMENT for one in letters).split()))


def _in_style(text: str, style: TextStyle) -> str:
    """Labels and numbers as the style writes them; what stands in a name stays."""
    if (style.numbers, style.labels) == (USUAL_STYLE.numbers, ()):
        return text
    labels, to_style = dict(style.labels), str.maketrans({",": style.numbers[1], ".": style.numbers[-2]})
    words = [rf"(?<!\w){re.escape(word)}(?!\w)" for word in sorted([*style.names, *labels], key=len, reverse=True)]

    def written(found: re.Match[str]) -> str:
        word = found[0]
        return word if word in style.names else labels.get(word, word.translate(to_style) if found["number"] else word)

    return re.sub("|".join([*words, _NUMBER.pattern]), written, text)


def text_width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width of one line in points, in the font of the charts, of what can be drawn of ``text``: word by word."""
    words, family = drawable(text).split(" "), TEXT_STYLE.get().family
    width = sum(_word_pt(word, bold, family) for word in words) + (len(words) - 1) * _word_pt(" ", bold, family)
    return width * size_pt / _LAID_OUT_PT * 1.01  # rounding of the glyphs to pixels


@lru_cache(maxsize=8192)
def _word_pt(word: str, bold: bool, family: str) -> float:
    # A font that is named twice is searched twice.
    font = FontProperties(family=[*dict.fromkeys((family, _FAMILY))], size=_LAID_OUT_PT, weight=700 if bold else 400)
    return float(text_to_path.get_text_width_height_descent(word, font, ismath=False)[0]) if word else 0.0


_NUMBER: Final = re.compile(r"(?P<number>\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)")
_LAID_OUT_PT: Final = 100.0


def shorten(text: str, width_pt: float, size_pt: float, *, bold: bool = False) -> Shown:
    """``text``, or its beginning and end around an ellipsis, so that it is at most ``width_pt`` wide.

    The middle goes first: names that differ often differ in their last letters.
    """
    text = drawable(text)
    if text_width_pt(text, size_pt, bold=bold) <= width_pt:
        return text
    n_fit = bisect_right(range(len(text)), width_pt, key=lambda n: text_width_pt(_cut(text, n), size_pt, bold=bold))
    return _cut(text, max(0, n_fit - 1))


def _cut(text: str, kept: int) -> Shown:
    tail = kept // 3
    return Shown(text[: kept - tail].rstrip() + ELLIPSIS + (text[-tail:].lstrip() if tail else ""))


def wrap(text: str, width_pt: float, size_pt: float, *, max_lines: int, bold: bool = False) -> list[Shown]:
    """Lines of at most ``width_pt``, broken at spaces; the last one is shortened where there are too many.

    A word that is wider than a line is shortened in its middle. A number and what it counts stay on one line.
    """
    words: list[Shown] = []
    for word in map(Shown, _NUMBER_AND_UNIT.findall(drawable(text))):
        words += [word] if text_width_pt(word, size_pt, bold=bold) <= width_pt else map(Shown, word.split())
    lines: list[Shown] = []
    current = Shown()
    for position, word in enumerate(words):
        longer = Shown(f"{current} {word}" if current else word)
        if text_width_pt(longer, size_pt, bold=bold) <= width_pt:
            current = longer
            continue
        if len(lines) == max_lines - 1:
            rest = Shown(" ".join([current, *words[position:]]).strip())
            return [*lines, shorten(rest, width_pt, size_pt, bold=bold)]
        if current:
            lines.append(current)
        current = shorten(word, width_pt, size_pt, bold=bold)
    return [*lines, current] if current else lines


_POINTS_PER_INCH: Final = 72.0
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)


def round_steps(low: float, high: float, most: int, *, least: int = 2) -> list[float]:
    """Round values in equal steps from at or below ``low`` to at or above ``high``.

    Examples
    --------
    >>> round_steps(0.0, 37.0, 4)
    [0.0, 10.0, 20.0, 30.0, 40.0]
    """
    return [float(step) + 0.0 for step in MaxNLocator(most, steps=_STEPS, min_n_ticks=least).tick_values(low, high)]


def round_ticks(low: float, high: float, most: int, *, least: int = 2) -> list[float]:
    """Round values from ``low`` to ``high``, at most ``most`` + 1 of them unless fewer than ``least`` would be left.

    Examples
    --------
    >>> round_ticks(0.0, 37.0, 4)
    [0.0, 10.0, 20.0, 30.0]
    """
    slack = 1e-9 * (high - low)
    return [step for step in round_steps(low, high, most, least=least) if low - slack <= step <= high + slack]


def ratio_ticks(low: float, high: float) -> list[float]:
    """Round values that lie about as many times apart, over a span of two and a half times or more.

    Examples
    --------
    >>> ratio_ticks(0.08, 3.0)
    [0.1, 0.2, 0.5, 1.0, 2.0]
    """
    return [float(tick) for tick in LogLocator(subs=(1.0, 2.0, 5.0)).tick_values(low, high) if low <= tick <= high]


def tick_labels(ticks: Sequence[float]) -> list[str]:
    """Labels with the same number of decimals, as many as the step needs.

    Examples
    --------
    >>> tick_labels([0.0, 2.5, 5.0])
    ['0.0', '2.5', '5.0']
    """
    decimals = max((len(f"{tick:.6f}".rstrip("0").partition(".")[2]) for tick in ticks), default=0)
    return [drawable(format_like(tick, decimals=decimals)) for tick in ticks]


def signed_labels(ticks: Sequence[float], unit: str = "") -> list[str]:
    """Labels of changes, with their signs; the middle is 0 without decimals.

    Examples
    --------
    >>> signed_labels([-2.5, 0.0, 2.5], " %")
    ['−2.5 %', '0 %', '+2.5 %']
    """
    labels = ["0" if tick == 0.0 else label for tick, label in zip(ticks, tick_labels(ticks), strict=True)]
    return [f"{'+' if tick > 0 else ''}{label}{unit}" for tick, label in zip(ticks, labels, strict=True)]


def size_of(axes: Axes) -> tuple[float, float]:
    """Width and height of the axes in points."""
    extent, dpi = axes.get_window_extent(), axes.figure.dpi
    return float(extent.width / dpi * _POINTS_PER_INCH), float(extent.height / dpi * _POINTS_PER_INCH)


def x_marks(axes: Axes, em_pt: float, ticks: Sequence[float], labels: Sequence[str]) -> list[tuple[float, str]]:
    """Places on the x axis with their labels, empty where too near to that before or beyond the edge of the figure."""
    scale, low = _POINTS_PER_INCH / axes.figure.dpi, axes.get_ylim()[0]
    places_pt = [float(axes.transData.transform((tick, low))[0]) * scale for tick in ticks]
    start_pt, end_pt = -math.inf, axes.figure.bbox.width * scale - 0.4 * em_pt
    shown: list[tuple[float, str]] = []
    for x_pt, tick, label in sorted(zip(places_pt, ticks, map(drawable, labels), strict=True)):
        half_pt = text_width_pt(label, em_pt) / 2.0
        fits = start_pt <= x_pt - half_pt and x_pt + half_pt <= end_pt
        start_pt = x_pt + half_pt + em_pt if fits else start_pt
        shown.append((tick, label if fits else ""))
    return shown


XTicks: TypeAlias = Literal["round", "time", "tail", "ratio", "change"]
_LONG_S: Final = 300.0
"""From here on time is counted in minutes."""
_TAIL_TICKS_PCT: Final = (0.0, 50.0, 90.0, 99.0, 99.9, 99.99, 99.999)
_FACTORS: Final = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0)


def x_scale(axes: Axes, em_pt: float, kind: XTicks, low: float, high: float) -> tuple[list[tuple[float, str]], str]:
    """Set scale and limits of the x axis; gives its marks, and the unit of a time as its caption ends in it.

    *time* counts a long time in minutes, *tail* opens the slowest frames, *change* has signs, and *ratio* is a
    logarithmic scale on which "twice" and "half" lie equally far from the middle, so that neither card is favored by
    being the baseline.
    """
    if kind == "tail":
        axes.set_xscale("function", functions=(tail_position, tail_share_pct))
    elif kind == "ratio":
        axes.set_xscale("log")
    axes.set_xlim(low, high)
    width_em = size_of(axes)[0] / em_pt
    ticks = round_ticks(low, high, max(1, int(width_em / 7.0)))
    labels = tick_labels(ticks)
    unit = ", s" if kind == "time" else ""
    if kind == "time" and high >= _LONG_S:  # the axes themselves stay in seconds
        minutes = round_ticks(0.0, high / 60.0, max(2, int(width_em / 5.0)))
        ticks, labels, unit = [60.0 * minute for minute in minutes], tick_labels(minutes), ", min"
    elif kind == "tail":
        ticks = [tick for tick in _TAIL_TICKS_PCT if tick <= high]
        labels = [f"{tick:g} %" for tick in ticks]
    elif kind == "change":  # the middle and one to each side at least, clear of the edges
        ticks = round_ticks(0.86 * low, 0.86 * high, max(2, int(width_em / 6.0)), least=3)
        labels = signed_labels(ticks)
    elif kind == "ratio":
        ticks, labels = _ratio_ticks(min(low, high), max(low, high), max(3, int(width_em / 5.6)))
    return x_marks(axes, em_pt, ticks, labels), unit


def _ratio_ticks(low: float, high: float, most: int) -> tuple[list[float], list[str]]:
    """Ratios as changes in percent, 0 % at equal; on an axis of more than a factor of two, as factors."""
    if high / low <= 2.0:
        changes = round_ticks(100.0 * (low - 1.0), 100.0 * (high - 1.0), most)
        return [1.0 + change / 100.0 for change in changes], signed_labels(changes, " %")
    factors = [1.5, *_FACTORS] if high / low <= 8.0 else _FACTORS
    pairs = [*((1.0 / factor, f"÷ {factor:g}") for factor in factors), (1.0, "0 %")]
    pairs = sorted([*pairs, *((factor, f"× {factor:g}") for factor in factors)])
    kept = [(ratio, label) for ratio, label in pairs if low <= ratio <= high]
    return [ratio for ratio, _ in kept], [label for _, label in kept]


def tail_position(share_pct: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place of a percentile on the tail scale: one unit for each factor of ten fewer slow frames.

    ``-log10(1 - share)``: 0 at 0 %, 1 at 90 %, 2 at 99 %, 3 at 99.9 %.

    Examples
    --------
    >>> tail_position(np.array([0.0, 90.0, 99.0])).round(6).tolist()
    [0.0, 1.0, 2.0]
    """
    left = np.clip(1.0 - np.asarray(share_pct, dtype=np.float64) / 100.0, 1e-9, None)
    return np.asarray(-np.log10(left) + 0.0, dtype=np.float64)


def tail_share_pct(position: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of ``tail_position``."""
    return np.asarray(100.0 * (1.0 - 10.0 ** (-np.asarray(position, dtype=np.float64))), dtype=np.float64)


def limits_around(
    marks: Sequence[float], ends: Sequence[float], *, least: float, times: float, pad: float
) -> tuple[float, float]:
    """Limits of an axis: every mark is inside, and the ends of intervals unless far wider than the marks.

    A set of two runs can have an interval of several hundred percent; drawn in full it would press all others
    together. What goes beyond ``times`` the room of the marks (``least`` or more) ends at the edge.

    Examples
    --------
    >>> limits_around([0.0, 4.0], [-1.0, 90.0], least=1.0, times=2.0, pad=0.0)
    (-1.0, 12.0)
    """
    room = max(max(marks) - min(marks), least)
    low = max(min([*marks, *ends]), min(marks) - times * room)
    high = min(max([*marks, *ends]), max(marks) + times * room)
    return low - pad * (high - low), high + pad * (high - low)


def y_caption(axes: Axes, text: str, em_pt: float) -> None:
    """Caption of the y axis: level, above its upper end, where it is read first and needs no turned head."""
    axes.set_ylabel(drawable(text), rotation=0.0, ha="left", va="bottom")
    axes.yaxis.set_label_coords(0.0, 1.0 + 0.45 * em_pt / size_of(axes)[1])


def x_caption(axes: Axes, text: str, em_pt: float) -> None:
    """Caption of the x axis, below its tick labels, at the right end."""
    axes.set_xlabel(drawable(text), ha="right", va="top")
    axes.xaxis.set_label_coords(1.0, -2.0 * em_pt / size_of(axes)[1])


def beside(
    axes: Axes, text: str, place: tuple[float, float], shift_pt: tuple[float, float], size_pt: float, **look: Any
) -> None:
    """Words beside a place of the axes, so many points away."""
    look = {"textcoords": "offset points", "annotation_clip": False, **look}
    axes.annotate(drawable(text), place, shift_pt, fontsize=size_pt, **look)
