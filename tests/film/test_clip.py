"""A picture of a clip shows what the capture held by then: no more, no less, at its place."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from frametime.film.picture import SAFE_MARGIN, Clip, ClipLook, Motion, Place, Track, top_ms
from frametime.metrics.level import percentile_low_fps

BLUE = "#56b4e9"


def track(times_ms: NDArray[np.float64], *, start_s: float = 0.0, color: str = BLUE) -> Track:
    ends_s = np.cumsum(times_ms) / 1000.0
    stutters = np.flatnonzero(times_ms > 3.0 * np.median(times_ms))
    return Track(label="Amber 6", color=color, start_s=start_s, ends_s=ends_s, times_ms=times_ms, stutters=stutters)


def is_line(panel: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where the panel has the full color of the trace."""
    color = np.array([int(BLUE[at : at + 2], 16) for at in (1, 3, 5)])
    return np.asarray((np.abs(panel[..., :3].astype(int) - color).max(axis=-1) < 3) & (panel[..., 3] > 250))


@pytest.mark.parametrize("motion", get_args(Motion))
def test_the_newest_end_lies_where_the_clock_of_the_capture_is(motion: str) -> None:
    """After an hour, at a rate that is no whole number, to half a picture."""
    times_ms = np.full(3600 * 100 + 100, 10.0)
    look = ClipLook(motion=motion, window_s=10.0, shown=("trace",))  # type: ignore[arg-type]
    clip = Clip([track(times_ms, start_s=0.25)], look)
    for k in (30, 215_000, 215_784):
        moment_s = k * 1001 / 60_000
        from_s, to_s = clip.window(moment_s)
        columns = np.flatnonzero(is_line(clip.panel(moment_s)).any(axis=0))
        shown_s = from_s + (columns[-1] + 1) / clip.panel(moment_s).shape[1] * (to_s - from_s)
        ended_s = 0.25 + np.floor((moment_s - 0.25 + 1e-9) * 100.0) / 100.0
        assert abs(shown_s - ended_s) <= 0.5 / 59.94 + 0.01, k


def test_nothing_is_shown_before_it_has_ended() -> None:
    times_ms = np.full(600, 10.0)
    times_ms[300] = 250.0  # from 3.00 to 3.25 s
    clip = Clip([track(times_ms)], ClipLook(shown=("trace", "stutters")))
    before, during, after = (clip.panel(moment_s) for moment_s in (2.999, 3.24, 3.2501))
    top = clip.panel(0.0).shape[0] // 3
    assert not is_line(before)[:top].any() and not is_line(during)[:top].any()
    assert is_line(after)[:top].any()
    # While it lasts the trace stands still and falls back from the edge: the long frame is seen as a gap.
    assert np.flatnonzero(is_line(during).any(axis=0))[-1] < np.flatnonzero(is_line(before).any(axis=0))[-1] - 30


def test_the_height_of_the_trace_is_the_frame_time() -> None:
    clip = Clip([track(np.repeat([10.0, 20.0], 300))], ClipLook(shown=("trace",)))
    panel = is_line(clip.panel(8.99))
    middle = [float(np.flatnonzero(column).mean()) for column in panel.T if column.any()]
    low, high = clip._rows(np.array([10.0, 20.0]))
    assert middle[5] == pytest.approx(low, abs=1.0)
    assert middle[-5] == pytest.approx(high, abs=1.0)


def test_numbers_are_the_metrics_of_what_has_ended() -> None:
    rng = np.random.default_rng(5)
    times_ms = 10.0 * np.exp(rng.normal(0.0, 0.2, 3000))
    shown = track(times_ms, start_s=1.0)
    ends_s = 1.0 + np.cumsum(times_ms) / 1000.0
    for moment_s in (3.0, 12.34, 25.0):
        last = (ends_s <= moment_s) & (ends_s > moment_s - 1.0)
        assert shown.rate_fps(moment_s) == pytest.approx(last.sum() / (times_ms[last].sum() / 1000.0), rel=1e-12)
    so_far = times_ms[ends_s <= 25.0]
    assert shown.low_fps(25.0) == percentile_low_fps(np.sort(so_far), slowest_pct=1.0)
    assert shown.low_fps(3.0) is None  # fewer than ten frames in the tail
    assert shown.rate_fps(1.5) is None and shown.rate_fps(ends_s[-1] + 0.1) is None


