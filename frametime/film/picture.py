"""One picture of a clip: the traces up to a moment, and the numbers beside them, on a ground that can be seen through.

It shows of a capture never more than the capture held by that moment: a `Track` says what that is.

The parts that never change are drawn once. A picture is a few array operations on its panel: a trace is, for each
column of pixels, the span between the shortest and the longest frame that lies in the column's time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from frametime.capture import Capture
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.level import average_fps, percentile_low_fps
from frametime.metrics.metric import Missing
from frametime.metrics.options import MeasureOptions
from frametime.metrics.sensors.sensor_values import samples_of
from frametime.metrics.stutter import stutters_of
from frametime.render.charts.theme import PALETTES

Place: TypeAlias = Literal["foot", "side", "full"]
Motion: TypeAlias = Literal["scrolling", "filling"]
Shown: TypeAlias = Literal["trace", "rate", "low", "power", "temperature", "stutters", "label"]

SHOWN: Final[tuple[Shown, ...]] = ("trace", "rate", "low", "power", "temperature", "stutters", "label")

SAFE_MARGIN: Final = 0.05
"""Free at every edge: the graphics-safe area of EBU R 95 is nine tenths of the picture (from memory)."""

NUMBERS_A_SECOND: Final = 4
"""How often a number may change: faster it cannot be read, and nothing flashes (WCAG 2.3.1)."""

_LEAST_LETTERS: Final = 0.6
"""Letters are never smaller than this share of their size: a clip is read at a glance."""

_GROUND_OPACITY: Final = 0.72
_FILL_OPACITY: Final = 0.22


@dataclass(frozen=True, kw_only=True)
class ClipLook:
    """How a clip looks: size in pixels, colors, where the panel lies, what it shows."""

    width: int = 1920
    height: int = 1080
    theme: str = "dark"
    place: Place = "foot"
    motion: Motion = "scrolling"
    window_s: float = 10.0
    shown: tuple[Shown, ...] = SHOWN


class Clip:
    """Pictures of some tracks.

    Parameters
    ----------
    tracks : list of Track
        One to four.
    look : ClipLook
    """

    def __init__(self, tracks: list[Track], look: ClipLook) -> None:
        self.tracks, self.look = tracks, look
        self.box = _box(look)
        left, top, right, bottom = self.box
        self._width, self._height = right - left, bottom - top
        palette = PALETTES[look.theme]
        # Numbers stand above a trace at a side, beside it elsewhere, and take no more than half of the panel.
        self._em = max(12, min(round(0.030 * look.height), self._width // (10 if look.place == "side" else 20)))
        self._ink, self._muted = _rgb(palette.ink), _rgb(palette.muted)
        self._paper = _rgb(palette.ground)
        self._top_ms = top_ms(tracks)
        has_numbers = bool({"rate", "low", "power", "temperature", "label"} & set(look.shown))
        is_side = look.place == "side"
        self._plot_width = self._width - (
            min(round(9.5 * self._em), self._width // 2) if has_numbers and not is_side else 0
        )
        block = max(0.25 + 1.25 * sum(size for _, size, _ in self._lines(track, track.end_s)) for track in tracks)
        self._plot_top = min(round(block * self._em * len(tracks)), self._height // 2) if is_side and has_numbers else 0
        # All lines fit, in smaller letters where need be; below three fifths the last ones are left out.
        self._room = (self._plot_top if is_side else self._height) / len(tracks)
        self._shrunk = min(1.0, max(_LEAST_LETTERS, self._room / (block * self._em))) if has_numbers else 1.0
        self._marks_height = round(1.2 * self._em) if "stutters" in look.shown else 0
        self._ground = self._drawn_ground()

    @property
    def end_s(self) -> float:
        """Moment of the footage after which nothing moves."""
        return max(track.end_s for track in self.tracks)

    def picture(self, moment_s: float) -> NDArray[np.uint8]:
        """The whole picture at a moment of the footage, shape (height, width, 4): red, green, blue, opacity."""
        whole = np.zeros((self.look.height, self.look.width, 4), dtype=np.uint8)
        left, top, right, bottom = self.box
        whole[top:bottom, left:right] = self.panel(moment_s)
        return whole

    def panel(self, moment_s: float) -> NDArray[np.uint8]:
        """The panel alone, the part at ``box``: colors are not multiplied by their opacity."""
        panel = self._ground.copy()
        if "trace" in self.look.shown:
            for track in self.tracks:
                self._trace(panel, track, moment_s)
            if "stutters" in self.look.shown:
                self._mark_stutters(panel, moment_s)
        self._numbers(panel, moment_s)
        return panel

    def blended(self, picture: NDArray[np.uint8], moment_s: float) -> None:
        """Lay the panel over a picture of footage, shape (height, width, 3), in place."""
        left, top, right, bottom = self.box
        panel = self.panel(moment_s).astype(np.uint16)
        under = picture[top:bottom, left:right]
        opacity = panel[..., 3:]
        under[:] = ((panel[..., :3] * opacity + under * (255 - opacity) + 127) // 255).astype(np.uint8)

    def window(self, moment_s: float) -> tuple[float, float]:
        """The stretch of footage time that the trace covers."""
        window_s = self.look.window_s
        if self.look.motion == "scrolling":
            return moment_s - window_s, moment_s
        start_s = float(np.floor(moment_s / window_s)) * window_s
        return start_s, start_s + window_s

    # Pieces

    def _drawn_ground(self) -> NDArray[np.uint8]:
        """Ground, scale lines and their numbers."""
        ground = np.empty((self._height, self._width, 4), dtype=np.uint8)
        ground[:] = self._mixed(self._paper)[0]
        if "trace" in self.look.shown:
            for value_ms in (self._top_ms / 2.0, self._top_ms):
                row = round(float(self._rows(np.array(value_ms))))
                ground[row : row + max(1, self._em // 18), : self._plot_width] = self._mixed(self._muted)[90]
                self._text(ground, f"{value_ms:g} ms", 0.8, self._em // 3, row + self._em // 8, self._muted)
        return ground

    def _mixed(self, color: NDArray[np.float64]) -> NDArray[np.uint8]:
        """A color over the ground for each cover from 0 to 255, shape (256, 4), not multiplied by opacity."""
        cover = np.arange(256)[:, None] / 255.0
        opacity = cover + _GROUND_OPACITY * (1.0 - cover)
        mixed = (color * cover + self._paper * _GROUND_OPACITY * (1.0 - cover)) / opacity
        return np.concatenate([mixed * 255.0 + 0.5, opacity * 255.0 + 0.5], axis=1).astype(np.uint8)

    def _lay(self, area: NDArray[np.uint8], cover: NDArray[np.uint8], color: NDArray[np.float64]) -> None:
        """Lay a color over a part of the panel, as far as it covers each pixel; four bytes of a pixel at once."""
        mixed = self._mixed(color).view(np.uint32)[:, 0]
        np.copyto(area.view(np.uint32)[..., 0], mixed[cover], where=cover > 0)

    def _rows(self, values_ms: NDArray[np.float64]) -> NDArray[np.float64]:
        """Row of the panel at which a frame time lies; longer frames end at the top."""
        top = self._plot_top + self._marks_height
        free = self._height - top - self._em // 2
        return np.asarray(top + free * (1.0 - np.minimum(values_ms, self._top_ms) / self._top_ms))

    def _trace(self, panel: NDArray[np.uint8], track: Track, moment_s: float) -> None:
        from_s, to_s = self.window(moment_s)
        n = track.n_ended(moment_s)
        edges_s = from_s + (to_s - from_s) * np.arange(self._plot_width + 1) / self._plot_width - track.start_s
        ends_s = track.ends_s[:n]
        # Frame i fills the time from the end of the one before to its own: those that meet each column.
        first = np.searchsorted(ends_s, edges_s[:-1], side="right")
        last = np.minimum(np.searchsorted(ends_s, edges_s[1:], side="left"), n - 1)
        columns = np.flatnonzero((first < n) & (edges_s[1:] > 0.0))
        if columns.size == 0:
            return
        pairs = np.column_stack([first[columns], last[columns] + 1]).ravel()
        seen_ms = np.append(track.times_ms[:n], track.times_ms[n - 1])
        half = max(0.75, 0.055 * self._em)
        high = self._rows(np.maximum.reduceat(seen_ms, pairs)[::2]) - half
        low = self._rows(np.minimum.reduceat(seen_ms, pairs)[::2]) + half
        top, bottom = np.ceil(high).astype(np.int16), np.floor(low).astype(np.int16)
        rows = np.arange(self._height, dtype=np.int16)[:, None]
        cover = np.zeros((self._height, columns.size), dtype=np.uint8)
        cover[(rows >= top) & (rows < bottom)] = 255
        across = np.arange(columns.size)
        cover[top - 1, across] = ((top - high) * 255.0).astype(np.uint8)
        cover[bottom, across] = ((low - bottom) * 255.0).astype(np.uint8)
        if len(self.tracks) == 1:
            cover[rows > bottom] = round(_FILL_OPACITY * 255.0)
        start = int(columns[0])  # no gap between columns: every moment since the start belongs to a frame
        self._lay(panel[:, start : start + columns.size], cover, _rgb(track.color))

    def _mark_stutters(self, panel: NDArray[np.uint8], moment_s: float) -> None:
        """Each stutter as it happens: how long it took, above its place; the newest where two would meet."""
        from_s, to_s = self.window(moment_s)
        marks = [
            (track.start_s + track.ends_s[at] - track.times_ms[at] / 2000.0, track, track.times_ms[at])
            for track in self.tracks
            for at in track.stutters[track.stutters < track.n_ended(moment_s)]
        ]
        free_until = self._plot_width
        for middle_s, track, time_ms in sorted(marks, key=lambda mark: -mark[0]):
            left = round((middle_s - from_s) / (to_s - from_s) * self._plot_width) - self._em
            if middle_s > from_s and left >= 0 and left + 3 * self._em <= free_until:
                top = self._plot_top + self._em // 8
                self._text(panel, f"{time_ms:.0f} ms", 0.8, left, top, _rgb(track.color))
                free_until = left

    def _numbers(self, panel: NDArray[np.uint8], moment_s: float) -> None:
        """Label and numbers of each track; they change four times a second, to what held then."""
        held_s = float(np.floor(moment_s * NUMBERS_A_SECOND + 1e-9)) / NUMBERS_A_SECOND
        is_side = self.look.place == "side"
        left = self._em // 2 if is_side else self._plot_width + self._em // 2
        width = self._width - left - self._em // 2
        for number, track in enumerate(self.tracks):
            top = number * self._room + 0.25 * self._shrunk * self._em
            for text, whole_size, color in self._lines(track, held_s):
                size = whole_size * self._shrunk
                if top + 1.1 * size * self._em > (number + 1) * self._room:
                    break
                self._text(panel, *self._fitted(text, size, width), left, round(top), color)
                top += 1.25 * size * self._em

    def _lines(self, track: Track, moment_s: float) -> list[tuple[str, float, NDArray[np.float64]]]:
        """What is written of a track, the size of each line in em and its color."""
        shown, lines = self.look.shown, []
        if "label" in shown and track.label:
            lines.append((track.label, 1.0, _rgb(track.color)))
        if "rate" in shown:
            lines.append((_number(track.rate_fps(moment_s), "fps"), 1.5 if len(self.tracks) < 3 else 1.1, self._ink))
        for name, value, unit in (
            ("low", track.low_fps(moment_s), "fps 1 % low"),
            ("power", track.sample("power_w", moment_s), "W"),
            ("temperature", track.sample("temperature_c", moment_s), "°C"),
        ):
            if name in shown and (value is not None or name == "low"):
                lines.append((_number(value, unit), 0.9, self._muted))
        return lines

    def _fitted(self, text: str, size: float, width: int) -> tuple[str, float]:
        """A text no wider than this: smaller letters first, then fewer of them."""
        size_px = round(size * self._em)
        fitting_px = int(size_px * width / _letters(text, size_px).shape[1])
        size_px = max(round(_LEAST_LETTERS * size_px), min(size_px, fitting_px))
        while len(text) > 2 and _letters(text, size_px).shape[1] > width:
            text = text[:-2] + "…"
        return text, size_px / self._em

    def _text(
        self, panel: NDArray[np.uint8], text: str, size: float, left: int, top: int, color: NDArray[np.float64]
    ) -> None:
        """Lay a text on the panel, cut off at its edges."""
        letters = _letters(text, round(size * self._em))
        letters = letters[: max(0, self._height - top), : max(0, self._width - left)]
        self._lay(panel[top : top + letters.shape[0], left : left + letters.shape[1]], letters, color)


def _box(look: ClipLook) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the panel, inside the safe area; even, as codecs pair their pixels."""
    margin_x, margin_y = (2 * int(np.ceil(SAFE_MARGIN * length / 2.0)) for length in (look.width, look.height))
    right, bottom = look.width // 2 * 2 - margin_x, look.height // 2 * 2 - margin_y
    left = right - 2 * round(0.15 * look.width) if look.place == "side" else margin_x
    top = bottom - 2 * round(0.12 * look.height) if look.place == "foot" else margin_y
    return left, top, right, bottom


