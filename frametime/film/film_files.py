"""Clips for the editor, footage with the traces drawn in, and where in the footage a capture begins."""

from __future__ import annotations

import contextlib
import re
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.errors import OutputError, ReadError
from frametime.film.picture import Clip, ClipLook, Track
from frametime.replacing import (
    LOCK_ENDING,
    alone_with,
    claiming,
    refuse_ending,
    refuse_existing,
    refuse_strangers,
    replacing,
    replacing_folder,
)

if TYPE_CHECKING:
    from concurrent.futures import Future


MOST_CAPTURES: Final = 4

_CODECS: Final = {
    # name of the codec, pixels, options
    ("mov", "prores"): ("prores_aw", "yuva444p10le", {}),
    ("mov", "lossless"): ("qtrle", "argb", {}),
    ("webm", "prores"): ("libvpx-vp9", "yuva420p", {"crf": "24", "b": "0", "deadline": "realtime", "cpu-used": "8"}),
}
_HD: Final = (1, 1, 1)
"""Matrix, primaries and curve of ITU-R BT.709, as ITU-T H.273 numbers them."""

_SAME_BYTES: Final = {"fflags": "+bitexact"}
_OVER_FORMS: Final = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska"}
_AHEAD: Final = 6
_PICTURE_NAME: Final = re.compile(rf"\d{{6}}\.png|.*{re.escape(LOCK_ENDING)}")
"""Of a folder of pictures, with the lock of the one who writes it."""

Progress = Callable[[float], object]
"""Called with the share of the work that is done."""


def write_clip(
    clip: Clip,
    out: Path,
    *,
    fps: Fraction,
    codec: str = "prores",
    force: bool = False,
    on_progress: Progress = lambda _share: None,
) -> int:
    """Write a clip that can be seen through: ``.mov``, ``.webm``, or a folder of PNG where there is no ending.

    Picture k shows the moment k / fps of the footage; the clip begins with the footage and ends with the last capture.

    Parameters
    ----------
    clip : Clip
    out : pathlib.Path
    fps : Fraction
        Pictures a second, exactly.
    codec : str
        ``prores`` or ``lossless``, of a ``.mov``.
    force : bool
        Replace a file that is there.
    on_progress : callable, optional

    Returns
    -------
    int
        How many pictures were written.

    Raises
    ------
    OutputError
        If the ending is no format, PyAV is missing, the file is there, or it cannot be written.
    """
    n_pictures = int(Fraction(clip.end_s).limit_denominator(10**6) * fps) + 1
    moments_s = [float(k / fps) for k in range(n_pictures)]
    if not out.suffix:
        from PIL import Image

        with alone_with(out):
            refuse_strangers(out, lambda name: _PICTURE_NAME.fullmatch(name) is not None, writer="film")
            refuse_existing([out], force=force, are_folders=True)
            with replacing_folder(out) as folder:
                for k, pixels in enumerate(_drawn_ahead(clip.picture, moments_s, on_progress)):
                    Image.fromarray(pixels).save(folder / f"{k:06d}.png", compress_level=1)
        return n_pictures
    refuse_ending(out, (".mov", ".webm"), "clip")
    key = (out.suffix.lower().removeprefix("."), codec if out.suffix.lower() == ".mov" else "prores")
    name, pixels, options = _CODECS[key]
    av = _av()

    frame_at = _frames_of(clip, pixels)
    with (
        _written(out, force=force) as temporary,
        av.open(str(temporary), "w", format=key[0], options=dict(_SAME_BYTES)) as container,
    ):
        stream = container.add_stream(name, rate=fps, options=dict(options))
        stream.width, stream.height, stream.pix_fmt = clip.look.width, clip.look.height, pixels
        if pixels != "argb":
            _tell_colors(stream.codec_context, *_HD)
        stream.codec_context.thread_count = 0
        stream.codec_context.thread_type = "AUTO"
        for k, frame in enumerate(_drawn_ahead(frame_at, moments_s, on_progress)):
            frame.pts, frame.time_base = k, 1 / fps
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return n_pictures