def test_numbers_change_at_most_four_times_a_second() -> None:
    times_ms = 10.0 * np.exp(np.random.default_rng(2).normal(0.0, 0.3, 1000))
    clip = Clip([track(times_ms)], ClipLook(shown=("rate", "label")))
    pictures = [clip.panel(3.0 + k / 60.0).tobytes() for k in range(60)]
    changes = sum(a != b for a, b in pairwise(pictures))
    assert 1 <= changes <= 4


@pytest.mark.parametrize("place", get_args(Place))
@pytest.mark.parametrize("n_tracks", [1, 4])
@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920), (640, 360), (180, 180), (180, 320), (321, 181)])
def test_all_lies_in_the_safe_area(place: str, n_tracks: int, size: tuple[int, int]) -> None:
    colors = (BLUE, "#e69f00", "#cc79a7", "#f0e442")
    tracks = [track(np.full(400, 8.0 + number), color=color) for number, color in enumerate(colors[:n_tracks])]
    look = ClipLook(width=size[0], height=size[1], place=place)  # type: ignore[arg-type]
    picture = Clip(tracks, look).picture(2.0)
    rows, columns = np.nonzero(picture[..., 3])
    assert rows.min() >= SAFE_MARGIN * size[1] - 1 and rows.max() <= (1.0 - SAFE_MARGIN) * size[1]
    assert columns.min() >= SAFE_MARGIN * size[0] - 1 and columns.max() <= (1.0 - SAFE_MARGIN) * size[0]


@pytest.mark.parametrize("place", get_args(Place))
@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920), (640, 360), (180, 180)])
def test_no_number_and_no_long_label_is_cut_at_the_edge(place: str, size: tuple[int, int]) -> None:
    fast = replace(track(np.full(20_000, 0.5)), label="Amber 6 with a name of some forty letters")
    look = ClipLook(width=size[0], height=size[1], place=place, shown=("rate", "low", "label"))  # type: ignore[arg-type]
    panel = Clip([fast], look).panel(9.0)
    ground = panel[-1, -1]
    assert (panel != ground).any(axis=-1).sum() > 100
    assert (panel[:, -4:] == ground).all()


def test_a_text_is_made_smaller_before_it_is_shortened() -> None:
    clip = Clip([track(np.full(100, 10.0))], ClipLook())
    assert clip._fitted("237 fps", 1.0, 200) == ("237 fps", 1.0)
    text, size = clip._fitted("Amber 6 with 24 GB", 1.0, 240)
    assert text == "Amber 6 with 24 GB" and 0.6 < size < 0.9
    text, size = clip._fitted("Amber 6 with a name of some forty letters", 1.0, 200)
    assert text.startswith("Amber 6 with") and text.endswith("…") and size == pytest.approx(0.6, abs=0.02)


@pytest.mark.parametrize(("place", "n_tracks"), [("foot", 2), ("foot", 3), ("side", 3), ("full", 4)])
def test_every_number_of_every_track_is_shown(place: str, n_tracks: int, monkeypatch: pytest.MonkeyPatch) -> None:
    times_s = np.arange(20.0)
    samples = {"power_w": (times_s, times_s + 200.0), "temperature_c": (times_s, times_s + 50.0)}
    tracks = [
        replace(track(np.full(2000, 5.0 + number)), samples=samples if n_tracks != 3 else {})
        for number in range(n_tracks)
    ]
    written: list[str] = []
    clip = Clip(tracks, ClipLook(place=place))  # type: ignore[arg-type]
    monkeypatch.setattr(clip, "_text", lambda _panel, text, *_: written.append(text))
    clip.panel(9.0)
    for ending in (" fps", "low", *([] if n_tracks == 3 else [" W", "°C"])):
        assert sum(text.endswith(ending) for text in written) == n_tracks, (ending, written)


def texts_of(clip: Clip, moment_s: float) -> list[tuple[str, float, int, int]]:
    """What is written on a panel: each text with its size in em, its left and its upper end."""
    written: list[tuple[str, float, int, int]] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clip, "_text", lambda _panel, *told: written.append(told[:4]))
        clip.panel(moment_s)
    return written


@pytest.mark.parametrize("n_tracks", [2, 4])
@pytest.mark.parametrize("size", [(1920, 1080), (640, 360)])
def test_the_lines_of_each_track_keep_to_a_part_of_the_panel_of_their_own(n_tracks: int, size: tuple[int, int]) -> None:
    tracks = [replace(track(np.full(2000, 5.0 + number)), label=f"card {number}") for number in range(n_tracks)]
    clip = Clip(tracks, ClipLook(width=size[0], height=size[1], shown=("label", "rate", "low")))
    part = clip.panel(9.0).shape[0] / n_tracks
    numbers = iter(range(n_tracks))
    at = -1
    for text, em, _, top in texts_of(clip, 9.0):
        at = next(numbers) if text.startswith("card") else at
        assert at * part <= top and top + 1.05 * em * clip._em <= (at + 1) * part + 1.0, (text, at)
    assert at == n_tracks - 1