def _rgb(color: str) -> NDArray[np.float64]:
    return np.array([int(color[at : at + 2], 16) / 255.0 for at in (1, 3, 5)])


def _number(value: float | None, unit: str) -> str:
    return f"\N{EN DASH} {unit}" if value is None else f"{value:.0f} {unit}"


@lru_cache(maxsize=4096)
def _letters(text: str, size_px: int) -> NDArray[np.uint8]:
    """How much of each pixel a text covers, shape (height, width), in the letters of the charts."""
    import matplotlib as mpl
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.truetype(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size_px)
    left, _, right, _ = font.getbbox(text)
    image = Image.new("L", (max(1, round(right - left)), round(1.3 * size_px)))
    ImageDraw.Draw(image).text((-left, 0), text, fill=255, font=font)
    return np.asarray(image, dtype=np.uint8)


RATE_WINDOW_S: Final = 1.0
"""The rate is that of the frames that ended in the last second."""

LOW_PCT: Final = 1.0
_LEAST_TAIL_FRAMES: Final = 10


@dataclass(frozen=True, kw_only=True)
class Track:
    """One capture beside the footage.

    Attributes
    ----------
    label : str
    color : str
        ``#rrggbb``.
    start_s : float
        Moment of the footage at which the capture begins.
    ends_s, times_ms : ndarray of float64, shape (n_frames,)
        End of each frame in s since the start of the first, and how long it took.
    stutters : ndarray of int64, shape (k,)
        Positions of the frames that count as stutters.
    samples : dict of str to (times_s, values)
        Sensor samples by quantity.
    """

    label: str
    color: str
    start_s: float
    ends_s: NDArray[np.float64]
    times_ms: NDArray[np.float64]
    stutters: NDArray[np.int64]
    samples: dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]] = field(default_factory=dict)

    @property
    def end_s(self) -> float:
        """Moment of the footage at which the capture ends."""
        return self.start_s + float(self.ends_s[-1])

    def n_ended(self, moment_s: float) -> int:
        """How many frames have ended by a moment of the footage.

        Examples
        --------
        >>> track = Track(label="", color="#000000", start_s=2.0, ends_s=np.array([0.01, 0.02]),
        ...               times_ms=np.array([10.0, 10.0]), stutters=np.array([], dtype=np.int64))
        >>> track.n_ended(1.0), track.n_ended(2.015), track.n_ended(9.0)
        (0, 1, 2)
        """
        return int(np.searchsorted(self.ends_s, moment_s - self.start_s + 1e-9, side="right"))

    def rate_fps(self, moment_s: float) -> float | None:
        """Average rate of the frames that ended in the last second; ``None`` in the first second and after the end."""
        now_s = moment_s - self.start_s
        if not RATE_WINDOW_S <= now_s <= float(self.ends_s[-1]) + 1e-9:
            return None
        last = self.n_ended(moment_s)
        first = self.n_ended(moment_s - RATE_WINDOW_S)
        return average_fps(last - first, float(self.times_ms[first:last].sum()) / 1000.0) if last > first else None

    def low_fps(self, moment_s: float) -> float | None:
        """The 1 % low (percentile) of all frames so far; ``None`` while fewer than 10 frames are in its tail."""
        n = self.n_ended(moment_s)
        if n * LOW_PCT < 100.0 * _LEAST_TAIL_FRAMES:
            return None
        return percentile_low_fps(np.sort(self.times_ms[:n]), slowest_pct=LOW_PCT)

    def sample(self, quantity: str, moment_s: float) -> float | None:
        """The newest sample of a quantity; ``None`` where there is none yet."""
        if quantity not in self.samples:
            return None
        times_s, values = self.samples[quantity]
        at = int(np.searchsorted(times_s, moment_s - self.start_s + 1e-9, side="right")) - 1
        return float(values[at]) if at >= 0 else None


def track_of(capture: Capture, *, label: str, color: str, start_s: float) -> Track:
    """The track of a capture, with stutters by the usual rule and sensor samples where it has some."""
    series = FrameSeries.of(capture, MeasureOptions())
    found = {quantity: samples_of(series, quantity) for quantity in ("power_w", "temperature_c")}
    return Track(
        label=label,
        color=color,
        start_s=start_s,
        ends_s=series.ends_s,
        times_ms=series.frame_times_ms,
        stutters=stutters_of(series).positions,
        samples={quantity: one for quantity, one in found.items() if not isinstance(one, Missing)},
    )


def top_ms(tracks: list[Track]) -> float:
    """Upper end of the scale for all tracks: round, and above all but the longest frames."""
    usual = max(float(np.quantile(track.times_ms, 0.999)) for track in tracks)
    wanted = max(1.3 * usual, 2.2 * max(float(np.median(track.times_ms)) for track in tracks))
    step = 10.0 ** math.floor(math.log10(wanted))
    return next(size * step for size in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if size * step >= wanted)