def _frames_of(clip: Clip, pixels: str) -> Callable[[float], Any]:
    """Draws the frame of a moment in a codec's pixels.

    Only the panel is converted, and laid into a frame around it that was converted once: most pixels of a picture are
    empty, and converting them took most of the time. One thread converts: where several do, a row of 10 bits whose
    length is no whole number of vectors runs over into the row that another thread has written.
    """
    av = _av()
    left, top = clip.box[:2]
    width, height = clip.look.width, clip.look.height

    def converted(picture: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
        frame = av.VideoFrame.from_ndarray(picture, format="rgba")
        return _rows_of(frame.reformat(format=pixels, dst_colorspace=_HD[0], threads=1))

    blank = converted(np.zeros((height, width, 4), dtype=np.uint8))

    def frame_at(moment_s: float) -> Any:
        frame = av.VideoFrame(width, height, pixels)
        if pixels != "argb":  # ProRes takes them from the picture
            _tell_colors(frame, *_HD)
        for rows, blank_rows, panel_rows in zip(_rows_of(frame), blank, converted(clip.panel(moment_s)), strict=True):
            rows[:] = blank_rows
            first_row, first_byte = top * len(rows) // height, left * rows.shape[1] // width
            rows[first_row : first_row + len(panel_rows), first_byte : first_byte + panel_rows.shape[1]] = panel_rows
        return frame

    return frame_at


def _rows_of(frame: Any) -> list[NDArray[np.uint8]]:
    """The planes of a frame in place, each with shape (rows, bytes of a row)."""
    bits = max(part.bits for part in frame.format.components)
    n_bytes = len(frame.format.components) if len(frame.planes) == 1 else (bits + 7) // 8
    return [
        np.frombuffer(plane, dtype=np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width * n_bytes]
        for plane in frame.planes
    ]


def write_over(
    tracks: list[Track],
    look: ClipLook,
    footage: Path,
    out: Path,
    *,
    force: bool = False,
    on_progress: Progress = lambda _share: None,
) -> int:
    """Draw the traces into footage in one pass; its sound is kept as it is, and each picture keeps its time stamp.

    Parameters
    ----------
    tracks : list of Track
    look : ClipLook
        Its size is taken from the footage.
    footage, out : pathlib.Path
    force : bool
        Replace a file that is there.
    on_progress : callable, optional

    Returns
    -------
    int
        How many pictures were written.

    Raises
    ------
    ReadError
        If the footage cannot be read.
    OutputError
        If the ending is no format, PyAV is missing, the file is there, or it cannot be written.
    """
    refuse_ending(out, tuple(_OVER_FORMS), "film")
    av = _av()
    n_pictures = 0
    form = _OVER_FORMS[out.suffix.lower()]
    helps = "" if form == "matroska" else "a .mkv holds any sound"
    with opened_footage(footage) as (first, source), _written(out, force=force, helps=helps) as temporary:
        video = source.streams.video[0]
        turns = round(first.rotation / 90.0)  # of a camera held upright: quarters, against the clock
        height, width = (side // 2 * 2 for side in np.rot90(first.to_ndarray(format="gray"), turns).shape)
        clip = Clip(tracks, replace(look, width=width, height=height))
        length_s = max(float(source.duration or 0) / 1e6, 1e-9)
        with av.open(str(temporary), "w", format=form, options=dict(_SAME_BYTES)) as container:
            options = {"crf": "18", "preset": "veryfast"}
            stream = container.add_stream("libx264", rate=video.average_rate, options=options)
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.codec_context.time_base = video.time_base
            _tell_colors(stream.codec_context, first.colorspace, first.color_primaries, first.color_trc)
            sounds = {sound.index: container.add_stream_from_template(sound) for sound in source.streams.audio}
            for packet in source.demux([video, *source.streams.audio]):
                if packet.stream.index in sounds:
                    if packet.dts is not None:
                        packet.stream = sounds[packet.stream.index]
                        container.mux(packet)
                    continue
                for frame in packet.decode():
                    moment_s = float(frame.time - first.time)
                    picture = np.rot90(frame.to_ndarray(format="rgb24"), turns)[:height, :width].copy()
                    clip.blended(picture, moment_s)
                    drawn = av.VideoFrame.from_ndarray(picture, format="rgb24")
                    drawn = drawn.reformat(format="yuv420p", dst_colorspace=first.colorspace)
                    drawn.pts, drawn.time_base = frame.pts, frame.time_base
                    container.mux(stream.encode(drawn))
                    n_pictures += 1
                    on_progress(min(1.0, moment_s / length_s))
            container.mux(stream.encode(None))
    return n_pictures


def _tell_colors(holder: Any, matrix: int, primaries: int, curve: int) -> None:
    """Say what the numbers of a picture mean, by ITU-T H.273: players guess where nothing is said."""
    holder.colorspace, holder.color_primaries, holder.color_trc, holder.color_range = matrix, primaries, curve, 1


def _drawn_ahead(draw: Callable[[float], Any], moments_s: Sequence[float], on_progress: Progress) -> Iterator[Any]:
    """Pictures in their order, a few of them drawn while those before are written."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(2) as pool:
        waiting: deque[Future[Any]] = deque()
        for k, moment_s in enumerate(moments_s):
            on_progress(k / len(moments_s))
            waiting.append(pool.submit(draw, moment_s))
            if len(waiting) > _AHEAD:
                yield waiting.popleft().result()
        for drawing in waiting:
            yield drawing.result()


def _av() -> Any:
    try:
        import av
    except ModuleNotFoundError as error:
        raise OutputError("films need one more package: pip install 'frametime[video]'") from error
    return av


@contextlib.contextmanager
def opened_footage(footage: Path) -> Iterator[tuple[Any, Any]]:
    """The first picture of footage, which says how all lie and how their colors are meant, and the whole."""
    av = _av()
    try:
        with av.open(str(footage)) as ahead:
            first = next(ahead.decode(video=0), None) if ahead.streams.video else None
        container = av.open(str(footage))
    except (OSError, av.FFmpegError) as error:
        raise ReadError.at(str(footage), f"the footage cannot be read ({error.strerror})") from error
    with container:
        if first is None or first.time is None:
            wrong = f"no picture {'is' if first is None else 'has a time'} in this file"
            raise ReadError.at(str(footage), wrong, helps="name the footage as it was recorded")
        container.streams.video[0].thread_type = "AUTO"
        yield first, container


@contextlib.contextmanager
def _written(out: Path, *, force: bool, helps: str = "") -> Iterator[Path]:
    """The temporary name of a film."""
    av = _av()
    try:
        with claiming([out], force=force), replacing(out) as temporary:
            yield temporary
    except av.FFmpegError as error:
        raise OutputError.at(str(out), f"cannot be written ({error.strerror})", helps=helps) from error


_STANDS_OUT: Final = 8.0
"""A jump must be so many times the usual one."""

_STILL_SHARE: Final = 0.1
"""A picture that differs by less than a tenth of the usual difference from the one before stands still."""

_SOUND_STEP_S: Final = 0.01


class StartEstimate(NamedTuple):
    """One sign of the start: what it rests on, the moment of the footage in s, and give or take."""

    sign: str
    start_s: float
    plus_minus_s: float


def find_start(track: Track, footage: Path) -> list[StartEstimate]:
    """Look for a flash, the first sound, and pictures that stand still during the longest frames of the capture.

    Parameters
    ----------
    track : Track
        Its own start is not looked at.
    footage : pathlib.Path

    Returns
    -------
    list of StartEstimate
        Those that stand out clearly; none where nothing does.

    Raises
    ------
    ReadError
        If the footage cannot be read.
    """
    times_s, light, change, sound = _signals(footage)
    step_s = float(np.median(np.diff(times_s))) if times_s.size > 1 else 0.0
    signs = [
        ("flash", _jump(light, times_s), step_s),
        ("still pictures", _by_still_pictures(track, times_s, change, step_s) if step_s > 0.0 else None, step_s),
        ("sound", _jump(sound, np.arange(sound.size) * _SOUND_STEP_S), _SOUND_STEP_S),
    ]
    return [StartEstimate(sign, start_s, step_s) for sign, start_s, step_s in signs if start_s is not None]


def _signals(footage: Path) -> tuple[NDArray[np.float64], ...]:
    """Time, light and change of each picture, and the level of the sound in steps of 10 ms."""
    times_s, light, change = [], [], []
    levels = [(np.zeros(0, dtype=np.int64), np.zeros(0))]
    before: NDArray[np.int16] | None = None
    with opened_footage(footage) as (first, source):
        video = source.streams.video[0]
        for packet in source.demux([video, *source.streams.audio[:1]]):
            for frame in packet.decode():
                moment_s = float(frame.time - first.time)
                if packet.stream.type == "audio":
                    samples = np.abs(np.atleast_2d(frame.to_ndarray()).astype(np.float64)).max(axis=0)
                    at = np.floor((moment_s + np.arange(samples.size) / frame.sample_rate) / _SOUND_STEP_S)
                    places, begins = np.unique(at.astype(np.int64), return_index=True)
                    levels.append((places, np.maximum.reduceat(samples, begins)))
                    continue
                small = frame.reformat(width=160, height=90, format="gray").to_ndarray().astype(np.int16)
                times_s.append(moment_s)
                light.append(float(small.mean()))
                change.append(0.0 if before is None else float(np.abs(small - before).mean()))
                before = small
    places, loudest = map(np.concatenate, zip(*levels, strict=True))
    sound = np.zeros(places.max(initial=-1) + 1)
    np.maximum.at(sound, places[places >= 0], loudest[places >= 0])
    return np.array(times_s), np.array(light), np.array(change), sound


def _jump(levels: NDArray[np.float64], times_s: NDArray[np.floating[Any]]) -> float | None:
    """Time of the greatest rise, where it stands clearly out of all others."""
    steps = np.diff(levels)
    if steps.size < 3:
        return None
    at = int(np.argmax(steps))
    others = np.abs(np.delete(steps, at))
    usual = max(float(np.quantile(others, 0.95)), 1e-9 + 0.01 * float(np.abs(steps).max()))
    return float(times_s[at + 1]) if steps[at] > _STANDS_OUT * usual else None


def _by_still_pictures(
    track: Track, times_s: NDArray[np.float64], change: NDArray[np.float64], step_s: float
) -> float | None:
    """The start at which the long frames of the capture lie on the pictures that stand still."""
    grid_s = step_s / 2.0
    still = np.zeros(int(times_s[-1] / grid_s) + 2)
    for at in (np.flatnonzero(change[1:] < _STILL_SHARE * np.median(change[1:])) + 1).tolist():
        still[int(times_s[at - 1] / grid_s) : int(times_s[at] / grid_s)] = 1.0
    long = track.times_ms > 2500.0 * step_s
    held = np.zeros(int(track.ends_s[-1] / grid_s) + 2)
    for end_s, took_s in zip(track.ends_s[long].tolist(), (track.times_ms[long] / 1000.0).tolist(), strict=True):
        # The picture before a long frame is shown until it ends.
        held[int((end_s - took_s) / grid_s) : int(end_s / grid_s)] = 1.0
    if still.sum() < 4 or held.sum() < 4:
        return None
    size = 1 << (still.size + held.size).bit_length()
    spectrum = np.fft.rfft(still - still.mean(), size) * np.conj(np.fft.rfft(held - held.mean(), size))
    score = np.fft.irfft(spectrum, size)[: still.size]
    best = int(np.argmax(score))
    away = np.abs(np.arange(score.size) - best) > 6
    if score[best] < 0.5 * min(still.sum(), held.sum()) or score[best] < 1.3 * float(score[away].max(initial=0.0)):
        return None
    return best * grid_s