def test_a_stutter_is_marked_with_its_length_above_its_place_once_it_has_ended() -> None:
    times_ms = np.full(600, 10.0)
    times_ms[300] = 100.0  # from 3.00 to 3.10 s
    clip = Clip([track(times_ms)], ClipLook(shown=("trace", "stutters")))
    filling = Clip(clip.tracks, replace(clip.look, motion="filling"))
    assert [len(texts_of(filling, moment_s)) for moment_s in (2.5, 3.09, 3.11)] == [0, 0, 1]
    ((text, em, left, _),) = texts_of(clip, 4.0)
    from_s, to_s = clip.window(4.0)
    middle = (3.05 - from_s) / (to_s - from_s) * clip.panel(4.0).shape[1]
    assert text == "100 ms" and abs(left + 1.6 * em * clip._em - middle) < clip._em
    assert not texts_of(Clip([track(times_ms)], ClipLook(shown=("trace",))), 4.0)
    times_ms[303] = 120.0  # so near that the two marks would meet
    assert [text for text, *_ in texts_of(Clip([track(times_ms)], clip.look), 4.0)] == ["120 ms"]
    times_ms[450] = 130.0
    assert [text for text, *_ in texts_of(Clip([track(times_ms)], clip.look), 6.0)] == ["130 ms", "120 ms"]


def test_one_scale_holds_the_slowest_of_all_tracks() -> None:
    fast, slow = track(np.full(500, 8.0)), track(np.full(500, 45.0))
    assert top_ms([fast, slow]) == top_ms([slow, fast]) == top_ms([slow]) > 45.0 > top_ms([fast])
    uneven = track(np.tile(np.append(np.full(99, 8.0), 80.0), 20))
    assert top_ms([fast, uneven]) == top_ms([uneven]) > 80.0


def test_opacity_is_right_over_black_and_white() -> None:
    """Straight opacity: over any ground the picture is color times opacity plus ground times the rest."""
    clip = Clip([track(np.full(500, 12.0))], ClipLook(width=640, height=360))
    picture = clip.picture(3.0).astype(float)
    for level in (0, 255):
        ground = np.full((360, 640, 3), level, dtype=np.uint8)
        clip.blended(ground, 3.0)
        opacity = picture[..., 3:] / 255.0
        assert np.abs(ground - (picture[..., :3] * opacity + level * (1.0 - opacity))).max() <= 1.0


def test_a_color_laid_on_the_panel_covers_what_lies_below_by_its_share() -> None:
    """Porter and Duff, Compositing Digital Images (1984), *over*: seen on a ground, color times cover plus the rest."""
    clip = Clip([track(np.full(500, 12.0))], ClipLook(shown=()))
    panel = clip.panel(0.0)[:1, :256]
    below = panel[0, 0].astype(float)
    color = np.array([0.2, 0.7, 0.9])
    cover = np.arange(256, dtype=np.uint8)[None]
    clip._lay(panel, cover, color)
    share = cover[0, :, None] / 255.0
    for level in (0.0, 255.0):
        under = below[:3] * below[3] / 255.0 + level * (1.0 - below[3] / 255.0)
        seen = panel[0, :, :3] * (panel[0, :, 3:] / 255.0) + level * (1.0 - panel[0, :, 3:] / 255.0)
        assert np.abs(seen - (255.0 * color * share + under * (1.0 - share))).max() <= 2.0


def test_the_ground_below_a_single_trace_is_tinted() -> None:
    one, two = (
        Clip([track(np.full(1500, 12.0), color=color) for color in colors], ClipLook(shown=("trace",))).panel(12.0)
        for colors in ((BLUE,), (BLUE, "#e69f00"))
    )
    assert one[-1, 500, 2] > two[-1, 500, 2] + 20


def test_before_the_start_and_after_the_end_there_is_a_picture() -> None:
    clip = Clip([track(np.full(100, 10.0), start_s=5.0)], ClipLook())
    assert not is_line(clip.panel(4.9))[:, :800].any()
    assert clip.panel(500.0).shape == clip.panel(0.0).shape
    assert clip.end_s == pytest.approx(6.0)
