"""Where in the footage a capture begins: estimates with their uncertainty, for a person to confirm."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.film.film_files import opened_footage
from frametime.film.tracks import Track

_STANDS_OUT: Final = 8.0
"""A jump must be so many times the usual one."""

_STILL_SHARE: Final = 0.1
"""A picture that differs by less than a tenth of the usual difference from the one before stands still."""

_SOUND_STEP_S: Final = 0.01


@dataclass(frozen=True, kw_only=True)
class StartEstimate:
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
    found = []
    step_s = float(np.median(np.diff(times_s))) if times_s.size > 1 else 0.0
    if step_s > 0.0:
        flash = _jump(np.diff(light))
        if flash is not None:
            found.append(StartEstimate(sign="flash", start_s=float(times_s[flash + 1]), plus_minus_s=step_s))
        still = _by_still_pictures(track, times_s, change, step_s)
        if still is not None:
            found.append(StartEstimate(sign="still pictures", start_s=still, plus_minus_s=step_s))
    onset = _jump(np.diff(sound))
    if onset is not None:
        at_s = (onset + 1) * _SOUND_STEP_S
        found.append(StartEstimate(sign="sound", start_s=at_s, plus_minus_s=_SOUND_STEP_S))
    return found


def _signals(
    footage: Path,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Time, light and change of each picture, and the level of the sound in steps of 10 ms."""
    times_s, light, change = [], [], []
    levels: dict[int, float] = {}
    before: NDArray[np.int16] | None = None
    with opened_footage(footage) as source:
        video = source.streams.video[0]
        first_s = float((video.start_time or 0) * (video.time_base or 0))
        for packet in source.demux([video, *source.streams.audio[:1]]):
            for frame in packet.decode():
                moment_s = float(frame.time or 0.0) - first_s
                if packet.stream.type == "audio":
                    samples = np.abs(np.atleast_2d(frame.to_ndarray()).astype(np.float64)).max(axis=0)
                    at = np.floor((moment_s + np.arange(samples.size) / frame.sample_rate) / _SOUND_STEP_S).astype(int)
                    for place in np.unique(at):
                        levels[int(place)] = max(levels.get(int(place), 0.0), float(samples[at == place].max()))
                    continue
                small = frame.reformat(width=160, height=90, format="gray").to_ndarray().astype(np.int16)
                times_s.append(moment_s)
                light.append(float(small.mean()))
                change.append(0.0 if before is None else float(np.abs(small - before).mean()))
                before = small
    sound = np.zeros(max(levels, default=-1) + 1)
    for place, level in levels.items():
        if place >= 0:
            sound[place] = level
    return np.array(times_s), np.array(light), np.array(change), sound


def _jump(steps: NDArray[np.float64]) -> int | None:
    """Place of the greatest rise, where it stands clearly out of all others."""
    if steps.size < 3:
        return None
    at = int(np.argmax(steps))
    others = np.abs(np.delete(steps, at))
    usual = max(float(np.quantile(others, 0.95)), 1e-9 + 0.01 * float(np.abs(steps).max()))
    return at if steps[at] > _STANDS_OUT * usual else None


def _by_still_pictures(
    track: Track, times_s: NDArray[np.float64], change: NDArray[np.float64], step_s: float
) -> float | None:
    """The start at which the long frames of the capture lie on the pictures that stand still."""
    grid_s = step_s / 2.0
    n = int(times_s[-1] / grid_s) + 2
    still = np.zeros(n)
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
